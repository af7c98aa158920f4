"""The keeper's own limits: a file in the format of tolerances.toml, in the shelf's folder or named."""

from __future__ import annotations

from pathlib import Path

from indexhole.shelf.files.inside import read_if_there
from indexhole.shelf.register.shelf import Shelf
from indexhole.shelf.sheets.sheet_text import decode_sheet, sheet_text
from indexhole.standards.tolerances import LIBRARY, Tolerances, parse_own

LIMITS_FILE = "tolerances.toml"  # its name in a shelf's folder
_LARGEST_BYTES = 1 << 20


def read_tolerances(path: Path) -> Tolerances:
    """The limits of a file in place of the library's. Raises InputFault with one clear line."""
    text = sheet_text(path, named="the file of limits", largest_bytes=_LARGEST_BYTES, remedy="keep only limits in it")
    return parse_own(text, str(path))


def kept_file(shelf: Shelf) -> bytes:
    """The bytes of the file in the shelf's folder; empty when there is none.

    Raises ShelfFault for one that is too large, a link, or cannot be read.
    """
    return read_if_there(shelf.folder, LIMITS_FILE, largest_bytes=_LARGEST_BYTES) or b""


def kept_tolerances(shelf: Shelf) -> Tolerances:
    """The limits of the file in the shelf's folder in place of the library's; the library's when there is none.

    Raises InputFault or ShelfFault with one clear line.
    """
    held = kept_file(shelf)
    if not held:
        return LIBRARY
    where = str(shelf.folder / LIMITS_FILE)
    return parse_own(decode_sheet(held, where=where), where)
