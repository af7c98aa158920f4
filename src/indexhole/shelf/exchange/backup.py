"""The whole shelf in one file and back: every table as lines of JSON, every kept file, and a SHA-256 of each.

A backup does not depend on the database: one of a file of one's own can be restored to a shared register, and back.

manifest.json                 what it is, the schema, rows of each table, bytes and SHA-256 of each member
register/<table>.jsonl        a row a line, in order
files/<path in the folder>    captures, photos, copies of what was taken out
"""

from __future__ import annotations

import hashlib
import json
import shutil
import zipfile
import zlib
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import IO, Any, BinaryIO

from pydantic import BaseModel, ConfigDict, Field, ValidationError
from sqlalchemy import Boolean, Connection, DateTime, MetaData, Table, insert, select
from sqlalchemy.exc import SQLAlchemyError

from indexhole import __version__
from indexhole.errors import Do, InputFault, ShelfFault
from indexhole.shelf.care.photos import MEDIA_TYPES
from indexhole.shelf.files.inside import (
    CAPTURES,
    FOLDERS,
    PHOTOS,
    files_inside,
    is_plain_file,
    leads_inside,
    open_inside,
)
from indexhole.shelf.files.writing import (
    folder_in_the_making,
    is_part,
    make_folder,
    remove_folders,
    sync_folder,
    sync_tree,
    written_whole,
)
from indexhole.shelf.records.additions import Photo
from indexhole.shelf.records.records import CaptureRecord, now
from indexhole.shelf.register.address import ShelfAddress
from indexhole.shelf.register.database import NEWEST, begin_register, bring_up_to_date, migrate, refuse_newer
from indexhole.shelf.register.entries import read_records
from indexhole.shelf.register.journal import packed
from indexhole.shelf.register.shelf import Shelf
from indexhole.shelf.register.tables import metadata

FORMAT = "indexhole shelf backup"
MANIFEST = "manifest.json"
# a hundred thousand files take a quarter of it
LARGEST_MANIFEST_BYTES = 64 << 20
# the longest row there can be, one of the journal with every field of a unit full twice, takes half of it
LARGEST_ROW_BYTES = 16 << 20
_PIECE = 1 << 20
_BATCH, _BATCH_BYTES = 5000, 8 << 20
# how members may be packed; what else archives know, this program never wrote
_METHODS = (zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED)
_REMEDY = "use another backup; this one is left as it is"


class Member(BaseModel):
    """A member of a backup."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    bytes: int = Field(ge=0)
    sha256: str = Field(pattern="^[0-9a-f]{64}$")


class Manifest(BaseModel):
    """What a backup holds."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    format: str
    form: int
    version: str
    # of the first schema that is backed up so, and every later one
    table_schema: int = Field(ge=6, le=9999)
    made_utc: datetime
    rows: dict[str, int]
    members: dict[str, Member]


@dataclass(frozen=True, slots=True)
class Backed:
    """What was backed up or restored: rows of the register, files, and bytes of all.

    `left_out` are paths in the shelf's folder that no backup can hold: links, and names that lead elsewhere.
    """

    rows: int
    files: int
    bytes: int
    left_out: tuple[str, ...] = ()


def back_up(shelf: Shelf, path: Path) -> Backed:
    """Write the shelf as it is at this moment, whole or not at all. Raises ShelfFault.

    Others may go on writing: the register is read as of one moment, for which they wait, then the files, and a file
    that has its name never changes.
    """
    remedy = "choose a place you may write to, with room enough"
    with written_whole(path, what="the backup ", remedy=remedy) as part:
        manifest, left_out = _write(shelf, part)
    return replace(_told(manifest), left_out=tuple(left_out))


def _write(shelf: Shelf, part: BinaryIO) -> tuple[Manifest, list[str]]:
    rows: dict[str, int] = {}
    members: dict[str, Member] = {}
    with zipfile.ZipFile(part, "w", zipfile.ZIP_DEFLATED, allowZip64=True) as packed_up:
        with shelf.reading() as connection:
            for table in metadata.sorted_tables:
                name = f"register/{table.name}.jsonl"
                rows[table.name], members[name] = _write_table(packed_up, name, connection, table)
        there = list(_files(shelf.folder))
        left_out = [path for path in there if not (is_plain_file(shelf.folder, path) and leads_inside(path))]
        for path in sorted(set(there) - set(left_out)):
            name = f"files/{path}"
            members[name] = _write_file(packed_up, name, shelf.folder, path)
        manifest = Manifest(
            format=FORMAT, form=1, version=__version__, table_schema=NEWEST, made_utc=now(), rows=rows, members=members
        )
        packed_up.writestr(MANIFEST, manifest.model_dump_json(indent=1))
    return manifest, left_out


def _write_table(packed_up: zipfile.ZipFile, name: str, connection: Connection, table: Table) -> tuple[int, Member]:
    digest, size, count = hashlib.sha256(), 0, 0
    with packed_up.open(name, "w", force_zip64=True) as member:
        for row in connection.execute(select(table).order_by(table.c.row)).mappings():
            line = (packed(dict(row)) + "\n").encode()
            member.write(line)
            digest.update(line)
            size, count = size + len(line), count + 1
    return count, Member(bytes=size, sha256=digest.hexdigest())


def _files(folder: Path) -> Iterator[str]:
    """Paths of what lies in the shelf's folders, but for what is in the making and has no name yet."""
    for name in FOLDERS:
        yield from (path for path in files_inside(folder, name) if not is_part(Path(path).name))


def _write_file(packed_up: zipfile.ZipFile, name: str, folder: Path, path: str) -> Member:
    digest, size = hashlib.sha256(), 0
    held = zipfile.ZipInfo(name, (1980, 1, 1, 0, 0, 0))
    # captures are packed already
    held.compress_type = zipfile.ZIP_STORED
    with open_inside(folder, path) as content, packed_up.open(held, "w", force_zip64=True) as member:
        while piece := content.read(_PIECE):
            member.write(piece)
            digest.update(piece)
            size += len(piece)
    return Member(bytes=size, sha256=digest.hexdigest())


def check_backup(path: Path) -> Manifest:
    """Read a backup through and compare every SHA-256; returns what it holds.

    Raises InputFault for what is no backup, or one in which anything is missing, added or changed.
    """
    with _opened(path) as packed_up:
        manifest = _manifest(packed_up, path)
        for name, member in manifest.members.items():
            digest, size = hashlib.sha256(), 0
            with packed_up.open(name) as content:
                while piece := content.read(_PIECE):
                    digest.update(piece)
                    size += len(piece)
            if (size, digest.hexdigest()) != (member.bytes, member.sha256):
                raise InputFault(f"{name} in it has changed", where=str(path), remedy=_REMEDY)
    return manifest


def restore(path: Path, at: ShelfAddress) -> Backed:
    """Make the shelf of a backup anew at a place that holds none, whole or not at all.

    The backup is checked first. One of an older version is brought up to date. Raises InputFault or ShelfFault.
    """
    manifest = check_backup(path)
    with _opened(path) as packed_up, _making(at.folder, packed_up, manifest) as unfinished:
        if not at.address:
            with begin_register(unfinished) as connection:
                _fill(connection, packed_up, manifest, str(path))
            _publish(unfinished, at.folder)
        else:
            from indexhole.shelf.register.postgres import begin_shared

            with begin_shared(at) as connection:
                _fill(connection, packed_up, manifest, str(path))
                # before the rows are kept: none may name a file that is not there
                _publish(unfinished, at.folder)
    return _told(manifest)


@contextmanager
def _making(folder: Path, packed_up: zipfile.ZipFile, manifest: Manifest) -> Iterator[Path]:
    """A folder beside the one wanted, holding the files, all on the device; it goes at the end unless it was named."""
    try:
        if folder.is_symlink() or (folder.exists() and (not folder.is_dir() or any(folder.iterdir()))):
            remedy = Do.EMPTY_SHELF
            raise ShelfFault("something stands here already", where=str(folder), remedy=remedy)
        made = make_folder(folder.parent)
        try:
            with folder_in_the_making(folder.parent) as unfinished:
                _refuse_too_large(unfinished, manifest)
                for name in manifest.members:
                    if name.startswith("files/"):
                        _unpack(packed_up, name, unfinished / name.removeprefix("files/"))
                yield unfinished
        finally:
            if not folder.exists():
                remove_folders(made)
    except (OSError, ValueError) as fault:
        raise ShelfFault(
            f"the shelf cannot be restored here ({getattr(fault, 'strerror', None) or fault})",
            where=str(folder),
            remedy="name a folder you may make, with room enough",
        ) from fault


def _refuse_too_large(folder: Path, manifest: Manifest) -> None:
    """Raise ShelfFault for more than the device has room for, before any of it is written."""
    needed, free = sum(member.bytes for member in manifest.members.values()), shutil.disk_usage(folder).free
    if needed > free:
        raise ShelfFault(
            f"the backup unpacks to {needed >> 20} MiB, and {free >> 20} MiB are free",
            where=str(folder.parent),
            remedy="make room, or name a folder on another device",
        )


def _unpack(packed_up: zipfile.ZipFile, name: str, target: Path) -> None:
    target.parent.mkdir(parents=True, exist_ok=True)
    with packed_up.open(name) as content, target.open("xb") as part:
        shutil.copyfileobj(content, part, _PIECE)


def _publish(unfinished: Path, folder: Path) -> None:
    """Give the folder its name, which an empty one may have had; names and bytes are on the device then."""
    sync_tree(unfinished)
    unfinished.rename(folder)
    sync_folder(folder.parent)


def _fill(connection: Connection, packed_up: zipfile.ZipFile, manifest: Manifest, where: str) -> None:
    """Put the rows into tables as they were when it was made, then bring those up to date and check their paths."""
    migrate(connection, f"{manifest.table_schema:04}")
    held = MetaData()
    try:
        held.reflect(connection, only=list(manifest.rows))
        for table in held.sorted_tables:
            with packed_up.open(f"register/{table.name}.jsonl") as lines:
                for rows in _batches(lines, table.name, where):
                    connection.execute(insert(table), [_values(table, json.loads(line)) for line in rows])
    except (
        SQLAlchemyError,
        LookupError,
        TypeError,
        AttributeError,
        ValueError,
        ArithmeticError,
        RecursionError,
    ) as fault:
        raise InputFault("holds rows that no register can have", where=where, remedy=_REMEDY) from fault
    bring_up_to_date(connection)
    for capture in read_records(connection, CaptureRecord):
        if not all(leads_inside(path, CAPTURES) for path in (capture.parquet, capture.original or capture.parquet)):
            raise _strange(capture, where)
    for photo in read_records(connection, Photo):
        if not leads_inside(photo.file, PHOTOS) or photo.media_type not in MEDIA_TYPES:
            raise _strange(photo, where)


def _batches(lines: IO[bytes], table: str, where: str) -> Iterator[list[bytes]]:
    """Lines of a member, so many at a time as memory takes. Raises InputFault for one that is too long."""
    batch: list[bytes] = []
    size = 0
    while line := lines.readline(LARGEST_ROW_BYTES + 1):
        if len(line) > LARGEST_ROW_BYTES:
            raise InputFault(
                f"a row of {table} in it is longer than {LARGEST_ROW_BYTES >> 20} MiB", where=where, remedy=_REMEDY
            )
        batch.append(line)
        size += len(line)
        if len(batch) >= _BATCH or size >= _BATCH_BYTES:
            yield batch
            batch, size = [], 0
    if batch:
        yield batch


def _strange(record: CaptureRecord | Photo, where: str) -> InputFault:
    return InputFault(
        f"{record.WORD} {record.key[:16]} in it names a file that is none of a shelf's", where=where, remedy=_REMEDY
    )


def _values(table: Table, row: dict[str, Any]) -> dict[str, Any]:
    for column in table.c:
        value = row.get(column.name)
        if isinstance(column.type, DateTime) and value is not None:
            row[column.name] = datetime.fromisoformat(value).astimezone(UTC).replace(tzinfo=None)
        elif isinstance(column.type, Boolean) and value is not None:
            row[column.name] = bool(value)
    return row


@contextmanager
def _opened(path: Path) -> Iterator[zipfile.ZipFile]:
    try:
        with zipfile.ZipFile(path) as packed_up:
            yield packed_up
    except (zipfile.BadZipFile, zlib.error, EOFError, NotImplementedError, RuntimeError, UnicodeError) as fault:
        raise InputFault("is no whole backup of a shelf", where=str(path), remedy=_REMEDY) from fault
    except OSError as fault:
        raise InputFault(
            f"cannot be read ({fault.strerror or fault})", where=str(path), remedy="check the name and that you may"
        ) from fault


def _manifest(packed_up: zipfile.ZipFile, path: Path) -> Manifest:
    """The manifest, its members those of the file. Raises InputFault."""
    entries = {entry.filename: entry for entry in packed_up.infolist()}
    head = entries.get(MANIFEST)
    known = all(entry.compress_type in _METHODS for entry in packed_up.infolist())
    if (
        not known
        or head is None
        or head.file_size > LARGEST_MANIFEST_BYTES
        or len(entries) != len(packed_up.infolist())
    ):
        raise InputFault("is no backup of a shelf", where=str(path), remedy=_REMEDY)
    try:
        manifest = Manifest.model_validate_json(packed_up.read(MANIFEST))
    except ValidationError as fault:
        raise InputFault("is no backup of a shelf", where=str(path), remedy=_REMEDY) from fault
    if manifest.format != FORMAT or manifest.form != 1:
        raise InputFault("is no backup this indexhole knows", where=str(path), remedy="use the newer one")
    refuse_newer(manifest.table_schema, str(path))
    wanted = {*manifest.members, MANIFEST}
    tables = {f"register/{name}.jsonl" for name in manifest.rows}
    strange = (set(entries) ^ wanted) | (tables - wanted)
    strange |= {name for name in manifest.members if not (name in tables or _is_file(name))}
    there = {name: manifest.members[name] for name in set(entries) & set(manifest.members)}
    strange |= {name for name, member in there.items() if entries[name].file_size != member.bytes}
    if strange:
        raise InputFault(f"{min(strange)} in it is missing, added or changed", where=str(path), remedy=_REMEDY)
    return manifest


def _is_file(name: str) -> bool:
    """Whether a member is a file of one of the shelf's folders, and leads nowhere else."""
    return any(leads_inside(name, f"files/{folder}") for folder in FOLDERS)


def _told(manifest: Manifest) -> Backed:
    files = sum(name.startswith("files/") for name in manifest.members)
    return Backed(sum(manifest.rows.values()), files, sum(member.bytes for member in manifest.members.values()))
