"""A stay of the head on one track with its clock recovered: what decoding and the gauges both start from."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from indexhole.codes.code import CodeName
from indexhole.signal.clock.kernels import recover_clock
from indexhole.signal.dwells.sessions import Segment

_BEYOND_CELLS = 32


@dataclass(frozen=True, slots=True)
class Stream:
    """A stay with its clock recovered.

    Attributes:
        segment: where the pulses come from.
        code: name of its code.
        cell_ticks: cell length the loop started from.
        intervals, runs, errors: (n,) per interval; see signal.kernels.recover_clock.
        turn_ticks: ticks of one revolution.
    """

    segment: Segment
    code: CodeName
    cell_ticks: float
    intervals: npt.NDArray[np.int32]
    runs: npt.NDArray[np.uint8]
    errors: npt.NDArray[np.int8]
    turn_ticks: float

    def inner_index(self) -> npt.NDArray[np.int64]:
        """Index pulses between the first and the last read pulse, or a few cells beyond, as in a log that begins with
        the index: of others nobody knows how many cells lie between.
        """
        index, pulses, beyond = self.segment.index_ticks, self.segment.read_ticks, _BEYOND_CELLS * self.cell_ticks
        inside: npt.NDArray[np.int64] = index[(index >= pulses[0] - beyond) & (index <= pulses[-1] + beyond)]
        return inside

    def cell_numbers(self, ticks: npt.NDArray[np.int64]) -> npt.NDArray[np.float64]:
        """Cells from the first pulse to each time, in between pulses and a few cells beyond them by proportion."""
        cells = np.concatenate((np.zeros(1), np.cumsum(self.runs, dtype=np.float64)))
        pulses = self.segment.read_ticks
        beyond = (ticks - np.clip(ticks, pulses[0], pulses[-1])) / self.cell_ticks
        return np.interp(ticks, pulses, cells) + np.clip(beyond, -_BEYOND_CELLS, _BEYOND_CELLS)

    def turns(self, at: npt.NDArray[np.int64]) -> npt.NDArray[np.float64]:
        """Revolutions from the first index to the pulse that closes each run; without an index, from the start."""
        ticks = self.segment.read_ticks[np.asarray(at) + 1].astype(np.float64)
        index = self.segment.index_ticks
        if not index.size:
            return (ticks - float(self.segment.read_ticks[0])) / self.turn_ticks
        turns = np.interp(ticks, index, np.arange(index.size, dtype=np.float64))
        early, late = ticks < index[0], ticks > index[-1]
        turns[early] = (ticks[early] - index[0]) / self.turn_ticks
        turns[late] = index.size - 1 + (ticks[late] - index[-1]) / self.turn_ticks
        return turns


def open_stream(
    segment: Segment,
    code: CodeName,
    cell_ticks: float,
    turn_ticks: float,
    intervals: npt.NDArray[np.int32] | None = None,
) -> Stream:
    """Recover the clock of a stay; `intervals` are the segment's own where they are already at hand."""
    if intervals is None:
        intervals = segment.intervals()
    runs, errors = recover_clock(intervals, cell_ticks)
    return Stream(segment, code, cell_ticks, intervals, runs, errors, turn_ticks)
