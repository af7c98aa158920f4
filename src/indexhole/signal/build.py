"""Collects edges chunk by chunk into a Capture; every reader ends here."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from indexhole.errors import InputFault
from indexhole.signal.capture import Capture, LineTrace, Ticks
from indexhole.signal.lines import INDEX, READ_DATA

# A track turns past five times a second; fewer pulses than this cannot hold one sector header.
MIN_PULSES = 16


def _joined(parts: list[Ticks]) -> Ticks:
    return np.concatenate(parts) if parts else np.empty(0, dtype=np.int64)


@dataclass
class EdgeCollector:
    """Gathers edges of the known lines.

    Attributes:
        names: our line names, in the order of the reader's line numbers.
    """

    names: list[str]
    _ticks: dict[str, list[Ticks]] = field(default_factory=dict)
    _levels: dict[str, list[npt.NDArray[np.uint8]]] = field(default_factory=dict)

    def add(self, ticks: Ticks, what: npt.NDArray[np.uint8]) -> None:
        """Take one chunk: `ticks` (k,) and `what` (k,) = 4 * line number + level."""
        number = what >> 2
        for line, name in enumerate(self.names):
            chosen = number == line
            self._ticks.setdefault(name, []).append(ticks[chosen])
            if name not in (READ_DATA, INDEX):
                self._levels.setdefault(name, []).append(what[chosen] & 3)

    def finish(self, name: str, tick_s: float) -> Capture:
        """Make the capture. Raises InputFault when there are too few read-data pulses to hold anything."""
        pulses = _joined(self._ticks.get(READ_DATA, []))
        if pulses.size < MIN_PULSES:
            raise InputFault(
                f"only {pulses.size} pulses on the read-data line",
                where=name,
                remedy="check that the drive was selected and turning, and that the right line is named",
            )
        lines = {}
        for line in self.names:
            if line in (READ_DATA, INDEX):
                continue
            ticks = _joined(self._ticks.get(line, []))
            parts = self._levels.get(line, [])
            levels = np.concatenate(parts) if parts else np.empty(0, dtype=np.uint8)
            # The first entry is the level the log opens with, not a change.
            initial = int(levels[0]) if levels.size else 1
            lines[line] = LineTrace(initial, ticks[1:], levels[1:])
        return Capture(name, tick_s, pulses, _joined(self._ticks.get(INDEX, [])), lines)
