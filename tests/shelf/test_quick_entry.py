"""One line as a draft: what is understood, what is kept as a note, and whether it may stand on the shelf already."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from indexhole.errors import InputFault
from indexhole.shelf.records.quick_entry import LONGEST_LINE, Draft, draft_from
from indexhole.shelf.records.records import Disk, Mechanism, Note, Unit, checked
from indexhole.shelf.register.shelf import Shelf
from indexhole.shelf.views.likeness import similar_to
from indexhole.shelf.views.next_name import next_number

LINE = "dual 130 mm drive, parallel bus, given by a shipping office 1998, two filter caps bulging"


def draft(line: str) -> Draft:
    return draft_from(line, lambda kind: {"disk": "K1"}.get(kind, "X1"))


def said(line: str) -> dict[str, object]:
    """What the record of a line says besides its number."""
    held = draft(line).record.model_dump(exclude_defaults=True)
    del held["inventory"]
    return held


def test_the_line_of_the_manual_is_understood_whole():
    made = draft(LINE)
    assert said(LINE) == {
        "kind": "drive unit",
        "title": "dual 130 mm drive",
        "interfaces": "parallel bus",
        "acquired": "given by a shipping office",
        "acquired_when": "1998",
        "state": "two filter caps bulging",
    }
    assert [mechanism.mechanism for mechanism in made.mechanisms] == ["X1.0", "X1.1"]
    assert made.note == ""
    assert {(u.clause, u.field, u.value) for u in made.understood} >= {
        ("dual", "mechanisms", "2"),
        ("given by a shipping office 1998", "acquired_when", "1998"),
    }
    assert any("no disk class: say one of 130-100, 130-48" in remark for remark in made.remarks)


@pytest.mark.parametrize(
    ("line", "fields"),
    [
        ("130 mm 48 tpi drive", {"disk_class": "130-48"}),
        ("130-dense unit", {"disk_class": "130-dense"}),
        ("90 mm extra dense drive", {"disk_class": "90-extra"}),
        ("90 mm drive", {"disk_class": "90"}),
        ("large 200 mm unit", {"disk_class": "200"}),
        ("mould, 130 mm 96 tpi disk, one-sided", {"disk_class": "130-96", "condition": "mould"}),
        ("two-sided disk, irreplaceable", {"sides": 2, "importance": "irreplaceable"}),
        ("disk, label “TIDES, 86”", {"title": "disk"}),
        ('disk; label "TIDES 86"', {"label_text": "TIDES 86"}),
        ("host, made by Ostrel Werke, made about 1984", {"maker": "Ostrel Werke", "made": "about 1984"}),
        ("host, 9.5 kg, 230 V 50 Hz", {"weight_kg": 9.5, "power_input": "230 V 50 Hz"}),
        (
            "drive, address 8 or 9, 8442 and 8501 on the board",
            {"device_address": "8 or 9", "date_codes": "8442 and 8501"},
        ),
        ("drive, bought from a dealer, shelf B3", {"acquired": "bought from a dealer", "location": "shelf B3"}),
        ("drive, found 1985 to 1988", {"acquired": "found", "acquired_when": "1985 to 1988"}),
        ("drive, found in the 1990s", {"acquired_when": "1990s"}),
        ("drive, dusty, belt missing", {"state": "dusty, belt missing"}),
        ("drive, jumper moved, second fan fitted", {"modifications": "jumper moved, second fan fitted"}),
        ("drive, used in the tide office", {"origin": "in the tide office"}),
    ],
)
def test_a_clause_goes_where_it_belongs(line, fields):
    held = said(line)
    assert {name: held.get(name) for name in fields} == fields


@pytest.mark.parametrize(
    ("line", "kind"),
    [
        ("disk drive", "drive unit"),
        ("drive lead, 34 ways", "lead"),
        ("lead for the drive", "lead"),
        ("given with a disk by a school, adapter 34 to 50 ways", "adapter"),
        ("from the drive of the pilots, cable", "lead"),
        ("bench computer with two drives", "host"),
    ],
)
def test_the_last_word_before_what_it_belongs_to_says_what_it_is(line, kind):
    assert said(line)["kind"] == kind


def test_what_is_not_understood_is_kept_as_a_note():
    made = draft("D7: single drive, hums in B flat, belonged to the pilots; 4 kg, 5 kg")
    assert made.record.inventory == "D7"
    assert made.note == "hums in B flat, belonged to the pilots, 5 kg"
    *_, note = made.records
    assert note == checked(Note, text=made.note, unit="D7", added_utc=note.added_utc)
    assert draft("K3: disk, parallel bus").note == "parallel bus"


@pytest.mark.parametrize(
    ("line", "told"),
    [
        ("", "the line does not say what it is; write drive, host, lead, adapter or disk in it"),
        ("a box of things, 4 kg", "the line does not say what it is"),
        ("host, 9000 kg", "unit weight_kg: must not be above 2000"),
        ("host " + "x" * LONGEST_LINE, "the line is longer than 2000 characters; put the rest into a note"),
    ],
)
def test_a_line_that_is_no_draft_is_told(line, told):
    with pytest.raises(InputFault) as fault:
        draft(line)
    assert told in fault.value.line


@given(
    st.text(max_size=200)
    | st.lists(st.sampled_from([*LINE.replace(",", " ,").split(), "disk", ";", "9 kg", "1998"])).map(" ".join)
)
def test_any_line_is_a_draft_that_loses_no_clause_or_is_refused(line):
    try:
        made = draft(line)
    except InputFault as fault:
        assert "\n" not in fault.line
        return
    kept = " ".join([made.note, *(entry.clause for entry in made.understood)])
    for word in line.replace(":", " ").replace(",", " ").replace(";", " ").split():
        assert word in f"{kept} {made.record.inventory}"


@pytest.fixture
def shelf(tmp_path: Path) -> Shelf:
    return Shelf.open(tmp_path / "shelf", create=True)


def test_a_draft_is_added_and_undone_as_one(shelf):
    made = draft_from(f"{LINE}, smells of herring and tar", lambda kind: next_number(shelf, kind))
    shelf.add_together(made.records, "quick entry D1")
    assert [m.mechanism for m in shelf.all(Mechanism)] == ["D1.0", "D1.1"]
    assert shelf.get(Unit, "D1") == made.record
    assert len(shelf.changes()) == 1
    shelf.undo()
    assert (shelf.all(Unit), shelf.all(Mechanism), shelf.all(Note)) == ([], [], [])


def test_the_number_proposed_is_the_next_of_its_kind(shelf):
    assert next_number(shelf, "disk") == "K1"
    for inventory, kind in (("D2", "drive unit"), ("D10", "drive unit"), ("1987.14", "drive unit"), ("H7x", "host")):
        shelf.add(checked(Unit, inventory=inventory, kind=kind))
    assert [next_number(shelf, kind) for kind in ("drive unit", "host", "lead")] == ["D11", "H1", "L1"]
    shelf.add(checked(Disk, inventory="D11"))
    assert next_number(shelf, "drive unit") == "D12"


def test_what_may_stand_there_already_is_told_with_why(shelf):
    shelf.add(checked(Unit, inventory="D1", kind="drive unit", title="Twin unit from the tide office"))
    shelf.add(checked(Unit, inventory="D2", kind="drive unit", maker="Ostrel Werke", date_codes="8442 on the board"))
    shelf.add(checked(Unit, inventory="D3", kind="drive unit", title="Single unit"))

    def why(**values: str) -> dict[str, str]:
        record = checked(Unit, **{"inventory": "D9", "kind": "drive unit", **values})
        return {found.key: found.why for found in similar_to(shelf, record)}

    assert why(title="the twin unit from the tide office") == {"D1": "its title is nearly the same"}
    assert why(title="Tide office lamp") == {}
    assert why(title="unit") == {}
    assert why(maker="OSTREL werke", date_codes="8442, 8501") == {"D2": "same maker and date code 8442"}
    assert why(maker="Tolvane Instruments", date_codes="8442") == {}
    assert why(inventory="d3") == {"D3": "its inventory number differs in capitals only"}
    assert why(inventory="D3", title="single UNIT") == {
        "D3": "it has the same inventory number; its title is nearly the same"
    }
