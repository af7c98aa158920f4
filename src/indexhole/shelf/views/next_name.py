"""The next free name of a thing or a trial, such as D9 or T80."""

from __future__ import annotations

import re
from collections.abc import Iterable

from sqlalchemy import select

from indexhole.shelf.register.shelf import Shelf
from indexhole.shelf.register.tables import disks, trials, units

_LETTERS = {"drive unit": "D", "host": "H", "lead": "L", "adapter": "A", "disk": "K"}
# so many of the newest trials are looked at: to go through all takes long on a large shelf
_NEWEST = 200


def next_number(shelf: Shelf, kind: str) -> str:
    """The number after the highest of a kind ("drive unit", "host", "lead", "adapter", "disk"), such as D9."""
    letters = _LETTERS[kind]
    with shelf.reading() as connection:
        taken = [
            name
            for table in (units, disks)
            for name in connection.scalars(select(table.c.inventory).where(table.c.inventory.startswith(letters)))
        ]
    return next_name(letters, taken)


def next_trial(shelf: Shelf) -> str:
    """A name for the next trial, such as T80: one more than the highest among the newest that are named so."""
    with shelf.reading() as connection:
        newest = connection.scalars(select(trials.c.trial).order_by(trials.c.row.desc()).limit(_NEWEST)).all()
        name = next_name("T", newest)
        while connection.execute(select(trials.c.row).where(trials.c.trial == name)).first():
            name = next_name("T", [name])
    return name


def next_name(letters: str, taken: Iterable[str]) -> str:
    """The letters with one more than the highest number of the names that are made so."""
    numbers = [int(name[len(letters) :]) for name in taken if re.fullmatch(f"{letters}[0-9]{{1,9}}", name)]
    return f"{letters}{max(numbers, default=0) + 1}"
