"""A shelf or a backup from elsewhere, made to harm: it names the keeper's files, holds links, claims too much."""

from __future__ import annotations

import hashlib
import json
import os
import sqlite3
import tracemalloc
import zipfile
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from tests.support.visiting import sent

import indexhole.shelf.exchange.backup as backup
from indexhole.cli import main as edge
from indexhole.errors import IndexholeError, InputFault, ShelfFault
from indexhole.shelf.care.captures import read_pulses, store_capture
from indexhole.shelf.care.condition import check_captures, check_photos
from indexhole.shelf.care.photos import read_photo, store_photo
from indexhole.shelf.care.sweep import leavings, sweep
from indexhole.shelf.exchange.backup import back_up, check_backup, restore
from indexhole.shelf.files.inside import leads_inside, open_inside, read_inside
from indexhole.shelf.records.records import CaptureRecord, Unit, checked
from indexhole.shelf.register.address import shelf_address
from indexhole.shelf.register.shelf import Shelf
from indexhole.signal.captures.capture import Capture
from indexhole.web.app import create_app

SECRET = b"\xff\xd8\xff the keeper's own picture"
PICTURE = b"\xff\xd8\xff picture"


@pytest.fixture
def secret(tmp_path: Path) -> Path:
    path = tmp_path / "secret.jpg"
    path.write_bytes(SECRET)
    return path


@pytest.fixture
def shelf(tmp_path: Path) -> Shelf:
    held = Shelf.open(tmp_path / "shelf", create=True)
    held.add(checked(Unit, inventory="D1", kind="drive unit"))
    store_photo(held, PICTURE, "a.jpg", unit="D1")
    store_capture(held, None, Capture("k1", 1e-7, np.arange(40, 4000, 40), np.array([10])))
    return held


def rewritten(path: Path, change: Callable[[str, bytes], bytes], to: Path) -> Path:
    """A backup with members changed, its manifest true to what it then holds."""
    with zipfile.ZipFile(path) as held:
        members = {name: change(name, held.read(name)) for name in held.namelist()}
    manifest = json.loads(members["manifest.json"])
    for name, content in members.items():
        if name != "manifest.json":
            manifest["members"][name] = {"bytes": len(content), "sha256": hashlib.sha256(content).hexdigest()}
    members["manifest.json"] = json.dumps(manifest).encode()
    with zipfile.ZipFile(to, "w", zipfile.ZIP_DEFLATED) as changed:
        for name, content in members.items():
            changed.writestr(name, content)
    return to


@pytest.mark.parametrize(
    ("table", "column", "value"),
    [
        ("photos", "file", "{secret}"),
        ("photos", "file", "photos/../../secret.jpg"),
        ("photos", "file", "../secret.jpg"),
        ("photos", "file", "register.sqlite"),
        ("photos", "file", "captures/a.jpg"),
        ("photos", "file", "photos\\..\\secret.jpg"),
        ("photos", "file", ""),
        ("photos", "media_type", "text/html"),
        ("photos", "media_type", "image/svg"),
        ("captures", "parquet", "captures/../../secret.jpg"),
        ("captures", "original", "{secret}"),
        ("captures", "original", "photos/a.jpg"),
        ("captures", "parquet", ""),
    ],
)
def test_a_backup_whose_rows_name_what_is_no_shelfs_is_refused(shelf, secret, tmp_path, table, column, value):
    back_up(shelf, tmp_path / "b")

    def change(name: str, content: bytes) -> bytes:
        if name != f"register/{table}.jsonl":
            return content
        return b"".join(
            json.dumps({**json.loads(line), column: value.format(secret=secret)}).encode() + b"\n"
            for line in content.splitlines()
        )

    bent = rewritten(tmp_path / "b", change, tmp_path / "bent")
    before = sorted(path.name for path in tmp_path.iterdir())
    with pytest.raises(InputFault, match="names a file that is none of a shelf's; use another backup"):
        restore(bent, shelf_address(tmp_path / "again"))
    assert sorted(path.name for path in tmp_path.iterdir()) == before
    assert edge.run(["shelf", "restore", str(bent), "--shelf", str(tmp_path / "again")]) == 2


def meddle(shelf: Shelf, statement: str, *values: object) -> None:
    """Change the register behind the program's back, as one who hands a shelf over can."""
    with sqlite3.connect(shelf.path) as connection:
        assert connection.execute(statement, values).rowcount == 1


@pytest.mark.parametrize("named", ["{secret}", "photos/../../secret.jpg", "../secret.jpg", "photos/way/out.jpg"])
def test_a_row_never_leads_out_of_the_folder_of_photos(shelf, secret, tmp_path, named):
    (shelf.folder / "photos" / "way").symlink_to(tmp_path)
    (tmp_path / "out.jpg").write_bytes(SECRET)
    digest = hashlib.sha256(SECRET).hexdigest()
    meddle(shelf, "UPDATE photos SET file = ?, sha256 = ?", named.format(secret=secret), digest)
    (photo,) = [found.record for found in check_photos(shelf)]
    with pytest.raises(InputFault, match="the file of photo PH1 cannot be read"):
        read_photo(shelf, photo)
    assert check_photos(shelf)[0].state == "missing"
    answer = sent(create_app(shelf), "GET", "/photo?no=PH1")
    assert answer.status_code == 404
    assert SECRET not in answer.content


def test_the_page_serves_the_kind_that_the_bytes_show(shelf):
    script = b"<script>alert(1)</script>"
    meddle(shelf, "UPDATE photos SET media_type = 'text/html'")
    served = sent(create_app(shelf), "GET", "/photo?no=PH1")
    assert (served.headers["content-type"], served.content) == ("image/jpeg", PICTURE)
    (photo,) = shelf.folder.glob("photos/*")
    photo.write_bytes(script)
    meddle(shelf, "UPDATE photos SET sha256 = ?", hashlib.sha256(script).hexdigest())
    refused = sent(create_app(shelf), "GET", "/photo?no=PH1")
    assert refused.status_code == 404
    assert script not in refused.content


@pytest.mark.parametrize("named", ["{secret}", "captures/../../secret.jpg", "captures/originals/link"])
def test_a_row_never_leads_out_of_the_folder_of_captures(shelf, secret, named):
    (shelf.folder / "captures" / "originals").mkdir(exist_ok=True)
    (shelf.folder / "captures" / "originals" / "link").symlink_to(secret)
    meddle(shelf, "UPDATE captures SET parquet = ?, original = ?", *[named.format(secret=secret)] * 2)
    (record,) = shelf.all(CaptureRecord)
    with pytest.raises(InputFault, match=r"its pulses, .* cannot be read"):
        read_pulses(shelf, record)
    (found,) = check_captures(shelf)
    assert found.state == "missing"


def test_links_inside_a_shelf_are_told_and_neither_followed_nor_packed(shelf, secret, tmp_path):
    elsewhere = tmp_path / "elsewhere"
    elsewhere.mkdir()
    (elsewhere / "letter").write_bytes(SECRET)
    (shelf.folder / "captures" / "away").symlink_to(elsewhere)
    (shelf.folder / "photos" / "b.jpg").symlink_to(secret)
    assert leavings(shelf).links == ("captures/away", "photos/b.jpg")
    told = back_up(shelf, tmp_path / "b")
    assert told.left_out == ("captures/away", "photos/b.jpg")
    assert SECRET not in (tmp_path / "b").read_bytes()
    with zipfile.ZipFile(tmp_path / "b") as packed:
        assert not [name for name in packed.namelist() if "away" in name or "b.jpg" in name]
    sweep(shelf, unnamed=True, older_than_s=0)
    assert (elsewhere / "letter").read_bytes() == secret.read_bytes() == SECRET
    assert edge.run(["shelf", "check", "--shelf", str(shelf.folder)]) == 1


@pytest.mark.parametrize("folder", ["captures", "photos", "removed"])
def test_a_folder_of_the_shelf_that_is_a_link_takes_no_files(shelf, tmp_path, folder):
    elsewhere = tmp_path / "elsewhere"
    elsewhere.mkdir()
    place = shelf.folder / folder
    if place.exists():
        place.rename(tmp_path / "moved")
    place.symlink_to(elsewhere)
    acts = {
        "captures": lambda: store_capture(shelf, None, Capture("k2", 1e-7, np.arange(50, 4000, 50), np.array([10]))),
        "photos": lambda: store_photo(shelf, SECRET, "b.jpg", unit="D1"),
        "removed": lambda: shelf.remove(Unit, shelf.add(checked(Unit, inventory="X", kind="host")).key),
    }
    with pytest.raises(ShelfFault, match=f"{folder} is a symbolic link, and inside a shelf none is followed"):
        acts[folder]()
    assert list(elsewhere.iterdir()) == []


def test_a_register_or_a_sheet_that_is_a_link_is_refused(shelf, secret, tmp_path):
    other = tmp_path / "other"
    other.mkdir()
    (other / "register.sqlite").symlink_to(shelf.path)
    with pytest.raises(ShelfFault, match=r"register.sqlite is a symbolic link"):
        Shelf.open(other)
    (shelf.folder / "measurements.csv").symlink_to(secret)
    answer = sent(create_app(shelf), "GET", "/causes/network")
    assert "measurements.csv is a symbolic link" in answer.text
    assert "keeper&#39;s own picture" not in answer.text


def test_what_is_no_file_is_not_waited_for(shelf):
    """A named pipe blocks whoever opens it to read, until somebody writes."""
    os.mkfifo(shelf.folder / "photos" / "pipe.jpg")
    with pytest.raises(ShelfFault, match=r"photos/pipe.jpg is no file"):
        read_inside(shelf.folder, "photos/pipe.jpg")
    os.mkfifo(shelf.folder / "measurements.csv")
    assert sent(create_app(shelf), "GET", "/causes/network").status_code == 503


NAMES = st.text(st.sampled_from("ab./\\:\0\n~ é") | st.characters(codec="utf-8"), max_size=12)


@given(NAMES)
def test_no_path_that_is_let_in_leads_out(tmp_path_factory, named):
    """By a second road: the system's own reading of the path."""
    folder = tmp_path_factory.getbasetemp() / "paths"
    folder.mkdir(exist_ok=True)
    if leads_inside(named):
        assert os.path.realpath(folder / named).startswith(f"{os.path.realpath(folder)}{os.sep}")
    else:
        with pytest.raises(ShelfFault):
            open_inside(folder, named)


def test_a_register_that_runs_what_it_holds_is_harmless(shelf, tmp_path):
    """A view or a trigger of a shelf from elsewhere may call nothing that reaches beyond it."""
    with sqlite3.connect(shelf.path) as connection:
        connection.execute(
            "CREATE TRIGGER harm AFTER INSERT ON notes BEGIN INSERT INTO search_words(search_words) VALUES('x'); END"
        )
    opened = Shelf.open(shelf.folder)
    with opened.reading() as connection:
        assert connection.exec_driver_sql("PRAGMA trusted_schema").scalar_one() == 0


def bomb(shelf: Shelf, tmp_path: Path, size: int) -> Path:
    """A backup with one line of so many bytes, a few thousandths of that packed."""
    back_up(shelf, tmp_path / "b")
    name, to = "register/notes.jsonl", tmp_path / "bomb"
    digest, piece = hashlib.sha256(), b" " * (1 << 20)
    with zipfile.ZipFile(tmp_path / "b") as held, zipfile.ZipFile(to, "w", zipfile.ZIP_DEFLATED) as packed:
        manifest = json.loads(held.read("manifest.json"))
        for member in set(held.namelist()) - {name, "manifest.json"}:
            packed.writestr(member, held.read(member))
        with packed.open(name, "w", force_zip64=True) as line:
            for _ in range(size >> 20):
                line.write(piece)
                digest.update(piece)
        manifest["members"][name] = {"bytes": size, "sha256": digest.hexdigest()}
        packed.writestr("manifest.json", json.dumps(manifest))
    return to


def test_a_line_that_unpacks_to_gigabytes_is_refused_with_little_memory(shelf, tmp_path):
    path = bomb(shelf, tmp_path, 192 << 20)
    tracemalloc.start()
    try:
        with pytest.raises(InputFault, match="a row of notes in it is longer than 16 MiB"):
            restore(path, shelf_address(tmp_path / "again"))
        most = tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()
    assert most < 3 * backup.LARGEST_ROW_BYTES
    assert not (tmp_path / "again").exists()


def test_more_than_the_device_has_room_for_is_told_before_any_of_it_is_written(shelf, tmp_path, monkeypatch):
    back_up(shelf, tmp_path / "b")
    monkeypatch.setattr(backup.shutil, "disk_usage", lambda place: type("Room", (), {"free": 1})())
    with pytest.raises(ShelfFault, match="unpacks to 0 MiB, and 0 MiB are free"):
        restore(tmp_path / "b", shelf_address(tmp_path / "again"))
    assert not (tmp_path / "again").exists()


def test_rows_nested_without_end_and_methods_never_used_are_refused(shelf, tmp_path):
    back_up(shelf, tmp_path / "b")
    deep = rewritten(
        tmp_path / "b", lambda name, content: b"[" * 200_000 if name == "register/notes.jsonl" else content,
        tmp_path / "deep",
    )  # fmt: skip
    with pytest.raises(InputFault, match="holds rows that no register can have"):
        restore(deep, shelf_address(tmp_path / "again"))
    with zipfile.ZipFile(tmp_path / "b") as held, zipfile.ZipFile(tmp_path / "other", "w", zipfile.ZIP_LZMA) as packed:
        for name in held.namelist():
            packed.writestr(name, held.read(name))
    with pytest.raises(IndexholeError, match="is no backup of a shelf"):
        check_backup(tmp_path / "other")


def test_an_undo_that_brings_back_a_hostile_row_opens_nothing(shelf, secret):
    """The journal of a shelf from elsewhere may hold what no entry could."""
    shelf.add(checked(Unit, inventory="D2", kind="host"))
    number = shelf.changes(1)[0].number
    row = {
        "row": 9, "photo": "PH9", "unit": "D1", "disk": None, "sha256": hashlib.sha256(SECRET).hexdigest(), "name": "x",
        "media_type": "text/html", "size_bytes": 1, "file": str(secret), "caption": "", "taken": "",
        "added_utc": "2026-03-01T00:00:00+00:00", "revision": 0,
    }  # fmt: skip
    meddle(
        shelf,
        "INSERT INTO changed_rows (change, table_name, row_changed, before, after) VALUES (?, 'photos', 9, ?, NULL)",
        number,
        json.dumps(row),
    )
    shelf.undo()
    answer = sent(create_app(shelf), "GET", "/photo?no=PH9")
    assert answer.status_code == 404


@pytest.mark.parametrize("bent", ["yesterday", "2026-13-45 00:00:00", "", b"\xff"])
def test_a_moment_that_is_none_is_a_damaged_register(shelf, bent, capsys):
    meddle(shelf, "UPDATE photos SET added_utc = ?", bent)
    assert edge.run(["shelf", "list", "photos", "--shelf", str(shelf.folder)]) == 2
    told = capsys.readouterr().err
    assert told.count("\n") == 1
    assert "the register is damaged; put back a copy" in told
