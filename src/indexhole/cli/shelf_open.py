"""Opening the shelf for a verb: a new one is started only by what adds to it, and not left behind by a fault."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from indexhole.cli.present import remark
from indexhole.errors import IndexholeError
from indexhole.shelf.database import REGISTER
from indexhole.shelf.records import Record
from indexhole.shelf.register import Shelf, default_folder
from indexhole.shelf.tables import TABLES


@contextmanager
def opened_shelf(folder: Path | None, *, create: bool = False) -> Iterator[Shelf]:
    """The shelf in the folder (None: the default one). With `create` a missing one is started.

    One that was started goes again when the block ends in a fault of the input.
    """
    place = default_folder() if folder is None else folder
    new = create and not has_shelf(place)
    shelf = Shelf.open(place, create=create)
    try:
        yield shelf
    except IndexholeError:
        if new:
            shelf.discard()
        raise
    if new:
        remark(f"started a new shelf in {place}")


def has_shelf(folder: Path | None) -> bool:
    """Whether a register stands in the folder (None: the default one)."""
    return ((default_folder() if folder is None else folder) / REGISTER).exists()


def kind_of(word: str) -> type[Record]:
    """The kind of record a word on the command line means."""
    return next(kind for kind in TABLES if word == kind.WORD)
