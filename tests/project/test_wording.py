"""Counts and lists as people write them."""

from __future__ import annotations

import pytest

from indexhole.web.drawing.words import SPACE, plural
from indexhole.wording import count_of, listed, plural_of


@pytest.mark.parametrize(
    ("number", "noun", "text"),
    [
        (0, "trial", "0 trials"),
        (1, "trial", "1 trial"),
        (3, "trial", "3 trials"),
        (1, "pass", "1 pass"),
        (2, "pass", "2 passes"),
        (2, "entry", "2 entries"),
        (2, "firmware", "2 firmware"),
        (4, "data field", "4 data fields"),
    ],
)
def test_a_noun_follows_its_number(number: int, noun: str, text: str) -> None:
    assert count_of(number, noun) == text


def test_a_noun_by_itself_is_the_plural() -> None:
    assert [plural_of(noun) for noun in ("disk", "entry", "firmware")] == ["disks", "entries", "firmware"]


def test_the_page_sets_thousands_apart() -> None:
    assert plural(12345, "entry") == f"12{SPACE}345 entries"


@pytest.mark.parametrize(
    ("parts", "text"), [([], ""), (["a"], "a"), (["a", "b"], "a and b"), (iter("abc"), "a, b and c")]
)
def test_parts_stand_as_a_list(parts, text: str) -> None:
    assert listed(parts) == text


def test_alternatives_are_joined_by_or() -> None:
    assert listed(["a", "b", "c"], "or") == "a, b or c"
