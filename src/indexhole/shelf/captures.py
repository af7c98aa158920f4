"""Captures in the shelf's folder: the original bytes as they came, the pulses as Parquet, an entry for both.

captures/<first 16 of the SHA-256>.parquet
captures/originals/<first 16 of the SHA-256>-<name>
"""

from __future__ import annotations

import re
import secrets
import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal

from indexhole.errors import InputFault, ShelfFault
from indexhole.shelf.records import CaptureRecord, checked
from indexhole.shelf.register import Shelf
from indexhole.signal.capture import Capture
from indexhole.signal.readers import sha256_of

CAPTURES = "captures"
ORIGINALS = "captures/originals"

State = Literal["unchanged", "changed", "missing", "not kept"]


@dataclass(frozen=True, slots=True)
class Stored:
    """The entry of a capture, and whether it is new: a second one with the same SHA-256 is not kept twice."""

    record: CaptureRecord
    new: bool


@dataclass(frozen=True, slots=True)
class Checked:
    """What a check found of one capture; `what` says it in words, empty for one that is unchanged."""

    record: CaptureRecord
    state: State
    what: str = ""


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

    Raises InputFault or ShelfFault; then neither file nor entry is left behind.
    """
    with _refusals_told(shelf), _unfinished(shelf) as part:
        pulses, copied = Path(f"{part}.parquet"), Path(f"{part}.original")
        kept = source is not None and keep_original
        (shelf.folder / (ORIGINALS if kept else CAPTURES)).mkdir(parents=True, exist_ok=True)
        if source is not None and keep_original:
            shutil.copyfile(source, copied)
            digest = sha256_of(copied)
        elif source is not None:
            digest = sha256_of(source)
        else:
            _write_parquet(capture, pulses)
            digest = sha256_of(pulses)
        if source is not None and capture.sha256 not in ("", digest):
            raise InputFault("changed while it was being read", where=str(source), remedy="add it again")
        existing = shelf.find(CaptureRecord, digest)
        if existing is not None:
            return Stored(existing, new=False)
        if source is not None:
            _write_parquet(capture, pulses)
        record = _entry(digest, source, capture, pulses, kept, about)
        moves = [(pulses, shelf.folder / record.parquet)]
        if kept:
            moves.append((copied, shelf.folder / record.original))
        return _enter(shelf, record, moves)


def _entry(
    digest: str, source: Path | None, capture: Capture, pulses: Path, kept: bool, about: dict[str, Any]
) -> CaptureRecord:
    # a name may hold bytes that are no text, which the register could not keep
    name = (source.name if source is not None else capture.name).encode("utf-8", "backslashreplace").decode()
    parquet = f"{CAPTURES}/{digest[:16]}.parquet"
    original = f"{ORIGINALS}/{digest[:16]}-{_safe(name)}" if kept else "" if source is not None else parquet
    size = (source or pulses).stat().st_size
    return checked(
        CaptureRecord, sha256=digest, name=name, size_bytes=size, parquet=parquet, original=original, **about
    )


def _enter(shelf: Shelf, record: CaptureRecord, moves: list[tuple[Path, Path]]) -> Stored:
    """Give the files their names, then enter the record; files that were not there before go if that fails."""
    fresh = [place for _, place in moves if not place.exists()]
    try:
        for unfinished, place in moves:
            unfinished.replace(place)
        return Stored(*shelf.add_capture(record))
    except BaseException:
        for place in fresh:
            place.unlink(missing_ok=True)
        raise


def _write_parquet(capture: Capture, path: Path) -> None:
    from indexhole.signal.store import write_parquet

    write_parquet(capture, path)


def _safe(name: str) -> str:
    """A file name that every system takes; the name as it came stands in the entry."""
    return re.sub(r"[^A-Za-z0-9._-]+", "_", name)[-80:].lstrip(".") or "capture"


@contextmanager
def _unfinished(shelf: Shelf) -> Iterator[Path]:
    """A name for files in the making beside where they will stand; what still has it at the end is removed."""
    part = shelf.folder / CAPTURES / f".part-{secrets.token_hex(4)}"
    try:
        yield part
    finally:
        for left in part.parent.glob(f"{part.name}*"):
            left.unlink(missing_ok=True)


@contextmanager
def _refusals_told(shelf: Shelf) -> Iterator[None]:
    try:
        yield
    except OSError as fault:
        raise ShelfFault(
            f"the capture cannot be kept ({fault.strerror or fault})",
            where=str(fault.filename or shelf.folder),
            remedy="check the room and the rights there",
        ) from fault


def check_captures(shelf: Shelf) -> list[Checked]:
    """Hash every original again and say which are unchanged, changed, missing, or were not kept."""
    return [_check(shelf, record) for record in shelf.all(CaptureRecord)]


def _check(shelf: Shelf, record: CaptureRecord) -> Checked:
    if not (shelf.folder / record.parquet).is_file():
        return Checked(record, "missing", f"{record.parquet} is missing; add the capture again to make it anew")
    if not record.original:
        return Checked(record, "not kept", "the original was not kept; compare its SHA-256 where it is kept")
    try:
        digest = sha256_of(shelf.folder / record.original)
    except FileNotFoundError:
        return Checked(record, "missing", f"{record.original} is missing; put back a copy")
    except OSError as fault:
        return Checked(record, "missing", f"{record.original} cannot be read ({fault.strerror})")
    if digest != record.sha256:
        return Checked(record, "changed", f"{record.original} has changed: its SHA-256 is now {digest}")
    return Checked(record, "unchanged")


def strays(shelf: Shelf) -> list[str]:
    """Files in the captures folder that no entry names (an undone addition leaves its files), as relative paths."""
    named = {path for record in shelf.all(CaptureRecord) for path in (record.parquet, record.original)}
    folder = shelf.folder / CAPTURES
    found = (path.relative_to(shelf.folder).as_posix() for path in sorted(folder.rglob("*")) if path.is_file())
    return [path for path in found if path not in named]
