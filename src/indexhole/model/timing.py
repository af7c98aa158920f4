"""From signal and noise to edges out of their window, and from there to failed sectors. Times in seconds.

Formulas and their sources stand in docs/forward-model.md.
"""

from __future__ import annotations

import math

# Random MFM data bear a transition for every one and for every second zero in a row: 3/4 of a transition a bit.
TRANSITIONS_PER_BIT = 0.75


def tail(x: float) -> float:
    """Q(x): chance that a standard normal value exceeds x."""
    return 0.5 * math.erfc(x / math.sqrt(2.0))


def edge_jitter_s(noise_to_signal: float, pulse_width_s: float, bandwidth_hz: float) -> float:
    """Standard deviation of a peak's time, s.

    A detector marks where the derivative crosses zero. White noise up to `bandwidth_hz` has the derivative
    rms 2 pi B / sqrt(3) times its own; a Lorentzian pulse of height 1 and half-height width P has the
    curvature 8 / P^2 at its peak. Their ratio is the jitter. Infinite when there is no signal.
    """
    return noise_to_signal * (2 * math.pi * bandwidth_hz / math.sqrt(3.0)) * pulse_width_s**2 / 8.0


def peak_shift_s(pulse_width_s: float, near_s: float, far_s: float) -> float:
    """How far a peak moves towards the open side when its neighbours stand at `near_s` and `far_s`, s.

    First order in the neighbours' slope, Lorentzian pulses of alternating sign; positive means away from
    the near neighbour.
    """

    def push(distance_s: float) -> float:
        return distance_s / (1.0 + (2.0 * distance_s / pulse_width_s) ** 2) ** 2

    return push(near_s) - push(far_s)


def loop_lag_s(cell_s: float, speed_error: float, loop_cells: float) -> float:
    """Standing phase error, s, of a clock follower that averages over `loop_cells` cells."""
    return abs(speed_error) * cell_s * loop_cells


def lock_failure_probability(speed_error: float, capture_range: float, softness: float) -> float:
    """Chance that a clock follower does not lock to cells off by `speed_error` (fraction)."""
    return tail((capture_range - abs(speed_error)) / softness)


def edge_error_probability(half_window_s: float, bias_s: float, jitter_s: float) -> float:
    """Chance that one edge falls outside its window: normal jitter round a standing error."""
    if math.isinf(jitter_s):
        return 1.0
    if jitter_s <= 0.0:
        return 1.0 if abs(bias_s) > half_window_s else 0.0
    early, late = half_window_s + bias_s, half_window_s - bias_s
    return min(1.0, tail(early / jitter_s) + tail(late / jitter_s))


def sector_transitions(sector_bytes: int, overhead_bytes: int = 14) -> int:
    """Transitions that must all be read right for one sector: identity, marks, data and checks."""
    return round((sector_bytes + overhead_bytes) * 8 * TRANSITIONS_PER_BIT)


def any_of(probability: float, count: int) -> float:
    """Chance that at least one of `count` independent events of this probability happens."""
    if probability >= 1.0:
        return 1.0
    return -math.expm1(count * math.log1p(-probability))
