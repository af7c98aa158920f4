"""Every write to the register goes through here and leaves its rows as they were and as they became.

That is all undo needs: the last change is taken back row by row, in reverse order.
"""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

from sqlalchemy import Connection, DateTime, Engine, Table, delete, func, insert, select, update

from indexhole import __version__
from indexhole.errors import InputFault, ShelfFault
from indexhole.shelf.records.records import now
from indexhole.shelf.register import search
from indexhole.shelf.register.database import RESTORE, transaction
from indexhole.shelf.register.tables import UtcDateTime, changed_rows, changes, metadata

Values = Mapping[str, Any]
LONGEST_WHO, LONGEST_WHY = 200, 2000


@dataclass(frozen=True, slots=True)
class Change:
    """One change of the register, as the journal tells it."""

    number: int
    at_utc: datetime
    what: str
    rows: int
    who: str = ""
    why: str = ""


@dataclass(frozen=True, slots=True)
class Signature:
    """Who changes something, and why; both may be empty."""

    who: str = ""
    why: str = ""


def checked_signature(who: str, why: str) -> Signature:
    """A signature without spaces at its ends. Raises InputFault for one that is too long or holds a NUL character."""
    signature = Signature(who.strip(), why.strip())
    for what, text, longest in (("who made it", signature.who, LONGEST_WHO), ("why", signature.why, LONGEST_WHY)):
        if len(text) > longest or "\0" in text:
            raise InputFault(f"{what} holds a NUL character or more than {longest} characters", remedy="say it shorter")
    return signature


def packed(values: Values) -> str:
    """Values of a row as the journal keeps them."""
    return json.dumps(dict(values), default=lambda moment: moment.isoformat(), sort_keys=True)


UNSIGNED = Signature()


def noted_values(noted: str | None, *needed: str) -> dict[str, Any]:
    """What the journal notes of a row, as JSON has it; nothing for a row that was not there.

    Raises ShelfFault for what is no such note, or lacks one of the names needed.
    """
    if not noted:
        return {}
    try:
        values = json.loads(noted)
    except (ValueError, TypeError, RecursionError) as fault:
        raise damaged_journal() from fault
    if not isinstance(values, dict) or not values.keys() >= set(needed):
        raise damaged_journal()
    return values


def damaged_journal() -> ShelfFault:
    """The fault of a journal that cannot be read."""
    return ShelfFault("the register's journal is damaged", remedy=RESTORE)


def unpacked(table: Table, packed: str) -> dict[str, Any]:
    """Values of a journal row; a column the schema no longer has is left out. Raises ShelfFault for damaged ones."""
    values = noted_values(packed)
    try:
        return {
            column.name: datetime.fromisoformat(values[column.name])
            if isinstance(column.type, (UtcDateTime, DateTime)) and values[column.name] is not None
            else values[column.name]
            for column in table.columns
            if column.name in values
        }
    except (ValueError, TypeError) as fault:
        raise damaged_journal() from fault


class Writing:
    """An open change: inserts, updates and deletes by row number, each noted in the journal.

    A row with a `revision` takes the number of the change that leaves it as it is; undo brings back the number with
    the values, so one number never stands for two contents.
    """

    def __init__(self, connection: Connection, what: str, signature: Signature = UNSIGNED) -> None:
        self.connection = connection
        self._what = what
        self.signature = signature
        self._change: int | None = None

    @property
    def begun(self) -> bool:
        """Whether any row was changed."""
        return self._change is not None

    @property
    def number(self) -> int:
        """The number of this change, entered with the first row it changes: what changed nothing cannot be undone."""
        if self._change is None:
            self._change = self.next_row(changes)
            signed = {"who": self.signature.who, "why": self.signature.why}
            entry = {"row": self._change, "at_utc": now(), "what": self._what, "version": __version__, **signed}
            self.connection.execute(insert(changes), entry)
        return self._change

    def next_row(self, table: Table) -> int:
        """The row number the next insert takes; one writes at a time, so it stays true."""
        return int(self.connection.execute(select(func.coalesce(func.max(table.c.row), 0))).scalar_one()) + 1

    def insert(self, table: Table, rows: Sequence[Values]) -> None:
        """Add rows in order; every column but `row` must be given."""
        if not rows:
            return
        first = self.next_row(table)
        mark = self._mark(table)
        numbered = [{**values, **mark, "row": first + k} for k, values in enumerate(rows)]
        self.connection.execute(insert(table), numbered)
        search.enter(self.connection, table, numbered)
        self._note(table, [(values["row"], None, packed(values)) for values in numbered])

    def update(self, table: Table, row: int, values: Values) -> bool:
        """Give a row new values; whether any of them was another one."""
        before = self.read(table, row)
        if all(before[name] == value for name, value in values.items()):
            return False
        after = {**before, **values, **self._mark(table)}
        self.connection.execute(update(table).where(table.c.row == row).values(**after))
        search.leave(self.connection, table, row)
        search.enter(self.connection, table, [after])
        self._note(table, [(row, packed(before), packed(after))])
        return True

    def touch(self, table: Table, row: int) -> None:
        """Give a row the number of this change, for something changed that belongs to it."""
        self.update(table, row, self._mark(table))

    def delete(self, table: Table, row: int) -> None:
        """Take a row out."""
        before = self.read(table, row)
        self.connection.execute(delete(table).where(table.c.row == row))
        search.leave(self.connection, table, row)
        self._note(table, [(row, packed(before), None)])

    def read(self, table: Table, row: int) -> dict[str, Any]:
        """A row as it stands."""
        return dict(self.connection.execute(select(table).where(table.c.row == row)).mappings().one())

    def _mark(self, table: Table) -> dict[str, int]:
        return {"revision": self.number} if "revision" in table.c else {}

    def _note(self, table: Table, rows: Sequence[tuple[int, str | None, str | None]]) -> None:
        first = self.next_row(changed_rows)
        common = {"change": self.number, "table_name": table.name}
        self.connection.execute(
            insert(changed_rows),
            [
                {**common, "row": first + k, "row_changed": row, "before": was, "after": is_}
                for k, (row, was, is_) in enumerate(rows)
            ],
        )


@contextmanager
def writing(engine: Engine, what: str, where: Path | str, signature: Signature = UNSIGNED) -> Iterator[Writing]:
    """Open a change; it is kept whole when the block ends well, and not at all otherwise."""
    with transaction(engine, writing=True, where=where) as connection:
        yield Writing(connection, what, signature)


def changes_kept(connection: Connection, limit: int | None = None) -> list[Change]:
    """Changes that have not been undone, the latest first; all of them or the first so many."""
    # counted change by change: with a limit, the rest of a long journal is not gone through
    rows = select(func.count()).where(changed_rows.c.change == changes.c.row).scalar_subquery()
    found = connection.execute(
        select(changes.c.row, changes.c.at_utc, changes.c.what, rows, changes.c.who, changes.c.why)
        .where(changes.c.undone_utc.is_(None))
        .order_by(changes.c.row.desc())
        .limit(limit)
    )
    return [Change(*row) for row in found]


def undo(connection: Connection, change: Change, where: Path | str) -> None:
    """Take one change back inside a writing transaction.

    Raises ShelfFault when a row is no longer as the change left it, so that nothing later is lost.
    """
    noted = connection.execute(
        select(changed_rows).where(changed_rows.c.change == change.number).order_by(changed_rows.c.row.desc())
    ).mappings()
    for entry in noted.all():
        table = metadata.tables[entry["table_name"]]
        _unchanged_since(connection, table, dict(entry), where)
        here = table.c.row == entry["row_changed"]
        search.leave(connection, table, entry["row_changed"])
        if entry["before"] is None:
            connection.execute(delete(table).where(here))
            continue
        before = unpacked(table, entry["before"])
        if entry["after"] is None:
            connection.execute(insert(table).values(**before))
        else:
            connection.execute(update(table).where(here).values(**before))
        search.enter(connection, table, [before])
    connection.execute(update(changes).where(changes.c.row == change.number).values(undone_utc=now()))


def _unchanged_since(connection: Connection, table: Table, entry: Values, where: Path | str) -> None:
    here = connection.execute(select(table).where(table.c.row == entry["row_changed"])).mappings().one_or_none()
    left = None if entry["after"] is None else unpacked(table, entry["after"])
    same = here is None if left is None else here is not None and all(here[name] == left[name] for name in left)
    if not same:
        raise ShelfFault(
            f"row {entry['row_changed']} of {table.name} was changed by other means since",
            where=str(where),
            remedy="put it right by hand, or put back a copy of the folder",
        )
