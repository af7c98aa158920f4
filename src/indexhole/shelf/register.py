"""The shelf as its users see it: records in, records out, each change whole and journalled."""

from __future__ import annotations

import os
import re
from collections.abc import Iterable
from contextlib import suppress
from dataclasses import dataclass
from difflib import get_close_matches
from pathlib import Path
from typing import Any, TypeVar

from sqlalchemy import Connection, Engine, Table, select

from indexhole.errors import InputFault
from indexhole.model.trial import Trial
from indexhole.shelf import trials as trial_rows
from indexhole.shelf.database import REGISTER, inspect_register, open_register, transaction
from indexhole.shelf.dates import span_of
from indexhole.shelf.journal import Change, Writing, changes_kept, undo, writing
from indexhole.shelf.records import CaptureRecord, Disk, Event, Mechanism, Note, Record, Unit, checked
from indexhole.shelf.sheet import checked_trials
from indexhole.shelf.tables import TABLES, disks, mechanisms, metadata, trials

R = TypeVar("R", bound=Record)

SHORT_SHA256 = "[0-9a-f]{6,63}"
# records whose key the register gives out: a letter and the row
_LETTERS: dict[type[Record], str] = {Event: "E", Note: "N"}


@dataclass(frozen=True, slots=True)
class Found:
    """One entry a search found: its kind (`unit`, `disk`, `trial`...), its key, and the text that matched."""

    kind: str
    key: str
    text: str


def default_folder() -> Path:
    """Where the shelf is kept unless told otherwise: INDEXHOLE_SHELF, else the user's data folder."""
    named = os.environ.get("INDEXHOLE_SHELF")
    if named:
        return Path(named)
    from platformdirs import user_data_path

    return user_data_path("indexhole", appauthor=False) / "shelf"


class Shelf:
    """An open shelf. It holds no connection between calls, so one may be shared by threads and never needs closing.

    Every method raises ShelfFault when the register cannot be used, and InputFault for a value or a name that
    does not fit; then nothing has changed.
    """

    def __init__(self, folder: Path, engine: Engine) -> None:
        self.folder = folder
        self._engine = engine

    @classmethod
    def open(cls, folder: Path | None = None, *, create: bool = False) -> Shelf:
        """Open the shelf in a folder (the default one when None), making it first if `create`.

        An older register is brought up to date with its rows kept.
        """
        place = default_folder() if folder is None else Path(folder)
        return cls(place, open_register(place, create=create))

    @property
    def path(self) -> Path:
        """The register's file."""
        return self.folder / REGISTER

    # reading

    def all(self, kind: type[R]) -> list[R]:
        """All entries of a kind, in order of entry."""
        table = TABLES[kind]
        with self._reading() as connection:
            return [_record(kind, dict(row)) for row in connection.execute(_in_order(table)).mappings()]

    def find(self, kind: type[R], key: str) -> R | None:
        """The entry of that key, or None. A capture may be named by the first digits of its SHA-256, if one fits."""
        with self._reading() as connection:
            return _find(connection, kind, key)

    def get(self, kind: type[R], key: str) -> R:
        """The entry of that key. Raises InputFault, naming the nearest keys, when there is none."""
        with self._reading() as connection:
            return _get(connection, kind, key)

    def mechanisms_of(self, unit: str) -> list[Mechanism]:
        """The mechanisms of a drive unit, in order of number."""
        held = [mechanism for mechanism in self.all(Mechanism) if mechanism.unit == unit]
        return sorted(held, key=lambda mechanism: mechanism.number)

    def history(self, unit: str) -> list[Event]:
        """What happened to a unit, in order of time as far as it is remembered."""
        held = [event for event in self.all(Event) if event.unit == unit]
        return sorted(held, key=lambda event: (span_of(event.when).earliest, span_of(event.when).latest))

    def notes_on(self, *, unit: str | None = None, disk: str | None = None) -> list[Note]:
        """Notes on a unit, on a disk, or (neither given) on the shelf as a whole."""
        return [note for note in self.all(Note) if (note.unit, note.disk) == (unit, disk)]

    def trials(self) -> list[Trial]:
        """All trials, in order."""
        with self._reading() as connection:
            return trial_rows.read_trials(connection)

    def search(self, words: str) -> list[Found]:
        """Entries whose text holds every word, whatever the case, in order of kind and entry."""
        wanted = words.casefold().split()
        if not wanted:
            raise InputFault("nothing to look for", remedy="give a word or two")
        found: list[Found] = []
        with self._reading() as connection:
            for word, key, table in _searched():
                for row in connection.execute(_in_order(table)).mappings():
                    told = " | ".join(
                        str(held) for name, held in row.items() if held not in (None, "") and name != "row"
                    )
                    if all(part in told.casefold() for part in wanted):
                        found.append(Found(word, str(row[key]), told))
        return found

    # changing

    def add(self, record: R) -> R:
        """Add an entry and return it as kept.

        A unit, mechanism or disk that stands as `unproven` (a trial named it) is filled in; one that is known
        is refused. Events and notes are given their key.
        """
        with writing(self._engine, f"add {record.WORD} {record.label}", self.path) as change:
            return add(change, record)

    def update(self, kind: type[R], key: str, /, **values: Any) -> R:
        """Change fields of an entry and return it as kept; its key stays."""
        with writing(self._engine, f"change {kind.WORD} {key}", self.path) as change:
            kept = _get(change.connection, kind, key)
            renewed = checked(kind, **{**kept.model_dump(), **values})
            for name in (kind.KEY, *kind.FIXED):
                if getattr(renewed, name) != getattr(kept, name):
                    raise InputFault(
                        f"{kind.WORD} {kept.key} cannot take another {name}", remedy="remove it and add it anew"
                    )
            _refers_well(change.connection, renewed)
            _keeps_its_part(change.connection, renewed)
            row = _row_number(change.connection, kind, kept.key)
            change.update(TABLES[kind], row, renewed.model_dump())
            return renewed

    def remove(self, kind: type[Record], key: str) -> None:
        """Take an entry out. Refused while another entry names it; files of captures stay where they are."""
        with writing(self._engine, f"remove {kind.WORD} {key}", self.path) as change:
            kept = _get(change.connection, kind, key)
            namers = _namers(change.connection, TABLES[kind], kept.key)
            if namers:
                raise InputFault(f"{kind.WORD} {kept.key} is named by {namers}", remedy="remove those first")
            change.delete(TABLES[kind], _row_number(change.connection, kind, kept.key))

    def plan_trials(self, new: Iterable[Trial]) -> trial_rows.Imported:
        """What `add_trials` would add, with nothing changed."""
        with self._reading() as connection:
            return trial_rows.plan(connection, checked_trials(new))

    def add_trials(self, new: Iterable[Trial], source: str = "") -> trial_rows.Imported:
        """Add trials in their order, all or none; units, mechanisms and disks not yet known enter as `unproven`."""
        held = checked_trials(new)
        what = f"import {len(held)} trials" + (f" from {source}" if source else "")
        with writing(self._engine, what, self.path) as change:
            planned = trial_rows.plan(change.connection, held)
            for record in (*planned.units, *planned.mechanisms, *planned.disks):
                add(change, record)
            trial_rows.insert_trials(change, held)
            return planned

    def remove_trial(self, trial: str) -> None:
        """Take one trial out."""
        with writing(self._engine, f"remove trial {trial}", self.path) as change:
            trial_rows.delete_trial(change, trial)

    def add_capture(self, record: CaptureRecord) -> tuple[CaptureRecord, bool]:
        """Register a capture: the entry as kept, and whether it is new (one with its SHA-256 may stand already)."""
        with writing(self._engine, f"add capture {record.name}", self.path) as change:
            kept = _find(change.connection, CaptureRecord, record.sha256)
            if kept is None:
                return add(change, record), True
        return kept, False

    # the journal

    def changes(self) -> list[Change]:
        """Changes that can be undone, the latest first."""
        with self._reading() as connection:
            return changes_kept(connection)

    def undo(self, expected: Change | None = None) -> Change:
        """Take the last change back and return it. With `expected`, only if that is still the last one."""
        with transaction(self._engine, writing=True, where=self.path) as connection:
            kept = changes_kept(connection)
            if not kept:
                raise InputFault("nothing to undo", where=str(self.path))
            if expected is not None and kept[0] != expected:
                raise InputFault("another change came in between", remedy="look again before undoing it")
            undo(connection, kept[0], self.path)
            return kept[0]

    def discard(self) -> None:
        """Take a shelf away that was only just started; its folder goes if nothing else is in it."""
        self.path.unlink()
        with suppress(OSError):
            self.folder.rmdir()

    def inspect(self) -> list[str]:
        """What is wrong with the register's file itself: empty for a sound one."""
        return inspect_register(self._engine, self.path)

    def _reading(self) -> Any:
        return transaction(self._engine, writing=False, where=self.path)


def add(change: Writing, record: R) -> R:
    """Add an entry inside an open change; `Shelf.add` says how."""
    kind, table = type(record), TABLES[type(record)]
    if kind in _LETTERS:
        record = record.model_copy(update={kind.KEY: f"{_LETTERS[kind]}{change.next_row(table)}"})
    _refers_well(change.connection, record)
    kept = _find(change.connection, kind, record.key)
    if kept is None:
        change.insert(table, [record.model_dump()])
    elif getattr(kept, "standing", "known") == "unproven":
        _keeps_its_part(change.connection, record)
        change.update(table, _row_number(change.connection, kind, record.key), record.model_dump())
    else:
        raise InputFault(
            f"{kind.WORD} {record.key} is on the shelf already",
            remedy="change that one, or give this one another number",
        )
    return record


def _record(kind: type[R], row: dict[str, Any]) -> R:
    # what the register holds was checked going in; a class of disk dropped since must not close the book
    del row["row"]
    return kind.model_construct(**row)


def _in_order(table: Table) -> Any:
    return select(table).order_by(table.c.row)


def _searched() -> list[tuple[str, str, Table]]:
    kinds = [(kind.WORD, kind.KEY, table) for kind, table in TABLES.items()]
    return [*kinds, ("trial", "trial", trials)]


def _find(connection: Connection, kind: type[R], key: str) -> R | None:
    table = TABLES[kind]
    rows = connection.execute(select(table).where(table.c[kind.KEY] == key)).mappings().all()
    if not rows and kind is CaptureRecord and re.fullmatch(SHORT_SHA256, key):
        rows = connection.execute(select(table).where(table.c.sha256.startswith(key))).mappings().all()
    return _record(kind, dict(rows[0])) if len(rows) == 1 else None


def _get(connection: Connection, kind: type[R], key: str) -> R:
    found = _find(connection, kind, key)
    if found is not None:
        return found
    keys = list(connection.execute(select(TABLES[kind].c[kind.KEY])).scalars())
    near = get_close_matches(key, keys, cutoff=0.5)
    raise InputFault(
        f"there is no {kind.WORD} {key} on the shelf",
        remedy=f"did you mean {', '.join(near)}" if near else "see `indexhole shelf list`",
    )


def _row_number(connection: Connection, kind: type[Record], key: str) -> int:
    table = TABLES[kind]
    return int(connection.execute(select(table.c.row).where(table.c[kind.KEY] == key)).scalar_one())


def _refers_well(connection: Connection, record: Record) -> None:
    """Raise InputFault when the record names an entry that is not there, or one of the wrong kind."""
    for kind, named in (
        (Unit, getattr(record, "unit", None)),
        (Disk, getattr(record, "disk", None)),
        (Mechanism, record.mechanism if isinstance(record, CaptureRecord) else None),
        (Mechanism, record.writer if isinstance(record, CaptureRecord) else None),
        (Mechanism, (record.recorded_by or None) if isinstance(record, Disk) else None),
    ):
        if named is None:
            continue
        kept = _get(connection, kind, named)
        if isinstance(record, Mechanism) and isinstance(kept, Unit) and kept.kind != "drive unit":
            raise InputFault(f"unit {kept.key} is a {kept.kind}, and a mechanism belongs to a drive unit")


def _keeps_its_part(connection: Connection, record: Record) -> None:
    """Raise InputFault when a unit's new kind does not fit what is known of it."""
    if not isinstance(record, Unit):
        return
    parts = trial_rows.parts_played(connection, record.key)
    if parts and record.kind not in parts:
        raise InputFault(
            f"unit {record.key} cannot be a {record.kind}: it is known as a {' or '.join(sorted(parts))}",
            remedy="give the new thing another number",
        )


def _namers(connection: Connection, table: Table, key: str) -> str:
    """Entries that name this one, in words; empty when none does."""
    told = []
    for other in metadata.sorted_tables:
        columns = [other.c[f.parent.name] for f in other.foreign_keys if f.column.table is table]
        rows = {
            row for column in columns for row in connection.execute(select(other.c.row).where(column == key)).scalars()
        }
        if other is disks and table is mechanisms:
            # kept as text: a disk of which nothing is known says nothing there
            rows = set(connection.execute(select(disks.c.row).where(disks.c.recorded_by == key)).scalars())
        if rows and other.name != "changed_rows":
            told.append(f"{len(rows)} {other.name}")
    return ", ".join(told)
