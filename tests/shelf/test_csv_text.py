"""Cells of CSV: no text of them begins like a formula, and every text comes back as it was."""

from __future__ import annotations

import re

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from indexhole.csv_text import csv_line, csv_rows, guarded, unguarded

NUMBER = re.compile(r"[+-]?([0-9]+\.?[0-9]*|\.[0-9]+)([eE][+-]?[0-9]+)?")
SIGNS = "=+-@\uff1d\uff0b\uff0d\uff20"
hostile = st.text(alphabet=f"{SIGNS}';\t\r\n ,\"a1.\u00a0", max_size=12) | st.text(
    st.characters(exclude_categories=["Cs"], exclude_characters="\0"), max_size=20
)


def like_a_formula(cell: str) -> bool:
    """Whether a spreadsheet program could take the cell, or a part it makes of it, for a formula."""
    parts = re.split("[;\t\r\n]", cell)
    return cell[:1] in ("\t", "\r", "\n") or any(part.lstrip()[:1] in SIGNS for part in parts if part.strip())


@given(hostile)
def test_every_text_comes_back_and_none_begins_like_a_formula(text):
    assert unguarded(guarded(text)) == text
    assert NUMBER.fullmatch(text) or not like_a_formula(guarded(text))
    # what is no danger is left alone, and so is what was typed by hand without an apostrophe
    if "'" not in text:
        assert unguarded(text) == text
        assert like_a_formula(text) or guarded(text) == text


@settings(max_examples=200)
@given(st.lists(st.lists(hostile, min_size=2, max_size=3), min_size=1, max_size=4))
def test_rows_come_back_and_go_out_again_in_the_same_bytes(rows):
    text = "".join(csv_line(row) + "\n" for row in rows)
    read = [row for _, row in csv_rows(text, "x")]
    assert read == rows
    assert "".join(csv_line(row) + "\n" for row in read) == text


@pytest.mark.parametrize(
    ("text", "cell"),
    [
        ("=1+1", "'=1+1"),
        ("@SUM(A1)", "'@SUM(A1)"),
        ("-5 V rail is low", "'-5 V rail is low"),
        (" =1+1", "' =1+1"),
        ("\t=1", "'\t'=1"),
        ("\rx", "'\rx"),
        ("\uff1d1+1", "'\uff1d1+1"),
        ("seen;=1+1", "seen;'=1+1"),
        ("seen\n=1+1", "seen\n'=1+1"),
        ("'=1", "''=1"),
        ("'tis = a note", "'tis = a note"),
        ("2026-03-01", "2026-03-01"),
        ("a = b, c-d", "a = b, c-d"),
        ("-5", "-5"),
        ("+0.25", "+0.25"),
        ("-1.5e-07", "-1.5e-07"),
        ("-5-1", "'-5-1"),
        ("'-5", "''-5"),
        ("-\u0665", "'-\u0665"),
    ],
)
def test_what_a_cell_holds(text, cell):
    assert guarded(text) == cell
    assert unguarded(cell) == text


@pytest.mark.parametrize("cell", ["=1+1", "-5", "+x", "@a", "=a;=b", "it's = so"])
def test_what_was_typed_by_hand_is_read_as_it_stands(cell):
    assert unguarded(cell) == cell


def test_many_signs_and_spaces_take_no_long_time():
    # as many steps as letters, not their square: this would take hours
    for letters in ("'", " ", ";", "\t", "' ", ";'"):
        text = letters * 500_000
        assert unguarded(guarded(text)) == text
