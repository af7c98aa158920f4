"""The bench as arrays, and who recorded what each row met, under a hypothesis about writes that did not take."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
import numpy.typing as npt

from indexhole.causes.likelihood.gauged import Attribution
from indexhole.errors import InputFault
from indexhole.model.trials.series import parts_of
from indexhole.model.trials.trial import Trial

Ints = npt.NDArray[np.int64]
Floats = npt.NDArray[np.float64]

_LAST_CYLINDER = 254


@dataclass(frozen=True, slots=True)
class Bench:
    """Rows of trials as arrays of shape (rows,); the first `done` rows happened, the others are candidates.

    `mechanism`, `disk` and `host` index the name tuples; `over`, of shape (rows, leads), tells over which leads, and
    adapters in series with them, a row ran. `writes` is true for write and format. `operation` numbers the operations
    at the bench, from 0 and never falling: rows that follow each other on the same disk, side, mechanism and lead,
    cylinders rising, are one operation.
    """

    trials: tuple[Trial, ...]
    done: int
    mechanisms: tuple[str, ...]
    leads: tuple[str, ...]
    disks: tuple[str, ...]
    hosts: tuple[str, ...]
    mechanism: Ints
    over: npt.NDArray[np.bool_]
    disk: Ints
    host: Ints
    side: Ints
    writes: npt.NDArray[np.bool_]
    operation: Ints
    first: Ints
    last: Ints
    tried: Ints
    failed: Ints

    @property
    def cylinders(self) -> int:
        """Cylinders that any row touches, counted from 0."""
        return int(self.last.max(initial=0)) + 1

    @property
    def sides(self) -> tuple[int, ...]:
        """Sides that any row touches."""
        return tuple(sorted({int(s) for s in self.side}))

    def whole_failures(self) -> npt.NDArray[np.bool_]:
        """Rows in which every sector tried failed."""
        whole: npt.NDArray[np.bool_] = (self.tried > 0) & (self.failed == self.tried)
        return whole


def _index(names: Sequence[str], of: tuple[str, ...]) -> Ints:
    place = {name: i for i, name in enumerate(of)}
    return np.array([place[name] for name in names], dtype=np.int64)


def _check(trial: Trial) -> None:
    faults = {
        "sectors_failed must lie between 0 and sectors_tried": not 0 <= trial.sectors_failed <= trial.sectors_tried,
        "side must be 0 or 1": trial.side not in (0, 1),
        f"cylinders must lie between 0 and {_LAST_CYLINDER}, first before last": not (
            0 <= trial.first_cylinder <= trial.last_cylinder <= _LAST_CYLINDER
        ),
    }
    for what, broken in faults.items():
        if broken:
            raise InputFault(what, where=f"trial {trial.trial}", remedy="correct the row and try again")


def lay_out(done: Sequence[Trial], candidates: Sequence[Trial] = ()) -> Bench:
    """Turn trials, in order of time, into a `Bench`. Names are sorted, so their order of appearance does not matter.

    Raises InputFault for a row whose counts, side or cylinders cannot be.
    """
    for trial in done:
        _check(trial)
    trials = (*done, *candidates)

    def names(field: str) -> tuple[tuple[str, ...], Ints]:
        values = [str(getattr(t, field)) for t in trials]
        found = tuple(sorted(set(values)))
        return found, _index(values, found)

    def numbers(field: str) -> Ints:
        return np.array([getattr(t, field) for t in trials], dtype=np.int64)

    (mechanisms, mechanism), (cells, lead) = names("mechanism"), names("lead")
    leads = tuple(sorted({part for cell in cells for part in parts_of(cell)}))
    over = np.array([[name in parts_of(cell) for name in leads] for cell in cells], dtype=np.bool_)
    (disks, disk), (hosts, host) = names("disk"), names("host")
    side, first = numbers("side"), numbers("first_cylinder")
    writes = np.array([t.writes for t in trials], dtype=np.bool_)
    job = np.stack([mechanism, lead, disk, side, writes], axis=1)
    begins = np.ones(len(trials), dtype=np.bool_)
    begins[1:] = (job[1:] != job[:-1]).any(axis=1) | (first[1:] <= first[:-1])
    begins[len(done) :] = True
    return Bench(
        trials=trials,
        done=len(done),
        mechanisms=mechanisms,
        leads=leads,
        disks=disks,
        hosts=hosts,
        mechanism=mechanism,
        over=over.reshape(len(cells), len(leads))[lead],
        disk=disk,
        host=host,
        side=side,
        writes=writes,
        operation=np.cumsum(begins) - 1,
        first=first,
        last=numbers("last_cylinder"),
        tried=numbers("sectors_tried"),
        failed=numbers("sectors_failed"),
    )


# Words of a note that say the tool stopped at the first sector that failed, so that the rest was never tried.
_ABORTED = ("aborted", "stopped at the first", "broken off", "gave up at the first")


def split_aborted(trials: Sequence[Trial]) -> list[Trial]:
    """Trials with those that were stopped at their first error told as what was really tried.

    Such a row tried `sectors_tried` sectors from its first cylinder on, and the last one failed. It becomes a stretch
    that went well and the one cylinder that did not, both under its name, so that the place of the error counts and
    nothing is concluded of cylinders never reached. A stop at the first error does not change how the chance of a
    sector weighs: (1 - p)^(n-1) p either way.
    """
    whole = [t for t in trials if t.sectors_tried and not _aborted(t)]
    spans = [t.sectors_tried / (t.last_cylinder - t.first_cylinder + 1) for t in whole]
    a_cylinder = max(1, round(sorted(spans)[len(spans) // 2])) if spans else 0
    found: list[Trial] = []
    for trial in trials:
        if not (a_cylinder and _aborted(trial) and 0 < trial.sectors_failed <= trial.sectors_tried):
            found.append(trial)
            continue
        reached = (trial.sectors_tried - 1) // a_cylinder
        at = min(trial.last_cylinder, trial.first_cylinder + reached)
        before = min(trial.sectors_tried - trial.sectors_failed, a_cylinder * (at - trial.first_cylinder))
        if before:
            found.append(replace(trial, last_cylinder=at - 1, sectors_tried=before, sectors_failed=0))
        found.append(replace(trial, first_cylinder=at, last_cylinder=at, sectors_tried=trial.sectors_tried - before))
    return found


def _aborted(trial: Trial) -> bool:
    note = trial.note.casefold()
    return any(words in note for words in _ABORTED)


def typical_counts(trials: Sequence[Trial]) -> tuple[int, int]:
    """Sectors and tracks a row usually tries, leaving out rows that tried none."""
    counts = sorted((t.sectors_tried, t.last_cylinder - t.first_cylinder + 1) for t in trials if t.sectors_tried)
    return counts[len(counts) // 2] if counts else (1, 1)


LostWrites = Literal["took", "left-old", "spoilt"]


@dataclass(frozen=True, slots=True)
class Supposition:
    """What is supposed about writes that may not have taken.

    Attributes:
        dead: mechanisms (index) whose writes never take; `dead_wipes` when they spoil what was there.
        lost_leads: leads (index) over which a wholly failed write did as `lost` says.
    """

    dead: frozenset[int] = frozenset()
    dead_wipes: bool = False
    lost_leads: frozenset[int] = frozenset()
    lost: LostWrites = "took"


def writer_share(bench: Bench, supposed: Supposition, told: Attribution) -> float:
    """Share of a stretch that the named writer recorded last, after all trials, under a supposition about writes."""
    after = Trial(
        "", "", "read", "", "", bench.mechanisms[0] if bench.mechanisms else "", told.disk, told.side,
        told.first_cylinder, told.last_cylinder, 0, 0,
    )  # fmt: skip
    longer = lay_out(bench.trials[: bench.done], [after])
    column = bench.mechanisms.index(told.writer) if told.writer in bench.mechanisms else len(bench.mechanisms)
    moved = {bench.leads[lead] for lead in supposed.lost_leads}
    leads = frozenset(k for k, name in enumerate(longer.leads) if name in moved)
    found = written_by(longer, replace(supposed, lost_leads=leads))
    return float(found[-1, column])


def written_by(bench: Bench, supposed: Supposition) -> Floats:
    """Share of each row's cylinders by who recorded it: shape (rows, mechanisms + 2).

    The last two columns are a good outside drive (before any write) and nobody (spoilt, unreadable). A write row
    meets its own recording unless its mechanism is dead. Candidate rows meet the last state and leave it as it is.
    """
    outside = len(bench.mechanisms)
    nobody = outside + 1
    rows = np.arange(len(bench.trials))
    # Between neighbouring bounds all cylinders share one history.
    bounds = np.unique(np.concatenate([bench.first, bench.last + 1]))
    low, high = bounds[:-1], bounds[1:]
    touches = (bench.first[:, None] <= low) & (high <= bench.last[:, None] + 1)

    dead = np.isin(bench.mechanism, list(supposed.dead)) & bench.writes
    lost = bench.whole_failures() & bench.over[:, sorted(supposed.lost_leads)].any(axis=1) & bench.writes & ~dead
    records = bench.writes & (rows < bench.done)
    left = bench.mechanism.copy()
    if supposed.dead_wipes:
        left[dead] = nobody
    else:
        records &= ~dead
    if supposed.lost == "spoilt":
        left[lost] = nobody
    elif supposed.lost == "left-old":
        records &= ~lost

    # Sorted by surface, rows in order of time: the last recording row so far, if it is of the same surface.
    surface = bench.disk * 2 + bench.side
    order = np.argsort(surface, kind="stable")
    sorted_surface = surface[order]
    begins = np.searchsorted(sorted_surface, sorted_surface)
    place = np.where((records[order, None]) & touches[order], rows[:, None], -1)
    found = np.vstack([np.full((1, len(low)), -1), np.maximum.accumulate(place, axis=0)[:-1]])
    writer = np.where(found >= begins[:, None], left[order][found], outside)
    # A lapse must answer for its row itself, so a lost write still meets its own recording.
    own = bench.writes & (~dead | supposed.dead_wipes)
    meets = np.where(dead, nobody, bench.mechanism)
    writer = np.where(own[order, None], meets[order, None], writer)
    length = np.where(touches[order], high - low, 0)
    flat = (order[:, None] * (nobody + 1) + writer).ravel()
    share = np.bincount(flat, weights=length.ravel(), minlength=len(rows) * (nobody + 1))
    return share.reshape(len(rows), nobody + 1) / (bench.last - bench.first + 1)[:, None]
