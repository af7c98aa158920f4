"""The drive that formatted a track: its grid as a clock round the turn, its gaps, fill bytes and start.

The cells of the ids, and of data fields that lie on the same grid, are the formatter's. A smooth curve through
their lengths divides the reader's speed and wow out of everything else on the track.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Collection, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from indexhole.codes.code import CodeName
from indexhole.codes.known import CODES
from indexhole.recover.fields.reads import IdRead, StreamReads
from indexhole.recover.fields.survey import survey
from indexhole.recover.writers.field_places import GEOMETRY, TrackGrids
from indexhole.recover.writers.grids import Floats, Pulses, fit_lines
from indexhole.signal.clock.streams import Stream

_POINTS_A_TURN = 512
# A curve through fewer samples is a plain mean.
_FEWEST_SAMPLES = 6
# A sample this many times as uncertain (squared) as the middle one is discarded.
_UNSURE = 9.0
# Samples are far surer than a reader's wow is small, so the curve may nearly pass through them: a wave of four samples
# keeps three quarters of its height.
_STIFFNESS = 0.05
# A missed or doubled index pulse says nothing of the turn.
_ODD_TURN = 0.2


@dataclass(frozen=True)
class Curve:
    """The formatter's cell along a dwell.

    Attributes:
        time: (n,) ticks from the first pulse.
        cell: (n,) ticks a cell.
        count: (n,) formatter's cells from the first pulse.
        first, last: ticks of the first and the last sample; outside, the cell is a guess.
    """

    time: Floats
    cell: Floats
    count: Floats
    first: float
    last: float

    def cell_at(self, time: Floats) -> Floats:
        """Cell length in ticks at each time: (k,) for (k,) ticks."""
        return np.interp(time, self.time, self.cell)

    def cells_to(self, time: Floats) -> Floats:
        """Formatter's cells from the first pulse to each time: (k,) for (k,) ticks."""
        return np.interp(time, self.time, self.count)


@dataclass(frozen=True)
class Samples:
    """Cell lengths measured on the formatter's grid: (k,) time in ticks, cell in ticks, variance, owner.

    `owner` is the sector of a piece of a data field, -1 - n for the n-th legible id of the dwell.
    """

    time: Floats
    cell: Floats
    variance: Floats
    owner: npt.NDArray[np.int64]

    def without(self, owners: Collection[int]) -> Samples:
        """The samples of other owners."""
        kept = ~np.isin(self.owner, np.array(sorted(owners), dtype=np.int64))
        return Samples(self.time[kept], self.cell[kept], self.variance[kept], self.owner[kept])


def samples_of(grids: TrackGrids, dwell: int, reads: StreamReads) -> Samples:
    """Samples of every id and data field of a dwell; the caller takes out those that were rewritten."""
    pulses, g = grids.pulses[dwell], GEOMETRY[grids.code]
    lead = CODES[grids.code].marks[0].lead
    starts = np.array([int(pulses.cell[i.at + 1]) + lead for i in reads.ids], dtype=np.float64)
    lines = fit_lines(pulses, np.stack((starts - g.used, starts + g.id_cells), axis=1).reshape(-1, 2))
    ids = np.where(_plain(lines.variance), lines.variance, np.nan)
    parts = [(lines.time, lines.cell, ids, -1 - np.arange(starts.size))]
    for p, piece in zip(grids.passes, grids.pieces, strict=True):
        if p.stream == dwell:
            plain = np.where(_plain(piece.variance), piece.variance, np.nan)
            parts.append((piece.time, piece.cell, plain, np.full(piece.time.size, p.sector)))
    time, cell, variance, owner = (np.concatenate(columns) for columns in zip(*parts, strict=True))
    good = np.isfinite(variance)
    order = np.argsort(time[good], kind="stable")
    return Samples(*(column[good][order] for column in (time, cell, variance, owner)))


def _plain(variance: Floats) -> npt.NDArray[np.bool_]:
    """Samples no less sure than their like: pulses that scatter more have something the matter with them."""
    usual = np.nanmedian(variance) if np.isfinite(variance).any() else 0.0
    plain: npt.NDArray[np.bool_] = np.isfinite(variance) & (variance <= _UNSURE * usual)
    return plain


def curve_through(samples: Samples, pulses: Pulses, turn_ticks: float) -> Curve | None:
    """A smoothing spline through the samples, one unit of its argument being their mean spacing.

    None without a sample. Beyond the first and last sample the cell stays as there. Source: smoothing spline
    (Reinsch 1967, from memory); a wave of w radians from sample to sample comes through by 1 / (1 + stiffness w^4).
    """
    if not samples.time.size:
        return None
    last = float(pulses.time[-1])
    time = np.linspace(0.0, last, max(int(_POINTS_A_TURN * last / turn_ticks), 2))
    base = float(np.median(samples.cell))
    distinct = np.flatnonzero(np.diff(samples.time, prepend=-np.inf) > 0)
    if distinct.size < _FEWEST_SAMPLES:
        cell = np.full(time.size, float(np.average(samples.cell, weights=1 / np.maximum(samples.variance, 1e-12))))
    else:
        unit = float(np.ptp(samples.time[distinct])) / (distinct.size - 1)
        x, y = samples.time[distinct] / unit, samples.cell[distinct] / base - 1
        weight = np.median(samples.variance[distinct]) / np.maximum(samples.variance[distinct], 1e-12)
        from scipy.interpolate import make_smoothing_spline  # a fifth of a second, which recovery alone need not pay

        # One sample far surer than the rest must not make the equations singular.
        spline = make_smoothing_spline(x, y, w=np.clip(weight, 0.05, 20.0), lam=_STIFFNESS)
        cell = base * (1 + spline(np.clip(time / unit, x[0], x[-1])))
    steps = np.diff(time) * 2 / (cell[1:] + cell[:-1])
    count = np.concatenate((np.zeros(1), np.cumsum(steps)))
    return Curve(time, cell, count, float(samples.time[0]), float(samples.time[-1]))


@dataclass(frozen=True, slots=True)
class Format:
    """How a track was formatted; numbers that could not be had are nan, a byte -1.

    Attributes:
        code, sectors: of the track; `sectors` counts the ids seen.
        speed_ratio, speed_u: formatter's speed over nominal and its standard uncertainty.
        gap_2, gap_3: usual lengths in bytes, between id and sync of the data field, and behind it.
        fill: commonest byte behind an id.
        index_s, index_u: time on the writer's clock from the reader's index pulse to the first id, and its standard
            uncertainty.
    """

    code: CodeName
    sectors: int
    speed_ratio: float
    speed_u: float
    gap_2: float
    gap_3: float
    fill: int
    index_s: float
    index_u: float


def format_of(
    streams: Sequence[Stream],
    reads: Sequence[StreamReads],
    grids: TrackGrids,
    curves: Sequence[Curve | None],
    nominal: tuple[float, float] | None,
) -> Format:
    """Measure how a track was formatted.

    Args:
        nominal: cells a turn and seconds a cell at nominal speed, None where no layout tells.
    """
    turns, starts = turns_and_starts(streams, reads, grids, curves)
    seen = [survey(stream, read) for stream, read in zip(streams, reads, strict=True)]
    fill = Counter(byte for s in seen for byte, count in s.gap_fill for _ in range(count))
    speed, speed_u = _mean([nominal[0] / t for t in turns] if nominal else [])
    index_s, index_u = _mean([s * nominal[1] for s in starts] if nominal else [])
    return Format(
        grids.code,
        len({i.id.number for read in reads for i in read.ids}),
        speed,
        # A few cells at the format's own seam are anybody's guess.
        math.hypot(speed_u, 4 / nominal[0]) if nominal else math.nan,
        _commonest([round(g) for s in seen for g in s.gap_2]),
        _commonest([round(g) for s in seen for g in s.gap_3]),
        fill.most_common(1)[0][0] if fill else -1,
        index_s,
        math.hypot(index_u, nominal[1]) if nominal else math.nan,
    )


def _commonest(values: Sequence[int]) -> float:
    return float(Counter(values).most_common(1)[0][0]) if values else math.nan


def _mean(values: Sequence[float]) -> tuple[float, float]:
    """Mean and standard uncertainty; of one value alone the latter is 0, of none both are nan."""
    if not values:
        return math.nan, math.nan
    spread = float(np.std(values, ddof=1)) / math.sqrt(len(values)) if len(values) > 1 else 0.0
    return float(np.mean(values)), spread


def turns_and_starts(
    streams: Sequence[Stream], reads: Sequence[StreamReads], grids: TrackGrids, curves: Sequence[Curve | None]
) -> tuple[list[float], list[float]]:
    """Formatter's cells of each whole turn, and from each index pulse to the first id behind it."""
    lead = CODES[grids.code].marks[0].lead
    turns: list[float] = []
    starts: list[float] = []
    for stream, read, pulses, curve in zip(streams, reads, grids.pulses, curves, strict=True):
        index = (stream.segment.index_ticks - stream.segment.read_ticks[0]).astype(np.float64)
        index = index[(index >= 0) & (index <= pulses.time[-1])]
        if curve is None or not index.size:
            continue
        gaps, counts = np.diff(index), np.diff(curve.cells_to(index))
        turns += counts[np.abs(gaps / stream.turn_ticks - 1) < _ODD_TURN].tolist()
        # The same sector must come first at each turn, or an unread id would pass for a later start.
        behind = _first_behind(read, pulses, index)
        first = Counter(i.id.number for i in behind if i is not None).most_common(1)
        for tick, i in zip(index, behind, strict=True):
            if i is not None and i.id.number == first[0][0]:
                closing = pulses.time[i.at + 1]
                starts.append(float(np.diff(curve.cells_to(np.array([tick, closing])))[0]) + lead)
    return turns, starts


def _first_behind(read: StreamReads, pulses: Pulses, index: Floats) -> list[IdRead | None]:
    times = np.array([pulses.time[i.at + 1] for i in read.ids])
    following = np.searchsorted(times, index)
    return [read.ids[k] if k < times.size else None for k in following.tolist()]
