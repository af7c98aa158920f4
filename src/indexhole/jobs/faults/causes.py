"""The verb `causes`: trials from a sheet or the shelf to a diagnosis; the demonstration uses it too."""

from __future__ import annotations

from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

import numpy as np

from indexhole.causes.likelihood.gauged import NO_GAUGES, Gauged
from indexhole.causes.ranking.diagnosis import Diagnosis
from indexhole.causes.ranking.rank import rank_causes
from indexhole.causes.ranking.reasons import hypothesis_words
from indexhole.errors import Do, InputFault
from indexhole.jobs.faults.measurement_sheet import kept_sheet
from indexhole.jobs.faults.window import begins, window
from indexhole.model.trials.trial import Trial
from indexhole.shelf.records.records import CaptureRecord, Disk

if TYPE_CHECKING:
    from indexhole.shelf.register.shelf import Shelf

Progress = Callable[[int, int], None]

PLANNED = 4  # trials planned ahead, unless more or fewer are asked for
# Of the course of causes: moments it is weighed at, lines drawn, and the least a line must once have reached.
_MOMENTS, _LINES, _SEEN = 8, 4, 0.05


@dataclass(frozen=True)
class Bench:
    """What is weighed: trials in order of time, disks no write may be proposed on or that are there to be written on.

    Evidence of other kinds (`gauged`) is weighed with the trials; `met` says how often a kind of fault is met, where
    the keeper knows better (causes/faults.py). The first `carried` trials are there for what they wrote; `scope` says
    in words which were left out (window.py).
    """

    trials: Sequence[Trial]
    irreplaceable: frozenset[str]
    scratch: frozenset[str] = frozenset()
    gauged: Gauged = NO_GAUGES
    met: Mapping[str, float] = field(default_factory=dict)
    carried: int = 0
    scope: str = ""

    def unknown(self, disks: Collection[str]) -> list[str]:
        """Those of the disks that no trial names: most likely mistyped."""
        return sorted(set(disks) - {trial.disk for trial in self.trials})


def irreplaceable_on(shelf: Shelf) -> frozenset[str]:
    """The disks the register marks irreplaceable."""
    return frozenset(disk.inventory for disk in shelf.all(Disk) if disk.irreplaceable)


def scratch_on(shelf: Shelf) -> frozenset[str]:
    """The disks that are there to be written on."""
    return frozenset(disk.inventory for disk in shelf.all(Disk) if disk.importance == "scratch")


def sheet_bench(
    trials: Sequence[Trial], irreplaceable: Collection[str] = (), about: Collection[str] = (), since: str = ""
) -> Bench:
    """The trials of a sheet by themselves. Raises InputFault when none is left by `about` and `since` (window.py)."""
    chosen = window(trials, about, since)
    return Bench(chosen.trials, frozenset(irreplaceable), carried=chosen.carried, scope=chosen.told)


def shelf_bench(
    shelf: Shelf,
    irreplaceable: Collection[str] = (),
    *,
    trials: Sequence[Trial] | None = None,
    recordings: bool = True,
    progress: Progress | None = None,
    about: Collection[str] = (),
    since: str = "",
) -> Bench:
    """The trials and marks of a shelf, what its captures and measurements say, and further disks to keep.

    Args:
        trials: to weigh instead of those on the shelf.
        recordings: whether to weigh captures and measurements; captures are gauged once, which takes some seconds each.
        progress: called with captures gauged and captures in all.
        about, since: which trials to weigh (window.py).

    Raises InputFault when it holds no trials, none is left, or the kept measurements cannot be read.
    """
    if trials is None and not (trials := shelf.trials()):
        raise InputFault(
            "the shelf holds no trials",
            where=str(shelf.folder),
            remedy=(Do.ADD_TRIALS, Do.NAME_SHEET),
        )
    marked = irreplaceable_on(shelf) | frozenset(irreplaceable)
    chosen = window(trials, about, since)
    gauged = gauged_beside(shelf, chosen.trials, progress) if recordings else NO_GAUGES
    return Bench(chosen.trials, marked, scratch_on(shelf), gauged, carried=chosen.carried, scope=chosen.told)


def gauged_beside(shelf: Shelf, trials: Sequence[Trial], progress: Progress | None = None) -> Gauged:
    """What the captures and measurements of a shelf say beside trials; nothing where it holds none of either."""
    if not shelf.count(CaptureRecord) and not kept_sheet(shelf):
        return NO_GAUGES
    # What reads captures loads slowly, and a shelf without them need not wait for it.
    from indexhole.jobs.faults.gauged_shelf import gauged_on

    return gauged_on(shelf, trials, progress)


def met_often(told: Sequence[str]) -> dict[str, float]:
    """How often kinds of faults are met, as `WORD=NUMBER` each. Raises InputFault where one cannot be read."""
    met = {}
    for text in told:
        word, _, number = text.partition("=")
        try:
            met[word.strip()] = float(number)
        except ValueError:
            raise InputFault(
                "how common a fault is reads like dead-read=0.1",
                where=repr(text),
                remedy="give a number from 0 to 1: how common the fault is, per bench",
            ) from None
    return met


def diagnose(bench: Bench, top: int | None = None, plan: int = PLANNED) -> Diagnosis:
    """Rank what is at fault, keep the `top` most probable causes (all that are listed when None), and plan ahead."""
    diagnosis = rank_causes(
        bench.trials, bench.irreplaceable, plan=plan, gauged=bench.gauged, scratch=bench.scratch, met=bench.met
    )
    diagnosis = replace(diagnosis, trials=len(bench.trials) - bench.carried, scope=bench.scope)
    if top is None or top >= len(diagnosis.causes):
        return diagnosis
    left_out = sum(cause.probability for cause in diagnosis.causes[top:])
    return replace(diagnosis, causes=diagnosis.causes[:top], other_probability=diagnosis.other_probability + left_out)


def gauge_shelf(shelf: Shelf, progress: Progress | None = None) -> int:
    """Gauge every capture of a shelf that was not gauged before, for later weighings; how many it holds."""
    from indexhole.jobs.faults.capture_summary import capture_summaries  # it loads slowly

    return len(capture_summaries(shelf, shelf.all(CaptureRecord), progress))


@dataclass(frozen=True)
class Course:
    """How the likeliest causes stood as trials came in.

    Attributes:
        causes: in words, likeliest first.
        after: trials after which they were weighed.
        shares: of each cause, its probability at each of these moments.
    """

    causes: tuple[str, ...]
    after: tuple[str, ...]
    shares: tuple[tuple[float, ...], ...]


def course(bench: Bench, progress: Progress = lambda done, total: None) -> Course:
    """Weigh the trials at a handful of moments, at the ends of operations, the last one now."""
    trials = list(bench.trials)
    ends = [k + 1 for k in range(len(trials)) if k + 1 == len(trials) or begins(trials[k], trials[k + 1])]
    chosen = sorted({ends[round(k)] for k in np.linspace(0, len(ends) - 1, _MOMENTS)}) if ends else []
    told: list[dict[str, float]] = []
    for number, end in enumerate(chosen):
        found = rank_causes(trials[:end], propose=False, gauged=bench.gauged, met=bench.met)
        shares: dict[str, float] = {}
        for cause in found.causes:
            kinds = frozenset(
                replace(f.always, fault="misaligned") if f.fault == "off-speed" else f.always for f in cause.faults
            )
            shares[hypothesis_words(kinds)] = cause.kind_probability
        told.append(shares)
        progress(number + 1, len(chosen))
    names = sorted({name for shares in told for name in shares}, key=lambda n: [-s.get(n, 0.0) for s in told[::-1]])
    likely = [name for name in names if max(s.get(name, 0.0) for s in told) > _SEEN][:_LINES]
    return Course(
        tuple(likely),
        tuple(trials[end - 1].trial for end in chosen),
        tuple(tuple(shares.get(name, 0.0) for shares in told) for name in likely),
    )
