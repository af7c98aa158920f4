"""Whether a thing may stand on the shelf already, and which inventory number comes next."""

from __future__ import annotations

import re
from dataclasses import dataclass

from indexhole.shelf.date_codes import codes_in
from indexhole.shelf.records import Disk, Unit
from indexhole.shelf.register import Shelf

# Our own choice: how much of their words two titles must share, and how few words say nothing.
SHARED = 0.75
FEWEST_WORDS = 2

_LETTERS = {"drive unit": "D", "host": "H", "lead": "L", "adapter": "A", "disk": "K"}


@dataclass(frozen=True, slots=True)
class Likeness:
    """An entry that may be the same thing, and why it seems so."""

    key: str
    title: str
    why: str


def similar_to(shelf: Shelf, record: Unit | Disk) -> list[Likeness]:
    """Entries that may be the same thing: same number, most words of the title, or maker and a date code."""
    return [
        Likeness(other.key, other.title, "; ".join(why))
        for other in shelf.all(type(record))
        if (why := _alike(record, other))
    ]


def _alike(record: Unit | Disk, other: Unit | Disk) -> list[str]:
    why = []
    if other.inventory == record.inventory:
        why.append("it has the same inventory number" if other.standing == "known" else "a trial names it")
    elif other.inventory.casefold() == record.inventory.casefold():
        why.append("its inventory number differs in capitals only")
    if _share(record.title, other.title) >= SHARED:
        why.append("its title is nearly the same")
    if isinstance(record, Unit) and isinstance(other, Unit) and record.maker:
        shared = sorted(set(codes_in(record.date_codes)) & set(codes_in(other.date_codes)))
        if shared and record.maker.casefold() == other.maker.casefold():
            why.append(f"same maker and date code {', '.join(shared)}")
    return why


def _share(one: str, other: str) -> float:
    words, others = (set(re.findall(r"\w+", text.casefold())) for text in (one, other))
    if min(len(words), len(others)) < FEWEST_WORDS:
        return 0.0
    return len(words & others) / len(words | others)


def next_number(shelf: Shelf, kind: str) -> str:
    """The number after the highest of a kind ("drive unit", "host", "lead", "adapter", "disk"), such as D9."""
    letter = _LETTERS[kind]
    taken = {unit.inventory for unit in shelf.all(Unit)} | {disk.inventory for disk in shelf.all(Disk)}
    numbers = [int(name[len(letter) :]) for name in taken if re.fullmatch(f"{letter}[0-9]{{1,9}}", name)]
    return f"{letter}{max(numbers, default=0) + 1}"
