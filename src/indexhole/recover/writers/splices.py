"""Whether a data field lies on the cell grid of the ids around it, or was laid over the track later.

A format in one go has one grid of cells from the id through gap 2 and the data field into gap 3. A drive that
rewrites the data field starts its own clock, so its grid stands at any phase against the ids', whatever its speed.
The step of the grid is measured across gap 2 and behind the check. How far such a step strays when there is none is
measured on the capture itself: the same windows laid inside the data fields, where the grid is one for certain.
docs/writers.md has the statistics.
"""

from __future__ import annotations

import math
from collections import Counter, defaultdict
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from enum import StrEnum

import numpy as np
import numpy.typing as npt

from indexhole.codes.code import CodeName
from indexhole.model.distributions import f_upper
from indexhole.recover.writers.field_places import GEOMETRY, FieldPass, Geometry, TrackGrids
from indexhole.recover.writers.grids import Floats, measure_steps

# Chance that a field of a format in one go is called rewritten.
FALSE_ALARM = 1e-6
# Below this chance of finding a rewriting nothing is claimed either way.
_LEAST_POWER = 0.5
# Fewer places than this tell too little of how far steps stray; then the places of all tracks are taken together.
FEWEST_PLACES = 20
# More places than this on a track would tell little more.
_MOST_PLACES = 60
_STRAY = 5.0
# Steps of a few thousandths of a cell come of the patterns of sync and gap bytes, which data does not hold.
_LEAST_SIGMA = 0.003
# Fields with a step behind them alone, before the formatter is taken to have written sector by sector.
_SECTOR_BY_SECTOR = 3
# The gap with the seam in it is longer than the others.
_LONGEST_GAP = 1.25


@dataclass(frozen=True, slots=True)
class Step:
    """Steps of one place over all passes: mean in cells, variance of one by the pulses' scatter, how many."""

    mean: float
    variance: float
    passes: int


@dataclass(frozen=True)
class TrackSteps:
    """Steps measured on one track.

    Attributes:
        code: of the track.
        start: by sector, across gap 2, whole bytes taken out.
        end: by sector, behind the check, whole cells taken out.
        plain: steps at places inside data fields, where there is none.
        within: variances of those steps from pass to pass over what the pulses' scatter explains.
    """

    code: CodeName
    start: dict[int, Step]
    end: dict[int, Step]
    plain: tuple[Step, ...]
    within: tuple[float, ...]


def start_windows(p: FieldPass, g: Geometry) -> list[float]:
    """From and to of a window on the id and its gap, and of one on the data field's sync and start."""
    id_end = p.id_start + g.id_cells
    gap = max(p.data_start - g.lead - id_end, 0)
    first = p.id_start - g.used
    last = id_end + min(gap // 2, 11 * g.byte)
    # The sync is taken from where the loop has settled behind a splice.
    begin = p.data_start - g.used + g.byte * (2 if g.byte == 16 else 0)
    return [first, last, begin, begin + (last - first)]


def end_windows(p: FieldPass, g: Geometry) -> list[float]:
    """From and to of a window on the data field's end, and of one on the gap or id behind it."""
    end = p.data_end + g.tail
    far = min(end + g.margin + g.reach, p.next_id + g.id_cells)
    return [end - g.reach, end, end + g.margin, far]


def _plain_ranges(p: FieldPass, like: Sequence[float], most: int) -> list[list[float]]:
    """The windows of gap 2 laid inside the data field, as many as fit side by side but not more than `most`."""
    span = like[3] - like[0]
    room = min(int((p.data_end - p.data_start) // span), most)
    offsets = [p.data_start + k * span - like[0] for k in range(room)]
    return [[edge + offset for edge in like] for offset in offsets]


def _wholes(values: Floats, period: float) -> Floats:
    """The whole periods in each value; none when there is no period."""
    return np.round(values / period) * period if math.isfinite(period) else np.zeros(values.shape)


def _wrapped(value: float, period: float) -> float:
    return value - period * round(value / period) if math.isfinite(period) else value


def _together(found: Sequence[tuple[float, float]], period: float) -> Step:
    """Mean of the passes' (step, variance), those far from the middle one left out; steps are modulo the period."""
    v, variance = np.array(found).T
    # A middle pass, not the mean of two, which could lie half a period off both.
    turned = v - _wholes(v - np.sort(v)[v.size // 2], period)
    middle = float(np.median(turned))
    spread = max(1.4826 * float(np.median(np.abs(turned - middle))), math.sqrt(float(np.median(variance))))
    kept = np.abs(turned - middle) <= _STRAY * spread
    return Step(_wrapped(float(turned[kept].mean()), period), float(variance[kept].mean()), int(kept.sum()))


def _windows(grids: TrackGrids, number: int) -> Iterator[tuple[str, tuple[int, ...], float, list[float]]]:
    """Of one stay: which step, of which place, its cells as counted, and the two windows."""
    g = GEOMETRY[grids.code]
    gaps = [p.next_id - p.data_end for p in grids.passes if p.next_id >= 0]
    usual_gap = float(np.median(gaps)) if gaps else 0.0
    most = -(-_MOST_PLACES // max(len({p.sector for p in grids.passes}), 1))
    for p in grids.passes:
        if p.stream != number:
            continue
        like = start_windows(p, g)
        yield "start", (p.sector,), float(p.data_start - p.id_start), like
        if p.next_id >= 0 and p.next_id - p.data_end <= _LONGEST_GAP * usual_gap and not p.near_index:
            yield "end", (p.sector,), 0.0, end_windows(p, g)
        for k, inside in enumerate(_plain_ranges(p, like, most)):
            yield "plain", (number, p.sector, k), 0.0, inside


def track_steps(grids: TrackGrids) -> TrackSteps:
    """Measure the steps at both ends of every data field of a track, and at places without one."""
    byte = GEOMETRY[grids.code].byte
    found: dict[str, dict[tuple[int, ...], list[tuple[float, float]]]] = {
        which: defaultdict(list) for which in ("start", "end", "plain")
    }
    for number, pulses in enumerate(grids.pulses):
        windows = list(_windows(grids, number))
        steps = measure_steps(pulses, np.array([w[3] for w in windows]).reshape(-1, 4), grids.shifts)
        for (which, key, counted, _), step, variance in zip(
            windows, steps.step.tolist(), steps.variance.tolist(), strict=True
        ):
            if math.isfinite(variance):
                found[which][key].append((counted + step, variance))
    # Where there is no step nothing is taken out, so that a whole cell counted wrong would show.
    plain = found["plain"].values()
    return TrackSteps(
        grids.code,
        _aligned({key[0]: _together(v, byte) for key, v in found["start"].items()}, byte),
        {key[0]: _together(v, 1.0) for key, v in found["end"].items()},
        tuple(_together(v, math.inf) for v in plain),
        tuple(float(np.var(v, axis=0, ddof=1)[0] / np.mean(v, axis=0)[1]) for v in plain if len(v) > 1),
    )


def _aligned(steps: dict[int, Step], byte: int) -> dict[int, Step]:
    """Distances from id to data against the whole number of cells most of them have beyond whole bytes.

    A formatter counts in bytes, so that number is 0; one that does not still treats all its sectors alike.
    """
    whole = Counter(round(s.mean) % byte for s in steps.values() if abs(_wrapped(s.mean, 1.0)) < 0.15)
    most = max(whole.values(), default=0)
    base = 0 if not most or whole.get(0, 0) == most else next(k for k, n in whole.items() if n == most)
    return {n: Step(_wrapped(s.mean - base, byte), s.variance, s.passes) for n, s in steps.items()}


@dataclass(frozen=True, slots=True)
class Strays:
    """How far steps stray where there is none, as multiples of the pulses' own variance.

    Attributes:
        standing: part that is the same at each pass.
        passing: part that is new at each pass.
        freedom: degrees of freedom behind them.
    """

    standing: float
    passing: float
    freedom: float

    def sigma(self, step: Step) -> float:
        """Standard uncertainty of a mean step, cells."""
        return math.sqrt(step.variance * (self.standing + self.passing / step.passes) + _LEAST_SIGMA**2)


def strays(tracks: Sequence[TrackSteps]) -> Strays | None:
    """Learn from the places inside data fields; None with fewer than four of them."""
    plain = [s for t in tracks for s in t.plain]
    if len(plain) < 4:
        return None
    within = [w for t in tracks for w in t.within]
    # Passes can vary less than pulses scatter only by chance.
    passing = max(float(np.mean(_without_freaks(np.array(within)))), 0.1) if within else 1.0
    ratio = np.array([s.mean**2 / s.variance for s in plain])
    mean = _without_freaks(ratio)
    fewest = float(np.mean([1 / s.passes for s in plain]))
    standing = max(float(np.mean(mean)) - passing * fewest, 0.0)
    return Strays(standing, passing, float(mean.size - 1))


def _without_freaks(squares: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
    kept: npt.NDArray[np.float64] = squares[squares <= _STRAY**2 * np.median(squares) / 0.455]
    return kept


class FieldVerdict(StrEnum):
    """What the steps at both ends of a data field come to."""

    REWRITTEN = "rewritten"
    AS_FORMATTED = "as formatted"
    CANNOT_TELL = "cannot tell"


@dataclass(frozen=True, slots=True)
class FieldTest:
    """The test of one data field.

    Attributes:
        sector: its number.
        verdict: `rewritten` when no format in one go would look so but one in a million.
        start, start_u: step across gap 2 beyond whole bytes, cells, and its standard uncertainty; nan when unknown.
        end, end_u: step behind the check beyond whole cells, likewise.
        log_ratio: natural log of the likelihood of a grid of its own over that of one grid.
        power: chance that a rewriting by a drive of the same speed, at any phase, would have been found.
        passes: that were used.
    """

    sector: int
    verdict: FieldVerdict
    start: float
    start_u: float
    end: float
    end_u: float
    log_ratio: float
    power: float
    passes: int


def without_seams(steps: TrackSteps, astray: Strays | None, free_start: bool) -> TrackSteps:
    """The steps without those behind a field that come of the formatting itself.

    A formatter that writes sector by sector (as on hard-sectored disks) leaves a step behind every one, while id and
    data lie on one grid: then steps behind fields say nothing. One that goes round in one go leaves one seam a turn;
    with `free_start` it may lie anywhere, since the formatter did not wait for the index or no index was logged.
    """
    if astray is None:
        return steps
    bound = math.sqrt(f_upper(FALSE_ALARM, 1, astray.freedom))

    def broken(step: Step) -> bool:
        return abs(step.mean) > bound * astray.sigma(step)

    whole = [n for n, step in steps.start.items() if n in steps.end and not broken(step)]
    cut = [n for n in whole if broken(steps.end[n])]
    if len(cut) >= _SECTOR_BY_SECTOR and 2 * len(cut) > len(whole):
        return replace(steps, end={})
    if free_start and len(cut) == 1:
        return replace(steps, end={n: step for n, step in steps.end.items() if n != cut[0]})
    return steps


def field_test(sector: int, steps: TrackSteps, astray: Strays | None) -> FieldTest:
    """Weigh one grid against a grid of its own.

    One grid: steps are normal about 0. A grid of its own: the start lies anywhere in a byte, the end anywhere in a
    cell, evenly. For given uncertainties their ratio rises with the sum of squares z^2, so the bound on z^2 at the
    stated false alarm is the most powerful test (Neyman and Pearson 1933, from memory); as the uncertainties are
    estimated, z^2 / n is held against Fisher's F.
    """
    parts = [(steps.start.get(sector), float(GEOMETRY[steps.code].byte)), (steps.end.get(sector), 1.0)]
    told = [(s.mean, astray.sigma(s), period) for s, period in parts if s is not None and astray is not None]
    (start, start_u), (end, end_u) = (
        (s.mean, astray.sigma(s)) if s is not None and astray is not None else (math.nan, math.nan) for s, _ in parts
    )
    if not told or astray is None:
        return FieldTest(sector, FieldVerdict.CANNOT_TELL, start, start_u, end, end_u, 0.0, 0.0, 0)
    square = sum((x / u) ** 2 for x, u, _ in told)
    bound = len(told) * f_upper(FALSE_ALARM, len(told), astray.freedom)
    log_ratio = sum((x / u) ** 2 / 2 + math.log(u * math.sqrt(2 * math.pi) / period) for x, u, period in told)
    # At the same speed the phase found at the start is found again at the end, the other way.
    power = max(0.0, 1 - 2 * math.sqrt(bound / sum(u**-2 for _, u, _ in told)))
    verdict = FieldVerdict.AS_FORMATTED if power >= _LEAST_POWER else FieldVerdict.CANNOT_TELL
    if square > bound:
        verdict = FieldVerdict.REWRITTEN
    passes = max(s.passes for s, _ in parts if s is not None)
    return FieldTest(sector, verdict, start, start_u, end, end_u, log_ratio, power, passes)
