"""Notes on a unit, a disk or the shelf; and what the front of a mechanism says, which need not be its number."""

import sqlalchemy as sa
from alembic import op

revision = "0002"
down_revision = "0001"


def upgrade() -> None:
    """Add the table and the column; what stands in the register stays."""
    op.add_column("mechanisms", sa.Column("front", sa.Text(), nullable=False, server_default=""))
    op.create_table(
        "notes",
        sa.Column("row", sa.Integer(), primary_key=True),
        sa.Column("note", sa.String(80), nullable=False, unique=True),
        sa.Column("unit", sa.String(80), sa.ForeignKey("units.inventory")),
        sa.Column("disk", sa.String(80), sa.ForeignKey("disks.inventory")),
        sa.Column("text", sa.Text(), nullable=False),
        sa.Column("added_utc", sa.DateTime(), nullable=False),
        sa.CheckConstraint("unit IS NULL OR disk IS NULL", name="subject"),
    )
