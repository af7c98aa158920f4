"""The grid of cells a writer laid down: its cell length in a window, and whether it steps between two windows.

Pulse times are fitted by least squares over many windows at once. What a window cannot have but a drive gives all
pulses is fitted or taken out: the drift of the reader's speed (a parabola), alternation by polarity (one unknown a
window), and the shift by near neighbours (a table by the runs before and behind a pulse, learned from the track).
Source: linear least squares with indicator variables (textbook, from memory).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TypeVar

import numpy as np
import numpy.typing as npt

from indexhole.codes.known import CODES
from indexhole.signal.clock.streams import Stream

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]

# Runs longer than this are told apart no further by the table of shifts.
_LONGEST = 7
PATTERNS = (_LONGEST + 1) ** 2
# Pulses this many standard deviations off are noise; a window with more of them than this share says nothing.
_CLIP, _CLIPPED_SHARE = 4.0, 0.15
_FEWEST_PULSES = 10
# An interval shorter than this part of the shortest run has a pulse at one end that nobody wrote; one longer by this
# many cells than the longest (a mark's missing clock is one) has lost some. Behind either, cells may be counted wrong.
_SHORTEST_SHARE, _LONGER_BY = 0.6, 1.6
# A window scattering more than this many cells may be counted wrong.
_WIDEST_SCATTER = 0.2
_ROUNDS = 2
# Windows fitted at a time: each of their pulses takes some 200 bytes meanwhile.
_AT_A_TIME = 256
_RIDGE = 1e-12


@dataclass(frozen=True)
class Pulses:
    """Pulses of a dwell.

    Attributes:
        time: (n,) ticks from the first one.
        cell: (n,) cells counted from the first one by the clock loop.
        before, after: (n,) runs on either side, at most 7.
        odd: (n + 1,) intervals too short or too long for the code that end before each pulse.
    """

    time: Floats
    cell: Ints
    before: npt.NDArray[np.uint8]
    after: npt.NDArray[np.uint8]
    odd: npt.NDArray[np.int32]

    def has_odd(self, first: Ints, last: Ints) -> Bools:
        """Whether such an interval ends at any of the pulses `first` to `last` (not included), (k,) each."""
        top = self.odd.size - 1
        found: Bools = self.odd[np.clip(last, 0, top)] > self.odd[np.clip(first, 0, top)]
        return found

    def index(self, cell: Ints | Floats) -> Ints:
        """The first pulse at or behind each cell count: (k,) numbers for (k,) cells."""
        return np.searchsorted(self.cell, cell)


def pulses_of(stream: Stream) -> Pulses:
    """The pulses of a dwell with their cells counted."""
    runs = np.minimum(stream.runs, np.uint8(_LONGEST))
    zero = np.zeros(1, dtype=np.uint8)
    shortest, longest = CODES[stream.code].run_limits
    odd = (stream.intervals < _SHORTEST_SHARE * shortest * stream.cell_ticks) | (
        stream.intervals > (longest + _LONGER_BY) * stream.cell_ticks
    )
    return Pulses(
        (stream.segment.read_ticks - stream.segment.read_ticks[0]).astype(np.float64),
        np.cumsum(np.concatenate((zero, stream.runs)), dtype=np.int64),
        np.concatenate((zero, runs)),
        np.concatenate((runs, zero)),
        np.cumsum(np.concatenate((zero, zero, odd)), dtype=np.int32),
    )


def no_shifts() -> Floats:
    """A table of shifts that takes nothing out: (64,) cells."""
    return np.zeros(PATTERNS)


@dataclass(frozen=True)
class _Fit:
    """Least squares over (k, m) windows: coefficients, inverse normal matrices, scatter in ticks, what is left over."""

    coefficients: Floats
    inverse: Floats
    scatter: Floats
    rest: Floats
    kept: Bools
    good: Bools


def _padded(first: Ints, last: Ints) -> tuple[Ints, Bools]:
    """Index ranges as rows of one table with a mask."""
    count = np.maximum(last - first, 0)
    column = np.arange(max(int(count.max(initial=0)), 1))
    mask = column < count[:, None]
    return np.where(mask, first[:, None] + column, 0), mask


def _fitted(y: Floats, columns: list[Floats], mask: Bools) -> _Fit:
    # Columns lie one behind the other, so that the products below are plain matrix products.
    basis = np.stack(columns, axis=1)
    size = basis.shape[1]
    kept = mask
    ridge = _RIDGE * np.eye(size)
    scatter: Floats = np.zeros(mask.shape[0])
    for turn in range(_ROUNDS):
        weighted = basis * kept[:, None, :]
        normal = weighted @ basis.transpose(0, 2, 1)
        normal += ridge * (1 + np.trace(normal, axis1=1, axis2=2))[:, None, None]
        inverse: Floats = np.asarray(np.linalg.inv(normal), dtype=np.float64)
        coefficients = (inverse @ (weighted @ y[:, :, None]))[:, :, 0]
        rest = y - (coefficients[:, None, :] @ basis)[:, 0, :]
        count = kept.sum(axis=1)
        if turn == 0:
            # The median first: one pulse gone astray must not hide itself.
            scatter = 1.4826 * _median(np.abs(rest), kept, count)
        else:
            scatter = np.sqrt(np.sum(rest * rest * kept, axis=1) / np.maximum(count - size, 1))
        if turn < _ROUNDS - 1:
            kept = mask & (np.abs(rest) <= _CLIP * np.maximum(scatter, 1e-9)[:, None])
    pulses = mask.sum(axis=1)
    good = (kept.sum(axis=1) >= np.maximum(_FEWEST_PULSES, (1 - _CLIPPED_SHARE) * pulses)) & (pulses > 2 * size)
    return _Fit(coefficients, inverse, scatter, rest, kept, good)


def _median(values: Floats, mask: Bools, count: Ints) -> Floats:
    """Median of each row's masked values; 0 for a row without any."""
    ranked = np.sort(np.where(mask, values, np.inf), axis=1)
    middle = np.maximum(count - 1, 0) // 2
    return np.where(count > 0, ranked[np.arange(count.size), middle], 0.0)


def _alternate(at: Ints) -> Floats:
    return np.where(at % 2, -1.0, 1.0)


def _empty_rows(count: int, width: int) -> Floats:
    return np.full((count, width), np.nan)


@dataclass(frozen=True)
class Steps:
    """Steps of the grid from a window A to a window B behind it, (k,) each.

    Attributes:
        step: cells by which B's pulses stand behind where A's grid foresees them, as counted.
        variance: of that by the scatter of the pulses alone, cells squared; nan where nothing could be fitted.
        scatter: standard deviation of the pulses about the fit, cells.
    """

    step: Floats
    variance: Floats
    scatter: Floats

    @property
    def good(self) -> Bools:
        """(k,) which could be measured."""
        return np.isfinite(self.variance)


def measure_steps(pulses: Pulses, ranges: Floats, shifts: Floats) -> Steps:
    """Fit one parabola and a step to each pair of windows.

    Args:
        ranges: (k, 4) cell counts: from and to of window A, from and to of window B.
        shifts: (64,) cells, see `learn_shifts`.
    """
    parts = [_steps(pulses, ranges[k : k + _AT_A_TIME], shifts) for k in range(0, ranges.shape[0], _AT_A_TIME)]
    if not parts:
        empty = np.empty(0)
        return Steps(empty, empty, empty)
    return parts[0] if len(parts) == 1 else joined(parts)


def _steps(pulses: Pulses, ranges: Floats, shifts: Floats) -> Steps:
    bounds = pulses.index(ranges)
    rows = [_padded(bounds[:, 0], bounds[:, 1]), _padded(bounds[:, 2], bounds[:, 3])]
    at = np.concatenate([r[0] for r in rows], axis=1)
    mask = np.concatenate([r[1] for r in rows], axis=1)
    behind = np.zeros(mask.shape)
    behind[:, rows[0][1].shape[1] :] = 1.0
    middle = (ranges[:, 1] + ranges[:, 2]) / 2
    half = np.maximum(ranges[:, 3] - ranges[:, 0], 2.0) / 2
    x = (pulses.cell[at] - middle[:, None]) / half[:, None]
    rough = _rough_cell(pulses, bounds[:, 0], bounds[:, 3])
    y = pulses.time[at] - pulses.time[np.minimum(bounds[:, 0], pulses.time.size - 1)][:, None]
    y = y - shifts[pulses.before[at] * (_LONGEST + 1) + pulses.after[at]] * rough[:, None]
    fit = _fitted(y, [np.ones_like(x), x, x * x, behind, _alternate(at)], mask)
    cell = fit.coefficients[:, 1] / half
    ok = fit.good & (cell > 0) & (rows[0][1].sum(axis=1) >= _FEWEST_PULSES) & (rows[1][1].sum(axis=1) >= _FEWEST_PULSES)
    cell = np.where(ok, cell, 1.0)
    scatter = fit.scatter / cell
    ok &= scatter < _WIDEST_SCATTER
    # A pulse too many or too few in the windows; between them it does no harm.
    ok &= ~pulses.has_odd(bounds[:, 0], bounds[:, 1]) & ~pulses.has_odd(bounds[:, 2], bounds[:, 3])
    variance = np.where(ok, scatter**2 * fit.inverse[:, 3, 3], np.nan)
    return Steps(np.where(ok, fit.coefficients[:, 3] / cell, np.nan), variance, np.where(ok, scatter, np.nan))


def _rough_cell(pulses: Pulses, first: Ints, last: Ints) -> Floats:
    top = pulses.time.size - 1
    a, b = np.minimum(first, top), np.clip(last - 1, 0, top)
    cell: Floats = (pulses.time[b] - pulses.time[a]) / np.maximum(pulses.cell[b] - pulses.cell[a], 1)
    return cell


@dataclass(frozen=True)
class Lines:
    """Straight grids through one window each, (k,) each, nan where nothing could be fitted.

    Attributes:
        time: ticks from the first pulse, at the window's middle.
        cell: cell length there, ticks; `variance` of it.
        scatter: standard deviation of the pulses, ticks.
        alternation: half the time by which every other pulse is late, signed by the number of the pulse, ticks.
        near_before, near_behind: mean lateness of pulses nearer to the one before, or behind, ticks (shifts not
            taken out); `counts` (k, 2) of them.
        sums: (k, 64) lateness in cells by pattern; `seen` (k, 64) its counts.
    """

    time: Floats
    cell: Floats
    variance: Floats
    scatter: Floats
    alternation: Floats
    near_before: Floats
    near_behind: Floats
    counts: Floats
    sums: Floats
    seen: Floats

    @property
    def good(self) -> Bools:
        """(k,) which could be measured."""
        return np.isfinite(self.variance)


def fit_lines(pulses: Pulses, ranges: Floats) -> Lines:
    """Fit a parabola to each window; its slope at the middle is the cell.

    Args:
        ranges: (k, 2) cell counts, from and to.
    """
    parts = [_lines(pulses, ranges[k : k + _AT_A_TIME]) for k in range(0, ranges.shape[0], _AT_A_TIME)]
    if not parts:
        empty = np.empty(0)
        none = _empty_rows(0, PATTERNS)
        return Lines(empty, empty, empty, empty, empty, empty, empty, _empty_rows(0, 2), none, none)
    return parts[0] if len(parts) == 1 else joined(parts)


def _lines(pulses: Pulses, ranges: Floats) -> Lines:
    count = ranges.shape[0]
    bounds = pulses.index(ranges)
    at, mask = _padded(bounds[:, 0], bounds[:, 1])
    middle = ranges.mean(axis=1)
    half = np.maximum(ranges[:, 1] - ranges[:, 0], 2.0) / 2
    x = (pulses.cell[at] - middle[:, None]) / half[:, None]
    base = pulses.time[np.minimum(bounds[:, 0], pulses.time.size - 1)]
    fit = _fitted(pulses.time[at] - base[:, None], [np.ones_like(x), x, x * x, _alternate(at)], mask)
    cell = fit.coefficients[:, 1] / half
    ok = fit.good & (cell > 0) & (fit.scatter < _WIDEST_SCATTER * np.abs(cell))
    ok &= ~pulses.has_odd(bounds[:, 0], bounds[:, 1])
    cell = np.where(ok, cell, np.nan)
    rest = np.where(fit.kept, fit.rest, 0.0)
    before, after = pulses.before[at], pulses.after[at]
    near = [fit.kept & (before < after), fit.kept & (before > after)]
    counts = np.stack([n.sum(axis=1) for n in near], axis=1).astype(np.float64)
    late = [np.sum(rest, axis=1, where=n) / np.maximum(c, 1) for n, c in zip(near, counts.T, strict=True)]
    pattern = before * (_LONGEST + 1) + after + PATTERNS * np.arange(count)[:, None]
    room = PATTERNS * count
    use = fit.kept & ok[:, None]
    sums = np.bincount(pattern[use], weights=(rest / np.where(ok, cell, 1.0)[:, None])[use], minlength=room)
    seen: Floats = np.bincount(pattern[use], minlength=room).astype(np.float64)
    return Lines(
        base + fit.coefficients[:, 0],
        cell,
        np.where(ok, fit.scatter**2 * fit.inverse[:, 1, 1] / half**2, np.nan),
        np.where(ok, fit.scatter, np.nan),
        np.where(ok, fit.coefficients[:, 3], np.nan),
        late[0],
        late[1],
        counts,
        np.asarray(sums, dtype=np.float64).reshape(count, PATTERNS),
        seen.reshape(count, PATTERNS),
    )


Table = TypeVar("Table", Steps, Lines)


def joined(parts: Sequence[Table]) -> Table:
    """Rows of several tables one after the other."""
    names = parts[0].__dataclass_fields__
    return type(parts[0])(*(np.concatenate([getattr(part, name) for part in parts]) for name in names))


def learn_shifts(lines: Lines) -> Floats:
    """Mean lateness of a pulse by the runs on either side, (64,) cells; 0 where fewer than 30 were seen."""
    total, seen = lines.sums.sum(axis=0), lines.seen.sum(axis=0)
    return np.where(seen >= 30, total / np.maximum(seen, 1), 0.0)
