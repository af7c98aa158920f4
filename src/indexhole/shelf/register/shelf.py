"""The shelf as its users see it: records in, records out, each change whole and journalled."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from contextlib import AbstractContextManager, suppress
from pathlib import Path
from typing import Any, TypeVar

from sqlalchemy import Connection, Engine, func, select

from indexhole.errors import InputFault
from indexhole.model.trials.trial import Trial
from indexhole.shelf.records.dates import span_of
from indexhole.shelf.records.entry import Record
from indexhole.shelf.records.records import CaptureRecord, Event, Mechanism, Note
from indexhole.shelf.register import confidence, entries, search
from indexhole.shelf.register import trials as trial_rows
from indexhole.shelf.register.address import ShelfAddress, default_folder, shelf_address
from indexhole.shelf.register.confidence import FieldConfidence, FieldWord
from indexhole.shelf.register.database import REGISTER, inspect_register, open_register, transaction
from indexhole.shelf.register.history import FieldChange, field_changes
from indexhole.shelf.register.journal import (
    UNSIGNED,
    Change,
    Signature,
    Writing,
    changes_kept,
    checked_signature,
    undo,
    writing,
)
from indexhole.shelf.register.leaving import keep_a_copy
from indexhole.shelf.register.search import Found
from indexhole.shelf.register.tables import TABLES, events, mechanisms, notes
from indexhole.shelf.sheets.sheet import checked_trials

__all__ = ["Found", "Shelf", "default_folder"]

R = TypeVar("R", bound=Record)


class Shelf:
    """An open shelf. It holds no connection between calls, so one may be shared by threads and never needs closing.

    One opened with `keep` does hold some, for a program that asks a shared register often, and is closed at the end.

    Every method raises ShelfFault when the register cannot be used, and InputFault for a value or a name that
    does not fit; then nothing has changed.
    """

    def __init__(self, at: ShelfAddress, engine: Engine, signature: Signature = UNSIGNED) -> None:
        self.at = at
        self.signature = signature
        self._engine = engine

    @classmethod
    def open(cls, named: Path | str | ShelfAddress | None = None, *, create: bool = False, keep: bool = False) -> Shelf:
        """Open the shelf in a folder or at the address of a shared register (the default one when None).

        With `create` a missing one is made first. An older register is brought up to date with its rows kept.
        """
        at = named if isinstance(named, ShelfAddress) else shelf_address(named)
        if not at.address:
            return cls(at, open_register(at.folder, create=create))
        from indexhole.shelf.register.postgres import open_shared

        return cls(at, open_shared(at, create=create, keep=keep))

    def close(self) -> None:
        """Let go of connections that were kept."""
        self._engine.dispose()

    def signed(self, who: str = "", why: str = "") -> Shelf:
        """The same shelf, whose changes the journal keeps with who made them and why."""
        return Shelf(self.at, self._engine, checked_signature(who, why))

    @property
    def folder(self) -> Path:
        """The folder of its files."""
        return self.at.folder

    @property
    def path(self) -> Path:
        """The register's file, of a shelf that is no shared one."""
        return self.folder / REGISTER

    @property
    def where(self) -> str:
        """The register for messages: its file, or its address without the password."""
        return self.at.label if self.at.address else str(self.path)

    # reading

    def all(self, kind: type[R]) -> list[R]:
        """All entries of a kind, in order of entry."""
        with self.reading() as connection:
            return entries.read_records(connection, kind)

    def page(self, kind: type[R], *, first: int = 0, most: int = 100, **fields: Any) -> list[R]:
        """Entries of a kind whose fields have the given values, in order of entry: `most` of them from `first` on."""
        with self.reading() as connection:
            return entries.read_records(connection, kind, _having(kind, fields), first=first, most=most)

    def count(self, kind: type[Record], **fields: Any) -> int:
        """How many entries of a kind have the given values."""
        table = TABLES[kind]
        with self.reading() as connection:
            asked = select(func.count()).select_from(table).where(*_having(kind, fields))
            return int(connection.execute(asked).scalar_one())

    def find(self, kind: type[R], key: str) -> R | None:
        """The entry of that key, or None. A capture may be named by the first digits of its SHA-256, if one fits."""
        with self.reading() as connection:
            return entries.find(connection, kind, key)

    def get(self, kind: type[R], key: str) -> R:
        """The entry of that key. Raises InputFault, naming the nearest keys, when there is none."""
        with self.reading() as connection:
            return entries.get(connection, kind, key)

    def get_revised(self, kind: type[R], key: str) -> tuple[R, int]:
        """The entry of that key and its revision, to be given to `update`."""
        with self.reading() as connection:
            row = entries.get_row(connection, kind, key)
            return entries.as_record(kind, row), int(row["revision"])

    def revisions(self, kind: type[Record]) -> dict[str, int]:
        """The revision of every entry of a kind, by key."""
        table = TABLES[kind]
        with self.reading() as connection:
            return dict(connection.execute(select(table.c[kind.KEY], table.c.revision)).all())

    def mechanisms_of(self, unit: str) -> list[Mechanism]:
        """The mechanisms of a drive unit, in order of number."""
        with self.reading() as connection:
            held = entries.read_records(connection, Mechanism, [mechanisms.c.unit == unit])
        return sorted(held, key=lambda mechanism: mechanism.number)

    def history(self, unit: str) -> list[Event]:
        """What happened to a unit, in order of time as far as it is remembered."""
        with self.reading() as connection:
            held = entries.read_records(connection, Event, [events.c.unit == unit])
        return sorted(held, key=lambda event: (span_of(event.when).earliest, span_of(event.when).latest))

    def notes_on(self, *, unit: str | None = None, disk: str | None = None) -> list[Note]:
        """Notes on a unit, on a disk, or (neither given) on the shelf as a whole."""
        with self.reading() as connection:
            on = [notes.c.unit.is_not_distinct_from(unit), notes.c.disk.is_not_distinct_from(disk)]
            return entries.read_records(connection, Note, on)

    def confidences_of(self, kind: type[Record], key: str) -> dict[str, FieldConfidence]:
        """The fields of an entry that are `not known`, or stand `as told` by somebody, by name."""
        with self.reading() as connection:
            return confidence.read(connection, kind, key)

    def field_history(self, kind: type[Record], key: str, field: str = "") -> list[FieldChange]:
        """Every change of an entry field by field (or of one field), the earliest first."""
        with self.reading() as connection:
            row = entries.get_row(connection, kind, key)
            changes = field_changes(connection, kind, row["row"], str(row[kind.KEY]))
        return [change for change in changes if field in ("", change.field)]

    def trials(self) -> list[Trial]:
        """All trials, in order."""
        with self.reading() as connection:
            return trial_rows.read_trials(connection)

    def trial_log(self) -> list[trial_rows.LoggedTrial]:
        """All trials, in order, with who logged each and when."""
        with self.reading() as connection:
            return trial_rows.read_log(connection)

    def search(self, words: str, kinds: Sequence[str] = (), *, first: int = 0, most: int | None = None) -> list[Found]:
        """Entries that hold words starting so, every one of them, in order of kind and entry.

        `kinds` are words such as `unit`, `disk`, `trial`; all when empty. `most` of them from `first` on.
        """
        with self.reading() as connection:
            return search.search(connection, words, kinds, first=first, most=most)

    def search_counts(self, words: str, kinds: Sequence[str] = (), *, most: int | None = None) -> dict[str, int]:
        """How many entries of each kind a search for the words finds.

        With `most`, no more are counted than that, in order of kind: then the last kind told may hold more.
        """
        with self.reading() as connection:
            return search.counts(connection, words, kinds, most=most)

    def rebuild_search(self) -> None:
        """Rebuild the search index."""
        with self.holding() as connection:
            search.rebuild(connection)

    # changing

    def add(self, record: R) -> R:
        """Add an entry and return it as kept.

        A unit, mechanism or disk that stands as `unproven` (a trial named it) is filled in; one that is known
        is refused. Events and notes are given their key.
        """
        with self._writing(f"add {record.WORD} {record.label}") as change:
            return entries.add(change, record)

    def add_together(self, records: Iterable[Record], what: str) -> list[Record]:
        """Add several entries as one change that `what` tells, all or none; returned as kept."""
        with self._writing(what) as change:
            return [entries.add(change, record) for record in records]

    def add_and_update(
        self, kind: type[R], new: Iterable[R], edits: Iterable[tuple[str, Mapping[str, Any], int]], what: str
    ) -> int | None:
        """Add entries of a kind and change others (key, fields, revision), as one change that `what` tells.

        Returns the number of the change, None when there was nothing to do.
        """
        with self._writing(what) as change:
            for record in new:
                entries.add(change, record)
            for key, values, revision in edits:
                entries.change_fields(change, kind, key, values, revision)
            return change.number if change.begun else None

    def update(
        self,
        kind: type[R],
        key: str,
        /,
        *,
        revision: int | None = None,
        stands: Mapping[str, FieldConfidence | None] = entries.NO_CONFIDENCES,
        **values: Any,
    ) -> R:
        """Change fields of an entry and return it as kept; its key stays.

        `stands` says by field how it stands, None for plainly; a changed field not in it stands plainly again.
        With `revision`, as `get_revised` gave it, only if nothing changed since: otherwise StaleEdit tells the fields
        that did, and nothing is changed.
        """
        with self._writing(f"change {kind.WORD} {key}") as change:
            return entries.change_fields(change, kind, key, values, revision, stands)

    def put_standing(
        self, kind: type[Record], key: str, field: str, standing: FieldWord | None, source: str = ""
    ) -> None:
        """Say how a field of an entry stands: `not known`, `as told` by a source, or (None) plainly again."""
        with self._writing(f"say how {field} of {kind.WORD} {key} stands") as change:
            confidence.put(change, entries.get(change.connection, kind, key), field, standing, source)

    def remove(self, kind: type[Record], key: str) -> None:
        """Take an entry out, leaving a copy of it in the folder. Refused while another entry names it; files stay."""
        with self._writing(f"remove {kind.WORD} {key}") as change:
            stands = confidence.read(change.connection, kind, key)
            taken = entries.take_out(change, kind, key)
            keep_a_copy(self.folder, taken, stands.values(), self.signature)

    def plan_trials(self, new: Iterable[Trial]) -> trial_rows.Imported:
        """What `add_trials` would add, with nothing changed."""
        with self.reading() as connection:
            return trial_rows.plan(connection, checked_trials(new))

    def add_trials(self, new: Iterable[Trial], source: str = "") -> trial_rows.Imported:
        """Add trials in their order, all or none; units, mechanisms and disks not yet known enter as `unproven`."""
        held = checked_trials(new)
        what = f"import {len(held)} trials" + (f" from {source}" if source else "")
        with self._writing(what) as change:
            planned = trial_rows.plan(change.connection, held)
            for record in (*planned.units, *planned.mechanisms, *planned.disks):
                entries.add(change, record)
            trial_rows.insert_trials(change, held)
            return planned

    def remove_trial(self, trial: str) -> None:
        """Take one trial out."""
        with self._writing(f"remove trial {trial}") as change:
            keep_a_copy(self.folder, trial_rows.delete_trial(change, trial), (), self.signature)

    def add_with_files(self, record: R, put: Callable[[], None]) -> tuple[R, bool]:
        """Add an entry that names files: the entry as kept, and whether it is new.

        `put` gives the files their names. It is called under the register's lock, when all else is well and just
        before the entry is kept, so that no entry is without its files and nobody else touches them meanwhile. A
        capture whose SHA-256 stands already is not added, and `put` is not called.
        """
        with self._writing(f"add {record.WORD} {record.label}") as change:
            if isinstance(record, CaptureRecord):
                held = entries.find(change.connection, type(record), record.sha256)
                if held is not None:
                    return held, False
            added = entries.add(change, record)
            put()
        return added, True

    def renew_files(
        self,
        what: str,
        renewed: Sequence[tuple[CaptureRecord, Mapping[str, str]]],
        put: Callable[[], None] = lambda: None,
    ) -> None:
        """Give files of captures anew, as `add_with_files` does, and their entries what goes with them.

        Raises InputFault when an entry is no longer as it was given.
        """
        with self._writing(what) as change:
            for record, values in renewed:
                row = entries.get_row(change.connection, CaptureRecord, record.sha256)
                if entries.as_record(CaptureRecord, row) != record:
                    raise InputFault(f"capture {record.sha256[:16]} was changed meanwhile", remedy="try again")
                if values:
                    change.update(TABLES[CaptureRecord], row["row"], values)
            put()

    # the journal

    def changes(self, most: int | None = None) -> list[Change]:
        """Changes that can be undone, the latest first; all of them or so many."""
        with self.reading() as connection:
            return changes_kept(connection, most)

    def undo(self, expected: Change | None = None) -> Change:
        """Take the last change back and return it. With `expected`, only if that is still the last one."""
        with self.holding() as connection:
            latest = changes_kept(connection, 1)
            if not latest:
                raise InputFault("nothing to undo", where=self.where)
            if expected is not None and latest[0] != expected:
                raise InputFault("another change came in between", remedy="look again before undoing it")
            undo(connection, latest[0], self.where)
            return latest[0]

    def discard(self) -> None:
        """Take a shelf away that was only just started, unless something was put on it; its folder goes if empty."""
        with self.holding() as connection:
            if changes_kept(connection, 1):
                return
            if self.at.address:
                from indexhole.shelf.register.postgres import take_down

                take_down(connection)
            else:
                # under the lock: SQLite refuses to write to a file that has lost its name, so nobody writes in vain
                self.path.unlink()
        with suppress(OSError):
            self.folder.rmdir()

    def inspect(self) -> list[str]:
        """What is wrong with the register's file itself: empty for a sound one."""
        if self.at.address:
            from indexhole.shelf.register.postgres import inspect_shared

            return inspect_shared(self._engine, self.where)
        return inspect_register(self._engine, self.where)

    def reading(self) -> AbstractContextManager[Connection]:
        """A transaction that sees the register as of one moment, for what reads more than one thing."""
        return transaction(self._engine, writing=False, where=self.where)

    def holding(self) -> AbstractContextManager[Connection]:
        """A transaction in which nobody else writes to the register, for what is done to files by what it says."""
        return transaction(self._engine, writing=True, where=self.where)

    def _writing(self, what: str) -> AbstractContextManager[Writing]:
        return writing(self._engine, what, self.where, self.signature)


def _having(kind: type[Record], fields: dict[str, Any]) -> list[Any]:
    table = TABLES[kind]
    unknown = sorted(set(fields) - set(kind.model_fields))
    if unknown:
        raise InputFault(f"a {kind.WORD} has no field {unknown[0]}")
    return [table.c[name].is_not_distinct_from(value) for name, value in fields.items()]
