"""Stretches of a field in which every pass shows other pulses: nothing lasting is recorded there.

Two passes over a sound recording show the same pulses, over a worn one most of them. Where nothing was recorded, or too
weakly, the detector makes pulses of noise, and two passes agree by chance alone. So one pass is laid against the other
pulse by pulse: how they lie is followed along the field, since the spindle never turns twice alike, and sought again
behind a stretch where nothing agreed.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations
from operator import eq

import numpy as np
import numpy.typing as npt

from indexhole.codes.code import CodeName
from indexhole.codes.known import CODES
from indexhole.kinds import every
from indexhole.recover.fields import kernels
from indexhole.recover.fields.reads import SectorRead
from indexhole.recover.fields.stretch import Stretch

_WINDOW = 64
# Pulses both passes must have in a window to say anything; a stretch without pulses is lost, not weak.
_FEWEST = 8
# Cells: how near the next window is sought, how far at most, in what steps, and how near pulses agree.
_NEAR, _WIDEST, _STEP, _TOLERANCE = 1.5, 40.0, 0.25, 0.4
# Share of pulses that agree: from where on it shows how passes lie, below which a window is doubted, and below which
# the middle of a stretch must be. By chance it is 0.3 to 0.6; worn recordings have 0.7 and more.
_LOCK, _DOUBTED, _CHANCE = 0.75, 0.62, 0.56
_SHORTEST_WINDOWS = 3
_MOST_PASSES = 5
# Of all pairs of passes so many must disagree: a pass may chance to be like another.
_PAIRS = 0.7


@dataclass(frozen=True, slots=True)
class _Sync:
    """Pulses of sync that are looked at, counted from the mark back, and the cells between two of them."""

    nearest: int
    farthest: int
    run: int


_SYNC: Mapping[CodeName, _Sync] = every(
    CodeName, {"fm": _Sync(16, 40, 2), "mfm": _Sync(20, 60, 2), "group45": _Sync(4, 32, 1)}
)
_EVEN = 0.2
# Spread of the time over two intervals of sync, in cells, up to which nearly all pulses of two passes agree.
_STEADY = 0.18

Bytes = tuple[int, int]
"""First byte, and the one behind the last."""


def weak_stretches(reads: Sequence[SectorRead], size: int) -> list[Bytes]:
    """Bytes of a sector in which its passes disagree pulse by pulse, empty with fewer than two passes."""
    stretches = [s for r in reads if not r.cut and (s := r.stretch()) is not None][:_MOST_PASSES]
    times = [t for s in stretches if s.code == stretches[0].code and (t := _times(s)) is not None]
    if len(times) < 2:
        return []
    code = CODES[stretches[0].code]
    windows = -(-code.decoded_cells(size) // _WINDOW)
    agree = np.array([_agreement(a, b, windows) for a, b in combinations(times, 2)])
    # Where any two passes agree something is recorded, whatever kept the others from it.
    weak = (np.mean(agree < _DOUBTED, axis=0) >= _PAIRS) & ~np.any(agree >= _LOCK, axis=0)
    per_byte = code.cells_per_byte
    before = 1 if code.mark_is_decoded else 0
    found = []
    for first, last in _runs(weak):
        if last - first >= _SHORTEST_WINDOWS and float(np.nanmedian(agree[:, first:last])) < _CHANCE:
            start, end = first * _WINDOW // per_byte - before, -(-last * _WINDOW // per_byte) - before
            found.append((max(start, 0), min(end, size)))
    return [(a, b) for a, b in found if b > a and not _some_alike([r.data[a:b] for r in reads])]


def _some_alike(parts: Sequence[bytes]) -> bool:
    """Whether two passes read most bytes alike: noise does not, whatever single pulses say."""
    return any(2 * sum(map(eq, one, other)) >= len(one) for one, other in combinations(parts, 2))


def _times(stretch: Stretch) -> npt.NDArray[np.float64] | None:
    """Time of each pulse behind the mark, in cells from the first cell of the field; None for a pass so noisy in the
    sync in front of the mark already that single pulses tell nothing.

    The cell length is that of the sync: a mean over the whole field would have noise in it. Intervals are taken in
    pairs, so that pulses of one polarity coming late do not count.
    """
    look = _SYNC[stretch.code]
    sync = stretch.intervals[max(stretch.at - look.farthest, 0) : max(stretch.at - look.nearest, 1)].astype(np.float64)
    pairs = sync[:-1] + sync[1:]
    if not pairs.size:
        return None
    usual = float(np.median(pairs))
    cell_ticks = float(pairs[np.abs(pairs - usual) < _EVEN * usual].mean()) / (2 * look.run)
    if 1.4826 * float(np.median(np.abs(pairs - usual))) > _STEADY * cell_ticks:
        return None
    since = np.cumsum(stretch.intervals[stretch.at :], dtype=np.int64)
    return np.asarray(since / cell_ticks - stretch.lead, dtype=np.float64)


def _agreement(one: npt.NDArray[np.float64], other: npt.NDArray[np.float64], windows: int) -> npt.NDArray[np.float64]:
    """(windows,) share of pulses two passes have in common, nan where one of them has hardly any."""
    share = np.empty(windows)
    kernels.shared_pulses(one, other, _WINDOW, _FEWEST, _NEAR, _WIDEST, _STEP, _TOLERANCE, _LOCK, share)
    return share


def _runs(flags: npt.NDArray[np.bool_]) -> list[tuple[int, int]]:
    """(first, behind the last) of each run of true flags, a lone false one inside taken along."""
    closed = flags.copy()
    closed[1:-1] |= flags[:-2] & flags[2:]
    edges = np.flatnonzero(np.diff(np.concatenate(([False], closed, [False])).astype(np.int8)))
    return [(int(a), int(b)) for a, b in edges.reshape(-1, 2)]
