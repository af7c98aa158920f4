"""The trial sheet: every fault told with its row and remedy, and what is written reads back the same."""

from __future__ import annotations

import csv
import io
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from indexhole.errors import IndexholeError, InputFault, ShelfFault
from indexhole.model.trials.trial import Trial
from indexhole.shelf.sheets.sheet import COLUMNS, parse_sheet, read_sheet, sheet_bytes, write_sheet
from indexhole.shelf.sheets.sheet_text import decode_sheet

HEADING = ",".join(COLUMNS)
GOOD = "T1,2026-03-01,read,H1,L2,D5.0,K5,0,0,12,117,3,"
TRIAL = Trial("T1", "2026-03-01", "read", "H1", "L2", "D5.0", "K5", 0, 0, 12, 117, 3)


def sheet(*rows: str) -> str:
    return "\n".join([HEADING, *rows]) + "\n"


def with_cell(column: str, cell: str) -> str:
    cells = GOOD.split(",")
    cells[COLUMNS.index(column)] = cell
    return ",".join(cells)


def test_a_row_becomes_a_trial():
    assert parse_sheet(sheet(GOOD), where="s.csv") == [TRIAL]


def test_what_a_spreadsheet_adds_is_let_be():
    """A byte order mark, CR LF, an unnamed empty column, empty rows at the end, spaces round a cell."""
    text = f"{HEADING},\r\n{GOOD.replace('D5.0', ' D5.0 ')},\r\n,,,,,,,,,,,,,\r\n\r\n"
    content = b"\xef\xbb\xbf" + text.encode()
    assert parse_sheet(decode_sheet(content, where="s.csv"), where="s.csv") == [TRIAL]


def test_columns_are_found_by_name_and_the_note_may_be_absent():
    names = [name for name in reversed(COLUMNS) if name != "note"]
    row = ",".join(str(getattr(TRIAL, name)) for name in names)
    assert parse_sheet(f"{','.join(names)}\n{row}\n", where="s.csv") == [TRIAL]


@pytest.mark.parametrize(
    ("column", "cell", "told"),
    [
        ("trial", "", "row 2, column trial: is empty; fill it in"),
        ("trial", "T" * 81, "row 2, column trial: longer than 80 characters; use the inventory number"),
        ("host", "H\x1b1", "row 2, column host: holds a control character; type it again"),
        ("when", "1.3.2026", "'1.3.2026' is not a date; write it as 2026-03-01 or 2026-03-01T14:05"),
        ("when", "2026-02-30", "'2026-02-30' is not a date"),
        ("when", "", "row 2, column when: '' is not a date"),
        ("operation", "copy", "column operation: 'copy' is not an operation; use write, read, format"),
        ("mechanism", "D5", "column mechanism: 'D5' is not UNIT.NUMBER; write it as D1.0"),
        ("mechanism", ".0", "is not UNIT.NUMBER"),
        ("mechanism", "D5.x", "is not UNIT.NUMBER"),
        ("disk", " ", "column disk: is empty"),
        ("side", "2", "column side: '2' is not from 0 to 1; check the number"),
        ("side", "A", "column side: 'A' is not a whole number; write digits only"),
        ("first_cylinder", "-1", "column first_cylinder: '-1' is negative; a count or number starts at 0"),
        ("first_cylinder", "13", "row 2: first_cylinder 13 lies above last_cylinder 12; swap them"),
        ("last_cylinder", "300", "column last_cylinder: '300' is not from 0 to 254"),
        ("sectors_tried", "117.5", "column sectors_tried: '117.5' is not a whole number"),
        ("sectors_tried", "", "column sectors_tried: is empty"),
        ("sectors_tried", "9" * 5000, "is not from 0 to 10000000"),
        ("sectors_tried", "٣", "is not a whole number"),
        ("sectors_failed", "118", "row 2: sectors_failed 118 is more than sectors_tried 117; mend the counts"),
    ],
)
def test_a_wrong_cell_is_told_with_row_column_and_remedy(column, cell, told):
    with pytest.raises(InputFault) as fault:
        parse_sheet(sheet(with_cell(column, cell)), where="s.csv")
    assert fault.value.line.startswith("s.csv: row 2")
    assert told in fault.value.line


@pytest.mark.parametrize("when", ["2026-03-01", "2026-03-01T14:05", "2026-03-01 14:05:09.5+01:00"])
def test_a_date_is_kept_as_it_was_written(when):
    assert parse_sheet(sheet(with_cell("when", when)), where="s.csv")[0].when == when


def test_all_faults_are_counted_and_the_first_few_told():
    rows = [f"T{k},2026-03-01,read,H1,L2,D5.0,K5,0,0,12,117,{200 + k}," for k in range(9)]
    with pytest.raises(InputFault) as fault:
        parse_sheet(sheet(GOOD.replace("T1", "T99"), *rows), where="s.csv")
    assert fault.value.line.startswith("s.csv: 9 faults: row 3: sectors_failed 200 is more than")
    assert fault.value.line.endswith("| and 4 more")
    assert "\n" not in fault.value.line


def test_several_wrong_cells_of_one_row_are_all_told():
    with pytest.raises(InputFault, match=r"2 faults: row 2, column operation: .* \| row 2, column side"):
        parse_sheet(sheet(GOOD.replace("read", "copy").replace("K5,0", "K5,9")), where="s.csv")


def test_a_trial_named_twice_is_told_with_both_rows():
    with pytest.raises(InputFault, match=r"row 3, column trial: 'T1' stands in row 2 already"):
        parse_sheet(sheet(GOOD, GOOD), where="s.csv")


def test_the_row_number_is_the_spreadsheets_even_after_a_note_of_several_lines():
    with pytest.raises(InputFault, match="row 3, column side"):
        parse_sheet(sheet(GOOD + '"hub ring\nloose"', with_cell("side", "7")), where="s.csv")


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ("", "s.csv: is empty; its first row names the columns trial,when"),
        (sheet(), "s.csv: has a heading but no trials; add a row for each trial"),
        (sheet(",,,"), "has a heading but no trials"),
        (HEADING.replace(",", ";"), "save with commas"),
        (HEADING.replace("side,", "") + "\n", "row 1: missing column side; the heading is trial,when"),
        (HEADING.replace("side,", "").replace("disk,", ""), "missing columns disk, side"),
        (HEADING + ",colour\n", "row 1: unknown column 'colour'; rename or remove it"),
        (HEADING + ",note\n", "row 1: column note stands there twice; remove one"),
        (sheet(GOOD + "off centre, slipping"), "row 2: ' slipping' stands under no column; quote a cell"),
        (sheet(GOOD + '"never closed'), "s.csv: row 2 is not CSV (unexpected end of data); check its quot"),
        (sheet(GOOD + "x" * 200_000), "s.csv: row 2 is not CSV (field larger than field limit"),
    ],
)
def test_a_sheet_that_does_not_hold_together(text, told):
    with pytest.raises(InputFault) as fault:
        parse_sheet(text, where="s.csv")
    assert told in fault.value.line


@pytest.mark.parametrize(
    ("content", "told"),
    [
        (sheet(GOOD).encode("utf-16"), "is in UTF-16, not UTF-8; save the sheet as CSV in UTF-8"),
        (sheet(GOOD, GOOD + "Größe").encode("latin-1"), "is not UTF-8 at byte 209, line 3"),
        (b"SQLite format 3\0rest", "holds a NUL byte at byte 15"),
    ],
)
def test_bytes_that_are_no_text(content, told, tmp_path):
    path = tmp_path / "s.csv"
    path.write_bytes(content)
    with pytest.raises(InputFault) as fault:
        read_sheet(path)
    assert told in fault.value.line


@pytest.mark.parametrize("name", ["absent.csv", ".", "a\0b", "/dev/null/x"])
def test_a_path_that_is_no_sheet(name, tmp_path):
    with pytest.raises(InputFault, match=r"cannot be read|is not a file"):
        read_sheet(tmp_path / name)


def test_a_file_too_large_to_be_a_sheet_is_not_read(tmp_path):
    path = tmp_path / "s.csv"
    with path.open("wb") as file:
        file.truncate(65 << 20)
    with pytest.raises(InputFault, match="is larger than 64 MiB"):
        read_sheet(path)


def test_writing_fails_whole(tmp_path):
    with pytest.raises(ShelfFault, match="cannot be written"):
        write_sheet([TRIAL], tmp_path / "absent" / "s.csv")
    (tmp_path / "folder").mkdir()
    with pytest.raises(ShelfFault, match="cannot be written"):
        write_sheet([TRIAL], tmp_path / "folder")
    assert [entry.name for entry in tmp_path.iterdir()] == ["folder"]


@pytest.mark.parametrize("note", ["a\0b", "half \ud800"])
def test_text_a_sheet_cannot_hold_is_refused(note, tmp_path):
    with pytest.raises(InputFault, match="a trial's text holds"):
        write_sheet([replace(TRIAL, note=note)], tmp_path / "s.csv")
    assert list(tmp_path.iterdir()) == []


def test_a_damaged_sheet_is_not_told_of_without_end(monkeypatch):
    monkeypatch.setattr("indexhole.shelf.sheets.sheet.MOST_FAULTS", 20)
    with pytest.raises(InputFault, match=r"s\.csv: at least \d\d faults: row 2, .* \| and \d\d more"):
        parse_sheet(sheet(*["x"] * 1000), where="s.csv")
    # as many trials without a fault are no matter
    assert len(parse_sheet(sheet(*(GOOD.replace("T1", f"T{k}") for k in range(100))), where="s.csv")) == 100


def test_another_reader_of_csv_finds_the_same_cells():
    note = 'said "loose, very", twice\nthen ran'
    told = list(csv.reader(io.StringIO(sheet_bytes([replace(TRIAL, note=note)]).decode(), newline="")))
    assert told[0] == list(COLUMNS)
    assert told[1] == [*GOOD.split(",")[:-1], note]


names = st.text(st.characters(exclude_categories=("Cc", "Cs")), min_size=1, max_size=12).filter(
    lambda text: text == text.strip()
)
signs = st.text(alphabet="=+-@\uff1d'1x", min_size=1, max_size=5)
names |= signs
notes = (
    st.text(st.characters(exclude_categories=("Cs",), exclude_characters="\0"), max_size=60)
    | st.text(alphabet=',"\r\n ;x', max_size=12)
    | st.text(alphabet="=+-@';\t\r\n x1", max_size=12)
)


@st.composite
def trial_lists(draw: st.DrawFn) -> list[Trial]:
    trials = []
    for name in draw(st.lists(names, min_size=1, max_size=4, unique=True)):
        first, last = sorted((draw(st.integers(0, 254)), draw(st.integers(0, 254))))
        tried = draw(st.integers(0, 10_000_000))
        trials.append(
            Trial(
                name,
                draw(st.dates()).isoformat(),
                draw(st.sampled_from(("write", "read", "format"))),
                draw(names | st.just("")),
                draw(names | st.just("")),
                f"{draw(names)}.{draw(st.integers(0, 999))}",
                draw(names),
                draw(st.integers(0, 1)),
                first,
                last,
                tried,
                draw(st.integers(0, tried)),
                draw(notes),
            )
        )
    return trials


@given(trial_lists())
def test_what_is_written_reads_back_and_leaves_again_the_same(trials):
    content = sheet_bytes(trials)
    read = parse_sheet(decode_sheet(content, where="s"), where="s")
    assert read == trials
    assert sheet_bytes(read) == content


def test_no_cell_begins_like_a_formula_but_a_number():
    told = replace(TRIAL, trial="=T1", host="@H1", mechanism="-D1.0", disk="-5", note="=HYPERLINK(1)")
    _, cells = csv.reader(io.StringIO(sheet_bytes([told]).decode(), newline=""))
    assert dict(zip(COLUMNS, cells, strict=True)).items() >= {
        ("trial", "'=T1"), ("host", "'@H1"), ("mechanism", "'-D1.0"), ("disk", "-5"), ("note", "'=HYPERLINK(1)"),
    }  # fmt: skip


def test_a_note_typed_by_hand_is_read_as_it_stands():
    assert parse_sheet(sheet(GOOD + "=see the label"), where="s.csv")[0].note == "=see the label"


@settings(max_examples=300)
@given(st.data())
def test_damaged_bytes_are_read_or_refused_but_never_crash(data):
    content = bytearray(sheet_bytes(data.draw(trial_lists())))
    for _ in range(data.draw(st.integers(1, 5))):
        at = data.draw(st.integers(0, len(content)))
        change = data.draw(st.sampled_from(("flip", "cut", "insert", "repeat")))
        if change == "flip" and at < len(content):
            content[at] ^= data.draw(st.integers(1, 255))
        elif change == "cut":
            del content[at : at + data.draw(st.integers(1, 40))]
        elif change == "insert":
            content[at:at] = data.draw(st.binary(min_size=1, max_size=8) | st.sampled_from((b'"', b",", b"\r")))
        else:
            content[at:at] = content[at : at + 200]
    _read_or_refuse(bytes(content))


@given(st.binary(max_size=300))
def test_any_bytes_are_refused_in_one_line(content):
    _read_or_refuse(content)


def _read_or_refuse(content: bytes) -> None:
    try:
        trials = parse_sheet(decode_sheet(content, where="s"), where="s")
    except IndexholeError as fault:
        assert isinstance(fault, InputFault)
        assert fault.line.startswith("s: ")
        assert "\n" not in fault.line
    else:
        # what was accepted must be able to leave again, unchanged
        assert parse_sheet(sheet_bytes(trials).decode(), where="s") == trials


@pytest.mark.shared
def test_the_sheets_with_known_truth_leave_as_they_came(shared_folder: Path):
    sheets = sorted((shared_folder / "trials").glob("*.csv"))
    assert sheets
    for path in sheets:
        assert sheet_bytes(read_sheet(path)) == path.read_bytes()
