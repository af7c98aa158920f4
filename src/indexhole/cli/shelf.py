"""`indexhole shelf`: the register at the command line. Each command opens the shelf, calls it once, and shows."""

from __future__ import annotations

import sys
from dataclasses import replace
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Annotated, Any, Literal

import typer

from indexhole.cli.present import AsJson, ShelfFolder, Yes, confirm, counted, emit_json, help_when_bare, say
from indexhole.cli.shelf_add import adding
from indexhole.cli.shelf_open import has_shelf, kind_of, opened_shelf
from indexhole.cli.shelf_views import (
    entries,
    gathered,
    imported_view,
    list_table,
    show_check,
    show_entry,
    show_found,
    show_gathered,
    show_imported,
)
from indexhole.errors import InputFault
from indexhole.model.trial import Trial
from indexhole.shelf.register import Shelf
from indexhole.shelf.sheet import read_sheet, sheet_bytes, write_sheet
from indexhole.shelf.trials import Imported

Listed = Literal["units", "mechanisms", "disks", "trials", "captures", "notes", "changes"]
Changeable = Literal["unit", "mechanism", "disk", "capture", "event", "note"]
Removable = Literal["unit", "mechanism", "disk", "capture", "event", "note", "trial"]

shelf = typer.Typer(
    add_completion=False,
    rich_markup_mode=None,
    help="What stands on the shelf and what happened to it: units, mechanisms, disks, trials, captures.",
)
shelf.callback(invoke_without_command=True)(help_when_bare)
shelf.add_typer(adding, name="add")


@shelf.command("list")
def list_entries(
    what: Annotated[Listed, typer.Argument(help="What to list.")] = "units",
    as_json: AsJson = False,
    folder: ShelfFolder = None,
) -> None:
    """List what the register holds, in order of entry."""
    with opened_shelf(folder) as opened:
        held = entries(opened, what)
    if as_json:
        emit_json({what: held})
    else:
        list_table(what, held)


@shelf.command("show")
def show(
    key: Annotated[str, typer.Argument(metavar="ID", help="Inventory number, UNIT.NUMBER, trial, or SHA-256.")],
    as_json: AsJson = False,
    folder: ShelfFolder = None,
) -> None:
    """Show all that is known of one thing."""
    with opened_shelf(folder) as opened:
        found = gathered(opened, key)
    if as_json:
        emit_json({"found": found})
    else:
        show_gathered(found)


@shelf.command("change")
def change(
    kind: Annotated[Changeable, typer.Argument(help="Kind of entry.")],
    key: Annotated[str, typer.Argument(metavar="ID", help="What it is known by.")],
    fields: Annotated[list[str], typer.Argument(metavar="FIELD=VALUE...", help="Fields as --json names them.")],
    as_json: AsJson = False,
    folder: ShelfFolder = None,
) -> None:
    """Change fields of an entry, such as: shelf change disk K1 title="Tide tables" irreplaceable=yes."""
    values: dict[str, Any] = {}
    for field in fields:
        name, sign, text = field.partition("=")
        if not sign:
            raise InputFault(f"{field!r} is not FIELD=VALUE", remedy="write it as title='Tide tables'")
        record_field = kind_of(kind).model_fields.get(name)
        # an empty number means that it is not known
        values[name] = None if text == "" and record_field is not None and record_field.default is None else text
    with opened_shelf(folder) as opened:
        kept = opened.update(kind_of(kind), key, **values)
    if as_json:
        emit_json({kind: kept})
    else:
        show_entry(kept)


@shelf.command("remove")
def remove(
    kind: Annotated[Removable, typer.Argument(help="Kind of entry.")],
    key: Annotated[str, typer.Argument(metavar="ID", help="What it is known by.")],
    yes: Yes = False,
    as_json: AsJson = False,
    folder: ShelfFolder = None,
) -> None:
    """Take an entry out of the register; files of captures stay. `shelf undo` brings it back."""
    with opened_shelf(folder) as opened:
        if kind != "trial":
            opened.get(kind_of(kind), key)
        done = confirm(f"Remove {kind} {key}?", yes=yes)
        if done and kind == "trial":
            opened.remove_trial(key)
        elif done:
            opened.remove(kind_of(kind), key)
    if as_json:
        emit_json({"removed": {"kind": kind, "key": key} if done else None})
    else:
        say(f"removed {kind} {key}" if done else "nothing was changed")


@shelf.command("import")
def import_sheet(
    sheet: Annotated[Path, typer.Argument(metavar="SHEET.csv", help="A trial sheet.")],
    dry_run: Annotated[bool, typer.Option("--dry-run", help="Show what would be added, change nothing.")] = False,
    prefix: Annotated[str, typer.Option(help="Put this before each trial's name, to tell sheets apart.")] = "",
    as_json: AsJson = False,
    folder: ShelfFolder = None,
) -> None:
    """Add the trials of a sheet, all or none; what they name and the shelf does not know enters as unproven."""
    trials = [replace(trial, trial=prefix + trial.trial) for trial in read_sheet(sheet)]
    if dry_run:
        told = _planned(folder, trials)
    else:
        with opened_shelf(folder, create=True) as opened:
            told = opened.add_trials(trials, sheet.name)
    if as_json:
        emit_json({**imported_view(told), "dry_run": dry_run})
    else:
        show_imported(told, dry_run=dry_run)


def _planned(folder: Path | None, trials: list[Trial]) -> Imported:
    """What the import would add, on a shelf that may not have been started yet."""
    if has_shelf(folder):
        with opened_shelf(folder) as opened:
            return opened.plan_trials(trials)
    with TemporaryDirectory() as empty:
        return Shelf.open(Path(empty), create=True).plan_trials(trials)


@shelf.command("export")
def export_sheet(
    sheet: Annotated[Path | None, typer.Argument(metavar="[SHEET.csv]", help="File to write; stdout if none.")] = None,
    yes: Yes = False,
    as_json: AsJson = False,
    folder: ShelfFolder = None,
) -> None:
    """Write all trials as a trial sheet, which `shelf import` takes back exactly."""
    with opened_shelf(folder) as opened:
        trials = opened.trials()
    if sheet is None and as_json:
        emit_json({"trials": trials})
    elif sheet is None:
        sys.stdout.flush()
        # bytes, so that no newline or encoding of this system gets into the sheet
        sys.stdout.buffer.write(sheet_bytes(trials))
    elif sheet.exists() and not confirm(f"Overwrite {sheet}?", yes=yes):
        say("nothing was written")
    else:
        write_sheet(trials, sheet)
        if as_json:
            emit_json({"path": sheet, "trials": len(trials)})
        else:
            say(f"{sheet}: {counted(len(trials), 'trial')}")


@shelf.command("search")
def search(
    words: Annotated[list[str], typer.Argument(metavar="TEXT...", help="Words that must all be there.")],
    as_json: AsJson = False,
    folder: ShelfFolder = None,
) -> None:
    """Search every entry, whatever the case."""
    with opened_shelf(folder) as opened:
        found = opened.search(" ".join(words))
    if as_json:
        emit_json({"found": found})
    else:
        show_found(found)


@shelf.command("undo")
def undo(yes: Yes = False, as_json: AsJson = False, folder: ShelfFolder = None) -> None:
    """Take the last change of the register back; run it again for the one before."""
    with opened_shelf(folder) as opened:
        kept = opened.changes()
        if not kept:
            raise InputFault("there is no change to undo", where=opened.where)
        last = kept[0]
        done = confirm(f"Undo: {last.what} ({counted(last.rows, 'row')}, {last.at_utc:%Y-%m-%d %H:%M} UTC)?", yes=yes)
        if done:
            opened.undo(expected=last)
    if as_json:
        emit_json({"undone": last if done else None})
    else:
        say(f"undone: {last.what} ({counted(last.rows, 'row')})" if done else "nothing was changed")


@shelf.command("check")
def check(as_json: AsJson = False, folder: ShelfFolder = None) -> None:
    """Hash the kept captures again and inspect the register. Exit status 1 when something has changed or is missing."""
    from indexhole.shelf.captures import check_captures, strays

    with opened_shelf(folder) as opened:
        register, captures, left = opened.inspect(), check_captures(opened), strays(opened)
    damaged = bool(register) or any(found.state in ("changed", "missing") for found in captures)
    if as_json:
        emit_json({"sound": not damaged, "register": register, "captures": captures, "strays": left})
    else:
        show_check(register, captures, left)
    if damaged:
        raise typer.Exit(1)
