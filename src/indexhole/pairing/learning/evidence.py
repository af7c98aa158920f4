"""What trials and gauges say, in the shape the beliefs take it: who had written what was read, and how it went."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from indexhole.model.trials.trial import Trial

OUTSIDE = ""
"""The name of whoever recorded a disk before any trial: a good outside drive."""


@dataclass(frozen=True, slots=True)
class Observation:
    """Counts of a stretch of cylinders that one mechanism had written and one read.

    `operation` is read, write or format; with write the reader itself had just rewritten sectors that
    `laid_out_by` had formatted. `over` is who had written there before the writer. Cylinders are inclusive.
    """

    trial: str
    when: str
    operation: str
    writer: str
    reader: str
    disk: str
    side: int
    first_cylinder: int
    last_cylinder: int
    tried: int
    failed: int
    laid_out_by: str = OUTSIDE
    over: str = OUTSIDE


@dataclass(frozen=True, slots=True)
class GaugeReading:
    """One gauge of a mechanism.

    `quantity` is radial_offset (um) or spindle_speed (rpm); `uncertainty` is a standard deviation. A gap that was
    measured belongs into Mechanism.gap_2_bytes.
    """

    mechanism: str
    quantity: str
    value: float
    uncertainty: float
    when: str = ""


def observations(trials: Sequence[Trial]) -> tuple[Observation, ...]:
    """Trials in order of time as observations; one that reads what several wrote is cut where the writer changes."""
    written: dict[tuple[str, int, int], tuple[str, str]] = {}
    formatted: dict[tuple[str, int, int], str] = {}
    found: list[Observation] = []
    for trial in trials:
        cylinders = range(trial.first_cylinder, trial.last_cylinder + 1)
        places = [(trial.disk, trial.side, c) for c in cylinders]
        if trial.operation == "format":
            formatted.update((p, trial.mechanism) for p in places)
        if trial.operation in ("write", "format"):
            for place in places:
                hand, over = written.get(place, (OUTSIDE, OUTSIDE))
                # writing again on one's own track leaves what was there before both
                written[place] = trial.mechanism, over if hand == trial.mechanism else hand
        if trial.sectors_tried > 0 and cylinders:
            participants = [(*written.get(p, (OUTSIDE, OUTSIDE)), formatted.get(p, OUTSIDE)) for p in places]
            found.extend(_stretches(trial, participants))
    return tuple(found)


def _stretches(trial: Trial, participants: list[tuple[str, str, str]]) -> Iterator[Observation]:
    """The parts of a trial, one for each run of cylinders of the same hands; counts are shared out by length."""
    starts = [i for i in range(len(participants)) if i == 0 or participants[i] != participants[i - 1]]
    tried_so_far = failed_so_far = 0
    for start, end in zip(starts, [*starts[1:], len(participants)], strict=True):
        tried = round(trial.sectors_tried * end / len(participants)) - tried_so_far
        failed = min(tried, round(trial.sectors_failed * end / len(participants)) - failed_so_far)
        tried_so_far, failed_so_far = tried_so_far + tried, failed_so_far + failed
        writer, over, laid_out_by = participants[start]
        yield Observation(
            trial=trial.trial,
            when=trial.when,
            operation=trial.operation,
            writer=writer,
            reader=trial.mechanism,
            disk=trial.disk,
            side=trial.side,
            first_cylinder=trial.first_cylinder + start,
            last_cylinder=trial.first_cylinder + end - 1,
            tried=tried,
            failed=failed,
            laid_out_by=laid_out_by,
            over=over,
        )
