"""`indexhole shelf add`: one command for each kind of entry, its options taken from the record."""

from __future__ import annotations

from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from indexhole.cli.open_shelf import opened_shelf
from indexhole.cli.present import AsJson, ShelfFolder, Yes, confirm, emit_json, help_when_bare, say
from indexhole.cli.shelf_verbs.record_options import NEEDED, long_words, record_command
from indexhole.cli.shelf_verbs.views import show_draft, show_entry
from indexhole.errors import InputFault
from indexhole.shelf.records.additions import Firmware, Loan, Part, Photo, View
from indexhole.shelf.records.entry import Record
from indexhole.shelf.records.records import CaptureRecord, Disk, Event, Mechanism, Note, Unit, checked

if TYPE_CHECKING:
    from indexhole.shelf.care.captures import Stored

adding = typer.Typer(
    add_completion=False, rich_markup_mode=None, help="Add an entry; one that a trial named before is filled in."
)
adding.callback(invoke_without_command=True)(help_when_bare)


def _add(kind: type[Record], values: dict[str, Any], given: dict[str, Any]) -> None:
    if given.get("irreplaceable"):
        values["importance"] = "irreplaceable"
    record = checked(kind, **long_words(kind, values))
    with opened_shelf(given["folder"], create=True) as opened:
        added = opened.add(record)
    if given["as_json"]:
        emit_json({kind.WORD: added})
    else:
        show_entry(added)


_IRREPLACEABLE = Annotated[
    bool, typer.Option("--irreplaceable", help="Never to be written on; the same as --importance irreplaceable.")
]
_ABOUT: dict[type[Record], str] = {
    Unit: "Add a drive unit, host, lead or adapter.",
    Mechanism: "Add a mechanism of a drive unit; a dual unit has two.",
    Disk: "Add a disk.",
    Event: "Add something that happened to a unit.",
    Note: "Add a remark on a unit, on a disk, or on the shelf as a whole.",
    Part: "Add a board or a chip of a unit.",
    Firmware: "Add a version of firmware seen in a unit.",
    Loan: "Add a loan of a unit or a disk.",
    View: "Save a search or a comparison by name.",
}
for _kind, _about in _ABOUT.items():
    _more = {"irreplaceable": (_IRREPLACEABLE, False)} if _kind is Disk else {}
    adding.command(_kind.WORD)(record_command(_kind, partial(_add, _kind), about=_about, more=_more))


def _add_photo(about: dict[str, Any], given: dict[str, Any]) -> None:
    from indexhole.shelf.care.photos import store_photo

    file: Path = given["picture"]
    try:
        content = file.read_bytes()
    except (OSError, ValueError) as fault:
        why = getattr(fault, "strerror", None) or fault
        raise InputFault(f"cannot be read ({why})", where=str(file), remedy="check the name") from fault
    with opened_shelf(given["folder"]) as opened:
        added = store_photo(opened, content, file.name, **about)
    if given["as_json"]:
        emit_json({"photo": added})
    else:
        show_entry(added)


_PHOTO = Annotated[Path, typer.Argument(metavar="PHOTO", help="A JPEG, PNG or WebP file, stored byte for byte.")]
adding.command("photo")(
    record_command(Photo, _add_photo, about="Add a photo of a unit or a disk.", first={"picture": (_PHOTO, NEEDED)})
)


@adding.command("quick")
def add_quick(
    line: Annotated[str, typer.Argument(help='One line, as: "dual 130 mm drive, parallel bus, found 1998".')],
    yes: Yes = False,
    dry_run: Annotated[bool, typer.Option("--dry-run", help="Show what is understood, add nothing.")] = False,
    as_json: AsJson = False,
    folder: ShelfFolder = None,
) -> None:
    """Add a unit or a disk from one line of text; shows what was understood first, and asks."""
    from indexhole.shelf.records.quick_entry import draft_from
    from indexhole.shelf.views.likeness import similar_to
    from indexhole.shelf.views.next_name import next_number

    with opened_shelf(folder, create=not dry_run) as opened:
        draft = draft_from(line, lambda kind: next_number(opened, kind))
        alike = similar_to(opened, draft.record)
        if not as_json:
            show_draft(draft, alike)
        done = not dry_run and (as_json or confirm(f"Add {draft.record.WORD} {draft.record.key}?", yes=yes))
        if done:
            opened.add_together(draft.records, f"add {draft.record.WORD} {draft.record.key} from a line")
    if as_json:
        emit_json({"added": done, "draft": draft, "alike": alike})
    else:
        say(f"added {draft.record.WORD} {draft.record.key}" if done else "nothing was added")


def _add_captures(about: dict[str, Any], given: dict[str, Any]) -> None:
    from indexhole.shelf.care.captures import store_capture
    from indexhole.signal.formats.readers import read_capture

    added = []
    for path in given["files"]:
        capture = read_capture(path)
        with opened_shelf(given["folder"], create=True) as opened:
            stored = store_capture(opened, path, capture, keep_original=not given["no_original"], **about)
        added.append(stored)
        if not given["as_json"]:
            digest = stored.record.sha256[:16]
            say(f"{path}: {'kept' if stored.new else 'stands on the shelf already'} as {digest}")
            for mended in stored.mended:
                say(f"  {mended.summary}")
    if given["as_json"]:
        emit_json({"captures": [_stored_json(stored) for stored in added]})


def _stored_json(stored: Stored) -> dict[str, Any]:
    mended = [{"file": one.file, "outcome": one.outcome, "why": one.why} for one in stored.mended]
    return {"new": stored.new, **stored.record.model_dump(mode="json"), "mended": mended}


_FILES = Annotated[list[Path], typer.Argument(metavar="CAPTURE...", help="Capture files.")]
_NO_ORIGINAL = Annotated[
    bool, typer.Option("--no-original", help="Store the pulses and the SHA-256, not the file itself.")
]
adding.command("capture")(
    record_command(
        CaptureRecord,
        _add_captures,
        about="Add captures: the files byte for byte, and their pulses for the other commands.",
        first={"files": (_FILES, NEEDED)},
        more={"no_original": (_NO_ORIGINAL, False)},
    )
)
