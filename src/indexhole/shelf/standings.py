"""How far a field can be trusted: `not known` is something else than empty, and `as told` names who said so."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Literal, get_args

from sqlalchemy import Connection, select

from indexhole.errors import InputFault
from indexhole.shelf.journal import Writing
from indexhole.shelf.records import Record
from indexhole.shelf.tables import field_standings

FieldWord = Literal["not known", "as told"]
# what an entry is known by and what the register itself notes cannot be doubted field by field
_FREE = ("standing", "added_utc")


@dataclass(frozen=True, slots=True)
class FieldStanding:
    """How a field stands; `source` says who told it ("the previous owner"), or where it was looked for in vain."""

    field: str
    standing: FieldWord
    source: str = ""


def read(connection: Connection, kind: type[Record], key: str) -> dict[str, FieldStanding]:
    """The fields of an entry that stand in another way than plainly, by name."""
    rows = connection.execute(select(field_standings).where(*_of(kind, key)).order_by(field_standings.c.row)).mappings()
    return {row["field"]: FieldStanding(row["field"], row["standing"], row["source"]) for row in rows}


def put(change: Writing, record: Record, field: str, standing: FieldWord | None, source: str) -> None:
    """Give a field of an entry a standing, or (None) take it away.

    Raises InputFault for a field that can have none, `not known` for one that says something, and `as told` for
    one that says nothing or without a source.
    """
    kind = type(record)
    if field not in kind.model_fields or field in (kind.KEY, *kind.FIXED, *_FREE):
        raise InputFault(f"a {kind.WORD} has no field {field} that could be doubted")
    held = getattr(record, field)
    empty = held in (None, "")
    if standing is not None and standing not in get_args(FieldWord):
        raise InputFault(f"{standing!r} is no standing of a field", remedy=f"use {' or '.join(get_args(FieldWord))}")
    if standing == "not known" and not empty:
        raise InputFault(f"{field} of {kind.WORD} {record.key} says {held!r}", remedy="empty it first")
    if standing == "as told" and (empty or not source):
        raise InputFault(f"{field} of {kind.WORD} {record.key} needs a value, and who said so")
    row = change.connection.execute(
        select(field_standings.c.row).where(*_of(kind, record.key), field_standings.c.field == field)
    ).scalar_one_or_none()
    values: dict[str, Any] = {"standing": standing, "source": source}
    if standing is None:
        if row is not None:
            change.delete(field_standings, row)
    elif row is None:
        change.insert(field_standings, [{"kind": kind.WORD, "key": record.key, "field": field, **values}])
    else:
        change.update(field_standings, row, values)


def drop_answered(change: Writing, before: Record, after: Record) -> None:
    """Take away what no longer fits a changed entry: what is changed at the bench was told by nobody else."""
    held = change.connection.execute(select(field_standings).where(*_of(type(after), after.key))).mappings().all()
    for row in held:
        field = row["field"]
        if getattr(before, field) != getattr(after, field):
            change.delete(field_standings, row["row"])


def drop_all(change: Writing, kind: type[Record], key: str) -> None:
    """Take away all standings of an entry that goes."""
    for row in change.connection.execute(select(field_standings.c.row).where(*_of(kind, key))).scalars().all():
        change.delete(field_standings, row)


def _of(kind: type[Record], key: str) -> tuple[Any, Any]:
    return field_standings.c.kind == kind.WORD, field_standings.c.key == key
