"""The whole shelf in one file and back: every table as lines of JSON, every kept file, and a SHA-256 of each.

A backup does not depend on the database: one of a file of one's own can be restored to a shared register, and back.

manifest.json                 what it is, the schema, rows of each table, bytes and SHA-256 of each member
register/<table>.jsonl        a row a line, in order
files/<path in the folder>    captures, photos, copies of what was taken out
"""

from __future__ import annotations

import hashlib
import json
import secrets
import shutil
import zipfile
import zlib
from collections.abc import Iterator
from contextlib import AbstractContextManager, contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime
from itertools import islice
from pathlib import Path, PurePosixPath
from typing import Any, BinaryIO

from pydantic import BaseModel, ConfigDict, Field, ValidationError
from sqlalchemy import Boolean, Connection, DateTime, MetaData, Table, insert, select
from sqlalchemy.exc import SQLAlchemyError

from indexhole import __version__
from indexhole.errors import InputFault, ShelfFault
from indexhole.shelf.additions import PHOTOS
from indexhole.shelf.captures import CAPTURES
from indexhole.shelf.database import NEWEST, begin_register, bring_up_to_date, migrate, refuse_newer
from indexhole.shelf.files import written_whole
from indexhole.shelf.journal import packed
from indexhole.shelf.leaving import REMOVED
from indexhole.shelf.places import Place
from indexhole.shelf.records import now
from indexhole.shelf.register import Shelf
from indexhole.shelf.tables import metadata

FORMAT = "indexhole shelf backup"
MANIFEST = "manifest.json"
LARGEST_MANIFEST_BYTES = 256 << 20
_FOLDERS = (CAPTURES, PHOTOS, REMOVED)
_PIECE = 1 << 20
_BATCH = 5000
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
    """What was backed up or restored: rows of the register, files, and bytes of all."""

    rows: int
    files: int
    bytes: int


def back_up(shelf: Shelf, path: Path) -> Backed:
    """Write the shelf as it is at this moment, whole or not at all. Raises ShelfFault.

    Others may go on writing: the register is read as of one moment, for which they wait, then the files, and a file
    that has its name never changes.
    """
    remedy = "choose a place you may write to, with room enough"
    with written_whole(path, what="the backup ", remedy=remedy) as part:
        manifest = _write(shelf, part)
    return _told(manifest)


def _write(shelf: Shelf, part: BinaryIO) -> Manifest:
    rows: dict[str, int] = {}
    members: dict[str, Member] = {}
    with zipfile.ZipFile(part, "w", zipfile.ZIP_DEFLATED, allowZip64=True) as packed_up:
        with shelf.reading() as connection:
            for table in metadata.sorted_tables:
                name = f"register/{table.name}.jsonl"
                rows[table.name], members[name] = _write_table(packed_up, name, connection, table)
        for place, source in _files(shelf.folder):
            members[place] = _write_file(packed_up, place, source)
        manifest = Manifest(
            format=FORMAT, form=1, version=__version__, table_schema=NEWEST, made_utc=now(), rows=rows, members=members
        )
        packed_up.writestr(MANIFEST, manifest.model_dump_json(indent=1))
    return manifest


def _write_table(packed_up: zipfile.ZipFile, name: str, connection: Connection, table: Table) -> tuple[int, Member]:
    digest, size, count = hashlib.sha256(), 0, 0
    with packed_up.open(name, "w", force_zip64=True) as member:
        for row in connection.execute(select(table).order_by(table.c.row)).mappings():
            line = (packed(dict(row)) + "\n").encode()
            member.write(line)
            digest.update(line)
            size, count = size + len(line), count + 1
    return count, Member(bytes=size, sha256=digest.hexdigest())


def _files(folder: Path) -> Iterator[tuple[str, Path]]:
    for name in _FOLDERS:
        for path in sorted((folder / name).rglob("*")):
            # what is in the making has no name yet
            if path.is_file() and not path.name.startswith(".part-"):
                yield f"files/{path.relative_to(folder).as_posix()}", path


def _write_file(packed_up: zipfile.ZipFile, name: str, source: Path) -> Member:
    digest, size = hashlib.sha256(), 0
    held = zipfile.ZipInfo(name, (1980, 1, 1, 0, 0, 0))
    # captures are packed already
    held.compress_type = zipfile.ZIP_STORED
    with source.open("rb") as content, packed_up.open(held, "w", force_zip64=True) as member:
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


def restore(path: Path, place: Place) -> Backed:
    """Make the shelf of a backup anew at a place that holds none, whole or not at all.

    The backup is checked first. One of an older version is brought up to date. Raises InputFault or ShelfFault.
    """
    manifest = check_backup(path)
    with (
        _opened(path) as packed_up,
        _folder_of(place.folder, packed_up, manifest) as folder,
        _begun(place, folder) as connection,
    ):
        _fill(connection, packed_up, manifest, str(path))
    return _told(manifest)


def _begun(place: Place, folder: Path) -> AbstractContextManager[Connection]:
    if not place.address:
        return begin_register(folder)
    from indexhole.shelf.postgres import begin_shared

    return begin_shared(place)


@contextmanager
def _folder_of(folder: Path, packed_up: zipfile.ZipFile, manifest: Manifest) -> Iterator[Path]:
    """A folder beside the one wanted, holding the files; it takes the wanted name when the block ends well."""
    unfinished = folder.parent / f".part-{secrets.token_hex(4)}"
    try:
        if folder.exists() and (not folder.is_dir() or any(folder.iterdir())):
            remedy = "name an empty folder with --shelf"
            raise ShelfFault("something stands here already", where=str(folder), remedy=remedy)
        try:
            unfinished.mkdir(parents=True)
            for name in manifest.members:
                if name.startswith("files/"):
                    target = unfinished / name.removeprefix("files/")
                    target.parent.mkdir(parents=True, exist_ok=True)
                    with packed_up.open(name) as content, target.open("xb") as part:
                        shutil.copyfileobj(content, part, _PIECE)
            yield unfinished
            if folder.exists():
                folder.rmdir()
            unfinished.rename(folder)
        finally:
            shutil.rmtree(unfinished, ignore_errors=True)
    except (OSError, ValueError) as fault:
        raise ShelfFault(
            f"the shelf cannot be restored here ({getattr(fault, 'strerror', None) or fault})",
            where=str(folder),
            remedy="name a folder you may make, with room enough",
        ) from fault


def _fill(connection: Connection, packed_up: zipfile.ZipFile, manifest: Manifest, where: str) -> None:
    """Put the rows into tables as they were when it was made, then bring those up to date."""
    migrate(connection, f"{manifest.table_schema:04}")
    held = MetaData()
    try:
        held.reflect(connection, only=list(manifest.rows))
        for table in held.sorted_tables:
            with packed_up.open(f"register/{table.name}.jsonl") as lines:
                while rows := [_values(table, json.loads(line)) for line in islice(lines, _BATCH)]:
                    connection.execute(insert(table), rows)
    except (SQLAlchemyError, LookupError, TypeError, AttributeError, ValueError, ArithmeticError) as fault:
        raise InputFault("holds rows that no register can have", where=where, remedy=_REMEDY) from fault
    bring_up_to_date(connection)


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
    except (zipfile.BadZipFile, zlib.error, EOFError, NotImplementedError, RuntimeError, UnicodeDecodeError) as fault:
        raise InputFault("is no whole backup of a shelf", where=str(path), remedy=_REMEDY) from fault
    except OSError as fault:
        raise InputFault(
            f"cannot be read ({fault.strerror or fault})", where=str(path), remedy="check the name and that you may"
        ) from fault


def _manifest(packed_up: zipfile.ZipFile, path: Path) -> Manifest:
    """The manifest, its members those of the file. Raises InputFault."""
    entries = {entry.filename: entry for entry in packed_up.infolist()}
    head = entries.get(MANIFEST)
    if head is None or head.file_size > LARGEST_MANIFEST_BYTES or len(entries) != len(packed_up.infolist()):
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
    parts = PurePosixPath(name).parts
    return (
        len(parts) > 2
        and parts[0] == "files"
        and parts[1] in _FOLDERS
        and ".." not in parts
        and "\\" not in name
        and ":" not in name
        and "/".join(parts) == name
    )


def _told(manifest: Manifest) -> Backed:
    files = sum(name.startswith("files/") for name in manifest.members)
    return Backed(sum(manifest.rows.values()), files, sum(member.bytes for member in manifest.members.values()))
