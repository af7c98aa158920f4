"""What long lists need: a stretch of the trials and what came of all of them, keys in order, the state of the shelf.

Nothing here reads more rows than it gives back, so a list of two hundred thousand trials opens as fast as a short one.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TypeVar, get_args

from sqlalchemy import ColumnElement, func, or_, select

from indexhole.model.trial import Trial
from indexhole.shelf.entries import as_record
from indexhole.shelf.journal import changes_kept
from indexhole.shelf.records import Mechanism, Record, UnitKind
from indexhole.shelf.register import Shelf
from indexhole.shelf.tables import TABLES, disks, trials, units
from indexhole.shelf.trials import read_trials

R = TypeVar("R", bound=Record)


@dataclass(frozen=True, slots=True)
class Trials:
    """Some trials, and the sums of all that were asked for."""

    rows: tuple[Trial, ...]
    total: int
    sectors_tried: int
    sectors_failed: int


def trials_with(
    shelf: Shelf,
    *,
    mechanisms: Sequence[str] = (),
    disk: str = "",
    part: str = "",
    first: int = 0,
    most: int = 50,
    latest: bool = True,
    sums: bool = True,
) -> Trials:
    """Trials of any of these mechanisms or with this unit as host or lead, and of this disk; all when none is named.

    Args:
        part: a host or a lead.
        first, most: the stretch of them.
        latest: whether they are counted and given from the newest back; without, in order.
        sums: whether to count all of them; without, the sums are 0.
    """
    played: list[ColumnElement[bool]] = []
    if mechanisms:
        played.append(trials.c.mechanism.in_(list(mechanisms)))
    if part:
        played += [trials.c.host == part, trials.c.lead == part]
    where: list[ColumnElement[bool]] = [or_(*played)] if played else []
    if disk:
        where.append(trials.c.disk == disk)
    counted = select(func.count(), func.sum(trials.c.sectors_tried), func.sum(trials.c.sectors_failed)).where(*where)
    with shelf.reading() as connection:
        total, tried, failed = connection.execute(counted).one() if sums else (0, 0, 0)
        rows = read_trials(connection, where, first=first, most=most, latest=latest) if most else []
    return Trials(tuple(rows), int(total), int(tried or 0), int(failed or 0))


def trial_rank(shelf: Shelf, name: str) -> int | None:
    """How many trials stand before this one, None when there is none of that name."""
    with shelf.reading() as connection:
        row = connection.execute(select(trials.c.row).where(trials.c.trial == name)).scalar_one_or_none()
        if row is None:
            return None
        return int(connection.execute(select(func.count()).where(trials.c.row < row)).scalar_one())


def tried_names(shelf: Shelf) -> frozenset[str]:
    """Every mechanism, disk, host and lead that a trial names."""
    with shelf.reading() as connection:
        return frozenset(
            name
            for column in (trials.c.mechanism, trials.c.disk, trials.c.host, trials.c.lead)
            for name in connection.execute(select(column).distinct().where(column.is_not(None))).scalars()
        )


def records_of(shelf: Shelf, kind: type[R], keys: Sequence[str]) -> dict[str, R]:
    """The entries of these keys, by key; those that are not there are left out."""
    return _having(shelf, kind, kind.KEY, keys)


def mechanisms_by_unit(shelf: Shelf, inventories: Sequence[str]) -> dict[str, list[Mechanism]]:
    """The mechanisms of each of these units, in order of number."""
    found = by_unit(shelf, Mechanism, inventories)
    return {unit: sorted(held, key=lambda m: m.number) for unit, held in found.items()}


def by_unit(shelf: Shelf, kind: type[R], inventories: Sequence[str]) -> dict[str, list[R]]:
    """What belongs to each of these units, in order of entry."""
    found: dict[str, list[R]] = {}
    for record in _having(shelf, kind, "unit", inventories).values():
        found.setdefault(record.unit, []).append(record)  # type: ignore[attr-defined]
    return found


def _having(shelf: Shelf, kind: type[R], field: str, values: Sequence[str]) -> dict[str, R]:
    table = TABLES[kind]
    asked = select(table).where(table.c[field].in_(list(values))).order_by(table.c.row)
    with shelf.reading() as connection:
        records = [as_record(kind, dict(row)) for row in connection.execute(asked).mappings()]
    return {record.key: record for record in records}


def natural(key: str) -> list[tuple[int, str]]:
    """Sorts D2 before D10: digits by their number, the rest by letter."""
    return [(int(part), "") if part.isdecimal() else (-1, part) for part in re.split("([0-9]+)", key)]


def unit_keys(shelf: Shelf) -> list[str]:
    """Inventory numbers of units: drives first, then what they hang on, each in order of number."""
    kinds = get_args(UnitKind)
    with shelf.reading() as connection:
        rows = connection.execute(select(units.c.inventory, units.c.kind)).all()
    return [key for key, _ in sorted(rows, key=lambda row: (kinds.index(row[1]), natural(row[0])))]


def disk_keys(shelf: Shelf) -> list[str]:
    """Inventory numbers of disks, in order of number."""
    with shelf.reading() as connection:
        return sorted(connection.execute(select(disks.c.inventory)).scalars(), key=natural)


def next_trial(shelf: Shelf) -> str:
    """A name for the next trial, such as T80: one more than the highest among the newest that are named so."""
    newest = trials_with(shelf, most=200, sums=False).rows
    numbers = [int(t.trial[1:]) for t in newest if re.fullmatch("T[0-9]{1,9}", t.trial)]
    number = max(numbers, default=0) + 1
    with shelf.reading() as connection:
        while connection.execute(select(trials.c.row).where(trials.c.trial == f"T{number}")).first():
            number += 1
    return f"T{number}"


def state_of(shelf: Shelf) -> int:
    """A number that stands for what the register holds: the latest change that stands, 0 for none.

    Taking a change back leaves exactly what stood before it, so the number of the one before is right again.
    """
    with shelf.reading() as connection:
        latest = changes_kept(connection, 1)
    return latest[0].number if latest else 0
