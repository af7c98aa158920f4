"""Practice captures: what the simulator draws, sampled as a logic logger would."""

from __future__ import annotations

import numpy as np

from indexhole.model.pulses import Floats
from indexhole.model.session import SimulatedSession
from indexhole.model.simulate import SimulatedTrack
from indexhole.signal.capture import Capture, LineTrace, Ticks

SAMPLE_RATE_HZ = 24e6


def _sampled(times_s: Floats, tick_s: float) -> Ticks:
    """The sample at which a logger sees each edge; two edges in one sample are one."""
    ticks: Ticks = np.unique(np.ceil(times_s / tick_s).astype(np.int64))
    return ticks


def practice_capture(
    simulated: SimulatedTrack | SimulatedSession, name: str, sample_rate_hz: float = SAMPLE_RATE_HZ
) -> Capture:
    """The capture a logger with this clock would have made of a simulated track or session."""
    tick_s = 1 / sample_rate_hz
    lines = {}
    if isinstance(simulated, SimulatedSession):
        for line, events in simulated.lines.items():
            ticks = np.ceil(events.times_s / tick_s).astype(np.int64)
            lines[line] = LineTrace(events.initial, ticks, events.levels)
    return Capture(name, tick_s, _sampled(simulated.pulses_s, tick_s), _sampled(simulated.index_s, tick_s), lines)
