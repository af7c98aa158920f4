"""Benches with planted faults, made by physics of their own.

Nothing here is taken from `indexhole.causes` or the forward model. What is unlike them on purpose: sectors fail track
by track as well as singly; rows and whole operations stray far from their mean (heavy tails, and rows of an operation
stray together); some disks are speckled, and the first operation of a day goes worse than the rest; faults change along
the radius; a lead that lapses tends to stay lapsed. All unknowns are drawn from finite tables, so `studies.oracle` can
sum over them exactly.

Source of the figures: none, they are invented; they only have to be unlike the package's own.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from functools import cache

import numpy as np

from indexhole.model.trials.trial import Trial

Key = tuple[str, str, int | None]
Table = np.ndarray

SECTORS, CYLINDERS = 9, 40
OUTSIDE, NOBODY = -1, -2

STRAY = (np.array([1e-4, 6e-4, 3e-3, 1e-2]), np.array([0.25, 0.35, 0.25, 0.15]))
LUMPY = (np.array([0.0, 0.5]), np.array([0.5, 0.5]))  # share of failures that take a whole track
SPECKLED = (np.array([1.0, 5.0]), np.array([0.85, 0.15]))  # factor on stray failures of a disk
FIRST_OF_DAY = 2.0
# Nodes of log hazard, and shifts in nodes: of a row, with tails far out; of the faults of an operation.
STEP = 0.15
NODES = np.exp(np.arange(92) * STEP + np.log(1e-5))
ROW_LUCK = ((-27, 0.005), (-7, 0.12), (0, 0.75), (7, 0.12), (27, 0.005))
OPERATION_LUCK = (np.exp(np.array([-1.8, -0.6, 0.0, 0.6, 1.8])), np.array([0.04, 0.2, 0.52, 0.2, 0.04]))
FREAK, LAPSED_WHOLE = 0.001, 0.985
_SHOWS = 5  # failed sectors of one row, mostly by one fault, that make it show
LOST = (("took", 0.45), ("left", 0.35), ("spoilt", 0.2))  # what became of a write that failed over a bad lead
WIPES = ((False, 0.7), (True, 0.3))  # whether a dead writer spoils what was there

WORDS = (
    "misaligned",
    "dirty-head",
    "dead-write",
    "dead-read",
    "worn-surface",
    "damaged-band",
    "bad-lead",
    "wrong-medium",
    "old-recording-underneath",
    "set-up",
)
# Misaligned stands for off-speed too: counts do not tell them apart.
WORD_WEIGHT = np.array([2, 1.2, 1.2, 0.8, 1.2, 1.2, 1.2, 0.3, 0.3, 0.3]) / 9.7


def node_of(hazard: Table) -> Table:
    """Index of the nearest node."""
    found: Table = np.clip(np.rint((np.log(np.maximum(hazard, 1e-9)) - np.log(1e-5)) / STEP), 0, len(NODES) - 1)
    return found.astype(np.int64)


@cache
def row_law(lumps: float, tracks: int) -> Table:
    """Chance of each count of failed sectors at each node, shape (nodes, 9 tracks + 1)."""
    p = -np.expm1(-NODES)[:, None]
    ways = np.array([1, 9, 36, 84, 126, 126, 84, 36, 9, 1])
    k = np.arange(SECTORS + 1)
    track = (1 - lumps) * ways * p**k * (1 - p) ** (SECTORS - k)
    track[:, [0]] += lumps * (1 - p)
    track[:, [-1]] += lumps * p
    count = tracks * SECTORS + 1
    law = np.clip(np.fft.irfft(np.fft.rfft(track, 2 * count, axis=1) ** tracks, 2 * count, axis=1)[:, :count], 0, None)
    shifted = np.zeros_like(law)
    for shift, weight in ROW_LUCK:
        shifted += weight * law[np.clip(np.arange(len(NODES)) + shift, 0, len(NODES) - 1)]
    shifted /= shifted.sum(axis=1, keepdims=True)
    found: Table = (1 - FREAK) * shifted + FREAK / count
    return found


@dataclass(frozen=True)
class Row:
    """What was tried: everything of a row but its outcome."""

    operation: int
    day: int
    opens_day: bool
    host: str
    lead: str
    mechanism: str
    disk: str
    side: int
    writes: bool
    first: int
    last: int

    @property
    def tracks(self) -> int:
        """How many."""
        return self.last - self.first + 1


@dataclass
class Plan:
    """All rows of a bench in order of time, and the names on it."""

    mechanisms: list[str]
    disks: list[str]
    leads: list[str]
    hosts: list[str]
    rows: list[Row] = field(default_factory=list)

    def faults(self) -> dict[Key, float]:
        """Every fault that may be planted, with its chance among single faults."""
        sides = sorted({row.side for row in self.rows}) or [0, 1]
        surfaces = [(d, s) for d in self.disks for s in sides]
        heads = [(m, s) for m in self.mechanisms for s in sides]
        of: dict[str, Sequence[tuple[str, int | None]]] = {
            "dirty-head": heads,
            "worn-surface": surfaces,
            "damaged-band": surfaces,
            "bad-lead": [(x, None) for x in self.leads],
            "wrong-medium": [(d, None) for d in self.disks],
            "set-up": [(h, None) for h in self.hosts],
        }
        found: dict[Key, float] = {}
        for word, weight in zip(WORDS, WORD_WEIGHT, strict=True):
            elements = of.get(word, [(m, None) for m in self.mechanisms])
            for element, side in elements:
                found[element, word, side] = float(weight) / len(elements)
        return found


class Tracks:
    """Who recorded each track last, row by row, under one supposition of what became of lost writes."""

    def __init__(self, plan: Plan, dead: frozenset[str], wipes: bool, bad_leads: frozenset[str], lost: str) -> None:
        self._number = {m: i for i, m in enumerate(plan.mechanisms)}
        self._state = {(d, s): np.full(CYLINDERS, OUTSIDE) for d in plan.disks for s in (0, 1)}
        self._dead, self._wipes, self._bad, self._lost = dead, wipes, bad_leads, lost

    def meets(self, row: Row) -> Table:
        """Writers of the cylinders that a row meets, before its outcome is known."""
        track = self._state[row.disk, row.side][row.first : row.last + 1]
        if not row.writes:
            return track.copy()
        if row.mechanism in self._dead:
            return np.full(len(track), NOBODY) if self._wipes else track.copy()
        return np.full(len(track), self._number[row.mechanism])

    def after(self, row: Row, *, wholly_failed: bool) -> None:
        """Remember what a row left behind."""
        if not row.writes:
            return
        track = self._state[row.disk, row.side][row.first : row.last + 1]
        if row.mechanism in self._dead:
            if self._wipes:
                track[:] = NOBODY
        elif not (wholly_failed and row.lead in self._bad) or self._lost == "took":
            track[:] = self._number[row.mechanism]
        elif self._lost == "spoilt":
            track[:] = NOBODY


def _logistic(x: Table) -> Table:
    found: Table = 1 / (1 + np.exp(-x))
    return found


# Rungs: how bad each fault may be. All rungs of a fault are alike likely.
_READ, _ASYMMETRY, _SLOPE = np.array([-3, -1.5, 0, 1.5, 3, 5.0]), np.array([-2, 0, 2.0]), np.array([0, 1.5])
_DIRT, _WEAR, _UNLIKE = (
    np.array([-2.5, -1, 0.5, 2, 4]),
    np.array([-2.5, -1, 0.5, 2, 4]),
    np.array([-1.5, 0.0, 1.5]),
)
_CENTRE, _HALF_WIDTH, _DEPTH = np.arange(0, CYLINDERS, 3), np.array([1.5, 4.0]), np.array([0.6, 0.98])
_CERTAIN = np.array([0.97, 0.999])
# What is dead is dead: the luck of an operation does not mend it.
LUCKLESS = ("dead-write", "dead-read", "set-up")
LAPSES = np.array([(rate, dwells) for rate in (0.08, 0.2, 0.4, 0.65) for dwells in (0.2, 0.95)])


def _grid(*axes: Table) -> tuple[Table, ...]:
    return tuple(a.ravel()[:, None] for a in np.meshgrid(*axes, indexing="ij"))


def chances(fault: Key, plan: Plan, row: Row, writers: Table) -> Table | None:
    """Chance of a sector of a row to fail by a fault, for each rung; None when the fault does not touch the row."""
    element, word, side = fault
    if side is not None and row.side != side:
        return None
    along = (np.arange(row.first, row.last + 1) - (CYLINDERS - 1) / 2) / (CYLINDERS / 2)
    me = plan.mechanisms.index(element) if element in plan.mechanisms else None
    reads, own = row.mechanism == element, writers == me
    if word == "misaligned":
        read, unlike, slope = _grid(_READ, _ASYMMETRY, _SLOPE)
        foreign = (writers != NOBODY) & (~own if reads else own)
        place = read if reads else read + unlike
        share = (_logistic(place + slope * along) * foreign).mean(axis=1)
    elif word == "dirty-head":
        dirt, writes_too = _grid(_DIRT, np.array([0.0, 1.0]))
        here = _logistic(dirt) * np.ones_like(along) if reads else writes_too * _logistic(dirt - 1) * own
        share = here.mean(axis=1)
    elif word == "dead-write":
        share = _CERTAIN * (reads and row.writes)
    elif word == "dead-read":
        share = _CERTAIN * reads
    elif word == "worn-surface":
        wear, slope = _grid(_WEAR, _UNLIKE)
        share = _logistic(wear + slope * along).mean(axis=1) * (row.disk == element)
    elif word == "damaged-band":
        centre, width, depth = _grid(_CENTRE.astype(float), _HALF_WIDTH, _DEPTH)
        cylinder = np.arange(row.first, row.last + 1)
        share = (depth * np.exp(-(((cylinder - centre) / width) ** 2))).mean(axis=1) * (row.disk == element)
    elif word == "wrong-medium":
        weak, slope = _grid(_WEAR, np.array([0.0, 1.5]))
        share = (_logistic(weak + slope * along) * (writers >= 0)).mean(axis=1) * (row.disk == element)
    elif word == "old-recording-underneath":
        (edge,) = _grid(_DIRT)
        share = (_logistic(edge) * own).mean(axis=1) * (not reads)
    elif word == "set-up":
        share = _CERTAIN * (row.host == element)
    else:
        return None
    return share if share.max() > 1e-7 else None


def hazard_of(chance: Table) -> Table:
    """-log(1 - p), capped at the last node."""
    found: Table = np.minimum(-np.log1p(-np.minimum(chance, 1 - 1e-9)), NODES[-1])
    return found


def stray_hazard(row: Row, stray: float, speckled: float) -> float:
    """Hazard of a sector without any fault."""
    return stray * speckled * (FIRST_OF_DAY if row.opens_day else 1.0)


_STRETCHES = (((0, 12), (13, 26), (27, 39)), ((0, 19), (20, 39)), ((0, 9), (10, 19), (20, 29), (30, 39)))


def draw_plan(rng: np.random.Generator, operations: int | None = None) -> Plan:
    """A bench and what is tried on it, at random as a keeper in no hurry would."""
    plan = Plan(
        [f"D{i + 1}.0" for i in range(rng.integers(4, 7))],
        [f"K{i + 1}" for i in range(rng.integers(4, 8))],
        [f"L{i + 1}" for i in range(rng.integers(2, 4))],
        [f"H{i + 1}" for i in range(rng.choice([1, 2], p=[0.6, 0.4]))],
    )
    writes = rng.uniform(0.2, 0.5)
    stretches = _STRETCHES[rng.integers(len(_STRETCHES))]
    partly = rng.random() < 0.3
    day = 0
    for operation in range(operations or int(rng.integers(20, 36))):
        opens = operation == 0 or rng.random() < 0.15
        day += bool(opens)
        plan.rows += draw_operation(rng, plan, operation, day, bool(opens), float(writes), stretches, partly=partly)
    return plan


def draw_operation(
    rng: np.random.Generator,
    plan: Plan,
    operation: int,
    day: int,
    opens: bool,
    writes: float,
    stretches: Sequence[tuple[int, int]] = _STRETCHES[0],
    *,
    partly: bool = False,
) -> Iterator[Row]:
    """The rows of one operation, all of its choices at random."""
    host, lead = str(rng.choice(plan.hosts)), str(rng.choice(plan.leads))
    mechanism, disk, side = str(rng.choice(plan.mechanisms)), str(rng.choice(plan.disks)), int(rng.integers(2))
    chosen = stretches if not partly or rng.random() < 0.6 else stretches[: rng.integers(1, len(stretches) + 1)]
    written = bool(rng.random() < writes)
    for first, last in chosen:
        yield Row(operation, day, opens, host, lead, mechanism, disk, side, written, first, last)


class World:
    """A bench with its truth: draws the outcome of rows, one operation at a time."""

    def __init__(self, rng: np.random.Generator, plan: Plan, planted: Sequence[Key]) -> None:
        self.rng, self.plan, self.planted = rng, plan, tuple(planted)
        self.stray = float(rng.choice(STRAY[0], p=STRAY[1]))
        self.lumps = float(rng.choice(LUMPY[0], p=LUMPY[1]))
        self.speckled = {d: float(rng.choice(SPECKLED[0], p=SPECKLED[1])) for d in plan.disks}
        named = {word: frozenset(e for e, w, _ in planted if w == word) for word in WORDS}
        wipes = bool(rng.random() < WIPES[1][1])
        lost = str(rng.choice([w for w, _ in LOST], p=[p for _, p in LOST]))
        self.tracks = Tracks(plan, named["dead-write"], wipes, named["bad-lead"], lost)
        self._severity_level = {key: rng.random() for key in planted}
        self._lapse = {key[0]: LAPSES[rng.integers(len(LAPSES))] for key in planted if key[1] == "bad-lead"}
        self._operation, self._luck, self._lapsed = -1, 1.0, False
        self.shown: set[Key] = set()

    def worst(self) -> None:
        """Let every planted fault be bad, so that it can be found at all: among the last quarter of its rungs."""
        self._severity_level = {key: 0.75 + severity_level / 4 for key, severity_level in self._severity_level.items()}

    def outcome(self, row: Row) -> int:
        """How many sectors fail; the tracks are left as the row leaves them."""
        rng = self.rng
        begins = row.operation != self._operation
        if begins:
            self._operation = row.operation
            self._luck = float(rng.choice(OPERATION_LUCK[0], p=OPERATION_LUCK[1]))
        if row.lead in self._lapse:
            rate, dwells = self._lapse[row.lead]
            again = rate + dwells * (1 - rate) if self._lapsed else rate * (1 - dwells)
            self._lapsed = bool(rng.random() < (rate if begins else again))
        else:
            self._lapsed = False
        hazard = stray_hazard(row, self.stray, self.speckled[row.disk])
        writers = self.tracks.meets(row)
        hazard += float(hazard_of(np.array((writers == NOBODY).mean())))
        by_fault: dict[Key, float] = {}
        for key in self.planted:
            chance = chances(key, self.plan, row, writers)
            if chance is not None:
                luck = 1.0 if key[1] in LUCKLESS else self._luck
                by_fault[key] = luck * float(hazard_of(chance)[int(self._severity_level[key] * len(chance))])
                hazard += by_fault[key]
        law = row_law(self.lumps, row.tracks)[node_of(np.array(hazard))]
        failed = int(rng.choice(len(law), p=law / law.sum()))
        if self._lapsed:
            tried = row.tracks * SECTORS
            failed = tried if rng.random() < LAPSED_WHOLE else int(rng.integers(tried + 1))
        if failed >= _SHOWS:
            lapsed = {(row.lead, "bad-lead", None)} if self._lapsed else set()
            self.shown |= lapsed or {key for key, part in by_fault.items() if part > hazard / 2}
        self.tracks.after(row, wholly_failed=failed == row.tracks * SECTORS)
        return failed


def trial_of(row: Row, number: int, failed: int) -> Trial:
    """A row as the sheet has it."""
    return Trial(
        f"T{number}",
        f"2026-03-{row.day:02d}",
        "write" if row.writes else "read",
        row.host,
        row.lead,
        row.mechanism,
        row.disk,
        row.side,
        row.first,
        row.last,
        row.tracks * SECTORS,
        failed,
    )


@dataclass(frozen=True)
class Bench:
    """A sheet and its truth: what was planted, and what of it shows in some row at all."""

    plan: Plan
    failed: list[int]
    planted: frozenset[Key]
    shown: frozenset[Key] = frozenset()

    @property
    def trials(self) -> list[Trial]:
        """As the sheet has them."""
        rows = zip(self.plan.rows, self.failed, strict=True)
        return [trial_of(row, number, failed) for number, (row, failed) in enumerate(rows, start=1)]


def draw_faults(rng: np.random.Generator, plan: Plan, count: int) -> list[Key]:
    """So many faults of different elements."""
    chance = plan.faults()
    keys = list(chance)
    weight = np.array(list(chance.values()))
    planted: list[Key] = []
    while len(planted) < count:
        key = keys[int(rng.choice(len(keys), p=weight / weight.sum()))]
        if key[0] not in {k[0] for k in planted}:
            planted.append(key)
    return planted


def draw_world(seed: int, faults: int, operations: int | None = None) -> tuple[World, list[int]]:
    """A bench with so many faults planted, and the outcomes of its rows; it may go on from there."""
    rng = np.random.default_rng([seed, faults])
    plan = draw_plan(rng, operations)
    world = World(rng, plan, draw_faults(rng, plan, faults))
    return world, [world.outcome(row) for row in plan.rows]


def bench_of(world: World, failed: list[int]) -> Bench:
    """The sheet so far, with the truth."""
    return Bench(world.plan, failed, frozenset(world.planted), frozenset(world.shown))


def draw_bench(seed: int, faults: int, operations: int | None = None) -> Bench:
    """A bench with so many faults planted, whether or not its trials let them show."""
    return bench_of(*draw_world(seed, faults, operations))
