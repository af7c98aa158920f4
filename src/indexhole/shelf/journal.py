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
from indexhole.errors import ShelfFault
from indexhole.shelf.database import transaction
from indexhole.shelf.records import now
from indexhole.shelf.tables import UtcDateTime, changed_rows, changes, metadata

Values = Mapping[str, Any]


@dataclass(frozen=True, slots=True)
class Change:
    """One change of the register, as the journal tells it."""

    number: int
    at_utc: datetime
    what: str
    rows: int


def _packed(values: Values) -> str:
    return json.dumps(dict(values), default=lambda moment: moment.isoformat(), sort_keys=True)


def _unpacked(table: Table, packed: str) -> dict[str, Any]:
    """Values of a journal row; a column the schema no longer has is left out."""
    values = json.loads(packed)
    return {
        column.name: datetime.fromisoformat(values[column.name])
        if isinstance(column.type, (UtcDateTime, DateTime)) and values[column.name] is not None
        else values[column.name]
        for column in table.columns
        if column.name in values
    }


class Writing:
    """An open change: inserts, updates and deletes by row number, each noted in the journal."""

    def __init__(self, connection: Connection, what: str) -> None:
        self.connection = connection
        self._what = what
        self._change: int | None = None

    def next_row(self, table: Table) -> int:
        """The row number the next insert takes; a writer holds the file alone, so it stays true."""
        return int(self.connection.execute(select(func.coalesce(func.max(table.c.row), 0))).scalar_one()) + 1

    def insert(self, table: Table, rows: Sequence[Values]) -> None:
        """Add rows in order; every column but `row` must be given."""
        if not rows:
            return
        first = self.next_row(table)
        numbered = [{**values, "row": first + k} for k, values in enumerate(rows)]
        self.connection.execute(insert(table), numbered)
        self._note(table, [(values["row"], None, _packed(values)) for values in numbered])

    def update(self, table: Table, row: int, values: Values) -> None:
        """Give a row new values."""
        before = self.read(table, row)
        self.connection.execute(update(table).where(table.c.row == row).values(**values))
        self._note(table, [(row, _packed(before), _packed({**before, **values}))])

    def delete(self, table: Table, row: int) -> None:
        """Take a row out."""
        before = self.read(table, row)
        self.connection.execute(delete(table).where(table.c.row == row))
        self._note(table, [(row, _packed(before), None)])

    def read(self, table: Table, row: int) -> dict[str, Any]:
        """A row as it stands."""
        return dict(self.connection.execute(select(table).where(table.c.row == row)).mappings().one())

    def _note(self, table: Table, rows: Sequence[tuple[int, str | None, str | None]]) -> None:
        if self._change is None:
            # entered with the first row it changes: what changed nothing has nothing to undo
            entry = insert(changes).values(at_utc=now(), what=self._what, version=__version__)
            self._change = self.connection.execute(entry.returning(changes.c.row)).scalar_one()
        self.connection.execute(
            insert(changed_rows),
            [
                {"change": self._change, "table_name": table.name, "row_changed": row, "before": was, "after": is_}
                for row, was, is_ in rows
            ],
        )


@contextmanager
def writing(engine: Engine, what: str, where: Path) -> Iterator[Writing]:
    """Open a change; it is kept whole when the block ends well, and not at all otherwise."""
    with transaction(engine, writing=True, where=where) as connection:
        yield Writing(connection, what)


def changes_kept(connection: Connection) -> list[Change]:
    """Changes that have not been undone, the latest first."""
    rows = func.count(changed_rows.c.row)
    told = connection.execute(
        select(changes.c.row, changes.c.at_utc, changes.c.what, rows)
        .join(changed_rows, changed_rows.c.change == changes.c.row, isouter=True)
        .where(changes.c.undone_utc.is_(None))
        .group_by(changes.c.row)
        .order_by(changes.c.row.desc())
    )
    return [Change(*row) for row in told]


def undo(connection: Connection, change: Change, where: Path) -> None:
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
        if entry["before"] is None:
            connection.execute(delete(table).where(here))
        elif entry["after"] is None:
            connection.execute(insert(table).values(**_unpacked(table, entry["before"])))
        else:
            connection.execute(update(table).where(here).values(**_unpacked(table, entry["before"])))
    connection.execute(update(changes).where(changes.c.row == change.number).values(undone_utc=now()))


def _unchanged_since(connection: Connection, table: Table, entry: Values, where: Path) -> None:
    here = connection.execute(select(table).where(table.c.row == entry["row_changed"])).mappings().one_or_none()
    left = None if entry["after"] is None else _unpacked(table, entry["after"])
    same = here is None if left is None else here is not None and all(here[name] == left[name] for name in left)
    if not same:
        raise ShelfFault(
            f"row {entry['row_changed']} of {table.name} was changed by other means since",
            where=str(where),
            remedy="put it right by hand, or put back a copy of the folder",
        )
