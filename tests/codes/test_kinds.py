"""A kind that is only half made does not pass: tables are whole when they are imported, codes when they are built."""

from __future__ import annotations

from dataclasses import MISSING, fields
from enum import Enum
from typing import Literal, get_args

import pytest

from indexhole.codes.code import Code, CodeName
from indexhole.codes.known import CODES
from indexhole.kinds import HalfMadeKind, every, in_order, kinds_of

Colour = Literal["amber", "violet"]


class Shape(Enum):
    FLAT = "flat"
    ROUND = "round"


def test_the_kinds_of_a_literal_an_enum_and_a_collection() -> None:
    assert kinds_of(Colour) == ("amber", "violet")
    assert kinds_of(Shape) == (Shape.FLAT, Shape.ROUND)
    assert kinds_of(("a", "b")) == ("a", "b")


def test_a_whole_table_passes_and_cannot_be_changed() -> None:
    table = every(Colour, {"violet": 2, "amber": 1})
    assert dict(table) == {"violet": 2, "amber": 1}
    with pytest.raises(TypeError):
        table["amber"] = 3  # type: ignore[index]


def test_a_table_without_one_of_the_kinds_is_refused_by_its_name() -> None:
    with pytest.raises(HalfMadeKind, match="missing: violet; not a kind: nothing"):
        every(Colour, {"amber": 1})
    with pytest.raises(HalfMadeKind, match=r"missing: Shape\.ROUND"):
        every(Shape, {Shape.FLAT: 1})


def test_a_table_with_a_kind_there_is_none_of_is_refused_by_its_name() -> None:
    with pytest.raises(HalfMadeKind, match="missing: nothing; not a kind: mauve"):
        every(Colour, {"amber": 1, "violet": 2, "mauve": 3})


def test_an_order_holds_each_kind_once() -> None:
    assert in_order(Colour, ("violet", "amber")) == ("violet", "amber")
    with pytest.raises(HalfMadeKind, match="missing: amber"):
        in_order(Colour, ("violet",))
    with pytest.raises(HalfMadeKind, match="twice"):
        in_order(Colour, ("violet", "amber", "violet"))


def test_every_code_has_its_object_and_no_part_goes_without_saying() -> None:
    assert set(CODES) == set(get_args(CodeName))
    assert all(CODES[name].name == name for name in CODES)
    assert all(part.default is MISSING and part.default_factory is MISSING for part in fields(Code))


def test_a_code_in_the_names_alone_is_refused_when_the_codes_are_imported() -> None:
    with pytest.raises(HalfMadeKind, match="missing: made-up"):
        every((*get_args(CodeName), "made-up"), CODES)
