"""The whole shelf at once: writers x disks x readers.

What is approximated, against `budget`:

1. Draws: DRAWS instead of 300, the same for all pairs, so the sampling error is larger, and shared.
2. Tracks: four cylinders a side, each standing for those about it, instead of all.
3. Angles round the turn: two opposite ones instead of four.
4. Disks alike in what matters to the operation are computed once, by the same draws. The weather of their recording
   counts only by how much the disk is likely to have grown since, rounded to 0.3 per mille; the hub as one nobody
   looked at; of the mechanism that recorded what lies underneath only its class, unless it is the writer. A disk
   of which nobody knows whether something lies underneath is the mean of one with and one without. Where the
   evidence says how worn a disk is, the chance is read off a table over loss of signal (three levels), and defects
   multiply it.
5. The limiting group is the one without which most would be gained, on few draws and tracks; not the fair share.

Mechanisms without evidence that are alike in all but name are computed once as writer and once as reader, and a pair of
two such is a pair of two different ones. `tests/pairing/test_matrix.py` holds all of this against the full budget.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from indexhole.kinds import in_order
from indexhole.model import kernels
from indexhole.pairing.parts.answer import GROUPS, Group, Verdict
from indexhole.pairing.parts.beliefs import NO_BELIEFS, Beliefs, DiskBelief
from indexhole.pairing.parts.draws import Streams
from indexhole.pairing.parts.parts import Climate, Conditions, Mechanism, Medium, Operation
from indexhole.pairing.parts.tracks import Tracks, layout_tracks
from indexhole.pairing.prediction.compute import EVEN_ODDS, FAILS, WORKS, factor_of
from indexhole.pairing.prediction.fit import check_fit
from indexhole.pairing.prediction.format import cannot, check_format
from indexhole.pairing.prediction.outcome import STOCHASTIC, ideal, whole_disk
from indexhole.pairing.prediction.passages import Assembly, Case, Drawn, Passage, bears_recording, layout_spacing_um
from indexhole.standards.layouts import Layout

Floats = npt.NDArray[np.float64]

# Draws of the unknowns for every pair. The error of a chance is at most 0.5 / sqrt(64), 6 in 100; half as many would
# make it 9, twice as many would double the time of a page. Our own choice.
DRAWS = 64
VERDICTS: tuple[Verdict, ...] = in_order(Verdict, ("works", "doubtful", "fails", "unproven"))
# Two opposite angles catch an eccentric disk at its best and worst; the budget takes four.
_ANGLES = np.array([0.0, np.pi])
# Loss of signal of a worn disk, dB: none, what a sound drive hardly notices, and what ends reading. Chances are taken
# straight between them; closer levels cost their time for every pair. Our own choice.
_LOSS_LEVELS_DB = (0.0, 4.0, 12.0)
# Shares of these levels, and of none with a defect, for a disk of which nothing is known: most disks read well. Our own
# choice; twice the small shares would take at most 8 in 100 from a chance.
_USUAL_SHARES = (0.92, 0.06, 0.02)
# Sectors of a usual disk, by which a rate of defects becomes the chance of a disk without one: 40 cylinders, two sides,
# nine sectors, rounded. Our own choice.
_USUAL_SECTORS = 700.0
# The limiting group is only named, not measured: it takes fewer draws and tracks, which may name another group where
# two cost nearly alike. Our own choice.
_FEW_DRAWS, _FEW_TRACKS = 24, 3
# Below this chance of a whole disk a worse level is not computed: it can change no verdict. Our own choice.
_HOPELESS = 0.01
# An answer hangs on what nobody knows where the two ways differ by more than this: then one works and the other hardly.
# Our own choice.
_UNKNOWN_DECIDES = 0.5
_USUAL_C, _USUAL_PCT, _PER_K, _PER_PCT, _GROWTH_STEP = 21.0, 45.0, 17e-6, 7.5e-6, 3e-4


@dataclass(frozen=True, slots=True)
class Matrix:
    """Chances and verdicts of all pairings, arrays of shape (writers, disks, readers).

    `verdict` is an index into VERDICTS, `limiting` one into GROUPS, -1 where nothing limits.
    """

    writers: tuple[str, ...]
    disks: tuple[str, ...]
    readers: tuple[str, ...]
    operation: str
    chance: npt.NDArray[np.float32]
    verdict: npt.NDArray[np.int8]
    limiting: npt.NDArray[np.int8]

    def cell(self, writer: str, disk: str, reader: str) -> tuple[Verdict, float, Group | None]:
        """Verdict, chance and limiting group of one pairing, by names."""
        at = self.writers.index(writer), self.disks.index(disk), self.readers.index(reader)
        limit = int(self.limiting[at])
        return VERDICTS[int(self.verdict[at])], float(self.chance[at]), None if limit < 0 else GROUPS[limit]


@dataclass(frozen=True, slots=True)
class _Answer:
    """One pair on one kind of disk: chances at each level of loss (or one), and the rest."""

    chances: Floats
    limiting: int


def few_tracks(tracks: Tracks) -> tuple[Tracks, Floats]:
    """Four cylinders a side, and how many sectors each stands for."""
    picked: list[int] = []
    weights: list[float] = []
    for side in np.unique(tracks.side):
        here = np.flatnonzero(tracks.side == side)
        some = np.unique(np.linspace(0, len(here) - 1, 4).round().astype(int))
        bounds = np.concatenate([[0.0], (some[:-1] + some[1:] + 1) / 2, [float(len(here))]])
        total = np.concatenate([[0.0], np.cumsum(tracks.sectors[here])])
        held = np.interp(bounds, np.arange(len(here) + 1), total)
        picked += here[some].tolist()
        weights += np.diff(held).tolist()
    return tracks.only(np.array(picked)), np.array(weights)


def matrix(
    writers: Sequence[Mechanism],
    disks: Sequence[Medium],
    readers: Sequence[Mechanism],
    layouts: Mapping[str, Layout],
    operation: Operation = "exchange",
    conditions: Conditions | None = None,
    beliefs: Beliefs = NO_BELIEFS,
    rng_seed: int = 0,
) -> Matrix:
    """All pairings of a shelf.

    Args:
        layouts: by name of disk, the layout it bears or is to get.
    """
    work = _Work(conditions or Conditions(), operation, beliefs, rng_seed)
    shape = (len(writers), len(disks), len(readers))
    chance, verdict = np.zeros(shape, np.float32), np.full(shape, VERDICTS.index("fails"), np.int8)
    limiting = np.full(shape, -1, np.int8)
    kinds: dict[object, list[int]] = {}
    for d, disk in enumerate(disks):
        kinds.setdefault(_for_fit(disk, layouts[disk.name]), []).append(d)
    plans: dict[object, _Plan] = {}
    today = work.conditions.reading
    cases = _alike(writers, beliefs), _alike(readers, beliefs)
    for members in kinds.values():
        disk, layout = disks[members[0]], layouts[disks[members[0]].name]
        known = [beliefs.disks.get(disks[d].name) for d in members]
        levels = any(known)
        physical, earlier = _physical(disk, operation, today), disk.recorded_by
        mine = []
        for before in ("erased", "recorded") if physical.before == "" else (physical.before,):
            key = (before, repr(replace(physical, before="")), layout.id, levels)
            if key not in plans:
                plans[key] = _Plan(work, replace(physical, before=before), layout, levels=levels)
            mine.append(plans[key])
        shares = np.stack([_level_shares(b) for b in known]) if levels else np.ones((len(members), 1))
        gate = _Gate(disk, mine[0].all, operation)
        for w, writer in enumerate(writers):
            for r, reader in enumerate(readers):
                factors = gate.factors(writer, reader)
                worst = min(factors, key=lambda group: factors[group])
                if factors[worst] == 0.0:
                    limiting[w, members, r] = GROUPS.index(worst)
                    continue
                own = earlier is not None and earlier.name == writer.name
                pair = (cases[0][w], cases[1][r], writer.name == reader.name, own)
                answers = [plan.answer(writer, reader, pair) for plan in mine]
                found = shares @ (sum(a.chances for a in answers) / len(answers))
                hangs = len(answers) > 1 and answers[0].chances[0] - answers[1].chances[0] > _UNKNOWN_DECIDES

                supposed = factors[worst] < 1.0
                middle = 3 if supposed else np.where(found >= WORKS, 0, 3 if hangs else 1)
                verdict[w, members, r] = np.where(found <= FAILS, 2, middle)
                chance[w, members, r] = found * math.prod(factors.values())
                limit = answers[-1].limiting
                limiting[w, members, r] = np.where(supposed & (found > FAILS), GROUPS.index(worst), limit)
    names_of = (tuple(m.name for m in writers), tuple(d.name for d in disks), tuple(m.name for m in readers))
    return Matrix(*names_of, operation, chance, verdict, limiting)


def _for_fit(disk: Medium, layout: Layout) -> object:
    """What tells one disk from another: all but its name and what its importance forbids."""
    earlier = disk.recorded_by.name if disk.recorded_by else None
    plain = replace(disk, name="", importance="scratch", recorded_by=None, recorded_when="", volume_kind="")
    return repr(plain), earlier, bool(disk.recorded_when), layout.id


def _physical(disk: Medium, operation: Operation, today: Climate) -> Medium:
    """The disk as the model sees it: without what only decides whether it goes in, and rounded."""
    plain = replace(
        disk, name="", importance="scratch", notch="", second_notch=None, second_window=None, sector_holes=None,
        turned_over=False, recorded_when="", volume_kind="", hub_ring=None, supposed=(),
    )  # fmt: skip
    if operation in ("read", "update"):
        then = _rounded_growth(disk.recorded, today)
        under = "erased" if operation == "update" else disk.before
        return replace(plain, recorded_by=None, layout="", recorded=then, before=under)
    bears = {True: "recorded", False: "erased", None: ""}[bears_recording(disk)]
    earlier = replace(disk.recorded_by, name="") if disk.recorded_by else None
    return replace(plain, recorded_by=earlier, recorded=Climate(), before=bears)


def _rounded_growth(then: Climate, today: Climate) -> Climate:
    """A day that lets the disk have grown as much since, rounded; the middle of what is usual where it is little."""
    warmer = 0.0 if then.temperature_c is None else (today.temperature_c or _USUAL_C) - then.temperature_c
    damper = 0.0 if then.humidity_pct is None else (today.humidity_pct or _USUAL_PCT) - then.humidity_pct
    steps = round((_PER_K * warmer + _PER_PCT * damper) / _GROWTH_STEP)
    return Climate() if steps == 0 else Climate((today.temperature_c or _USUAL_C) - steps * _GROWTH_STEP / _PER_K)


class _Gate:
    """Whether a disk goes in at all and the controllers know the layout, asked once a mechanism."""

    def __init__(self, disk: Medium, tracks: Tracks, operation: Operation) -> None:
        self.disk, self.tracks, self.operation = disk, tracks, operation
        self._fits: dict[tuple[int, bool], float] = {}
        self._knows: dict[int, float] = {}

    def factors(self, writer: Mechanism, reader: Mechanism) -> dict[Group, float]:
        """By how much fit, and code and format, multiply the chance of a pair: see Reckoning.factors."""
        # the disk's own rules of who writes and who reads, as in Case
        writes = {"read": (), "update": (reader,)}.get(self.operation, (writer,))
        reads = {"format": (writer,), "update": (reader, writer)}.get(self.operation, (reader,))
        found: dict[Group, float] = {"fit": 1.0, "code and format": 1.0}
        for m in (*writes, *reads):
            key = (id(m), m in writes)
            if key not in self._fits:
                self._fits[key] = factor_of(check_fit(m, self.disk, self.tracks, writes=key[1]))
            if id(m) not in self._knows:
                certain, supposed = cannot(m, self.tracks, self.disk)
                self._knows[id(m)] = 0.0 if certain else EVEN_ODDS if supposed else 1.0
            # what two suppositions forbid is forbidden once
            found["fit"] = min(found["fit"], self._fits[key])
            found["code and format"] = min(found["code and format"], self._knows[id(m)])
        return found


def _alike(mechanisms: Sequence[Mechanism], beliefs: Beliefs) -> list[int]:
    """Number of the case each mechanism belongs to; those with evidence have one of their own."""
    seen: list[Mechanism] = []
    numbers = []
    for m in mechanisms:
        plain = m if m.name in beliefs.mechanisms else replace(m, name="")
        if plain not in seen:
            seen.append(plain)
        numbers.append(seen.index(plain))
    return numbers


def _level_shares(belief: DiskBelief | None) -> Floats:
    """How much each level of loss counts for a disk, times the chance that it has no defect: (levels,)."""
    if belief is None:
        return np.array(_USUAL_SHARES)
    place = np.interp(belief.loss_db, _LOSS_LEVELS_DB, np.arange(len(_LOSS_LEVELS_DB)))
    low = np.minimum(place.astype(int), len(_LOSS_LEVELS_DB) - 2)
    shares = np.zeros(len(_LOSS_LEVELS_DB))
    sound = np.exp(-np.minimum(belief.defect_rate * _USUAL_SECTORS, 50.0))
    np.add.at(shares, low, (1 - (place - low)) * sound)
    np.add.at(shares, low + 1, (place - low) * sound)
    return shares / len(place)


class _Work:
    """What all pairs share: streams, draws and the question."""

    def __init__(self, conditions: Conditions, operation: Operation, beliefs: Beliefs, seed: int) -> None:
        self.conditions, self.operation, self.beliefs = conditions, operation, beliefs
        self.streams = Streams(seed, DRAWS)
        self.drawn = Drawn(beliefs, self.streams)


_Pair = tuple[int, int, bool, bool]


class _Plan:
    """One kind of disk."""

    def __init__(self, work: _Work, disk: Medium, layout: Layout, *, levels: bool) -> None:
        self.work, self.disk, self.layout, self.levels = work, disk, layout, levels
        tracks = layout_tracks(layout)
        self.all = tracks
        self.tracks, self.sectors = few_tracks(tracks)
        self.spacing = layout_spacing_um(tracks)
        self._known: dict[_Pair, _Answer] = {}

    def answer(self, writer: Mechanism, reader: Mechanism, key: _Pair) -> _Answer:
        """The answer for a pair; `key` names its case: writer, reader, the same one, over its own track."""
        if key not in self._known:
            self._known[key] = self._compute(writer, reader, own=key[3])
        return self._known[key]

    def _compute(self, writer: Mechanism, reader: Mechanism, *, own: bool) -> _Answer:
        work = self.work
        disk = replace(self.disk, recorded_by=writer) if own and work.operation in ("exchange", "format") else self.disk
        case = Case(writer, disk, reader, self.layout, work.operation, work.conditions, work.beliefs, work.streams)
        count = len(_LOSS_LEVELS_DB) if self.levels else 1
        assembly = Assembly(case, self.tracks, work.drawn)
        passages = assembly.passages()
        added = None
        if work.operation == "update":
            added = check_format(
                writer, reader, assembly.writer, assembly.reader, self.tracks, self.layout, "update", disk
            ).hazard
        chances = np.zeros(count)
        for level in range(count):
            at_level = [self._worn(p, assembly.disk.loss_db, level) for p in passages] if self.levels else passages
            total = sum((kernels.sector_hazards(p.draws, p.tracks, _ANGLES) for p in at_level), np.zeros((1, 1)))
            if added is not None:
                total = total + added[: len(total)]
            chances[level] = whole_disk(total, self.sectors).mean()
            if chances[level] < _HOPELESS:
                break
        return _Answer(chances, -1 if chances[0] >= WORKS else self._limiting(passages, added))

    def _worn(self, passage: Passage, wear_db: Floats, level: int) -> Passage:
        """The passage with a disk worn by a level and free of defects; the worse levels get fewer draws."""
        count = DRAWS if level == 0 else DRAWS // 3
        d = passage.draws[:count].copy()
        d[:, kernels.SEEN] *= 10 ** ((wear_db[:count] - _LOSS_LEVELS_DB[level]) / 20)
        d[:, kernels.DEFECT] = 0.0
        return Passage(passage.words, d, passage.tracks)

    def _limiting(self, passages: Sequence[Passage], added: Floats | None) -> int:
        some = np.unique(np.linspace(0, len(self.sectors) - 1, _FEW_TRACKS).round().astype(int))
        few = [Passage(p.words, p.draws[:_FEW_DRAWS], p.tracks[some]) for p in passages]
        weight = self.sectors[some] * (self.sectors.sum() / self.sectors[some].sum())
        rewritten = 0.0 if added is None else added[:_FEW_DRAWS][:, some]
        best, most = "magnetics", -1.0
        for group in STOCHASTIC:
            ideals = [ideal(p, (group,), self.spacing) for p in few]
            total = sum((kernels.sector_hazards(p.draws, p.tracks, _ANGLES) for p in ideals), np.zeros((1, 1)))
            gain = float(whole_disk(total + rewritten, weight).mean())
            if gain > most:
                best, most = group, gain
        if added is not None:
            total = sum((kernels.sector_hazards(p.draws, p.tracks, _ANGLES) for p in few), np.zeros((1, 1)))
            if float(whole_disk(total, weight).mean()) > most:
                best = "code and format"
        return [str(g) for g in GROUPS].index(best)
