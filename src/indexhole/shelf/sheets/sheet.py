"""The trial sheet: a CSV file in UTF-8, one trial a row, rows in order of time (docs/shelf.md has the contract)."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from datetime import datetime
from pathlib import Path
from typing import Annotated

from pydantic import BaseModel, BeforeValidator, ConfigDict, ValidationError, model_validator
from pydantic_core import PydanticCustomError

from indexhole.csv_text import csv_line, csv_rows
from indexhole.errors import InputFault, together
from indexhole.model.trials.trial import Operation, Trial
from indexhole.shelf.files.writing import write_whole
from indexhole.shelf.sheets.sheet_text import sheet_text
from indexhole.wording import plural_of

COLUMNS = (
    "trial", "when", "operation", "host", "lead", "mechanism", "disk", "side",
    "first_cylinder", "last_cylinder", "sectors_tried", "sectors_failed", "note",
)  # fmt: skip
OPERATIONS = ("write", "read", "format")
LARGEST_SHEET_BYTES = 64 << 20
LAST_CYLINDER = 254
MOST_SECTORS = 10_000_000
MOST_FAULTS = 10_000  # our own choice: nobody mends more by hand

_DATE = re.compile(r"\d{4}-\d\d-\d\d([T ]\d\d:\d\d(:\d\d(\.\d{1,6})?)?(Z|[+-]\d\d:\d\d)?)?", re.ASCII)
_CONTROL = re.compile(r"[\x00-\x1f\x7f-\x9f]")


def _fault(message: str) -> PydanticCustomError:
    return PydanticCustomError("sheet", "{message}", {"message": message})


def _name(text: str) -> str:
    if len(text) > 80:
        raise _fault("longer than 80 characters; use the inventory number")
    if _CONTROL.search(text):
        raise _fault("holds a control character; type it again")
    return text


def _needed(text: str) -> str:
    if not text:
        raise _fault("is empty; fill it in")
    return _name(text)


def _date(text: str) -> str:
    try:
        if not _DATE.fullmatch(text):
            raise ValueError
        datetime.fromisoformat(text)
    except ValueError:
        raise _fault(f"{_shown(text)} is not a date; write it as 2026-03-01 or 2026-03-01T14:05") from None
    return text


def _operation(text: str) -> str:
    if text not in OPERATIONS:
        raise _fault(f"{_shown(text)} is not an operation; use {', '.join(OPERATIONS)}")
    return text


def _mechanism(text: str) -> str:
    unit, point, number = _needed(text).rpartition(".")
    if not (unit.strip() and point and re.fullmatch("[0-9]{1,3}", number)):
        raise _fault(f"{_shown(text)} is not UNIT.NUMBER; write it as D1.0")
    return text


def _whole(lowest: int, highest: int) -> BeforeValidator:
    def read(text: str) -> int:
        if not text:
            raise _fault("is empty; fill it in")
        if not re.fullmatch(r"[+-]?[0-9]+", text):
            raise _fault(f"{_shown(text)} is not a whole number; write digits only")
        number = int(text) if len(text) < 20 else highest + 1
        if text.startswith("-") and number < 0 <= lowest:
            raise _fault(f"{_shown(text)} is negative; a count or number starts at {lowest}")
        if not lowest <= number <= highest:
            raise _fault(f"{_shown(text)} is not from {lowest} to {highest}; check the number")
        return number

    return BeforeValidator(read)


def _shown(text: str) -> str:
    return repr(text if len(text) <= 30 else text[:27] + "...")


class SheetRow(BaseModel):
    """One row as text from outside, checked column by column, then as a whole."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    trial: Annotated[str, BeforeValidator(_needed)]
    when: Annotated[str, BeforeValidator(_date)]
    operation: Annotated[Operation, BeforeValidator(_operation)]
    host: Annotated[str, BeforeValidator(_name)]
    lead: Annotated[str, BeforeValidator(_name)]
    mechanism: Annotated[str, BeforeValidator(_mechanism)]
    disk: Annotated[str, BeforeValidator(_needed)]
    side: Annotated[int, _whole(0, 1)]
    first_cylinder: Annotated[int, _whole(0, LAST_CYLINDER)]
    last_cylinder: Annotated[int, _whole(0, LAST_CYLINDER)]
    sectors_tried: Annotated[int, _whole(0, MOST_SECTORS)]
    sectors_failed: Annotated[int, _whole(0, MOST_SECTORS)]
    note: str = ""

    @model_validator(mode="after")
    def _agrees(self) -> SheetRow:
        if self.first_cylinder > self.last_cylinder:
            raise _fault(
                f"first_cylinder {self.first_cylinder} lies above last_cylinder {self.last_cylinder}; swap them"
            )
        if self.sectors_failed > self.sectors_tried:
            raise _fault(
                f"sectors_failed {self.sectors_failed} is more than sectors_tried {self.sectors_tried}; mend the counts"
            )
        return self

    def as_trial(self) -> Trial:
        """The row as the trial that register and diagnosis share."""
        return Trial(**self.model_dump())


def read_sheet(path: Path) -> list[Trial]:
    """Read a trial sheet, with or without a byte order mark.

    Returns the trials in the order of the rows. Raises InputFault with every fault of the file counted and
    the first few told: row (the heading is row 1), column, what is wrong and what to do.
    """
    remedy = "a trial sheet is a CSV file; split it if it really is one"
    text = sheet_text(path, named="the trial sheet", largest_bytes=LARGEST_SHEET_BYTES, remedy=remedy)
    return parse_sheet(text, where=str(path))


def parse_sheet(text: str, *, where: str) -> list[Trial]:
    """The trials of a sheet's text; faults as in `read_sheet`."""
    rows = csv_rows(text, where)
    heading = next((row for _, row in rows), None)
    if heading is None:
        raise InputFault("is empty", where=where, remedy=f"its first row names the columns {','.join(COLUMNS)}")
    columns = _columns(heading, where)
    faults: list[str] = []
    trials: list[Trial] = []
    seen: dict[str, int] = {}
    for number, row in rows:
        if not any(cell.strip() for cell in row):
            continue
        trial = _trial(number, row, columns, faults)
        if len(faults) >= MOST_FAULTS:
            # a damaged sheet of that size would take hours and all memory to tell of
            raise together(faults, where, at_least=True)
        if trial is None:
            continue
        if trial.trial in seen:
            faults.append(
                f"row {number}, column trial: {_shown(trial.trial)} stands in row {seen[trial.trial]} already; "
                "give each trial its own name"
            )
        seen.setdefault(trial.trial, number)
        trials.append(trial)
    if faults:
        raise together(faults, where)
    if not trials:
        raise InputFault("has a heading but no trials", where=where, remedy="add a row for each trial")
    return trials


def _columns(heading: Sequence[str], where: str) -> dict[int, str]:
    """Column names by position. A column without a name is let be as long as its cells are empty."""
    names = [cell.strip() for cell in heading]
    columns = {k: name for k, name in enumerate(names) if name}
    found = list(columns.values())
    faults = []
    if missing := [name for name in COLUMNS if name not in found and name != "note"]:
        summary = f"missing {plural_of('column', len(missing))} {', '.join(missing)}"
        if len(found) == 1 and ";" in found[0]:
            summary += " (the cells are parted by semicolons: save with commas)"
        faults.append(f"row 1: {summary}; the heading is {','.join(COLUMNS)}")
    elif unknown := sorted(set(found) - set(COLUMNS)):
        faults.append(f"row 1: unknown column {', '.join(map(_shown, unknown))}; rename or remove it")
    elif twice := sorted({name for name in found if found.count(name) > 1}):
        faults.append(f"row 1: column {', '.join(twice)} stands there twice; remove one")
    if faults:
        raise together(faults, where)
    return columns


def _trial(number: int, row: Sequence[str], columns: dict[int, str], faults: list[str]) -> Trial | None:
    """The row as a trial, or None with its faults added to the list."""
    stray = [cell for k, cell in enumerate(row) if k not in columns and cell.strip()]
    if stray:
        faults.append(f"row {number}: {_shown(stray[0])} stands under no column; quote a cell that holds a comma")
        return None
    cells = {name: row[k] if k < len(row) else "" for k, name in columns.items()}
    trimmed = {name: cell if name == "note" else cell.strip() for name, cell in cells.items()}
    try:
        return SheetRow.model_validate(trimmed).as_trial()
    except ValidationError as fault:
        for error in fault.errors():
            column = f", column {error['loc'][0]}" if error["loc"] else ""
            faults.append(f"row {number}{column}: {error['msg']}")
        return None


def checked_trials(trials: Iterable[Trial]) -> list[Trial]:
    """Trials made elsewhere, held to what a sheet may say. Raises InputFault as `read_sheet` does."""
    return parse_sheet(sheet_bytes(trials).decode("utf-8"), where="trials")


def sheet_bytes(trials: Iterable[Trial]) -> bytes:
    """The trials as the bytes of a sheet: UTF-8 without a mark, rows end in a line feed.

    Raises InputFault for text that UTF-8 or the sheet cannot hold.
    """
    lines = [csv_line(COLUMNS)]
    for trial in trials:
        lines.append(csv_line(str(getattr(trial, name)) for name in COLUMNS))
    text = "\n".join(lines) + "\n"
    if "\0" in text:
        raise InputFault("a trial's text holds a NUL character", remedy="take it out")
    try:
        return text.encode("utf-8")
    except UnicodeEncodeError as fault:
        raise InputFault("a trial's text holds half a character", remedy="type that note again") from fault


def write_sheet(trials: Iterable[Trial], path: Path) -> None:
    """Write a trial sheet, whole or not at all. Raises InputFault or ShelfFault."""
    write_whole(path, sheet_bytes(trials))
