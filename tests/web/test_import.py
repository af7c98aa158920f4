"""A spreadsheet sent to the page: shown first cell by cell, put in as one change, refused where it is hostile."""

from __future__ import annotations

import io
import re
import threading
import zipfile
from pathlib import Path
from typing import Any

import httpx
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from openpyxl import Workbook, load_workbook
from tests.support.visiting import FROM_HERE, sent
from tests.web.test_bench import as_sent
from tests.web.test_pages import Visitor, looked_over

from indexhole.shelf.exchange import exchange
from indexhole.shelf.records.additions import Part
from indexhole.shelf.records.records import Disk, Mechanism, Unit, checked
from indexhole.shelf.register.shelf import Shelf
from indexhole.shelf.sheets.spreadsheet import csv_bytes, xlsx_bytes
from indexhole.web.access.visit import VISIT, Visit
from indexhole.web.app import create_app
from indexhole.web.pages.spreadsheets import held as import_held
from indexhole.web.pages.spreadsheets import import_pages, import_routes
from indexhole.web.pages.spreadsheets.held import LONGEST_S, MOST_HELD, Sheets
from indexhole.web.serving.guard import AccessPolicy

UNITS = b"inventory,kind,title,weight_kg\nD1,drive unit,Twin unit,4.2\nH1,host,Bench host,\nL1,lead,,0.2\n"
FAULTY = b"inventory,kind,title,weight_kg\nD1,drive unit,Twin unit,heavy\nH1,toaster,Bench host,\nL1,lead,,0.2\n"


@pytest.fixture
def visitor(tmp_path: Path) -> Visitor:
    shelf = Shelf.open(tmp_path / "shelf", create=True)
    shelf.add(checked(Unit, inventory="D1", kind="drive unit", title="Box", weight_kg=4.2, maker="Ostrel Werke"))
    return Visitor(shelf)


def send(visitor: Visitor, content: bytes, name: str = "units.csv", kind: str = "unit") -> httpx.Response:
    return visitor.post("/import", {"kind": kind}, {"file": (name, content)})


def preview(visitor: Visitor, content: bytes, name: str = "units.csv", kind: str = "unit") -> tuple[str, str]:
    """The address of a sheet that was taken, and the page that shows what it would do."""
    answer = send(visitor, content, name, kind)
    assert answer.status_code == 303, answer.text
    address = answer.headers["location"]
    page = visitor.get(address)
    assert page.status_code == 200, page.text
    looked_over(page.text)
    return address, page.text


def settled(visitor: Visitor, address: str) -> httpx.Response:
    """The page of a sheet once nothing is being worked out any more."""
    for _ in range(100):
        page = visitor.get(address)
        if "data-again" not in page.text:
            return page
    raise AssertionError("never ready")


def cells(page: str) -> list[list[str]]:
    return [
        [re.sub("<[^>]*>", "", cell) for cell in re.findall(r"<t[hd][^>]*>(.*?)</t[hd]>", row)]
        for row in re.findall(r"<tr>(.*?)</tr>", page)
    ][1:]


def test_what_a_sheet_would_do_is_shown_and_then_done_as_one_change(visitor: Visitor) -> None:
    before = visitor.shelf.changes()
    address, page = preview(visitor, UNITS)
    assert "2 units would be added, 1 changed and 0 left as they are." in page
    assert cells(page) == [["2", "D1", "title", "Box", "Twin unit"]]
    added = visitor.get(f"{address}&part=added").text
    looked_over(added)
    assert cells(added) == [
        ["3", "H1", "kind: host; title: Bench host"], ["4", "L1", "kind: lead; weight_kg: 0.2"],
    ]  # fmt: skip
    assert visitor.shelf.changes() == before
    done = visitor.after(visitor.post(address, as_sent(page, by="Ada", why="inventory day")))
    looked_over(done.text)
    assert "2 units added, 1 changed and 0 left as they are." in done.text
    assert (visitor.shelf.get(Unit, "D1").title, visitor.shelf.get(Unit, "D1").maker) == ("Twin unit", "Ostrel Werke")
    (change, *rest) = visitor.shelf.changes()
    assert (change.what, change.who, change.why) == ("import 3 units from units.csv", "Ada", "inventory day")
    assert rest == before
    # sent twice it is done once
    again = visitor.after(visitor.post(address, as_sent(page)))
    assert "2 units added" in again.text
    assert visitor.shelf.changes() == [change, *before]
    taken_back = visitor.after(visitor.post("/undo", {"change": as_sent(done.text)["change"]}))
    assert "Taken back: import 3 units" in taken_back.text
    assert [unit.title for unit in visitor.shelf.all(Unit)] == ["Box"]
    assert "taken back since" in visitor.get(address).text


def test_the_way_back_is_told_when_other_changes_came_after(visitor: Visitor) -> None:
    address, page = preview(visitor, UNITS)
    visitor.after(visitor.post(address, as_sent(page)))
    visitor.shelf.update(Unit, "H1", state="dusty")
    page = visitor.get(address).text
    looked_over(page)
    assert "Other changes came after it" in page
    assert "/undo" not in page


def test_every_faulty_cell_is_shown_and_nothing_can_be_put_in(visitor: Visitor) -> None:
    before = visitor.shelf.changes()
    address, page = preview(visitor, FAULTY)
    assert "2 faulty cells" in page
    assert [row[:2] for row in cells(page)] == [["D2", "weight_kg"], ["B3", "kind"]]
    assert "Put it in</button>" not in page
    assert "Choose it again" in page
    # nor by a form made by hand
    forced = visitor.post(address, {"looked": "1"})
    assert forced.status_code == 303
    refused = settled(visitor, address)
    assert refused.status_code == 409
    assert "D2 (weight_kg)" in refused.text
    assert visitor.shelf.changes() == before


def test_a_sheet_that_says_nothing_new_is_told(visitor: Visitor) -> None:
    rows = exchange.sheet_rows(visitor.shelf, Unit)
    for name, content in (("a.csv", csv_bytes(rows)), ("a.xlsx", xlsx_bytes(rows, title="unit"))):
        _, page = preview(visitor, content, name)
        assert "0 units would be added, 0 changed and 1 left as they are." in page
        assert "nothing to put in" in page


def test_what_changed_in_between_is_told_and_shown_anew(visitor: Visitor) -> None:
    address, page = preview(visitor, UNITS)
    visitor.shelf.signed("Ben").update(Unit, "D1", title="Chest")
    assert visitor.post(address, as_sent(page, by="Ada")).status_code == 303
    refused = settled(visitor, address)
    assert refused.status_code == 409
    looked_over(refused.text)
    assert "Unit D1 was changed since you read it: title (&#39;Box&#39; became &#39;Chest&#39;, by Ben)" in refused.text
    assert cells(refused.text) == [["2", "D1", "title", "Chest", "Twin unit"]]
    assert [unit.inventory for unit in visitor.shelf.all(Unit)] == ["D1"]
    # what was seen before is not what would be put in now
    old = visitor.post(address, as_sent(page, by="Ada"))
    assert old.status_code == 422
    assert "looked through anew since" in old.text
    assert as_sent(old.text)["by"] == "Ada"
    # and what is seen now is
    done = visitor.after(visitor.post(address, as_sent(refused.text)))
    assert "2 units added" in done.text
    assert visitor.shelf.get(Unit, "D1").title == "Twin unit"


@pytest.mark.parametrize(
    ("meddle", "told"),
    [
        (lambda shelf: shelf.add(checked(Unit, inventory="H1", kind="host")), "unit H1 is on the shelf already"),
        (lambda shelf: shelf.remove(Unit, "D1"), "there is no unit D1 on the shelf"),
        (lambda shelf: shelf.put_standing(Unit, "D1", "maker", "as told", "a clerk"), "how maker stands"),
    ],
)
def test_whatever_stands_in_the_way_by_now_is_told(visitor: Visitor, meddle: Any, told: str) -> None:
    address, page = preview(visitor, UNITS)
    meddle(visitor.shelf)
    held = visitor.shelf.all(Unit)
    visitor.post(address, as_sent(page))
    refused = settled(visitor, address)
    assert refused.status_code == 409
    assert told.lower() in refused.text.lower()
    assert visitor.shelf.all(Unit) == held


def test_a_change_elsewhere_does_not_stand_in_the_way(visitor: Visitor) -> None:
    address, page = preview(visitor, UNITS)
    visitor.shelf.add(checked(Disk, inventory="K1"))
    done = visitor.after(visitor.post(address, as_sent(page)))
    assert "2 units added" in done.text


def test_keys_the_register_gives_out_are_shown_by_their_row(visitor: Visitor) -> None:
    address, page = preview(visitor, b"unit,name,date_code\nD1,processor,8332\nD9,memory,\n", "p.csv", "part")
    assert "there is no unit D9 on the shelf" in page.replace("There", "there")
    address, page = preview(visitor, b"unit,name,date_code\nD1,processor,8332\n", "p.csv", "part")
    assert cells(page) == [["2", "gets a number", "unit: D1; name: processor; date_code: 8332"]]
    visitor.after(visitor.post(address, as_sent(page)))
    assert [part.part for part in visitor.shelf.all(Part)] == ["P1"]


def test_a_long_preview_comes_in_pages(visitor: Visitor) -> None:
    rows = "".join(f"L{k},lead,Lead {k}\n" for k in range(250))
    address, page = preview(visitor, f"inventory,kind,title\n{rows}".encode())
    assert "Page 1 of 3" in page
    assert len(cells(page)) == 100
    last = visitor.get(f"{address}&part=added&page=3").text
    assert len(cells(last)) == 50
    assert cells(last)[-1][:2] == ["251", "L249"]
    assert len(cells(visitor.get(f"{address}&part=nonsense&page=-7").text)) == 100


def test_long_work_shows_how_far_it_is(visitor: Visitor, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(import_routes, "PATIENCE_S", 0.0)
    go, plan_import, carry_out = threading.Event(), import_held.plan_import, import_held.carry_out

    def slowly(call: Any) -> Any:
        def slow(*args: Any, **named: Any) -> Any:
            (named.get("progress") or args[-1])(3, 7)
            assert go.wait(30)
            return call(*args, **named)

        return slow

    monkeypatch.setattr(import_held, "plan_import", slowly(plan_import))
    monkeypatch.setattr(import_held, "carry_out", slowly(carry_out))
    address = send(visitor, UNITS).headers["location"]
    progress = address.replace("/sheet?", "/progress?")

    def far() -> Any:
        for _ in range(1000):
            state = visitor.get(progress).json()
            if state["total"]:
                return state
        raise AssertionError("no progress was told")

    assert far() == {"done": 3, "total": 7, "ready": False}
    waiting = visitor.get(address).text
    looked_over(waiting)
    assert "3 of 7 rows" in waiting
    assert "nothing is changed yet" in waiting
    go.set()
    page = settled(visitor, address).text
    go.clear()
    assert visitor.post(address, as_sent(page)).status_code == 303
    assert far()["ready"] is False
    waiting = visitor.get(address).text
    looked_over(waiting)
    assert "3 of 7 entries" in waiting
    go.set()
    assert "2 units added" in settled(visitor, address).text
    assert visitor.get("/import/progress?held=nothing").json()["ready"] is True


def test_the_registers_own_sheets_can_be_taken_away(visitor: Visitor) -> None:
    page = visitor.get("/import?kind=disk").text
    looked_over(page)
    assert as_sent(page)["kind"] == "disk"
    for kind in import_pages.KINDS:
        for form in ("csv", "xlsx"):
            assert f'href="/export?kind={kind}&amp;form={form}"' in page
            answer = visitor.get(f"/export?kind={kind}&form={form}")
            assert answer.status_code == 200
            assert "attachment" in answer.headers["content-disposition"]
    told = visitor.get("/export?kind=unit&form=csv").text
    assert told.splitlines()[1].startswith("D1,drive unit,Box,Ostrel Werke")
    book = load_workbook(io.BytesIO(visitor.get("/export?kind=unit&form=xlsx").content))
    assert [cell.value for cell in book.active[2]][:3] == ["D1", "drive unit", "Box"]
    for address in ("/export?kind=capture&form=csv", "/export?kind=unit&form=../x", "/export?kind=trial&form=csv"):
        assert visitor.get(address).status_code == 404


# hostile sheets


def packed(members: dict[str, bytes]) -> bytes:
    held = io.BytesIO()
    with zipfile.ZipFile(held, "w", zipfile.ZIP_DEFLATED) as file:
        for name, content in members.items():
            file.writestr(name, content)
    return held.getvalue()


def workbook(rows: list[list[Any]]) -> bytes:
    book = Workbook()
    for row in rows:
        book.active.append(row)
    held = io.BytesIO()
    book.save(held)
    return held.getvalue()


def remade(content: bytes, name: str, change: Any) -> bytes:
    with zipfile.ZipFile(io.BytesIO(content)) as file:
        return packed({n: change(file.read(n)) if n == name else file.read(n) for n in file.namelist()})


SOUND = workbook([["inventory", "kind", "title"], ["H1", "host", "Bench host"]])
SHEET = "xl/worksheets/sheet1.xml"
LAUGHS = b'<!DOCTYPE x [<!ENTITY a "' + b"ha" * 5000 + b'">' + b"".join(
    b'<!ENTITY %c "%s">' % (98 + k, b"&%c;" % (97 + k) * 10) for k in range(6)
) + b"]>"  # fmt: skip
HOSTILE = {
    "a bomb": packed({SHEET: b"\0" * (65 << 20)}),
    "a bomb of text": remade(SOUND, SHEET, lambda xml: xml.replace(b"<sheetData>", b"<sheetData>" + b" " * (65 << 20))),
    "entities that grow": remade(SOUND, SHEET, lambda xml: LAUGHS + xml.replace(b"<sheetData>", b"<sheetData>&g;")),
    "a file read from this machine": remade(
        SOUND, SHEET, lambda xml: b'<!DOCTYPE x [<!ENTITY a SYSTEM "file:///etc/passwd">]>'
        + xml.replace(b"<sheetData>", b"<sheetData>&a;"),
    ),
    "a row a million rows down": remade(SOUND, SHEET, lambda xml: xml.replace(b'<row r="2"', b'<row r="1048576"')),
    "a row of a million cells": remade(
        SOUND, SHEET, lambda xml: xml.replace(b"<sheetData>", b"<sheetData><row>" + b"<c/>" * 1_000_000 + b"</row>")
    ),
    "rows by the million": remade(
        SOUND, SHEET, lambda xml: xml.replace(b"<sheetData>", b"<sheetData>" + b"<row/>" * 1_000_000)
    ),
    "formats by the million": remade(
        SOUND, "xl/styles.xml", lambda xml: xml.replace(b"</cellXfs>", b"<xf/>" * 1_000_000 + b"</cellXfs>")
    ),
    "texts by the million": packed({"xl/sharedStrings.xml": b"<sst xmlns='x'>" + b"<si/>" * 1_000_000 + b"</sst>"}),
    "a very wide row": workbook([["inventory"] * 300]),
    "a zip of something else": packed({"../../etc/passwd": b"x"}),
    "half a file": SOUND[: len(SOUND) // 2],
    "a zip's first bytes": b"PK",
    "bytes": bytes(range(256)),
    "UTF-16": "inventory,kind\nH1,host\n".encode("utf-16"),
    "a picture": b"\x89PNG\r\n\x1a\n" + b"\0" * 64,
    "nothing": b"",
    "a NUL": b"inventory,kind\n\0,host\n",
    "an open quotation mark": b'inventory,kind\n"H1,host\n',
    "a field there is not": b"inventory,colour\nH1,red\n",
    "no key": b"kind\nhost\n",
    "markup": b"<script>alert(1)</script>,inventory\n",
}  # fmt: skip


@pytest.mark.parametrize("what", HOSTILE)
def test_a_hostile_sheet_is_told_in_a_line_and_changes_nothing(visitor: Visitor, what: str) -> None:
    before = visitor.shelf.changes()
    answer = send(visitor, HOSTILE[what], "sheet.xlsx")
    if answer.status_code == 303:
        answer = settled(visitor, answer.headers["location"])
    assert answer.status_code == 422 or "faulty cell" in answer.text, what
    looked_over(answer.text)
    assert "root:" not in answer.text
    assert "<script>alert" not in answer.text
    # the kind stays chosen
    assert answer.status_code != 422 or as_sent(answer.text)["kind"] == "unit"
    assert visitor.shelf.changes() == before


@pytest.mark.parametrize(
    ("data", "files", "told"),
    [
        ({"kind": "unit"}, None, "No file was chosen."),
        ({"kind": "unit"}, {"file": ("", b"")}, "No file was chosen."),
        ({"kind": "unit"}, {"file": ("units.exe", UNITS)}, "units.exe: ends in neither .csv nor .xlsx."),
        ({"kind": "unit"}, {"file": ("units.csv.gz", UNITS)}, "ends in neither"),
        ({"kind": "unit"}, {"file": ("u.csv", b"x" * (import_held.LARGEST_BYTES + 1))}, "is larger than 16 MiB"),
        ({"kind": ""}, {"file": ("units.csv", UNITS)}, "Say what the rows are."),
        ({"kind": "capture"}, {"file": ("units.csv", UNITS)}, "Say what the rows are."),
        ({"kind": "trial"}, {"file": ("units.csv", UNITS)}, "Say what the rows are."),
    ],
)
def test_what_is_not_to_be_taken_is_refused(visitor: Visitor, data: Any, files: Any, told: str) -> None:
    answer = visitor.post("/import", data, files)
    assert answer.status_code == 422
    assert told in answer.text
    looked_over(answer.text)


def test_a_name_with_a_path_is_only_a_name(visitor: Visitor) -> None:
    _, page = preview(visitor, UNITS, "../../etc/<b>units</b>.csv")
    assert "<h1>What b_.csv would change</h1>" in page
    assert "etc" not in page
    assert sorted(path.name for path in visitor.shelf.folder.iterdir()) == ["register.sqlite"]


@pytest.mark.parametrize("word", ["", "x", "../../etc/passwd", "%00", "é" * 50])
def test_a_sheet_is_known_only_by_the_word_it_was_given(visitor: Visitor, word: str) -> None:
    before = visitor.shelf.changes()
    for answer in (
        visitor._send("GET", "/import/sheet", params={"held": word}),
        visitor._send("POST", "/import/sheet", params={"held": word}, data={"token": visitor.app.form_token()}),
    ):
        assert answer.status_code == 404
        assert "not held here any more" in answer.text
    assert visitor.shelf.changes() == before


def test_a_sheet_belongs_to_the_session_that_sent_it(tmp_path: Path) -> None:
    shelf = Shelf.open(tmp_path / "shelf", create=True)
    app = create_app(shelf, AccessPolicy(password="a long password"))
    token = [sent(app, "POST", "/api/sign-in", json={"password": "a long password"}).json()["token"] for _ in range(2)]
    own, other = ({"Authorization": f"Bearer {one}"} for one in token)

    def ask(who: dict[str, str], method: str, address: str, **how: Any) -> httpx.Response:
        return sent(app, method, address, origin=FROM_HERE, headers=who, **how)

    def form(who: dict[str, str], **more: str) -> dict[str, str]:
        return {"token": as_sent(ask(who, "GET", "/import").text)["token"], **more}

    files = {"file": ("units.csv", b"inventory,kind\nH1,host\n")}
    address = ask(own, "POST", "/import", data=form(own, kind="unit"), files=files).headers["location"]
    assert ask(own, "GET", address).status_code == 200
    assert ask(other, "GET", address).status_code == 404
    assert ask(other, "POST", address, data=form(other, looked="1")).status_code == 404
    assert ask(other, "POST", address, data=form(own, looked="1")).status_code == 403
    assert ask({}, "GET", address).status_code == 303
    assert shelf.all(Unit) == []
    assert ask(own, "POST", address, data=form(own, looked="1")).status_code == 303
    assert "1 unit added" in ask(own, "GET", address).text
    assert [unit.inventory for unit in shelf.all(Unit)] == ["H1"]


def test_sheets_are_let_go_when_they_are_many_or_old(tmp_path: Path) -> None:
    shelf = Shelf.open(tmp_path / "shelf", create=True)
    now_s = [0.0]
    sheets = Sheets(lambda: now_s[0])
    VISIT.set(Visit("a visit"))
    held = [sheets.hold(shelf, Unit, "u.csv", UNITS).word for _ in range(MOST_HELD + 1)]
    assert len(set(held)) == MOST_HELD + 1
    assert sheets.of(held[0]) is None
    assert sheets.of(held[1]) is not None
    now_s[0] = LONGEST_S + 1
    assert [sheets.of(word) for word in held] == [None] * len(held)


FUZZED: list[Visitor] = []
FIELDS = ("inventory", "kind", "title", "weight_kg", "made", "colour", "", "unit", "number", "note", "\ufeffinventory")
CELLS = ("D1", "H1", "host", "drive unit", "4.2", "1e999", "about 1987", "", " ", "=1+1", "\0", "<b>", "é" * 90, "nan")


def a_sheet() -> st.SearchStrategy[bytes]:
    row = st.lists(st.one_of(st.sampled_from(CELLS), st.text(max_size=8)), max_size=5)
    rows = st.tuples(st.lists(st.sampled_from(FIELDS), max_size=5), st.lists(row, max_size=5))
    tables = rows.map(lambda held: [held[0], *held[1]])
    as_csv = tables.map(lambda held: "\n".join(",".join(row) for row in held).encode("utf-8", "surrogatepass"))
    as_xlsx = tables.map(
        lambda held: workbook([[re.sub(r"[\x00-\x1f\ud800-\udfff]", "", cell) for cell in row] for row in held])
    )
    spot = st.tuples(st.integers(0, len(SOUND) - 1), st.integers(0, 255))
    damaged = st.lists(spot, min_size=1, max_size=6).map(_damaged)
    return st.one_of(
        as_csv, as_xlsx, damaged, st.binary(max_size=200), st.binary(max_size=100).map(lambda b: b"PK" + b)
    )


def _damaged(spots: list[tuple[int, int]]) -> bytes:
    held = bytearray(SOUND)
    for place, byte in spots:
        held[place] = byte
    return bytes(held)


@settings(max_examples=150)
@given(
    content=a_sheet(),
    kind=st.sampled_from([*import_pages.KINDS, "trial", ""]),
    name=st.sampled_from(["u.csv", "u.xlsx", "U.XLSX", "u", "../u.csv"]),
    put=st.booleans(),
)
def test_no_sheet_breaks_the_page_or_the_shelf(
    content: bytes, kind: str, name: str, put: bool, tmp_path_factory: pytest.TempPathFactory
) -> None:
    if not FUZZED:
        shelf = Shelf.open(tmp_path_factory.mktemp("fuzzed") / "shelf", create=True)
        shelf.add(checked(Unit, inventory="D1", kind="drive unit", title="Box"))
        shelf.add(checked(Mechanism, unit="D1", number=0))
        FUZZED.append(Visitor(shelf))
    (visitor,) = FUZZED
    before = visitor.shelf.changes()
    answer = send(visitor, content, name, kind)
    if answer.status_code == 422:
        looked_over(answer.text)
        assert visitor.shelf.changes() == before
        return
    assert answer.status_code == 303, answer.text
    address = answer.headers["location"]
    page = settled(visitor, address)
    assert page.status_code == 200, page.text
    looked_over(page.text)
    for part in ("faults", "changed", "added"):
        looked_over(visitor.get(f"{address}&part={part}").text)
    assert visitor.shelf.changes() == before
    if put and 'name="looked"' in page.text:
        visitor.post(address, as_sent(page.text))
        done = settled(visitor, address)
        assert done.status_code == 200, done.text
        looked_over(done.text)
        assert len(visitor.shelf.changes()) == len(before) + 1
        visitor.shelf.undo()
        assert visitor.shelf.changes() == before
        assert visitor.shelf.inspect() == []
