"""A control line as its edges come in, stretch by stretch."""

from __future__ import annotations

import numpy as np

from indexhole.signal.captures.capture import LineTrace, Ticks
from indexhole.signal.captures.gather import NO_TICKS, REST, Levels, opening_level, real_changes

_NO_LEVELS: Levels = np.empty(0, dtype=np.uint8)


class LineLog:
    """Keeps edges that are not settled yet and the level between stretches.

    Args:
        opening: the level the line opens with, None when its first edge tells.
    """

    def __init__(self, opening: int | None) -> None:
        self._level = opening
        self._ticks, self._levels = NO_TICKS, _NO_LEVELS

    def stretch(self, ticks: Ticks, levels: Levels, until: int, first_pulse: int | None) -> LineTrace:
        """The line over the stretch from the last call to `until` (not included), given its new edges."""
        if not ticks.size and not self._ticks.size:
            return LineTrace(REST if self._level is None else self._level, NO_TICKS, _NO_LEVELS)
        ticks = np.concatenate((self._ticks, ticks))
        levels = np.concatenate((self._levels, levels))
        settled = int(np.searchsorted(ticks, until))
        self._ticks, self._levels = ticks[settled:], levels[settled:]
        if self._level is None and settled:
            self._level = opening_level(int(ticks[0]), int(levels[0]), first_pulse)
        initial = REST if self._level is None else self._level
        trace = real_changes(initial, ticks[:settled], levels[:settled])
        if trace.levels.size:
            self._level = int(trace.levels[-1])
        return trace
