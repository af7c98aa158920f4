"""Entries as a spreadsheet and back: the first row names fields, a row is an entry; what changes is shown first.

plan = plan_import(shelf, Unit, rows)      what would be added and changed, and every faulty cell
carry_out(shelf, plan, "units.xlsx")       all of it as one change, or nothing
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Generic, TypeVar

from pydantic import ValidationError

from indexhole.errors import InputFault, together
from indexhole.shelf.records.additions import View
from indexhole.shelf.records.entry import Record
from indexhole.shelf.records.records import fault_words
from indexhole.shelf.records.shown import naming
from indexhole.shelf.register.shelf import Shelf
from indexhole.shelf.register.tables import TABLES, kind_of
from indexhole.shelf.sheets.spreadsheet import cell_text
from indexhole.wording import count_of

R = TypeVar("R", bound=Record)
T = TypeVar("T")

# how many of all rows or entries are gone through
Progress = Callable[[int, int], None]
_TELL_EVERY = 200

# kinds whose entries may come from outside: captures and photos are files first, and a view is a saved question
EXCHANGED: tuple[type[Record], ...] = tuple(kind for kind in TABLES if not kind.FROM_FILE and kind is not View)


@dataclass(frozen=True, slots=True)
class CellFault:
    """What is wrong with a cell: row and column as a spreadsheet counts them, from 1, the heading being row 1.

    `name` is the column's heading; it is empty, and `column` 0, for a fault of the row as a whole.
    """

    row: int
    column: int
    name: str
    what: str

    @property
    def cell(self) -> str:
        """The cell as a spreadsheet names it, such as B3, or the row."""
        return f"{_letters(self.column)}{self.row}" if self.column else f"row {self.row}"

    @property
    def line(self) -> str:
        """The fault with its place, such as: B3 (title): is too long."""
        return f"{self.cell} ({self.name}): {self.what}" if self.column else f"{self.cell}: {self.what}"


@dataclass(frozen=True, slots=True)
class Alteration(Generic[R]):
    """An entry a sheet changes: what it is, what it becomes, and field by field what was and what will be."""

    row: int
    before: R
    after: R
    revision: int

    @property
    def fields(self) -> tuple[tuple[str, Any, Any], ...]:
        """Field, what it says, what it would say."""
        was, will = self.before.model_dump(), self.after.model_dump()
        return tuple((name, was[name], will[name]) for name in was if was[name] != will[name])


@dataclass(frozen=True, slots=True)
class Plan(Generic[R]):
    """What a sheet would do: entries added (and their rows) and changed, how many stay, and its faults."""

    kind: type[R]
    added: tuple[R, ...]
    added_rows: tuple[int, ...]
    changed: tuple[Alteration[R], ...]
    unchanged: int
    faults: tuple[CellFault, ...]


def sheet_rows(shelf: Shelf, kind: type[Record]) -> list[list[Any]]:
    """All entries of a kind as rows of cells, the heading first."""
    names = list(kind.model_fields)
    return [names, *([getattr(record, name) for name in names] for record in shelf.all(kind))]


def plan_import(
    shelf: Shelf, kind: type[R], rows: Sequence[Sequence[str]], *, where: str = "", progress: Progress | None = None
) -> Plan[R]:
    """What the rows would do to the shelf; nothing is changed.

    A row whose key stands on the shelf changes that entry in the columns the sheet has; any other is a new one. Keys
    the register gives out may be left empty for a new one. Raises InputFault when the heading does not fit.
    """
    if kind not in EXCHANGED:
        raise InputFault(f"a {kind.WORD} cannot come from a spreadsheet", where=where)
    columns = _columns(kind, rows[0] if rows else (), where)
    held = {record.key: record for record in shelf.all(kind)}
    known = {field.name: set(shelf.revisions(kind_of(field.shown.names))) for field in naming(kind)}
    revisions = shelf.revisions(kind)
    added: list[tuple[int, R]] = []
    changed: list[Alteration[R]] = []
    faults: list[CellFault] = []
    unchanged = 0
    seen: dict[str, int] = {}
    for number, row in enumerate(_telling(rows[1:], progress, len(rows)), start=2):
        if not any(cell.strip() for cell in row):
            continue
        record = _record(kind, number, row, columns, held, faults)
        if record is None:
            continue
        before = held.get(record.key)
        lost = _lost(number, columns, record, known)
        if lost:
            faults += lost
        elif record.key in seen:
            faults.append(_of_key(kind, number, columns, f"{record.key} stands in row {seen[record.key]} already"))
        elif before is None:
            added.append((number, record))
        elif before == record:
            unchanged += 1
        else:
            changed.append(Alteration(number, before, record, revisions[record.key]))
        if record.key:
            seen.setdefault(record.key, number)
    new, new_rows = tuple(record for _, record in added), tuple(row for row, _ in added)
    return Plan(kind, new, new_rows, tuple(changed), unchanged, tuple(faults))


def _telling(items: Iterable[T], progress: Progress | None, total: int, first: int = 0) -> Iterator[T]:
    for done, item in enumerate(items, start=first):
        if progress is not None and done % _TELL_EVERY == 0:
            progress(done, total)
        yield item


def carry_out(shelf: Shelf, plan: Plan[R], source: str = "", progress: Progress | None = None) -> int | None:
    """Do what the plan says as one change, all or nothing; returns its number, None when there was nothing to do.

    Raises InputFault when the plan has faults, or when an entry was changed since it was made.
    """
    if plan.faults:
        raise together([fault.line for fault in plan.faults], source, "nothing was changed; mend these cells")
    edits = [
        (entry.before.key, {name: will for name, _, will in entry.fields}, entry.revision) for entry in plan.changed
    ]
    count = len(plan.added) + len(edits)
    what = f"import {count_of(count, plan.kind.WORD)}" + (f" from {source}" if source else "")
    new = _telling(plan.added, progress, count)
    return shelf.add_and_update(plan.kind, new, _telling(edits, progress, count, first=len(plan.added)), what)


def _lost(number: int, columns: Mapping[int, str], record: Record, known: Mapping[str, set[str]]) -> list[CellFault]:
    """Faults of cells that name what is not on the shelf."""
    numbers = {name: k + 1 for k, name in columns.items()}
    return [
        CellFault(number, numbers.get(field.name, 0), field.name, f"there is no {field.shown.names} {key} on the shelf")
        for field in naming(type(record))
        if (key := getattr(record, field.name)) and key not in known[field.name]
    ]


def _columns(kind: type[Record], heading: Sequence[str], where: str) -> dict[int, str]:
    names = {number: cell.strip() for number, cell in enumerate(heading) if cell.strip()}
    found = list(names.values())
    fields = ", ".join(kind.model_fields)
    if not found:
        raise InputFault("is empty", where=where, remedy=f"its first row names fields of a {kind.WORD}: {fields}")
    unknown = sorted(set(found) - set(kind.model_fields))
    twice = sorted({name for name in found if found.count(name) > 1})
    if unknown or twice:
        fault = f"has no field {unknown[0]!r}" if unknown else f"has its field {twice[0]} in two columns"
        raise InputFault(f"row 1: a {kind.WORD} {fault}", where=where, remedy=f"its fields are {fields}")
    if kind.KEY not in found and not kind.LETTERS:
        raise InputFault(f"row 1: no column {kind.KEY}", where=where, remedy=f"a {kind.WORD} is known by it")
    return names


def _record(
    kind: type[R],
    number: int,
    row: Sequence[str],
    columns: Mapping[int, str],
    held: Mapping[str, R],
    faults: list[CellFault],
) -> R | None:
    """The row as an entry, laid over the one that stands; None with its faults added to the list."""
    stray = [k for k, cell in enumerate(row) if cell.strip() and k not in columns]
    if stray:
        faults.append(CellFault(number, stray[0] + 1, "no heading", "stands under no heading; clear it or name it"))
        return None
    cells = {name: row[k].strip() if k < len(row) else "" for k, name in columns.items()}
    values = {name: None if text == "" and _may_lack(kind, name) else text for name, text in cells.items()}
    before = held.get(cells.get(kind.KEY, ""))
    if before is not None:
        # a cell that says what the entry says leaves it as it is, to the last space
        said = {name: cell_text(getattr(before, name)).strip() for name in cells}
        values = {**before.model_dump(), **{name: value for name, value in values.items() if cells[name] != said[name]}}
    elif kind.LETTERS and cells.get(kind.KEY):
        faults.append(_of_key(kind, number, columns, f"there is no {kind.WORD} {cells[kind.KEY]}; empty it to add one"))
        return None
    # an empty cell of a new entry says what an entry says by itself
    given = {name: value for name, value in values.items() if value not in ("", None) or before is not None}
    try:
        return kind.model_validate(given)
    except ValidationError as fault:
        faults += _cell_faults(kind, number, columns, fault)
        return None


def _may_lack(kind: type[Record], name: str) -> bool:
    return kind.model_fields[name].default is None


def _cell_faults(
    kind: type[Record], number: int, columns: Mapping[int, str], fault: ValidationError
) -> list[CellFault]:
    numbers = {name: k + 1 for k, name in columns.items()}
    found = []
    for error in fault.errors():
        name = str(error["loc"][0]) if error["loc"] else ""
        what = fault_words(error)
        if name and name not in numbers:
            what, name = f"{name}: {what}", ""
        found.append(CellFault(number, numbers.get(name, 0), name, what))
    return found


def _of_key(kind: type[Record], number: int, columns: Mapping[int, str], what: str) -> CellFault:
    at = next((k + 1 for k, name in columns.items() if name == kind.KEY), 0)
    return CellFault(number, at, kind.KEY, what)


def _letters(column: int) -> str:
    """A column's letters as a spreadsheet shows them: 1 is A, 27 is AA."""
    letters = ""
    while column:
        column, digit = divmod(column - 1, 26)
        letters = chr(ord("A") + digit) + letters
    return letters
