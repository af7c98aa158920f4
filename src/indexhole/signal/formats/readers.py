"""Opens a capture file: the format is told from its first bytes, never by trying readers in turn."""

from __future__ import annotations

import hashlib
import stat
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, replace
from io import BufferedIOBase
from pathlib import Path

from indexhole.errors import Do, InputFault
from indexhole.signal.captures.capture import Capture
from indexhole.signal.captures.gather import EdgeSource, build_capture
from indexhole.signal.formats.options import ByteStream, ReadOptions
from indexhole.signal.formats.original import Original, Progress
from indexhole.signal.formats.read_csv import open_csv
from indexhole.signal.formats.read_npy import looks_like_npy, open_npy
from indexhole.signal.formats.read_raw import open_raw
from indexhole.signal.formats.read_vcd import looks_like_vcd, open_vcd
from indexhole.signal.formats.read_wav import looks_like_wav, open_wav
from indexhole.signal.formats.table import looks_like_table


@dataclass(frozen=True)
class Reader:
    """One format: its name, the endings it usually has, a cheap test on the first bytes, and the opening."""

    title: str
    endings: tuple[str, ...]
    claims: Callable[[bytes], bool]
    open: Callable[[ByteStream, str, ReadOptions], EdgeSource]


READERS = (
    Reader("value change dump", (".vcd",), looks_like_vcd, open_vcd),
    Reader("logger or oscilloscope table", (".csv", ".txt"), looks_like_table, open_csv),
    Reader("sound file", (".wav",), looks_like_wav, open_wav),
    Reader("array file", (".npy",), looks_like_npy, open_npy),
)
# Raw samples look like anything; only the keeper can tell.
RAW = Reader("raw logic samples", (".bin", ".raw"), lambda head: False, open_raw)


def sha256_of(path: Path) -> str:
    """SHA-256 of a file's bytes as they stand on the disk."""
    with path.open("rb") as stream:
        return sha256_of_open(stream)


def sha256_of_open(stream: BufferedIOBase) -> str:
    """SHA-256 of what is left to read of an open file."""
    return hashlib.file_digest(stream, "sha256").hexdigest()


def reader_for(head: bytes, options: ReadOptions, where: str) -> Reader:
    """The reader that claims a file by its first bytes. Raises InputFault when none does, or more than one."""
    if options.raw_hz is not None:
        return RAW
    claims = [reader for reader in READERS if reader.claims(head)]
    if len(claims) == 1:
        return claims[0]
    known = ", ".join(reader.title for reader in READERS)
    if claims:
        raise InputFault(f"could be {' or '.join(reader.title for reader in claims)}", where=where)
    raise InputFault(
        "not a capture this program reads",
        where=where,
        remedy=(f"give it one it reads: {known}, plain or gzip", Do.READ_RAW),
    )


@contextmanager
def opened(path: Path, options: ReadOptions, progress: Progress | None = None) -> Iterator[tuple[EdgeSource, Original]]:
    """A capture file being read, plain or gzip: its edges, and its bytes for their hash at the end.

    Raises:
        InputFault: also while reading: unreadable, empty, unknown or damaged file; the message names the place.
    """
    name = path.name
    try:
        with path.open("rb") as raw:
            about = path.stat()
            size = about.st_size if stat.S_ISREG(about.st_mode) else 0
            original = Original(raw, name, size, allow_cut=options.allow_cut, progress=progress)
            yield reader_for(original.head, options, name).open(original, name, options), original
    except OSError as fault:
        raise InputFault(
            f"cannot be read ({fault.strerror or fault})", where=str(path), remedy="check the path"
        ) from fault


def read_capture(
    path: Path,
    lines: Mapping[str, str] | None = None,
    *,
    allow_cut: bool = False,
    raw: float | None = None,
    sample_rate: float | None = None,
) -> Capture:
    """Read one capture file as a whole; `signal.dwells.flow.iter_dwells` reads files of any size.

    Args:
        path: the file, plain or gzip.
        lines: the keeper's choice of lines, our name (`read_data`, `index`, `step` ...) -> the file's name for
            it, or its channel or bit number.
        allow_cut: keep what can be read from a file that is cut short.
        raw: the file is raw logic samples at this rate, Hz.
        sample_rate: rate of a waveform, Hz, when the file does not say it or says it wrong.

    Raises:
        InputFault: unreadable, empty, unknown or damaged file; the message names the place.
    """
    options = ReadOptions(lines or {}, allow_cut, raw, sample_rate)
    with opened(path, options) as (source, original):
        capture = build_capture(source, path.name)
        return replace(capture, sha256=original.sha256())
