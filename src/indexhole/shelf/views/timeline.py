"""The collection along time: by when things were made, by when they came, by when disks were recorded.

Only the columns that say when are read of all things, and what is known of each is put together for those shown
alone: the whole of a large shelf is put in order for every page of the line.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import date
from functools import lru_cache
from itertools import groupby
from typing import Any, Literal

from sqlalchemy import Connection, Select, Table, and_, select

from indexhole.shelf.records.additions import Part
from indexhole.shelf.records.date_codes import Dating, date_unit, latest_code
from indexhole.shelf.records.dates import span_of
from indexhole.shelf.records.records import Unit
from indexhole.shelf.register.shelf import Shelf
from indexhole.shelf.register.tables import disks, parts, units

By = Literal["made", "acquired", "recorded"]
_LEADING = re.compile(
    r"(?:about |before |after )?[0-9]{4}(?:-[0-9]{2}){0,2}(?: to [0-9]{4}(?:-[0-9]{2}){0,2})?|(?:about )?[0-9]{3}0s"
)


@dataclass(frozen=True, slots=True)
class Moment:
    """One thing on the line: the first and last day it can mean, None where there is no bound, and what says so."""

    kind: str
    key: str
    title: str
    earliest: date | None
    latest: date | None
    told: str
    basis: str


@dataclass(frozen=True, slots=True)
class Timeline:
    """A stretch of the line, how many things stand on all of it, and of how many nothing is known."""

    moments: tuple[Moment, ...]
    total: int
    unknown: int


# the day it is put in order by, disks behind units, the length of the key; then what a `Moment` holds. A plain tuple:
# ten thousand of them cost little as long as the collector of garbage need not look into them.
_Placed = tuple[int, bool, int, str, str, str, date | None, date | None, str, str]


def dating_of(shelf: Shelf, unit: str, *, today: date | None = None) -> Dating:
    """What the date codes of a unit and of its parts say together."""
    return dating(shelf.get(Unit, unit), shelf.page(Part, unit=unit, most=10_000), today=today)


def dating(unit: Unit, held: Sequence[Part], *, today: date | None = None) -> Dating:
    """The same of a unit whose parts are at hand."""
    named = [(_called(part.part, part.name), part.date_code) for part in held]
    return date_unit([(_ON_IT, unit.date_codes), *named], made=unit.made, today=today)


def timeline(
    shelf: Shelf, by: By = "made", *, first: int = 0, most: int | None = None, today: date | None = None
) -> Timeline:
    """Things whose time is known in any way, in order of the middle of what it can mean: `most` from `first` on.

    `made` takes what is told of a unit, else not before the latest date code on it; `acquired` what is told of units
    and disks; `recorded` what is told of disks.
    """
    with shelf.reading() as connection:
        found = list(_FOUND[by](connection, today or date.today()))
    placed = sorted(one for one in found if one is not None)
    shown = placed[first:] if most is None else placed[first : first + most]
    return Timeline(
        tuple(Moment(*one[3:]) for one in shown),
        len(placed),
        len(found) - len(placed),
    )


_ON_IT = "the unit"


def _called(part: str, name: str) -> str:
    return f"{part} {name}"


def _made(connection: Connection, today: date) -> Iterator[_Placed | None]:
    coded = and_(parts.c.unit == units.c.inventory, parts.c.date_code != "")
    asked = (
        select(
            units.c.inventory, units.c.title, units.c.made, units.c.date_codes, parts.c.part, parts.c.name,
            parts.c.date_code,
        )
        .select_from(units.outerjoin(parts, coded))
        .order_by(units.c.row, parts.c.row)
    )  # fmt: skip
    for key, held in groupby(_rows(connection, asked), lambda row: row[0]):
        _, title, made, codes, *first = next(held)
        if made:
            yield _placed("unit", key, title, made, "as told")
            continue
        on_parts = [(_called(part, name), code) for part, name, code in (first, *(row[4:] for row in held)) if part]
        latest = latest_code([(_ON_IT, codes), *on_parts], today=today)
        if latest is None or latest.reading is None:
            yield None
            continue
        day = latest.reading.earliest
        basis = f"date code {latest.code} on {latest.what}"
        yield day.toordinal(), False, len(key), "unit", key, title, day, None, f"not before {day}", basis


def _acquired(connection: Connection, today: date) -> Iterator[_Placed | None]:
    for kind, table in (("unit", units), ("disk", disks)):
        for key, title, when, how in _columns(connection, table, "acquired_when", "acquired"):
            # an older entry has the date at the head of how it came
            leading = None if when else _LEADING.match(how)
            yield _placed(kind, key, title, leading.group(0) if leading else when, how)


def _recorded(connection: Connection, today: date) -> Iterator[_Placed | None]:
    for key, title, when in _columns(connection, disks, "recorded_when"):
        yield _placed("disk", key, title, when, "as noted")


_FOUND = {"made": _made, "acquired": _acquired, "recorded": _recorded}


def _columns(connection: Connection, table: Table, *names: str) -> Iterator[Any]:
    return _rows(connection, select(*(table.c[name] for name in ("inventory", "title", *names))))


def _rows(connection: Connection, asked: Select[Any]) -> Iterator[Any]:
    # some at a time: quicker than one by one, and not all are held at once
    for rows in connection.execute(asked).partitions(500):
        yield from rows


def _placed(kind: str, key: str, title: str, when: str, basis: str) -> _Placed | None:
    meant = _meant(when)
    if meant is None:
        return None
    # of one day units come first, and a shorter number first, so that D2 stands before D10
    return meant[0], kind == "disk", len(key), kind, key, title, meant[1], meant[2], when, basis


# a large shelf has the same few hundred dates many times over
@lru_cache(maxsize=10_000)
def _meant(when: str) -> tuple[int, date | None, date | None] | None:
    """The middle of what a date can mean, and its first and last day; None for one that says nothing."""
    try:
        span = span_of(when)
    except ValueError:
        return None
    earliest = None if span.earliest == date.min else span.earliest
    latest = None if span.latest == date.max else span.latest
    if earliest is not None and latest is not None:
        return (earliest.toordinal() + latest.toordinal()) // 2, earliest, latest
    end = earliest or latest
    return None if end is None else (end.toordinal(), earliest, latest)
