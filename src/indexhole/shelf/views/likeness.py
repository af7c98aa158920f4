"""Whether a thing may stand on the shelf already."""

from __future__ import annotations

import re
from dataclasses import dataclass

from sqlalchemy import select

from indexhole.shelf.records.date_codes import codes_in
from indexhole.shelf.records.records import Disk, Unit
from indexhole.shelf.register.shelf import Shelf
from indexhole.shelf.register.tables import TABLES

# Our own choice: how much of their words two titles must share, and how few words say nothing.
SHARED = 0.75
FEWEST_WORDS = 2


@dataclass(frozen=True, slots=True)
class Likeness:
    """An entry that may be the same thing, and why it seems so."""

    key: str
    title: str
    why: str


def similar_to(shelf: Shelf, record: Unit | Disk) -> list[Likeness]:
    """Entries that may be the same thing: same number, most words of the title, or maker and a date code."""
    table = TABLES[type(record)]
    wanted = ("inventory", "title", "standing", *(("maker", "date_codes") if isinstance(record, Unit) else ()))
    with shelf.reading() as connection:
        # Columns, not records: there may be ten thousand, and few are alike.
        others = connection.execute(select(*(table.c[name] for name in wanted)).order_by(table.c.row)).all()
    words, codes, number = _words(record.title), set(codes_in(_codes(record))), record.inventory.casefold()
    found = []
    for inventory, title, standing, *coded in others:
        why = []
        if inventory == record.inventory:
            why.append("it has the same inventory number" if standing == "known" else "a trial names it")
        elif inventory.casefold() == number:
            why.append("its inventory number differs in capitals only")
        if title and len(words) >= FEWEST_WORDS and _share(words, _words(title)) >= SHARED:
            why.append("its title is nearly the same")
        if codes and isinstance(record, Unit) and record.maker and record.maker.casefold() == coded[0].casefold():
            shared = sorted(codes & set(codes_in(coded[1])))
            if shared:
                why.append(f"same maker and date code {', '.join(shared)}")
        if why:
            found.append(Likeness(inventory, title, "; ".join(why)))
    return found


def _codes(record: Unit | Disk) -> str:
    return record.date_codes if isinstance(record, Unit) else ""


def _words(text: str) -> set[str]:
    return set(re.findall(r"\w+", text.casefold()))


def _share(words: set[str], others: set[str]) -> float:
    if min(len(words), len(others)) < FEWEST_WORDS:
        return 0.0
    return len(words & others) / len(words | others)
