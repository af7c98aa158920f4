"""What a search found, each thing in a line of its own kind."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

from indexhole.errors import InputFault
from indexhole.shelf.records.additions import Firmware, Loan, OfUnitOrDisk, Part, Photo, View
from indexhole.shelf.records.entry import Record
from indexhole.shelf.records.records import CaptureRecord, Disk, Event, Mechanism, Note, Unit
from indexhole.shelf.register.search import Found, beginning
from indexhole.shelf.register.shelf import Shelf
from indexhole.shelf.views.listing import records_of
from indexhole.web.drawing.links import capture_link, disk_link, mechanism_link, trial_link, unit_link, view_link
from indexhole.web.drawing.words import count
from indexhole.web.forms.faults import fault_and_remedy

_MOST, _MOST_COUNTED = 100, 20_000


@dataclass(frozen=True)
class Hit:
    """One thing a search found."""

    words: str
    text: str
    link: str


@dataclass(frozen=True)
class Hits:
    """What a search found, the first hundred, and how many more there are; `fault` says why it could not look.

    `kinds` are the kinds found, with how many of each in words.
    """

    shown: tuple[Hit, ...]
    more: str
    kinds: tuple[tuple[str, str], ...] = ()
    fault: str = ""


def search_hits(shelf: Shelf, words: str, kind: str = "") -> Hits:
    """What holds every word; with a kind only entries of that kind."""
    try:
        with shelf.reading() as connection:
            found, counts = beginning(connection, words, kind, most=_MOST, counted=_MOST_COUNTED)
    except InputFault as fault:
        return Hits((), "", fault=fault_and_remedy(fault))
    # the last kind was not counted to its end where there are so many
    last = next(reversed(counts), "") if sum(counts.values()) >= _MOST_COUNTED else ""
    more = (counts.get(kind, 0) if kind else sum(counts.values())) - _MOST
    joint = " or more" if last and kind in ("", last) else " more"
    held = {
        word: records_of(shelf, _RECORDS[word], [one.key for one in found if one.kind == word])
        for word in {one.kind for one in found} & set(_RECORDS)
    }
    shown = (_hit(held, one) for one in found)
    return Hits(
        tuple(hit for hit in shown if hit),
        count(more) + joint if more > 0 else "",
        tuple((word, count(number) + (" or more" if word == last else "")) for word, number in counts.items()),
    )


def _hit(held: Mapping[str, Mapping[str, Record]], found: Found) -> Hit | None:
    """A thing found; None for one taken out since."""
    if found.kind == "trial":
        return Hit(f"Trial {found.key}", found.text.replace(" | ", ", "), trial_link(found.key))
    record = held.get(found.kind, {}).get(found.key)
    return _TELLERS[found.kind](record) if record is not None else None


def _joined(*parts: str) -> str:
    return ", ".join(part for part in parts if part)


def _unit(unit: Unit) -> Hit:
    about = _joined(unit.kind, unit.maker, unit.state, unit.acquired, unit.origin, unit.date_codes)
    return Hit(f"Unit {unit.inventory} {unit.title}".rstrip(), about, unit_link(unit.inventory))


def _mechanism(mechanism: Mechanism) -> Hit:
    return Hit(f"Mechanism {mechanism.mechanism}", mechanism.note, mechanism_link(mechanism.mechanism))


def _disk(disk: Disk) -> Hit:
    about = _joined("irreplaceable" if disk.irreplaceable else "", disk.note)
    return Hit(f"Disk {disk.inventory} {disk.title}".rstrip(), about, disk_link(disk.inventory))


def _event(event: Event) -> Hit:
    return Hit(f"Event of {event.unit}, {event.when or 'date not known'}", event.what, unit_link(event.unit))


def _note(note: Note) -> Hit:
    if note.unit is not None:
        return Hit(f"Note on {note.unit}", note.text, unit_link(note.unit))
    if note.disk is not None:
        return Hit(f"Note on {note.disk}", note.text, disk_link(note.disk))
    return Hit("Note on the shelf", note.text, "/")


def _capture(record: CaptureRecord) -> Hit:
    about = _joined(f"disk {record.disk}" if record.disk else "", record.mechanism or "", record.taken, record.note)
    return Hit(f"Recording {record.name}", about, capture_link(record.sha256))


def _part(part: Part) -> Hit:
    about = _joined(part.board, part.marking, part.date_code, part.note)
    return Hit(f"Part of {part.unit}: {part.name}", about, unit_link(part.unit))


def _firmware(seen: Firmware) -> Hit:
    about = _joined(seen.place, seen.seen_how, seen.note)
    return Hit(f"Firmware of {seen.unit}: {seen.version}", about, unit_link(seen.unit))


def _of(record: OfUnitOrDisk) -> str:
    return unit_link(record.unit) if record.unit else disk_link(record.disk or "")


def _loan(loan: Loan) -> Hit:
    way = "to" if loan.direction == "out" else "from"
    return Hit(f"Loan of {loan.unit or loan.disk} {way} {loan.party}", _joined(loan.since, loan.purpose), _of(loan))


def _photo(photo: Photo) -> Hit:
    return Hit(f"Photo of {photo.unit or photo.disk}", _joined(photo.caption or photo.name, photo.taken), _of(photo))


def _view(view: View) -> Hit:
    return Hit(f"Saved view {view.view}", _joined(view.words, view.chosen, view.note), view_link(view))


_KINDS = (Unit, Mechanism, Disk, Event, Note, CaptureRecord, Part, Firmware, Loan, Photo, View)
_RECORDS: dict[str, type[Record]] = {kind.WORD: kind for kind in _KINDS}
_TELLERS: dict[str, Callable[[Any], Hit]] = {
    "unit": _unit, "mechanism": _mechanism, "disk": _disk, "event": _event, "note": _note, "capture": _capture,
    "part": _part, "firmware": _firmware, "loan": _loan, "photo": _photo, "view": _view,
}  # fmt: skip
