"""What each fault would do to every row: ladders of hazards, one rung for each supposed magnitude."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache
from itertools import product

import numpy as np
import numpy.typing as npt

from indexhole.causes.faults.hypotheses import KINDS, SUPPOSED, Fault, FaultWord
from indexhole.causes.faults.magnitude import Aside, Band, Loss, Magnitude, OffSpeed, WorstAt
from indexhole.causes.faults.severity import SEVERITY_LEVELS, Step, loss_grid, offset_grid, speed_grid
from indexhole.causes.likelihood.angle_counts import AngleCount
from indexhole.causes.likelihood.angles import band_ratio
from indexhole.causes.likelihood.conditions import set_up_so, stands_on
from indexhole.causes.likelihood.count_law import hazard, node_of
from indexhole.causes.likelihood.gauged import NO_GAUGES, Gauged
from indexhole.causes.likelihood.history import Bench, Supposition, written_by
from indexhole.kinds import every

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

# Prior shares between ways a fault may work; our own choice, none of them decisive.
_ASIDE, _OFF_SPEED, _EITHER_WAY, _ALONG = 0.27, 0.21, 0.31, 0.21
_DIRT_READS_ONLY, _DIRT_ADDS_UP, _DIRT_EITHER_WAY = 0.5, 0.25, 0.25
_NOTED_SEVERITY_LEVELS = SEVERITY_LEVELS[3::2]  # a slope may do a little harm or all of it
_UNLIKE_SEVERITY_LEVELS = 2.0  # rungs (of every other) over which unlikeness of the two directions falls by e
# Faults may be worse at one end of the head's travel: change in the logit of failure from the middle to an end.
_SLOPE, _EVEN = 1.5, 0.6
_SLOPING_SEVERITY_LEVELS = SEVERITY_LEVELS[1:15:2]
# The same with one direction of reading worse than the other: change in the logit when others read, with its share.
_UNLIKE_SLOPES = ((0.0, 0.5), (1.5, 0.25), (-1.5, 0.25))
_LAST = 254  # the last cylinder there can be
# How surely a dead path fails, with its share: nothing passes it, but a sector may be miscounted.
_DEAD = ((1.0, 0.75), (0.98, 0.25))
_DEAD_LEAVES_OLD = 0.75
_LAPSE_TOOK, _LAPSE_LEFT_OLD = 0.4, 0.4
_LAPSE_RATES = (0.03, 0.08, 0.18, 0.32, 0.5, 0.7, 0.9)
_LAPSE_BY_ROW = 0.5


@dataclass(frozen=True, slots=True)
class Profiles:
    """A fault's effect on the rows it touches, for each rung of its ladder.

    Attributes:
        log_weight: (rungs,) log prior weight of each rung.
        rows: (touched,) indices of the rows it touches.
        hazard: (rungs, touched) added hazard of a sector.
        magnitude: how bad the fault is on each rung; None where a rung says nothing of that.
    """

    log_weight: Floats
    rows: Ints
    hazard: Floats
    magnitude: tuple[Magnitude | None, ...]


@dataclass(frozen=True, slots=True)
class LapseProfiles:
    """A lead that fails now and then: for each rung, the chance of a lapse of a whole operation and of a row.

    Attributes:
        log_weight, by_operation, by_row: (rungs,).
        rows: (touched,) indices of rows over this lead.
    """

    log_weight: Floats
    by_operation: Floats
    by_row: Floats
    rows: Ints


def either(first: float | Floats, second: float | Floats) -> Floats:
    """Chance of one or the other, each by itself."""
    found: Floats = 1 - (1 - np.asarray(first, dtype=np.float64)) * (1 - np.asarray(second, dtype=np.float64))
    return found


def in_series(first: LapseProfiles, second: LapseProfiles) -> LapseProfiles:
    """What runs over both, every rung of one with every rung of the other, those of the second changing fastest."""
    both = [
        either(one[:, None], other).ravel()
        for one, other in ((first.by_operation, second.by_operation), (first.by_row, second.by_row))
    ]
    weight = (first.log_weight[:, None] + second.log_weight).ravel()
    return LapseProfiles(weight, both[0], both[1], np.intersect1d(first.rows, second.rows))


def suppositions(bench: Bench, faults: frozenset[Fault]) -> list[tuple[float, Supposition]]:
    """What may have become of writes under a hypothesis, with prior weights that sum to one."""
    dead = frozenset(bench.mechanisms.index(f.element) for f in faults if f.fault == "dead-write")
    leads = frozenset(bench.leads.index(f.element) for f in faults if f.fault == "bad-lead")
    wholly = bench.whole_failures() & bench.writes
    leads = frozenset(lead for lead in leads if (wholly & bench.over[:, lead]).any())
    wipes = [(_DEAD_LEAVES_OLD, False), (1 - _DEAD_LEAVES_OLD, True)] if dead else [(1.0, False)]
    spoilt = 1 - _LAPSE_TOOK - _LAPSE_LEFT_OLD
    lapses: list[tuple[float, Supposition]] = [(1.0, Supposition())]
    if leads:
        lapses = [
            (_LAPSE_TOOK, Supposition(lost_leads=leads, lost="took")),
            (_LAPSE_LEFT_OLD, Supposition(lost_leads=leads, lost="left-old")),
            (spoilt, Supposition(lost_leads=leads, lost="spoilt")),
        ]
    return [
        (w * v, Supposition(dead, wiped, lapse.lost_leads, lapse.lost)) for w, wiped in wipes for v, lapse in lapses
    ]


class ProfileBook:
    """Builds and remembers the profiles of each fault under each supposition about writes."""

    def __init__(self, bench: Bench, gauged: Gauged = NO_GAUGES) -> None:
        self.bench, self.gauged = bench, gauged
        self._row = {trial.trial: row for row, trial in reversed(list(enumerate(bench.trials[: bench.done])))}
        self.written = lru_cache(maxsize=None)(lambda supposed: written_by(bench, supposed))
        self._build_once = lru_cache(maxsize=None)(self._build)
        self.lapses = lru_cache(maxsize=None)(self._lapses)

    def spoilt(self, supposed: Supposition) -> Floats:
        """Hazard of each row for the share of it that nobody can read, shape (rows,)."""
        return hazard(self.written(supposed)[:, -1])

    def of(self, fault: Fault, supposed: Supposition) -> Profiles:
        """The profiles of a fault; only some faults care who wrote a track.

        A fault that came or went touches the rows of its time; who wrote a track before is not asked.
        """
        whole = self._build_once(fault.always, supposed if KINDS[fault.fault].by_writer else Supposition())
        if not (fault.since or fault.until):
            return whole
        kept = self.in_time(fault, whole.rows)
        return Profiles(whole.log_weight, whole.rows[kept], whole.hazard[:, kept], whole.magnitude)

    def in_time(self, fault: Fault, rows: Ints) -> npt.NDArray[np.bool_]:
        """Which rows fall into the time of a fault; candidates come after all."""
        begin = self._row[fault.since] if fault.since else 0
        end = self._row[fault.until] if fault.until else len(self.bench.trials)
        kept: npt.NDArray[np.bool_] = (rows >= begin) & (rows < end)
        return kept

    def _build(self, fault: Fault, supposed: Supposition) -> Profiles:
        written = self.written(supposed)
        arranged = [c for c in self.gauged.angles if fault.fault == "damaged-band" and _on_surface(c, fault)]
        severity_levels = list(
            _damaged(self.bench, fault, written, arranged)
            if arranged
            else _SEVERITY_LEVELS[fault.fault](self.bench, fault, written)
        )
        weight = np.array([w for w, _, _ in severity_levels])
        if not arranged:  # else what the arrangements say is in the weights already
            weight /= weight.sum()
        if fault.fault == "misaligned" and self.gauged.about(fault.element):
            # What the gauges say of each magnitude, against a sound mechanism, is part of the likelihood.
            weight = weight * np.exp(self.gauged.log_ratio(fault.element, *misaligned_sizes()))
        chance = np.stack([c for _, _, c in severity_levels])
        rows = np.flatnonzero((chance > 0).any(axis=0))
        hazards = hazard(chance[:, rows])
        # Rungs that the likelihood cannot tell apart are one. Any coarser and on long benches the fault whose rungs
        # happen to lie nearest would win.
        level = np.where(hazards > 0, 1 + node_of(hazards), 0)
        if fault.fault == "misaligned" and self.gauged.about(fault.element):
            level = np.hstack(
                [level, np.array([[isinstance(size, OffSpeed)] for _, size, _ in severity_levels], dtype=np.int64)]
            )
        if arranged:
            places = {size: place for place, size in enumerate(dict.fromkeys(size for _, size, _ in severity_levels))}
            level = np.hstack([level, np.array([[places[size]] for _, size, _ in severity_levels], dtype=np.int64)])
        first, merged, _ = _alike(level)
        heaviest = np.lexsort((-weight, merged))
        first = heaviest[np.searchsorted(merged[heaviest], np.arange(len(first)))]
        total = np.bincount(merged, weights=weight)
        return Profiles(
            log_weight=np.log(total + 1e-300),
            rows=rows,
            hazard=hazards[first],
            magnitude=tuple(severity_levels[i][1] for i in first),
        )

    def _lapses(self, fault: Fault) -> LapseProfiles:
        bench, lead_name = self.bench, fault.element
        rows = np.flatnonzero(bench.over[:, bench.leads.index(lead_name)])
        rows = rows[self.in_time(fault, rows)]
        rates, never = np.array(_LAPSE_RATES), np.zeros(len(_LAPSE_RATES))
        weight = np.repeat([_LAPSE_BY_ROW, 1 - _LAPSE_BY_ROW], len(rates)) / len(rates)
        return LapseProfiles(np.log(weight), np.append(never, rates), np.append(rates, never), rows)


SeverityLevel = tuple[float, Magnitude | None, Floats]


def _alike(lines: Ints) -> tuple[Ints, Ints, Ints]:
    """First place of each different line, which of them every line is, and how often each is met.

    Lines are told apart by a sum of their numbers under odd weights of 64 bits: far faster than comparing them.
    """
    weights = np.random.default_rng(7).integers(1, 2**62, size=lines.shape[1]) * 2 + 1
    with np.errstate(over="ignore"):
        sums = (lines.astype(np.int64) * weights).sum(axis=1)
    _, first, merged, times = np.unique(sums, return_index=True, return_inverse=True, return_counts=True)
    return first, merged, times


def _foreign(bench: Bench, mechanism: int, written: Floats) -> tuple[Floats, Floats]:
    """Share of each row in which the mechanism reads others' tracks, and in which others read its tracks."""
    reads = bench.mechanism == mechanism
    others = written[:, :-1].sum(axis=1) - written[:, mechanism]
    return np.where(reads, others, 0.0), np.where(reads, 0.0, written[:, mechanism])


def _misaligned(bench: Bench, fault: Fault, written: Floats) -> Iterator[SeverityLevel]:
    reads, is_read = _foreign(bench, bench.mechanisms.index(fault.element), written)
    # What a drive a little aside leaves at the edges of older tracks is told as old-recording-underneath.
    sized: list[tuple[float, Magnitude, Step]] = [(_ASIDE, Aside(round(abs(s.magnitude))), s) for s in offset_grid()]
    sized += [(_OFF_SPEED, OffSpeed(round(100 * abs(s.magnitude), 1)), s) for s in speed_grid()]
    for share, size, step in sized:
        yield share * step.weight, size, reads * step.reads_others + is_read * step.read_by_others
    # Readers differ in what they bear, so the two directions may fail unequally beyond what the model says.
    coarse = offset_grid()[::2]
    either = {
        (i, j): one.weight * other.weight * math.exp(-abs(i - j) / _UNLIKE_SEVERITY_LEVELS)
        for (i, one), (j, other) in product(enumerate(coarse), repeat=2)
    }
    for (i, j), weight in either.items():
        chance = reads * coarse[i].reads_others + is_read * coarse[j].reads_others
        yield _EITHER_WAY * weight / sum(either.values()), None, chance
    # Out of place at one end of the travel more than at the other, as by a pitch that is not right.
    for end, severity_level, (unlike, share) in product((-1.0, 1.0), _SLOPING_SEVERITY_LEVELS, _UNLIKE_SLOPES):
        sloping = _sloping(bench, severity_level, end * _SLOPE)
        chance = reads * sloping + is_read * _likelier(sloping, unlike)
        yield _ALONG * share / (2 * len(_SLOPING_SEVERITY_LEVELS)), WorstAt(inner=end > 0), chance


def misaligned_sizes() -> tuple[Floats, Floats]:
    """Offset, um (nan where it is not known), and speed error of each rung of `_misaligned`, both (rungs,)."""
    offsets = [step.magnitude for step in offset_grid()]
    speeds = [step.magnitude for step in speed_grid()]
    unknown = len(offset_grid()[::2]) ** 2 + 2 * len(_SLOPING_SEVERITY_LEVELS) * len(_UNLIKE_SLOPES)
    return (
        np.array([*offsets, *[0.0] * len(speeds), *[np.nan] * unknown]),
        np.array([*[0.0] * len(offsets), *speeds, *[0.0] * unknown]),
    )


def _sloping(bench: Bench, chance: float, slope: float) -> Floats:
    """A chance of failure that changes along the radius: its logit rises by `slope` from the middle inwards."""
    middle = max(bench.cylinders - 1, 1) / 2
    along = ((bench.first + bench.last) / 2 - middle) / middle
    return _likelier(chance, slope * along)


def _likelier(chance: float | Floats, logit: float | Floats) -> Floats:
    """A chance with its logit raised by so much."""
    found: Floats = 1 / (1 + (1 - chance) / chance * np.exp(-logit))
    return found


def _dirty(bench: Bench, fault: Fault, written: Floats) -> Iterator[SeverityLevel]:
    mechanism = bench.mechanisms.index(fault.element)
    side = bench.side == fault.side
    reads = side & (bench.mechanism == mechanism)
    own = written[:, mechanism]
    for step in loss_grid():
        loss = Loss(round(step.loss_db))
        yield _DIRT_READS_ONLY * step.weight, loss, reads * step.once
        others = side * own * step.once
        adds_up = np.where(reads, step.once * (1 - own) + step.twice * own, others)
        yield _DIRT_ADDS_UP * step.weight, loss, adds_up
        yield _DIRT_EITHER_WAY * step.weight, loss, np.where(reads, step.once, others)


def _dead_write(bench: Bench, fault: Fault, written: Floats) -> Iterator[SeverityLevel]:
    tries = (bench.mechanism == bench.mechanisms.index(fault.element)) & bench.writes
    for chance, weight in _DEAD:
        yield weight, None, tries * chance


def _dead_read(bench: Bench, fault: Fault, written: Floats) -> Iterator[SeverityLevel]:
    reads = bench.mechanism == bench.mechanisms.index(fault.element)
    for chance, weight in _DEAD:
        yield weight, None, reads * chance


def _worn(bench: Bench, fault: Fault, written: Floats) -> Iterator[SeverityLevel]:
    surface = (bench.disk == bench.disks.index(fault.element)) & (bench.side == fault.side)
    for step in loss_grid():
        yield _EVEN * step.weight, Loss(round(step.loss_db)), surface * step.once
    steps = loss_grid()[1:15:2]
    for end, step in product((-1.0, 1.0), steps):
        sloping = surface * _sloping(bench, step.once, end * _SLOPE)
        yield (1 - _EVEN) / (2 * len(steps)), Loss(round(step.loss_db)), sloping


def _damaged(
    bench: Bench, fault: Fault, written: Floats, arranged: Sequence[AngleCount] = ()
) -> Iterator[SeverityLevel]:
    """Bands of several widths laid along the side, up to 60 % of it; a row fails in the share the band covers.

    A band is the less likely the wider it is: most damage is a crease, a scratch, a spot (common practice, no source;
    the law is our own choice). Where no row tells bands of one width apart they are one, told by the stretch they lie
    in. A band is the likelier for meeting a stretch where errors keep their angle.
    """
    surface = (bench.disk == bench.disks.index(fault.element)) & (bench.side == fault.side)
    count = bench.cylinders
    widths = [w for w in (1, 2, 3, 4, 6, 9, 13, 18, 24) if w <= max(1, int(0.6 * count))]
    stretches, of = np.unique(bench.first * (_LAST + 1) + bench.last, return_inverse=True)
    first, last = np.divmod(stretches, _LAST + 1)
    severity_levels = SEVERITY_LEVELS[3::2]
    for width in widths:
        of_width = 1 / width / sum(1 / w for w in widths)
        starts = np.arange(0, count - width + 1, max(1, width // 3))
        covered = _shared(first, last, starts, width)
        seen = np.array([[c.first_cylinder, c.last_cylinder] for c in arranged], dtype=np.int64).reshape(-1, 2)
        meets = _shared(seen[:, 0], seen[:, 1], starts, width) > 0
        places, group, times = _alike(np.hstack([covered, meets.astype(np.int64)]))
        for one, (place, repeated) in enumerate(zip(places.tolist(), times.tolist(), strict=True)):
            lie = starts[group == one]
            # bands are laid in steps, so the last of them may stop short of where one could lie
            end = count - 1 if lie[-1] == starts[-1] else lie[-1] + width - 1
            band = Band(int(lie[0]), int(end))
            likelier = math.exp(band_ratio(arranged, meets[place].tolist())) if arranged else 1.0
            share = surface * (covered[place] / (last - first + 1))[of]
            for severity_level in severity_levels:
                yield (
                    likelier * of_width * repeated / (len(starts) * len(severity_levels)),
                    band,
                    share * severity_level,
                )


def _shared(first: Ints, last: Ints, starts: Ints, width: int) -> Ints:
    """How many cylinders of each stretch a band covers, (bands, stretches)."""
    shared: Ints = np.minimum(last, starts[:, None] + width - 1) - np.maximum(first, starts[:, None]) + 1
    return np.clip(shared, 0, None)


def _on_surface(count: AngleCount, fault: Fault) -> bool:
    return (count.disk, count.side) == (fault.element, fault.side)


def _wrong_medium(bench: Bench, fault: Fault, written: Floats) -> Iterator[SeverityLevel]:
    disk = bench.disk == bench.disks.index(fault.element)
    recorded_here = disk * written[:, :-2].sum(axis=1)
    for step in loss_grid():
        loss = Loss(round(step.loss_db))
        yield _EVEN * step.weight, loss, recorded_here * step.once
        # What was recorded too weakly or not sharply goes first where bits lie closest: inside.
        yield (1 - _EVEN) * step.weight, loss, recorded_here * _sloping(bench, step.once, _SLOPE)


def _old_underneath(bench: Bench, fault: Fault, written: Floats) -> Iterator[SeverityLevel]:
    _, is_read = _foreign(bench, bench.mechanisms.index(fault.element), written)
    for step in loss_grid():
        yield step.weight, None, is_read * step.once


def _set_up(bench: Bench, fault: Fault, written: Floats) -> Iterator[SeverityLevel]:
    if fault.condition:
        noted = set_up_so(bench, fault.element, fault.condition).astype(np.float64)
        for severity_level in _NOTED_SEVERITY_LEVELS:
            yield 1 / len(_NOTED_SEVERITY_LEVELS), None, noted * severity_level
        return
    rows = stands_on(bench, fault.element).astype(np.float64)
    for severity_level in SEVERITY_LEVELS[-3:]:
        yield 1 / 3, None, rows * severity_level


_SEVERITY_LEVELS: Mapping[FaultWord, Callable[[Bench, Fault, Floats], Iterator[SeverityLevel]]] = every(
    [word for word in SUPPOSED if word != "bad-lead"],
    {
        "misaligned": _misaligned,
        "dirty-head": _dirty,
        "dead-write": _dead_write,
        "dead-read": _dead_read,
        "worn-surface": _worn,
        "damaged-band": _damaged,
        "wrong-medium": _wrong_medium,
        "old-recording-underneath": _old_underneath,
        "set-up": _set_up,
    },
)
"""Severity levels of each kind by itself; a bad lead has lapses in their place."""
