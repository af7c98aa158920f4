"""Writing whole or not at all: bytes go to a temporary name beside the place, then take its name."""

from __future__ import annotations

import os
import secrets
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import BinaryIO

from indexhole.errors import ShelfFault


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
    unfinished = path.parent / f".part-{secrets.token_hex(4)}"
    try:
        try:
            with unfinished.open("xb") as part:
                yield part
                part.flush()
                os.fsync(part.fileno())
            unfinished.replace(path)
        finally:
            unfinished.unlink(missing_ok=True)
    except (OSError, ValueError) as fault:
        raise ShelfFault(
            f"{what}cannot be written ({getattr(fault, 'strerror', None) or fault})", where=str(path), remedy=remedy
        ) from fault
