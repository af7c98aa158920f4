"""A register shared through PostgreSQL: the same tables and migrations, one writer at a time, readers of one moment.

A writer takes an advisory lock for its transaction, so that row numbers and the journal run as in a file of one's
own. A reader sees the register as it was when it began.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

from sqlalchemy import Connection, Engine, NullPool, create_engine, event, text
from sqlalchemy.exc import DatabaseError

from indexhole.errors import Do, ShelfFault
from indexhole.shelf.register import search
from indexhole.shelf.register.address import ShelfAddress
from indexhole.shelf.register.database import (
    APPLICATION_ID,
    BUSY_S,
    NEWEST,
    OUT_OF_STEP,
    bring_up_to_date,
    faults_told,
    refuse_newer,
    schema_of,
    transaction,
)
from indexhole.shelf.register.tables import metadata

# stands as the comment of the table of versions, so that another program's database is never taken for a register
MARK = "indexhole register"
CONNECT_S = 5
# Nothing is prepared: after some uses the server would answer with a plan made for any value, and a search for a rare
# word would go through the register as one for a common word does. (PostgreSQL manual, PREPARE, Notes.)
_CONNECTING: dict[str, Any] = {"connect_timeout": CONNECT_S, "prepare_threshold": None}


def open_shared(at: ShelfAddress, *, create: bool, keep: bool = False) -> Engine:
    """The register at an address, its schema the newest. Raises ShelfFault, and then nothing is left behind.

    With `keep` connections are kept until the engine is disposed of: opening one takes longer than most questions.
    """
    engine = _engine(at, keep=keep)
    with faults_told(at.label):
        version = _version(engine, at)
    if version is None and not create:
        raise ShelfFault(
            "there is no shelf here",
            where=at.label,
            remedy=(Do.START_SHELF, Do.OTHER_SHELF),
        )
    refuse_newer(version or 0, at.label)
    if version is None or version < NEWEST:
        with transaction(engine, writing=True, where=at.label) as connection:
            # another program may have done it while this one waited for its turn
            bring_up_to_date(connection)
            connection.execute(text(f"COMMENT ON TABLE alembic_version IS '{MARK}'"))
    return engine


@contextmanager
def begin_shared(at: ShelfAddress) -> Iterator[Connection]:
    """A transaction on a database that holds nothing, which is a register when the block ends well."""
    engine = _engine(at)
    with faults_told(at.label):
        version = _version(engine, at)
    if version is not None:
        raise ShelfFault("a shelf stands here already", where=at.label, remedy="name an empty database")
    with transaction(engine, writing=True, where=at.label) as connection:
        yield connection
        connection.execute(text(f"COMMENT ON TABLE alembic_version IS '{MARK}'"))


def stands(at: ShelfAddress) -> bool:
    """Whether a register stands at the address. Raises ShelfFault when that cannot be found out."""
    with faults_told(at.label):
        return _version(_engine(at), at) is not None


def take_down(connection: Connection) -> None:
    """Take a register away that was only just started."""
    for table in reversed(metadata.sorted_tables):
        table.drop(connection)
    connection.execute(text("DROP TABLE IF EXISTS search_words"))
    connection.execute(text("DROP TABLE alembic_version"))


def _engine(at: ShelfAddress, *, keep: bool = False) -> Engine:
    # a kept connection that the server has ended meanwhile is found out before it is used
    pool: dict[str, Any] = {"pool_pre_ping": True} if keep else {"poolclass": NullPool}
    try:
        engine = create_engine(at.address, connect_args=dict(_CONNECTING), **pool)
    except ModuleNotFoundError as fault:
        raise ShelfFault(
            "a shared register needs a package more", where=at.label, remedy="install indexhole[postgres]"
        ) from fault

    @event.listens_for(engine, "begin")
    def _begin(connection: Connection) -> None:
        writing = connection.get_execution_options().get("writing", False)
        connection.exec_driver_sql(f"SET LOCAL lock_timeout = {int(BUSY_S * 1000)}")
        if writing:
            # the lock is taken by a statement of its own, so what is read after it is what the last writer left
            connection.exec_driver_sql(f"SELECT pg_advisory_xact_lock({APPLICATION_ID})")
        else:
            connection.exec_driver_sql("SET TRANSACTION ISOLATION LEVEL REPEATABLE READ, READ ONLY")

    return engine


def _version(engine: Engine, at: ShelfAddress) -> int | None:
    """The schema's number; None for a database that holds nothing. Raises ShelfFault for one that holds else."""
    with engine.connect() as connection:
        mark = connection.execute(text("SELECT obj_description(to_regclass('alembic_version'))")).scalar_one()
        if mark == MARK:
            return schema_of(connection, at.label)
        held = connection.execute(
            text("SELECT count(*) FROM information_schema.tables WHERE table_schema = current_schema()")
        ).scalar_one()
    if held:
        raise ShelfFault("this is not a register", where=at.label, remedy="name an empty database")
    return None


def inspect_shared(engine: Engine, where: str) -> list[str]:
    """What is wrong with the register: rules the server does not hold to, tables that cannot be read through."""
    with transaction(engine, writing=False, where=where) as connection:
        rules = connection.execute(
            text(
                "SELECT conrelid::regclass || ': rule ' || conname || ' is not held' "
                "FROM pg_constraint WHERE NOT convalidated"
            )
        ).scalars()
        found = list(rules) + ([OUT_OF_STEP] if search.out_of_step(connection) else [])
        for table in metadata.sorted_tables:
            try:
                with connection.begin_nested():
                    connection.execute(text(f"SELECT count({table.name}::text) FROM {table.name}"))
            except DatabaseError as fault:
                found.append(f"table {table.name} cannot be read through ({fault.orig})")
    return found
