"""Captures have a digest of their pulses and one of the file that holds them, so that damage is found on every read."""

import sqlalchemy as sa
from alembic import op

revision = "0009"
down_revision = "0008"


def upgrade() -> None:
    """Add the digests, empty: what stands is proven and gets them by `shelf mend`.

    A capture whose file of pulses is its original has had its digest all along.
    """
    for name in ("pulses_sha256", "parquet_sha256"):
        op.add_column("captures", sa.Column(name, sa.Text, nullable=False, server_default=""))
    op.execute("UPDATE captures SET parquet_sha256 = sha256 WHERE original = parquet")
