"""The register's file: made whole or not at all, brought up to date when opened, its faults put into words."""

from __future__ import annotations

import errno
import os
import re
import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any
from urllib.parse import quote

from sqlalchemy import Connection, Engine, NullPool, create_engine, event, text
from sqlalchemy.exc import DatabaseError, IntegrityError

from indexhole.errors import Do, InputFault, ShelfFault
from indexhole.shelf.files.writing import folder_in_the_making, make_folder, remove_folders, sync_folder
from indexhole.shelf.register import search

REGISTER = "register.sqlite"
_MIGRATIONS = Path(__file__).parents[1] / "migrations"
# the number of the last of the numbered changes, as its file is named
NEWEST = max(int(path.name[1:5]) for path in (_MIGRATIONS / "versions").glob("v[0-9]*.py"))
BUSY_S = 5.0
# written in the head of the file, so that another program's database is never taken for a register
APPLICATION_ID = 0x1D8E401E
OUT_OF_STEP = "the index of the search is out of step; make it anew with `indexhole shelf reindex`"
RESTORE = "put back a copy of the folder (docs/shelf.md says how one is made)"

_SAYINGS = (
    ("lock timeout", "another program is writing to it", "wait a moment and try again"),
    ("onnection", "the server does not answer or lets nobody in", "check the address, and that the server runs"),
    ("locked", "another program is writing to it", "wait a moment and try again"),
    ("readonly", "it may not be written", "check the rights on the folder"),
    ("full", "no room is left on the device", "make room and try again"),
    ("malformed", "the register is damaged", RESTORE),
    ("not a database", "this is not a register", Do.OTHER_SHELF),
    ("unable to open", "it cannot be opened", "check the rights on the folder"),
)


def _engine(path: Path, mode: str) -> Engine:
    # a URI with a mode: a plain path would quietly make an empty file of a mistyped name
    uri = f"file:{quote(os.fsencode(path.absolute()))}?mode={mode}"

    def connect() -> sqlite3.Connection:
        connection = sqlite3.connect(uri, uri=True, timeout=BUSY_S, check_same_thread=False, isolation_level=None)
        connection.execute("PRAGMA foreign_keys=ON")
        # a rollback journal, so that the shelf at rest is one file and opens from a read-only medium too; EXTRA also
        # syncs the folder when the journal goes, without which a loss of power can take back the last commit
        connection.execute("PRAGMA synchronous=EXTRA")
        # a long change stays in memory until it is whole: pages of it written early would shut readers out till then
        connection.execute("PRAGMA cache_spill=OFF")
        # a register from elsewhere may hold a schema made to harm (SQLite, "Defense Against The Dark Arts")
        connection.execute("PRAGMA trusted_schema=OFF")
        connection.execute("PRAGMA cell_size_check=ON")
        return connection

    engine = create_engine("sqlite://", creator=connect, poolclass=NullPool)

    @event.listens_for(engine, "begin")
    def _begin(connection: Connection) -> None:
        # the driver's own late BEGIN would let two writers read first and then block each other
        writing = connection.get_execution_options().get("writing", False)
        connection.exec_driver_sql("BEGIN IMMEDIATE" if writing else "BEGIN")

    return engine


@contextmanager
def transaction(engine: Engine, *, writing: bool, where: Path | str) -> Iterator[Connection]:
    """One transaction: all of it or nothing. Raises ShelfFault for what the file or its device refuses."""
    with faults_told(where), engine.connect().execution_options(writing=writing) as connection, connection.begin():
        yield connection


@contextmanager
def faults_told(where: Path | str) -> Iterator[None]:
    """Turn a refusal of the database, or text it cannot hold, into one line.

    A broken rule of the schema is our own fault and passes.
    """
    try:
        yield
    except IntegrityError:
        raise
    except UnicodeEncodeError as fault:
        raise InputFault(f"{str(fault.object)[:40]!r} holds half a character", remedy="type it again") from fault
    except UnicodeDecodeError as fault:  # of a message that quotes what is damaged
        raise ShelfFault("the register is damaged", where=str(where), remedy=RESTORE) from fault
    except (DatabaseError, sqlite3.DatabaseError) as fault:
        cause = str(getattr(fault, "orig", fault))
        for sign, what, remedy in _SAYINGS:
            if sign in cause:
                raise ShelfFault(what, where=str(where), remedy=remedy) from fault
        raise ShelfFault(f"the register cannot be used ({cause})", where=str(where), remedy=RESTORE) from fault


def open_register(folder: Path, *, create: bool) -> Engine:
    """The register in a folder, its schema the newest. Raises ShelfFault, and then nothing is left behind."""
    path = folder / REGISTER
    try:
        if path.is_symlink():
            raise ShelfFault(
                f"{REGISTER} is a symbolic link, and inside a shelf none is followed",
                where=str(folder),
                remedy="put the register itself there, or name its own folder",
            )
        found = path.is_file()
        if not found and (path.exists() or not create):
            raise ShelfFault(
                "there is no shelf here",
                where=str(folder),
                remedy=(Do.START_SHELF, Do.OTHER_SHELF),
            )
        if not found:
            _make(folder)
    except (OSError, ValueError) as fault:
        raise ShelfFault(
            f"no shelf can be kept here ({getattr(fault, 'strerror', None) or fault})",
            where=str(folder),
            remedy=Do.OTHER_SHELF,
        ) from fault
    engine = _engine(path, "rw")
    with faults_told(path):
        version = _version(engine, path)
    refuse_newer(version, str(path))
    if version < NEWEST:
        with transaction(engine, writing=True, where=path) as connection:
            bring_up_to_date(connection)
    return engine


def refuse_newer(version: int, where: str) -> None:
    """Raise ShelfFault for a schema this program does not know."""
    if version > NEWEST:
        raise ShelfFault(
            f"a newer indexhole keeps this shelf (schema {version}, this one knows {NEWEST})",
            where=where,
            remedy="use the newer one",
        )


def _version(engine: Engine, path: Path) -> int:
    with engine.connect() as connection:
        mark = connection.execute(text("PRAGMA application_id")).scalar_one()
        if mark == APPLICATION_ID:
            return schema_of(connection, str(path))
    raise ShelfFault("this is not a register", where=str(path), remedy=Do.OTHER_SHELF)


def schema_of(connection: Connection, where: str) -> int:
    """The number of the schema a register says it has. Raises ShelfFault when it does not say it once and rightly."""
    found_text = connection.execute(text("SELECT version_num FROM alembic_version")).scalars().all()
    if len(found_text) != 1 or not re.fullmatch("[0-9]{4}", str(found_text[0])) or not int(found_text[0]):
        raise ShelfFault("the register does not say which schema it has", where=where, remedy=RESTORE)
    return int(found_text[0])


def bring_up_to_date(connection: Connection) -> None:
    """Run the numbered changes, and put into the search what stands in the register."""
    migrate(connection)
    search.rebuild(connection)


def migrate(connection: Connection, to: str = "head") -> None:
    """Run the numbered changes that are still wanting, inside the caller's transaction."""
    # alembic takes most of a second to import, and an up-to-date register needs none of it
    from alembic import command
    from alembic.config import Config

    config = Config(attributes={"connection": connection})
    config.set_main_option("script_location", str(_MIGRATIONS).replace("%", "%%"))
    config.set_main_option("path_separator", "os")
    command.upgrade(config, to)


def _make(folder: Path, to: str = "head") -> None:
    """Make folder and register under a temporary name, then give it its own; on a fault take all of it away again."""
    made = make_folder(folder)
    try:
        with begin_register(folder) as connection:
            migrate(connection, to)
    except FileExistsError:
        # another program has made one meanwhile, and what it keeps there must stay
        return
    except BaseException:
        remove_folders(made)
        raise


@contextmanager
def begin_register(folder: Path) -> Iterator[Connection]:
    """A transaction on a new register in a folder that holds none, which takes its name when the block ends well.

    Raises FileExistsError when another has taken the name meanwhile.
    """
    with folder_in_the_making(folder) as part:
        unfinished = part / REGISTER
        with transaction(_engine(unfinished, "rwc"), writing=True, where=folder) as connection:
            yield connection
            connection.execute(text(f"PRAGMA application_id={APPLICATION_ID}"))
        _take_name(unfinished, folder / REGISTER)
        sync_folder(folder)


def _take_name(unfinished: Path, place: Path) -> None:
    """Give a file a name that must be free; a rename would take it from another. Raises FileExistsError."""
    try:
        os.link(unfinished, place)
    except OSError as fault:
        if fault.errno not in (errno.EPERM, errno.ENOTSUP, errno.EMLINK):
            raise
        # a file system without links
        if place.exists():
            raise FileExistsError(errno.EEXIST, os.strerror(errno.EEXIST), str(place)) from fault
        unfinished.rename(place)


def inspect_register(engine: Engine, where: Path | str) -> list[str]:
    """What SQLite itself finds wrong with the file: an empty list for a sound one."""
    with transaction(engine, writing=False, where=where) as connection:
        found_text: list[Any] = list(connection.execute(text("PRAGMA integrity_check")).scalars())
        broken = connection.execute(text("PRAGMA foreign_key_check")).all()
        lagging = search.out_of_step(connection)
    found = [str(line) for line in found_text if line != "ok"]
    found += [OUT_OF_STEP] if lagging else []
    return found + [f"table {row[0]}, row {row[1]}: refers to nothing in {row[2]}" for row in broken]
