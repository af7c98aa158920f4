"""The register: units, mechanisms, disks, trials, captures, history, and the journal of changes."""

import sqlalchemy as sa
from alembic import op

revision = "0001"
down_revision = None

_STANDING = "standing IN ('known', 'unproven')"


def _row() -> sa.Column[int]:
    return sa.Column("row", sa.Integer(), primary_key=True)


def _text(*names: str) -> list[sa.Column[str]]:
    return [sa.Column(name, sa.Text(), nullable=False) for name in names]


def _key(name: str, length: int = 80) -> sa.Column[str]:
    return sa.Column(name, sa.String(length), nullable=False, unique=True)


def _refers(name: str, target: str, *, needed: bool = True) -> sa.Column[str]:
    return sa.Column(name, sa.String(80), sa.ForeignKey(target), nullable=not needed)


def _integer(*names: str, needed: bool = True) -> list[sa.Column[int]]:
    return [sa.Column(name, sa.Integer(), nullable=not needed) for name in names]


def upgrade() -> None:
    """Make the tables."""
    _things()
    _evidence()
    _journal()


def _things() -> None:
    op.create_table(
        "units",
        _row(),
        _key("inventory"),
        *_text("kind", "title", "maker", "disk_class", "acquired", "origin", "state", "date_codes", "standing"),
        sa.CheckConstraint("kind IN ('drive unit', 'host', 'lead', 'adapter')", name="kind"),
        sa.CheckConstraint(_STANDING, name="standing"),
    )
    op.create_table(
        "mechanisms",
        _row(),
        _key("mechanism"),
        _refers("unit", "units.inventory"),
        *_integer("number"),
        sa.Column("write_width_um", sa.Float()),
        sa.Column("read_width_um", sa.Float()),
        *_text("note", "standing"),
        sa.UniqueConstraint("unit", "number"),
        sa.CheckConstraint("mechanism = unit || '.' || number", name="named"),
        sa.CheckConstraint(_STANDING, name="standing"),
    )
    op.create_table(
        "disks",
        _row(),
        _key("inventory"),
        *_text("title", "disk_class"),
        *_integer("sides", needed=False),
        sa.Column("irreplaceable", sa.Boolean(), nullable=False),
        *_text("note", "standing"),
        sa.CheckConstraint("sides IN (1, 2)", name="sides"),
        sa.CheckConstraint(_STANDING, name="standing"),
    )
    op.create_table(
        "events", _row(), _key("event"), _refers("unit", "units.inventory"), *_text("when", "what", "source")
    )


def _evidence() -> None:
    op.create_table(
        "trials",
        _row(),
        _key("trial"),
        *_text("when", "operation"),
        _refers("host", "units.inventory", needed=False),
        _refers("lead", "units.inventory", needed=False),
        _refers("mechanism", "mechanisms.mechanism"),
        _refers("disk", "disks.inventory"),
        *_integer("side", "first_cylinder", "last_cylinder", "sectors_tried", "sectors_failed"),
        *_text("note"),
        sa.CheckConstraint("operation IN ('write', 'read', 'format')", name="operation"),
        sa.CheckConstraint("side IN (0, 1)", name="side"),
        sa.CheckConstraint("0 <= first_cylinder AND first_cylinder <= last_cylinder", name="cylinders"),
        sa.CheckConstraint("0 <= sectors_failed AND sectors_failed <= sectors_tried", name="sectors"),
    )
    op.create_table(
        "captures",
        _row(),
        _key("sha256", 64),
        *_text("name"),
        *_integer("size_bytes"),
        _refers("disk", "disks.inventory", needed=False),
        _refers("mechanism", "mechanisms.mechanism", needed=False),
        *_integer("cylinder", "head", needed=False),
        *_text("taken", "parquet", "original", "note"),
        sa.Column("added_utc", sa.DateTime(), nullable=False),
    )


def _journal() -> None:
    op.create_table(
        "changes",
        _row(),
        sa.Column("at_utc", sa.DateTime(), nullable=False),
        *_text("what", "version"),
        sa.Column("undone_utc", sa.DateTime()),
    )
    op.create_table(
        "changed_rows",
        _row(),
        sa.Column("change", sa.Integer(), sa.ForeignKey("changes.row"), nullable=False, index=True),
        *_text("table_name"),
        *_integer("row_changed"),
        sa.Column("before", sa.Text()),
        sa.Column("after", sa.Text()),
    )
