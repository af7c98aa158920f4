"""`indexhole shelf check`, `mend` and `sweep`: whether all that was kept is whole, and what to do where it is not."""

from __future__ import annotations

from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from indexhole.cli.open_shelf import opened_shelf
from indexhole.cli.present import AsJson, ShelfFolder, Yes, confirm, emit_json, progress_line, remark, say
from indexhole.wording import count_of

if TYPE_CHECKING:
    # their modules need the capture readers, which other commands should not wait for
    from indexhole.shelf.care.condition import Checked, CheckedPhoto
    from indexhole.shelf.care.mending import Mended
    from indexhole.shelf.care.sweep import Leavings


def check(as_json: AsJson = False, folder: ShelfFolder = None) -> None:
    """Hash all kept files again and inspect the register. Exit status 1 when something changed or is missing."""
    from indexhole.shelf.care.condition import check_captures, check_photos
    from indexhole.shelf.care.sweep import leavings

    with opened_shelf(folder) as opened:
        register, captures, photos = opened.inspect(), check_captures(opened), check_photos(opened)
        left = leavings(opened)
    files_sound = all(one.sound for one in captures) and all(one.sound for one in photos)
    sound = files_sound and not register and not left.links
    if as_json:
        summary = {"register": register, "captures": captures, "photos": photos, "strays": list(left.strays)}
        emit_json({"sound": sound, **summary, "unfinished": list(left.unfinished), "links": list(left.links)})
    else:
        _show_check(register, captures, photos, left)
    if not sound:
        raise typer.Exit(1)


def _show_check(register: list[str], captures: list[Checked], photos: list[CheckedPhoto], left: Leavings) -> None:
    """Print what a check found, faults first."""
    for line in register:
        say(f"register: {line}")
    for found in captures:
        for file in found.files:
            if file.state != "unchanged":
                say(f"capture {found.record.sha256[:16]} ({found.record.name}): {file.state}: {file.what}")
    for photo in photos:
        if photo.state != "unchanged":
            say(f"photo {photo.record.key}: {photo.state}: {photo.what}")
    for path in left.links:
        say(f"{path}: a symbolic link, which is neither followed nor packed; put the file itself there")
    for path in left.strays:
        say(f"{path}: no entry names it")
    for path in left.unfinished:
        say(f"{path}: left behind by a command that was killed; `indexhole shelf sweep` removes it")
    unproven = sum(not found.proven for found in captures)
    if unproven:
        say(f"{count_of(unproven, 'capture')} without a digest of the pulses yet; `indexhole shelf mend` enters it")
    unchanged = sum(found.state == "unchanged" for found in captures)
    text = f"register {'damaged' if register else 'sound'}; {unchanged} of {len(captures)} captures unchanged"
    if photos:
        text += f"; {sum(photo.state == 'unchanged' for photo in photos)} of {len(photos)} photos unchanged"
    say(text)


def mend(as_json: AsJson = False, folder: ShelfFolder = None) -> None:
    """Rebuild damaged or missing pulses from their originals, and prove them equal. Exit status 1 if some stay so.

    Captures kept by an older version are proven against their originals and get a digest of their pulses.
    """
    from indexhole.shelf.care.mending import mend_captures

    tell = progress_line()
    with opened_shelf(folder) as opened:
        done = mend_captures(opened, lambda now, of: tell("captures", now, of))
    left = [one for one in done if one.outcome == "not mended"]
    if as_json:
        emit_json({"mended": [_mended(one) for one in done], "left": len(left)})
    else:
        for one in done:
            say(f"capture {one.record.sha256[:16]} ({one.record.name}): {one.summary}")
        say(f"{count_of(len(done) - len(left), 'file')} mended or proven" if done else "nothing needs mending")
    if left:
        raise typer.Exit(1)


def _mended(one: Mended) -> dict[str, Any]:
    return {"sha256": one.record.sha256, "file": one.file, "outcome": one.outcome, "why": one.why}


def sweep(
    places: Annotated[
        list[Path] | None, typer.Argument(metavar="FOLDER...", help="Other folders that killed commands wrote to.")
    ] = None,
    unnamed: Annotated[
        bool, typer.Option("--unnamed", help="Also files of captures and photos that no entry ever named; asks first.")
    ] = False,
    now: Annotated[bool, typer.Option("--now", help="Also what was left behind within the last minute.")] = False,
    yes: Yes = False,
    as_json: AsJson = False,
    folder: ShelfFolder = None,
) -> None:
    """Remove temporary files that killed commands left behind, in the shelf's folder and beside it."""
    from indexhole.shelf.care.sweep import leavings
    from indexhole.shelf.care.sweep import sweep as sweep_shelf

    age_s, also = 0.0 if now else None, places or []
    with opened_shelf(folder) as opened:
        files = leavings(opened, also, older_than_s=age_s).unnamed if unnamed else ()
        if files and not yes and not as_json:
            for path in files:
                say(f"{path}: no entry names it, and none did")
        done = not files or confirm(f"Remove {count_of(len(files), 'file')} for good?", yes=yes)
        gone = sweep_shelf(opened, also, unnamed=bool(files) and done, older_than_s=age_s)
        left = leavings(opened, also, older_than_s=age_s)
    if as_json:
        emit_json({"removed": gone, "left": asdict(left)})
        return
    for path in gone:
        say(f"removed {path}")
    say(count_of(len(gone), "file") + " removed" if gone else "nothing was left behind")
    if left.unnamed and not unnamed:
        remark(f"{count_of(len(left.unnamed), 'file')} that no entry names stay; --unnamed removes them")
