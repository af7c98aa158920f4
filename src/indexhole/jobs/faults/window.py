"""Which trials are weighed: those about something, those since a day, and of very many the latest.

Who wrote on a disk before stays known: earlier writes that a disk still held come along as rows without sectors tried.
"""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass, replace
from datetime import date

from indexhole.causes.faults.costs import unit_of
from indexhole.errors import InputFault
from indexhole.model.trials.series import leads_of
from indexhole.model.trials.trial import Trial

# What is ranked while somebody waits: 40 elements and 2,000 trials take about 2 s; cost grows with both.
MOST_TRIALS, MOST_ELEMENTS = 2000, 120


@dataclass(frozen=True)
class Window:
    """The trials to weigh, in order of time, the first `carried` of them for what they wrote alone.

    `told` says in words what was left out: "" when nothing was.
    """

    trials: tuple[Trial, ...]
    carried: int = 0
    told: str = ""


def names_of(trial: Trial) -> frozenset[str]:
    """What stands on the bench for a trial: mechanism, its unit, disk, lead with its adapters, and host."""
    named = (trial.mechanism, unit_of(trial.mechanism), trial.disk, *leads_of(trial), trial.host)
    return frozenset(filter(None, named))


def window(
    trials: Sequence[Trial],
    about: Collection[str] = (),
    since: str = "",
    *,
    most_trials: int = MOST_TRIALS,
    most_elements: int = MOST_ELEMENTS,
) -> Window:
    """The trials to weigh.

    Args:
        trials: all, in order of time.
        about: mechanisms, units, disks, leads or hosts; kept are trials with any of them, and all trials of the disks
            that those met. Everything when empty.
        since: a date, ISO 8601; trials of days before it are left out.
        most_trials, most_elements: of more than that the latest whole operations are kept.

    Raises InputFault for a `since` that is no date, when no trial names one of `about`, or none is left.
    """
    if since and not _is_day(since):
        raise InputFault("is no day", where=repr(since), remedy="write it as 2026-03-01")
    kept = list(range(len(trials)))
    if about:
        kept = _about(trials, frozenset(about))
    if since:
        kept = [k for k in kept if trials[k].when >= since]
    if trials and not kept:
        raise InputFault(
            f"no trial since {since} is left to weigh",
            where=", ".join(sorted(about)) or "the trials",
            remedy="name an earlier day, or leave it out",
        )
    asked = len(kept)
    kept = _latest(trials, kept, most_trials, most_elements)
    if len(kept) == len(trials):
        return Window(tuple(trials))
    words = [f"about {', '.join(sorted(about))}"] if about else []
    words += [f"since {since}"] if since else []
    latest = "the latest " if len(kept) < asked else ""
    told = f"{latest}{len(kept)} of {len(trials)} trials are weighed{''.join(f', those {word}' for word in words)}"
    carried = _held_before(trials, kept)
    return Window((*carried, *(trials[k] for k in kept)), len(carried), told[0].upper() + told[1:])


def _is_day(text: str) -> bool:
    try:
        return date.fromisoformat(text).isoformat() == text
    except ValueError:
        return False


def _about(trials: Sequence[Trial], about: frozenset[str]) -> list[int]:
    direct = [bool(about & names_of(trial)) for trial in trials]
    named = frozenset().union(*(names_of(t) for t, is_direct in zip(trials, direct, strict=True) if is_direct))
    if unknown := sorted(about - named):
        raise InputFault(
            "no trial names it",
            where=", ".join(unknown),
            remedy="name a mechanism, unit, disk, lead or host of a trial",
        )
    disks = {t.disk for t, is_direct in zip(trials, direct, strict=True) if is_direct}
    return [k for k, trial in enumerate(trials) if direct[k] or trial.disk in disks]


def _latest(trials: Sequence[Trial], kept: Sequence[int], most_trials: int, most_elements: int) -> list[int]:
    """The latest of those kept, whole operations, as many as there is room for; one operation at the least."""
    elements: set[str] = set()
    first = len(kept)
    while first:
        begin = first - 1
        while begin and not begins(trials[kept[begin - 1]], trials[kept[begin]]):
            begin -= 1
        here = [trials[k] for k in kept[begin:first]]
        more = elements.union(*({t.mechanism, t.disk, *leads_of(t), t.host} for t in here))
        if first < len(kept) and (len(kept) - begin > most_trials or len(more) > most_elements):
            break
        elements, first = more, begin
    return list(kept[first:])


def begins(one: Trial, other: Trial) -> bool:
    """Whether another operation begins with the second of two rows."""
    job = [(t.operation, t.mechanism, t.disk, t.side, t.lead) for t in (one, other)]
    return job[0] != job[1] or other.first_cylinder <= one.first_cylinder


def _held_before(trials: Sequence[Trial], kept: Sequence[int]) -> list[Trial]:
    """Writes left out that a disk among those kept still held at the first of them, without what they tried."""
    disks = {trials[k].disk for k in kept}
    chosen = set(kept)
    last: dict[tuple[str, int, int], int] = {}
    for k, trial in enumerate(trials[: kept[0]]):
        if trial.writes and trial.disk in disks and k not in chosen:
            last.update({(trial.disk, trial.side, c): k for c in range(trial.first_cylinder, trial.last_cylinder + 1)})
    # No lead or host is named: nothing is said of them.
    return [replace(trials[k], lead="", host="", sectors_tried=0, sectors_failed=0) for k in sorted(set(last.values()))]
