"""Full-text search: one index over every entry, kept by the code that writes rows, the same on SQLite and PostgreSQL.

Text is taken apart here, so both find the same: words in small letters without accents, and a word with points or
dashes inside as its parts and as a whole, so that D1.0 is not found where D1.1 stands beside a 0. A word asked for
may be the start of one that stands there. The number of a row in the index holds kind and row, so what is found
comes in order of kind and entry without sorting.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import groupby
from typing import Any

from sqlalchemy import Connection, String, Table, Text, func, select, text

from indexhole.errors import InputFault
from indexhole.shelf.records.entry import Record
from indexhole.shelf.records.shown import fields_of
from indexhole.shelf.register.tables import TABLES, trials

LONGEST_WORD = 200
_BATCH = 5000
_KIND_BITS = 40
_ROW = (1 << _KIND_BITS) - 1
# joins the parts of a word with points inside; a letter to both databases, and in nobody's text
_JOINT = "\u02d1"


@dataclass(frozen=True, slots=True)
class Found:
    """One entry a search found: its kind (`unit`, `disk`, `trial`...), its key, and what it says."""

    kind: str
    key: str
    text: str


@dataclass(frozen=True, slots=True)
class _Kind:
    number: int
    word: str
    key: str
    table: Table
    # columns of text that nobody would look for
    left_out: frozenset[str] = frozenset()

    def position(self, row: int) -> int:
        return (self.number << _KIND_BITS) | row


def _not_searched(kind: type[Record]) -> frozenset[str]:
    return frozenset(field.name for field in fields_of(kind) if not field.shown.searched)


# numbers stand in the index: a new kind gets one more, and trials stay last
_KINDS = (
    *(
        _Kind(number, kind.WORD, kind.KEY, table, _not_searched(kind))
        for number, (kind, table) in enumerate(TABLES.items(), start=1)
    ),
    _Kind(1000, "trial", "trial", trials),
)
_OF_TABLE = {kind.table.name: kind for kind in _KINDS}
KIND_WORDS = tuple(kind.word for kind in _KINDS)


def plain_words(said: str) -> Iterator[str]:
    """The words of a text as the index has them: parts first, then the whole of one with points inside."""
    folded = unicodedata.normalize("NFKD", said.casefold())
    bare = "".join(character for character in folded if not unicodedata.combining(character))
    for word in bare.split():
        parts = [part[:LONGEST_WORD] for part in re.findall(r"[^\W_]+", word) if part != _JOINT]
        yield from parts
        if len(parts) > 1:
            yield _JOINT.join(parts)[:LONGEST_WORD]


def asked_words(words: str) -> list[str]:
    """The words looked for, each whole. Raises InputFault when there are none."""
    asked = []
    for word in words.split():
        *_, whole = [*plain_words(word)] or [""]
        if whole:
            asked.append(whole)
    if not asked:
        raise InputFault("nothing to look for", remedy="give a word or two")
    return asked


def enter(connection: Connection, table: Table, rows: Iterable[Mapping[str, Any]]) -> None:
    """Put rows of a table into the index; a table that is not searched is let be."""
    kind = _OF_TABLE.get(table.name)
    if kind is None:
        return
    names = [c.name for c in table.c if isinstance(c.type, (String, Text)) and c.name not in kind.left_out]
    entries = []
    for row in rows:
        found = dict.fromkeys(word for name in names if row.get(name) for word in plain_words(str(row[name])))
        entries.append({"place": kind.position(row["row"]), "words": _stored(connection, list(found))})
    if entries:
        connection.execute(_ENTER[connection.dialect.name], entries)


def leave(connection: Connection, table: Table, row: int) -> None:
    """Take a row of a table out of the index."""
    kind = _OF_TABLE.get(table.name)
    if kind is not None:
        connection.execute(_LEAVE[connection.dialect.name], {"place": kind.position(row)})


def rebuild(connection: Connection) -> None:
    """Make the index anew from what the register holds."""
    connection.execute(text("DELETE FROM search_words"))
    for kind in _KINDS:
        after = 0
        while rows := list(
            connection.execute(
                select(kind.table).where(kind.table.c.row > after).order_by(kind.table.c.row).limit(_BATCH)
            ).mappings()
        ):
            enter(connection, kind.table, [dict(row) for row in rows])
            after = rows[-1]["row"]


def out_of_step(connection: Connection) -> bool:
    """Whether the index has another number of entries than the register."""
    held = connection.execute(text("SELECT count(*) FROM search_words")).scalar_one()
    there = sum(connection.execute(select(func.count()).select_from(kind.table)).scalar_one() for kind in _KINDS)
    return bool(held != there)


def search(
    connection: Connection, words: str, kinds: Sequence[str] = (), *, first: int = 0, most: int | None = None
) -> list[Found]:
    """Entries that hold every word, in order of kind and entry; `most` of them from `first` on.

    Args:
        kinds: words of KIND_WORDS to look among; all when empty.

    Raises InputFault for words that hold no letter or digit, or a kind there is not.
    """
    found, values = _asked(connection, words, kinds)
    values |= {"first": first, "most": -1 if most is None else most}
    asked = text(f"{found} {_STRETCH[connection.dialect.name]} OFFSET :first")
    return _entries(connection, connection.execute(asked, values).scalars())


def beginning(
    connection: Connection, words: str, kind: str = "", *, most: int, counted: int
) -> tuple[list[Found], dict[str, int]]:
    """The first `most` that `search` finds among a kind, all when empty, and `counts` of all kinds up to `counted`."""
    kinds = (kind,) if kind else ()
    if connection.dialect.name == "sqlite":
        # its index gives places in order and stops early: to ask twice is less work than to keep what was found
        return search(connection, words, kinds, most=most), counts(connection, words, most=counted)
    # gathering all that begins so is most of the work here, and is done once
    found, values = _asked(connection, words, ())
    _, among = _asked(connection, words, kinds)
    values |= {"most": counted, "shown": most, "first": among["low"], "last": among["high"]}
    asked = (
        f"WITH found AS ({found} {_STRETCH['postgresql']}) "
        f"SELECT place >> {_KIND_BITS}, count(*) FROM found GROUP BY 1 UNION ALL "
        "(SELECT place, 0 FROM found WHERE place BETWEEN :first AND :last ORDER BY place LIMIT :shown)"
    )
    rows = connection.execute(text(asked), values).all()
    numbers = {int(number): int(count) for number, count in rows if count}
    positions = sorted(int(place) for place, count in rows if not count)
    if len(positions) < most and sum(numbers.values()) >= counted:
        # the kind goes on behind what was counted
        shown = search(connection, words, kinds, most=most)
    else:
        shown = _entries(connection, positions)
    return shown, {one.word: numbers[one.number] for one in _KINDS if one.number in numbers}


def counts(connection: Connection, words: str, kinds: Sequence[str] = (), *, most: int | None = None) -> dict[str, int]:
    """How many entries of each kind hold every word, kinds without any left out.

    With `most`, no more are counted than that, in order of kind: then the last kind told may hold more.
    """
    found, values = _asked(connection, words, kinds)
    if most is not None:
        # without an end there is nothing to put in order
        found, values["most"] = f"{found} {_STRETCH[connection.dialect.name]}", most
    asked = text(f"SELECT place >> {_KIND_BITS}, count(*) FROM ({found}) AS found GROUP BY 1")
    rows = connection.execute(asked, values).all()
    numbers = {int(number): int(count) for number, count in rows}
    return {kind.word: numbers[kind.number] for kind in _KINDS if kind.number in numbers}


def _asked(connection: Connection, words: str, kinds: Sequence[str]) -> tuple[str, dict[str, Any]]:
    """The question for the places of all that hold the words, and its values.

    Kinds that follow each other are one span of places: a database knows how many rows lie in a span, and so whether
    to go through them in order or to gather the words first. What it cannot reckon it supposes to be rare.
    """
    unknown = sorted(set(kinds) - set(KIND_WORDS))
    if unknown:
        raise InputFault(f"{unknown[0]!r} is no kind of entry", remedy=f"use {', '.join(KIND_WORDS)}")
    runs = [list(run) for wanted, run in groupby(_KINDS, lambda kind: not kinds or kind.word in kinds) if wanted]
    spans = [(run[0].position(0), run[-1].position(_ROW)) for run in runs]
    found = _FOUND[connection.dialect.name]
    values: dict[str, Any] = {"asked": _query(connection, asked_words(words)), "low": spans[0][0], "high": spans[-1][1]}
    if len(spans) > 1:
        found += f" AND ({' OR '.join(f'place BETWEEN :low{k} AND :high{k}' for k in range(len(spans)))})"
        for k, (low, high) in enumerate(spans):
            values |= {f"low{k}": low, f"high{k}": high}
    return found, values


def _entries(connection: Connection, positions: Iterable[int]) -> list[Found]:
    rows: dict[int, list[int]] = {}
    for position in positions:
        rows.setdefault(position >> _KIND_BITS, []).append(position & _ROW)
    return [found for kind in _KINDS if kind.number in rows for found in _found(connection, kind, rows[kind.number])]


def _found(connection: Connection, kind: _Kind, rows: Sequence[int]) -> list[Found]:
    found = []
    for at in range(0, len(rows), _BATCH):
        asked = select(kind.table).where(kind.table.c.row.in_(rows[at : at + _BATCH])).order_by(kind.table.c.row)
        for row in connection.execute(asked).mappings():
            texts = [
                str(held) for name, held in row.items() if held not in (None, "") and name not in ("row", "revision")
            ]
            found.append(Found(kind.word, str(row[kind.key]), " | ".join(texts)))
    return found


def _stored(connection: Connection, words: list[str]) -> Any:
    return " ".join(words) if connection.dialect.name == "sqlite" else words


def _query(connection: Connection, asked: Sequence[str]) -> str:
    # words hold letters and digits only, so there is nothing in them to take apart or to mistake for a sign
    if connection.dialect.name == "sqlite":
        return " AND ".join(f'"{word}" *' for word in asked)
    return " & ".join(f"'{word}':*" for word in asked)


_ENTER = {
    "sqlite": text("INSERT INTO search_words (rowid, words) VALUES (:place, :words)"),
    "postgresql": text(
        "INSERT INTO search_words (place, words) VALUES (:place, array_to_tsvector(CAST(:words AS text[])))"
    ),
}
_LEAVE = {
    "sqlite": text("DELETE FROM search_words WHERE rowid = :place"),
    "postgresql": text("DELETE FROM search_words WHERE place = :place"),
}
# one question for all kinds: the words that begin so are gathered once, and rows come in order by themselves
_FOUND = {
    "sqlite": "SELECT rowid AS place FROM search_words WHERE search_words MATCH :asked "
    "AND rowid BETWEEN :low AND :high",
    "postgresql": "SELECT place FROM search_words WHERE words @@ CAST(:asked AS tsquery) "
    "AND place BETWEEN :low AND :high",
}
_STRETCH = {"sqlite": "ORDER BY rowid LIMIT :most", "postgresql": "ORDER BY place LIMIT NULLIF(:most, -1)"}
