"""Backup and restore: the same shelf again, from one file, on either database; damage found before anything is made."""

from __future__ import annotations

import hashlib
import json
import shutil
import zipfile
from pathlib import Path

import numpy as np
import psycopg
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from tests.support import postgres_server

import indexhole.shelf.exchange.backup as backup
from indexhole.errors import IndexholeError, InputFault, ShelfFault
from indexhole.jobs.demo.things import demo_records
from indexhole.model.trials.trial import Trial
from indexhole.shelf.care.captures import store_capture
from indexhole.shelf.care.condition import check_captures, check_photos
from indexhole.shelf.care.mending import mend_captures
from indexhole.shelf.care.photos import store_photo
from indexhole.shelf.exchange.backup import back_up, check_backup, restore
from indexhole.shelf.records.records import Note, Unit, checked
from indexhole.shelf.register.address import shelf_address
from indexhole.shelf.register.database import REGISTER
from indexhole.shelf.register.shelf import Shelf
from indexhole.shelf.register.tables import TABLES
from indexhole.signal.captures.capture import Capture
from indexhole.signal.formats.readers import read_capture
from indexhole.signal.formats.write_vcd import write_capture

TRIAL = Trial("T1", "2026-03-01", "read", "H1", "", "D1.0", "K1", 0, 0, 12, 117, 3, "as found")


@pytest.fixture
def shelf(tmp_path: Path) -> Shelf:
    held = Shelf.open(tmp_path / "shelf", create=True)
    held.signed("Anna", "the first day").add_together(demo_records(), "demonstration")
    held.add_trials([TRIAL])
    source = tmp_path / "k1.vcd.gz"
    write_capture(source, Capture("k1", 1e-7, np.arange(40, 4000, 40), np.array([10])))
    store_capture(held, source, read_capture(source), disk="K1", mechanism="D1.0")
    store_photo(held, b"\xff\xd8\xff picture", "a.jpg", unit="D1")
    held.put_standing(Unit, "D2", "state", "as told", "the teacher")
    held.remove(Note, "N1")
    return held


@pytest.fixture
def packed(shelf: Shelf, tmp_path: Path) -> Path:
    path = tmp_path / "shelf.backup"
    back_up(shelf, path)
    return path


def said(shelf: Shelf) -> dict[str, object]:
    """Everything a shelf says: entries, trials, journal, standings, histories, search."""
    return {
        **{kind.WORD: shelf.all(kind) for kind in TABLES},
        "trials": shelf.trial_log(),
        "changes": shelf.changes(),
        "standings": shelf.confidences_of(Unit, "D2"),
        "history": shelf.field_history(Unit, "D2"),
        "found": shelf.search("tide"),
        "revisions": shelf.revisions(Unit),
    }


def files(folder: Path) -> dict[str, bytes]:
    return {
        path.relative_to(folder).as_posix(): path.read_bytes()
        for path in folder.rglob("*")
        if path.is_file() and path.name != REGISTER
    }


def same(one: Shelf, other: Shelf) -> None:
    assert said(one) == said(other)
    assert files(one.folder) == files(other.folder)
    assert other.inspect() == []
    assert {found.state for found in (*check_captures(other), *check_photos(other))} == {"unchanged"}


def test_a_shelf_comes_back_whole_from_one_file(shelf, packed, tmp_path):
    told = restore(packed, shelf_address(tmp_path / "deep" / "again"))
    again = Shelf.open(tmp_path / "deep" / "again")
    same(shelf, again)
    assert told == back_up(shelf, tmp_path / "another")
    assert (told.files, told.rows > 100) == (4, True)
    for one in (shelf, again):
        assert one.undo().what == "remove note N1"
    same(shelf, again)
    assert [path.name for path in (tmp_path / "deep").iterdir()] == ["again"]


def test_a_shelf_written_to_meanwhile_is_backed_up_as_of_one_moment(shelf, tmp_path, monkeypatch):
    before = said(shelf)
    whole = backup._files

    def meanwhile(folder):
        # another program adds an entry and a file when the register is read, and the files are not yet
        other = Shelf.open(shelf.folder)
        store_photo(other, b"\xff\xd8\xff another", "b.jpg", unit="D2")
        return whole(folder)

    monkeypatch.setattr(backup, "_files", meanwhile)
    back_up(shelf, tmp_path / "b")
    restore(tmp_path / "b", shelf_address(tmp_path / "again"))
    again = Shelf.open(tmp_path / "again")
    assert said(again) == before != said(shelf)
    assert again.inspect() == []
    assert {found.state for found in check_photos(again)} == {"unchanged"}


def test_a_backup_of_an_older_schema_is_brought_up_to_date(shelf, packed, tmp_path, monkeypatch):
    """A backup that says an older schema is laid out so first: here the oldest that can be backed up."""
    with zipfile.ZipFile(packed) as held:
        members = {name: held.read(name) for name in held.namelist()}
    manifest = json.loads(members["manifest.json"])
    manifest["table_schema"] = 6
    _pack(tmp_path / "older", members, manifest)
    restore(tmp_path / "older", shelf_address(tmp_path / "again"))
    again = Shelf.open(tmp_path / "again")
    # which had no digests of pulses yet
    assert [found.proven for found in check_captures(again)] == [False]
    mend_captures(again)
    assert {**said(again), "changes": []} == {**said(shelf), "changes": []}
    assert files(again.folder) == files(shelf.folder)


def _pack(path: Path, members: dict[str, bytes], manifest: dict) -> None:
    with zipfile.ZipFile(path, "w") as changed:
        for name, content in members.items():
            changed.writestr(name, json.dumps(manifest) if name == "manifest.json" else content)


@pytest.mark.parametrize("what", ["a folder with a letter", "a shelf", "a file"])
def test_what_stands_is_not_restored_over(packed, tmp_path, what):
    place = tmp_path / "place"
    if what == "a shelf":
        Shelf.open(place, create=True)
    elif what == "a file":
        place.write_text("letter")
    else:
        place.mkdir()
        (place / "letter").write_text("letter")
    before = place.read_bytes() if place.is_file() else files(place)
    with pytest.raises(ShelfFault, match="something stands here already; name an empty folder"):
        restore(packed, shelf_address(place))
    assert (place.read_bytes() if place.is_file() else files(place)) == before
    assert not list(tmp_path.glob(".indexhole-part-*"))


def test_an_empty_folder_is_taken(shelf, packed, tmp_path):
    (tmp_path / "place").mkdir()
    restore(packed, shelf_address(tmp_path / "place"))
    same(shelf, Shelf.open(tmp_path / "place"))


def _bent(members: dict[str, bytes], manifest: dict, how: str) -> None:
    capture = next(name for name in members if "originals" in name)
    if how == "a byte changed":
        members[capture] = members[capture][:-1] + b"x"
    elif how == "a file missing":
        del members[capture]
    elif how == "a file added":
        members["files/photos/x.jpg"] = b"x"
    elif how == "a row changed":
        members["register/units.jsonl"] = members["register/units.jsonl"].replace(b"Ostrel", b"Astrel")
    elif how == "another format":
        manifest["format"] = "letters"
    elif how == "a newer form":
        manifest["form"] = 2
    elif how == "a newer schema":
        manifest["table_schema"] = 99
    elif how == "no manifest":
        del members["manifest.json"]
    elif how in ("a way out", "an absolute way"):
        name = "files/photos/../../../x" if how == "a way out" else "files//etc/x"
        members[name] = b"x"
        manifest["members"][name] = {
            "bytes": 1,
            "sha256": "2d711642b726b04401627ca9fbac32f5c8530fb1903cc4db02258717921a4881",
        }
    elif how == "a number too large":
        name = "register/units.jsonl"
        members[name] = members[name].replace(b'"row": 1,', b'"row": 1000000000000000000000,')
        told = hashlib.sha256(members[name]).hexdigest()
        manifest["members"][name] = {"bytes": len(members[name]), "sha256": told}
    elif how == "rows of no table":
        manifest["rows"]["letters"] = 1
        members["register/letters.jsonl"] = b""
        empty = "e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855"
        manifest["members"]["register/letters.jsonl"] = {"bytes": 0, "sha256": empty}


@pytest.mark.parametrize(
    ("how", "told"),
    [
        ("a byte changed", "in it has changed"),
        ("a file missing", "in it is missing, added or changed"),
        ("a file added", "files/photos/x.jpg in it is missing, added or changed"),
        ("a row changed", "register/units.jsonl in it has changed"),
        ("another format", "is no backup this indexhole knows"),
        ("a newer form", "is no backup this indexhole knows"),
        ("a newer schema", "a newer indexhole keeps this shelf (schema 99"),
        ("no manifest", "is no backup of a shelf"),
        ("a way out", "in it is missing, added or changed"),
        ("an absolute way", "in it is missing, added or changed"),
        ("a number too large", "holds rows that no register can have"),
        ("rows of no table", "holds rows that no register can have"),
    ],
)
def test_a_damaged_backup_is_told_and_nothing_is_made(packed, tmp_path, how, told):
    with zipfile.ZipFile(packed) as held:
        members = {name: held.read(name) for name in held.namelist()}
    manifest = json.loads(members["manifest.json"])
    _bent(members, manifest, how)
    _pack(tmp_path / "bent", members, manifest)
    before = sorted(path.name for path in tmp_path.iterdir())
    with pytest.raises(IndexholeError) as fault:
        restore(tmp_path / "bent", shelf_address(tmp_path / "again"))
    assert told in fault.value.line
    assert sorted(path.name for path in tmp_path.iterdir()) == before


def test_a_member_whose_name_is_no_text_is_told(packed, tmp_path):
    """Its name is said to be UTF-8, and is not."""
    with zipfile.ZipFile(packed, "a") as held:
        held.writestr("files/photos/tid\u00e9.jpg", b"x")
    packed.write_bytes(packed.read_bytes().replace("tid\u00e9".encode(), b"tid\xff\xfe"))
    with pytest.raises(InputFault, match="is no whole backup of a shelf"):
        restore(packed, shelf_address(tmp_path / "again"))
    assert not (tmp_path / "again").exists()


def test_a_backup_that_cannot_be_written_leaves_nothing(shelf, tmp_path):
    with pytest.raises(ShelfFault, match="the backup cannot be written"):
        back_up(shelf, tmp_path / "absent" / "b")
    (tmp_path / "b").mkdir()
    (tmp_path / "b" / "x").write_text("x")
    with pytest.raises(ShelfFault, match="the backup cannot be written"):
        back_up(shelf, tmp_path / "b")
    assert not list(tmp_path.glob(".indexhole-part-*"))


@pytest.fixture(scope="module")
def small(tmp_path_factory) -> bytes:
    folder = tmp_path_factory.mktemp("small")
    held = Shelf.open(folder / "shelf", create=True)
    held.add(checked(Unit, inventory="D1", kind="drive unit"))
    store_photo(held, b"\xff\xd8\xff picture", "a.jpg", unit="D1")
    back_up(held, folder / "b")
    return (folder / "b").read_bytes()


@settings(max_examples=60, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.integers(0, 10**6), st.integers(1, 255), st.booleans())
def test_a_backup_with_a_byte_bent_or_an_end_cut_is_whole_or_refused(small, tmp_path, place, bit, cut):
    at = place % len(small)
    bent = small[:at] if cut else small[:at] + bytes([small[at] ^ bit]) + small[at + 1 :]
    (tmp_path / "bent").write_bytes(bent)
    try:
        manifest = check_backup(tmp_path / "bent")
    except InputFault as fault:
        assert "\n" not in fault.line
    except ShelfFault as fault:
        assert "a newer indexhole" in fault.line
    else:
        (tmp_path / "whole").write_bytes(small)
        assert manifest.members == check_backup(tmp_path / "whole").members


@pytest.mark.postgres
def test_a_shelf_moves_to_a_shared_register_and_back(shelf, packed, tmp_path):
    with postgres_server.server() as start:
        with psycopg.connect(f"{start}postgres", autocommit=True) as connection:
            connection.execute("CREATE DATABASE moved")
        place = shelf_address(f"{start}moved?files={tmp_path / 'files'}")
        restore(packed, place)
        shared = Shelf.open(place)
        same(shelf, shared)
        shared.add(checked(Note, text="kept on"))
        with pytest.raises(ShelfFault, match="a shelf stands here already; name an empty database"):
            restore(packed, shelf_address(f"{start}moved?files={tmp_path / 'others'}"))
        assert not (tmp_path / "others").exists()
        shared.undo()
        back_up(shared, tmp_path / "back")
    restore(tmp_path / "back", shelf_address(tmp_path / "again"))
    again = Shelf.open(tmp_path / "again")
    assert said(again) == said(shelf)
    shutil.rmtree(tmp_path / "again")
