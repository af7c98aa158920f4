"""Spreadsheets in and out: what would change, faults by cell, and the same entries back from CSV and XLSX."""

from __future__ import annotations

import io
import re
import zipfile
from pathlib import Path
from tempfile import TemporaryDirectory

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from openpyxl import Workbook, load_workbook

from indexhole.errors import IndexholeError, InputFault
from indexhole.jobs.demo.things import demo_records
from indexhole.shelf.exchange.exchange import carry_out, plan_import, sheet_rows
from indexhole.shelf.records.additions import Firmware, Loan, Part
from indexhole.shelf.records.records import CaptureRecord, Disk, Event, Mechanism, Note, Unit, checked
from indexhole.shelf.register.history import StaleEdit
from indexhole.shelf.register.shelf import Shelf
from indexhole.shelf.sheets.spreadsheet import csv_bytes, read_cells, write_cells, xlsx_bytes

KINDS = (Unit, Mechanism, Disk, Event, Note, Part, Firmware, Loan)


@pytest.fixture
def shelf(tmp_path: Path) -> Shelf:
    return furnish(Shelf.open(tmp_path / "shelf", create=True))


def furnish(held: Shelf) -> Shelf:
    """What stands on the shelf of these tests."""
    held.add(checked(Unit, inventory="D1", kind="drive unit", title="Box", weight_kg=4.2, acquired_when="1998"))
    held.add(checked(Disk, inventory="K1", title="Tide tables", hub_ring=True, sector_holes=0))
    return held


def csv_rows(text: str) -> list[list[str]]:
    return read_cells(text.encode(), where="sheet")


def test_what_a_sheet_would_do_is_told_and_then_done_as_one_change(shelf):
    rows = csv_rows(
        "inventory,title,weight_kg,kind\nD1,Twin unit,4.2,drive unit\nH1,Bench host,,host\n\nL1,,0.2,lead\n,,,\n"
    )
    plan = plan_import(shelf, Unit, rows)
    assert [unit.inventory for unit in plan.added] == ["H1", "L1"]
    assert [(entry.before.key, entry.fields) for entry in plan.changed] == [("D1", (("title", "Box", "Twin unit"),))]
    assert plan.faults == ()
    assert shelf.get(Unit, "D1").title == "Box"
    carry_out(shelf, plan, "units.csv")
    assert (shelf.get(Unit, "D1").title, shelf.get(Unit, "D1").acquired_when) == ("Twin unit", "1998")
    assert shelf.changes(1)[0].what == "import 3 units from units.csv"
    shelf.undo()
    assert [unit.inventory for unit in shelf.all(Unit)] == ["D1"]
    assert shelf.get(Unit, "D1").title == "Box"


def test_every_faulty_cell_is_told_by_its_place(shelf):
    rows = csv_rows(
        "inventory,kind,title,weight_kg,acquired_when\n"
        "H1,toaster,x,heavy,1998\n"
        "D1,drive unit,x,1,long ago\n"
        "H2,host,x,1,1998,stray\n"
        "L1,lead,x,,\n"
        "L1,lead,y,,\n"
        ",host,z,,\n"
    )
    plan = plan_import(shelf, Unit, rows)
    lines = [fault.line for fault in plan.faults]
    assert lines[0].startswith("B2 (kind): 'toaster' is none of 'drive unit', 'host', 'lead' or 'adapter'")
    assert lines[1].startswith("D2 (weight_kg): 'heavy' is no number")
    assert lines[2].startswith("E3 (acquired_when): 'long ago' is not a date")
    assert lines[3:] == [
        "F4 (no heading): stands under no heading; clear it or name it",
        "A6 (inventory): L1 stands in row 5 already",
        "A7 (inventory): is needed",
    ]
    with pytest.raises(InputFault, match=r"^u\.csv: 6 faults: B2 \(kind\).*and 1 more; nothing was changed"):
        carry_out(shelf, plan, "u.csv")
    assert len(shelf.changes()) == 2


def test_a_cell_that_names_what_is_not_there_is_a_fault(shelf):
    plan = plan_import(shelf, Part, csv_rows("unit,name,date_code\nD1,controller,8332\nD9,memory,\n"))
    assert [fault.line for fault in plan.faults] == ["A3 (unit): there is no unit D9 on the shelf"]
    plan = plan_import(shelf, Disk, csv_rows("inventory,recorded_by\nK1,D1.0\n"))
    assert [fault.line for fault in plan.faults] == ["B2 (recorded_by): there is no mechanism D1.0 on the shelf"]


def test_keys_the_register_gives_out_may_be_left_empty_or_name_what_stands(shelf):
    carry_out(shelf, plan_import(shelf, Event, csv_rows("event,unit,when,what\n,D1,1987,bought\n,D1,1988,fell\n")))
    assert [event.event for event in shelf.all(Event)] == ["E1", "E2"]
    plan = plan_import(shelf, Event, csv_rows("event,unit,what\nE2,D1,fell twice\nE9,D1,x\n"))
    assert [entry.fields for entry in plan.changed] == [(("what", "fell", "fell twice"),)]
    assert [fault.line for fault in plan.faults] == ["A3 (event): there is no event E9; empty it to add one"]


@pytest.mark.parametrize(
    ("heading", "told"),
    [
        ("", "is empty; its first row names fields of a unit: inventory, kind, title"),
        ("inventory,colour", "row 1: a unit has no field 'colour'; its fields are inventory, kind"),
        ("inventory,title,title", "row 1: a unit has its field title in two columns"),
        ("title,kind", "row 1: no column inventory; a unit is known by it"),
    ],
)
def test_a_heading_that_does_not_fit_is_told(shelf, heading, told):
    with pytest.raises(InputFault) as fault:
        plan_import(shelf, Unit, csv_rows(heading))
    assert told in fault.value.line


def test_rows_beyond_what_an_xlsx_file_says_it_holds_are_read(shelf):
    whole, said = xlsx_bytes([["inventory", "title"], ["K1", "a"], ["K2", "b"]], title="x"), io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(whole)) as file, zipfile.ZipFile(said, "w") as other:
        for name in file.namelist():
            content = file.read(name)
            if name == "xl/worksheets/sheet1.xml":
                bare = re.sub(b"<dimension[^>]*>", b"", content)
                content = bare.replace(b"<sheetViews>", b'<dimension ref="A1:A1"/><sheetViews>')
                assert b'<dimension ref="A1:A1"/>' in content
            other.writestr(name, content)
    assert read_cells(said.getvalue(), where="x") == [["inventory", "title"], ["K1", "a"], ["K2", "b"]]


def test_a_workbook_may_list_the_order_of_its_reckoning(shelf):
    whole, said = xlsx_bytes([["inventory"], ["K1"]], title="x"), io.BytesIO()
    chain = b'<calcChain xmlns="x">' + b'<c r="A1"/>' * 5000 + b"</calcChain>"
    with zipfile.ZipFile(io.BytesIO(whole)) as file, zipfile.ZipFile(said, "w") as other:
        for name in file.namelist():
            other.writestr(name, file.read(name))
        other.writestr("xl/calcChain.xml", chain)
        other.writestr("docProps/thumbnail.jpeg", b"\xff\xd8\xff\xe0 no XML at all")
    assert read_cells(said.getvalue(), where="x") == [["inventory"], ["K1"]]


def test_how_far_it_is_is_told_on_the_way(shelf):
    told: list[tuple[int, int]] = []
    rows = csv_rows("inventory,kind\nD1,host\n" + "".join(f"L{k},lead\n" for k in range(500)))
    plan = plan_import(shelf, Unit, rows, progress=lambda *far: told.append(far))
    assert told == [(0, 502), (200, 502), (400, 502)]
    assert (plan.added_rows[0], plan.added_rows[-1], plan.changed[0].row) == (3, 502, 2)
    told.clear()
    number = carry_out(shelf, plan, "units.csv", lambda *far: told.append(far))
    assert told == [(0, 501), (200, 501), (400, 501)]
    assert number == shelf.changes(1)[0].number
    # a sheet that says what is there already is no change
    assert carry_out(shelf, plan_import(shelf, Unit, rows)) is None
    assert shelf.changes(1)[0].number == number


def test_a_plan_does_not_write_over_what_was_changed_since(shelf):
    plan = plan_import(shelf, Unit, csv_rows("inventory,title\nD1,Twin unit\nH1,\n").copy())
    assert plan.faults  # a new host needs its kind
    plan = plan_import(shelf, Unit, csv_rows("inventory,title\nD1,Twin unit\n"))
    shelf.update(Unit, "D1", state="dusty")
    with pytest.raises(StaleEdit, match="state \\(nothing became 'dusty'"):
        carry_out(shelf, plan)
    assert shelf.get(Unit, "D1").title == "Box"


def test_captures_come_as_files_not_as_rows(shelf):
    with pytest.raises(InputFault, match="a capture cannot come from a spreadsheet"):
        plan_import(shelf, CaptureRecord, [["sha256"]])


@pytest.mark.parametrize("ending", ["csv", "xlsx"])
def test_a_whole_shelf_goes_out_and_comes_back_the_same(tmp_path, ending):
    shelf = Shelf.open(tmp_path / "one", create=True)
    for record in demo_records():
        shelf.add(record)
    other = Shelf.open(tmp_path / "two", create=True)
    for kind in KINDS:
        path = tmp_path / f"{kind.WORD}.{ending}"
        write_cells(path, sheet_rows(shelf, kind), title=kind.WORD)
        rows = read_cells(path.read_bytes(), where=str(path))
        same = plan_import(shelf, kind, rows)
        assert (same.added, same.changed, same.faults, same.unchanged) == ((), (), (), len(shelf.all(kind)))
        if kind.LETTERS:  # keys are given out anew on another shelf
            column = rows[0].index(kind.KEY)
            rows = [rows[0], *[[("" if k == column else c) for k, c in enumerate(row)] for row in rows[1:]]]
        carry_out(other, plan_import(other, kind, rows))
        assert other.all(kind) == shelf.all(kind)


def test_a_spreadsheet_of_another_program_is_read_as_it_shows(shelf):
    import datetime

    book = Workbook()
    sheet = book.active
    sheet.append(["inventory", "kind", "title", "weight_kg", "acquired_when", "device_address"])
    sheet.append(["H1", "host", 1984, 3.0, datetime.datetime(1998, 3, 1), 8.0])
    sheet.append([])
    packed = io.BytesIO()
    book.save(packed)
    plan = plan_import(shelf, Unit, read_cells(packed.getvalue(), where="x"))
    (unit,) = plan.added
    assert (unit.title, unit.weight_kg, unit.acquired_when, unit.device_address) == ("1984", 3.0, "1998-03-01", "8")


def test_semicolons_and_a_byte_order_mark_are_taken():
    assert read_cells("\ufeffinventory;title\r\nD1;a,b\r\n".encode(), where="x") == [
        ["inventory", "title"],
        ["D1", "a,b"],
    ]


def test_text_is_never_a_formula():
    rows = [["title"], ["=1+1"], ["+x"], ["'=1"]]
    content = xlsx_bytes(rows, title="unit")
    sheet = load_workbook(io.BytesIO(content)).active
    assert [[cell.value] for cell in sheet["A"]] == rows
    assert {cell.data_type for cell in sheet["A"]} == {"s"}
    assert read_cells(content, where="x") == rows
    assert csv_bytes(rows) == b"title\n'=1+1\n'+x\n''=1\n"
    assert read_cells(csv_bytes(rows), where="x") == rows


def test_numbers_in_a_csv_file_stay_numbers(shelf):
    shelf.update(Disk, "K1", recorded_temperature_c=-4.5, title="-4.5", note="-4.5 at the quay")
    content = csv_bytes(sheet_rows(shelf, Disk)).decode()
    assert content.splitlines()[1].split(",")[:5] == ["K1", "-4.5", "", "", "'-4.5 at the quay"]
    assert ",-4.5," in content.partition("'")[2]
    assert plan_import(shelf, Disk, csv_rows(content)).unchanged == 1


anything = st.text(
    st.characters(exclude_categories=["Cs"], exclude_characters="\0"), min_size=1, max_size=20
) | st.text(alphabet="=+-@';\t\r\n x1", min_size=1, max_size=10)


@settings(max_examples=20, deadline=None)
@given(st.lists(anything, min_size=1, max_size=6))
def test_entries_of_any_text_go_out_come_in_and_go_out_the_same(texts):
    with TemporaryDirectory() as folder:
        shelf, other = (Shelf.open(Path(folder) / name, create=True) for name in ("one", "two"))
        units = [checked(Unit, inventory=f"D{k}", kind="host", title=text) for k, text in enumerate(texts)]
        shelf.add_together(units, "planted")
        rows = read_cells(csv_bytes(sheet_rows(shelf, Unit)), where="x")
        assert [row[2] for row in rows[1:]] == texts
        # nothing of it is news to the shelf it came from
        assert plan_import(shelf, Unit, rows).unchanged == len(texts)
        carry_out(other, plan_import(other, Unit, rows))
        # a cell is taken without the space round it
        assert csv_bytes(sheet_rows(other, Unit)) == csv_bytes([[cell.strip() for cell in row] for row in rows])
        for opened in (shelf, other):
            opened.close()


@pytest.mark.parametrize(
    ("content", "told"),
    [
        (b"PK\x03\x04 nothing", "x: is not a whole XLSX file; save it again as XLSX, or as CSV in UTF-8"),
        (b"\xff\xfea", "x: is in UTF-16, not UTF-8"),
        (b'a,"b', "x: row 1 is not CSV"),
        (b"a," * 300, "x: has more than 200000 rows or 200 columns"),
        (b"a,b\n" + b"," * 1_100_000, "x: row 2 has no end of cells; check its quotation marks"),
        (b"a,b\n" + b'"\n",,,' * 500_000, "x: row 2 has no end of cells"),
    ],
)
def test_what_is_no_spreadsheet_is_told(content, told):
    with pytest.raises(InputFault) as fault:
        read_cells(content, where="x")
    assert told in fault.value.line


def test_a_file_that_unpacks_to_far_more_than_it_is_is_refused(monkeypatch):
    import indexhole.shelf.sheets.spreadsheet as spreadsheet

    packed = io.BytesIO()
    with zipfile.ZipFile(packed, "w", zipfile.ZIP_DEFLATED) as held:
        held.writestr("xl/workbook.xml", b" " * 100_000)
    monkeypatch.setattr(spreadsheet, "LARGEST_UNPACKED_BYTES", 99_999)
    with pytest.raises(InputFault, match="unpacks to more than a register can hold"):
        read_cells(packed.getvalue(), where="x")


def with_cell(cell: str) -> bytes:
    """A workbook whose cell B2 is written so."""
    whole, said = xlsx_bytes([["inventory", "title"], ["K1", "x"]], title="disk"), io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(whole)) as old, zipfile.ZipFile(said, "w") as new:
        for name in old.namelist():
            content = old.read(name).decode()
            new.writestr(name, re.sub(r'<c r="B2".*?</c>', cell, content) if "sheet1" in name else content)
    return said.getvalue()


@pytest.mark.parametrize(
    ("cell", "told"),
    [
        ('<c r="B2"><f>A1</f><v/></c>', "x: B2 is a formula whose result was not kept; open it in a spreadsheet"),
        ('<c r="B2"><f>A1</f></c>', "x: B2 is a formula whose result was not kept"),
        ('<c r="B2" t="e"><f>1/0</f><v>#DIV/0!</v></c>', "x: B2 shows #DIV/0!; mend or clear that cell"),
    ],
)
def test_a_cell_that_shows_no_value_is_told_and_not_read_as_empty(cell, told):
    with pytest.raises(InputFault) as fault:
        read_cells(with_cell(cell), where="x")
    assert told in fault.value.line


@pytest.mark.parametrize(
    ("cell", "read"),
    [
        ('<c r="B2"><f>1+1</f><v>2</v></c>', "2"),
        ('<c r="B2" t="str"><f>A2</f><v>K1</v></c>', "K1"),
        ('<c r="B2" t="str"><f>IF(A9="","",1)</f><v></v></c>', ""),
        ('<c r="B2" t="b"><f>TRUE()</f><v>1</v></c>', "yes"),
        ('<c r="B2"><v>2</v></c>', "2"),
    ],
)
def test_a_formula_is_read_as_it_shows(cell, read):
    assert read_cells(with_cell(cell), where="x") == [["inventory", "title"], ["K1", read]]


def test_a_name_with_another_ending_is_refused(tmp_path):
    with pytest.raises(InputFault, match=r"ends in neither \.csv nor \.xlsx"):
        write_cells(tmp_path / "units.ods", [["a"]], title="unit")
    assert list(tmp_path.iterdir()) == []


def test_a_member_whose_name_is_no_text_is_told():
    """Its name is said to be UTF-8, and is not."""
    packed = io.BytesIO(xlsx_bytes([["inventory"], ["K1"]], title="x"))
    with zipfile.ZipFile(packed, "a") as held:
        held.writestr("tid\u00e9.xml", b"<a/>")
    with pytest.raises(InputFault, match="is not a whole XLSX file"):
        read_cells(packed.getvalue().replace("tid\u00e9".encode(), b"tid\xff\xfe"), where="x")


GOOD = xlsx_bytes([["inventory", "kind", "title"], ["D1", "host", "a"]], title="unit")


@settings(max_examples=60)
@given(st.binary(max_size=80) | st.tuples(st.integers(0, len(GOOD) - 1), st.integers(0, 255)))
def test_any_bytes_are_rows_or_one_line(bent):
    content = bent if isinstance(bent, bytes) else GOOD[: bent[0]] + bytes([bent[1]]) + GOOD[bent[0] + 1 :]
    try:
        rows = read_cells(content, where="x")
    except IndexholeError as fault:
        assert "\n" not in fault.line
    else:
        assert all(isinstance(cell, str) for row in rows for cell in row)


printable = st.text(st.characters(exclude_categories=["Cs"], exclude_characters="\0"), max_size=20)


@settings(max_examples=40, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.lists(st.lists(printable, min_size=2, max_size=2), min_size=1, max_size=4))
def test_csv_cells_come_back_exactly(rows):
    # a heading of our own, so that the rows' text does not decide how cells are parted
    assert read_cells(csv_bytes([["a", "b"], *rows, ["end", ""]]), where="x") == [["a", "b"], *rows, ["end", ""]]
