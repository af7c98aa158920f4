"""The Shelf pages as data: the list, one unit, one disk."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from typing import get_args

from indexhole.causes.diagnosis import Diagnosis
from indexhole.model.trial import Trial
from indexhole.shelf.dates import span_of
from indexhole.shelf.journal import Change
from indexhole.shelf.records import CaptureRecord, Disk, Event, Mechanism, Note, Unit, UnitKind
from indexhole.shelf.register import Shelf
from indexhole.standards.classes import load_classes
from indexhole.web.cautions import Caution, cautions_for
from indexhole.web.links import disk_link, unit_link
from indexhole.web.recordings import CaptureEntry, entry_of
from indexhole.web.search import Hits, search_hits
from indexhole.web.standing import Standing, standing_of
from indexhole.web.trial_view import TrialRow, trial_row
from indexhole.web.view import Page
from indexhole.web.words import count, day, percent, plural, query

_CHANGES_SHOWN, _TRIALS_SHOWN = 6, 40
Facts = tuple[tuple[str, str], ...]


@dataclass(frozen=True)
class MechanismEntry:
    """A mechanism with its verdict."""

    name: str
    facts: str
    note: str
    standing: Standing
    edit: str


@dataclass(frozen=True)
class UnitEntry:
    """A unit in the list."""

    inventory: str
    link: str
    kind: str
    title: str
    about: str
    proven: bool
    mechanisms: tuple[MechanismEntry, ...]


@dataclass(frozen=True)
class DiskEntry:
    """A disk in the list."""

    inventory: str
    link: str
    title: str
    about: str
    irreplaceable: bool
    proven: bool


@dataclass(frozen=True)
class ChangeRow:
    """A change that can be taken back."""

    number: int
    what: str
    at: str


@dataclass(frozen=True, kw_only=True)
class ShelfPage(Page):
    """Everything on the shelf. `hits` is None when nothing was looked for."""

    units: tuple[UnitEntry, ...]
    disks: tuple[DiskEntry, ...]
    words: str
    kind: str
    hits: Hits | None
    changes: tuple[ChangeRow, ...]
    weighing: bool


@dataclass(frozen=True)
class EventRow:
    """An event with its date as remembered and what that can mean."""

    when: str
    span: str
    what: str
    source: str


@dataclass(frozen=True)
class NoteRow:
    """A note and when it was made."""

    text: str
    at: str


@dataclass(frozen=True)
class TrialsPart:
    """The newest trials with a thing, how many more there are, and what came of all of them."""

    rows: tuple[TrialRow, ...]
    more: int
    outcome: str


@dataclass(frozen=True, kw_only=True)
class ThingPage(Page):
    """One unit or disk with all that is known of it."""

    thing: str
    inventory: str
    facts: Facts
    flag: str
    edit: str
    standing: Standing | None
    mechanisms: tuple[MechanismEntry, ...] | None
    events: tuple[EventRow, ...] | None
    notes: tuple[NoteRow, ...]
    trials: TrialsPart
    captures: tuple[CaptureEntry, ...]
    together: str
    cautions: tuple[Caution, ...]
    add_mechanism: str
    add_event: str
    add_note: str
    address: str
    weighing: bool


def class_title(disk_class: str) -> str:
    """The title of a disk class; one dropped since is shown by its id."""
    found = load_classes().get(disk_class)
    return found.title if found else disk_class


def shelf_page(
    shelf: Shelf, diagnosis: Diagnosis | None, weighing: bool, words: str, told: tuple[str, ...], kind: str = ""
) -> ShelfPage:
    """The list, or with words what a search finds."""
    trials = shelf.trials()
    mechanisms = shelf.all(Mechanism)
    return ShelfPage(
        title="Shelf",
        section="Shelf",
        told=told,
        units=tuple(_unit_entry(u, mechanisms, trials, diagnosis, weighing) for u in _in_order(shelf.all(Unit))),
        disks=tuple(_disk_entry(disk) for disk in sorted(shelf.all(Disk), key=lambda d: _natural(d.inventory))),
        words=words,
        kind=kind,
        hits=search_hits(shelf, words, kind) if words.strip() else None,
        changes=tuple(_change_row(change) for change in shelf.changes()[:_CHANGES_SHOWN]),
        weighing=weighing,
    )


def _natural(inventory: str) -> list[tuple[int, str]]:
    """Sorts D2 before D10: digits by their number, the rest by letter."""
    return [(int(part), "") if part.isdecimal() else (-1, part) for part in re.split("([0-9]+)", inventory)]


def _in_order(units: Sequence[Unit]) -> list[Unit]:
    """Drives first, then what they hang on, each in order of number."""
    kinds = get_args(UnitKind)
    return sorted(units, key=lambda unit: (kinds.index(unit.kind), _natural(unit.inventory)))


def _unit_entry(
    unit: Unit, mechanisms: Sequence[Mechanism], trials: Sequence[Trial], diagnosis: Diagnosis | None, weighing: bool
) -> UnitEntry:
    own = sorted((m for m in mechanisms if m.unit == unit.inventory), key=lambda m: m.number)
    return UnitEntry(
        inventory=unit.inventory,
        link=unit_link(unit.inventory),
        kind=unit.kind,
        title=unit.title,
        about=", ".join(
            p for p in (unit.kind if unit.title else "", unit.maker, class_title(unit.disk_class), unit.state) if p
        ),
        proven=unit.standing == "known",
        mechanisms=tuple(_mechanism_entry(m, trials, diagnosis, weighing) for m in own),
    )


def _mechanism_entry(
    mechanism: Mechanism, trials: Sequence[Trial], diagnosis: Diagnosis | None, weighing: bool
) -> MechanismEntry:
    name = mechanism.mechanism
    widths = [
        f"{word} {width:g} µm"
        for word, width in (("writes", mechanism.write_width_um), ("reads", mechanism.read_width_um))
        if width
    ]
    front = [f"marked {mechanism.front} on the front"] if mechanism.front else []
    return MechanismEntry(
        name=name,
        facts=", ".join([*front, *widths]),
        note=mechanism.note,
        standing=standing_of(name, diagnosis, any(t.mechanism == name for t in trials), weighing),
        edit=query("/mechanism/edit", no=name),
    )


def _disk_entry(disk: Disk) -> DiskEntry:
    sides = plural(disk.sides, "side") if disk.sides else ""
    return DiskEntry(
        inventory=disk.inventory,
        link=disk_link(disk.inventory),
        title=disk.title,
        about=", ".join(part for part in (class_title(disk.disk_class), sides) if part),
        irreplaceable=disk.irreplaceable,
        proven=disk.standing == "known",
    )


def _change_row(change: Change) -> ChangeRow:
    return ChangeRow(change.number, change.what, day(change.at_utc))


def _named(pairs: Sequence[tuple[str, str]]) -> Facts:
    return tuple((name, value) for name, value in pairs if value)


def unit_page(
    shelf: Shelf, unit: Unit, diagnosis: Diagnosis | None, weighing: bool, told: tuple[str, ...]
) -> ThingPage:
    """All that is known of a unit."""
    inventory = unit.inventory
    every = shelf.trials()
    mechanisms = shelf.mechanisms_of(inventory)
    names = {m.mechanism for m in mechanisms}
    trials = [t for t in every if t.mechanism in names or inventory in (t.host, t.lead)]
    facts = (
        ("Kind", unit.kind), ("Maker", unit.maker), ("For disks", class_title(unit.disk_class)), ("State", unit.state),
        ("Acquired", unit.acquired), ("From", unit.origin),
        ("Date codes", f"{unit.date_codes} (what they mean is unproven)" if unit.date_codes else ""),
    )  # fmt: skip
    is_drive = unit.kind == "drive unit"
    return ThingPage(
        title=f"{inventory} {unit.title}".strip(),
        section="Shelf",
        told=told,
        thing="unit",
        inventory=inventory,
        facts=_named(facts),
        flag="" if unit.standing == "known" else "known only because a trial names it",
        edit=query("/unit/edit", no=inventory),
        standing=None if is_drive else standing_of(inventory, diagnosis, bool(trials), weighing),
        mechanisms=tuple(_mechanism_entry(m, every, diagnosis, weighing) for m in mechanisms) if is_drive else None,
        events=tuple(_event_row(event) for event in shelf.history(inventory)),
        notes=tuple(_note_row(note) for note in shelf.notes_on(unit=inventory)),
        captures=tuple(entry_of(c) for c in shelf.all(CaptureRecord) if c.mechanism in names),
        together="",
        cautions=cautions_for(unit.kind),
        add_mechanism=query("/mechanism/new", unit=inventory),
        add_event=query("/event/new", unit=inventory),
        add_note=query("/note/new", unit=inventory),
        address=unit_link(inventory),
        weighing=weighing,
        trials=_trials_part(trials),
    )


def disk_page(
    shelf: Shelf, disk: Disk, diagnosis: Diagnosis | None, weighing: bool, told: tuple[str, ...]
) -> ThingPage:
    """All that is known of a disk."""
    trials = [t for t in shelf.trials() if t.disk == disk.inventory]
    captures = [c for c in shelf.all(CaptureRecord) if c.disk == disk.inventory]
    facts = (
        ("Class", class_title(disk.disk_class)),
        ("Sides", str(disk.sides or "")),
        ("Writing on it", "never: it is marked irreplaceable" if disk.irreplaceable else "allowed"),
        ("Remark", disk.note),
    )
    entries = tuple(entry_of(c) for c in captures)
    return ThingPage(
        title=f"{disk.inventory} {disk.title}".strip(),
        section="Shelf",
        told=told,
        thing="disk",
        inventory=disk.inventory,
        facts=_named(facts),
        flag="" if disk.standing == "known" else "known only because a trial names it",
        edit=query("/disk/edit", no=disk.inventory),
        standing=standing_of(disk.inventory, diagnosis, bool(trials), weighing),
        mechanisms=None,
        events=None,
        notes=tuple(_note_row(note) for note in shelf.notes_on(disk=disk.inventory)),
        captures=entries,
        together=query("/recordings/read", capture=[e.key for e in entries]) if len(entries) > 1 else "",
        cautions=cautions_for("disk"),
        add_mechanism="",
        add_event="",
        add_note=query("/note/new", disk=disk.inventory),
        address=disk_link(disk.inventory),
        weighing=weighing,
        trials=_trials_part(trials),
    )


def _trials_part(trials: Sequence[Trial]) -> TrialsPart:
    tried, failed = sum(t.sectors_tried for t in trials), sum(t.sectors_failed for t in trials)
    outcome = f"{plural(len(trials), 'trial')}: of {plural(tried, 'sector')} tried, {count(failed)} failed"
    return TrialsPart(
        rows=tuple(trial_row(t) for t in trials[-_TRIALS_SHOWN:][::-1]),
        more=max(0, len(trials) - _TRIALS_SHOWN),
        outcome=f"{outcome} ({percent(failed / tried)})." if tried else f"{outcome}.",
    )


def _event_row(event: Event) -> EventRow:
    span = span_of(event.when)
    if span.earliest == span.latest:
        precision = "to the day"
    elif span.earliest == date.min and span.latest == date.max:
        precision = "any time"
    elif span.earliest == date.min:
        precision = f"until {span.latest}"
    elif span.latest == date.max:
        precision = f"from {span.earliest} on"
    else:
        precision = f"{span.earliest} to {span.latest}"
    return EventRow(event.when or "not known", precision, event.what, event.source)


def _note_row(note: Note) -> NoteRow:
    return NoteRow(note.text, day(note.added_utc))
