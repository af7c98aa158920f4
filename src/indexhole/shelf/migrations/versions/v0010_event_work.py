"""Events say what kind of work they were; those of older versions say nothing, so their words go on being a guess."""

from alembic import op

revision = "0010"
down_revision = "0009"


def upgrade() -> None:
    """Add the column, empty."""
    op.execute(
        "ALTER TABLE events ADD COLUMN work TEXT NOT NULL DEFAULT '' "
        "CONSTRAINT ck_events_work CHECK (work IN ('', 'none', 'cleaned', 'repaired'))"
    )
