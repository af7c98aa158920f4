"""The journal field by field: what a field said, what it says, who changed it, when and why; and stale edits."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Any

from sqlalchemy import Connection, select

from indexhole.errors import InputFault
from indexhole.shelf.records.entry import Record
from indexhole.shelf.register.confidence import in_words
from indexhole.shelf.register.journal import noted_values, packed
from indexhole.shelf.register.tables import TABLES, changed_rows, changes, field_confidences

# names looked up at once: a database takes so many in one question
_ASKED_AT_ONCE = 500
# what the journal notes of how a field stands
_STANDING = ("kind", "key", "field", "standing", "source")


@dataclass(frozen=True, slots=True)
class FieldChange:
    """One field of one entry changed. `was` and `now` are as JSON has them; `was` is None for a new entry.

    `undone` tells that the change was taken back since. With `standing` it is not what the field says that changed,
    but how it stands: `was` and `now` then have `standing` and `source`, or are None for a field that stands plainly.
    """

    field: str
    was: Any
    now: Any
    at_utc: datetime
    who: str
    why: str
    change: int
    undone: bool
    standing: bool = False

    @property
    def in_words(self) -> tuple[Any, Any]:
        """What was and what is now, a standing in words."""
        return (_stood(self.was), _stood(self.now)) if self.standing else (self.was, self.now)


class StaleEdit(InputFault):
    """An edit of an entry that was changed since it was read.

    Attributes:
        changed: the fields that differ from what the editor had seen, with the change that did it.
        revision: the entry's revision now; an edit that carries it is taken.
    """

    def __init__(self, kind: type[Record], key: str, changed: tuple[FieldChange, ...], revision: int) -> None:
        self.changed = changed
        self.revision = revision
        summary = ", ".join(_change_text(one) for one in changed)
        super().__init__(
            f"{kind.WORD} {key} was changed since you read it: {summary}",
            remedy="look at it again, then make your change",
        )


def _change_text(one: FieldChange) -> str:
    was, now = one.in_words if one.standing else (_said(one.was), _said(one.now))
    return f"{'how ' * one.standing}{one.field}{' stands' * one.standing} ({was} became {now}{_by(one.who)})"


def _stood(held: Mapping[str, str] | None) -> str:
    return in_words(held["standing"], held["source"]) if held else in_words(None, "")


def _same(one: Any, other: Any) -> bool:
    # a column that came with a later schema is missing in older rows of the journal, and says nothing
    return one == other or (one in (None, "") and other in (None, ""))


def _said(value: Any) -> str:
    text = "nothing" if value in (None, "") else repr(value)
    return text if len(text) <= 60 else f"{text[:57]}..."


def _by(who: str) -> str:
    return f", by {who}" if who else ""


def field_changes(connection: Connection, kind: type[Record], row: int, key: str) -> list[FieldChange]:
    """Every change of every field of an entry, the earliest first. `row` is its number in the table of its kind."""
    entries = _entries(connection, kind, row, key)
    found: list[FieldChange] = []
    for entry in entries:
        before, after = noted_values(entry["before"]), noted_values(entry["after"])
        names = [name for name in kind.model_fields if not _same(before.get(name), after.get(name))]
        found += [
            FieldChange(
                name, before.get(name), after.get(name), entry["at_utc"], entry["who"], entry["why"], entry["change"],
                entry["undone_utc"] is not None,
            )
            for name in names
        ]  # fmt: skip
    # sorted is stable: what a field says comes before how it stands
    return sorted([*found, *_standing_changes(connection, kind, key, entries)], key=lambda one: one.change)


def _standing_changes(
    connection: Connection, kind: type[Record], key: str, entries: Sequence[Mapping[str, Any]]
) -> list[FieldChange]:
    """Changes of how fields stand, the earliest first: each came with a change that touched the entry."""
    touched = {entry["change"]: entry for entry in entries}
    asked = (
        select(changed_rows.c.change, changed_rows.c.before, changed_rows.c.after)
        .where(changed_rows.c.table_name == field_confidences.name)
        .order_by(changed_rows.c.row)
    )
    numbers, found = sorted(touched), []
    for at in range(0, len(numbers), _ASKED_AT_ONCE):
        of_these = asked.where(changed_rows.c.change.in_(numbers[at : at + _ASKED_AT_ONCE]))
        for change, *sides in connection.execute(of_these):
            before, after = (noted_values(side, *_STANDING) for side in sides)
            held = after or before
            if (held.get("kind"), held.get("key")) != (kind.WORD, key):
                continue
            was, now = ({n: side[n] for n in ("standing", "source")} if side else None for side in (before, after))
            of = touched[change]
            undone = of["undone_utc"] is not None
            made = FieldChange(held["field"], was, now, of["at_utc"], of["who"], of["why"], change, undone, True)
            found.append(made)
    return found


def _entries(connection: Connection, kind: type[Record], row: int, key: str) -> list[Mapping[str, Any]]:
    asked = (
        select(changed_rows, changes.c.at_utc, changes.c.who, changes.c.why, changes.c.undone_utc)
        .join(changes, changed_rows.c.change == changes.c.row)
        .where(changed_rows.c.table_name == TABLES[kind].name, changed_rows.c.row_changed == row)
        .order_by(changed_rows.c.row)
    )
    # a number is given again when the last row of a table was taken out, so the key decides
    return [
        dict(entry)
        for entry in connection.execute(asked).mappings()
        if noted_values(entry["after"] or entry["before"]).get(kind.KEY) == key
    ]


def refuse_stale(connection: Connection, kind: type[Record], row: Mapping[str, Any], revision: int) -> None:
    """Raise StaleEdit unless the row says again what it said at that revision.

    A revision the journal does not know of this entry counts as one that said nothing.
    """
    key = str(row[kind.KEY])
    entries = _entries(connection, kind, row["row"], key)
    seen = _as_of(entries, revision)
    here = json.loads(packed({name: row[name] for name in kind.model_fields}))
    changes_made = field_changes(connection, kind, row["row"], key)
    changed = [
        _between(changes_made, name, False, seen.get(name), here[name])
        for name in kind.model_fields
        if not _same(seen.get(name), here[name])
    ]
    stood, stands = (_confidences_as_of(entries, changes_made, number) for number in (revision, row["revision"]))
    changed += [
        _between(changes_made, name, True, stood.get(name), stands.get(name))
        for name in {**stood, **stands}
        if stood.get(name) != stands.get(name)
    ]
    if changed:
        raise StaleEdit(kind, key, tuple(changed), row["revision"])


def _as_of(entries: list[Mapping[str, Any]], revision: int) -> dict[str, Any]:
    for entry in entries:
        for side in ("after", "before"):
            values = noted_values(entry[side])
            if values and values.get("revision", 0) == revision:
                return values
    return {}


def _confidences_as_of(
    entries: Sequence[Mapping[str, Any]], changes_made: Sequence[FieldChange], revision: int
) -> dict[str, dict[str, str]]:
    """How fields stood at a revision: what the changes did that led to it, one before the other."""
    before: dict[int, int] = {}
    for entry in entries:
        before.setdefault(entry["change"], noted_values(entry["before"]).get("revision", 0))
    led: set[int] = set()
    while revision in before and revision not in led:
        led.add(revision)
        revision = before[revision]
    stood: dict[str, Any] = {}
    for one in changes_made:
        if one.standing and one.change in led:
            stood[one.field] = one.now
    return {name: held for name, held in stood.items() if held is not None}


def _between(changes_made: Sequence[FieldChange], name: str, standing: bool, was: Any, now: Any) -> FieldChange:
    """What a field said then and says now, with who changed it last."""
    those = [one for one in changes_made if (one.field, one.standing, one.undone) == (name, standing, False)]
    last = those[-1] if those else changes_made[-1]
    return replace(last, field=name, was=was, now=now, standing=standing)
