"""A rewritten data field measured: speed against the ids, where and how its grid meets theirs, how its pulses lie.

Times are turned into the formatter's cells first (`Curve`), which divides out the reader's speed and wow. There the
ids' grid and the field's own are straight lines, and each pulse between them belongs to the one it lies nearer to.
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from indexhole.recover.field_places import GEOMETRY, FieldPass, Geometry, TrackGrids
from indexhole.recover.formatting import Curve, Samples, curve_through
from indexhole.recover.grids import Floats, Lines, Pulses
from indexhole.recover.splices import FieldTest
from indexhole.signal.streams import Stream

# Sectors held out to learn how well the curve foretells a stretch it has not seen.
_HELD_OUT = 6
# What is taken when nothing can be held out (our own choice).
_BLIND_U = 0.003
# A ratio is never claimed to better than this (our own choice).
_LEAST_U = 5e-5
# Pulses this many standard deviations off a grid do not belong to it.
_OFF = 4.0
_LEAST_OFF = 0.06


@dataclass(frozen=True, slots=True)
class Ratio:
    """Speed of a data field's writer over the formatter's on that track.

    Attributes:
        log: natural log of it; `u` its standard uncertainty.
        drift: change of it from the start of the field to its end.
    """

    log: float
    u: float
    drift: float


def field_logs(grids: TrackGrids, curves: Sequence[Curve | None], sectors: Collection[int]) -> dict[int, list[Floats]]:
    """By sector and pass, logs of the pieces' cells over the formatter's there."""
    found: dict[int, list[Floats]] = defaultdict(list)
    for p, piece in zip(grids.passes, grids.pieces, strict=True):
        curve = curves[p.stream]
        if p.sector in sectors and curve is not None and piece.good.any():
            good = piece.good
            found[p.sector].append(np.log(piece.cell[good] / curve.cell_at(piece.time[good])))
    return found


def track_curves(
    samples: Sequence[Samples], grids: TrackGrids, streams: Sequence[Stream], left_out: Collection[int]
) -> list[Curve | None]:
    """The formatter's curve of each stay, samples of some owners left out."""
    return [
        curve_through(s.without(left_out), pulses, stream.turn_ticks)
        for s, pulses, stream in zip(samples, grids.pulses, streams, strict=True)
    ]


def foretelling(
    samples: Sequence[Samples], grids: TrackGrids, streams: Sequence[Stream], rewritten: Collection[int]
) -> float:
    """How far, as a log, the curve is off over a whole data field it has not seen, passes taken together.

    Fields on the formatter's own grid are held out one after another; there the truth is 0. Standard deviation from
    the median of the errors.
    """
    own = sorted({p.sector for p in grids.passes} - set(rewritten))
    off = []
    for sector in own[:: max(1, len(own) // _HELD_OUT)]:
        curves = track_curves(samples, grids, streams, {*rewritten, sector})
        logs = field_logs(grids, curves, {sector})[sector]
        if logs:
            off.append(abs(float(np.mean([np.mean(one) for one in logs]))))
    # The middle one, since at the ends of a log there is nothing on the other side to hold the curve.
    return max(1.4826 * float(np.median(off)), _LEAST_U) if len(off) > 1 else _BLIND_U


def ratios(
    samples: Sequence[Samples], grids: TrackGrids, streams: Sequence[Stream], rewritten: Collection[int]
) -> dict[int, Ratio]:
    """Speed ratio of every rewritten sector."""
    curves = track_curves(samples, grids, streams, rewritten)
    blind = foretelling(samples, grids, streams, rewritten)
    found = {}
    for sector, logs in field_logs(grids, curves, rewritten).items():
        means = [float(np.mean(one)) for one in logs]
        drifts = [float(one[-1] - one[0]) for one in logs]
        scatter = float(np.std(means, ddof=1)) / math.sqrt(len(means)) if len(means) > 1 else 0.0
        found[sector] = Ratio(float(np.mean(means)), math.hypot(blind, scatter), float(np.median(drifts)))
    return found


@dataclass(frozen=True, slots=True)
class Meeting:
    """Where one grid gives way to another, mean of the passes.

    Attributes:
        turn: revolutions from the index, 0 to 1; nan when it could not be placed.
        phase: cells the later grid stands behind the earlier one there, -0.5 to 0.5; `phase_u` its uncertainty.
        disturbed: cells between the last pulse on the one and the first on the other.
        gap: cells from the end of the field in front to the splice and on to the field behind (gap 2), or from the end
            of the data field to the splice (behind it).
    """

    turn: float
    phase: float
    phase_u: float
    disturbed: float
    gap: float


NOWHERE = Meeting(math.nan, math.nan, math.nan, math.nan, math.nan)


@dataclass(frozen=True, slots=True)
class Rewrite:
    """A data field laid over the track later.

    Attributes:
        sector: its number; `test` what gave it away.
        ratio: writer's speed over the formatter's here.
        start, end: where its grid meets the formatter's.
        asymmetry_s, peak_shift_s, jitter_s: of its pulses.
    """

    sector: int
    test: FieldTest
    ratio: Ratio
    start: Meeting
    end: Meeting
    asymmetry_s: float
    peak_shift_s: float
    jitter_s: float


def pulse_manners(pieces: Sequence[Lines], tick_s: float) -> tuple[float, float, float]:
    """Asymmetry, peak shift and jitter of data fields from their pieces, as in signal.pulse_gauges; nan without any."""
    good = [p for p in pieces if p.good.any()]
    if not good:
        return math.nan, math.nan, math.nan

    def joined(name: str) -> Floats:
        return np.concatenate([getattr(p, name)[p.good] for p in good])

    alternation = np.abs([float(np.mean(p.alternation[p.good])) for p in good])
    counts = joined("counts")
    near = [
        float(np.average(joined(name), weights=np.maximum(counts[:, k], 1e-9)))
        for k, name in enumerate(("near_before", "near_behind"))
    ]
    jitter = math.sqrt(float(np.mean(joined("scatter") ** 2)))
    return 2 * float(np.mean(alternation)) * tick_s, (near[0] - near[1]) / 2 * tick_s, jitter * tick_s


@dataclass(frozen=True)
class _Grid:
    """A straight grid in the formatter's cells: cell number n stands at `zero` + n `step`."""

    zero: float
    step: float
    scatter: float

    def number(self, places: Floats) -> Floats:
        return (places - self.zero) / self.step

    def off(self, places: Floats) -> Floats:
        """Cells from each place to the nearest cell of the grid."""
        n = self.number(places)
        return n - np.round(n)


def _grid(pulses: Pulses, curve: Curve, first: float, last: float, origin: int) -> _Grid | None:
    low, high = pulses.index(np.array([first, last])).tolist()
    n = (pulses.cell[low:high] - origin).astype(np.float64)
    x = curve.cells_to(pulses.time[low:high])
    kept = np.ones(n.size, dtype=bool)
    for _ in range(2):
        if kept.sum() < 8:
            return None
        step, zero = np.polyfit(n[kept], x[kept], 1)
        rest = x - zero - step * n
        scatter = float(np.sqrt(np.mean(rest[kept] ** 2)))
        kept = np.abs(rest) <= _OFF * 1.4826 * float(np.median(np.abs(rest)))
    return _Grid(float(zero), float(step), scatter)


def _meet(pulses: Pulses, curve: Curve, stream: Stream, a: _Grid, b: _Grid, first: float, last: float) -> _Met | None:
    """The change from grid `a` to grid `b` among the pulses of a range of cells."""
    low, high = pulses.index(np.array([first, last])).tolist()
    if high - low < 4:
        return None
    places = curve.cells_to(pulses.time[low:high])
    bound = max(_OFF * max(a.scatter, b.scatter), _LEAST_OFF)
    off_a, off_b = np.abs(a.off(places)), np.abs(b.off(places))
    cost_a, cost_b = np.minimum(off_a, bound) ** 2, np.minimum(off_b, bound) ** 2
    cost = np.concatenate(([0.0], np.cumsum(cost_a))) + np.concatenate((np.cumsum(cost_b[::-1])[::-1], [0.0]))
    best = int(np.argmin(cost))
    left, right = best - 1, best
    while left > 0 and off_a[left] > bound:
        left -= 1
    while right < places.size - 1 and off_b[right] > bound:
        right += 1
    left, right = max(left, 0), min(right, places.size - 1)
    place = (places[left] + places[right]) / 2
    turn = float(np.mean(stream.turns(np.array([low + left - 1, low + right - 1]))))
    return _Met(place, places[right] - places[left], turn, float(a.number(place) - b.number(place)))


@dataclass(frozen=True, slots=True)
class _Met:
    place: float
    disturbed: float
    turn: float
    lag: float


def _pass_meetings(
    p: FieldPass, g: Geometry, pulses: Pulses, curve: Curve, stream: Stream
) -> tuple[tuple[float, ...] | None, tuple[float, ...] | None]:
    """Of one pass: (turn, phase, disturbed, gap, scatter) at the start and at the end."""
    id_end = p.id_start + g.id_cells
    sync = p.data_start - g.lead
    data = _grid(pulses, curve, p.data_start - g.used + 2 * g.byte, p.data_start + g.reach, p.data_start)
    head = _grid(pulses, curve, p.id_start - g.used, (id_end + sync) / 2 if sync > id_end else id_end, p.id_start)
    start = end = None
    if data is not None and head is not None:
        met = _meet(pulses, curve, stream, head, data, (id_end + sync) / 2, p.data_start - g.used + 4 * g.byte)
        if met is not None:
            gap = met.lag - g.id_cells - g.lead
            start = (met.turn, met.lag, met.disturbed, gap, math.hypot(head.scatter, data.scatter))
    if p.next_id >= 0:
        last = p.data_end + g.tail
        tail = _grid(pulses, curve, last - g.reach, last, p.data_end)
        far = min(p.next_id + g.id_cells, last + g.margin + g.reach)
        behind = _grid(pulses, curve, last + g.margin, far, p.next_id)
        if tail is not None and behind is not None:
            met = _meet(pulses, curve, stream, tail, behind, last - 2 * g.byte, last + g.margin + g.byte)
            if met is not None:
                went_on = float(tail.number(np.array([met.place]))[0]) - g.tail
                end = (met.turn, met.lag, met.disturbed, went_on, math.hypot(tail.scatter, behind.scatter))
    return start, end


def _mean_meeting(found: Sequence[tuple[float, ...]], slope: float) -> Meeting:
    if not found:
        return NOWHERE
    turn, lag, disturbed, gap, scatter = np.array(found).T
    middle = turn[0]
    around = float(np.median(turn - np.round(turn - middle)))
    phase = lag - np.round(lag - np.median(lag))
    value = float(np.median(phase))
    spread = float(np.std(phase, ddof=1)) if phase.size > 1 else float(scatter[0])
    # At another speed the phase depends on where exactly the splice is taken to be.
    u = math.hypot(spread / math.sqrt(phase.size), slope * float(np.median(disturbed)) / math.sqrt(12))
    return Meeting(around % 1.0, value - round(value), u, float(np.median(disturbed)), float(np.median(gap)))


def rewrites(
    grids: TrackGrids,
    streams: Sequence[Stream],
    samples: Sequence[Samples],
    tests: Mapping[int, FieldTest],
    rewritten: Collection[int],
) -> list[Rewrite]:
    """Measure the rewritten sectors of a track, in order of number."""
    curves = track_curves(samples, grids, streams, rewritten)
    speed = ratios(samples, grids, streams, rewritten)
    g = GEOMETRY[grids.code]
    found = []
    for sector in sorted(speed):
        starts, ends, pieces = [], [], []
        for p, piece in zip(grids.passes, grids.pieces, strict=True):
            curve = curves[p.stream]
            if p.sector != sector or curve is None:
                continue
            pieces.append(piece)
            start, end = _pass_meetings(p, g, grids.pulses[p.stream], curve, streams[p.stream])
            starts += [start] if start else []
            ends += [end] if end else []
        slope = abs(speed[sector].log)
        manners = pulse_manners(pieces, streams[0].segment.tick_s)
        found.append(
            Rewrite(
                sector, tests[sector], speed[sector], _mean_meeting(starts, slope), _mean_meeting(ends, slope), *manners
            )
        )
    return found
