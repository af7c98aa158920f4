"""The collection along time: by when things were made, by when they came, by when disks were recorded."""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import date, timedelta
from typing import Literal

from indexhole.shelf.additions import Part
from indexhole.shelf.date_codes import Dating, date_unit
from indexhole.shelf.dates import Span, span_of
from indexhole.shelf.records import Disk, Unit
from indexhole.shelf.register import Shelf

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


def dating_of(shelf: Shelf, unit: str, *, today: date | None = None) -> Dating:
    """What the date codes of a unit and of its parts say together."""
    held = shelf.get(Unit, unit)
    return _dating(held, shelf.page(Part, unit=unit, most=10_000), today)


def timeline(shelf: Shelf, by: By = "made", *, today: date | None = None) -> list[Moment]:
    """Things whose time is known in any way, in order of the middle of what it can mean.

    `made` takes what is told of a unit, else not before the latest date code on it; `acquired` what is told of units
    and disks; `recorded` what is told of disks.
    """
    if by == "recorded":
        found = [_told("disk", disk, disk.recorded_when, "as noted") for disk in shelf.all(Disk)]
    elif by == "acquired":
        things: list[Unit | Disk] = [*shelf.all(Unit), *shelf.all(Disk)]
        found = [_acquired(thing) for thing in things]
    else:
        parts: dict[str, list[Part]] = {}
        for part in shelf.all(Part):
            parts.setdefault(part.unit, []).append(part)
        found = [_made(unit, parts.get(unit.inventory, []), today) for unit in shelf.all(Unit)]
    return sorted((moment for moment in found if moment is not None), key=_middle)


def _dating(unit: Unit, parts: list[Part], today: date | None) -> Dating:
    named = [(f"{part.part} {part.name}", part.date_code) for part in parts]
    return date_unit([("the unit", unit.date_codes), *named], made=unit.made, today=today)


def _made(unit: Unit, parts: list[Part], today: date | None) -> Moment | None:
    if unit.made:
        return _told("unit", unit, unit.made, "as told")
    dating = _dating(unit, parts, today)
    if dating.no_earlier_than is None or dating.decided_by is None:
        return None
    basis = f"date code {dating.decided_by.code} on {dating.decided_by.what}"
    return Moment(
        "unit", unit.key, unit.title, dating.no_earlier_than, None, f"not before {dating.no_earlier_than}", basis
    )


def _acquired(thing: Unit | Disk) -> Moment | None:
    kind = "unit" if isinstance(thing, Unit) else "disk"
    if thing.acquired_when:
        return _told(kind, thing, thing.acquired_when, thing.acquired)
    # an older entry has the date at the head of how it came
    leading = _LEADING.match(thing.acquired)
    return _told(kind, thing, leading.group(0), thing.acquired) if leading else None


def _told(kind: str, thing: Unit | Disk, when: str, basis: str) -> Moment | None:
    try:
        span = span_of(when)
    except ValueError:
        return None
    if span == Span(date.min, date.max):
        return None
    earliest = None if span.earliest == date.min else span.earliest
    latest = None if span.latest == date.max else span.latest
    return Moment(kind, thing.key, thing.title, earliest, latest, when, basis)


def _middle(moment: Moment) -> tuple[date, str]:
    if moment.earliest is None or moment.latest is None:
        return moment.earliest or moment.latest or date.min, moment.key
    return moment.earliest + timedelta(days=(moment.latest - moment.earliest).days // 2), moment.key
