"""The API by hand: what it keeps is what the shelf keeps, and what it refuses it refuses in full sentences."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path
from typing import Any

import httpx
import numpy as np
import pytest
from tests.support.visiting import sent

from indexhole.jobs.faults.causes import diagnose, shelf_bench
from indexhole.model.simulator.simulate import Reader, format_track, read_track
from indexhole.shelf.care.captures import store_capture
from indexhole.shelf.records.records import Disk, Mechanism, Unit, checked
from indexhole.shelf.register.shelf import Shelf
from indexhole.signal.formats.readers import read_capture
from indexhole.signal.formats.write_vcd import vcd_bytes
from indexhole.signal.simulated import capture_of
from indexhole.standards.layouts import load_layouts
from indexhole.web.app import create_app


class Program:
    """A program of the keeper's own: it says nothing of where it comes from."""

    def __init__(self, shelf: Shelf) -> None:
        self.app = create_app(shelf)

    def __call__(self, method: str, address: str, **how: Any) -> httpx.Response:
        return sent(self.app, method, address, **how)

    def until_ready(self, address: str) -> Any:
        """The answer once it is worked out."""
        for _ in range(200):
            answer = self("GET", address)
            if answer.status_code != 202:
                assert answer.status_code == 200, answer.text
                return answer.json()
            assert answer.json()["ready"] is False
        raise AssertionError("it never became ready")


@pytest.fixture
def shelf(tmp_path: Path) -> Shelf:
    return Shelf.open(tmp_path / "shelf", create=True)


@pytest.fixture
def program(shelf: Shelf) -> Program:
    return Program(shelf)


def told(answer: httpx.Response) -> str:
    """The fault in one line."""
    fault = answer.json()["fault"]
    return f"{answer.status_code} {fault['where']}: {fault['what']}; {fault['remedy']}"


def row(trial: str, failed: int = 0, **more: Any) -> dict[str, Any]:
    return {
        "trial": trial, "when": "2026-03-01", "operation": "read", "mechanism": "D1.0", "disk": "K1", "side": 0,
        "first_cylinder": 0, "last_cylinder": 39, "sectors_tried": 360, "sectors_failed": failed, **more,
    }  # fmt: skip


def test_what_is_added_and_changed_stands_on_the_shelf(program: Program, shelf: Shelf) -> None:
    sent = {"inventory": "D1/2 ü", "kind": "drive unit", "title": "Twin unit"}
    added = program("POST", "/api/unit", json=sent)
    assert added.status_code == 201
    assert shelf.get(Unit, "D1/2 ü") == Unit.model_validate(added.json())
    changed = program("PATCH", "/api/unit", params={"key": "D1/2 ü"}, json={"state": "seized"})
    assert changed.status_code == 200
    kept = shelf.get(Unit, "D1/2 ü")
    assert (kept.title, kept.state) == ("Twin unit", "seized")
    assert program("GET", "/api/unit", params={"key": "D1/2 ü"}).json() == changed.json()
    assert program("POST", "/api/mechanism", json={"mechanism": "D1/2 ü.0"}).status_code == 201
    assert program("POST", "/api/event", json={"unit": "D1/2 ü", "when": "about 1987", "what": "given"}).json()["event"]
    assert program("POST", "/api/note", json={"unit": "D1/2 ü", "text": "smells"}).json()["note"]
    assert program("POST", "/api/disk", json={"inventory": "K1", "importance": "irreplaceable"}).status_code == 201
    assert shelf.get(Disk, "K1").irreplaceable
    latest = program("GET", "/api/changes").json()["items"][0]
    assert program("POST", "/api/undo", json={"change": latest["change"]}).json() == latest
    assert shelf.find(Disk, "K1") is None
    assert "422" in told(program("POST", "/api/undo", json={"change": latest["change"]}))


def test_lists_come_in_stretches(program: Program, shelf: Shelf) -> None:
    for k in range(7):
        shelf.add(checked(Disk, inventory=f"K{k}"))
    some = program("GET", "/api/disks?first=5&most=4").json()
    assert (some["total"], some["first"]) == (7, 5)
    assert [disk["inventory"] for disk in some["items"]] == ["K5", "K6"]
    assert program("GET", "/api/disks?first=900").json()["items"] == []
    assert program("GET", "/api/disks?most=5000").status_code == 422


@pytest.mark.parametrize(
    ("method", "address", "body", "wanted"),
    [
        ("POST", "/api/unit", {"inventory": "D1", "kind": "boat"}, "422 body.kind: "),
        ("POST", "/api/unit", {"kind": "host"}, "422 body.inventory: Field required"),
        ("POST", "/api/unit", {"inventory": "D1", "kind": "host", "colour": "x"}, "422 body.colour: "),
        ("POST", "/api/unit", {"inventory": "D1", "kind": "host", "disk_class": "zz"}, "is no disk class; known are"),
        ("POST", "/api/mechanism", {"mechanism": "D7.0"}, "422 : there is no unit D7 on the shelf"),
        ("POST", "/api/note", {"unit": "D1", "disk": "K1", "text": "x"}, "not on both; leave one out"),
        ("PATCH", "/api/unit?key=D1", {"inventory": "D2"}, "422 body.inventory: "),
        ("PATCH", "/api/unit?key=D9", {"title": "x"}, "404 : there is no unit D9 on the shelf"),
        ("GET", "/api/unit?key=D9", None, "404 : there is no unit D9 on the shelf"),
        ("GET", "/api/unit", None, "422 query.key: Field required"),
        ("GET", "/api/causes", None, "no trials to weigh; add some with /api/trials"),
        ("GET", "/api/recover?capture=abcdef", None, "404 : there is no capture abcdef on the shelf"),
        ("GET", "/api/nowhere", None, "404 : there is no page at this address"),
        ("DELETE", "/api/unit?key=D1", {}, "405 : this address cannot be used that way"),
        ("POST", "/api/trials", [], "422 body: "),
        ("POST", "/api/trials", [row("T1", 400)], "sectors"),
        ("POST", "/api/trials", [row("T1", when="yesterday")], "422 trial 'T1' when: 'yesterday' is not a date"),
        ("POST", "/api/trials", [row("T1", mechanism="D1")], "422 trial 'T1' mechanism: 'D1' is not UNIT.NUMBER"),
    ],
)  # fmt: skip
def test_what_does_not_fit_is_told(
    program: Program, shelf: Shelf, method: str, address: str, body: Any, wanted: str
) -> None:
    shelf.add(checked(Unit, inventory="D1", kind="drive unit"))
    shelf.add(checked(Disk, inventory="K1"))
    before = shelf.changes()
    answer = program(method, address, json=body) if body is not None else program(method, address)
    assert wanted in told(answer)
    assert shelf.changes() == before


@pytest.mark.parametrize(
    "body", [b"", b"{", b"\xff\xfe", b"[" * 5000, b"null", b'"x"', b'{"inventory": "\\ud800", "kind": "host"}']
)
def test_what_is_no_json_or_no_entry_is_told(program: Program, shelf: Shelf, body: bytes) -> None:
    answer = program("POST", "/api/unit", content=body, headers={"Content-Type": "application/json"})
    assert told(answer).startswith(("422", "400", "403"))
    assert shelf.changes() == []


def test_trials_are_added_all_or_none_and_weighed(program: Program, shelf: Shelf) -> None:
    rows = [row(f"T{n}", mechanism=f"D{1 + n % 2}.0", side=n // 2 % 2) for n in range(8)]
    entered = program("POST", "/api/trials", json=rows)
    assert entered.status_code == 201
    assert entered.json()["units"] == ["D1", "D2"]
    assert [t.trial for t in shelf.trials()] == [f"T{n}" for n in range(8)]
    assert program("GET", "/api/trials?first=3&most=1").json()["items"][0]["trial"] == "T3"
    assert "on the shelf already" in told(program("POST", "/api/trials", json=[row("T9"), row("T3")]))
    assert len(shelf.trials()) == 8
    assert program("POST", "/api/trials?who=Ada", json=[row("T9")]).status_code == 201
    items = program("GET", "/api/trials?first=7").json()["items"]
    assert [item["logged_by"] for item in items] == ["", "Ada"]
    assert all(datetime.fromisoformat(item["logged_utc"]).tzinfo for item in items)
    assert "who" in told(program("POST", f"/api/trials?who={'A' * 201}", json=[row("T10")]))
    weighed = program.until_ready("/api/causes")
    assert weighed == diagnose(shelf_bench(shelf)).to_json_dict()


def test_a_search_finds_what_the_shelf_finds(program: Program, shelf: Shelf) -> None:
    shelf.add(checked(Unit, inventory="D1", kind="drive unit", origin="the harbour office"))
    found = program("GET", "/api/search?words=HARBOUR").json()
    assert [(one["kind"], one["key"]) for one in found["items"]] == [("unit", "D1")]
    assert program("GET", "/api/search?words=quay").json()["total"] == 0


def test_captures_are_read_and_gauged(program: Program, shelf: Shelf, tmp_path: Path) -> None:
    layout = load_layouts()["130-48-mfm-9x512"]
    rng = np.random.default_rng(4)
    data = {number: rng.bytes(512) for number in range(1, 10)}
    read = read_track(format_track(layout, 3, 0, data, rng), rng, Reader(), revolutions=3)
    path = tmp_path / "t.vcd"
    path.write_bytes(vcd_bytes(capture_of(read, "t")))
    shelf.add(checked(Unit, inventory="D1", kind="drive unit"))
    shelf.add(checked(Mechanism, unit="D1", number=0))
    key = store_capture(shelf, path, read_capture(path), mechanism="D1.0").record.sha256
    assert program("GET", "/api/captures").json()["items"][0]["sha256"] == key
    report = program.until_ready(f"/api/recover?capture={key[:8]}")
    assert [s["state"] for s in report["tracks"][0]["sectors"]] == ["sound"] * 9
    gauged = program.until_ready(f"/api/gauge?capture={key}")["mechanisms"]
    assert [one["mechanism"] for one in gauged] == ["D1.0"]
    assert {"spindle_speed", "timing_margin"} <= {gauge["name"] for gauge in gauged[0]["gauges"]}
    changed = program("PATCH", f"/api/capture?key={key}", json={"cylinder": 3, "head": 0, "taken": "2026-03-01"})
    assert (changed.json()["cylinder"], changed.json()["taken"]) == (3, "2026-03-01")


def test_the_description_names_every_address_and_comes_from_here(program: Program) -> None:
    told = program("GET", "/api/openapi.json")
    description = told.json()
    assert description["openapi"].startswith("3.")
    assert all(path.startswith("/api/") for path in description["paths"])
    page = program("GET", "/api").text
    for path, ways in description["paths"].items():
        assert f"<code>{path}</code>" in page
        for way in ways.values():
            assert way["summary"]
            assert way["responses"]["422"]["content"]["application/json"]["schema"] == {
                "$ref": "#/components/schemas/Fault"
            }
            assert way["summary"] in page.replace("&#39;", "'")
    assert "/api/sign-in" not in description["paths"]
    assert "://" not in page


def test_every_way_is_named_where_an_address_is_used_wrongly(program: Program) -> None:
    assert (
        program("DELETE", "/api/unit", headers={"Content-Type": "application/json"}).headers["allow"]
        == "GET, PATCH, POST"
    )


def test_the_line_of_time_and_units_side_by_side_come_as_data(shelf: Shelf, program: Program) -> None:
    for key, made in (("D1", "about 1985"), ("D2", ""), ("D3", "1983")):
        shelf.add(checked(Unit, inventory=key, kind="drive unit", made=made, weight_kg=2))
    line = program("GET", "/api/timeline?first=1").json()
    assert (line["total"], [(one["key"], one["earliest"]) for one in line["items"]]) == (2, [("D1", "1983-01-01")])
    beside = program("GET", "/api/compare?unit=D3&unit=D1").json()
    assert (beside["units"], beside["rows"]["made"]) == (["D3", "D1"], ["1983", "about 1985"])
    assert told(program("GET", "/api/compare?unit=D3&unit=D9")).startswith("422 : there is no unit D9 on the shelf")
