"""Beginnings of words up to five letters in the index of the search: without, one that is in every trial is slow."""

from alembic import op

revision = "0008"
down_revision = "0007"


def upgrade() -> None:
    """Make the index anew, empty; what stands in the register is put into it when all changes are made."""
    if op.get_bind().dialect.name == "sqlite":
        op.execute("DROP TABLE search_words")
        op.execute(
            "CREATE VIRTUAL TABLE search_words USING fts5("
            "words, tokenize='unicode61 remove_diacritics 2', prefix='2 3 4 5', detail=none, columnsize=0)"
        )
