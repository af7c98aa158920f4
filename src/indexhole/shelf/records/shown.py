"""What is said of a field once, on the record itself; every face (form, page, command line, API...) reads it here.

title: Annotated[Text, Shown("Title", "what you call it")] = ""
"""

from __future__ import annotations

import types
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from datetime import datetime
from enum import StrEnum
from functools import cache
from typing import Annotated, Any, Literal, Union, get_args, get_origin

from pydantic import AwareDatetime, GetJsonSchemaHandler
from pydantic.fields import FieldInfo
from pydantic_core import CoreSchema, PydanticUndefined

from indexhole.shelf.records.entry import Record

Options = tuple[tuple[str, str], ...]
_BASES = {bool: bool, int: int, float: float, str: str, AwareDatetime: datetime}


class Group(StrEnum):
    """The heading a field stands under on a form, in the order of the form."""

    IS = "What it is"
    MADE = "How it was made"
    HEAD = "What its head does"
    JOINS = "What it connects to"
    RECORDED = "How it was recorded"
    NOW = "How it is now"
    CAME = "How it came"
    REST = ""


@dataclass(frozen=True, kw_only=True)
class _More:
    """What only some fields need.

    Attributes:
        unit: of a number, such as kg.
        long: a text of several lines.
        choices: what can be chosen, each with its words, where the type of the field does not list it.
        names: the kind of entry it names (its WORD).
        subject: the thing the entry belongs to; a form gets it from the page that it was opened on.
        in_key: a part of the key, so it never changes.
        argument: on the command line it stands by itself, without the name of an option.
        option: its option on the command line, where that is not its own name.
        metavar: what the help of the command line shows for its value.
        short: short words for the command line, with what they mean.
        listed: whether it is a column of `shelf list`.
        compared: its row when units stand side by side, where that is not its label.
        remark: said behind its value.
        searched: whether the search looks at it.
        term: its Dublin Core term; without, linked data has a term of our own, named as the field.
    """

    unit: str = ""
    long: bool = False
    choices: Callable[[], Options] | None = None
    names: str = ""
    subject: bool = False
    in_key: bool = False
    argument: bool = False
    option: str = ""
    metavar: str = ""
    short: Mapping[str, str] = field(default_factory=dict, hash=False)
    listed: bool = False
    compared: str = ""
    remark: str = ""
    searched: bool = True
    term: str = ""


@dataclass(frozen=True)
class Shown(_More):
    """How a field is shown and asked for: its label, a clause of help, and the group that it stands in."""

    label: str
    help: str = ""
    group: Group = Group.REST

    @property
    def heading(self) -> str:
        """The label with the unit, such as: Weight, kg."""
        return f"{self.label}, {self.unit}" if self.unit else self.label

    @property
    def in_text(self) -> str:
        """The heading inside a line: without a capital, unless it is written in capitals."""
        return self.heading if self.heading[1:2].isupper() else self.heading[:1].lower() + self.heading[1:]

    def __get_pydantic_json_schema__(self, schema: CoreSchema, handler: GetJsonSchemaHandler) -> dict[str, Any]:
        """The description of the API carries label and help."""
        return {**handler(schema), "title": self.heading, **({"description": self.help} if self.help else {})}


@dataclass(frozen=True)
class RecordField:
    """A field of a kind of record.

    Attributes:
        base: what its value is: str, int, float, bool or datetime.
        words: the words or numbers that it can only be; empty where it can be anything.
        default: what it says by itself; None where it is not known, `needed` where there is none.
        noted: whether the register or a file says it, so that nobody types it.
        key: whether the entry is known by it.
    """

    name: str
    shown: Shown
    base: type
    words: tuple[str, ...]
    default: Any
    needed: bool
    noted: bool
    key: bool

    @property
    def options(self) -> Options:
        """What can be chosen, as (value, words); empty where anything can be typed."""
        if self.shown.choices is not None:
            return self.shown.choices()
        if self.base is bool:
            return (("yes", "yes"), ("no", "no"))
        return tuple((word, word) for word in self.words if word)

    @property
    def once(self) -> bool:
        """Whether it is said once, when the entry is new."""
        return self.key or self.shown.in_key

    def said(self, value: Any, *, unit: bool = True) -> str:
        """A value in words, with its unit unless that is said elsewhere; empty where it says nothing."""
        if value in (None, "") and value is not False:
            return ""
        if isinstance(value, bool):
            return "yes" if value else "no"
        text = dict(self.options).get(str(value)) or (f"{value:g}" if isinstance(value, float) else str(value))
        with_unit = f"{text} {self.shown.unit}" if unit and self.shown.unit else text
        return f"{with_unit} ({self.shown.remark})" if self.shown.remark else with_unit


@cache
def fields_of(kind: type[Record]) -> tuple[RecordField, ...]:
    """The fields of a kind, in the order of the record. Raises TypeError for a field of which nothing is said."""
    return tuple(_field(kind, name, info) for name, info in kind.model_fields.items())


def field_of(kind: type[Record], name: str) -> RecordField:
    """One field of a kind. Raises KeyError for a field that there is not."""
    return _by_name(kind)[name]


@cache
def _by_name(kind: type[Record]) -> dict[str, RecordField]:
    return {one.name: one for one in fields_of(kind)}


def grouped(kind: type[Record]) -> tuple[RecordField, ...]:
    """The fields of a kind in the order of a form: group by group, in each as in the record, long texts last."""
    groups = list(Group)
    return tuple(sorted(fields_of(kind), key=lambda one: (groups.index(one.shown.group), one.shown.long)))


def naming(kind: type[Record]) -> tuple[RecordField, ...]:
    """The fields that name another entry."""
    return tuple(one for one in fields_of(kind) if one.shown.names)


def _field(kind: type[Record], name: str, info: FieldInfo) -> RecordField:
    shown = next((one for one in info.metadata if isinstance(one, Shown)), None)
    if shown is None:
        raise TypeError(f"field {name} of {kind.__name__} has no Shown: nothing is said of how it is shown")
    base, words = _type_of(info.annotation)
    return RecordField(
        name=name,
        shown=shown,
        base=base,
        words=words,
        default=None if info.default is PydanticUndefined else info.default,
        needed=info.is_required(),
        noted=name in kind.noted(),
        key=name == kind.KEY,
    )


def _type_of(annotation: Any) -> tuple[type, tuple[str, ...]]:
    """What a value is, whatever is wrapped round it, and the words that it can only be."""
    origin = get_origin(annotation)
    if origin is Annotated:
        return _type_of(get_args(annotation)[0])
    if origin in (Union, types.UnionType):
        (inner,) = (one for one in get_args(annotation) if one is not types.NoneType)
        return _type_of(inner)
    if origin is Literal:
        known = [one for one in get_args(annotation) if one is not None]
        return type(known[0]), tuple(str(one) for one in known)
    if annotation in _BASES:
        return _BASES[annotation], ()
    raise TypeError(f"{annotation} is no type of a field that the faces know")
