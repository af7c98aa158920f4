"""What a reader is to the fuzzer: a function of bytes that may refuse them in the program's own words, and no other."""

from __future__ import annotations

import tempfile
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from functools import cache
from pathlib import Path

from indexhole.errors import IndexholeError


@dataclass(frozen=True)
class Target:
    """A reader of outside data.

    Attributes:
        name: also of its folder under corpus and found.
        reads: what it is given, in words.
        read: the reader, called with the bytes; what it returns is let go.
        most_bytes: the longest input it is tried with.
    """

    name: str
    reads: str
    read: Callable[[bytes], object]
    most_bytes: int = 4096


def tried(target: Target, data: bytes) -> bool:
    """Whether the reader takes the bytes; False when it refuses them as it should. Anything else it raises passes."""
    try:
        target.read(data)
    except IndexholeError:
        return False
    return True


@cache
def _folder() -> tempfile.TemporaryDirectory[str]:
    # It goes with the process. In memory where there is such a place: a register waits for its disk at each change.
    memory = Path("/dev/shm")
    return tempfile.TemporaryDirectory(prefix="indexhole-fuzz-", dir=memory if memory.is_dir() else None)


def scratch() -> Path:
    """A folder of this process for what must be a file."""
    return Path(_folder().name)


@contextmanager
def as_file(data: bytes, name: str) -> Iterator[Path]:
    """The bytes as a file of that name, which goes when the block ends."""
    path = scratch() / name
    path.write_bytes(data)
    try:
        yield path
    finally:
        path.unlink(missing_ok=True)
