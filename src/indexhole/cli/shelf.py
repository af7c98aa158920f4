"""`indexhole shelf`: the register at the command line. Each command opens the shelf, calls it once, and shows."""

from __future__ import annotations

from typing import Annotated, Any, Literal

import typer

from indexhole.cli.open_shelf import opened_shelf, sign_changes
from indexhole.cli.present import AsJson, ShelfFolder, Yes, confirm, emit_json, help_when_bare, say
from indexhole.cli.shelf_verbs.add import adding
from indexhole.cli.shelf_verbs.care import check, mend, sweep
from indexhole.cli.shelf_verbs.find import Kept, compare, history, search, standing, timeline
from indexhole.cli.shelf_verbs.move import backup, export_sheet, import_sheet, restore
from indexhole.cli.shelf_verbs.views import entries, gathered, list_table, show_entry, show_gathered
from indexhole.errors import InputFault
from indexhole.shelf.register.tables import kind_of
from indexhole.wording import count_of

Listed = Literal[
    "units", "mechanisms", "disks", "trials", "captures", "events", "notes", "parts", "firmware", "loans", "photos",
    "views", "changes",
]  # fmt: skip
Removable = Literal[
    "unit", "mechanism", "disk", "capture", "event", "note", "part", "firmware", "loan", "photo", "view", "trial"
]

shelf = typer.Typer(
    add_completion=False,
    rich_markup_mode=None,
    help="What stands on the shelf and what happened to it: units, mechanisms, disks, trials, captures.",
)


@shelf.callback(invoke_without_command=True)
def shelf_group(
    context: typer.Context,
    who: Annotated[
        str, typer.Option(envvar="INDEXHOLE_WHO", help="Who makes the change, for the journal; before the command.")
    ] = "",
    why: Annotated[str, typer.Option(help="Why it is made, for the journal; before the command.")] = "",
) -> None:
    """What stands on the shelf and what happened to it: units, mechanisms, disks, trials, captures."""
    help_when_bare(context)
    sign_changes(who, why)


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
    kind: Annotated[Kept, typer.Argument(help="Kind of entry.")],
    key: Annotated[str, typer.Argument(metavar="ID", help="What it is known by.")],
    fields: Annotated[list[str], typer.Argument(metavar="FIELD=VALUE...", help="Fields as --json names them.")],
    revision: Annotated[
        int | None, typer.Option(help="Only if the entry still has this revision, as `show --json` tells it.")
    ] = None,
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
        entry = opened.update(kind_of(kind), key, revision=revision, **values)
    if as_json:
        emit_json({kind: entry})
    else:
        show_entry(entry)


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


shelf.command("import")(import_sheet)
shelf.command("export")(export_sheet)
shelf.command("backup")(backup)
shelf.command("restore")(restore)
shelf.command("search")(search)
shelf.command("compare")(compare)
shelf.command("timeline")(timeline)
shelf.command("history")(history)
shelf.command("standing")(standing)


@shelf.command("undo")
def undo(yes: Yes = False, as_json: AsJson = False, folder: ShelfFolder = None) -> None:
    """Take the last change of the register back; run it again for the one before."""
    with opened_shelf(folder) as opened:
        entry = opened.changes(1)
        if not entry:
            raise InputFault("there is no change to undo", where=opened.where)
        last = entry[0]
        done = confirm(f"Undo: {last.what} ({count_of(last.rows, 'row')}, {last.at_utc:%Y-%m-%d %H:%M} UTC)?", yes=yes)
        if done:
            opened.undo(expected=last)
    if as_json:
        emit_json({"undone": last if done else None})
    else:
        say(f"undone: {last.what} ({count_of(last.rows, 'row')})" if done else "nothing was changed")


@shelf.command("reindex")
def reindex(as_json: AsJson = False, folder: ShelfFolder = None) -> None:
    """Rebuild the search index from the register."""
    with opened_shelf(folder) as opened:
        opened.rebuild_search()
    if as_json:
        emit_json({"reindexed": True})
    else:
        say("the index of the search is made anew")


shelf.command("check")(check)
shelf.command("mend")(mend)
shelf.command("sweep")(sweep)
