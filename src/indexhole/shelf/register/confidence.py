"""How far a field can be trusted: `not known` is something else than empty, and `as told` names who said so."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Literal, get_args

from sqlalchemy import Connection, select

from indexhole.errors import InputFault
from indexhole.shelf.records.entry import Record
from indexhole.shelf.register.journal import Writing
from indexhole.shelf.register.tables import TABLES, field_confidences

FieldWord = Literal["not known", "as told"]
LONGEST_SOURCE = 2000


@dataclass(frozen=True, slots=True)
class FieldConfidence:
    """How a field stands; `source` says who told it ("the previous owner"), or where it was looked for in vain."""

    field: str
    standing: FieldWord
    source: str = ""


def in_words(standing: str | None, source: str) -> str:
    """A standing in words: `plain`, `not known (looked inside)`, `as told by a clerk`."""
    if standing is None:
        return "plain"
    if standing == "as told":
        return f"as told by {source}"
    return f"{standing} ({source})" if source else standing


def may_stand(kind: type[Record], field: str) -> bool:
    """Whether a field of this kind can be doubted: not what it is known by, nor what the register itself notes."""
    return field in kind.model_fields and field != kind.KEY and field not in kind.noted()


def read(connection: Connection, kind: type[Record], key: str) -> dict[str, FieldConfidence]:
    """The fields of an entry that stand in another way than plainly, by name."""
    rows = connection.execute(
        select(field_confidences).where(*_of(kind, key)).order_by(field_confidences.c.row)
    ).mappings()
    return {row["field"]: FieldConfidence(row["field"], row["standing"], row["source"]) for row in rows}


def put(change: Writing, record: Record, field: str, standing: FieldWord | None, source: str) -> None:
    """Give a field of an entry a standing, or (None) take it away.

    Raises InputFault for a field that can have none, `not known` for one that says something, and `as told` for
    one that says nothing or without a source.
    """
    kind = type(record)
    if not may_stand(kind, field):
        raise InputFault(f"a {kind.WORD} has no field {field} that could be doubted")
    if standing is not None and standing not in get_args(FieldWord):
        raise InputFault(f"{standing!r} is no standing of a field", remedy=f"use {' or '.join(get_args(FieldWord))}")
    where, held = f"{kind.WORD} {record.key} {field}", getattr(record, field)
    if standing == "not known" and not _fits(standing, held):
        raise InputFault(f"it says {held!r}, and so is known", where=where, remedy="empty it first", field=field)
    if standing == "as told" and not _fits(standing, held):
        raise InputFault("it is empty, so nothing was told", where=where, remedy="fill it in first", field=field)
    if standing == "as told" and not source:
        raise InputFault("who told it is not said", where=where, remedy="name the source", field=field)
    if len(source) > LONGEST_SOURCE:
        raise InputFault(f"who said so is longer than {LONGEST_SOURCE} characters", where=where, field=field)
    row = change.connection.execute(
        select(field_confidences.c.row).where(*_of(kind, record.key), field_confidences.c.field == field)
    ).scalar_one_or_none()
    values: dict[str, Any] = {"standing": standing, "source": source}
    if standing is None:
        if row is None:
            return
        change.delete(field_confidences, row)
    elif row is None:
        change.insert(field_confidences, [{"kind": kind.WORD, "key": record.key, "field": field, **values}])
    elif not change.update(field_confidences, row, values):
        return
    # an edit made from what stood before is late, though no field says anything else
    table = TABLES[kind]
    entry = select(table.c.row).where(table.c[kind.KEY] == record.key)
    change.touch(table, change.connection.execute(entry).scalar_one())


def renew(change: Writing, before: Record, after: Record, wanted: Mapping[str, FieldConfidence | None]) -> None:
    """Leave each field of a changed entry standing as `wanted`, or (for those not in it) as fits.

    What is changed at the bench was told by nobody else; and what was not known, and now says something, is known.
    Faults as `put`.
    """
    held = read(change.connection, type(after), after.key)
    for field in {**held, **wanted}:
        was = held.get(field)
        changed = getattr(before, field, None) != getattr(after, field, None)
        will = wanted.get(field, None if changed else was)
        if changed and will == was and was is not None and not _fits(was.standing, getattr(after, field)):
            will = None
        if will != was:
            put(change, after, field, will.standing if will else None, will.source if will else "")


def drop_all(change: Writing, kind: type[Record], key: str) -> None:
    """Take away all standings of an entry that goes."""
    for row in change.connection.execute(select(field_confidences.c.row).where(*_of(kind, key))).scalars().all():
        change.delete(field_confidences, row)


def _of(kind: type[Record], key: str) -> tuple[Any, Any]:
    return field_confidences.c.kind == kind.WORD, field_confidences.c.key == key


def _fits(standing: FieldWord, value: Any) -> bool:
    return (value in (None, "")) == (standing == "not known")
