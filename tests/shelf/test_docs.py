"""The page on the shelf names every table, command, column and form it promises to describe."""

from __future__ import annotations

from pathlib import Path

import pytest

from indexhole.cli.shelf import shelf
from indexhole.cli.shelf_verbs.add import adding
from indexhole.shelf.records.dates import FORMS, span_of
from indexhole.shelf.register.tables import metadata
from indexhole.shelf.sheets.sheet import COLUMNS, OPERATIONS

PAGE = Path(__file__).parents[2] / "docs" / "shelf.md"

NAMES = [
    *metadata.tables,
    *COLUMNS,
    *OPERATIONS,
    *(command.name for command in (*shelf.registered_commands, *adding.registered_commands)),
]


@pytest.mark.parametrize("name", NAMES)
def test_the_page_names_it(name):
    assert any(f"{start}{name}{end}" in PAGE.read_text() for start in "` " for end in "` ")


def test_the_page_shows_the_heading_of_a_sheet_as_it_is():
    assert f"    {','.join(COLUMNS)}\n" in PAGE.read_text()


def test_the_forms_a_fault_lists_are_forms_and_stand_on_the_page():
    forms = FORMS.replace(" or empty", "").split(", ")
    assert len(forms) == 8
    for form in forms:
        assert span_of(form)
        assert f"`{form}`" in PAGE.read_text().replace("\n  ", " ")
