"""The register's tables. Columns come from the fields of the records; `row` keeps the order of entry.

Entries refer to one another by the names the keeper uses, so a row can be read without joining.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Callable
from datetime import UTC, datetime
from typing import Any

from sqlalchemy import (
    BigInteger,
    Boolean,
    CheckConstraint,
    Column,
    DateTime,
    Float,
    ForeignKey,
    Index,
    Integer,
    MetaData,
    String,
    Table,
    Text,
    TypeDecorator,
    UniqueConstraint,
)
from sqlalchemy.dialects import sqlite
from sqlalchemy.engine import Dialect
from sqlalchemy.schema import SchemaItem
from sqlalchemy.types import TypeEngine

from indexhole.shelf.records.additions import Firmware, Loan, Part, Photo, View
from indexhole.shelf.records.entry import Record
from indexhole.shelf.records.records import CaptureRecord, Disk, Event, Mechanism, Note, Unit
from indexhole.shelf.records.shown import RecordField, fields_of


class _Moment(sqlite.DATETIME):
    """SQLite keeps moments as text, which somebody may have bent."""

    def result_processor(self, dialect: Dialect, coltype: object) -> Any:
        """Coming out. Raises sqlite3.DatabaseError for text that is no moment."""
        read = super().result_processor(dialect, coltype)

        def process(value: Any) -> Any:
            try:
                return read(value) if read is not None else value
            except (ValueError, TypeError) as fault:
                raise sqlite3.DatabaseError(f"malformed: {str(value)[:40]!r} is no moment") from fault

        return process


class UtcDateTime(TypeDecorator[datetime]):
    """A moment, kept as UTC. SQLite drops a zone, so it is taken off going in and put on coming out."""

    impl = DateTime
    cache_ok = True

    def load_dialect_impl(self, dialect: Dialect) -> TypeEngine[Any]:
        """As the database at hand keeps it."""
        return dialect.type_descriptor(_Moment() if dialect.name == "sqlite" else DateTime())  # type: ignore[no-untyped-call]

    def process_bind_param(self, value: datetime | None, dialect: Dialect) -> datetime | None:
        """Going in. Raises ValueError for a time without a zone: it could mean anything."""
        if value is None:
            return None
        if value.tzinfo is None:
            raise ValueError("a moment needs its zone")
        return value.astimezone(UTC).replace(tzinfo=None)

    def process_result_value(self, value: datetime | None, dialect: Dialect) -> datetime | None:
        """Coming out."""
        return None if value is None else value.replace(tzinfo=UTC)


metadata = MetaData(
    naming_convention={
        "ix": "ix_%(column_0_label)s",
        "ck": "ck_%(table_name)s_%(constraint_name)s",
        "fk": "fk_%(table_name)s_%(column_0_name)s",
        "uq": "uq_%(table_name)s_%(column_0_N_name)s",
        "pk": "pk_%(table_name)s",
    }
)


def _row() -> Column[int]:
    return Column("row", Integer, primary_key=True)


def _text(name: str) -> Column[str]:
    return Column(name, Text, nullable=False)


def _key(name: str) -> Column[str]:
    return Column(name, String(80), nullable=False, unique=True)


def _refers(name: str, target: str, *, needed: bool = True) -> Column[Any]:
    # what names an entry is looked up from it, and before it may go
    return Column(name, String(80), ForeignKey(target), nullable=not needed, index=True)


def _one_of(column: str, *words: str) -> CheckConstraint:
    return CheckConstraint(f"{column} IN ({', '.join(repr(word) for word in words)})", name=column)


# the table of each kind of record, in the order of the kinds in the index of the search
TABLES: dict[type[Record], Table] = {}
_TYPES: dict[type, Callable[[], TypeEngine[Any]]] = {
    bool: Boolean, int: Integer, float: Float, str: Text, datetime: UtcDateTime,
}  # fmt: skip


def _table(kind: type[Record], *rules: SchemaItem, **own: Column[Any]) -> Table:
    """The table of a kind: the key, then a column for each field of the record; `own` are those that differ."""
    fields = sorted(fields_of(kind), key=lambda one: not one.key)
    # the change that left the row as it is; 0 for one that stood before changes were numbered so
    revision = Column("revision", Integer, nullable=False, server_default="0")
    columns = (own.get(one.name, _column(one)) for one in fields)
    TABLES[kind] = Table(kind.MANY, metadata, _row(), *columns, revision, *rules)
    return TABLES[kind]


def _column(one: RecordField) -> Column[Any]:
    if one.key:
        return _key(one.name)
    # what names an entry as text, empty where nothing is known, has no reference in the database
    if one.shown.names and (one.needed or one.default is None):
        named = next(kind for kind in TABLES if one.shown.names == kind.WORD)
        return _refers(one.name, f"{named.MANY}.{named.KEY}", needed=one.needed)
    may_lack = one.default is None and not one.needed and one.base is not datetime
    return Column(one.name, _TYPES[one.base](), nullable=may_lack)


def _size() -> Column[int]:
    return Column("size_bytes", BigInteger().with_variant(Integer, "sqlite"), nullable=False)


def kind_of(word: str) -> type[Record]:
    """The kind of record that a word means, such as `unit`. Raises StopIteration for another word."""
    return next(kind for kind in TABLES if word == kind.WORD)


units = _table(
    Unit,
    _one_of("kind", "drive unit", "host", "lead", "adapter"),
    _one_of("standing", "known", "unproven"),
)
mechanisms = _table(
    Mechanism,
    UniqueConstraint("unit", "number"),
    CheckConstraint("mechanism = unit || '.' || number", name="named"),
    _one_of("standing", "known", "unproven"),
)
disks = _table(
    Disk,
    _one_of("importance", "scratch", "working", "irreplaceable"),
    _one_of("notch", "open", "covered", "none", ""),
    _one_of("before", "erased", "never recorded", "recorded", ""),
    CheckConstraint("sides IN (1, 2)", name="sides"),
    _one_of("standing", "known", "unproven"),
)
captures = _table(CaptureRecord, sha256=Column("sha256", String(64), nullable=False, unique=True), size_bytes=_size())
events = _table(Event, _one_of("work", "", "none", "cleaned", "repaired"))
notes = _table(Note, CheckConstraint("unit IS NULL OR disk IS NULL", name="subject"))
parts = _table(Part)
firmware = _table(Firmware)
loans = _table(
    Loan,
    CheckConstraint("(unit IS NULL) <> (disk IS NULL)", name="subject"),
    _one_of("direction", "out", "in"),
)
photos = _table(
    Photo,
    CheckConstraint("(unit IS NULL) <> (disk IS NULL)", name="subject"),
    sha256=Column("sha256", String(64), nullable=False, index=True),
    size_bytes=_size(),
)
views = _table(View)

trials = Table(
    "trials",
    metadata,
    _row(),
    _key("trial"),
    _text("when"),
    _text("operation"),
    _refers("host", "units.inventory", needed=False),
    _refers("lead", "units.inventory", needed=False),
    _refers("mechanism", "mechanisms.mechanism"),
    _refers("disk", "disks.inventory"),
    Column("side", Integer, nullable=False),
    Column("first_cylinder", Integer, nullable=False),
    Column("last_cylinder", Integer, nullable=False),
    Column("sectors_tried", Integer, nullable=False),
    Column("sectors_failed", Integer, nullable=False),
    _text("note"),
    _text("logged_by"),
    Column("logged_utc", UtcDateTime),
    _one_of("operation", "write", "read", "format"),
    CheckConstraint("side IN (0, 1)", name="side"),
    CheckConstraint("0 <= first_cylinder AND first_cylinder <= last_cylinder", name="cylinders"),
    CheckConstraint("0 <= sectors_failed AND sectors_failed <= sectors_tried", name="sectors"),
)

field_confidences = Table(
    "field_standings",
    metadata,
    _row(),
    _text("kind"),
    _text("key"),
    _text("field"),
    _text("standing"),
    _text("source"),
    UniqueConstraint("kind", "key", "field"),
    _one_of("standing", "not known", "as told"),
)

changes = Table(
    "changes",
    metadata,
    _row(),
    Column("at_utc", UtcDateTime, nullable=False),
    _text("what"),
    _text("version"),
    Column("undone_utc", UtcDateTime),
    _text("who"),
    _text("why"),
)

changed_rows = Table(
    "changed_rows",
    metadata,
    _row(),
    Column("change", Integer, ForeignKey("changes.row"), nullable=False, index=True),
    _text("table_name"),
    Column("row_changed", Integer, nullable=False),
    Column("before", Text),
    Column("after", Text),
    Index("ix_changed_rows_table_name", "table_name", "row_changed"),
)
