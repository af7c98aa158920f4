"""The sheet of measurements in the shelf's folder."""

from __future__ import annotations

from typing import TYPE_CHECKING

from indexhole.levelling.measurements import KEPT
from indexhole.shelf.files.inside import read_if_there

if TYPE_CHECKING:
    from indexhole.shelf.register.shelf import Shelf

LARGEST_BYTES = 4 << 20


def kept_sheet(shelf: Shelf) -> bytes:
    """Its bytes; empty when there is none. Raises ShelfFault for one that is too large, a link, or cannot be read."""
    return read_if_there(shelf.folder, KEPT, largest_bytes=LARGEST_BYTES) or b""


def where_kept(shelf: Shelf) -> str:
    """Where it is or would be, for faults."""
    return str(shelf.folder / KEPT)
