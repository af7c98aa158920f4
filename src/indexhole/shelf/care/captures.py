"""Captures in the shelf's folder: the original bytes as they came, the pulses as Parquet, an entry for both.

captures/<first 16 of the SHA-256>.parquet
captures/originals/<first 16 of the SHA-256>-<name>

Files are written and synced under temporary names. They get their own under the register's lock, in the transaction
that keeps the entry: whoever fails or gives up before has only temporary files to remove.
"""

from __future__ import annotations

import hashlib
import re
import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, BinaryIO

from indexhole.errors import Do, InputFault, ShelfFault
from indexhole.shelf.care.condition import check_capture
from indexhole.shelf.files.inside import CAPTURES, ORIGINALS, folder_inside, pulses_place, read_inside
from indexhole.shelf.files.writing import give_name, in_the_making, refusals_told, sync
from indexhole.shelf.records.records import CaptureRecord, checked
from indexhole.shelf.register.shelf import Shelf
from indexhole.signal.captures.capture import Capture
from indexhole.signal.formats.readers import sha256_of

if TYPE_CHECKING:
    from indexhole.shelf.care.mending import Mended


@dataclass(frozen=True, slots=True)
class Stored:
    """The entry of a capture, and whether it is new: a second one with the same SHA-256 is not kept twice.

    `mended` tells what was damaged or missing of the one that stood there, and is right again.
    """

    record: CaptureRecord
    new: bool
    mended: tuple[Mended, ...] = ()


def store_capture(
    shelf: Shelf, source: Path | None, capture: Capture, *, keep_original: bool = True, **about: Any
) -> Stored:
    """Keep a capture on the shelf.

    Args:
        shelf: the open shelf.
        source: the file it was read from; None for a simulated one, whose Parquet file is then the original.
        capture: what was read from it.
        keep_original: keep a copy of the original file, byte for byte.
        about: `disk`, `mechanism`, `cylinder`, `head`, `taken`, `note` of the entry, where known.

    Raises InputFault or ShelfFault; then no entry is left behind.
    """
    with refusals_told("the capture cannot be kept", shelf.folder), _original(shelf, source, keep_original) as original:
        if original is not None and capture.sha256 not in ("", original.sha256):
            raise InputFault("changed while it was being read", where=str(source), remedy="add it again")
        existing = shelf.find(CaptureRecord, original.sha256) if original is not None else None
        stored = Stored(existing, new=False) if existing else _keep(shelf, source, capture, original, about)
    return stored if stored.new or source is None else _mended_with(shelf, stored.record, source)


@dataclass(frozen=True, slots=True)
class _Original:
    """The original file: SHA-256 and length of its bytes, and a copy of it in the making where one is to be kept."""

    sha256: str
    size_bytes: int
    copy: BinaryIO | None


@contextmanager
def _original(shelf: Shelf, source: Path | None, keep: bool) -> Iterator[_Original | None]:
    if source is None or not keep:
        yield None if source is None else _Original(sha256_of(source), source.stat().st_size, None)
        return
    with in_the_making(folder_inside(shelf.folder, ORIGINALS)) as copy, source.open("rb") as content:
        shutil.copyfileobj(content, copy)
        sync(copy)
        # of the copy: that is what is kept
        yield _Original(sha256_of(Path(copy.name)), copy.tell(), copy)


def _keep(
    shelf: Shelf, source: Path | None, capture: Capture, original: _Original | None, about: dict[str, Any]
) -> Stored:
    from indexhole.signal.store import write_parquet

    with in_the_making(folder_inside(shelf.folder, CAPTURES)) as pulses:
        pulses_sha256 = write_parquet(capture, pulses)
        sync(pulses)
        parquet_sha256 = sha256_of(Path(pulses.name))
        told = original or _Original(parquet_sha256, pulses.tell(), None)
        # a name may hold bytes that are no text, which the register could not keep
        name = (source.name if source is not None else capture.name).encode("utf-8", "backslashreplace").decode()
        parquet = pulses_place(shelf.folder, told.sha256, parquet_sha256)
        copy_path = f"{ORIGINALS}/{told.sha256[:16]}-{_safe(name)}" if told.copy else "" if original else parquet
        sums = {"sha256": told.sha256, "pulses_sha256": pulses_sha256, "parquet_sha256": parquet_sha256}
        paths = {"parquet": parquet, "original": copy_path}
        record = checked(CaptureRecord, name=name, size_bytes=told.size_bytes, **sums, **paths, **about)

        def put() -> None:
            if told.copy is not None:
                give_name(told.copy, shelf.folder / record.original)
            give_name(pulses, shelf.folder / record.parquet)

        return Stored(*shelf.add_with_files(record, put))


def _safe(name: str) -> str:
    """A file name that every system takes; the name as it came stands in the entry."""
    return re.sub(r"[^A-Za-z0-9._-]+", "_", name)[-80:].lstrip(".") or "capture"


def _mended_with(shelf: Shelf, record: CaptureRecord, source: Path) -> Stored:
    """The capture that stands there already; what is damaged or missing of it is made anew from the same bytes."""
    if check_capture(shelf, record).sound:
        return Stored(record, new=False)
    from indexhole.shelf.care.mending import mend_capture

    told = mend_capture(shelf, record, source)
    return Stored(shelf.get(CaptureRecord, record.sha256), new=False, mended=told)


def read_pulses(shelf: Shelf, record: CaptureRecord) -> Capture:
    """The pulses of a capture on the shelf, proven to be those that were kept.

    Raises InputFault for a file that is missing, has changed, or is none of this shelf's.
    """
    from indexhole.signal.store import parse_parquet

    try:
        content = read_inside(shelf.folder, record.parquet, CAPTURES)
    except (OSError, ShelfFault) as fault:
        why = fault.what if isinstance(fault, ShelfFault) else fault.strerror or "it is missing"
        raise InputFault(
            f"its pulses, {record.parquet}, cannot be read ({why})", where=record.name, remedy=Do.MEND
        ) from fault
    proven = bool(record.parquet_sha256)
    if proven and hashlib.sha256(content).hexdigest() != record.parquet_sha256:
        raise InputFault(f"{record.parquet} has changed since it was kept", where=record.name, remedy=Do.MEND)
    return replace(parse_parquet(content, record.parquet, proven=proven), name=record.name, sha256=record.sha256)
