"""Entries inside one transaction: found, added, changed and taken out, with every reference held."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from difflib import get_close_matches
from typing import Any, TypeVar

from sqlalchemy import Column, Connection, Table, select

from indexhole.errors import Do, InputFault
from indexhole.shelf.records.entry import Record
from indexhole.shelf.records.records import CaptureRecord, Mechanism, Unit, checked
from indexhole.shelf.records.shown import naming
from indexhole.shelf.register import confidence
from indexhole.shelf.register.confidence import FieldConfidence
from indexhole.shelf.register.history import refuse_stale
from indexhole.shelf.register.journal import Writing
from indexhole.shelf.register.tables import TABLES, kind_of, metadata
from indexhole.shelf.register.trials import parts_played

R = TypeVar("R", bound=Record)

SHORT_SHA256 = "[0-9a-f]{6,63}"
# tables of the register's own account, which name no entry
_ACCOUNTS = ("changed_rows",)
NO_CONFIDENCES: Mapping[str, FieldConfidence | None] = {}


def as_record(kind: type[R], row: Mapping[str, Any]) -> R:
    """A row as a record. What the register holds was checked going in; a class of disk dropped since must not
    close the book."""
    fields = kind.model_fields
    return kind.model_construct(**{name: value for name, value in row.items() if name in fields})


def read_records(
    connection: Connection, kind: type[R], where: Sequence[Any] = (), *, first: int = 0, most: int | None = None
) -> list[R]:
    """Entries of a kind in order of entry, all of them or those that fulfil the conditions."""
    table = TABLES[kind]
    names = list(kind.model_fields)
    asked = select(*(table.c[name] for name in names)).where(*where).order_by(table.c.row).offset(first).limit(most)
    rows = connection.execute(asked)
    return [kind.model_construct(**dict(zip(names, row, strict=True))) for row in rows]


def find(connection: Connection, kind: type[R], key: str) -> R | None:
    """The entry of that key, or None; a capture also by the first digits of its SHA-256, if one fits."""
    row = find_row(connection, kind, key)
    return None if row is None else as_record(kind, row)


def find_row(connection: Connection, kind: type[Record], key: str) -> dict[str, Any] | None:
    """The row of that key with its number and revision, or None."""
    table = TABLES[kind]
    rows = connection.execute(select(table).where(table.c[kind.KEY] == key)).mappings().all()
    if not rows and kind is CaptureRecord and re.fullmatch(SHORT_SHA256, key):
        rows = connection.execute(select(table).where(table.c.sha256.startswith(key))).mappings().all()
    return dict(rows[0]) if len(rows) == 1 else None


def get_row(connection: Connection, kind: type[Record], key: str) -> dict[str, Any]:
    """The row of that key. Raises InputFault, naming the nearest keys, when there is none."""
    found = find_row(connection, kind, key)
    if found is not None:
        return found
    keys = list(connection.execute(select(TABLES[kind].c[kind.KEY])).scalars())
    near = get_close_matches(key, keys, cutoff=0.5)
    raise InputFault(
        f"there is no {kind.WORD} {key} on the shelf",
        remedy=f"did you mean {', '.join(near)}" if near else Do.LIST_SHELF,
    )


def get(connection: Connection, kind: type[R], key: str) -> R:
    """The entry of that key; faults as `get_row`."""
    return as_record(kind, get_row(connection, kind, key))


def add(change: Writing, record: R) -> R:
    """Add an entry and return it as kept; `Shelf.add` says how."""
    kind, table = type(record), TABLES[type(record)]
    if kind.LETTERS:
        record = record.model_copy(update={kind.KEY: f"{kind.LETTERS}{change.next_row(table)}"})
    _refers_well(change.connection, record)
    row = find_row(change.connection, kind, record.key)
    if row is None:
        change.insert(table, [record.model_dump()])
    elif row.get("standing", "known") == "unproven":
        _keeps_its_part(change.connection, record)
        change.update(table, row["row"], record.model_dump())
    else:
        raise InputFault(
            f"{kind.WORD} {record.key} is on the shelf already",
            remedy="change that one, or give this one another number",
        )
    return record


def change_fields(
    change: Writing,
    kind: type[R],
    key: str,
    values: Mapping[str, Any],
    revision: int | None,
    wanted: Mapping[str, FieldConfidence | None] = NO_CONFIDENCES,
) -> R:
    """Change fields of an entry and return it as kept; `Shelf.update` says how."""
    row = get_row(change.connection, kind, key)
    before = as_record(kind, row)
    if revision is not None and revision != row["revision"]:
        refuse_stale(change.connection, kind, row, revision)
    renewed = checked(kind, **{**before.model_dump(), **values})
    for name in (kind.KEY, *kind.FIXED):
        if getattr(renewed, name) != getattr(before, name):
            raise InputFault(f"{kind.WORD} {before.key} cannot take another {name}", remedy="remove it and add it anew")
    _refers_well(change.connection, renewed)
    _keeps_its_part(change.connection, renewed)
    change.update(TABLES[kind], row["row"], renewed.model_dump())
    confidence.renew(change, before, renewed, wanted)
    return renewed


def take_out(change: Writing, kind: type[Record], key: str) -> Record:
    """Take an entry out and return it. Raises InputFault while another entry names it."""
    row = get_row(change.connection, kind, key)
    taken = as_record(kind, row)
    namers = _namers(change.connection, TABLES[kind], taken.key)
    if namers:
        raise InputFault(f"{kind.WORD} {taken.key} is named by {namers}", remedy="remove those first")
    confidence.drop_all(change, kind, taken.key)
    change.delete(TABLES[kind], row["row"])
    return taken


def _refers_well(connection: Connection, record: Record) -> None:
    """Raise InputFault when the record names an entry that is not there, or one of the wrong kind."""
    for field in naming(type(record)):
        named = getattr(record, field.name)
        if not named:
            continue
        held = get(connection, kind_of(field.shown.names), named)
        if isinstance(record, Mechanism) and isinstance(held, Unit) and held.kind != "drive unit":
            raise InputFault(f"unit {held.key} is a {held.kind}, and a mechanism belongs to a drive unit")


def _keeps_its_part(connection: Connection, record: Record) -> None:
    """Raise InputFault when a unit's new kind does not fit what is known of it."""
    if not isinstance(record, Unit):
        return
    parts = parts_played(connection, record.key)
    if parts and record.kind not in parts:
        raise InputFault(
            f"unit {record.key} cannot be a {record.kind}: it is known as a {' or '.join(sorted(parts))}",
            remedy="give the new thing another number",
        )


def _namers(connection: Connection, table: Table, key: str) -> str:
    """Entries that name this one, in words; empty when none does."""
    found = []
    for other in metadata.sorted_tables:
        columns = [other.c[f.parent.name] for f in other.foreign_keys if f.column.table is table]
        columns += _named_as_text(other, table)
        rows = {
            row for column in columns for row in connection.execute(select(other.c.row).where(column == key)).scalars()
        }
        if rows and other.name not in _ACCOUNTS:
            found.append(f"{len(rows)} {other.name}")
    return ", ".join(found)


def _named_as_text(table: Table, named: Table) -> list[Column[Any]]:
    """Columns of a table that name entries of another as text, which the database itself does not know."""
    kind = next((kind for kind, held in TABLES.items() if held is table), None)
    if kind is None:
        return []
    return [
        table.c[field.name]
        for field in naming(kind)
        if TABLES[kind_of(field.shown.names)] is named and not table.c[field.name].foreign_keys
    ]
