"""`indexhole shelf import, export, backup, restore`: entries in and out of the register."""

from __future__ import annotations

import json
import sys
from dataclasses import replace
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import TYPE_CHECKING, Annotated, Any, Literal

import typer

from indexhole.cli.open_shelf import has_shelf, opened_shelf
from indexhole.cli.present import AsJson, ShelfFolder, Yes, confirm, emit_json, emit_table, remark, say
from indexhole.cli.shelf_verbs.views import imported_view, show_imported
from indexhole.model.trials.trial import Trial
from indexhole.shelf.register.shelf import Shelf
from indexhole.shelf.register.tables import kind_of
from indexhole.shelf.register.trials import Imported
from indexhole.shelf.sheets.sheet import read_sheet, sheet_bytes, write_sheet
from indexhole.wording import count_of

if TYPE_CHECKING:
    from indexhole.shelf.exchange.exchange import Plan

Moved = Literal["trial", "unit", "mechanism", "disk", "event", "note", "part", "firmware", "loan"]
KindMoved = Annotated[Moved, typer.Option("--kind", help="What the rows are.")]
_SHOWN = 20


def import_sheet(
    sheet: Annotated[Path, typer.Argument(metavar="SHEET", help="A trial sheet, or a CSV or XLSX file of entries.")],
    kind: KindMoved = "trial",
    dry_run: Annotated[bool, typer.Option("--dry-run", help="Show what would be changed, change nothing.")] = False,
    prefix: Annotated[str, typer.Option(help="Put this before each trial's name, to tell sheets apart.")] = "",
    as_json: AsJson = False,
    folder: ShelfFolder = None,
) -> None:
    """Add the trials of a sheet, or add and change entries by the rows of a spreadsheet; all or none.

    A trial sheet is CSV with the columns trial, when, operation, host, lead, mechanism, disk, side, first_cylinder,
    last_cylinder, sectors_tried, sectors_failed and note. What trials name and the shelf does not know enters
    as unproven. In a spreadsheet of entries the first row names fields; a row whose key stands on the shelf changes
    that entry in these fields.
    """
    if kind != "trial":
        _import_entries(sheet, kind, dry_run, as_json, folder)
        return
    trials = [replace(trial, trial=prefix + trial.trial) for trial in read_sheet(sheet)]
    if dry_run:
        imported = _planned(folder, trials)
    else:
        with opened_shelf(folder, create=True) as opened:
            imported = opened.add_trials(trials, sheet.name)
    if as_json:
        emit_json({**imported_view(imported), "dry_run": dry_run})
    else:
        show_imported(imported, dry_run=dry_run)


def _planned(folder: Path | None, trials: list[Trial]) -> Imported:
    """What the import would add, on a shelf that may not have been started yet."""
    if has_shelf(folder):
        with opened_shelf(folder) as opened:
            return opened.plan_trials(trials)
    with TemporaryDirectory() as empty:
        return Shelf.open(Path(empty), create=True).plan_trials(trials)


def _import_entries(sheet: Path, kind: Moved, dry_run: bool, as_json: bool, folder: Path | None) -> None:
    from indexhole.shelf.exchange.exchange import carry_out, plan_import
    from indexhole.shelf.sheets.sheet_text import sheet_content
    from indexhole.shelf.sheets.spreadsheet import LARGEST_BYTES, read_cells

    content = sheet_content(sheet, named="the spreadsheet", largest_bytes=LARGEST_BYTES)
    rows = read_cells(content, where=str(sheet))
    with opened_shelf(folder, create=not dry_run) as opened:
        plan = plan_import(opened, kind_of(kind), rows, where=str(sheet))
        if not dry_run:
            carry_out(opened, plan, sheet.name)
    if as_json:
        emit_json({**_plan_view(plan), "dry_run": dry_run})
    else:
        _show_plan(plan, dry_run)
    if plan.faults:
        raise typer.Exit(1)


def _plan_view(plan: Plan[Any]) -> dict[str, Any]:
    return {
        "added": plan.added,
        "changed": [
            {"key": entry.before.key, "row": entry.row, "fields": [list(field) for field in entry.fields]}
            for entry in plan.changed
        ],
        "unchanged": plan.unchanged,
        "faults": [fault.line for fault in plan.faults],
    }


def _show_plan(plan: Plan[Any], dry_run: bool) -> None:
    word = plan.kind.WORD
    added, changed = ("would be added", "would be changed") if dry_run else ("added", "changed")
    say(f"{count_of(len(plan.added), word)} {added}, {len(plan.changed)} {changed}, {plan.unchanged} as they were")
    changes = [
        [entry.row, entry.before.key, name, _said(was), _said(will)]
        for entry in plan.changed
        for name, was, will in entry.fields
    ]
    if changes:
        emit_table("changes", ["row", "key", "field", "is", "becomes"], changes[:_SHOWN])
        if len(changes) > _SHOWN:
            say(f"and {len(changes) - _SHOWN} fields more; --json tells all")
    for fault in plan.faults[:_SHOWN]:
        say(fault.line)
    if len(plan.faults) > _SHOWN:
        say(f"and {len(plan.faults) - _SHOWN} faults more; --json tells all")
    if dry_run:
        say("nothing was changed (--dry-run)")


def _said(value: object) -> object:
    return None if value in (None, "") else value


def export_sheet(
    sheet: Annotated[
        Path | None, typer.Argument(metavar="[FILE]", help="File to write: .csv, .xlsx or .jsonld; stdout if none.")
    ] = None,
    kind: KindMoved = "trial",
    yes: Yes = False,
    as_json: AsJson = False,
    folder: ShelfFolder = None,
) -> None:
    """Write all trials as a trial sheet, entries of a kind as a spreadsheet, or everything as linked data.

    `shelf import` takes a sheet back exactly. A file that ends in .jsonld gets the whole register as JSON-LD with
    Dublin Core terms.
    """
    if sheet is not None and sheet.exists() and not confirm(f"Overwrite {sheet}?", yes=yes):
        say("nothing was written")
        return
    written: tuple[int, str] | None
    with opened_shelf(folder) as opened:
        if sheet is not None and sheet.suffix.lower() == ".jsonld":
            written = _export_linked(opened, sheet)
        elif kind == "trial":
            written = _export_trials(opened, sheet, as_json)
        else:
            written = _export_entries(opened, sheet, kind, as_json)
    if written is None:
        return
    count, word = written
    if as_json:
        emit_json({"path": sheet, f"{word}s": count})
    else:
        say(f"{sheet}: {count_of(count, word)}")


def _export_trials(opened: Shelf, sheet: Path | None, as_json: bool) -> tuple[int, str] | None:
    trials = opened.trials()
    if sheet is None and as_json:
        emit_json({"trials": trials})
    elif sheet is None:
        _to_stdout(sheet_bytes(trials))
    else:
        write_sheet(trials, sheet)
        return len(trials), "trial"
    return None


def _export_entries(opened: Shelf, sheet: Path | None, kind: Moved, as_json: bool) -> tuple[int, str] | None:
    from indexhole.shelf.exchange.exchange import sheet_rows
    from indexhole.shelf.sheets.spreadsheet import csv_bytes, write_cells

    record = kind_of(kind)
    if sheet is None and as_json:
        emit_json({f"{kind}s": opened.all(record)})
        return None
    rows = sheet_rows(opened, record)
    if sheet is None:
        _to_stdout(csv_bytes(rows))
        return None
    write_cells(sheet, rows, title=kind)
    return len(rows) - 1, kind


def _export_linked(opened: Shelf, sheet: Path) -> tuple[int, str]:
    from indexhole.shelf.exchange.linked_data import json_ld
    from indexhole.shelf.files.writing import write_whole

    document = json_ld(opened)
    write_whole(sheet, (json.dumps(document, ensure_ascii=False, indent=1) + "\n").encode("utf-8"))
    return len(document["@graph"]), "node"


def _to_stdout(content: bytes) -> None:
    sys.stdout.flush()
    # bytes, so that no newline or encoding of this system gets into the sheet
    sys.stdout.buffer.write(content)


def backup(
    file: Annotated[Path, typer.Argument(metavar="FILE", help="File to write.")],
    yes: Yes = False,
    as_json: AsJson = False,
    folder: ShelfFolder = None,
) -> None:
    """Put the whole shelf, register and files, into one file with a SHA-256 of each part."""
    from indexhole.shelf.exchange.backup import back_up

    if file.exists() and not confirm(f"Overwrite {file}?", yes=yes):
        say("nothing was written")
        return
    with opened_shelf(folder) as opened:
        packed = back_up(opened, file)
    if as_json:
        emit_json(
            {
                "path": file,
                "rows": packed.rows,
                "files": packed.files,
                "bytes": packed.bytes,
                "left_out": list(packed.left_out),
            }
        )
    else:
        held = f"{count_of(packed.rows, 'row')} of the register, {count_of(packed.files, 'file')}, {packed.bytes} bytes"
        say(f"{file}: {held}")
    for path in packed.left_out:
        remark(f"{path} is left out: it is a link, or its name cannot stand in a backup")


def restore(
    file: Annotated[Path, typer.Argument(metavar="FILE", help="A file `shelf backup` wrote.")],
    check_only: Annotated[bool, typer.Option("--check", help="Only read it and compare every SHA-256.")] = False,
    as_json: AsJson = False,
    folder: ShelfFolder = None,
) -> None:
    """Restore a backup into a folder or a database that holds no shelf. The backup is checked first."""
    from indexhole.shelf.exchange import backup as backups
    from indexhole.shelf.register.address import shelf_address

    if check_only:
        manifest = backups.check_backup(file)
        if as_json:
            emit_json({"path": file, "sound": True, "made_utc": manifest.made_utc, "rows": manifest.rows})
        else:
            say(f"{file}: sound, made {manifest.made_utc:%Y-%m-%d %H:%M} UTC")
        return
    at = shelf_address(folder)
    restored = backups.restore(file, at)
    if as_json:
        emit_json({"place": at.label, "rows": restored.rows, "files": restored.files, "bytes": restored.bytes})
    else:
        say(
            f"{at.label}: {count_of(restored.rows, 'row')} of the register, {count_of(restored.files, 'file')} restored"
        )
