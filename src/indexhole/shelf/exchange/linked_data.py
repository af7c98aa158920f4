"""The register as linked data: JSON-LD 1.1 with Dublin Core terms, and terms of our own for what those have none for.

Source of the terms: DCMI Metadata Terms, 2020-01-20 (from memory). Half remembered dates stay as they are written.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict
from typing import Any
from urllib.parse import quote

from indexhole.shelf.records.entry import Record
from indexhole.shelf.records.records import Unit
from indexhole.shelf.records.shown import fields_of, naming
from indexhole.shelf.register.shelf import Shelf
from indexhole.shelf.register.tables import TABLES
from indexhole.shelf.register.trials import LoggedTrial

CONTEXT = {
    "dcterms": "http://purl.org/dc/terms/",
    "dcmitype": "http://purl.org/dc/dcmitype/",
    "indexhole": "urn:indexhole:term:",
}
# of a trial, which is no record: field -> Dublin Core term, and field -> the kind of entry that it names
_TRIAL_TERMS = {
    "trial": "identifier", "when": "date", "note": "description", "disk": "subject",
    "logged_by": "contributor", "logged_utc": "dateSubmitted",
}  # fmt: skip
_TRIAL_NAMES = {"disk": "disk", "mechanism": "mechanism", "host": "unit", "lead": "unit"}


def json_ld(shelf: Shelf) -> dict[str, Any]:
    """Everything on the shelf as one JSON-LD document; what says nothing is left out."""
    graph = [_entry(record) for kind in TABLES if kind.LINKED for record in shelf.all(kind)]
    graph += [_trial(trial) for trial in shelf.trial_log()]
    return {"@context": CONTEXT, "@graph": graph}


def address(word: str, key: str) -> str:
    """The name of an entry for linked data, such as urn:indexhole:unit:D1."""
    return f"urn:indexhole:{word}:{quote(key, safe='')}"


def _entry(record: Record) -> dict[str, Any]:
    terms = {field.name: field.shown.term for field in fields_of(type(record)) if field.shown.term}
    names = {field.name: field.shown.names for field in naming(type(record))}
    node = _node(record.WORD, record.key, record.LINKED)
    _say(node, record.model_dump(mode="json"), terms, names)
    if isinstance(record, Unit) and record.weight_kg:
        node["dcterms:extent"] = f"{record.weight_kg:g} kg"
    return node


def _trial(trial: LoggedTrial) -> dict[str, Any]:
    logged = trial.logged_utc.isoformat() if trial.logged_utc else None
    node = _node("trial", trial.trial, "Event")
    _say(node, {**asdict(trial), "logged_utc": logged}, _TRIAL_TERMS, _TRIAL_NAMES)
    return node


def _node(word: str, key: str, linked: str) -> dict[str, Any]:
    return {"@id": address(word, key), "@type": f"dcmitype:{linked}"}


def _say(node: dict[str, Any], values: dict[str, Any], terms: Mapping[str, str], names: Mapping[str, str]) -> None:
    """Put what values say into a node; a field without a term of Dublin Core has one of our own, named as itself."""
    for name, value in values.items():
        if value is None or value == "":
            continue
        term = f"dcterms:{terms[name]}" if name in terms else f"indexhole:{name}"
        said = {"@id": address(names[name], str(value))} if name in names else value
        node[term] = _joined(node.get(term), said)


def _joined(held: Any, said: Any) -> Any:
    if held is None:
        return said
    return [*held, said] if isinstance(held, list) else [held, said]
