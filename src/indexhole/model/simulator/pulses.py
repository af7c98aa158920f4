"""From cells to flux transitions round a track, and from those to the peaks a head reads. Angles in revolutions.

A spindle turns by angle(t) = f t + the integral of its wow, so a writer's and a reader's speeds and wow
combine in the angle alone. Neighbouring read pulses overlap: the head gives the sum of Lorentzian pulses of
alternating sign, and the detector marks where that sum has its peaks (textbook model; the same first-order
shift stands in timing.peak_shift_s).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]

_NEIGHBOURS = 4
_NEWTON_STEPS = 4


@dataclass(frozen=True, slots=True)
class Spindle:
    """A turning spindle: mean speed and one sinusoidal wow.

    Attributes:
        speed_rpm: mean speed, revolutions per minute.
        wow_peak: peak speed variation, fraction (below 0.5).
        wow_order: cycles of it per revolution, need not be whole.
        wow_phase: its phase at time 0, radians.
    """

    speed_rpm: float
    wow_peak: float = 0.0
    wow_order: float = 1.0
    wow_phase: float = 0.0

    def angle(self, time_s: Floats) -> Floats:
        """Revolutions turned by each of (n,) times in s; continues over any number of revolutions."""
        turned = self.speed_rpm / 60 * time_s
        if self.wow_peak == 0:
            return turned
        wave = 2 * math.pi * self.wow_order
        return turned + self.wow_peak / wave * (np.sin(wave * turned + self.wow_phase) - math.sin(self.wow_phase))

    def time(self, angle: Floats) -> Floats:
        """The time at which each of (n,) angles, in revolutions, passes, in s: `angle` inverted by Newton's method."""
        per_s = self.speed_rpm / 60
        time_s: Floats = np.asarray(angle / per_s, dtype=np.float64)
        if self.wow_peak == 0:
            return time_s
        wave = 2 * math.pi * self.wow_order
        for _ in range(_NEWTON_STEPS):
            slope = per_s * (1 + self.wow_peak * np.cos(wave * per_s * time_s + self.wow_phase))
            time_s = time_s - (self.angle(time_s) - angle) / slope
        return time_s

    def angle_at(self, time_s: float) -> float:
        """Revolutions turned by one time."""
        return float(self.angle(np.array([time_s]))[0])

    def time_at(self, angle: float) -> float:
        """The time at which one angle passes."""
        return float(self.time(np.array([angle]))[0])


def cells_per_revolution(spindle: Spindle, cell_s: float) -> int:
    """Whole cells a writer lays down from one index to the next."""
    return int(spindle.time_at(1.0) / cell_s)


def lay_down(cells: npt.NDArray[np.uint8], cell_s: float, spindle: Spindle) -> Floats:
    """Angles in revolutions, (transitions,), that `cells` (n,) leave behind, from the angle at which writing began."""
    return spindle.angle(np.flatnonzero(cells).astype(np.float64) * cell_s)


def replace_stretch(angles: Floats, start: float, new: Floats, length: float) -> Floats:
    """A track's transitions once `new` (from its own start) was written over `length` revolutions from `start`.

    All are revolutions, (n,) each. Returns sorted angles in [0, 1). The stretch may pass the index.
    """
    kept = angles[(angles - start) % 1.0 >= length]
    return np.sort(np.concatenate((kept, (start + new) % 1.0)))


def peak_shifts(angles: Floats, pulse_width: float) -> Floats:
    """How far each peak of the summed pulses lies behind its transition.

    Args:
        angles: (n,) sorted transitions in [0, 1), a closed track.
        pulse_width: width of a lone pulse at half height, in revolutions.

    Returns:
        (n,) shifts in revolutions, at most a third of the way to the nearer neighbour (where pulses crowd
        so much that a peak vanishes, there is none to find).
    """
    count = angles.size
    if count < 2:
        return np.zeros(count)
    reach = min(_NEIGHBOURS, count - 1)
    closed = np.concatenate((angles[-reach:] - 1.0, angles, angles[:reach] + 1.0))
    here = closed[reach : reach + count]
    bound = np.minimum(here - closed[reach - 1 : reach - 1 + count], closed[reach + 1 : reach + 1 + count] - here) / 3
    # in half widths a pulse is 1 / (1 + u^2), its slope -2 u / (1 + u^2)^2
    half = pulse_width / 2
    shift = np.zeros(count)
    bound = bound / half
    for _ in range(_NEWTON_STEPS):
        slope = np.zeros(count)
        curve = np.zeros(count)
        for step in range(-reach, reach + 1):
            u = shift - (closed[reach + step : reach + step + count] - here) / half
            square = u * u
            lone = 1.0 / (1.0 + square)
            cube = lone * lone * lone
            sign = -1.0 if step % 2 else 1.0
            slope -= (2 * sign) * u * lone * lone
            curve += sign * (6 * square - 2) * cube
        shift = np.clip(shift - slope / np.minimum(curve, -0.1), -bound, bound)
    return shift * half


def detected(
    angles: Floats,
    spindle: Spindle,
    jitter_s: Floats,
    asymmetry_s: float,
    seen: npt.NDArray[np.bool_],
    rng: np.random.Generator,
) -> Floats:
    """Times at which a read chain signals the peaks at `angles` (n,), in seconds, sorted.

    Args:
        jitter_s: (n,) standard deviation of each.
        asymmetry_s: peaks of one polarity come this much late against the other.
        seen: (n,) which peaks are high enough to be signalled.
    """
    late = np.where(np.arange(angles.size) % 2, -0.5, 0.5) * asymmetry_s
    times = spindle.time(angles) + late + rng.standard_normal(angles.size) * jitter_s
    return np.sort(times[seen])
