"""Who put a trial into the register, and when."""

import sqlalchemy as sa
from alembic import op

revision = "0007"
down_revision = "0006"


def upgrade() -> None:
    """Add the columns; of trials that stand already the journal tells it."""
    op.execute("ALTER TABLE trials ADD COLUMN logged_by TEXT NOT NULL DEFAULT ''")
    op.add_column("trials", sa.Column("logged_utc", sa.DateTime()))
    trials = sa.table("trials", *map(sa.column, ("row", "logged_by", "logged_utc")))
    changes = sa.table("changes", *map(sa.column, ("row", "who", "at_utc", "undone_utc")))
    noted = sa.table("changed_rows", *map(sa.column, ("row", "change", "table_name", "row_changed", "before")))
    # a number is given again when the last row was taken out, so the latest that stands decides
    added = (
        sa.select(changes.c.who)
        .select_from(noted.join(changes, noted.c.change == changes.c.row))
        .where(noted.c.table_name == "trials", noted.c.row_changed == trials.c.row, noted.c.before.is_(None))
        .where(changes.c.undone_utc.is_(None))
        .order_by(noted.c.row.desc())
        .limit(1)
    )
    when = added.with_only_columns(changes.c.at_utc)
    told = {"logged_by": sa.func.coalesce(added.scalar_subquery(), ""), "logged_utc": when.scalar_subquery()}
    op.execute(sa.update(trials).values(told))
