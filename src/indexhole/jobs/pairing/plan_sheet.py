"""A show plan: a CSV file in UTF-8, one step a row, rows in the order of the show (docs/pairing-report.md)."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from indexhole.csv_text import csv_rows
from indexhole.errors import InputFault, together
from indexhole.pairing.parts.parts import Operation
from indexhole.shelf.sheets.sheet_text import decode_sheet, sheet_text

COLUMNS = ("step", "operation", "host", "lead", "mechanism", "writer", "reader", "disk", "layout", "note")
HEADING = "step,operation,host,lead,mechanism,disk"
LARGEST_PLAN_BYTES = 1 << 20
MOST_STEPS = 500
_LONGEST = 80
_CONTROL = re.compile(r"[\x00-\x1f\x7f-\x9f\ud800-\udfff]")
# what the sheet may say, and the operation it is reckoned as
_OPERATIONS: dict[str, Operation] = {
    "read": "read",
    "write": "update",
    "update": "update",
    "format": "format",
    "exchange": "exchange",
}


@dataclass(frozen=True)
class Step:
    """One step of a show: what is done with which disk, by whom. `reader` does it; `writer` is given for an exchange.

    `row` is its row in the sheet, the heading being row 1.
    """

    row: int
    step: str
    operation: Operation
    host: str
    lead: str
    writer: str
    reader: str
    disk: str
    layout: str = ""
    note: str = ""


def read_plan(path: Path) -> list[Step]:
    """The steps of a plan. Raises InputFault with every fault counted and the first few told."""
    text = sheet_text(path, named="the show plan", largest_bytes=LARGEST_PLAN_BYTES)
    return parse_plan(text, where=str(path))


def plan_of(content: bytes, *, where: str) -> list[Step]:
    """The steps of a plan's bytes; faults as in `read_plan`."""
    if len(content) > LARGEST_PLAN_BYTES:
        raise InputFault(f"is larger than {LARGEST_PLAN_BYTES >> 20} MiB", where=where, remedy="split it")
    return parse_plan(decode_sheet(content, where=where), where=where)


def parse_plan(text: str, *, where: str) -> list[Step]:
    """The steps of a plan's text; faults as in `read_plan`."""
    rows = csv_rows(text, where)
    heading = next((row for _, row in rows), None)
    if heading is None:
        raise InputFault("is empty", where=where, remedy=f"its first row names the columns, as {HEADING}")
    columns = _columns(heading, where)
    faults: list[str] = []
    steps: list[Step] = []
    for number, row in rows:
        if not any(cell.strip() for cell in row):
            continue
        if len(steps) + len(faults) >= MOST_STEPS:
            raise InputFault(f"holds more than {MOST_STEPS} steps", where=where, remedy="split it")
        told = _step(number, columns, row)
        if isinstance(told, Step):
            steps.append(told)
        else:
            faults.append(f"row {number}{told}")
    if faults:
        raise together(faults, where)
    if not steps:
        raise InputFault("has a heading but no steps", where=where, remedy="add a row for each step")
    return steps


def _columns(heading: Sequence[str], where: str) -> list[str]:
    names = [cell.strip().lower() for cell in heading]
    while names and not names[-1]:
        names.pop()
    told = ""
    if missing := [name for name in ("step", "operation") if name not in names]:
        told = f"lacks {', '.join(missing)}"
        if len(names) == 1 and ";" in names[0]:
            told += " (the cells are separated by semicolons: save with commas)"
    elif unknown := [name for name in names if name not in COLUMNS]:
        told = f"names {_shown(unknown[0])}, which is no column of a plan"
    elif len(set(names)) < len(names):
        told = "names a column twice"
    elif not {"mechanism", "reader"} & set(names):
        told = "lacks mechanism, or writer and reader"
    if told:
        raise InputFault(f"row 1: the heading {told}", where=where, remedy=f"write {HEADING}")
    return names


def _step(number: int, columns: Sequence[str], row: Sequence[str]) -> Step | str:
    """The row as a step, or what is wrong with it."""
    if any(cell.strip() for cell in row[len(columns) :]):
        return ": more cells than columns; quote a cell that holds a comma"
    cells = {name: cell.strip() for name, cell in zip(columns, row, strict=False)}
    for name, cell in cells.items():
        if name != "note" and len(cell) > _LONGEST:
            return f", column {name}: longer than {_LONGEST} characters; use the inventory number"
        if _CONTROL.search(cell.replace("\n", " ").replace("\r", " ") if name == "note" else cell):
            return f", column {name}: holds a control character; type it again"
    word = cells.get("operation", "").lower()
    if word not in _OPERATIONS:
        return f", column operation: {_shown(word)} is not an operation; use {', '.join(_OPERATIONS)}"
    writer, reader = cells.get("writer", ""), cells.get("reader", "")
    mechanism = cells.get("mechanism", "")
    operation = _OPERATIONS[word]
    if mechanism and reader and mechanism != reader:
        return f": names both {_shown(mechanism)} and {_shown(reader)} to do it; keep one"
    reader = reader or mechanism or (writer if operation == "format" else "")
    if operation == "exchange" and not (writer and reader):
        return ": an exchange needs a writer and a reader"
    if not reader:
        return f": {word} needs a mechanism"
    if not cells.get("disk") and operation != "exchange":
        return f": {word} needs a disk"
    return Step(
        row=number,
        step=cells.get("step", "") or str(number - 1),
        operation=operation,
        host=cells.get("host", ""),
        lead=cells.get("lead", ""),
        writer="" if operation == "format" else writer,
        reader=reader,
        disk=cells.get("disk", ""),
        layout=cells.get("layout", ""),
        note=" ".join(cells.get("note", "").split())[:200],
    )


def _shown(text: str) -> str:
    return repr(text if len(text) <= 30 else text[:27] + "...")
