"""What a capture is once read: event times on the logger's own clock."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

Ticks = npt.NDArray[np.int64]


@dataclass(frozen=True)
class LineTrace:
    """Every change of one control line.

    Attributes:
        initial: level (0 or 1) before the first change.
        ticks: (k,) int64, times of the changes, rising order.
        levels: (k,) uint8, level after each change.
    """

    initial: int
    ticks: Ticks
    levels: npt.NDArray[np.uint8]

    def falling(self) -> Ticks:
        """Times at which the line goes from high to low (lines are active low)."""
        before = np.concatenate((np.array([self.initial], dtype=np.uint8), self.levels[:-1]))
        falling: Ticks = self.ticks[(before == 1) & (self.levels == 0)]
        return falling

    def level_at(self, ticks: Ticks) -> npt.NDArray[np.uint8]:
        """Level of the line just after each given time."""
        position = np.searchsorted(self.ticks, ticks, side="right")
        padded = np.concatenate((np.array([self.initial], dtype=np.uint8), self.levels))
        return padded[position]


@dataclass(frozen=True)
class Capture:
    """A logged signal.

    Attributes:
        name: the file's name, or a name given by the simulator.
        tick_s: seconds per tick.
        read_ticks: (n,) int64, falling edges of the read-data line, rising order.
        index_ticks: (m,) int64, falling edges of the index line.
        lines: control lines by canonical name (`step`, `direction`, `track_zero`, `side`).
        sha256: of the original file's bytes as they came ("" for a simulated capture).
        strength: (n,) uint8, height of each read pulse over the typical one, 128 = typical, 255 = twice as high
            or more; None when only edges were logged.
    """

    name: str
    tick_s: float
    read_ticks: Ticks
    index_ticks: Ticks
    lines: Mapping[str, LineTrace] = field(default_factory=dict)
    sha256: str = ""
    strength: npt.NDArray[np.uint8] | None = None

    @property
    def duration_s(self) -> float:
        """Time from the first to the last event, in seconds."""
        ends = [t[[0, -1]] for t in (self.read_ticks, self.index_ticks) if t.size]
        return float(np.ptp(np.concatenate(ends)) * self.tick_s) if ends else 0.0
