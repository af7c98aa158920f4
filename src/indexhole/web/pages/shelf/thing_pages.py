"""One unit or one disk as data: what it is, its parts and photos, what trials say, and every change of its entry."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date
from typing import Any

from indexhole.shelf.records.additions import Firmware, Loan, Part, Photo
from indexhole.shelf.records.date_codes import Dating
from indexhole.shelf.records.dates import span_of
from indexhole.shelf.records.entry import Record
from indexhole.shelf.records.records import CaptureRecord, Disk, Event, Mechanism, Note, Unit
from indexhole.shelf.records.shown import field_of, fields_of, grouped
from indexhole.shelf.register.confidence import FieldConfidence, in_words
from indexhole.shelf.register.shelf import Shelf
from indexhole.shelf.views.listing import Trials, TrialsOf, trials_with, tried_among
from indexhole.shelf.views.timeline import dating
from indexhole.web.drawing.cautions import Caution, cautions_for
from indexhole.web.drawing.links import disk_link, unit_link
from indexhole.web.drawing.trial_view import TrialRow, trial_row
from indexhole.web.drawing.verdict import Standing, verdict_of
from indexhole.web.drawing.view import Page
from indexhole.web.drawing.words import count, day, percent, plural, query
from indexhole.web.pages.recordings.recordings import CaptureEntry, entry_of
from indexhole.web.pages.shelf.shelf_pages import MechanismEntry, mechanism_entry
from indexhole.web.serving.site import Site

_TRIALS_SHOWN, _CAPTURES_SHOWN, _CHANGES_SHOWN = 40, 100, 60
_ONLY_TRIED = "known only because a trial names it"
Facts = tuple[tuple[str, str], ...]


@dataclass(frozen=True)
class EventRow:
    """An event with its date as remembered and what that can mean."""

    when: str
    span: str
    what: str
    source: str
    edit: str


@dataclass(frozen=True)
class NoteRow:
    """A note and when it was made."""

    text: str
    at: str
    edit: str


@dataclass(frozen=True)
class Line:
    """A part, firmware or loan in a line, with more about it."""

    name: str
    about: str
    edit: str


@dataclass(frozen=True)
class PhotoEntry:
    """A photo: its addresses, and what it shows in words."""

    large: str
    small: str
    words: str
    taken: str
    edit: str


@dataclass(frozen=True)
class FieldRow:
    """A change of one field of the entry."""

    at: str
    field: str
    was: str
    now: str
    signed: str


@dataclass(frozen=True)
class TrialsPart:
    """The newest trials with a thing, how many more there are, and what came of all of them."""

    rows: tuple[TrialRow, ...]
    more: int
    outcome: str
    link: str


@dataclass(frozen=True)
class DatingPart:
    """What date codes say together."""

    summary: str
    remarks: tuple[str, ...]


@dataclass(frozen=True)
class UnitPart:
    """What only a unit has; `mechanisms` is None for one that is no drive."""

    mechanisms: tuple[MechanismEntry, ...] | None
    parts: tuple[Line, ...]
    dating: DatingPart | None
    firmware: tuple[Line, ...]
    events: tuple[EventRow, ...]


@dataclass(frozen=True, kw_only=True)
class ThingPage(Page):
    """One unit or disk with all that is known of it; `unit` is None for a disk."""

    thing: str
    inventory: str
    facts: Facts
    flag: str
    strong: str
    of: str
    standing: Standing | None
    unit: UnitPart | None
    photos: tuple[PhotoEntry, ...]
    loans: tuple[Line, ...]
    notes: tuple[NoteRow, ...]
    trials: TrialsPart
    captures: tuple[CaptureEntry, ...]
    together: str
    cautions: tuple[Caution, ...]
    changed: tuple[FieldRow, ...]
    address: str
    weighing: bool


def _joined(*parts: str) -> str:
    return ", ".join(part for part in parts if part)


def _facts(record: Record, confidences: Mapping[str, FieldConfidence]) -> Facts:
    """What an entry says, field by field: what is not known says so, and what somebody said says who.

    The title stands above the page, and here only where there is more to say of it.
    """
    facts = []
    for one in grouped(type(record)):
        if one.noted or one.key or (one.name == "title" and "title" not in confidences):
            continue
        said, held = one.said(getattr(record, one.name)), confidences.get(one.name)
        if held is not None and held.standing == "not known":
            facts.append((one.shown.label, in_words(held.standing, held.source)))
        elif said:
            facts.append((one.shown.label, f"{said} (as told by {held.source})" if held is not None else said))
    return tuple(facts)


def _doubts(shelf: Shelf, record: Record) -> str:
    """The fields of an entry that are not known, or as told, in words."""
    kind = type(record)
    held = shelf.confidences_of(kind, record.key).values()
    return _joined(*(f"{field_of(kind, one.field).shown.label} {in_words(one.standing, one.source)}" for one in held))


def unit_page(site: Site, unit: Unit, notices: tuple[str, ...]) -> ThingPage:
    """All that is known of a unit."""
    shelf, inventory = site.shelf, unit.inventory
    diagnosis, weighing = site.diagnosis_if_ready()
    names = [m.mechanism for m in shelf.mechanisms_of(inventory)]
    tried = tried_among(shelf, [inventory, *names])
    trials = trials_with(shelf, TrialsOf(names, part=inventory), most=_TRIALS_SHOWN)
    is_drive = unit.kind == "drive unit"
    return ThingPage(
        title=f"{inventory} {unit.title}".strip(),
        section="Shelf",
        notices=notices,
        thing="unit",
        inventory=inventory,
        facts=_facts(unit, shelf.confidences_of(Unit, inventory)),
        flag="" if unit.standing == "known" else _ONLY_TRIED,
        strong="",
        of=query("", unit=inventory),
        standing=None if is_drive else verdict_of(inventory, diagnosis, inventory in tried, weighing),
        unit=_unit_part(site, unit, tried),
        photos=_photos(shelf.page(Photo, unit=inventory)),
        loans=_loans(shelf, shelf.page(Loan, unit=inventory)),
        notes=tuple(_note_row(note) for note in shelf.notes_on(unit=inventory)),
        captures=tuple(
            entry_of(c) for name in names for c in shelf.page(CaptureRecord, mechanism=name, most=_CAPTURES_SHOWN)
        ),
        together="",
        cautions=cautions_for(unit.kind),
        changed=_changed(shelf, unit),
        address=unit_link(inventory),
        weighing=weighing,
        trials=_trials_part(trials, query("/bench", with_=inventory)),
    )


def _unit_part(site: Site, unit: Unit, tried: frozenset[str]) -> UnitPart:
    shelf = site.shelf
    diagnosis, weighing = site.diagnosis_if_ready()
    parts = shelf.page(Part, unit=unit.inventory, most=500)
    dated = dating(unit, parts)
    mechanisms = tuple(
        _with_doubts(shelf, m, mechanism_entry(m, tried, diagnosis, weighing))
        for m in shelf.mechanisms_of(unit.inventory)
    )
    return UnitPart(
        mechanisms=mechanisms if unit.kind == "drive unit" else None,
        parts=tuple(_line(shelf, part, part.name) for part in parts),
        dating=DatingPart(_dated(dated), dated.remarks) if dated.codes else None,
        firmware=tuple(_line(shelf, one, one.version) for one in shelf.page(Firmware, unit=unit.inventory)),
        events=tuple(_event_row(shelf, event) for event in shelf.history(unit.inventory)),
    )


def _with_doubts(shelf: Shelf, mechanism: Mechanism, entry: MechanismEntry) -> MechanismEntry:
    """A mechanism's line with the fields that are not known, or as told."""
    return replace(entry, facts=_joined(entry.facts, _doubts(shelf, mechanism)))


def _line(shelf: Shelf, record: Part | Firmware, name: str) -> Line:
    """What belongs to a unit in a line: the name, then all else it says."""
    said = [
        one.said(getattr(record, one.name))
        for one in grouped(type(record))
        if not (one.noted or one.shown.subject or one.needed)
    ]
    return Line(name, _joined(*said, _doubts(shelf, record)), query(f"/{record.WORD}/edit", no=record.key))


def disk_page(site: Site, disk: Disk, notices: tuple[str, ...]) -> ThingPage:
    """All that is known of a disk."""
    shelf, inventory = site.shelf, disk.inventory
    diagnosis, weighing = site.diagnosis_if_ready()
    writing = ("Writing on it", "never: it is marked irreplaceable" if disk.irreplaceable else "allowed")
    entries = tuple(entry_of(c) for c in shelf.page(CaptureRecord, disk=inventory, most=_CAPTURES_SHOWN))
    trials = trials_with(shelf, TrialsOf(disk=inventory), most=_TRIALS_SHOWN)
    return ThingPage(
        title=f"{inventory} {disk.title}".strip(),
        section="Shelf",
        notices=notices,
        thing="disk",
        inventory=inventory,
        facts=(writing, *_facts(disk, shelf.confidences_of(Disk, inventory))),
        flag="" if disk.standing == "known" else _ONLY_TRIED,
        strong="irreplaceable" if disk.irreplaceable else "",
        of=query("", disk=inventory),
        standing=verdict_of(inventory, diagnosis, bool(trials.total), weighing),
        unit=None,
        photos=_photos(shelf.page(Photo, disk=inventory)),
        loans=_loans(shelf, shelf.page(Loan, disk=inventory)),
        notes=tuple(_note_row(note) for note in shelf.notes_on(disk=inventory)),
        captures=entries,
        together=query("/recordings/read", capture=[e.key for e in entries]) if len(entries) > 1 else "",
        cautions=cautions_for("disk"),
        changed=_changed(shelf, disk),
        address=disk_link(inventory),
        weighing=weighing,
        trials=_trials_part(trials, query("/bench", disk=inventory)),
    )


def _dated(found: Dating) -> str:
    if found.no_earlier_than is None or found.decided_by is None:
        return "No date code on it can be read as a week."
    by, read = found.decided_by, found.decided_by.reading
    week = f", week {read.week} of {read.year}" if read else ""
    return f"Made no earlier than {found.no_earlier_than}: {by.what} carries {by.code}{week}."


def _photos(held: Sequence[Photo]) -> tuple[PhotoEntry, ...]:
    return tuple(
        PhotoEntry(
            query("/photo", no=p.photo),
            query("/photo", no=p.photo, size="small"),
            p.caption or p.name,
            p.taken,
            query("/photo/edit", no=p.photo),
        )
        for p in held
    )


def _loans(shelf: Shelf, held: Sequence[Loan]) -> tuple[Line, ...]:
    return tuple(
        Line(
            f"{'To' if loan.direction == 'out' else 'From'} {loan.party}",
            _joined(
                f"since {loan.since}" if loan.since else "",
                f"until {loan.until}" if loan.until else "",
                f"returned {loan.returned}" if loan.returned else "not returned yet",
                loan.purpose,
                _doubts(shelf, loan),
            ),
            query("/loan/edit", no=loan.loan),
        )
        for loan in held
    )


def _trials_part(found: Trials, link: str) -> TrialsPart:
    tried, failed = found.sectors_tried, found.sectors_failed
    outcome = f"{plural(found.total, 'trial')}: of {plural(tried, 'sector')} tried, {count(failed)} failed"
    return TrialsPart(
        rows=tuple(trial_row(t) for t in found.rows),
        more=max(0, found.total - len(found.rows)),
        outcome=f"{outcome} ({percent(failed / tried)})." if tried else f"{outcome}.",
        link=link,
    )


def _event_row(shelf: Shelf, event: Event) -> EventRow:
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
    edit = query("/event/edit", no=event.event)
    source = _joined(event.source, _doubts(shelf, event))
    return EventRow(event.when or "not known", precision, event.what, source, edit)


def _note_row(note: Note) -> NoteRow:
    return NoteRow(note.text, day(note.added_utc), query("/note/edit", no=note.note))


def _changed(shelf: Shelf, record: Record) -> tuple[FieldRow, ...]:
    labels = {one.name: one.shown.label for one in fields_of(type(record)) if not one.noted}
    changes = shelf.field_history(type(record), record.key)
    found = [one for one in changes if one.field in labels and not one.undone]
    return tuple(
        FieldRow(
            day(one.at_utc),
            f"{labels[one.field]}{', how it is known' * one.standing}",
            _said(one.in_words[0]),
            _said(one.in_words[1]),
            _joined(f"by {one.who}" if one.who else "", one.why),
        )
        for one in found[-_CHANGES_SHOWN:][::-1]
    )


def _said(value: Any) -> str:
    if value in (None, ""):
        return "nothing"
    text = "yes" if value is True else "no" if value is False else str(value)
    return text if len(text) <= 120 else f"{text[:117]}..."
