"""What `indexhole shelf` shows: which columns a list has, and all that is known of one thing."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, fields
from typing import TYPE_CHECKING, Any

from indexhole.cli.present import emit_table, remark, say
from indexhole.errors import InputFault
from indexhole.model.trials.trial import Trial
from indexhole.shelf.records.additions import Firmware, Loan, Part, Photo
from indexhole.shelf.records.date_codes import Dating
from indexhole.shelf.records.entry import Record
from indexhole.shelf.records.records import CaptureRecord, Disk, Mechanism, Unit
from indexhole.shelf.records.shown import fields_of
from indexhole.shelf.register.shelf import Shelf
from indexhole.shelf.register.tables import TABLES
from indexhole.shelf.register.trials import Imported, LoggedTrial
from indexhole.shelf.views.timeline import dating_of
from indexhole.wording import count_of

if TYPE_CHECKING:
    from indexhole.shelf.records.quick_entry import Draft
    from indexhole.shelf.views.likeness import Likeness

_ALL = 1_000_000
_KINDS: dict[str, type[Record]] = {kind.MANY: kind for kind in TABLES}
# of what is no record: the fields in a list, each with its heading where that is not its name
_COLUMNS: dict[str, dict[str, str]] = {
    "trials": {field.name: "" for field in fields(LoggedTrial)} | {"logged_utc": "logged, UTC"},
    "changes": {"number": "", "at_utc": "at, UTC", "what": "", "rows": "", "who": "", "why": ""},
}


def entries(shelf: Shelf, what: str) -> Sequence[Any]:
    """The entries `shelf list` shows."""
    if what == "trials":
        return shelf.trial_log()
    if what == "changes":
        return shelf.changes()
    return shelf.all(_KINDS[what])


def list_table(what: str, held: Sequence[Any]) -> None:
    """Print entries as a table, empty text and unknown numbers as a dash."""
    columns = _record_columns(_KINDS[what]) if what in _KINDS else _COLUMNS[what]
    rows = [[_cell(name, getattr(entry, name)) for name in columns] for entry in held]
    headings = [heading or name.replace("_", " ") for name, heading in columns.items()]
    emit_table(count_of(len(held), what.removesuffix("s")), headings, rows)


def _record_columns(kind: type[Record]) -> dict[str, str]:
    """The fields in a list of a kind with their headings, the key first, the standing last."""
    listed = [one for one in fields_of(kind) if one.shown.listed]
    return {
        one.name: one.shown.in_text for one in sorted(listed, key=lambda one: (not one.key, one.name == "standing"))
    }


def _cell(name: str, value: Any) -> Any:
    if value == "" and not isinstance(value, bool):
        return None
    if isinstance(value, bool):
        return "yes" if value else "no"
    if name == "sha256":
        return value[:16]
    return f"{value:%Y-%m-%d %H:%M}" if name.endswith("_utc") else value


def show_entry(entry: Record) -> None:
    """Print one entry: a line for each field that says something."""
    say(f"{entry.WORD} {entry.key}")
    for one in fields_of(type(entry)):
        value = getattr(entry, one.name)
        if value in (None, "") or one.key:
            continue
        text = value if one.name == "sha256" else _cell(one.name, value)
        about = f" ({one.shown.remark})" if one.shown.remark else ""
        say(f"  {one.shown.in_text}: {text}{about}")


def show_draft(draft: Draft, alike: Sequence[Likeness]) -> None:
    """Print what was understood of a line, and what may be the same thing."""
    labels = {one.name: one.shown.in_text for one in fields_of(type(draft.record))}
    rows = [[labels.get(entry.field, entry.field), entry.value, entry.clause] for entry in draft.understood]
    emit_table(f"{draft.record.WORD} {draft.record.key}", ["field", "value", "from"], rows)
    if draft.note:
        say(f"becomes a note: {draft.note}")
    for line in draft.remarks:
        remark(line)
    for found in alike:
        remark(f"it may be {found.key} {found.title}: {found.why}")


def gathered(shelf: Shelf, key: str) -> list[dict[str, Any]]:
    """All that is known of the things of that name: a unit and a disk may share one.

    Raises InputFault when nothing has it.
    """
    trials = shelf.trial_log()
    found: list[dict[str, Any]] = []
    if shelf.find(Unit, key) is not None:
        found.append(_gathered_unit(shelf, key, trials))
    if (mechanism := shelf.find(Mechanism, key)) is not None:
        found.append(
            {
                "mechanism": mechanism,
                "revision": shelf.get_revised(Mechanism, key)[1],
                "trials": [t for t in trials if t.mechanism == key],
                "captures": [c for c in shelf.all(CaptureRecord) if c.mechanism == key],
            }
        )
    if shelf.find(Disk, key) is not None:
        found.append(_gathered_disk(shelf, key, trials))
    found += [{"trial": trial} for trial in trials if trial.trial == key]
    if (capture := shelf.find(CaptureRecord, key)) is not None:
        found.append({"capture": capture})
    if not found:
        raise InputFault(f"there is no {key} on the shelf", remedy=f"try `indexhole shelf search {key}`")
    return found


def _gathered_unit(shelf: Shelf, key: str, trials: Sequence[LoggedTrial]) -> dict[str, Any]:
    unit, revision = shelf.get_revised(Unit, key)
    mechanisms = shelf.mechanisms_of(key)
    names = {mechanism.mechanism for mechanism in mechanisms}
    dating = dating_of(shelf, key)
    return {
        "unit": unit,
        "revision": revision,
        "standings": list(shelf.confidences_of(Unit, key).values()),
        "dating": dating if dating.codes else None,
        "mechanisms": mechanisms,
        "parts": shelf.page(Part, unit=key, most=_ALL),
        "firmware": shelf.page(Firmware, unit=key, most=_ALL),
        "loans": shelf.page(Loan, unit=key, most=_ALL),
        "photos": shelf.page(Photo, unit=key, most=_ALL),
        "history": shelf.history(key),
        "notes": shelf.notes_on(unit=key),
        "trials": [t for t in trials if t.mechanism in names or key in (t.host, t.lead)],
        "captures": [c for c in shelf.all(CaptureRecord) if c.mechanism in names],
    }


def _gathered_disk(shelf: Shelf, key: str, trials: Sequence[LoggedTrial]) -> dict[str, Any]:
    disk, revision = shelf.get_revised(Disk, key)
    return {
        "disk": disk,
        "revision": revision,
        "standings": list(shelf.confidences_of(Disk, key).values()),
        "loans": shelf.page(Loan, disk=key, most=_ALL),
        "photos": shelf.page(Photo, disk=key, most=_ALL),
        "notes": shelf.notes_on(disk=key),
        "trials": [t for t in trials if t.disk == key],
        "captures": [c for c in shelf.all(CaptureRecord) if c.disk == key],
    }


def show_gathered(found: list[dict[str, Any]]) -> None:
    """Print what `gathered` found."""
    for thing in found:
        for word, held in thing.items():
            if isinstance(held, Record):
                show_entry(held)
            elif isinstance(held, Trial):
                say(f"trial {held.trial}")
                for name, value in asdict(held).items():
                    if name != "trial" and value not in (None, ""):
                        say(f"  {_COLUMNS['trials'].get(name) or name.replace('_', ' ')}: {_cell(name, value)}")
            elif word == "revision":
                continue
            elif word == "dating" and held is not None:
                _show_dating(held)
            elif word == "standings" and held:
                rows = [[one.field, one.standing, one.source or None] for one in held]
                emit_table("fields", ["field", "stands", "source"], rows)
            elif word == "trials" and held:
                _trial_totals(held)
            elif word == "history" and held:
                rows = [[event.event, event.when or None, event.what, event.source or None] for event in held]
                emit_table("history", ["event", "when", "what", "source"], rows)
            elif held:
                list_table(word, held)


def _show_dating(dating: Dating) -> None:
    rows = []
    for entry in dating.codes:
        reading = entry.reading
        week = f"{reading.year} week {reading.week}, {reading.monday} to {reading.sunday}" if reading else entry.why
        rows.append([entry.what, entry.code, week])
    emit_table("date codes (what they mean is unproven)", ["on", "code", "week"], rows)
    if dating.no_earlier_than is not None:
        say(f"as it stands, made no earlier than {dating.no_earlier_than}")
    for line in dating.remarks:
        say(line)


def _trial_totals(trials: Sequence[Trial]) -> None:
    groups: dict[tuple[str, str, str], list[Trial]] = {}
    for trial in trials:
        groups.setdefault((trial.mechanism, trial.operation, trial.disk), []).append(trial)
    rows = []
    for (mechanism, operation, disk), group in groups.items():
        tried, failed = sum(t.sectors_tried for t in group), sum(t.sectors_failed for t in group)
        rows.append([mechanism, operation, disk, len(group), tried, failed])
    columns = ["mechanism", "operation", "disk", "trials", "sectors tried", "sectors failed"]
    emit_table(count_of(len(trials), "trial"), columns, rows)


def imported_view(imported: Imported) -> dict[str, Any]:
    """An import as data."""
    return {
        "trials": imported.trials,
        "unproven": {
            "units": [unit.inventory for unit in imported.units],
            "mechanisms": [mechanism.mechanism for mechanism in imported.mechanisms],
            "disks": [disk.inventory for disk in imported.disks],
        },
        "remarks": list(imported.remarks),
    }


def show_imported(imported: Imported, *, dry_run: bool) -> None:
    """Print what an import added or would add."""
    view = imported_view(imported)
    say(f"{count_of(imported.trials, 'trial')} {'would be added' if dry_run else 'added'}")
    for word, names in view["unproven"].items():
        if names:
            number = count_of(len(names), word.removesuffix("s"))
            say(f"  {number} not known before, entered as unproven: {', '.join(names)}")
    for line in imported.remarks:
        remark(line)
    if dry_run:
        say("nothing was changed (--dry-run)")
