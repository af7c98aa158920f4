"""The mechanism known to have formatted what a capture holds, so that its hand can be known again."""

from alembic import op

revision = "0003"
down_revision = "0002"


def upgrade() -> None:
    """Add the column; what stands in the register stays."""
    # SQLite takes a reference in the column itself only, where add_column would state it by itself.
    op.execute("ALTER TABLE captures ADD COLUMN writer VARCHAR(80) REFERENCES mechanisms (mechanism)")
