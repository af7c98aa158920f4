"""What a search found, each thing in a line of its own kind."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from indexhole.model.trial import Trial
from indexhole.shelf.records import CaptureRecord, Disk, Event, Mechanism, Note, Record, Unit
from indexhole.shelf.register import Shelf
from indexhole.web.links import capture_link, disk_link, mechanism_link, trial_link, unit_link

_MOST = 100


@dataclass(frozen=True)
class Hit:
    """One thing a search found."""

    words: str
    text: str
    link: str


@dataclass(frozen=True)
class Hits:
    """What a search found, the first hundred, and how many more there are."""

    shown: tuple[Hit, ...]
    more: int


def search_hits(shelf: Shelf, words: str) -> Hits:
    """What holds every word. Words must hold something besides spaces."""
    found = shelf.search(words)
    held: dict[str, dict[str, Any]] = {}
    for kind in {one.kind for one in found[:_MOST]}:
        if kind == "trial":
            held[kind] = {trial.trial: trial for trial in shelf.trials()}
        else:
            held[kind] = {record.key: record for record in shelf.all(_RECORDS[kind])}
    shown = (_TELLERS[one.kind](held[one.kind][one.key]) for one in found[:_MOST])
    return Hits(tuple(shown), max(0, len(found) - _MOST))


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


def _trial(trial: Trial) -> Hit:
    outcome = f"{trial.sectors_failed} of {trial.sectors_tried} sectors failed"
    about = f"{trial.when}: {trial.operation} of {trial.disk}, side {trial.side}, in {trial.mechanism}, {outcome}"
    return Hit(f"Trial {trial.trial}", _joined(about, trial.note), trial_link(trial.trial))


_RECORDS: dict[str, type[Record]] = {kind.WORD: kind for kind in (Unit, Mechanism, Disk, Event, Note, CaptureRecord)}
_TELLERS: dict[str, Callable[[Any], Hit]] = {
    "unit": _unit, "mechanism": _mechanism, "disk": _disk, "event": _event, "note": _note, "capture": _capture,
    "trial": _trial,
}  # fmt: skip
