"""The index of the search, indices of what names an entry, and files larger than two gigabytes on PostgreSQL."""

from alembic import op

revision = "0006"
down_revision = "0005"

_NAMING = {
    "mechanisms": ("unit",),
    "trials": ("host", "lead", "mechanism", "disk"),
    "captures": ("disk", "mechanism", "writer"),
    "events": ("unit",),
    "notes": ("unit", "disk"),
    "parts": ("unit",),
    "firmware": ("unit",),
    "loans": ("unit", "disk"),
    "photos": ("unit", "disk"),
}


def upgrade() -> None:
    """Add the indices; what stands in the register is put into the search when all changes are made."""
    for table, columns in _NAMING.items():
        for column in columns:
            op.create_index(f"ix_{table}_{column}", table, [column])
    if op.get_bind().dialect.name == "sqlite":
        op.execute(
            "CREATE VIRTUAL TABLE search_words USING fts5("
            "words, tokenize='unicode61 remove_diacritics 2', prefix='2 3', detail=none, columnsize=0)"
        )
    else:
        op.execute("CREATE TABLE search_words (place BIGINT PRIMARY KEY, words TSVECTOR NOT NULL)")
        op.execute("CREATE INDEX ix_search_words_words ON search_words USING gin (words)")
        for table in ("captures", "photos"):
            op.execute(f"ALTER TABLE {table} ALTER COLUMN size_bytes TYPE BIGINT")
