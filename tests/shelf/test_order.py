"""In which order commands bring files to the device: bytes, name, folder, only then the entry, and the word of it."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import pytest
from tests.support.stress import capture_file, furnish, photo_file
from tests.support.traced import Call, Device, calls_of

from indexhole.shelf.files.inside import CAPTURES, PHOTOS
from indexhole.shelf.files.writing import is_part
from indexhole.shelf.records.records import Disk, checked
from indexhole.shelf.register.database import REGISTER
from indexhole.shelf.register.shelf import Shelf

pytestmark = pytest.mark.traced


@pytest.fixture
def shelf(tmp_path: Path) -> Shelf:
    held = Shelf.open(tmp_path / "shelf", create=True)
    furnish(held)
    held.add(checked(Disk, inventory="K1"))
    capture_file(tmp_path / "one.vcd", 1)
    photo_file(tmp_path / "one.jpg", 1)
    return held


@pytest.mark.parametrize(
    "words, folder, files",
    [
        (["add", "capture", "one.vcd", "--disk", "K0"], CAPTURES, 2),
        (["add", "capture", "one.vcd", "--no-original"], CAPTURES, 1),
        (["add", "photo", "one.jpg", "--unit", "D0"], PHOTOS, 1),
        (["remove", "disk", "K1", "--yes"], "removed", 1),
    ],
)
def test_an_entry_is_kept_when_its_files_are_on_the_device(shelf, tmp_path, words, folder, files):
    before = _files(shelf.folder / folder)
    placed = [str(tmp_path / word) if (tmp_path / word).is_file() else word for word in words]
    calls = calls_of(["shelf", *placed, "--shelf", str(shelf.folder)], tmp_path / "trace")
    kept = _files(shelf.folder / folder) - before
    assert len(kept) == files
    _expect_synced_before_named(calls, kept)
    device, commits = Device(), 0
    for call in calls:
        if _is_commit(call, shelf.folder):
            commits += 1
            assert [lost for path in kept for lost in device.unsafe(path)] == []
            # from here on the entry can be there after a loss of power: nothing of its files may come later
            assert {path for path in kept if not _named_by(calls[: calls.index(call)], path)} == set()
        if _is_said(call):
            assert commits
            assert device.unsafe(shelf.path) == []
        device.see(call)
    assert commits
    assert any(map(_is_said, calls))


def test_a_backup_is_on_the_device_when_it_is_told(shelf, tmp_path):
    target = tmp_path / "whole.backup"
    calls = calls_of(["shelf", "backup", str(target), "--shelf", str(shelf.folder)], tmp_path / "trace")
    _expect_synced_before_named(calls, {target})
    _expect_safe_when_said(calls, {target})


def test_a_restored_shelf_has_its_name_when_all_of_it_is_on_the_device(shelf, tmp_path):
    for file, words in (("one.vcd", ["capture"]), ("one.jpg", ["photo", "--unit", "D0"])):
        calls_of(["shelf", "add", *words, str(tmp_path / file), "--shelf", str(shelf.folder)], tmp_path / "trace")
    calls_of(["shelf", "backup", str(tmp_path / "backup"), "--shelf", str(shelf.folder)], tmp_path / "trace")
    place = tmp_path / "new" / "shelf"
    calls = calls_of(["shelf", "restore", str(tmp_path / "backup"), "--shelf", str(place)], tmp_path / "trace")
    files = _files(place)
    assert {path.relative_to(place).parts[0] for path in files} == {CAPTURES, PHOTOS, REGISTER}
    device, named = Device(), 0
    for call in calls:
        if call.name.startswith("rename") and call.paths[1] == place:
            named += 1
            making = call.paths[0]
            assert is_part(making.name)
            inside = [making / path.relative_to(place) for path in files]
            lost = [lost for path in inside for lost in device.unsafe(path)]
            # the folder in the making may go with its own name; when it has its own, it holds all
            assert [one for one in lost if one != f"name of {making}"] == []
        device.see(call)
    assert named == 1
    _expect_safe_when_said(calls, files)


def _files(folder: Path) -> set[Path]:
    return {path for path in folder.rglob("*") if path.is_file()}


def _is_commit(call: Call, folder: Path) -> bool:
    """The rollback journal goes: from here on the change holds (SQLite, Atomic Commit In SQLite, section 3.11)."""
    return call.name.startswith("unlink") and call.paths == (folder / f"{REGISTER}-journal",)


def _is_said(call: Call) -> bool:
    """Something is said on stdout."""
    return call.name == "write" and call.told.startswith("1<")


def _named_by(calls: Sequence[Call], path: Path) -> bool:
    return any(call.name.startswith("rename") and call.paths[1] == path for call in calls)


def _expect_synced_before_named(calls: Sequence[Call], files: set[Path]) -> None:
    """Each file got its name when all its bytes were on the device, and was never written to under that name."""
    device, named = Device(), []
    for call in calls:
        if call.name.startswith("rename") and call.paths[1] in files:
            assert call.paths[0] not in device.bytes
            named.append(call.paths[1])
        assert not (call.name in ("write", "pwrite64") and call.paths[0] in files)
        device.see(call)
    assert sorted(named) == sorted(files)


def _expect_safe_when_said(calls: Sequence[Call], files: set[Path]) -> None:
    device, said = Device(), 0
    for call in calls:
        if _is_said(call):
            said += 1
            assert [lost for path in files for lost in device.unsafe(path)] == []
        device.see(call)
    assert said
