"""Practice tracks and sessions as captures, sampled as a logic logger would."""

from __future__ import annotations

import numpy as np

from indexhole.model.simulator.pulses import Floats
from indexhole.model.simulator.session import SimulatedSession
from indexhole.model.simulator.simulate import SimulatedTrack
from indexhole.signal.captures.capture import Capture, LineTrace, Ticks


def capture_of(
    simulated: SimulatedTrack | SimulatedSession,
    name: str,
    *,
    sample_rate_hz: float = 24e6,
    clock_error: float = 0.0,
) -> Capture:
    """A capture on a logger's clock of `sample_rate_hz`, fast by `clock_error` (fraction).

    An edge is seen at the first sample behind it; two in one sample are seen as one.
    """
    rate_hz = sample_rate_hz * (1 + clock_error)

    def sampled(times_s: Floats) -> Ticks:
        ticks: Ticks = np.ceil(times_s * rate_hz).astype(np.int64)
        return ticks

    lines = {}
    if isinstance(simulated, SimulatedSession):
        lines = {
            line: LineTrace(events.initial, sampled(events.times_s), events.levels)
            for line, events in simulated.lines.items()
        }
    pulses, index = (
        ticks[np.diff(ticks, prepend=-1) > 0] for ticks in (sampled(simulated.pulses_s), sampled(simulated.index_s))
    )
    return Capture(name, 1 / sample_rate_hz, pulses, index, lines)
