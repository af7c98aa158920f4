"""Stretches of a field in which every pass shows other pulses: nothing lasting is recorded there.

Two passes over a sound recording show pulses in the same cells, over a worn one in most of them. Where nothing was
recorded, or too weakly, the detector makes pulses of noise, and two passes agree by chance alone: in about four cells
of ten, the share of cells that hold a pulse. Cells are counted by a loop of fixed length, which noise cannot draw away;
still, passes are laid against each other at the shift that fits best, three windows at a time.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import combinations

import numpy as np
import numpy.typing as npt

from indexhole.codes import marks
from indexhole.recover.reads import SectorRead, field_cells
from indexhole.recover.stretch import Stretch
from indexhole.signal.kernels import recover_clock

_WINDOW = 64
_SHIFTS = 12
# The pulses of sync, from the mark back: from the nearer to the farther, and the cells between two of them.
_SYNC_PULSES = {"fm": (16, 40), "mfm": (20, 60), "group45": (4, 32)}
_SYNC_RUN = {"fm": 2, "mfm": 2, "group45": 1}
_EVEN = 0.2
# Pulses both passes must have in a window to say anything; a stretch without pulses is lost, not weak.
_FEWEST = 8
# Pulses that agree, over three windows: sound 1, worn 0.7 and more, noise 0.6 at the best shift.
_AGREE = 0.64
_SHORTEST_WINDOWS = 3
_MOST_PASSES = 5
# Of all pairs of passes so many must disagree: a pass may chance to be like another.
_PAIRS = 0.7

Bytes = tuple[int, int]
"""First byte, and the one behind the last."""


def weak_stretches(reads: Sequence[SectorRead], size: int) -> list[Bytes]:
    """Bytes of a sector in which its passes disagree pulse by pulse, empty with fewer than two passes."""
    stretches = [s for r in reads if not r.cut and (s := r.stretch()) is not None][:_MOST_PASSES]
    if len(stretches) < 2:
        return []
    code = stretches[0].code
    cells = field_cells(code, size)
    rows = [_row(_cells(s), cells) for s in stretches if s.code == code]
    disagree = [_disagreement(a, b) for a, b in combinations(rows, 2)]
    if not disagree:
        return []
    weak = np.mean(disagree, axis=0) >= _PAIRS
    per_byte = marks.CELLS_PER_BYTE[code]
    # An FM mark is told by its pattern, the others are the first byte of the field.
    before = 0 if code == "fm" else 1
    found = []
    for first, last in _runs(weak):
        if last - first >= _SHORTEST_WINDOWS:
            start, end = first * _WINDOW // per_byte - before, -(-last * _WINDOW // per_byte) - before
            found.append((max(start, 0), min(end, size)))
    return [(a, b) for a, b in found if b > a]


def _cells(stretch: Stretch) -> npt.NDArray[np.int64]:
    """Cell of each pulse from the mark on, counted from the first cell of the field.

    The cell length is that of the sync in front of the mark: a mean over the whole field would have noise in it.
    """
    behind, before = _SYNC_PULSES[stretch.code]
    sync = stretch.intervals[max(stretch.at - before, 0) : max(stretch.at - behind, 1)].astype(np.float64)
    usual = float(np.median(sync))
    even = sync[np.abs(sync - usual) < _EVEN * usual]
    cell_ticks = float(even.mean()) / _SYNC_RUN[stretch.code] if even.size else stretch.cell_ticks
    runs, _ = recover_clock(stretch.intervals, cell_ticks, drift=0.0)
    return np.asarray(np.cumsum(runs[stretch.at :], dtype=np.int64) - stretch.lead, dtype=np.int64)


def _row(cell: npt.NDArray[np.int64], cells: int) -> npt.NDArray[np.bool_]:
    """Which cells of the field hold a pulse, in whole windows."""
    row = np.zeros(-(-cells // _WINDOW) * _WINDOW, dtype=np.bool_)
    row[cell[(cell >= 0) & (cell < cells)]] = True
    return row


def _disagreement(one: npt.NDArray[np.bool_], other: npt.NDArray[np.bool_]) -> npt.NDArray[np.bool_]:
    """(windows,) where two passes have enough pulses each, and too few in common."""

    def windows(row: npt.NDArray[np.bool_]) -> npt.NDArray[np.int64]:
        return np.asarray(row.reshape(-1, _WINDOW).sum(axis=1), dtype=np.int64)

    def three(counts: npt.NDArray[np.int64]) -> npt.NDArray[np.float64]:
        return np.convolve(counts, np.ones(3), "same")

    mine, theirs = windows(one), windows(other)
    common = np.max([three(windows(one & np.roll(other, shift))) for shift in range(-_SHIFTS, _SHIFTS + 1)], axis=0)
    told = (mine >= _FEWEST) & (theirs >= _FEWEST)
    return np.asarray(told & (common < _AGREE * three(np.maximum(mine, theirs))))


def _runs(flags: npt.NDArray[np.bool_]) -> list[tuple[int, int]]:
    """(first, behind the last) of each run of true flags, a lone false one inside taken along."""
    closed = flags.copy()
    closed[1:-1] |= flags[:-2] & flags[2:]
    edges = np.flatnonzero(np.diff(np.concatenate(([False], closed, [False])).astype(np.int8)))
    return [(int(a), int(b)) for a, b in edges.reshape(-1, 2)]
