"""What must be true of a shelf after many have written to it at once, or were killed while they wrote.

Every call has a mark of its own, which goes with what it changes into the journal: as the reason, or in a row. So what
each call said when it ended can be held against the journal, the journal against the rows, and the rows against files.
"""

from __future__ import annotations

import hashlib
import json
import re
from collections import Counter, defaultdict
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal

from sqlalchemy import Connection, select

from indexhole.errors import InputFault
from indexhole.shelf.care.condition import check_captures, check_photos
from indexhole.shelf.files.writing import is_part
from indexhole.shelf.records.additions import Photo
from indexhole.shelf.records.records import CaptureRecord
from indexhole.shelf.register.journal import packed
from indexhole.shelf.register.shelf import Shelf
from indexhole.shelf.register.tables import changed_rows, changes, metadata
from indexhole.signal.store import read_parquet

_MARK = re.compile("[a-z][0-9]-[0-9]{4}")


@dataclass(frozen=True, slots=True)
class Said:
    """What a call said when it ended.

    Attributes:
        mark: its own name: a letter, a digit, a dash and four digits.
        verb: what it was told to do.
        made: what it said, or gave to understand, of a change: that it made one, that it made none, or that it may
            have made one (it was killed, or what it adds may have stood there already).
        undone: the number of the change it said it took back.
        undoing: it may have taken a change back without saying so, since it was killed.
    """

    mark: str
    verb: str
    made: Literal["one", "none", "perhaps"]
    undone: int | None = None
    undoing: bool = False


def faults_of(shelf: Shelf, said: Sequence[Said]) -> list[str]:
    """All that is not as it was said, in plain words; empty when nothing is lost and nothing half done."""
    with shelf.reading() as connection:
        against = list(_against_journal(connection, said))
    return [*against, *sound(shelf)]


def sound(shelf: Shelf) -> list[str]:
    """All that is wrong with a shelf by itself: register, journal, rows and files."""
    with shelf.reading() as connection:
        rows = list(_against_rows(connection))
    return [*shelf.inspect(), *rows, *_files_lost(shelf), *_files_half(shelf)]


def marks_in(shelf: Shelf) -> set[str]:
    """The marks of all calls whose changes the journal has."""
    with shelf.reading() as connection:
        return set(_changes_by_mark(connection))


def _against_journal(connection: Connection, said: Sequence[Said]) -> Iterator[str]:
    made = _changes_by_mark(connection)
    for one in said:
        found = made.pop(one.mark, set())
        if len(found) > 1 or (one.made != "perhaps" and bool(found) != (one.made == "one")):
            yield f"{one.verb} {one.mark} said of changes: {one.made}; the journal has {sorted(found)}"
    yield from (f"the journal has changes {sorted(found)} of {mark}, who never was" for mark, found in made.items())
    undone = set(connection.execute(select(changes.c.row).where(changes.c.undone_utc.is_not(None))).scalars())
    told = Counter(one.undone for one in said if one.undone is not None)
    yield from (f"change {number} was said to be undone {times} times" for number, times in told.items() if times > 1)
    if lost := set(told) - undone:
        yield f"changes {sorted(lost)} were said to be undone and stand"
    if len(strange := undone - set(told)) > sum(one.undoing for one in said):
        yield f"changes {sorted(strange)} are undone, and nobody said so"


def _changes_by_mark(connection: Connection) -> dict[str, set[int]]:
    """The numbers of the changes that bear each mark: as their reason, or in a value that became another."""
    found: dict[str, set[int]] = defaultdict(set)
    for number, why in connection.execute(select(changes.c.row, changes.c.why)):
        for mark in _MARK.findall(why):
            found[mark].add(number)
    columns = (changed_rows.c.change, changed_rows.c.before, changed_rows.c.after)
    for number, before, after in connection.execute(select(*columns).where(changed_rows.c.after.is_not(None))):
        was = json.loads(before) if before else {}
        became = [value for name, value in json.loads(after).items() if was.get(name) != value]
        for mark in _MARK.findall(json.dumps(became)):
            found[mark].add(number)
    return found


def _against_rows(connection: Connection) -> Iterator[str]:
    """Tables whose rows are not what the changes that stand, made one after the other, come to."""
    rows: dict[str, dict[int, Any]] = defaultdict(dict)
    noted = (
        select(changed_rows)
        .join(changes, changes.c.row == changed_rows.c.change)
        .where(changes.c.undone_utc.is_(None))
        .order_by(changed_rows.c.row)
    )
    for entry in connection.execute(noted).mappings():
        held = rows[entry["table_name"]]
        if (json.loads(entry["before"]) if entry["before"] else None) != held.pop(entry["row_changed"], None):
            yield f"change {entry['change']} found another row {entry['row_changed']} of {entry['table_name']}"
        if entry["after"]:
            held[entry["row_changed"]] = json.loads(entry["after"])
    for table in metadata.sorted_tables:
        if table not in (changes, changed_rows):
            stand = connection.execute(select(table)).mappings().all()
            if {row["row"]: json.loads(packed(dict(row))) for row in stand} != rows[table.name]:
                yield f"table {table.name} does not hold what the journal comes to"


def _files_lost(shelf: Shelf) -> Iterator[str]:
    """Rows without their files, or with others."""
    for found in (*check_captures(shelf), *check_photos(shelf)):
        if found.state in ("missing", "changed"):
            yield f"{found.record.WORD} {found.record.key}: {found.what}"
    for record in shelf.all(CaptureRecord):
        path = shelf.folder / record.parquet
        if path.is_file() and (told := _pulses_half(path, record.sha256)):
            yield told


def _files_half(shelf: Shelf) -> Iterator[str]:
    """Files with a name of their own that are not whole, whether or not a row names them."""
    for path in sorted(shelf.folder.rglob("*")):
        if not path.is_file() or is_part(path.name):
            continue
        place = path.relative_to(shelf.folder).as_posix()
        digits = path.name[:16]
        if place.startswith(("captures/originals/", "photos/")):
            if not hashlib.sha256(path.read_bytes()).hexdigest().startswith(digits):
                yield f"{place} is not whole"
        elif place.startswith("captures/"):
            if told := _pulses_half(path, digits):
                yield told
        elif place.startswith("removed/"):
            try:
                json.loads(path.read_text(encoding="utf-8"))
            except ValueError as fault:
                yield f"{place} is not whole ({fault})"


def _pulses_half(path: Path, sha256: str) -> str:
    try:
        told = read_parquet(path).sha256
    except InputFault as fault:
        return f"{path.name} is not whole ({fault.line})"
    return "" if not told or told.startswith(sha256) else f"{path.name} holds the pulses of another capture"


def unfinished(folder: Path) -> list[str]:
    """Files in the making, by their place in the folder."""
    return [path.relative_to(folder).as_posix() for path in sorted(folder.rglob("*")) if is_part(path.name)]


def strays(shelf: Shelf) -> set[str]:
    """Files of captures and photos that have their name, and that no row names."""
    named = {place for record in shelf.all(CaptureRecord) for place in (record.parquet, record.original)}
    named |= {photo.file for photo in shelf.all(Photo)}
    kept = [path for name in ("captures", "photos") for path in (shelf.folder / name).rglob("*") if path.is_file()]
    return {path.relative_to(shelf.folder).as_posix() for path in kept if not is_part(path.name)} - named
