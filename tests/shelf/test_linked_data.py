"""JSON-LD: every term from a vocabulary the context names, every reference to an entry in the same document."""

from __future__ import annotations

import json
from datetime import datetime
from pathlib import Path

import pytest

from indexhole.jobs.demo.things import demo_records
from indexhole.model.trials.trial import Trial
from indexhole.shelf.exchange.linked_data import CONTEXT, address, json_ld
from indexhole.shelf.records.additions import Loan, Part
from indexhole.shelf.records.records import CaptureRecord, checked
from indexhole.shelf.register.shelf import Shelf

# DCMI Metadata Terms, 2020-01-20: the properties used here and the types of the DCMI Type Vocabulary (from memory)
PROPERTIES = {
    "identifier", "title", "description", "creator", "contributor", "created", "accrualMethod", "dateAccepted",
    "provenance", "type", "isPartOf", "hasVersion", "source", "dateSubmitted", "format", "subject", "date", "extent",
}  # fmt: skip
TYPES = {
    "Collection", "Dataset", "Event", "Image", "InteractiveResource", "MovingImage", "PhysicalObject", "Service",
    "Software", "Sound", "StillImage", "Text",
}  # fmt: skip


@pytest.fixture
def shelf(tmp_path: Path) -> Shelf:
    held = Shelf.open(tmp_path / "shelf", create=True)
    for record in demo_records():
        held.add(record)
    held.add(checked(Part, unit="D1", name="controller", date_code="8442"))
    held.add(checked(Loan, disk="K7", party="school", since="2025"))
    held.signed("Ada").add_trials([Trial("T 1/é", "2026-03-01", "read", "H1", "", "D1.0", "K1", 0, 0, 12, 117, 3, "")])
    capture = {"sha256": "a" * 64, "name": "a.vcd", "size_bytes": 1, "parquet": "captures/a"}
    held.add(checked(CaptureRecord, **capture, disk="K1", mechanism="D1.0", writer="D2.0"))
    return held


def test_every_term_and_type_is_one_of_its_vocabulary(shelf):
    for node in json_ld(shelf)["@graph"]:
        for term in set(node) - {"@id", "@type"}:
            prefix, _, name = term.partition(":")
            assert prefix in CONTEXT
            assert prefix != "dcterms" or name in PROPERTIES
        assert node["@type"].removeprefix("dcmitype:") in TYPES


def test_every_entry_stands_there_once_and_every_reference_leads_to_one(shelf):
    graph = json_ld(shelf)["@graph"]
    names = [node["@id"] for node in graph]
    assert len(names) == len(set(names)) == len(demo_records()) + 4
    referred = {
        value["@id"] for node in graph for held in node.values()
        for value in (held if isinstance(held, list) else [held]) if isinstance(value, dict)
    }  # fmt: skip
    assert len(referred) > 10
    assert referred <= set(names)


def test_a_unit_says_what_the_register_says(shelf):
    (node,) = [node for node in json_ld(shelf)["@graph"] if node["@id"] == "urn:indexhole:unit:D1"]
    assert node["dcterms:identifier"] == "D1"
    assert node["dcterms:creator"] == "Ostrel Werke"
    assert node["dcterms:created"] == "1984"
    assert node["dcterms:extent"] == "9.4 kg"
    assert node["indexhole:disk_class"] == "130-48"
    assert "indexhole:controller" not in node


def test_names_with_spaces_and_slashes_stay_one_name(shelf):
    assert address("trial", "T 1/é") == "urn:indexhole:trial:T%201%2F%C3%A9"
    document = json.loads(json.dumps(json_ld(shelf), allow_nan=False))
    (trial,) = [node for node in document["@graph"] if node["@id"] == address("trial", "T 1/é")]
    assert trial["indexhole:mechanism"] == {"@id": "urn:indexhole:mechanism:D1.0"}
    assert trial["indexhole:sectors_failed"] == 3
    assert trial["dcterms:contributor"] == "Ada"
    assert datetime.fromisoformat(trial["dcterms:dateSubmitted"]).tzinfo is not None
