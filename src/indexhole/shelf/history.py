"""The journal field by field: what a field said, what it says, who changed it, when and why; and stale edits."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any, NoReturn

from sqlalchemy import Connection, select

from indexhole.errors import InputFault
from indexhole.shelf.journal import packed
from indexhole.shelf.records import Record
from indexhole.shelf.tables import TABLES, changed_rows, changes


@dataclass(frozen=True, slots=True)
class FieldChange:
    """One field of one entry changed. `was` and `now` are as JSON has them; `was` is None for a new entry.

    `undone` tells that the change was taken back since.
    """

    field: str
    was: Any
    now: Any
    at_utc: datetime
    who: str
    why: str
    change: int
    undone: bool


class StaleEdit(InputFault):
    """An edit of an entry that was changed since it was read.

    Attributes:
        changed: the fields that differ from what the editor had seen, with the change that did it.
        revision: the entry's revision now; an edit that carries it is taken.
    """

    def __init__(self, kind: type[Record], key: str, changed: tuple[FieldChange, ...], revision: int) -> None:
        self.changed = changed
        self.revision = revision
        told = ", ".join(f"{c.field} ({_said(c.was)} became {_said(c.now)}{_by(c.who)})" for c in changed)
        super().__init__(
            f"{kind.WORD} {key} was changed since you read it: {told}",
            remedy="look at it again, then make your change",
        )


def _same(one: Any, other: Any) -> bool:
    # a column that came with a later schema is missing in older rows of the journal, and says nothing
    return one == other or (one in (None, "") and other in (None, ""))


def _said(value: Any) -> str:
    text = "nothing" if value in (None, "") else repr(value)
    return text if len(text) <= 60 else f"{text[:57]}..."


def _by(who: str) -> str:
    return f", by {who}" if who else ""


def field_changes(connection: Connection, kind: type[Record], row: int, key: str) -> list[FieldChange]:
    """Every change of every field of an entry, the earliest first. `row` is its number in the table of its kind."""
    found: list[FieldChange] = []
    for entry in _entries(connection, kind, row, key):
        before, after = (json.loads(entry[side]) if entry[side] else {} for side in ("before", "after"))
        names = [name for name in kind.model_fields if not _same(before.get(name), after.get(name))]
        found += [
            FieldChange(
                name, before.get(name), after.get(name), entry["at_utc"], entry["who"], entry["why"], entry["change"],
                entry["undone_utc"] is not None,
            )
            for name in names
        ]  # fmt: skip
    return found


def _entries(connection: Connection, kind: type[Record], row: int, key: str) -> list[Mapping[str, Any]]:
    asked = (
        select(changed_rows, changes.c.at_utc, changes.c.who, changes.c.why, changes.c.undone_utc)
        .join(changes, changed_rows.c.change == changes.c.row)
        .where(changed_rows.c.table_name == TABLES[kind].name, changed_rows.c.row_changed == row)
        .order_by(changed_rows.c.row)
    )
    # a number is given again when the last row of a table was taken out, so the key decides
    return [
        dict(entry)
        for entry in connection.execute(asked).mappings()
        if json.loads(entry["after"] or entry["before"]).get(kind.KEY) == key
    ]


def refuse_stale(connection: Connection, kind: type[Record], row: Mapping[str, Any], revision: int) -> None:
    """Raise StaleEdit unless the row says again what it said at that revision.

    A revision the journal does not know of this entry counts as one that said nothing.
    """
    key = str(row[kind.KEY])
    entries = _entries(connection, kind, row["row"], key)
    seen = _as_of(entries, revision)
    here = json.loads(packed({name: row[name] for name in kind.model_fields}))
    differ = [name for name in kind.model_fields if not _same(seen.get(name), here[name])]
    if not differ:
        return
    told = field_changes(connection, kind, row["row"], key)
    _tell(kind, row, differ, seen, here, told)


def _as_of(entries: list[Mapping[str, Any]], revision: int) -> dict[str, Any]:
    for entry in entries:
        for side in ("after", "before"):
            values: dict[str, Any] = json.loads(entry[side]) if entry[side] else {}
            if values and values.get("revision", 0) == revision:
                return values
    return {}


def _tell(
    kind: type[Record],
    row: Mapping[str, Any],
    differ: list[str],
    seen: Mapping[str, Any],
    here: Mapping[str, Any],
    told: list[FieldChange],
) -> NoReturn:
    latest = {change.field: change for change in told if not change.undone}
    changed = []
    for name in differ:
        last = latest.get(name) or max(told, key=lambda change: change.change)
        changed.append(
            FieldChange(name, seen.get(name), here[name], last.at_utc, last.who, last.why, last.change, last.undone)
        )
    raise StaleEdit(kind, str(row[kind.KEY]), tuple(changed), row["revision"])
