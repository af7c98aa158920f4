"""What nobody needs in and beside the shelf's folder: temporary files of killed commands, files that no entry names.

Only this takes a file away, and only under the register's lock: then nobody is between naming a file and keeping the
entry that names it.
"""

from __future__ import annotations

import re
import shutil
from collections.abc import Iterator, Sequence
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path

from sqlalchemy import Connection, select

from indexhole.errors import ShelfFault
from indexhole.shelf.files.inside import CAPTURES, FOLDERS, PHOTOS, files_inside
from indexhole.shelf.files.writing import is_part, left_behind, sync_folder
from indexhole.shelf.register.journal import unpacked
from indexhole.shelf.register.shelf import Shelf
from indexhole.shelf.register.tables import captures, changed_rows, photos

# columns that name files
_NAMING = (captures.c.parquet, captures.c.original, photos.c.file)
# files of our own making; anything else was put there by somebody
_OWN = re.compile(
    r"captures/[0-9a-f]{16}(-[0-9a-f]{8})?\.parquet|captures/originals/[0-9a-f]{16}-.+|photos/[0-9a-f]{16}\..+"
)


@dataclass(frozen=True, slots=True)
class Leavings:
    """What is left in the shelf's folder, as paths in it; of what lies beside it, as whole paths.

    Attributes:
        unfinished: temporary files and folders of programs that have ended.
        unnamed: files of our own making that no entry names and that no undoing can bring back.
        undone: files of entries that were taken out or undone.
        others: files that the shelf did not make.
        links: symbolic links, which are neither followed nor packed.
    """

    unfinished: tuple[str, ...]
    unnamed: tuple[str, ...]
    undone: tuple[str, ...]
    others: tuple[str, ...]
    links: tuple[str, ...]

    @property
    def strays(self) -> tuple[str, ...]:
        """All files that no entry names."""
        return tuple(sorted((*self.unnamed, *self.undone, *self.others)))


def leavings(shelf: Shelf, also: Sequence[Path] = (), *, older_than_s: float | None = None) -> Leavings:
    """What is left behind in and beside the shelf's folder.

    Args:
        also: other folders that commands wrote to, whose temporary files are told too.
        older_than_s: only temporary files at least so old; else of a minute.
    """
    with shelf.reading() as connection:
        named, undone = _named(connection), _named_once(connection)
    return _sorted(shelf.folder, also, named, undone, older_than_s)


def sweep(
    shelf: Shelf, also: Sequence[Path] = (), *, unnamed: bool = False, older_than_s: float | None = None
) -> list[str]:
    """Remove temporary files left behind, and with `unnamed` the files that no entry names nor ever will again.

    Arguments as of `leavings`. Returns what is gone. Raises ShelfFault when something cannot be removed.
    """
    with shelf.holding() as connection:
        found = _sorted(shelf.folder, also, _named(connection), _named_once(connection), older_than_s)
        gone = [*found.unfinished, *(found.unnamed if unnamed else ())]
        for path in gone:
            _remove(shelf.folder / path)
        for folder in sorted({(shelf.folder / path).parent for path in gone}):
            with suppress(OSError):
                sync_folder(folder)
    return gone


def _sorted(
    folder: Path, also: Sequence[Path], named: set[str], undone: set[str], older_than_s: float | None
) -> Leavings:
    unfinished = [path for path in _parts(folder, also) if left_behind(folder / path, older_than_s)]
    links, unnamed = [], []
    for path in (path for name in FOLDERS for path in files_inside(folder, name)):
        if (folder / path).is_symlink():
            links.append(path)
        elif not is_part(Path(path).name) and path.startswith((CAPTURES, PHOTOS)) and path not in named:
            unnamed.append(path)
    return Leavings(
        tuple(unfinished),
        tuple(path for path in unnamed if path not in undone and _OWN.fullmatch(path)),
        tuple(path for path in unnamed if path in undone),
        tuple(path for path in unnamed if path not in undone and not _OWN.fullmatch(path)),
        tuple(links),
    )


def _parts(folder: Path, also: Sequence[Path]) -> Iterator[str]:
    """Temporary files in the shelf's folder, those of shelves begun beside it, and those in other folders."""
    yield from (name for name in _names(folder) if is_part(name))
    for where in dict.fromkeys(where.absolute() for where in (folder.absolute().parent, *also)):
        yield from (str(where / name) for name in _names(where) if is_part(name))
    for name in FOLDERS:
        yield from (path for path in files_inside(folder, name) if is_part(Path(path).name))


def _names(folder: Path) -> list[str]:
    try:
        return sorted(path.name for path in folder.iterdir())
    except OSError:
        return []


def _named(connection: Connection) -> set[str]:
    """Paths that entries name."""
    return {path for column in _NAMING for path in connection.execute(select(column)).scalars() if path}


def _named_once(connection: Connection) -> set[str]:
    """Paths that the journal names: undoing a change may bring back an entry that names them."""
    paths: set[str] = set()
    for table in (captures, photos):
        noted = connection.execute(
            select(changed_rows.c.before, changed_rows.c.after).where(changed_rows.c.table_name == table.name)
        )
        for row in (unpacked(table, text) for texts in noted for text in texts if text):
            paths |= {row[column.name] for column in _NAMING if column.table is table and row.get(column.name)}
    return paths


def _remove(path: Path) -> None:
    try:
        if path.is_dir() and not path.is_symlink():
            shutil.rmtree(path)
        else:
            path.unlink()
    except FileNotFoundError:
        return
    except OSError as fault:
        raise ShelfFault(
            f"cannot be removed ({fault.strerror})", where=str(path), remedy="check the rights on the folder"
        ) from fault
