"""Work on a unit, out of its events: what was found of a drive before it says nothing of the drive as it is after it.

The event says what kind of work it was; while it does not, its words are a guess, and what is told says so.

Only what is certain by the dates parts the two; evidence without a date counts for the whole time.
"""

from __future__ import annotations

import re
from collections import defaultdict
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace

from indexhole.causes.faults.costs import unit_of
from indexhole.levelling.measurements import Measurements
from indexhole.model.trials.trial import Trial
from indexhole.shelf.records.dates import span_of
from indexhole.shelf.records.event_work import EventWork
from indexhole.shelf.records.records import Event

# Says of something, about a drive, found at a time, in a way (made, taken) why it does not count; "" where it does.
Why = Callable[[str, str, str, str], str]
_Work = tuple[Event, frozenset[str]]  # what was done to a unit, and which of its mechanisms the words name


class Repairs:
    """Says of evidence about a drive whether a repair lies between it and the drive's last trial.

    Who wrote a disk before does not change by a repair.
    """

    def __init__(self, trials: Sequence[Trial], events: Sequence[Event]) -> None:
        self._last = {t.mechanism: t.when[:10] for t in trials}
        self._of_unit = _by_unit(events, "cleaned", "repaired")

    def left_out(self, what: str, drive: str, when: str, made: str) -> str:
        """Why it does not count for the drive, in words; nothing where it does."""
        if drive not in self._last or not when:
            return ""
        for event in _on(self._of_unit, drive):
            if order := _between(when, event.when, self._last[drive]):
                return (
                    f"{what} is not weighed for {drive}: it was {made} {order} {_work(event)}, "
                    "and the trials were made otherwise"
                )
        return ""


@dataclass(frozen=True)
class SplitTrials:
    """Trials in which a drive has another name as long as a head or a speed may have been changed since.

    Attributes:
        trials: the trials, in order of time.
        past: the other names, each with the drive's own.
        told: what does not count, in words.
    """

    trials: Sequence[Trial]
    past: Mapping[str, str]
    told: tuple[str, ...]


class Moves:
    """Says of evidence about a drive whether a head may have been moved, or a speed changed, since then."""

    def __init__(self, events: Iterable[Event] = ()) -> None:
        self._of_unit = _by_unit(events, "repaired")

    def since(self, drive: str, when: str) -> Event | None:
        """The last such work on a drive that for certain came after a day, month or year."""
        held = _on(self._of_unit, drive)
        if not held or not when:
            return None
        end = span_of(when).latest
        after = [event for event in held if end < span_of(event.when).earliest]
        return max(after, key=lambda event: span_of(event.when).earliest, default=None)

    def why(self, what: str, drive: str, when: str, made: str) -> str:
        """Why it says nothing of the drive as it is, in words; nothing where it does."""
        event = self.since(drive, when)
        return f"{what} is left out: it was {made} before {_work(event)}" if event else ""

    def name_of(self, drive: str, when: str) -> str:
        """What a drive is called as it was then: by its name if nothing was done to it since."""
        return _name(drive, self.since(drive, when))

    def split_trials(self, trials: Sequence[Trial]) -> SplitTrials:
        """The trials, drives named otherwise in those before such work: a mark that moved is another mark."""
        since = {key: self.since(*key) for key in dict.fromkeys((t.mechanism, t.when[:10]) for t in trials)}
        named = {key: _name(key[0], event) for key, event in since.items()}
        past = {named[key]: key[0] for key, event in since.items() if event}
        told = {
            named[key]: f"what trials say of {key[0]} before {_work(event)} is left out"
            for key, event in since.items()
            if event
        }
        found = [replace(t, mechanism=named[t.mechanism, t.when[:10]]) if past else t for t in trials]
        return SplitTrials(found, past, tuple(told.values()))


def of_now(measured: Measurements, why: Why) -> tuple[Measurements, list[str]]:
    """Measurements without those that do not count, and why these do not; of a difference both ends must count.

    Args:
        why: `Repairs.left_out` or `Moves.why`.
    """
    told: list[str] = []
    ties = {}
    for quantity, every in measured.ties.items():
        kept = []
        for tie in every:
            what = f"measurement {tie.name} ({tie.source})"
            reasons = (why(what, drive, tie.when, "made") for drive in (tie.start, tie.end))
            if reason := next(filter(None, reasons), ""):
                told.append(reason)
            else:
                kept.append(tie)
        ties[quantity] = tuple(kept)
    return replace(measured, ties=ties), told


def _name(drive: str, since: Event | None) -> str:
    return f"{drive} before {since.when}" if since else drive


def _work(event: Event) -> str:
    guessed = "" if event.work else "; a guess from its words"
    return f"{event.unit} was worked on ({event.when}: {event.what}{guessed})"


def _by_unit(events: Iterable[Event], *kinds: EventWork) -> dict[str, list[_Work]]:
    found: dict[str, list[_Work]] = defaultdict(list)
    for event in events:
        if event.when and event.done in kinds:
            named = re.findall(rf"(?<![\w.]){re.escape(event.unit)}\.\d+", event.what)
            found[event.unit].append((event, frozenset(named)))
    return dict(found)


def _on(of_unit: Mapping[str, list[_Work]], drive: str) -> list[Event]:
    """Work on a drive: what was done to its unit, unless the words name other mechanisms of it alone."""
    return [event for event, named in of_unit.get(unit_of(drive), ()) if not named or drive in named]


def _between(taken: str, worked: str, tried: str) -> str:
    """`before` or `after` when something was for certain taken so, and the trial made otherwise; else nothing."""
    capture, work, trial = span_of(taken), span_of(worked), span_of(tried)
    if capture.latest < work.earliest and work.latest < trial.earliest:
        return "before"
    return "after" if trial.latest < work.earliest and work.latest < capture.earliest else ""
