"""What a collection keeps besides: parts, firmware, loans, photos, saved views; who changed what, and why."""

import sqlalchemy as sa
from alembic import op

revision = "0005"
down_revision = "0004"

_TEXTS = {
    "units": (
        "description", "made", "acquired_when", "location", "interfaces", "connectors", "power_input",
        "device_address", "modifications", "labels_left",
    ),
    "disks": ("label_text", "acquired", "acquired_when", "origin", "location"),
    "changes": ("who", "why"),
}  # fmt: skip
_REVISED = ("units", "mechanisms", "disks", "captures", "events", "notes")


def upgrade() -> None:
    """Add columns and tables; what stands in the register stays, and says nothing in the new columns."""
    for table, names in _TEXTS.items():
        for name in names:
            op.execute(f"ALTER TABLE {table} ADD COLUMN {name} TEXT NOT NULL DEFAULT ''")
    op.execute("ALTER TABLE units ADD COLUMN weight_kg FLOAT")
    for table in _REVISED:
        op.execute(f"ALTER TABLE {table} ADD COLUMN revision INTEGER NOT NULL DEFAULT 0")
    op.create_index("ix_changed_rows_table_name", "changed_rows", ["table_name", "row_changed"])
    _tables()


def _entry(name: str, *columns: sa.schema.SchemaItem) -> None:
    op.create_table(
        name,
        sa.Column("row", sa.Integer(), primary_key=True),
        *columns,
        sa.Column("revision", sa.Integer(), nullable=False, server_default="0"),
    )


def _texts(*names: str) -> list[sa.Column[str]]:
    return [sa.Column(name, sa.Text(), nullable=False) for name in names]


def _key(name: str) -> sa.Column[str]:
    return sa.Column(name, sa.String(80), nullable=False, unique=True)


def _unit(*, needed: bool = True) -> sa.Column[str]:
    return sa.Column("unit", sa.String(80), sa.ForeignKey("units.inventory"), nullable=not needed)


def _unit_or_disk() -> list[sa.schema.SchemaItem]:
    return [
        _unit(needed=False),
        sa.Column("disk", sa.String(80), sa.ForeignKey("disks.inventory")),
        sa.CheckConstraint("(unit IS NULL) <> (disk IS NULL)", name="subject"),
    ]


def _tables() -> None:
    _entry("parts", _key("part"), _unit(), *_texts("name", "board", "marking", "date_code", "note"))
    _entry("firmware", _key("firmware"), _unit(), *_texts("version", "place", "seen_how", "seen_when", "note"))
    _entry(
        "loans",
        _key("loan"),
        *_unit_or_disk(),
        *_texts("direction", "party", "since", "until", "returned", "purpose"),
        sa.CheckConstraint("direction IN ('out', 'in')", name="direction"),
    )
    _entry(
        "photos",
        _key("photo"),
        *_unit_or_disk(),
        sa.Column("sha256", sa.String(64), nullable=False, index=True),
        *_texts("name", "media_type"),
        sa.Column("size_bytes", sa.Integer(), nullable=False),
        *_texts("file", "caption", "taken"),
        sa.Column("added_utc", sa.DateTime(), nullable=False),
    )
    _entry("views", _key("view"), *_texts("what", "words", "chosen", "note"))
    op.create_table(
        "field_standings",
        sa.Column("row", sa.Integer(), primary_key=True),
        *_texts("kind", "key", "field", "standing", "source"),
        sa.UniqueConstraint("kind", "key", "field"),
        sa.CheckConstraint("standing IN ('not known', 'as told')", name="standing"),
    )
