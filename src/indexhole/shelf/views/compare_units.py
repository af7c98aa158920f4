"""Chosen units side by side: what their records say, capacity, processors, and what trials proved of them."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from sqlalchemy import and_, or_, select

from indexhole.errors import InputFault
from indexhole.shelf.records.additions import Firmware, Part
from indexhole.shelf.records.records import Mechanism, Unit
from indexhole.shelf.records.shown import field_of, grouped
from indexhole.shelf.register.shelf import Shelf
from indexhole.shelf.register.tables import trials
from indexhole.shelf.views.listing import TrialsOf, by_unit, mechanisms_by_unit, natural, records_of, trials_with
from indexhole.shelf.views.timeline import dating
from indexhole.standards.layouts import Layout, load_layouts
from indexhole.wording import count_of

MOST_UNITS = 20
# words in a part's name that mean it calculates
_PROCESSORS = ("processor", "cpu", "controller", "microcomputer")
_MOST_NAMED = 12


@dataclass(frozen=True, slots=True)
class Comparison:
    """Units side by side. `rows` hold a name and a value for each unit, empty where nothing is known."""

    units: tuple[str, ...]
    rows: tuple[tuple[str, tuple[str, ...]], ...]


@dataclass(frozen=True, slots=True)
class _Held:
    """A unit with what belongs to it, and what trials say of it."""

    unit: Unit
    mechanisms: Sequence[Mechanism]
    parts: Sequence[Part]
    firmware: Sequence[Firmware]
    tried: tuple[int, int, int]
    among: Sequence[str]
    others: Sequence[str]


def compare_units(shelf: Shelf, keys: Sequence[str]) -> Comparison:
    """The units side by side, rows that say nothing of any left out.

    A pairing of two mechanisms is proven where one read, without a failed sector, what the other had written last;
    one of a mechanism and a host or lead where a trial over it had no failed sector. Those among the units stand
    apart from those with anything else. Raises InputFault for a unit that is not there, none, or more than MOST_UNITS.
    """
    if not 1 <= len(keys) <= MOST_UNITS or len(set(keys)) < len(keys):
        raise InputFault(f"{len(keys)} units cannot be compared", remedy=f"name 1 to {MOST_UNITS}, each once")
    found = records_of(shelf, Unit, keys)
    units = [found[key] if key in found else shelf.get(Unit, key) for key in keys]
    mechanisms = mechanisms_by_unit(shelf, keys)
    parts, firmware = by_unit(shelf, Part, keys), by_unit(shelf, Firmware, keys)
    proven = _proven(shelf, keys, mechanisms)
    tried = {key: _tried(shelf, key, mechanisms.get(key, [])) for key in keys}
    columns = [
        _column(_Held(u, mechanisms.get(u.key, []), parts.get(u.key, []), firmware.get(u.key, []), tried[u.key],
                    *proven[u.key]))
        for u in units
    ]  # fmt: skip
    rows = [(name, tuple(column[name] for column in columns)) for name in columns[0]]
    return Comparison(tuple(keys), tuple(row for row in rows if any(row[1])))


def _column(held: _Held) -> dict[str, str]:
    """What is said of a unit, by row: each field of its record, then what is worked out."""
    unit = held.unit
    fields = [one for one in grouped(Unit) if not (one.key or one.noted)]
    said = {
        # the heading of the row has the unit of the number already
        one.shown.compared or one.shown.in_text: one.said(getattr(unit, one.name), unit=False)
        for one in fields
    }
    not_before = dating(unit, held.parts).no_earlier_than
    if not unit.made and not_before:
        said[field_of(Unit, "made").shown.in_text] = f"not before {not_before}"
    return {
        **said,
        "mechanisms": str(len(held.mechanisms) or ""),
        "capacity of a disk": _capacity(unit.disk_class, held.mechanisms),
        "processors": ", ".join(
            part.name + (f" ({part.marking})" if part.marking else "")
            for part in held.parts
            if any(word in part.name.casefold() for word in _PROCESSORS) and "board" not in part.name.casefold()
        ),
        "firmware": ", ".join(one.version for one in held.firmware),
        "trials": _outcome(*held.tried),
        "proven pairings": _named(held.among),
        "proven with others": _named(held.others),
    }


def _outcome(number: int, tried: int, failed: int) -> str:
    if not number:
        return ""
    trials = count_of(number, "trial")
    return f"{trials}, {failed} of {tried} sectors failed" if tried else trials


def _named(lines: Sequence[str]) -> str:
    more = len(lines) - _MOST_NAMED
    return ", ".join([*lines[:_MOST_NAMED], *([f"and {more} more"] if more > 0 else [])])


def _capacity(disk_class: str, mechanisms: Sequence[Mechanism]) -> str:
    """The least and most a disk of the class holds by the layouts known, on as many heads as the unit has."""
    heads = max((mechanism.heads or 2 for mechanism in mechanisms), default=2)
    sizes = sorted(
        _bytes(layout)
        for layout in load_layouts().values()
        if layout.disk_class == disk_class and layout.heads <= heads
    )
    if not sizes:
        return ""
    least, most = sizes[0] / 1024, sizes[-1] / 1024
    return f"{most:.0f} KiB" if least == most else f"{least:.0f} to {most:.0f} KiB, by layout"


def _bytes(layout: Layout) -> int:
    zones = (layout.zone(cylinder, head) for cylinder in range(layout.cylinders) for head in range(layout.heads))
    return sum(zone.sectors * zone.sector_bytes for zone in zones if zone is not None)


def _tried(shelf: Shelf, unit: str, mechanisms: Sequence[Mechanism]) -> tuple[int, int, int]:
    """How many trials there are with a unit, sectors tried and failed in all of them."""
    found = trials_with(shelf, TrialsOf([m.mechanism for m in mechanisms], part=unit), most=0)
    return found.total, found.sectors_tried, found.sectors_failed


def _proven(
    shelf: Shelf, keys: Sequence[str], mechanisms: dict[str, list[Mechanism]]
) -> dict[str, tuple[list[str], list[str]]]:
    """For each unit its proven pairings: those among the units, those with anything else."""
    of = {mechanism.mechanism: unit for unit, held in mechanisms.items() for mechanism in held}
    own = {**of, **{key: key for key in keys}}
    found: dict[str, tuple[dict[str, None], dict[str, None]]] = {key: ({}, {}) for key in keys}
    for one, joint, other in (*_read_by(shelf, list(of)), *_worked_with(shelf, list(own))):
        units = {own[name] for name in (one, other) if name in own}
        for unit in units:
            found[unit][0 if one in own and other in own else 1][f"{one} {joint} {other}"] = None
    return {key: (list(among), sorted(others, key=natural)) for key, (among, others) in found.items()}


def _worked_with(shelf: Shelf, names: Sequence[str]) -> Iterator[tuple[str, str, str]]:
    """Mechanisms with the hosts and leads over which not one sector failed, where one of them is among the names."""
    for column, joint in ((trials.c.host, "on"), (trials.c.lead, "over")):
        asked = (
            select(trials.c.mechanism, column)
            .where(or_(trials.c.mechanism.in_(names), column.in_(names)), column.is_not(None))
            .where(trials.c.sectors_tried > 0, trials.c.sectors_failed == 0)
            .distinct()
            .order_by(trials.c.mechanism, column)
        )
        with shelf.reading() as connection:
            for mechanism, other in connection.execute(asked):
                yield mechanism, joint, other


def _read_by(shelf: Shelf, names: Sequence[str]) -> Iterator[tuple[str, str, str]]:
    """Writers and readers, one of them among the names, where a disk was read without a failed sector."""
    # of each side of a disk, who wrote a cylinder last
    wrote: dict[tuple[str, int], dict[int, str]] = {}
    wanted = set(names)
    tried = select(trials.c.disk).where(trials.c.mechanism.in_(names)).distinct()
    read = and_(trials.c.operation == "read", trials.c.sectors_tried > 0, trials.c.sectors_failed == 0)
    asked = (
        select(
            trials.c.operation, trials.c.mechanism, trials.c.disk, trials.c.side, trials.c.first_cylinder,
            trials.c.last_cylinder,
        )
        .where(trials.c.disk.in_(tried), or_(trials.c.operation != "read", read))
        .order_by(trials.c.row)
    )  # fmt: skip
    with shelf.reading() as connection:
        rows = connection.execute(asked).all()
    for operation, mechanism, disk, side, first, last in rows:
        cylinders = range(first, last + 1)
        if operation != "read":
            wrote.setdefault((disk, side), {}).update(dict.fromkeys(cylinders, mechanism))
            continue
        written = wrote.get((disk, side), {})
        for writer in sorted({written[cylinder] for cylinder in cylinders if cylinder in written}):
            if writer != mechanism and (writer in wanted or mechanism in wanted):
                yield writer, "read by", mechanism
