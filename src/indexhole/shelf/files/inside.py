"""Files inside the shelf's folder, by the paths that rows name: nothing leads out of it, and no link is followed.

A shelf from elsewhere, as a backup or as a folder, may name anything and hold links to anywhere. So a path is checked
where it enters the register and again where it is used, and a file is opened name by name from the shelf's folder.
"""

from __future__ import annotations

import hashlib
import os
import re
import stat
from collections.abc import Iterator
from io import BufferedReader
from pathlib import Path

from indexhole.errors import ShelfFault
from indexhole.shelf.files.writing import make_folder

CAPTURES = "captures"
ORIGINALS = "captures/originals"
PHOTOS = "photos"
REMOVED = "removed"
# what the shelf's folder holds beside the register
FOLDERS = (CAPTURES, PHOTOS, REMOVED)

# a name that means a file on every system, and no way up or elsewhere
_NAME = re.compile(r"(?!\.{1,2}$)[^/\\:\x00-\x1f\x7f]{1,255}")
_LONGEST = 1000


def leads_inside(named: str, within: str = "") -> bool:
    """Whether a path leads to a place in the shelf's folder, and in the folder `within` of it if one is given."""
    fits = len(named) <= _LONGEST and (not within or named.startswith(f"{within}/"))
    return fits and all(_NAME.fullmatch(name) for name in named.split("/"))


def open_inside(folder: Path, named: str, within: str = "") -> BufferedReader:
    """Open a file of the shelf to be read.

    Args:
        folder: the shelf's folder.
        named: the path in it, as a row names it.
        within: the folder it must be in.

    Raises ShelfFault for a path that leads elsewhere, a link, or what is no file; OSError as opening does.
    """
    if not leads_inside(named, within):
        raise ShelfFault(
            f"an entry names the file {named[:80]!r}, which is none of this shelf's",
            where=str(folder),
            remedy="the shelf or its backup was tampered with; use another copy",
        )
    *above, last = named.split("/")
    handle = os.open(folder, os.O_RDONLY | _DIRECTORY)
    try:
        for name in above:
            deeper = _step(handle, name, os.O_RDONLY | _DIRECTORY, folder, named)
            os.close(handle)
            handle = deeper
        found = _step(handle, last, os.O_RDONLY | os.O_NONBLOCK, folder, named)
    finally:
        os.close(handle)
    if not stat.S_ISREG(os.fstat(found).st_mode):
        os.close(found)
        raise ShelfFault(f"{named} is no file", where=str(folder), remedy="put back a copy")
    return os.fdopen(found, "rb")


_DIRECTORY = getattr(os, "O_DIRECTORY", 0)


def _step(above: int, name: str, flags: int, folder: Path, named: str) -> int:
    try:
        about = os.stat(name, dir_fd=above, follow_symlinks=False)
        if stat.S_ISLNK(about.st_mode):
            raise _link(folder, named)
        return os.open(name, flags | os.O_NOFOLLOW, dir_fd=above)
    except OSError as fault:
        # told with the name that was asked for
        fault.filename = str(folder / named)
        raise


def _link(folder: Path, named: str) -> ShelfFault:
    return ShelfFault(
        f"{named} is a symbolic link, and inside a shelf none is followed",
        where=str(folder),
        remedy="put the file or folder itself there",
    )


def read_inside(folder: Path, named: str, within: str = "", *, largest_bytes: int | None = None) -> bytes:
    """The bytes of a file of the shelf. Faults as `open_inside`, and ShelfFault for a file that is larger."""
    with open_inside(folder, named, within) as found:
        if largest_bytes is not None and os.fstat(found.fileno()).st_size > largest_bytes:
            raise ShelfFault(
                f"{named} is larger than any such file can be", where=str(folder), remedy="put back a copy"
            )
        return found.read()


def read_if_there(folder: Path, named: str, *, largest_bytes: int) -> bytes | None:
    """The same; None where there is no such file."""
    try:
        return read_inside(folder, named, largest_bytes=largest_bytes)
    except FileNotFoundError:
        return None
    except OSError as fault:
        raise ShelfFault(
            f"{named} cannot be read ({fault.strerror})", where=str(folder), remedy="check the rights there"
        ) from fault


def folder_inside(folder: Path, named: str) -> Path:
    """A folder of the shelf to put files into, made if need be. Raises ShelfFault for a link, and OSError."""
    place = folder
    for name in named.split("/"):
        place = place / name
        if place.is_symlink():
            raise _link(folder, named)
    make_folder(place)
    return place


def files_inside(folder: Path, named: str) -> Iterator[str]:
    """Paths of what lies in a folder of the shelf, however deep, in order; links as well, which are not followed."""
    place = folder / named
    if place.is_symlink():
        yield named
        return
    try:
        entries = sorted(os.scandir(place), key=lambda entry: entry.name)
    except (FileNotFoundError, NotADirectoryError):
        return
    for entry in entries:
        path = f"{named}/{entry.name}"
        if entry.is_dir(follow_symlinks=False):
            yield from files_inside(folder, path)
        else:
            yield path


def is_plain_file(folder: Path, named: str) -> bool:
    """Whether a path of `files_inside` is a file itself, no link and nothing else."""
    try:
        return stat.S_ISREG((folder / named).lstat().st_mode)
    except OSError:
        return False


def pulses_place(folder: Path, digest: str, parquet_sha256: str) -> str:
    """Where pulses go: by the capture's SHA-256, and by their own where other bytes have that name already.

    Those may be of an entry that was taken out and may come back.
    """
    plain = f"{CAPTURES}/{digest[:16]}.parquet"
    try:
        taken = hashlib.sha256(read_inside(folder, plain)).hexdigest() != parquet_sha256
    except FileNotFoundError:
        taken = False
    return f"{CAPTURES}/{digest[:16]}-{parquet_sha256[:8]}.parquet" if taken else plain
