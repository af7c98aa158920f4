"""A rewritten data field measured: speed against the ids, where and how its grid meets theirs, how its pulses lie."""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from indexhole.recover.writers.field_places import GEOMETRY, TrackGrids
from indexhole.recover.writers.formatting import Curve, Samples, curve_through
from indexhole.recover.writers.grids import Floats, Lines
from indexhole.recover.writers.rewritten import FieldTest, FieldVerdict
from indexhole.recover.writers.splice_ends import Splice, mean_splice, pass_splices
from indexhole.signal.clock.streams import Stream

# Sectors held out to learn how well the curve foretells a stretch it has not seen.
_HELD_OUT = 6
# What is taken when nothing can be held out: any drive within its limits (our own choice).
_BLIND_U = 0.01
# Passes on which splices are measured: more would tell little more.
_SPLICES = 8
# A ratio is never claimed to better than this (our own choice).
_LEAST_U = 5e-5


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
    """By sector and pass, (pieces,) logs of the pieces' cells over the formatter's there.

    Passes at the ends of a log, with the formatter's cell known on one side only, are left out.
    """
    found: dict[int, list[Floats]] = defaultdict(list)
    for p, piece in zip(grids.passes, grids.pieces, strict=True):
        curve, good = curves[p.stream], piece.good
        if p.sector not in sectors or curve is None or not good.any():
            continue
        if curve.first < piece.time[good][0] and piece.time[good][-1] < curve.last:
            found[p.sector].append(np.log(piece.cell[good] / curve.cell_at(piece.time[good])))
    return found


def track_curves(
    samples: Sequence[Samples], grids: TrackGrids, streams: Sequence[Stream], left_out: Collection[int]
) -> list[Curve | None]:
    """The formatter's curve of each dwell, samples of some owners left out."""
    return [
        curve_through(s.without(left_out), pulses, stream.turn_ticks)
        for s, pulses, stream in zip(samples, grids.pulses, streams, strict=True)
    ]


def foretelling(
    samples: Sequence[Samples],
    grids: TrackGrids,
    streams: Sequence[Stream],
    own: Sequence[int],
    foreign: Collection[int],
) -> float:
    """How far, as a log, the curve is off over a stretch it has not seen, passes taken together.

    Fields on the formatter's own grid are held out one after another, or ids where there are too few such fields;
    there the truth is 0.
    """
    off = []
    for sector in own[:: max(1, len(own) // _HELD_OUT)]:
        curves = track_curves(samples, grids, streams, {*foreign, sector})
        logs = field_logs(grids, curves, {sector}).get(sector)
        if logs:
            off.append(abs(float(np.mean([np.mean(one) for one in logs]))))
    if len(off) < 2:
        off = _ids_held_out(samples, grids, streams, foreign)
    if len(off) < 2:
        return _BLIND_U
    spread = max(float(np.sqrt(np.mean(np.square(off)))), 1.4826 * float(np.median(off)))
    # Of few, what their spread may come to by chance is allowed for.
    return max(spread * (1 + 2 / len(off)), _LEAST_U)


def _ids_held_out(
    samples: Sequence[Samples], grids: TrackGrids, streams: Sequence[Stream], foreign: Collection[int]
) -> list[float]:
    """Errors at ids held out one after another, a quarter of them: the curve has twice the way to bridge there."""
    off: list[float] = []
    for held, pulses, stream in zip(samples, grids.pulses, streams, strict=True):
        owners = sorted({int(o) for o in held.owner if o < 0})[1:-1]
        for owner in owners[:: max(1, len(owners) // _HELD_OUT)]:
            curve = curve_through(held.without({*foreign, owner}), pulses, stream.turn_ticks)
            here = held.owner == owner
            if curve is not None:
                off += (np.abs(np.log(held.cell[here] / curve.cell_at(held.time[here]))) / 4).tolist()
    return off


def ratios(
    samples: Sequence[Samples],
    grids: TrackGrids,
    streams: Sequence[Stream],
    tests: Mapping[int, FieldTest],
) -> dict[int, Ratio]:
    """Speed ratio of every rewritten sector; one read at the ends of logs only is taken to be the formatter's."""
    own, foreign = own_and_foreign(tests)
    rewritten = {n for n, t in tests.items() if t.verdict is FieldVerdict.REWRITTEN}
    curves = track_curves(samples, grids, streams, foreign)
    blind = foretelling(samples, grids, streams, own, foreign) if rewritten else _BLIND_U
    spans = _spans(grids)
    found = {sector: Ratio(0.0, _BLIND_U, 0.0) for sector in rewritten}
    for sector, logs in field_logs(grids, curves, rewritten).items():
        means = [float(np.mean(one)) for one in logs]
        drifts = [float(one[-1] - one[0]) for one in logs]
        scatter = float(np.std(means, ddof=1)) / math.sqrt(len(means)) if len(means) > 1 else 0.0
        # A smooth curve foretells the worse, by the square and more, the longer the stretch it must bridge.
        span = blind * max(1.0, spans.get(sector, 1.0)) ** 2
        found[sector] = Ratio(float(np.mean(means)), math.hypot(span, scatter), float(np.median(drifts)))
    return found


def own_and_foreign(tests: Mapping[int, FieldTest]) -> tuple[list[int], set[int]]:
    """Sectors that lie on the formatter's grid, and those that do not or may not."""
    own = sorted(n for n, t in tests.items() if t.verdict is FieldVerdict.AS_FORMATTED)
    return own, set(tests) - set(own)


def _spans(grids: TrackGrids) -> dict[int, float]:
    """Cells from a sector's id to the next one, over what is usual; the last of a turn has a longer gap behind it."""
    spans = {p.sector: p.next_id - p.id_start for p in grids.passes if p.next_id >= 0}
    usual = float(np.median(list(spans.values()))) if spans else 1.0
    return {sector: span / usual for sector, span in spans.items()}


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
    start: Splice
    end: Splice
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


def rewrites(
    grids: TrackGrids, streams: Sequence[Stream], samples: Sequence[Samples], tests: Mapping[int, FieldTest]
) -> list[Rewrite]:
    """Measure the rewritten sectors of a track, in order of number."""
    curves = track_curves(samples, grids, streams, own_and_foreign(tests)[1])
    speed = ratios(samples, grids, streams, tests)
    g = GEOMETRY[grids.code]
    found = []
    for sector in sorted(speed):
        starts: list[tuple[float, ...]] = []
        ends: list[tuple[float, ...]] = []
        pieces: list[Lines] = []
        for p, piece in zip(grids.passes, grids.pieces, strict=True):
            curve = curves[p.stream]
            if p.sector != sector or curve is None:
                continue
            pieces.append(piece)
            if len(starts) + len(ends) >= 2 * _SPLICES:
                continue
            start, end = pass_splices(p, g, grids.pulses[p.stream], curve, streams[p.stream])
            starts += [start] if start else []
            ends += [end] if end else []
        slope = abs(speed[sector].log)
        manners = pulse_manners(pieces, streams[0].segment.tick_s)
        found.append(
            Rewrite(
                sector, tests[sector], speed[sector], mean_splice(starts, slope), mean_splice(ends, slope), *manners
            )
        )
    return found
