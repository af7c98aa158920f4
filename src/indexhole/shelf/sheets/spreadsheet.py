"""Cells of a CSV or XLSX file from outside, as text, whatever program wrote them; and cells written.

A number keeps its shortest form, a day is written as 2026-03-01, and yes and no stand for the two truth values.
"""

from __future__ import annotations

import io
import zipfile
from collections.abc import Iterable, Sequence
from contextlib import suppress
from datetime import date, datetime, time
from pathlib import Path
from typing import Any

from indexhole.csv_text import csv_line, csv_rows
from indexhole.errors import InputFault
from indexhole.shelf.files.writing import write_whole
from indexhole.shelf.sheets.sheet_text import decode_sheet

LARGEST_BYTES = 64 << 20
LARGEST_UNPACKED_BYTES = 512 << 20
MOST_COLUMNS = 200
MOST_ROWS = 200_000
# our own choice: texts that stand in several cells are kept once, and formats go by the hundred
MOST_STRINGS, MOST_OTHER_ELEMENTS = 500_000, 200_000
_INSIDE_CELLS = frozenset({"v", "is", "t", "f"})
ENDINGS = (".csv", ".xlsx")


def read_cells(content: bytes, *, where: str, largest_unpacked_bytes: int = 0) -> list[list[str]]:
    """The rows of a spreadsheet's first sheet as text, those at the end that hold nothing left out.

    An XLSX file may unpack to LARGEST_UNPACKED_BYTES, or to what is given.
    The kind is told from the first bytes: an XLSX file is a ZIP file, anything else must be CSV in UTF-8. Raises
    InputFault for what is neither, or is larger than a register's table can be.
    """
    if len(content) > LARGEST_BYTES:
        raise InputFault(f"is larger than {LARGEST_BYTES >> 20} MiB", where=where, remedy="split it")
    rows = (
        _xlsx_rows(content, where, largest_unpacked_bytes or LARGEST_UNPACKED_BYTES)
        if content.startswith(b"PK")
        else _csv_rows(content, where)
    )
    while rows and not any(cell.strip() for cell in rows[-1]):
        rows.pop()
    return rows


def _csv_rows(content: bytes, where: str) -> list[list[str]]:
    text = decode_sheet(content, where=where)
    rows: list[list[str]] = []
    for _, row in csv_rows(text, where, _delimiter(text)):
        rows.append(row)
        _bounded(rows, where)
    return rows


def _delimiter(text: str) -> str:
    # a spreadsheet set to a language with decimal commas parts cells by semicolons
    heading = text.partition("\n")[0]
    return ";" if ";" in heading and "," not in heading else ","


def _xlsx_rows(content: bytes, where: str, largest_unpacked_bytes: int) -> list[list[str]]:
    import warnings

    from openpyxl import load_workbook

    remedy = "save it again as XLSX, or as CSV in UTF-8"
    try:
        with zipfile.ZipFile(io.BytesIO(content)) as packed:
            if sum(entry.file_size for entry in packed.infolist()) > largest_unpacked_bytes:
                raise InputFault("unpacks to more than a register can hold", where=where, remedy=remedy)
            for entry in packed.infolist():
                _weigh(packed, entry.filename, where)
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # of styles and extensions, which are not looked at
            book = load_workbook(io.BytesIO(content), read_only=True, data_only=True)
            try:
                rows: list[list[str]] = []
                sheet = book.worksheets[0]
                # a file may say that it is smaller than it is, and rows beyond that would be passed over
                sheet.reset_dimensions()
                for row in sheet.iter_rows():
                    rows.append([_shown(cell, where) for cell in row[: MOST_COLUMNS + 1]])
                    _bounded(rows, where)
            finally:
                book.close()
    except InputFault:
        raise
    except Exception as fault:
        # the library raises whatever the damage leads to: KeyError, ValueError, a fault of ZIP or XML
        raise InputFault("is not a whole XLSX file", where=where, remedy=remedy) from fault
    return rows


def _shown(cell: Any, where: str) -> str:
    """A cell's text. Raises InputFault for one that shows an error in place of a value."""
    if cell.data_type == "e":
        raise InputFault(f"{cell.coordinate} shows {cell.value}", where=where, remedy="mend or clear that cell")
    return _cell_words(cell.value)


def _weigh(packed: zipfile.ZipFile, name: str, where: str) -> None:
    """Go through a member as a mere stream, and refuse one that would take hours and all memory to read as a sheet.

    A row with a million empty cells packs into a few bytes. A formula whose result was not kept would be read as an
    empty cell, which empties a field. What is no XML is left to whoever needs it.
    """
    from xml.parsers.expat import ExpatError, ParserCreate

    rows, cells, strings, others = 0, 0, 0, 0
    cell: dict[str, str] = {}
    unsolved = ""  # the formula gone through that has shown no result yet

    def begin(tag: str, attributes: dict[str, str]) -> None:
        nonlocal rows, cells, strings, others, cell, unsolved
        # names come with their namespace before them
        word = tag.rpartition(" ")[2]
        if word in ("c", "row"):
            solved()
        if word == "c":
            # the order of reckoning lists cells too, in no row
            cells, cell = cells + (rows > 0), attributes
        elif word == "row":
            rows, cells = rows + 1, 0
        elif word == "f" and cells and cell.get("t") != "str":
            # one that gives text may well give none
            unsolved = cell.get("r") or f"a cell of row {rows}"
        elif word == "v" and unsolved:
            parser.CharacterDataHandler = result
        elif word == "si":
            strings += 1
        elif word not in _INSIDE_CELLS:
            others += 1
        if cells > MOST_COLUMNS or rows > MOST_ROWS:
            raise _too_many(where)
        if strings > MOST_STRINGS or others > MOST_OTHER_ELEMENTS:
            raise InputFault("unpacks to more than a register can hold", where=where, remedy="save it again as CSV")

    def result(text: str) -> None:
        nonlocal unsolved
        if text.strip():
            unsolved = ""

    def solved() -> None:
        parser.CharacterDataHandler = None
        if unsolved:
            remedy = "open it in a spreadsheet program and save it, or save it as CSV in UTF-8"
            raise InputFault(f"{unsolved} is a formula whose result was not kept", where=where, remedy=remedy)

    def declared(*_: object) -> None:
        raise InputFault("declares entities, which no spreadsheet needs", where=where, remedy="save it again as CSV")

    parser = ParserCreate(namespace_separator=" ")
    parser.StartElementHandler = begin
    parser.StartDoctypeDeclHandler = declared
    with suppress(ExpatError), packed.open(name) as member:
        while piece := member.read(1 << 16):
            parser.Parse(piece, False)
    solved()


def _too_many(where: str) -> InputFault:
    return InputFault(
        f"has more than {MOST_ROWS} rows or {MOST_COLUMNS} columns", where=where, remedy="split it, or clear cells"
    )


def _bounded(rows: Sequence[Sequence[str]], where: str) -> None:
    if len(rows) > MOST_ROWS or len(rows[-1]) > MOST_COLUMNS:
        raise _too_many(where)


def _cell_words(value: Any) -> str:
    if value is None:
        return ""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, float):
        return str(int(value)) if value.is_integer() and abs(value) < 1e15 else repr(value)
    if isinstance(value, datetime):
        whole_day = value.tzinfo is None and value.time() == time()
        return value.date().isoformat() if whole_day else value.isoformat(sep=" ")
    if isinstance(value, date):
        return value.isoformat()
    return str(value)


def cell_text(value: Any) -> str:
    """A value as a cell says it: nothing for None, yes and no for truth values."""
    return _cell_words(value)


def write_cells(path: Path, rows: Iterable[Sequence[Any]], *, title: str) -> None:
    """Write rows as CSV or XLSX, by the ending of the name. Raises InputFault or ShelfFault."""
    ending = path.suffix.lower()
    if ending not in ENDINGS:
        raise InputFault(f"ends in neither {' nor '.join(ENDINGS)}", where=str(path), remedy="name it so")
    write_whole(path, xlsx_bytes(rows, title=title) if ending == ".xlsx" else csv_bytes(rows))


def csv_bytes(rows: Iterable[Sequence[Any]]) -> bytes:
    """Rows as CSV in UTF-8, without a mark, ended by a line feed."""
    lines = [csv_line(map(_cell_words, row)) for row in rows]
    return ("\n".join(lines) + "\n").encode("utf-8")


def xlsx_bytes(rows: Iterable[Sequence[Any]], *, title: str) -> bytes:
    """Rows as an XLSX file of one sheet, numbers as numbers, text always as text: it is never taken for a formula."""
    from openpyxl import Workbook
    from openpyxl.cell import WriteOnlyCell
    from openpyxl.styles import Font

    book = Workbook(write_only=True)
    sheet = book.create_sheet(title)
    sheet.freeze_panes = "A2"
    for number, row in enumerate(rows):
        cells = []
        for value in row:
            whole = value if isinstance(value, (int, float)) and not isinstance(value, bool) else _cell_words(value)
            cell = WriteOnlyCell(sheet, _storable(whole) if isinstance(whole, str) else whole)
            if isinstance(whole, str):
                cell.data_type = "s"
            if number == 0:
                cell.font = Font(bold=True)
            cells.append(cell)
        sheet.append(cells)
    packed = io.BytesIO()
    book.save(packed)
    return packed.getvalue()


def _storable(text: str) -> str:
    """Text without the control characters XML cannot hold, and not longer than a cell can be (32767)."""
    return "".join(character for character in text if character >= " " or character in "\t\n\r")[:32767]
