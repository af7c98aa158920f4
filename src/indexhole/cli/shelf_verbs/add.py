"""`indexhole shelf add`: one command for each kind of entry."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, Literal

import typer

from indexhole.cli.open_shelf import opened_shelf
from indexhole.cli.present import AsJson, ShelfFolder, Yes, confirm, emit_json, help_when_bare, say
from indexhole.cli.shelf_verbs.views import show_draft, show_entry
from indexhole.errors import InputFault
from indexhole.shelf.records.records import checked
from indexhole.shelf.register.tables import kind_of

if TYPE_CHECKING:
    from indexhole.shelf.care.captures import Stored

UnitWord = Literal["drive", "host", "lead", "adapter"]
ImportanceWord = Literal["scratch", "working", "irreplaceable"]
NotchWord = Literal["open", "covered", "none"]
BeforeWord = Literal["erased", "never recorded", "recorded"]

adding = typer.Typer(
    add_completion=False, rich_markup_mode=None, help="Add an entry; one that a trial named before is filled in."
)
adding.callback(invoke_without_command=True)(help_when_bare)


def _add(folder: Path | None, as_json: bool, word: str, **values: Any) -> None:
    record = checked(kind_of(word), **values)
    with opened_shelf(folder, create=True) as opened:
        kept = opened.add(record)
    if as_json:
        emit_json({word: kept})
    else:
        show_entry(kept)


Title = Annotated[str, typer.Option(help="What it is called on the shelf.")]
DiskClass = Annotated[str, typer.Option("--class", help="Disk class, such as 130-48.")]
NoteText = Annotated[str, typer.Option("--note", help="Anything else.")]
OfUnit = Annotated[str | None, typer.Option("--unit", help="Inventory number of a unit.")]
OfDisk = Annotated[str | None, typer.Option("--disk", help="Inventory number of a disk.")]


@adding.command("unit")
def add_unit(
    inventory: Annotated[str, typer.Argument(help="Inventory number.")],
    kind: Annotated[UnitWord, typer.Option(help="Kind of thing.")] = "drive",
    title: Title = "",
    maker: Annotated[str, typer.Option(help="Who made it, as far as known.")] = "",
    disk_class: DiskClass = "",
    acquired: Annotated[str, typer.Option(help="When and from whom it came.")] = "",
    origin: Annotated[str, typer.Option(help="Where it was used before.")] = "",
    state: Annotated[str, typer.Option(help="State as found.")] = "",
    date_codes: Annotated[str, typer.Option(help="Codes on its parts as they stand; their meaning is unproven.")] = "",
    controller: Annotated[str, typer.Option(help="Of a host: what drives its disks.")] = "",
    volume_kinds: Annotated[str, typer.Option(help="Of a host: volumes it takes, such as fat12,labelled.")] = "",
    as_json: AsJson = False,
    folder: ShelfFolder = None,
) -> None:
    """Add a drive unit, host, lead or adapter."""
    _add(
        folder,
        as_json,
        "unit",
        inventory=inventory,
        kind="drive unit" if kind == "drive" else kind,
        title=title,
        maker=maker,
        disk_class=disk_class,
        acquired=acquired,
        origin=origin,
        state=state,
        date_codes=date_codes,
        controller=controller,
        volume_kinds=volume_kinds,
    )


@adding.command("mechanism")
def add_mechanism(
    mechanism: Annotated[str, typer.Argument(metavar="UNIT.NUMBER", help="The number as it answers, such as D1.0.")],
    front: Annotated[str, typer.Option(help="What the front says, which need not be the number.")] = "",
    write_width_um: Annotated[float | None, typer.Option(help="Width of the track it writes, micrometres.")] = None,
    read_width_um: Annotated[float | None, typer.Option(help="Width its head reads, micrometres.")] = None,
    drive_class: Annotated[str, typer.Option(help="Class of drive; else it goes by the unit's disk class.")] = "",
    heads: Annotated[int | None, typer.Option(help="Heads, 1 or 2, where they differ from the class.")] = None,
    cylinders: Annotated[int | None, typer.Option(help="Cylinders it reaches, where they differ.")] = None,
    note: NoteText = "",
    as_json: AsJson = False,
    folder: ShelfFolder = None,
) -> None:
    """Add a mechanism of a drive unit; a dual unit has two."""
    figures = {"write_width_um": write_width_um, "read_width_um": read_width_um, "heads": heads, "cylinders": cylinders}
    _add(folder, as_json, "mechanism", mechanism=mechanism, front=front, note=note, drive_class=drive_class, **figures)


@adding.command("disk")
def add_disk(
    inventory: Annotated[str, typer.Argument(help="Inventory number.")],
    title: Title = "",
    disk_class: DiskClass = "",
    sides: Annotated[int | None, typer.Option(help="Recorded sides, 1 or 2.")] = None,
    irreplaceable: Annotated[
        bool, typer.Option("--irreplaceable", help="Never to be written on: --importance irreplaceable.")
    ] = False,
    importance: Annotated[ImportanceWord, typer.Option(help="How much would be lost with it.")] = "working",
    notch: Annotated[NotchWord | None, typer.Option(help="The notch that allows writing.")] = None,
    hub_ring: Annotated[bool | None, typer.Option(help="Whether its hub is reinforced.")] = None,
    sector_holes: Annotated[int | None, typer.Option(help="Sector holes beside the index hole: 0, 10, 16, 32.")] = None,
    layout: Annotated[str, typer.Option(help="Layout, such as 130-48-mfm-9x512.")] = "",
    recorded_by: Annotated[str, typer.Option(metavar="UNIT.NUMBER", help="The mechanism that recorded it.")] = "",
    recorded_when: Annotated[str, typer.Option(help="When, as far as known.")] = "",
    recorded_temperature_c: Annotated[float | None, typer.Option(help="Degrees Celsius that day.")] = None,
    recorded_humidity_pct: Annotated[float | None, typer.Option(help="Relative humidity that day, per cent.")] = None,
    before: Annotated[BeforeWord | None, typer.Option(help="What it held before it was recorded.")] = None,
    condition: Annotated[str, typer.Option(help='Words parted by commas, such as "shedding, creased".')] = "",
    note: NoteText = "",
    as_json: AsJson = False,
    folder: ShelfFolder = None,
) -> None:
    """Add a disk."""
    _add(
        folder,
        as_json,
        "disk",
        inventory=inventory,
        title=title,
        disk_class=disk_class,
        sides=sides,
        importance="irreplaceable" if irreplaceable else importance,
        notch=notch or "",
        hub_ring=hub_ring,
        sector_holes=sector_holes,
        layout=layout,
        recorded_by=recorded_by,
        recorded_when=recorded_when,
        recorded_temperature_c=recorded_temperature_c,
        recorded_humidity_pct=recorded_humidity_pct,
        before=before or "",
        condition=condition,
        note=note,
    )


@adding.command("event")
def add_event(
    unit: Annotated[str, typer.Argument(help="Inventory number of the unit.")],
    what: Annotated[str, typer.Argument(help="What happened.")],
    when: Annotated[str, typer.Option(help='As far as remembered: 1987-05, "about 1987", 1980s, "before 1990".')] = "",
    source: Annotated[str, typer.Option(help="Who says so.")] = "",
    as_json: AsJson = False,
    folder: ShelfFolder = None,
) -> None:
    """Add something that happened to a unit."""
    _add(folder, as_json, "event", unit=unit, what=what, when=when, source=source)


@adding.command("note")
def add_note(
    text: Annotated[str, typer.Argument(help="The remark.")],
    unit: OfUnit = None,
    disk: OfDisk = None,
    as_json: AsJson = False,
    folder: ShelfFolder = None,
) -> None:
    """Add a remark on a unit, on a disk, or on the shelf as a whole."""
    _add(folder, as_json, "note", text=text, unit=unit, disk=disk)


@adding.command("part")
def add_part(
    unit: Annotated[str, typer.Argument(help="Inventory number of the unit.")],
    name: Annotated[str, typer.Argument(help="What it is: processor, controller, memory, power board...")],
    board: Annotated[str, typer.Option(help="The board it sits on.")] = "",
    marking: Annotated[str, typer.Option(help="What is printed on it.")] = "",
    date_code: Annotated[str, typer.Option(help="Its date code as it stands on it.")] = "",
    note: NoteText = "",
    as_json: AsJson = False,
    folder: ShelfFolder = None,
) -> None:
    """Add a board or a chip of a unit."""
    values = {"board": board, "marking": marking, "date_code": date_code, "note": note}
    _add(folder, as_json, "part", unit=unit, name=name, **values)


@adding.command("firmware")
def add_firmware(
    unit: Annotated[str, typer.Argument(help="Inventory number of the unit.")],
    version: Annotated[str, typer.Argument(help="The version, as it tells itself or is printed.")],
    place: Annotated[str, typer.Option(help="Where it sits.")] = "",
    seen_how: Annotated[str, typer.Option(help="How it was seen: printed on the chip, told on the bus...")] = "",
    seen_when: Annotated[str, typer.Option(help="When.")] = "",
    note: NoteText = "",
    as_json: AsJson = False,
    folder: ShelfFolder = None,
) -> None:
    """Add a version of firmware seen in a unit."""
    values = {"place": place, "seen_how": seen_how, "seen_when": seen_when, "note": note}
    _add(folder, as_json, "firmware", unit=unit, version=version, **values)


@adding.command("loan")
def add_loan(
    party: Annotated[str, typer.Argument(help="To whom, or from whom.")],
    unit: OfUnit = None,
    disk: OfDisk = None,
    direction: Annotated[Literal["out", "in"], typer.Option(help="Lent out, or taken in.")] = "out",
    since: Annotated[str, typer.Option(help="Since when.")] = "",
    until: Annotated[str, typer.Option(help="Until when it is agreed.")] = "",
    purpose: Annotated[str, typer.Option(help="What for.")] = "",
    as_json: AsJson = False,
    folder: ShelfFolder = None,
) -> None:
    """Add a loan of a unit or a disk."""
    values = {"direction": direction, "since": since, "until": until, "purpose": purpose}
    _add(folder, as_json, "loan", party=party, unit=unit, disk=disk, **values)


@adding.command("view")
def add_view(
    view: Annotated[str, typer.Argument(metavar="NAME", help="The view's name.")],
    what: Annotated[str, typer.Option("--kinds", help="Kinds searched, parted by commas; all when empty.")] = "",
    words: Annotated[str, typer.Option(help="Words searched for.")] = "",
    chosen: Annotated[str, typer.Option("--units", help="Units to be compared, parted by commas.")] = "",
    note: NoteText = "",
    as_json: AsJson = False,
    folder: ShelfFolder = None,
) -> None:
    """Keep a search or a comparison by name."""
    _add(folder, as_json, "view", view=view, what=what, words=words, chosen=chosen, note=note)


@adding.command("photo")
def add_photo(
    file: Annotated[Path, typer.Argument(metavar="PHOTO", help="A JPEG, PNG or WebP file, kept byte for byte.")],
    unit: OfUnit = None,
    disk: OfDisk = None,
    caption: Annotated[str, typer.Option(help="What it shows.")] = "",
    taken: Annotated[str, typer.Option(help="When it was taken.")] = "",
    as_json: AsJson = False,
    folder: ShelfFolder = None,
) -> None:
    """Keep a photo of a unit or a disk."""
    from indexhole.shelf.care.photos import store_photo

    try:
        content = file.read_bytes()
    except (OSError, ValueError) as fault:
        told = getattr(fault, "strerror", None) or fault
        raise InputFault(f"cannot be read ({told})", where=str(file), remedy="check the name") from fault
    with opened_shelf(folder) as opened:
        kept = store_photo(opened, content, file.name, unit=unit, disk=disk, caption=caption, taken=taken)
    if as_json:
        emit_json({"photo": kept})
    else:
        show_entry(kept)


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
    from indexhole.shelf.views.likeness import next_number, similar_to

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


@adding.command("capture")
def add_capture(
    files: Annotated[list[Path], typer.Argument(metavar="CAPTURE...", help="Capture files.")],
    disk: OfDisk = None,
    mechanism: Annotated[str | None, typer.Option(metavar="UNIT.NUMBER", help="The mechanism that read it.")] = None,
    writer: Annotated[
        str | None, typer.Option(metavar="UNIT.NUMBER", help="The mechanism known to have formatted what it holds.")
    ] = None,
    cylinder: Annotated[int | None, typer.Option(help="Cylinder, for a capture of one track.")] = None,
    head: Annotated[int | None, typer.Option(help="Head, 0 or 1.")] = None,
    taken: Annotated[str, typer.Option(help="When it was logged, as far as known.")] = "",
    note: NoteText = "",
    no_original: Annotated[
        bool, typer.Option("--no-original", help="Keep the pulses and the SHA-256, not the file itself.")
    ] = False,
    as_json: AsJson = False,
    folder: ShelfFolder = None,
) -> None:
    """Keep captures: the files byte for byte, and their pulses for the other verbs."""
    from indexhole.shelf.care.captures import store_capture
    from indexhole.signal.formats.readers import read_capture

    about = {"disk": disk, "mechanism": mechanism, "writer": writer, "cylinder": cylinder, "head": head}
    about |= {"taken": taken, "note": note}
    kept = []
    for path in files:
        capture = read_capture(path)
        with opened_shelf(folder, create=True) as opened:
            stored = store_capture(opened, path, capture, keep_original=not no_original, **about)
        kept.append(stored)
        if not as_json:
            digest = stored.record.sha256[:16]
            say(f"{path}: {'kept' if stored.new else 'stands on the shelf already'} as {digest}")
            for mended in stored.mended:
                say(f"  {mended.told}")
    if as_json:
        emit_json({"captures": [_stored_json(stored) for stored in kept]})


def _stored_json(stored: Stored) -> dict[str, Any]:
    mended = [{"file": one.file, "outcome": one.outcome, "why": one.why} for one in stored.mended]
    return {"new": stored.new, **stored.record.model_dump(mode="json"), "mended": mended}
