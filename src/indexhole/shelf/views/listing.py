"""What long lists need: a stretch of the trials and what came of all of them, keys in order, the state of the shelf.

Nothing here reads more rows than it gives back, so a list of two hundred thousand trials opens as fast as a short one.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TypeVar, get_args

from sqlalchemy import ColumnElement, exists, func, or_, select, union_all

from indexhole.shelf.records.entry import Record
from indexhole.shelf.records.records import Mechanism, UnitKind
from indexhole.shelf.register.entries import as_record
from indexhole.shelf.register.journal import changes_kept
from indexhole.shelf.register.shelf import Shelf
from indexhole.shelf.register.tables import TABLES, disks, mechanisms, trials, units
from indexhole.shelf.register.trials import LoggedTrial, read_log

R = TypeVar("R", bound=Record)
_LONGEST_KEY = 80


@dataclass(frozen=True, slots=True)
class Trials:
    """Some trials, and the sums of all that were asked for."""

    rows: tuple[LoggedTrial, ...]
    total: int
    sectors_tried: int
    sectors_failed: int


@dataclass(frozen=True, slots=True)
class TrialsOf:
    """Which trials are wanted: of any of these mechanisms or with this host or lead, and of this disk; empty, all."""

    mechanisms: Sequence[str] = ()
    part: str = ""
    disk: str = ""


ALL_TRIALS = TrialsOf()


def trials_with(
    shelf: Shelf,
    wanted: TrialsOf = ALL_TRIALS,
    *,
    first: int = 0,
    most: int = 50,
    latest: bool = True,
    sums: bool = True,
) -> Trials:
    """Some of the trials that are wanted, and the sums of all of them.

    Args:
        wanted: which trials.
        first, most: the stretch of them.
        latest: whether they are counted and given from the newest back; without, in order.
        sums: whether to count all of them; without, the sums are 0.
    """
    played: list[ColumnElement[bool]] = []
    if wanted.mechanisms:
        played.append(trials.c.mechanism.in_(list(wanted.mechanisms)))
    if wanted.part:
        played += [trials.c.host == wanted.part, trials.c.lead == wanted.part]
    where: list[ColumnElement[bool]] = [or_(*played)] if played else []
    if wanted.disk:
        where.append(trials.c.disk == wanted.disk)
    counted = select(func.count(), func.sum(trials.c.sectors_tried), func.sum(trials.c.sectors_failed)).where(*where)
    with shelf.reading() as connection:
        total, tried, failed = connection.execute(counted).one() if sums else (0, 0, 0)
        rows = read_log(connection, where, first=first, most=most, latest=latest) if most else []
    return Trials(tuple(rows), int(total), int(tried or 0), int(failed or 0))


def number_of_trials(shelf: Shelf) -> int:
    """How many trials there are."""
    with shelf.reading() as connection:
        return int(connection.execute(select(func.count()).select_from(trials)).scalar_one())


def more_trials_than(shelf: Shelf, number: int) -> bool:
    """Whether there are more trials than that, without counting them all."""
    with shelf.reading() as connection:
        return (
            connection.execute(select(trials.c.row).order_by(trials.c.row).offset(number).limit(1)).first() is not None
        )


def trial_rank(shelf: Shelf, name: str) -> int | None:
    """How many trials stand before this one, None when there is none of that name."""
    with shelf.reading() as connection:
        row = connection.execute(select(trials.c.row).where(trials.c.trial == name)).scalar_one_or_none()
        if row is None:
            return None
        return int(connection.execute(select(func.count()).where(trials.c.row < row)).scalar_one())


def tried_among(shelf: Shelf, names: Sequence[str]) -> frozenset[str]:
    """Those of these mechanisms, hosts and leads that a trial names."""
    if not names:
        return frozenset()
    asked = [
        select(known).where(known.in_(list(names)), exists().where(column == known))
        for known, column in (
            (mechanisms.c.mechanism, trials.c.mechanism),
            (units.c.inventory, trials.c.host),
            (units.c.inventory, trials.c.lead),
        )
    ]
    with shelf.reading() as connection:
        return frozenset(connection.execute(union_all(*asked)).scalars())


@dataclass(frozen=True, slots=True)
class Choices:
    """What a trial can be made with, as (key, in words) for a list to choose from."""

    mechanisms: tuple[tuple[str, str], ...]
    disks: tuple[tuple[str, str], ...]
    hosts: tuple[tuple[str, str], ...]
    leads: tuple[tuple[str, str], ...]


def choices_of(shelf: Shelf, most: int) -> Choices:
    """Of each kind at most so many, in order of entry."""
    named = select(units.c.inventory, units.c.title).order_by(units.c.row).limit(most)
    with shelf.reading() as connection:
        names = connection.execute(select(mechanisms.c.mechanism).order_by(mechanisms.c.row).limit(most)).scalars()
        held = connection.execute(
            select(disks.c.inventory, disks.c.title, disks.c.importance).order_by(disks.c.row).limit(most)
        )
        return Choices(
            tuple((name, name) for name in names),
            tuple(
                (key, f"{key} {title}".rstrip() + (" (irreplaceable)" if importance == "irreplaceable" else ""))
                for key, title, importance in held
            ),
            *(
                tuple((key, f"{key} {title}".rstrip()) for key, title in connection.execute(named.where(of_kind)))
                for of_kind in (units.c.kind == "host", units.c.kind.in_(("lead", "adapter")))
            ),
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
    if not values:
        return {}
    table = TABLES[kind]
    asked = select(table).where(table.c[field].in_(list(values))).order_by(table.c.row)
    with shelf.reading() as connection:
        records = [as_record(kind, dict(row)) for row in connection.execute(asked).mappings()]
    return {record.key: record for record in records}


def natural(key: str) -> str:
    """Sorts D2 before D10: digits filled up to the most a key can have, the rest by letter."""
    letters = key.rstrip("0123456789")
    if any(letter in "0123456789" for letter in letters):
        return re.sub("[0-9]+", lambda found: found[0].zfill(_LONGEST_KEY), key)
    # nearly all are letters and then a number, and a large shelf has ten thousand to put in order
    return letters + key[len(letters) :].zfill(_LONGEST_KEY) if key != letters else key


def unit_keys(shelf: Shelf) -> list[str]:
    """Inventory numbers of units: drives first, then what they hang on, each in order of number."""
    kinds: dict[str, list[str]] = {kind: [] for kind in get_args(UnitKind)}
    with shelf.reading() as connection:
        for key, kind in connection.execute(select(units.c.inventory, units.c.kind)).all():
            kinds[kind].append(key)
    return [key for keys in kinds.values() for key in sorted(keys, key=natural)]


def disk_keys(shelf: Shelf) -> list[str]:
    """Inventory numbers of disks, in order of number."""
    with shelf.reading() as connection:
        return sorted(connection.execute(select(disks.c.inventory)).scalars(), key=natural)


def state_of(shelf: Shelf) -> int:
    """A number that stands for what the register holds: the latest change that stands, 0 for none.

    Taking a change back leaves exactly what stood before it, so the number of the one before is right again.
    """
    with shelf.reading() as connection:
        latest = changes_kept(connection, 1)
    return latest[0].number if latest else 0
