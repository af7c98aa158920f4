"""What `indexhole shelf` shows: which columns a list has, and all that is known of one thing."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict
from typing import TYPE_CHECKING, Any

from indexhole.cli.present import emit_table, remark, say
from indexhole.errors import InputFault
from indexhole.model.trials.trial import Trial
from indexhole.shelf.records.additions import Firmware, Loan, Part, Photo, View
from indexhole.shelf.records.date_codes import Dating
from indexhole.shelf.records.records import CaptureRecord, Disk, Event, Mechanism, Note, Record, Unit
from indexhole.shelf.register.shelf import Shelf
from indexhole.shelf.register.trials import Imported
from indexhole.shelf.views.timeline import dating_of
from indexhole.wording import count_of

if TYPE_CHECKING:
    from indexhole.shelf.records.quick_entry import Draft
    from indexhole.shelf.views.likeness import Likeness

# units of the fields that carry one in their name, for the headings people read
_HEADINGS = {
    "write_width_um": "writes, µm",
    "read_width_um": "reads, µm",
    "recorded_temperature_c": "recorded at, °C",
    "recorded_humidity_pct": "recorded at, % humidity",
    "size_bytes": "bytes",
    "added_utc": "added, UTC",
    "logged_utc": "logged, UTC",
}
_ALL = 1_000_000
_COLUMNS: dict[str, tuple[str, ...]] = {
    "units": ("inventory", "kind", "title", "maker", "disk_class", "state", "standing"),
    "mechanisms": ("mechanism", "front", "write_width_um", "read_width_um", "note", "standing"),
    "disks": ("inventory", "title", "disk_class", "sides", "importance", "standing"),
    "trials": (
        "trial", "when", "operation", "host", "lead", "mechanism", "disk", "side", "first_cylinder",
        "last_cylinder", "sectors_tried", "sectors_failed", "note", "logged_by", "logged_utc",
    ),
    "captures": ("sha256", "name", "size_bytes", "disk", "mechanism", "cylinder", "head", "taken"),
    "events": ("event", "unit", "when", "what", "source"),
    "notes": ("note", "unit", "disk", "text"),
    "parts": ("part", "unit", "name", "board", "marking", "date_code"),
    "firmware": ("firmware", "unit", "version", "place", "seen_how", "seen_when"),
    "loans": ("loan", "unit", "disk", "direction", "party", "since", "until", "returned"),
    "photos": ("photo", "unit", "disk", "name", "caption", "taken"),
    "views": ("view", "what", "words", "chosen", "note"),
    "changes": ("number", "at_utc", "what", "rows", "who", "why"),
}  # fmt: skip
_KINDS: dict[str, type[Record]] = {
    "units": Unit, "mechanisms": Mechanism, "disks": Disk, "captures": CaptureRecord, "events": Event, "notes": Note,
    "parts": Part, "firmware": Firmware, "loans": Loan, "photos": Photo, "views": View,
}  # fmt: skip


def entries(shelf: Shelf, what: str) -> Sequence[Any]:
    """The entries `shelf list` shows."""
    if what == "trials":
        return shelf.trial_log()
    if what == "changes":
        return shelf.changes()
    return shelf.all(_KINDS[what])


def list_table(what: str, held: Sequence[Any]) -> None:
    """Print entries as a table, empty text and unknown numbers as a dash."""
    columns = _COLUMNS[what]
    rows = [[_cell(name, getattr(entry, name)) for name in columns] for entry in held]
    emit_table(count_of(len(held), what.removesuffix("s")), [_heading(name) for name in columns], rows)


def _heading(name: str) -> str:
    return _HEADINGS.get(name, name.replace("_", " "))


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
    for name, value in entry.model_dump().items():
        if value in (None, "") or name == entry.KEY:
            continue
        told = value if name == "sha256" else _cell(name, value)
        if name == "date_codes":
            told = f"{told} (meaning unproven)"
        say(f"  {_heading(name)}: {told}")


def show_draft(draft: Draft, alike: Sequence[Likeness]) -> None:
    """Print what was understood of a line, and what may be the same thing."""
    rows = [[entry.field.replace("_", " "), entry.value, entry.clause] for entry in draft.understood]
    emit_table(f"{draft.record.WORD} {draft.record.key}", ["field", "value", "from"], rows)
    if draft.note:
        say(f"kept as a note: {draft.note}")
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
    unit = shelf.find(Unit, key)
    if unit is not None:
        mechanisms = shelf.mechanisms_of(key)
        dating = dating_of(shelf, key)
        names = {mechanism.mechanism for mechanism in mechanisms}
        found.append(
            {
                "unit": unit,
                "revision": shelf.get_revised(Unit, key)[1],
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
        )
    mechanism = shelf.find(Mechanism, key)
    if mechanism is not None:
        captures = [c for c in shelf.all(CaptureRecord) if c.mechanism == key]
        told = [t for t in trials if t.mechanism == key]
        revision = shelf.get_revised(Mechanism, key)[1]
        found.append({"mechanism": mechanism, "revision": revision, "trials": told, "captures": captures})
    disk = shelf.find(Disk, key)
    if disk is not None:
        captures = [c for c in shelf.all(CaptureRecord) if c.disk == key]
        told = [t for t in trials if t.disk == key]
        found.append(
            {
                "disk": disk,
                "revision": shelf.get_revised(Disk, key)[1],
                "standings": list(shelf.confidences_of(Disk, key).values()),
                "loans": shelf.page(Loan, disk=key, most=_ALL),
                "photos": shelf.page(Photo, disk=key, most=_ALL),
                "notes": shelf.notes_on(disk=key),
                "trials": told,
                "captures": captures,
            }
        )
    found += [{"trial": trial} for trial in trials if trial.trial == key]
    capture = shelf.find(CaptureRecord, key)
    if capture is not None:
        found.append({"capture": capture})
    if not found:
        raise InputFault(f"there is no {key} on the shelf", remedy=f"try `indexhole shelf search {key}`")
    return found


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
                        say(f"  {_heading(name)}: {_cell(name, value)}")
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


def imported_view(told: Imported) -> dict[str, Any]:
    """An import as data."""
    return {
        "trials": told.trials,
        "unproven": {
            "units": [unit.inventory for unit in told.units],
            "mechanisms": [mechanism.mechanism for mechanism in told.mechanisms],
            "disks": [disk.inventory for disk in told.disks],
        },
        "remarks": list(told.remarks),
    }


def show_imported(told: Imported, *, dry_run: bool) -> None:
    """Print what an import added or would add."""
    view = imported_view(told)
    say(f"{count_of(told.trials, 'trial')} {'would be added' if dry_run else 'added'}")
    for word, names in view["unproven"].items():
        if names:
            number = count_of(len(names), word.removesuffix("s"))
            say(f"  {number} not known before, entered as unproven: {', '.join(names)}")
    for line in told.remarks:
        remark(line)
    if dry_run:
        say("nothing was changed (--dry-run)")
