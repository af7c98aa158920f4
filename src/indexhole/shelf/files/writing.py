"""Files that are whole or not there, and on the device before anything says so.

Bytes go to a temporary name beside the place; the file is synced, takes its name, and its folder is synced. A program
killed meanwhile leaves the temporary file: `left_behind` finds those that nobody holds any more.
"""

from __future__ import annotations

import ctypes
import errno
import os
import re
import secrets
import shutil
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import BinaryIO

from indexhole.errors import ShelfFault

try:
    import fcntl
except ImportError:  # a system without locks on open files; there age alone tells what is left behind
    fcntl = None  # type: ignore[assignment]

_PART = ".indexhole-part-"
# the second is how version 0.1.0 named them
_PART_NAME = re.compile(r"(\.indexhole-part-|\.part-)[0-9a-f]{8}(-journal|\.(parquet|original)(\.partial)?)?")
# our own choice: longer than it takes to lock a file that was just made, and than any work whose lock cannot be seen
_NEW_S, _UNKNOWN_S = 60.0, 86_400.0
# of linux/fcntl.h and linux/fs.h
_HERE, _RENAME_EXCHANGE = -100, 2


def part_name() -> str:
    """A temporary name that nothing else has."""
    return f"{_PART}{secrets.token_hex(4)}"


def is_part(name: str) -> bool:
    """Whether a file or folder of that name is one in the making."""
    return _PART_NAME.fullmatch(name) is not None


@contextmanager
def refusals_told(what: str, where: Path) -> Iterator[None]:
    """Turn what a folder or its device refuses into a ShelfFault: `what` cannot be done, and where if nothing tells."""
    try:
        yield
    except OSError as fault:
        raise ShelfFault(
            f"{what} ({fault.strerror or fault})",
            where=str(fault.filename or where),
            remedy="check the room and the rights there",
        ) from fault


@contextmanager
def in_the_making(folder: Path) -> Iterator[BinaryIO]:
    """A new file under a temporary name in a folder; what still has that name at the end is removed. Raises OSError.

    It is held locked as long as it is open, so that nobody takes it for one that was left behind.
    """
    path, part = _begun(folder)
    with part:
        try:
            yield part
        finally:
            path.unlink(missing_ok=True)


def _begun(folder: Path) -> tuple[Path, BinaryIO]:
    """A new file, held. One that was taken for left behind before it could be held is begun anew."""
    while True:
        path = folder / part_name()
        part = path.open("x+b")
        _hold(part.fileno())
        if os.fstat(part.fileno()).st_nlink:
            return path, part
        part.close()


def sync(part: BinaryIO) -> None:
    """Bring what was written to the device. Raises OSError."""
    part.flush()
    os.fsync(part.fileno())


def sync_folder(folder: Path) -> None:
    """Bring the names in a folder to the device, where the system can. Raises OSError."""
    if os.name != "posix":
        return
    with opened_folder(folder) as handle:
        try:
            os.fsync(handle)
        except OSError as fault:
            # some file systems keep names without being told to
            if fault.errno not in (errno.EINVAL, errno.ENOTSUP):
                raise


@contextmanager
def opened_folder(folder: Path) -> Iterator[int]:
    """A folder, opened. Raises OSError."""
    handle = os.open(folder, os.O_RDONLY | os.O_DIRECTORY)
    try:
        yield handle
    finally:
        os.close(handle)


@contextmanager
def held_folder(folder: Path) -> Iterator[None]:
    """A folder in the making, held locked so that nobody takes it for one that was left behind. Raises OSError."""
    if os.name != "posix":
        yield
        return
    with opened_folder(folder) as handle:
        _hold(handle)
        yield


@contextmanager
def folder_in_the_making(parent: Path) -> Iterator[Path]:
    """A new folder under a temporary name, held; what still has that name at the end is removed. Raises OSError."""
    part = parent / part_name()
    part.mkdir()
    try:
        with held_folder(part):
            yield part
    finally:
        if part.is_dir() and not part.is_symlink():
            shutil.rmtree(part, ignore_errors=True)
        else:
            # what stood in its place before was a file or a link
            part.unlink(missing_ok=True)


def sync_tree(folder: Path) -> None:
    """Bring all that is in a folder to the device, bytes and names. Raises OSError."""
    for place, _, names in os.walk(folder):
        for name in names:
            with (Path(place) / name).open("rb") as file:
                os.fsync(file.fileno())
        sync_folder(Path(place))


def take_place(part: Path, folder: Path) -> None:
    """Give a folder in the making its name, in place of what has it, which then has the temporary name. Raises OSError.

    Where the system can, the two are exchanged in one step, so that a whole folder has the name at every moment.
    """
    sync_tree(part)
    if not os.path.lexists(folder) or not _exchanged(part, folder):
        _replaced(part, folder)
    sync_folder(folder.parent)


def _replaced(part: Path, folder: Path) -> None:
    old = folder.with_name(f".{folder.name}.old-{secrets.token_hex(4)}")
    with suppress(FileNotFoundError):
        folder.rename(old)
    try:
        part.rename(folder)
    except BaseException:
        if os.path.lexists(old):
            old.rename(folder)
        raise
    if os.path.lexists(old):
        old.rename(part)


def _exchanged(one: Path, other: Path) -> bool:
    """Exchange two names (renameat2(2), RENAME_EXCHANGE); whether this system and its device can. Raises OSError."""
    rename = getattr(ctypes.CDLL(None, use_errno=True), "renameat2", None)
    if rename is None:
        return False
    if rename(_HERE, os.fsencode(one), _HERE, os.fsencode(other), _RENAME_EXCHANGE) == 0:
        return True
    fault = ctypes.get_errno()
    if fault in (errno.ENOSYS, errno.EINVAL, errno.ENOTSUP):
        return False
    raise OSError(fault, os.strerror(fault), str(other))


def give_name(part: BinaryIO, place: Path) -> None:
    """Give a synced file its name and sync the folder. Raises OSError."""
    Path(part.name).replace(place)
    sync_folder(place.parent)


def make_folder(folder: Path) -> list[Path]:
    """Make a folder and those above it that are wanting, each synced; returns the new ones. Raises OSError."""
    made: list[Path] = []
    try:
        for place in reversed([place for place in (folder, *folder.parents) if not place.exists()]):
            with suppress(FileExistsError):  # made by another meanwhile
                place.mkdir()
                made.append(place)
            sync_folder(place.parent)
        if not folder.is_dir():
            raise NotADirectoryError(errno.ENOTDIR, os.strerror(errno.ENOTDIR), str(folder))
    except BaseException:
        remove_folders(made)
        raise
    return made


def remove_folders(folders: list[Path]) -> None:
    """Take folders away that were only just made, but for those something was put in."""
    for place in reversed(folders):
        with suppress(OSError):
            place.rmdir()


def write_whole(path: Path, content: bytes) -> None:
    """Write the bytes and give them the name at the end. Raises ShelfFault, and then nothing is left behind."""
    with written_whole(path) as part:
        part.write(content)


@contextmanager
def written_whole(path: Path, *, what: str = "", remedy: str = "choose a place you may write to") -> Iterator[BinaryIO]:
    """A file that gets its name when all is in it. Raises ShelfFault, and then nothing is left behind.

    Args:
        what: what cannot be written, for the fault.
        remedy: what to do then.
    """
    try:
        with in_the_making(path.parent) as part:
            yield part
            sync(part)
            give_name(part, path)
    except (OSError, ValueError) as fault:
        raise ShelfFault(
            f"{what}cannot be written ({getattr(fault, 'strerror', None) or fault})", where=str(path), remedy=remedy
        ) from fault


def left_behind(path: Path, older_than_s: float | None = None) -> bool:
    """Whether a temporary file or folder is one of a program that has ended: nobody holds it, and it is not new.

    Where nobody can say whether it is held, only its age tells. One that has gone meanwhile is not left behind.
    """
    try:
        if not is_part(path.name):
            return False
        held = _is_held(path)
        least_s = _UNKNOWN_S if held is None else _NEW_S if older_than_s is None else older_than_s
        return not held and time.time() - path.lstat().st_mtime >= least_s
    except OSError:
        return False


def _is_held(path: Path) -> bool | None:
    """Whether a program holds the file or folder; None where that cannot be known."""
    if fcntl is None or path.is_symlink():
        return None
    handle = os.open(path, os.O_RDONLY | os.O_NOFOLLOW | os.O_NONBLOCK)
    try:
        fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        return True
    except OSError:
        return None
    finally:
        os.close(handle)
    return False


def _hold(handle: int) -> None:
    if fcntl is not None:
        # some file systems know no such locks: then age alone tells
        with suppress(OSError):
            fcntl.flock(handle, fcntl.LOCK_EX)
