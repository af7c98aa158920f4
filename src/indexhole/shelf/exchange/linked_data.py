"""The register as linked data: JSON-LD 1.1 with Dublin Core terms, and terms of our own for what those have none for.

Source of the terms: DCMI Metadata Terms, 2020-01-20 (from memory). Half remembered dates stay as they are written.
"""

from __future__ import annotations

from dataclasses import asdict
from typing import Any
from urllib.parse import quote

from indexhole.shelf.records.additions import Firmware, Loan, Part, Photo
from indexhole.shelf.records.records import CaptureRecord, Disk, Event, Mechanism, Note, Record, Unit
from indexhole.shelf.register.shelf import Shelf
from indexhole.shelf.register.trials import LoggedTrial

CONTEXT = {
    "dcterms": "http://purl.org/dc/terms/",
    "dcmitype": "http://purl.org/dc/dcmitype/",
    "indexhole": "urn:indexhole:term:",
}
_TYPES: dict[str, str] = {
    "unit": "PhysicalObject", "mechanism": "PhysicalObject", "disk": "PhysicalObject", "part": "PhysicalObject",
    "capture": "Dataset", "photo": "StillImage", "event": "Event", "loan": "Event", "trial": "Event",
    "note": "Text", "firmware": "Software",
}  # fmt: skip
# field -> Dublin Core term, by kind; any other field has a term of our own, named as the field
_TERMS: dict[str, dict[str, str]] = {
    "unit": {
        "inventory": "identifier", "title": "title", "description": "description", "maker": "creator",
        "made": "created", "acquired": "accrualMethod", "acquired_when": "dateAccepted", "origin": "provenance",
        "kind": "type",
    },
    "mechanism": {"mechanism": "identifier", "note": "description", "unit": "isPartOf"},
    "disk": {
        "inventory": "identifier", "title": "title", "note": "description", "recorded_when": "created",
        "recorded_by": "creator", "acquired": "accrualMethod", "acquired_when": "dateAccepted",
        "origin": "provenance",
    },
    "part": {"part": "identifier", "name": "title", "note": "description", "unit": "isPartOf"},
    "firmware": {"firmware": "identifier", "version": "hasVersion", "note": "description", "unit": "isPartOf"},
    "capture": {
        "sha256": "identifier", "name": "title", "note": "description", "taken": "created", "disk": "source",
        "added_utc": "dateSubmitted",
    },
    "photo": {
        "photo": "identifier", "name": "title", "caption": "description", "taken": "created", "media_type": "format",
        "unit": "subject", "disk": "subject", "added_utc": "dateSubmitted",
    },
    "event": {"event": "identifier", "unit": "subject", "when": "date", "what": "description", "source": "source"},
    "note": {
        "note": "identifier", "unit": "subject", "disk": "subject", "text": "description", "added_utc": "dateSubmitted",
    },
    "loan": {"loan": "identifier", "unit": "subject", "disk": "subject", "since": "date", "purpose": "description"},
    "trial": {
        "trial": "identifier", "when": "date", "note": "description", "disk": "subject",
        "logged_by": "contributor", "logged_utc": "dateSubmitted",
    },
}  # fmt: skip
# field -> the kind of entry it names
_NAMES: dict[str, str] = {
    "unit": "unit", "disk": "disk", "mechanism": "mechanism", "writer": "mechanism", "recorded_by": "mechanism",
    "host": "unit", "lead": "unit",
}  # fmt: skip
_LINKED: tuple[type[Record], ...] = (
    Unit, Mechanism, Disk, Part, Firmware, CaptureRecord, Photo, Event, Note, Loan,
)  # fmt: skip


def json_ld(shelf: Shelf) -> dict[str, Any]:
    """Everything on the shelf as one JSON-LD document; what says nothing is left out."""
    graph = [
        _node(kind.WORD, record.key, record.model_dump(mode="json")) for kind in _LINKED for record in shelf.all(kind)
    ]
    graph += [_trial(trial) for trial in shelf.trial_log()]
    return {"@context": CONTEXT, "@graph": graph}


def address(word: str, key: str) -> str:
    """The name of an entry for linked data, such as urn:indexhole:unit:D1."""
    return f"urn:indexhole:{word}:{quote(key, safe='')}"


def _trial(trial: LoggedTrial) -> dict[str, Any]:
    logged = trial.logged_utc.isoformat() if trial.logged_utc else None
    return _node("trial", trial.trial, {**asdict(trial), "logged_utc": logged})


def _node(word: str, key: str, values: dict[str, Any]) -> dict[str, Any]:
    node: dict[str, Any] = {"@id": address(word, key), "@type": f"dcmitype:{_TYPES[word]}"}
    terms = _TERMS[word]
    for name, value in values.items():
        if value is None or value == "":
            continue
        term = f"dcterms:{terms[name]}" if name in terms else f"indexhole:{name}"
        named = _NAMES.get(name) if terms.get(name) != "identifier" else None
        told = {"@id": address(named, str(value))} if named else value
        node[term] = _joined(node.get(term), told)
    if word == "unit" and values.get("weight_kg"):
        node["dcterms:extent"] = f"{values['weight_kg']:g} kg"
    return node


def _joined(held: Any, told: Any) -> Any:
    if held is None:
        return told
    return [*held, told] if isinstance(held, list) else [held, told]
