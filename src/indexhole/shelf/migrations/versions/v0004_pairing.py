"""What pairing asks of hosts, mechanisms and disks; importance in three words instead of a mark."""

import json

import sqlalchemy as sa
from alembic import op

revision = "0004"
down_revision = "0003"

_TEXTS = {
    "units": ("controller", "volume_kinds"),
    "mechanisms": ("drive_class",),
    "disks": ("notch", "layout", "recorded_by", "recorded_when", "before", "condition"),
}
_NUMBERS = {
    "mechanisms": (("heads", "INTEGER"), ("cylinders", "INTEGER")),
    "disks": (
        ("sector_holes", "INTEGER"),
        ("recorded_temperature_c", "FLOAT"),
        ("recorded_humidity_pct", "FLOAT"),
        ("hub_ring", "BOOLEAN"),
    ),
}
_WORDS = {
    "importance": ("scratch", "working", "irreplaceable"),
    "notch": ("open", "covered", "none", ""),
    "before": ("erased", "never recorded", "recorded", ""),
}


def upgrade() -> None:
    """Add the columns; what stands in the register and in its journal stays, the mark put into a word."""
    # a rule on a new column is stated in the column itself: SQLite adds none to a table that stands
    for table, names in _TEXTS.items():
        for name in names:
            op.execute(f"ALTER TABLE {table} ADD COLUMN {name} TEXT NOT NULL DEFAULT ''{_rule(name)}")
    for table, columns in _NUMBERS.items():
        for name, kind in columns:
            op.execute(f"ALTER TABLE {table} ADD COLUMN {name} {kind}")
    op.execute(f"ALTER TABLE disks ADD COLUMN importance TEXT NOT NULL DEFAULT 'working'{_rule('importance')}")
    op.execute("UPDATE disks SET importance = 'irreplaceable' WHERE irreplaceable")
    op.drop_column("disks", "irreplaceable")
    _journal()


def _rule(name: str) -> str:
    if name not in _WORDS:
        return ""
    words = ", ".join(repr(word) for word in _WORDS[name])
    return f" CONSTRAINT ck_disks_{name} CHECK ({name} IN ({words}))"


def _journal() -> None:
    """What the journal holds of disks, told in the new word, so that undo brings it back whole."""
    rows = sa.table("changed_rows", *(sa.column(name) for name in ("row", "table_name", "before", "after")))
    connection = op.get_bind()
    held = connection.execute(sa.select(rows).where(rows.c.table_name == "disks")).mappings().all()
    for entry in held:
        told = {name: _renamed(entry[name]) for name in ("before", "after")}
        connection.execute(sa.update(rows).where(rows.c.row == entry["row"]).values(**told))


def _renamed(packed: str | None) -> str | None:
    if packed is None:
        return None
    values = json.loads(packed)
    if "irreplaceable" in values:
        values["importance"] = "irreplaceable" if values.pop("irreplaceable") else "working"
    return json.dumps(values, sort_keys=True)
