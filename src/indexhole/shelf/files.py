"""Writing whole or not at all: bytes go to a temporary name beside the place, then take its name."""

from __future__ import annotations

import os
from pathlib import Path
from tempfile import NamedTemporaryFile

from indexhole.errors import ShelfFault


def write_whole(path: Path, content: bytes) -> None:
    """Write the bytes and give them the name at the end. Raises ShelfFault, and then nothing is left behind."""
    try:
        with NamedTemporaryFile(dir=path.parent, prefix=".part-", delete=False) as part:
            unfinished = Path(part.name)
            try:
                part.write(content)
                part.flush()
                os.fsync(part.fileno())
                part.close()
                # the temporary name is private to its maker; the finished file follows the keeper's own habit
                unfinished.chmod(0o666 & ~_umask())
                unfinished.replace(path)
            except BaseException:
                unfinished.unlink(missing_ok=True)
                raise
    except OSError as fault:
        raise ShelfFault(
            f"cannot be written ({fault.strerror or fault})",
            where=str(path),
            remedy="choose a place you may write to",
        ) from fault


def _umask() -> int:
    mask = os.umask(0)
    os.umask(mask)
    return mask
