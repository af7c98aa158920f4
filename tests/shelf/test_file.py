"""The register's file: made whole or not at all, older ones brought up to date, damage told in one line."""

from __future__ import annotations

import sqlite3
from pathlib import Path

import pytest
from alembic.autogenerate import compare_metadata
from alembic.config import Config
from alembic.migration import MigrationContext
from alembic.script import ScriptDirectory
from sqlalchemy import text
from sqlalchemy.exc import IntegrityError

import indexhole.shelf.register.database as database
from indexhole.errors import ShelfFault
from indexhole.shelf.records.records import Mechanism, Note, Unit, checked
from indexhole.shelf.register.shelf import Shelf
from indexhole.shelf.register.tables import metadata

UNIT = checked(Unit, inventory="D1", kind="drive unit", title="Box")


def tree(folder: Path) -> list[str]:
    return sorted(path.relative_to(folder).as_posix() for path in folder.rglob("*"))


def test_a_new_shelf_is_one_file_in_its_folder(tmp_path):
    shelf = Shelf.open(tmp_path / "a" / "b %41?#", create=True)
    shelf.add(UNIT)
    assert tree(shelf.folder) == ["register.sqlite"]
    assert Shelf.open(shelf.folder).all(Unit) == [UNIT]


def test_a_shelf_is_not_made_by_looking(tmp_path):
    with pytest.raises(ShelfFault, match="there is no shelf here; start one with `indexhole shelf add`"):
        Shelf.open(tmp_path / "a")
    assert tree(tmp_path) == []


@pytest.mark.parametrize("place", ["/proc/a/shelf", "/dev/null/x/y", "file/shelf", "file", "a\0b", "n" * 300 + "/x"])
def test_a_place_that_takes_no_shelf_is_told_and_left_as_it_was(place, tmp_path):
    (tmp_path / "file").write_text("a letter")
    with pytest.raises(ShelfFault) as fault:
        Shelf.open(tmp_path / place, create=True)
    assert fault.value.line.count("\n") == 0
    assert "no shelf can be kept here" in fault.value.line
    assert tree(tmp_path) == ["file"]
    assert (tmp_path / "file").read_text() == "a letter"


def test_a_making_that_fails_midway_leaves_nothing(tmp_path, monkeypatch):
    def fail(*_: object) -> None:
        raise sqlite3.OperationalError("database or disk is full")

    monkeypatch.setattr(database, "migrate", fail)
    with pytest.raises(ShelfFault, match="no room is left on the device; make room and try again"):
        Shelf.open(tmp_path / "a" / "b", create=True)
    assert tree(tmp_path) == []


@pytest.mark.parametrize(
    ("content", "told"),
    [
        (b"", "this is not a register"),
        (b"a shopping list" * 100, "this is not a register"),
        (b"SQLite format 3\0" + b"\xff" * 4000, "this is not a register"),
    ],
)
def test_a_file_that_is_no_register_is_told_and_left(content, told, tmp_path):
    path = tmp_path / database.REGISTER
    path.write_bytes(content)
    for create in (False, True):
        with pytest.raises(ShelfFault) as fault:
            Shelf.open(tmp_path, create=create)
        assert told in fault.value.line
    assert path.read_bytes() == content


def test_another_programs_database_is_no_register(tmp_path):
    connection = sqlite3.connect(tmp_path / database.REGISTER)
    connection.execute("CREATE TABLE units (a)")
    connection.close()
    with pytest.raises(ShelfFault, match="this is not a register; name another folder with --shelf"):
        Shelf.open(tmp_path)


def test_a_folder_where_the_file_should_be(tmp_path):
    (tmp_path / database.REGISTER).mkdir()
    with pytest.raises(ShelfFault, match="there is no shelf here"):
        Shelf.open(tmp_path, create=True)


def test_a_newer_register_is_not_touched(tmp_path):
    shelf = Shelf.open(tmp_path, create=True)
    with database.transaction(shelf._engine, writing=True, where=tmp_path) as connection:
        connection.execute(text("UPDATE alembic_version SET version_num='0099'"))
    before = shelf.path.read_bytes()
    known = rf"a newer indexhole keeps this shelf \(schema 99, this one knows {database.NEWEST}\)"
    with pytest.raises(ShelfFault, match=known):
        Shelf.open(tmp_path)
    assert shelf.path.read_bytes() == before


@pytest.mark.parametrize(
    "told",
    ["version_num='eight'", "version_num=''", "version_num='8'", "version_num='0000'", "version_num='٠٠٠٨'"],
)
def test_a_register_that_does_not_say_its_schema_is_told_and_left(told, tmp_path):
    shelf = Shelf.open(tmp_path, create=True)
    with database.transaction(shelf._engine, writing=True, where=tmp_path) as connection:
        connection.execute(text(f"UPDATE alembic_version SET {told}"))
    before = shelf.path.read_bytes()
    with pytest.raises(ShelfFault, match="does not say which schema it has; put back a copy of the folder"):
        Shelf.open(tmp_path)
    assert shelf.path.read_bytes() == before


def test_a_register_that_says_no_schema_or_two_is_told(tmp_path):
    shelf = Shelf.open(tmp_path, create=True)
    for told in ("INSERT INTO alembic_version VALUES ('0007')", "DELETE FROM alembic_version"):
        with database.transaction(shelf._engine, writing=True, where=tmp_path) as connection:
            connection.execute(text(told))
        with pytest.raises(ShelfFault, match="does not say which schema it has"):
            Shelf.open(tmp_path)


def _older(folder: Path) -> None:
    """A register as the first schema had it, with a drive unit, its mechanism and a journal entry."""
    database._make(folder, "0001")
    connection = sqlite3.connect(folder / database.REGISTER)
    connection.executescript(
        """
        INSERT INTO units VALUES (1, 'D1', 'drive unit', 'Box', '', '', '', '', '', '', 'known');
        INSERT INTO mechanisms VALUES (1, 'D1.0', 'D1', 0, 330.0, NULL, 'noisy', 'known');
        INSERT INTO changes VALUES (1, '2026-03-01 10:00:00.000000', 'add mechanism D1.0', '0.1.0', NULL);
        INSERT INTO changed_rows VALUES (1, 1, 'mechanisms', 1, NULL,
          '{"row": 1, "mechanism": "D1.0", "unit": "D1", "number": 0, "write_width_um": 330.0, "read_width_um": null,
            "note": "noisy", "standing": "known"}');
        """
    )
    connection.close()


def test_an_older_register_opens_with_its_rows_kept(tmp_path):
    _older(tmp_path)
    shelf = Shelf.open(tmp_path)
    assert shelf.all(Unit) == [UNIT]
    assert shelf.all(Mechanism) == [checked(Mechanism, mechanism="D1.0", write_width_um=330.0, note="noisy")]
    shelf.add(checked(Note, unit="D1", text="new kinds of entry fit"))
    shelf.undo()
    assert shelf.undo().what == "add mechanism D1.0"
    assert shelf.all(Mechanism) == []


def test_a_migration_that_fails_leaves_the_older_register(tmp_path, monkeypatch):
    _older(tmp_path)
    before = (tmp_path / database.REGISTER).read_bytes()
    whole = database.migrate

    def fail(connection, to="head") -> None:
        whole(connection, to)
        raise sqlite3.OperationalError("disk I/O error")

    monkeypatch.setattr(database, "migrate", fail)
    with pytest.raises(ShelfFault, match="the register cannot be used"):
        Shelf.open(tmp_path)
    assert (tmp_path / database.REGISTER).read_bytes() == before


def test_the_numbered_changes_end_at_the_schema_the_code_knows(tmp_path):
    shelf = Shelf.open(tmp_path, create=True)
    config = Config()
    config.set_main_option("script_location", str(Path(database.__file__).parents[1] / "migrations"))
    config.set_main_option("path_separator", "os")
    assert ScriptDirectory.from_config(config).get_heads() == [f"{database.NEWEST:04}"]
    with database.transaction(shelf._engine, writing=False, where=tmp_path) as connection:
        # the tables of the search are a matter of each database
        own = {"compare_type": True, "include_name": lambda name, *_: not (name or "").startswith("search_words")}
        context = MigrationContext.configure(connection, opts=own)
        assert compare_metadata(context, metadata) == []


def test_damage_inside_the_file_is_told(tmp_path):
    shelf = Shelf.open(tmp_path, create=True)
    shelf.add(UNIT)
    assert shelf.inspect() == []
    content = bytearray(shelf.path.read_bytes())
    content[4096:] = b"\xa5" * (len(content) - 4096)
    shelf.path.write_bytes(content)
    with pytest.raises(ShelfFault, match="put back a copy of the folder"):
        Shelf.open(tmp_path).all(Unit)


def test_damage_that_the_database_quotes_is_told(tmp_path):
    """A name in the schema that is no text stands in the words of the database itself."""
    shelf = Shelf.open(tmp_path, create=True)
    content = shelf.path.read_bytes()
    bent = content.replace(b"tableunitsunits", b"table\xa7nitsunits").replace(
        b"CREATE TABLE units", b"CREATE TABXE units"
    )
    assert bent != content
    shelf.path.write_bytes(bent)
    with pytest.raises(ShelfFault, match="the register is damaged; put back a copy of the folder"):
        Shelf.open(tmp_path)


def test_inspection_finds_a_reference_to_nothing(tmp_path):
    shelf = Shelf.open(tmp_path, create=True)
    connection = sqlite3.connect(shelf.path)
    connection.execute("INSERT INTO events (event, unit, \"when\", what, source) VALUES ('E1', 'D9', '', 'fell', '')")
    connection.commit()
    connection.close()
    # put in behind the register's back, it is not in the search either
    assert shelf.inspect() == [database.OUT_OF_STEP, "table events, row 1: refers to nothing in units"]


def test_the_schema_itself_refuses_what_no_record_may_say(tmp_path):
    shelf = Shelf.open(tmp_path, create=True)
    for wrong in (
        "INSERT INTO events (event, unit, \"when\", what, source) VALUES ('E1', 'D9', '', 'fell', '')",
        "INSERT INTO disks (inventory, title, disk_class, sides, note, standing) VALUES ('K1', '', '', 3, '', 'known')",
        "INSERT INTO disks (inventory, title, disk_class, note, standing, importance) "
        "VALUES ('K1', '', '', '', 'known', 'some')",
        "INSERT INTO units (inventory, kind, title, maker, disk_class, acquired, origin, state, date_codes, standing) "
        "VALUES ('D1', 'toaster', '', '', '', '', '', '', '', 'known')",
    ):
        with (
            pytest.raises(IntegrityError),
            database.transaction(shelf._engine, writing=True, where=tmp_path) as connection,
        ):
            connection.execute(text(wrong))


def test_a_busy_register_is_told(tmp_path, monkeypatch):
    monkeypatch.setattr(database, "BUSY_S", 0.0)
    shelf = Shelf.open(tmp_path, create=True)
    holder = sqlite3.connect(shelf.path, isolation_level=None)
    holder.execute("BEGIN IMMEDIATE")
    with pytest.raises(ShelfFault, match="another program is writing to it; wait a moment and try again"):
        shelf.add(UNIT)
    assert shelf.all(Unit) == []
    holder.execute("ROLLBACK")
    holder.close()
    shelf.add(UNIT)
    assert shelf.all(Unit) == [UNIT]


def test_readers_are_not_shut_out_by_a_long_change(tmp_path, monkeypatch):
    monkeypatch.setattr(database, "BUSY_S", 0.0)
    shelf, other = Shelf.open(tmp_path / "shelf", create=True), Shelf.open(tmp_path / "shelf")

    def many():
        # far more than the pages a connection keeps in memory by itself (2 MB)
        for k in range(300):
            yield checked(Note, text=f"{k} " + "x" * 19_000)
            if k % 100 == 99:
                assert other.count(Note) == 0

    shelf.add_together(many(), "many notes")
    assert other.count(Note) == 300
