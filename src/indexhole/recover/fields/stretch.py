"""The pulses of one field, cut out of a stream: what is kept of a read until its sector is resolved."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from indexhole.codes.code import CodeName
from indexhole.codes.known import CODES
from indexhole.signal.clock.kernels import two_way_clock
from indexhole.signal.clock.streams import Stream

# Pulses of sync in front of the mark, for the loop to find its phase in, and a few behind the field.
_BEFORE, _BEHIND = 80, 6


@dataclass(frozen=True, slots=True)
class Stretch:
    """Pulses of one field.

    Attributes:
        code: as in the stream.
        intervals: (n,) int32 ticks between pulses.
        strength: (n + 1,) uint8 peak heights, 128 = typical, None for a logic capture.
        cell_ticks: local cell length to start from.
        at: number of the pulse that closes the mark.
        lead: cells from that pulse to the field's first cell.
    """

    code: CodeName
    intervals: npt.NDArray[np.int32]
    strength: npt.NDArray[np.uint8] | None
    cell_ticks: float
    at: int
    lead: int


def cut_stretch(stream: Stream, mark: int, kind: int, cells: int) -> Stretch:
    """Cut the field of `cells` cells behind the mark that closes run `mark`, found as pattern `kind`."""
    first = max(mark + 1 - _BEFORE, 0)
    # Every run takes at least one cell (two in MFM), so this reaches the end of the field.
    code = CODES[stream.code]
    shortest, longest = code.run_limits
    most = cells // shortest
    behind = np.cumsum(stream.runs[mark + 1 : mark + 1 + most], dtype=np.int64)
    last = min(mark + 1 + int(np.searchsorted(behind, cells)) + _BEHIND, stream.runs.size)
    runs = stream.runs[first:last]
    usual = runs <= longest
    total = int(runs[usual].sum())
    local = float(stream.intervals[first:last][usual].sum(dtype=np.int64)) / total if total else stream.cell_ticks
    local = min(max(local, 0.9 * stream.cell_ticks), 1.1 * stream.cell_ticks)
    strength: npt.NDArray[np.uint8] | None = getattr(stream.segment, "strength", None)
    return Stretch(
        stream.code,
        stream.intervals[first:last].copy(),
        None if strength is None else strength[first : last + 1].copy(),
        local,
        mark + 1 - first,
        code.marks[kind].lead,
    )


@dataclass(frozen=True, slots=True)
class Placed:
    """A stretch with its pulses placed in cells of the field.

    Attributes:
        cell: (m,) int64 cell of each pulse, 0 = first of the field.
        offset: (m,) cells it stands off the middle of that cell.
        run: (m,) cells since the pulse before.
        strength: (m,) 1 = typical.
    """

    cell: npt.NDArray[np.int64]
    offset: npt.NDArray[np.float64]
    run: npt.NDArray[np.int64]
    strength: npt.NDArray[np.float64]


def place_pulses(stretch: Stretch) -> Placed:
    """Place the pulses behind the mark by a clock that looks both ways."""
    place = two_way_clock(stretch.intervals, stretch.cell_ticks)
    whole = np.rint(place).astype(np.int64)
    offset = place - whole
    # The mark's own pulse is where counting starts.
    before = whole[stretch.at] - whole[stretch.at - 1] if stretch.at else np.int64(2)
    run = np.diff(whole[stretch.at :], prepend=whole[stretch.at] - before)
    strength = np.ones(run.size) if stretch.strength is None else stretch.strength[stretch.at :] / 128.0
    return Placed(whole[stretch.at :] - whole[stretch.at] - stretch.lead, offset[stretch.at :], run, strength)
