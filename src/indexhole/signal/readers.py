"""Opens a capture file: the format is told from its first bytes, never by trying readers in turn."""

from __future__ import annotations

import gzip
import hashlib
import zlib
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import BinaryIO, cast

from indexhole.errors import InputFault
from indexhole.signal.capture import Capture
from indexhole.signal.read_csv import looks_like_csv, read_csv
from indexhole.signal.read_vcd import looks_like_vcd, read_vcd


@dataclass(frozen=True)
class Reader:
    """One format: its name, the endings it usually has, a cheap test on the first bytes, and the reading."""

    title: str
    endings: tuple[str, ...]
    claims: Callable[[bytes], bool]
    read: Callable[..., Capture]


READERS = (
    Reader("value change dump", (".vcd",), looks_like_vcd, read_vcd),
    Reader("logger table", (".csv", ".txt"), looks_like_csv, read_csv),
)


def sha256_of(path: Path) -> str:
    """SHA-256 of a file's bytes as they stand on the disk."""
    with path.open("rb") as stream:
        return hashlib.file_digest(stream, "sha256").hexdigest()


def _reader_for(head: bytes, where: str) -> Reader:
    claims = [reader for reader in READERS if reader.claims(head)]
    if len(claims) == 1:
        return claims[0]
    known = ", ".join(reader.title for reader in READERS)
    if claims:
        raise InputFault(f"could be {' or '.join(reader.title for reader in claims)}", where=where)
    raise InputFault("not a capture this program reads", where=where, remedy=f"it reads: {known}, plain or gzip")


def read_capture(path: Path, lines: Mapping[str, str] | None = None, *, allow_cut: bool = False) -> Capture:
    """Read one capture file, plain or gzip.

    Args:
        path: the file.
        lines: the keeper's choice of lines, our name (`read_data`, `index`, `step` ...) -> the file's name.
        allow_cut: keep what can be read from a file that is cut short.

    Raises:
        InputFault: unreadable, empty, unknown or damaged file; the message names the place.
    """
    name = path.name
    try:
        with path.open("rb") as raw:
            if not (head := raw.read(2)):
                raise InputFault("the file is empty", where=name, remedy="log it again")
            raw.seek(0)
            stream = cast(BinaryIO, gzip.GzipFile(fileobj=raw)) if head == b"\x1f\x8b" else raw
            opening = stream.read(4096)
            if not opening:
                raise InputFault("the file is empty inside its gzip wrapper", where=name, remedy="log it again")
            reader = _reader_for(opening, name)
            stream.seek(0)
            capture = reader.read(stream, name, lines or {}, allow_cut=allow_cut)
    except EOFError as fault:
        raise InputFault("the gzip file is cut short", where=name, remedy="copy or log it again") from fault
    except (gzip.BadGzipFile, zlib.error) as fault:
        raise InputFault(f"the gzip file is damaged ({fault})", where=name, remedy="copy it again") from fault
    except OSError as fault:
        raise InputFault(
            f"cannot be read ({fault.strerror or fault})", where=str(path), remedy="check the path"
        ) from fault
    return replace(capture, sha256=sha256_of(path))
