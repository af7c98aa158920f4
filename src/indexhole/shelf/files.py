"""Writing whole or not at all: bytes go to a temporary name beside the place, then take its name."""

from __future__ import annotations

import os
import secrets
from pathlib import Path

from indexhole.errors import ShelfFault


def write_whole(path: Path, content: bytes) -> None:
    """Write the bytes and give them the name at the end. Raises ShelfFault, and then nothing is left behind."""
    unfinished = path.parent / f".part-{secrets.token_hex(4)}"
    try:
        try:
            with unfinished.open("xb") as part:
                part.write(content)
                part.flush()
                os.fsync(part.fileno())
            unfinished.replace(path)
        finally:
            unfinished.unlink(missing_ok=True)
    except (OSError, ValueError) as fault:
        raise ShelfFault(
            f"cannot be written ({getattr(fault, 'strerror', None) or fault})",
            where=str(path),
            remedy="choose a place you may write to",
        ) from fault
