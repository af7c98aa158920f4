"""The verb `causes`: trials from a sheet or the shelf to a diagnosis; the demonstration uses it too."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass, replace

from indexhole.causes.diagnosis import Diagnosis
from indexhole.causes.gauged import NO_GAUGES, Gauged
from indexhole.causes.trials import rank_causes
from indexhole.errors import InputFault
from indexhole.model.trial import Trial
from indexhole.shelf.records import Disk
from indexhole.shelf.register import Shelf


@dataclass(frozen=True)
class Bench:
    """What is weighed: trials in order of time, disks no write may be proposed on or that are there to be written on.

    Evidence of other kinds (`gauged`) is weighed with the trials.
    """

    trials: Sequence[Trial]
    irreplaceable: frozenset[str]
    scratch: frozenset[str] = frozenset()
    gauged: Gauged = NO_GAUGES

    def unknown(self, disks: Collection[str]) -> list[str]:
        """Those of the disks that no trial names: most likely mistyped."""
        return sorted(set(disks) - {trial.disk for trial in self.trials})


def irreplaceable_on(shelf: Shelf) -> frozenset[str]:
    """The disks the register marks irreplaceable."""
    return frozenset(disk.inventory for disk in shelf.all(Disk) if disk.irreplaceable)


def scratch_on(shelf: Shelf) -> frozenset[str]:
    """The disks that are there to be written on."""
    return frozenset(disk.inventory for disk in shelf.all(Disk) if disk.importance == "scratch")


def shelf_bench(shelf: Shelf, irreplaceable: Collection[str] = ()) -> Bench:
    """The trials and marks of a shelf, and further disks to keep. Raises InputFault when it holds no trials."""
    trials = shelf.trials()
    if not trials:
        raise InputFault(
            "the shelf holds no trials",
            where=str(shelf.folder),
            remedy="add a sheet with `indexhole shelf import`, or name one: indexhole causes SHEET.csv",
        )
    return Bench(trials, irreplaceable_on(shelf) | frozenset(irreplaceable), scratch_on(shelf))


def diagnose(bench: Bench, top: int | None = None, plan: int = 1) -> Diagnosis:
    """Rank what is at fault, keep the `top` most probable causes (all that are listed when None), and plan ahead."""
    diagnosis = rank_causes(bench.trials, bench.irreplaceable, plan=plan, gauged=bench.gauged, scratch=bench.scratch)
    if top is None or top >= len(diagnosis.causes):
        return diagnosis
    left_out = sum(cause.probability for cause in diagnosis.causes[top:])
    return replace(diagnosis, causes=diagnosis.causes[:top], other_probability=diagnosis.other_probability + left_out)
