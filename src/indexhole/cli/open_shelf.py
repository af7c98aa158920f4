"""Opening the shelf for a verb: a new one is started only by what adds to it, and not left behind by a fault."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from contextvars import ContextVar
from pathlib import Path

from indexhole.cli.present import remark
from indexhole.errors import IndexholeError
from indexhole.shelf.register.address import shelf_address
from indexhole.shelf.register.database import REGISTER
from indexhole.shelf.register.shelf import Shelf

# who changes something and why, as said before the command
_SIGNED: ContextVar[tuple[str, str]] = ContextVar("signed", default=("", ""))


def sign_changes(who: str, why: str) -> None:
    """Keep who makes the changes of this run, and why, for the journal."""
    _SIGNED.set((who, why))


@contextmanager
def opened_shelf(folder: Path | None, *, create: bool = False) -> Iterator[Shelf]:
    """The shelf in the folder or at the address (None: the default one). With `create` a missing one is started.

    One that was started goes again when the block ends in a fault of the input.
    """
    new = create and not has_shelf(folder)
    shelf = Shelf.open(folder, create=create).signed(*_SIGNED.get())
    try:
        yield shelf
    except IndexholeError:
        if new:
            shelf.discard()
        raise
    if new:
        remark(f"started a new shelf in {shelf.at.label}")


def has_shelf(folder: Path | None) -> bool:
    """Whether a register stands in the folder (None: the default one)."""
    at = shelf_address(folder)
    if at.address:
        from indexhole.shelf.register.postgres import stands

        return stands(at)
    return (at.folder / REGISTER).exists()
