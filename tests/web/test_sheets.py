"""Every CSV that the page offers, on a shelf whose every text was planted to be taken for a formula."""

from __future__ import annotations

import csv
import html
import io
import re
from pathlib import Path

import pytest
from tests.web.test_import import preview, settled
from tests.web.test_pages import Visitor

from indexhole.model.trials.trial import Trial
from indexhole.shelf.records.additions import Firmware, Loan, Part, View
from indexhole.shelf.records.entry import Record
from indexhole.shelf.records.records import Disk, Event, Mechanism, Note, Unit, checked
from indexhole.shelf.register.shelf import Shelf
from indexhole.shelf.sheets.sheet import parse_sheet, sheet_bytes

PLANTED = ("=HYPERLINK(1)", "+1+1", "-5 V", "@SUM(A1)", "\t=1", "\r=1", "\n=1", "a;=1", "'=1", " =1", "-5", "plain")
NUMBER = re.compile(r"[+-][0-9.]+")
KINDS = ("unit", "mechanism", "disk", "event", "note", "part", "firmware", "loan")
MOST_PAGES = 400


def records() -> list[Record]:
    found: list[Record] = []
    for k, text in enumerate(PLANTED):
        drive, disk = f"=D{k}", f"@K{k}"
        words = {"state": text, "maker": text, "origin": text, "interfaces": text.strip(), "modifications": text}
        found += [
            checked(Unit, inventory=drive, kind="drive unit", title=text, **words),
            checked(Mechanism, mechanism=f"{drive}.0", front=text, note=text),
            checked(Disk, inventory=disk, title=text, note=text, label_text=text, recorded_temperature_c=-5),
            checked(Event, unit=drive, what=text, source=text),
            checked(Note, disk=disk, text=text),
            checked(Part, unit=drive, name=text, board=text, marking=text, note=text),
            checked(Firmware, unit=drive, version=text, place=text, note=text),
            checked(Loan, unit=drive, party=text, purpose=text),
            checked(View, view=f"+V{k}", words=text, note=text),
        ]
    return found


def trials() -> list[Trial]:
    where = ("@H1", "-L1", "=D1.0", "@K1", 0, 0, 39, 180, 0)
    return [Trial(f"{text.strip()}{k}", "2026-03-01", "read", *where, text) for k, text in enumerate(PLANTED)]


@pytest.fixture
def visitor(tmp_path: Path) -> Visitor:
    shelf = Shelf.open(tmp_path / "shelf", create=True)
    shelf.add_together(records(), "planted")
    shelf.add_trials(trials())
    return Visitor(shelf)


def sheets_offered(visitor: Visitor) -> dict[str, bytes]:
    """Every CSV that a link on any page leads to, by its address."""
    waiting, seen, found = ["/"], {"/"}, {}
    while waiting and len(seen) < MOST_PAGES:
        address = waiting.pop(0)
        answer = visitor.get(address)
        kind = answer.headers.get("content-type", "")
        if kind.startswith("text/csv"):
            found[address] = answer.content
        elif kind.startswith("text/html"):
            for link in re.findall(r'href="(/[^"#]*)', answer.text):
                # a page of one thing stands for those of all others, but not the sheets
                told = html.unescape(link)
                form = told if "form=" in told or "kind=" in told else told.partition("?")[0]
                if form not in seen:
                    seen.add(form)
                    waiting.append(told)
    assert not waiting
    return found


def test_no_cell_of_any_sheet_begins_like_a_formula_but_plain_numbers(visitor: Visitor) -> None:
    found = sheets_offered(visitor)
    assert set(found) >= {"/causes/trials.csv", *(f"/export?kind={kind}&form=csv" for kind in KINDS)}
    for address, content in found.items():
        rows = list(csv.reader(io.StringIO(content.decode(), newline=""), strict=True))
        assert len(rows) > len(PLANTED), address
        told = [cell for row in rows for cell in row]
        # something of what was planted is in each
        assert any("1+1" in cell for cell in told), address
        begun = [cell for cell in told if cell.lstrip(" ")[:1] in tuple("=+-@\t\r\n")]
        assert [cell for cell in begun if not NUMBER.fullmatch(cell)] == [], address
        # nor where a program parts cells by semicolons
        assert not re.search("[;\t\r\n] *(?![+-][0-9]+[,\n])[=+@-]", content.decode()), address


def test_what_the_page_gives_away_is_nothing_new_when_it_comes_back(visitor: Visitor) -> None:
    for kind in KINDS:
        content = visitor.get(f"/export?kind={kind}&form=csv").content
        page = settled(visitor, preview(visitor, content, f"{kind}.csv", kind)[0]).text
        assert f"0 changed and {len(PLANTED)} left as they are" in page or "says nothing" in page, page
    sheet = visitor.get("/causes/trials.csv").content
    assert parse_sheet(sheet.decode(), where="s") == trials() == visitor.shelf.trials()
    assert sheet_bytes(visitor.shelf.trials()) == sheet
