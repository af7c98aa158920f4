"""One unit or one disk as data: what it is, its parts and photos, what trials say, and every change of its entry."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import date
from typing import Any

from indexhole.shelf.records.additions import Firmware, Loan, Part, Photo
from indexhole.shelf.records.date_codes import Dating
from indexhole.shelf.records.dates import span_of
from indexhole.shelf.records.records import CaptureRecord, Disk, Event, Mechanism, Note, Record, Unit
from indexhole.shelf.register.confidence import FieldConfidence, in_words
from indexhole.shelf.register.shelf import Shelf
from indexhole.shelf.views.listing import Trials, trials_with, tried_among
from indexhole.shelf.views.timeline import dating
from indexhole.standards.layouts import load_layouts
from indexhole.web.drawing.cautions import Caution, cautions_for
from indexhole.web.drawing.links import disk_link, unit_link
from indexhole.web.drawing.trial_view import TrialRow, trial_row
from indexhole.web.drawing.verdict import Standing, verdict_of
from indexhole.web.drawing.view import Page
from indexhole.web.drawing.words import count, day, percent, plural, query
from indexhole.web.forms.fields import (
    EVENT_FIELDS,
    FIRMWARE_FIELDS,
    LOAN_FIELDS,
    PART_FIELDS,
    disk_fields,
    mechanism_fields,
    unit_fields,
)
from indexhole.web.forms.forms import FormField
from indexhole.web.pages.recordings.recordings import CaptureEntry, entry_of
from indexhole.web.pages.shelf.shelf_pages import MechanismEntry, class_title, mechanism_entry
from indexhole.web.serving.site import Site

_TRIALS_SHOWN, _CAPTURES_SHOWN, _CHANGES_SHOWN = 40, 100, 60
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

    told: str
    remarks: tuple[str, ...]


@dataclass(frozen=True, kw_only=True)
class ThingPage(Page):
    """One unit or disk with all that is known of it."""

    thing: str
    inventory: str
    facts: Facts
    flag: str
    strong: str
    of: str
    standing: Standing | None
    mechanisms: tuple[MechanismEntry, ...] | None
    parts: tuple[Line, ...] | None
    dating: DatingPart | None
    firmware: tuple[Line, ...] | None
    photos: tuple[PhotoEntry, ...]
    loans: tuple[Line, ...]
    events: tuple[EventRow, ...] | None
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


def _facts(pairs: Iterable[tuple[str, str, str]], confidences: dict[str, FieldConfidence]) -> Facts:
    """(field, name, value) as shown: what is not known says so, and what was told says by whom."""
    told = []
    for field, name, value in pairs:
        held = confidences.get(field)
        if held is not None and held.standing == "not known":
            told.append((name, in_words(held.standing, held.source)))
        elif value:
            told.append((name, f"{value} (as told by {held.source})" if held is not None else value))
    return tuple(told)


def _doubts(shelf: Shelf, kind: type[Record], key: str, asks: Iterable[FormField]) -> str:
    """The fields of an entry that are not known, or as told, in words."""
    labels = {ask.name: ask.label for ask in asks}
    held = shelf.confidences_of(kind, key).values()
    return _joined(
        *(f"{labels[one.field]} {in_words(one.standing, one.source)}" for one in held if one.field in labels)
    )


def _with_doubts(shelf: Shelf, entry: MechanismEntry) -> MechanismEntry:
    """A mechanism's line with the fields that are not known, or as told."""
    return replace(entry, facts=_joined(entry.facts, _doubts(shelf, Mechanism, entry.name, mechanism_fields(False))))


def unit_page(site: Site, unit: Unit, told: tuple[str, ...]) -> ThingPage:
    """All that is known of a unit."""
    shelf, inventory = site.shelf, unit.inventory
    diagnosis, weighing = site.diagnosis_if_ready()
    mechanisms = shelf.mechanisms_of(inventory)
    names = [m.mechanism for m in mechanisms]
    tried = tried_among(shelf, [inventory, *names])
    parts = shelf.page(Part, unit=inventory, most=500)
    dated = dating(unit, parts)
    stands = shelf.confidences_of(Unit, inventory)
    facts = (
        ("kind", "Kind", unit.kind), ("maker", "Maker", unit.maker),
        ("disk_class", "For disks", class_title(unit.disk_class)), ("state", "State", unit.state),
        ("location", "Where it stands", unit.location), ("made", "Made", unit.made),
        ("acquired", "Acquired", unit.acquired), ("acquired_when", "Acquired when", unit.acquired_when),
        ("origin", "From", unit.origin), ("title", "Title", unit.title if "title" in stands else ""),
        ("date_codes", "Date codes", unit.date_codes), ("interfaces", "Interfaces", unit.interfaces),
        ("connectors", "Connectors", unit.connectors), ("power_input", "Power input", unit.power_input),
        ("weight_kg", "Weight", f"{unit.weight_kg:g} kg" if unit.weight_kg else ""),
        ("device_address", "Device address", unit.device_address), ("controller", "Controller", unit.controller),
        ("volume_kinds", "Volumes it takes", unit.volume_kinds), ("modifications", "Modifications", unit.modifications),
        ("labels_left", "Labels left on it", unit.labels_left), ("description", "Description", unit.description),
    )  # fmt: skip
    is_drive = unit.kind == "drive unit"
    trials = trials_with(shelf, mechanisms=names, part=inventory, most=_TRIALS_SHOWN)
    return ThingPage(
        title=f"{inventory} {unit.title}".strip(),
        section="Shelf",
        told=told,
        thing="unit",
        inventory=inventory,
        facts=_facts(facts, stands),
        flag="" if unit.standing == "known" else "known only because a trial names it",
        strong="",
        of=query("", unit=inventory),
        standing=None if is_drive else verdict_of(inventory, diagnosis, inventory in tried, weighing),
        mechanisms=tuple(_with_doubts(shelf, mechanism_entry(m, tried, diagnosis, weighing)) for m in mechanisms)
        if is_drive
        else None,
        parts=tuple(
            Line(
                p.name,
                _joined(p.board, p.marking, p.date_code, p.note, _doubts(shelf, Part, p.part, PART_FIELDS)),
                query("/part/edit", no=p.part),
            )
            for p in parts
        ),
        dating=DatingPart(_dated(dated), dated.remarks) if dated.codes else None,
        firmware=tuple(
            Line(
                f.version,
                _joined(
                    f.place, f.seen_how, f.seen_when, f.note, _doubts(shelf, Firmware, f.firmware, FIRMWARE_FIELDS)
                ),
                query("/firmware/edit", no=f.firmware),
            )
            for f in shelf.page(Firmware, unit=inventory)
        ),
        photos=_photos(shelf.page(Photo, unit=inventory)),
        loans=_loans(shelf, shelf.page(Loan, unit=inventory)),
        events=tuple(_event_row(shelf, event) for event in shelf.history(inventory)),
        notes=tuple(_note_row(note) for note in shelf.notes_on(unit=inventory)),
        captures=tuple(
            entry_of(c) for name in names for c in shelf.page(CaptureRecord, mechanism=name, most=_CAPTURES_SHOWN)
        ),
        together="",
        cautions=cautions_for(unit.kind),
        changed=_changed(shelf, Unit, inventory, {ask.name: ask.label for ask in unit_fields(True)}),
        address=unit_link(inventory),
        weighing=weighing,
        trials=_trials_part(trials, query("/bench", with_=inventory)),
    )


def disk_page(site: Site, disk: Disk, told: tuple[str, ...]) -> ThingPage:
    """All that is known of a disk."""
    shelf, inventory = site.shelf, disk.inventory
    diagnosis, weighing = site.diagnosis_if_ready()
    layouts = load_layouts()
    stands = shelf.confidences_of(Disk, inventory)
    warmth, damp = disk.recorded_temperature_c, disk.recorded_humidity_pct
    hub = "" if disk.hub_ring is None else "with one" if disk.hub_ring else "without"
    facts = (
        ("disk_class", "Class", class_title(disk.disk_class)), ("sides", "Sides", str(disk.sides or "")),
        ("importance", "Writing on it", "never: it is marked irreplaceable" if disk.irreplaceable else "allowed"),
        ("importance", "Importance", "" if disk.irreplaceable else disk.importance),
        ("label_text", "Label says", disk.label_text), ("notch", "Write notch", disk.notch),
        ("hub_ring", "Hub ring", hub),
        ("sector_holes", "Sector holes", "" if disk.sector_holes is None else str(disk.sector_holes or "none")),
        ("layout", "Layout", layouts[disk.layout].title if disk.layout in layouts else disk.layout),
        ("recorded_by", "Recorded by", disk.recorded_by), ("recorded_when", "Recorded", disk.recorded_when),
        ("recorded_temperature_c", "Recorded at", "" if warmth is None else f"{warmth:g} °C"),
        ("recorded_humidity_pct", "Humidity then", "" if damp is None else f"{damp:g} %"),
        ("before", "Before that", disk.before), ("condition", "Condition", disk.condition),
        ("location", "Where it lies", disk.location), ("origin", "From", disk.origin),
        ("acquired", "Acquired", disk.acquired), ("acquired_when", "Acquired when", disk.acquired_when),
        ("note", "Remark", disk.note), ("title", "Title", disk.title if "title" in stands else ""),
    )  # fmt: skip
    entries = tuple(entry_of(c) for c in shelf.page(CaptureRecord, disk=inventory, most=_CAPTURES_SHOWN))
    trials = trials_with(shelf, disk=inventory, most=_TRIALS_SHOWN)
    return ThingPage(
        title=f"{inventory} {disk.title}".strip(),
        section="Shelf",
        told=told,
        thing="disk",
        inventory=inventory,
        facts=_facts(facts, stands),
        flag="" if disk.standing == "known" else "known only because a trial names it",
        strong="irreplaceable" if disk.irreplaceable else "",
        of=query("", disk=inventory),
        standing=verdict_of(inventory, diagnosis, bool(trials.total), weighing),
        mechanisms=None,
        parts=None,
        dating=None,
        firmware=None,
        photos=_photos(shelf.page(Photo, disk=inventory)),
        loans=_loans(shelf, shelf.page(Loan, disk=inventory)),
        events=None,
        notes=tuple(_note_row(note) for note in shelf.notes_on(disk=inventory)),
        captures=entries,
        together=query("/recordings/read", capture=[e.key for e in entries]) if len(entries) > 1 else "",
        cautions=cautions_for("disk"),
        changed=_changed(shelf, Disk, inventory, {ask.name: ask.label for ask in disk_fields(True)}),
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
                _doubts(shelf, Loan, loan.loan, LOAN_FIELDS),
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
    source = _joined(event.source, _doubts(shelf, Event, event.event, EVENT_FIELDS))
    return EventRow(event.when or "not known", precision, event.what, source, edit)


def _note_row(note: Note) -> NoteRow:
    return NoteRow(note.text, day(note.added_utc), query("/note/edit", no=note.note))


def _changed(shelf: Shelf, kind: type[Record], key: str, labels: dict[str, str]) -> tuple[FieldRow, ...]:
    found = [one for one in shelf.field_history(kind, key) if one.field in labels and not one.undone]
    return tuple(
        FieldRow(
            day(one.at_utc),
            f"{labels[one.field]}{', how it is known' * one.standing}",
            _said(one.told[0]),
            _said(one.told[1]),
            _joined(f"by {one.who}" if one.who else "", one.why),
        )
        for one in found[-_CHANGES_SHOWN:][::-1]
    )


def _said(value: Any) -> str:
    if value in (None, ""):
        return "nothing"
    text = "yes" if value is True else "no" if value is False else str(value)
    return text if len(text) <= 120 else f"{text[:117]}..."
