"""The register's tables. Columns carry the names of the records' fields; `row` keeps the order of entry.

Entries refer to one another by the names the keeper uses, so a row can be read without joining.
"""

from __future__ import annotations

import sqlite3
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
from sqlalchemy.types import TypeEngine

from indexhole.shelf.records.additions import Firmware, Loan, Part, Photo, View
from indexhole.shelf.records.records import CaptureRecord, Disk, Event, Mechanism, Note, Record, Unit


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


def _later(name: str) -> Column[str]:
    # added to a table that stood already, whose rows then say nothing there
    return Column(name, Text, nullable=False, server_default="")


def _key(name: str) -> Column[str]:
    return Column(name, String(80), nullable=False, unique=True)


def _revision() -> Column[int]:
    # the change that left the row as it is; 0 for one that stood before changes were numbered so
    return Column("revision", Integer, nullable=False, server_default="0")


def _refers(name: str, target: str, *, needed: bool = True) -> Column[Any]:
    # what names an entry is looked up from it, and before it may go
    return Column(name, String(80), ForeignKey(target), nullable=not needed, index=True)


def _one_of(column: str, *words: str) -> CheckConstraint:
    return CheckConstraint(f"{column} IN ({', '.join(repr(word) for word in words)})", name=column)


units = Table(
    "units",
    metadata,
    _row(),
    _key("inventory"),
    _text("kind"),
    _text("title"),
    _text("maker"),
    _text("disk_class"),
    _text("acquired"),
    _text("origin"),
    _text("state"),
    _text("date_codes"),
    _text("standing"),
    _later("controller"),
    _later("volume_kinds"),
    _later("description"),
    _later("made"),
    _later("acquired_when"),
    _later("location"),
    _later("interfaces"),
    _later("connectors"),
    _later("power_input"),
    Column("weight_kg", Float),
    _later("device_address"),
    _later("modifications"),
    _later("labels_left"),
    _revision(),
    _one_of("kind", "drive unit", "host", "lead", "adapter"),
    _one_of("standing", "known", "unproven"),
)

mechanisms = Table(
    "mechanisms",
    metadata,
    _row(),
    _key("mechanism"),
    _refers("unit", "units.inventory"),
    Column("number", Integer, nullable=False),
    _later("front"),
    Column("write_width_um", Float),
    Column("read_width_um", Float),
    _text("note"),
    _text("standing"),
    _later("drive_class"),
    Column("heads", Integer),
    Column("cylinders", Integer),
    _revision(),
    UniqueConstraint("unit", "number"),
    CheckConstraint("mechanism = unit || '.' || number", name="named"),
    _one_of("standing", "known", "unproven"),
)

disks = Table(
    "disks",
    metadata,
    _row(),
    _key("inventory"),
    _text("title"),
    _text("disk_class"),
    Column("sides", Integer),
    _text("note"),
    _text("standing"),
    Column("importance", Text, nullable=False, server_default="working"),
    _later("notch"),
    Column("hub_ring", Boolean),
    Column("sector_holes", Integer),
    _later("layout"),
    _later("recorded_by"),
    _later("recorded_when"),
    Column("recorded_temperature_c", Float),
    Column("recorded_humidity_pct", Float),
    _later("before"),
    _later("condition"),
    _later("label_text"),
    _later("acquired"),
    _later("acquired_when"),
    _later("origin"),
    _later("location"),
    _revision(),
    _one_of("importance", "scratch", "working", "irreplaceable"),
    _one_of("notch", "open", "covered", "none", ""),
    _one_of("before", "erased", "never recorded", "recorded", ""),
    CheckConstraint("sides IN (1, 2)", name="sides"),
    _one_of("standing", "known", "unproven"),
)

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
    _later("logged_by"),
    Column("logged_utc", UtcDateTime),
    _one_of("operation", "write", "read", "format"),
    CheckConstraint("side IN (0, 1)", name="side"),
    CheckConstraint("0 <= first_cylinder AND first_cylinder <= last_cylinder", name="cylinders"),
    CheckConstraint("0 <= sectors_failed AND sectors_failed <= sectors_tried", name="sectors"),
)

captures = Table(
    "captures",
    metadata,
    _row(),
    Column("sha256", String(64), nullable=False, unique=True),
    _text("name"),
    Column("size_bytes", BigInteger().with_variant(Integer, "sqlite"), nullable=False),
    _refers("disk", "disks.inventory", needed=False),
    _refers("mechanism", "mechanisms.mechanism", needed=False),
    _refers("writer", "mechanisms.mechanism", needed=False),
    Column("cylinder", Integer),
    Column("head", Integer),
    _text("taken"),
    _text("parquet"),
    _text("original"),
    _text("note"),
    Column("added_utc", UtcDateTime, nullable=False),
    _later("pulses_sha256"),
    _later("parquet_sha256"),
    _revision(),
)

events = Table(
    "events",
    metadata,
    _row(),
    _key("event"),
    _refers("unit", "units.inventory"),
    _text("when"),
    _text("what"),
    _text("source"),
    _later("work"),
    _revision(),
    _one_of("work", "", "none", "cleaned", "repaired"),
)

notes = Table(
    "notes",
    metadata,
    _row(),
    _key("note"),
    _refers("unit", "units.inventory", needed=False),
    _refers("disk", "disks.inventory", needed=False),
    _text("text"),
    Column("added_utc", UtcDateTime, nullable=False),
    _revision(),
    CheckConstraint("unit IS NULL OR disk IS NULL", name="subject"),
)

parts = Table(
    "parts",
    metadata,
    _row(),
    _key("part"),
    _refers("unit", "units.inventory"),
    _text("name"),
    _text("board"),
    _text("marking"),
    _text("date_code"),
    _text("note"),
    _revision(),
)

firmware = Table(
    "firmware",
    metadata,
    _row(),
    _key("firmware"),
    _refers("unit", "units.inventory"),
    _text("version"),
    _text("place"),
    _text("seen_how"),
    _text("seen_when"),
    _text("note"),
    _revision(),
)

loans = Table(
    "loans",
    metadata,
    _row(),
    _key("loan"),
    _refers("unit", "units.inventory", needed=False),
    _refers("disk", "disks.inventory", needed=False),
    _text("direction"),
    _text("party"),
    _text("since"),
    _text("until"),
    _text("returned"),
    _text("purpose"),
    _revision(),
    CheckConstraint("(unit IS NULL) <> (disk IS NULL)", name="subject"),
    _one_of("direction", "out", "in"),
)

photos = Table(
    "photos",
    metadata,
    _row(),
    _key("photo"),
    _refers("unit", "units.inventory", needed=False),
    _refers("disk", "disks.inventory", needed=False),
    Column("sha256", String(64), nullable=False, index=True),
    _text("name"),
    _text("media_type"),
    Column("size_bytes", BigInteger().with_variant(Integer, "sqlite"), nullable=False),
    _text("file"),
    _text("caption"),
    _text("taken"),
    Column("added_utc", UtcDateTime, nullable=False),
    _revision(),
    CheckConstraint("(unit IS NULL) <> (disk IS NULL)", name="subject"),
)

views = Table(
    "views",
    metadata,
    _row(),
    _key("view"),
    _text("what"),
    _text("words"),
    _text("chosen"),
    _text("note"),
    _revision(),
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
    _later("who"),
    _later("why"),
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

# the table of each kind of record
TABLES: dict[type[Record], Table] = {
    Unit: units,
    Mechanism: mechanisms,
    Disk: disks,
    CaptureRecord: captures,
    Event: events,
    Note: notes,
    Part: parts,
    Firmware: firmware,
    Loan: loans,
    Photo: photos,
    View: views,
}
