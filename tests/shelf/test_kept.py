"""What was said to be kept stays: adds that wait for one another, flipped bits, lost files made anew, what is swept."""

from __future__ import annotations

import errno
import os
import random
import shutil
import sqlite3
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import numpy as np
import pytest
from tests.cli.test_shelf import Bench

import indexhole.shelf.files.writing as files
import indexhole.shelf.register.database as database
from indexhole.errors import IndexholeError, InputFault, ShelfFault
from indexhole.jobs.faults.levelling import keep_measurements, kept_measurements
from indexhole.shelf.care.captures import read_pulses, store_capture
from indexhole.shelf.care.condition import check_capture, check_captures, check_photos
from indexhole.shelf.care.mending import mend_capture, mend_captures
from indexhole.shelf.care.photos import read_photo, store_photo
from indexhole.shelf.care.sweep import leavings, sweep
from indexhole.shelf.files.writing import in_the_making
from indexhole.shelf.records.records import CaptureRecord, Unit, checked
from indexhole.shelf.register.shelf import Shelf
from indexhole.signal.captures.capture import Capture
from indexhole.signal.formats.readers import read_capture
from indexhole.signal.formats.write_vcd import write_capture
from indexhole.signal.store import parse_parquet, pulses_digest, write_parquet

SEED = 20261130
PICTURE = b"\xff\xd8\xff picture"
RNG = np.random.default_rng(SEED)
SIGNAL = Capture("k1", 1e-7, np.cumsum(RNG.integers(30, 60, 3000)).astype(np.int64), np.array([10, 60_000]))


@pytest.fixture
def shelf(tmp_path: Path) -> Shelf:
    held = Shelf.open(tmp_path / "shelf", create=True)
    held.add(checked(Unit, inventory="D1", kind="drive unit"))
    return held


@pytest.fixture
def source(tmp_path: Path) -> Path:
    path = tmp_path / "k1.vcd.gz"
    write_capture(path, SIGNAL)
    return path


# two at once


class Patience:
    """Seconds to wait for the register, by the name of the thread that asks."""

    def __init__(self, short_s: float) -> None:
        self.short_s = short_s

    def __float__(self) -> float:
        return self.short_s if threading.current_thread().name == "hasty" else 60.0


@contextmanager
def register_held(shelf: Shelf) -> Iterator[None]:
    """Another program writes to the register."""
    other = sqlite3.connect(shelf.path, isolation_level=None, check_same_thread=False)
    other.execute("BEGIN IMMEDIATE")
    try:
        yield
    finally:
        other.execute("ROLLBACK")
        other.close()


def two_at_once(shelf: Shelf, add: Callable[[], object]) -> tuple[list[BaseException], list[object]]:
    """Add twice while the register is held: one gives up, then it is let go; what was refused and what was kept."""
    refused: list[BaseException] = []
    kept: list[object] = []

    def try_it() -> None:
        try:
            kept.append(add())
        except IndexholeError as fault:
            refused.append(fault)

    hasty, patient = (threading.Thread(target=try_it, name=name) for name in ("hasty", "patient"))
    with register_held(shelf):
        hasty.start()
        patient.start()
        hasty.join(60)
        assert patient.is_alive()
    patient.join(60)
    return refused, kept


def test_an_add_that_gives_up_takes_nothing_from_one_that_waits(shelf, source, monkeypatch):
    monkeypatch.setattr(database, "BUSY_S", Patience(0.5))
    refused, kept = two_at_once(shelf, lambda: store_capture(shelf, source, read_capture(source)))
    assert [type(fault) for fault in refused] == [ShelfFault]
    assert "another program is writing to it" in refused[0].line
    (stored,) = kept
    assert [found.state for found in check_captures(shelf)] == ["unchanged"]
    assert pulses_digest(read_pulses(shelf, stored.record)) == stored.record.pulses_sha256
    # and the next who adds it is told so
    assert not store_capture(shelf, source, read_capture(source)).new


def test_a_photo_that_gives_up_takes_nothing_from_one_that_waits(shelf, monkeypatch):
    monkeypatch.setattr(database, "BUSY_S", Patience(0.5))
    refused, kept = two_at_once(shelf, lambda: store_photo(shelf, PICTURE, "a.jpg", unit="D1"))
    assert [type(fault) for fault in refused] == [ShelfFault]
    assert read_photo(shelf, kept[0])[0] == PICTURE
    assert [found.state for found in check_photos(shelf)] == ["unchanged"]


def test_nothing_of_an_add_that_gave_up_is_left(shelf, source, monkeypatch):
    monkeypatch.setattr(database, "BUSY_S", 0.2)
    with register_held(shelf), pytest.raises(ShelfFault, match="another program is writing"):
        store_capture(shelf, source, read_capture(source))
    assert [path for path in shelf.folder.rglob("*") if path.is_file()] == [shelf.path]


def test_two_who_begin_a_shelf_at_once_have_the_same_one(tmp_path, monkeypatch):
    """The second has seen no register, and makes one, when the first has already put something on it."""
    folder = tmp_path / "shelf"
    make = database._make

    def meanwhile(place: Path) -> None:
        monkeypatch.setattr(database, "_make", make)
        Shelf.open(folder, create=True).add(checked(Unit, inventory="D1", kind="host"))
        make(place)

    monkeypatch.setattr(database, "_make", meanwhile)
    second = Shelf.open(folder, create=True)
    second.add(checked(Unit, inventory="D2", kind="host"))
    assert [unit.inventory for unit in second.all(Unit)] == ["D1", "D2"]
    assert [path.name for path in folder.iterdir()] == [database.REGISTER]


def test_a_shelf_that_another_has_used_meanwhile_is_not_discarded(tmp_path):
    begun = Shelf.open(tmp_path / "shelf", create=True)
    Shelf.open(tmp_path / "shelf").add(checked(Unit, inventory="D1", kind="host"))
    begun.discard()
    assert [unit.inventory for unit in Shelf.open(tmp_path / "shelf").all(Unit)] == ["D1"]
    other = Shelf.open(tmp_path / "other", create=True)
    waiting = Shelf.open(tmp_path / "other")
    other.discard()
    assert not (tmp_path / "other").exists()
    with pytest.raises(IndexholeError):
        waiting.add(checked(Unit, inventory="D1", kind="host"))


def test_measurements_added_at_once_are_all_kept(shelf):
    heading = "from,to,quantity,value,uncertainty,unit"
    sheets = [f"{heading}\nnominal,D{k}.0,speed,{k / 10},0.1,%\n".encode() for k in range(8)]
    threads = [threading.Thread(target=keep_measurements, args=(shelf, sheet, "m.csv")) for sheet in sheets]
    for one in threads:
        one.start()
    for one in threads:
        one.join(60)
    held = (shelf.folder / "measurements.csv").read_text().splitlines()
    assert held[0].startswith(heading)
    assert len(held) == 9
    assert kept_measurements(shelf)


# damage


def test_no_flipped_bit_of_any_kept_file_passes_unseen(shelf, source, tmp_path):
    """A thousand single bits over all kept files: `check` tells each, and nothing wrong is ever read."""
    waveform = Capture("w", 1e-7, SIGNAL.read_ticks, SIGNAL.index_ticks, {}, "", np.arange(3000).astype(np.uint8))
    records = [
        store_capture(shelf, source, read_capture(source)).record,
        store_capture(shelf, None, SIGNAL).record,
        store_capture(shelf, None, waveform).record,
    ]
    photo = store_photo(shelf, PICTURE * 40, "a.jpg", unit="D1")
    files = sorted({path for r in records for path in (r.parquet, r.original)} | {photo.file})
    whole = {file: (shelf.folder / file).read_bytes() for file in files}
    draw, silent, read_wrong = random.Random(SEED), [], []
    places = [(file, bit) for file in files for bit in range(8 * len(whole[file]))]
    for file, bit in draw.sample(places, 1000):
        bent = bytearray(whole[file])
        bent[bit // 8] ^= 1 << bit % 8
        (shelf.folder / file).write_bytes(bent)
        found = [found for found in (*check_captures(shelf), *check_photos(shelf)) if not found.sound]
        if not any(file in one.what for one in found):
            silent.append((file, bit))
        for record in records:
            try:
                read = read_pulses(shelf, record)
            except InputFault:
                continue
            if pulses_digest(read) != record.pulses_sha256:
                read_wrong.append((file, bit))
        (shelf.folder / file).write_bytes(whole[file])
    assert (silent, read_wrong) == ([], [])
    assert len(files) == 5
    assert all(found.sound for found in (*check_captures(shelf), *check_photos(shelf)))


def test_a_stored_file_alone_tells_that_its_pulses_have_changed(tmp_path):
    """Without the entry beside it: whatever still reads, reads as it was written."""
    path = tmp_path / "x.parquet"
    write_parquet(SIGNAL, path)
    whole, draw = path.read_bytes(), random.Random(SEED)
    refused = 0
    for bit in draw.sample(range(8 * len(whole)), 600):
        bent = bytearray(whole)
        bent[bit // 8] ^= 1 << bit % 8
        try:
            read = parse_parquet(bytes(bent), "x")
        except InputFault:
            refused += 1
            continue
        assert pulses_digest(read) == pulses_digest(SIGNAL)
        assert read.name == "k1"
    assert refused > 500


def test_a_file_that_claims_more_pulses_than_any_logger_gives_is_refused(tmp_path):
    path = tmp_path / "x.parquet"
    write_parquet(Capture("x", 1e-7, np.full(20_000_000, 7, np.int64), np.array([1])), path)
    assert path.stat().st_size < 100_000
    with pytest.raises(InputFault, match="claims 20000000 intervals"):
        parse_parquet(path.read_bytes(), "x")


def spoil(path: Path) -> None:
    content = bytearray(path.read_bytes())
    content[len(content) // 3] ^= 4
    path.write_bytes(content)


@pytest.mark.parametrize("how", ["changed", "missing"])
def test_pulses_are_made_anew_from_the_original_and_proven_equal(shelf, source, how):
    record = store_capture(shelf, source, read_capture(source)).record
    place = shelf.folder / record.parquet
    whole = place.read_bytes()
    if how == "changed":
        spoil(place)
    else:
        place.unlink()
    assert check_capture(shelf, record).state == how
    (told,) = mend_captures(shelf)
    assert (told.outcome, told.file) == ("made anew", record.parquet)
    assert place.read_bytes() == whole
    assert check_capture(shelf, shelf.get(CaptureRecord, record.sha256)).sound
    assert mend_captures(shelf) == []


def test_pulses_packed_by_another_version_get_a_name_of_their_own(shelf, source, monkeypatch):
    """Other bytes for the same pulses: the entry changes with them, and undoing that leads back to the old file."""
    record = store_capture(shelf, source, read_capture(source)).record
    spoil(shelf.folder / record.parquet)
    spoilt = (shelf.folder / record.parquet).read_bytes()
    monkeypatch.setattr("indexhole.signal.store._ROW_GROUP", 500)
    (told,) = mend_captures(shelf)
    renewed = shelf.get(CaptureRecord, record.sha256)
    assert told.outcome == "made anew"
    assert (renewed.parquet, renewed.pulses_sha256) != (record.parquet, "")
    assert (renewed.pulses_sha256, renewed.parquet == record.parquet) == (record.pulses_sha256, False)
    assert pulses_digest(read_pulses(shelf, renewed)) == record.pulses_sha256
    assert (shelf.folder / record.parquet).read_bytes() == spoilt
    shelf.undo()
    assert shelf.get(CaptureRecord, record.sha256) == record


def test_adding_the_file_again_mends_what_is_gone(shelf, source):
    stored = store_capture(shelf, source, read_capture(source))
    for path in (stored.record.parquet, stored.record.original):
        (shelf.folder / path).unlink()
    assert [told.outcome for told in mend_captures(shelf)] == ["not mended", "not mended"]
    again = store_capture(shelf, source, read_capture(source))
    assert (again.new, [told.outcome for told in again.mended]) == (False, ["put back", "made anew"])
    assert [found.state for found in check_captures(shelf)] == ["unchanged"]
    assert (shelf.folder / again.record.original).read_bytes() == source.read_bytes()


def test_pulses_that_the_original_does_not_give_are_never_called_equal(shelf, source):
    record = store_capture(shelf, source, read_capture(source)).record
    (shelf.folder / record.parquet).unlink()
    shelf.renew_files("another digest", [(record, {"pulses_sha256": "0" * 64})])
    (told,) = mend_captures(shelf)
    assert (told.outcome, told.why) == ("not mended", "the original gives other pulses to this version")
    assert not (shelf.folder / record.parquet).exists()


def test_another_file_mends_nothing(shelf, source, tmp_path):
    record = store_capture(shelf, source, read_capture(source)).record
    (shelf.folder / record.original).unlink()
    other = tmp_path / "other.vcd"
    write_capture(other, Capture("o", 1e-7, SIGNAL.read_ticks + 3, SIGNAL.index_ticks))
    (told,) = mend_capture(shelf, record, other)
    assert (told.outcome, told.why) == ("not mended", "the file given is another one")
    assert not (shelf.folder / record.original).exists()


def test_a_capture_without_digests_is_proven_by_its_original(shelf, source, tmp_path):
    """As an older version kept them: sound ones get their digests, damaged ones are found by the original alone."""
    other = tmp_path / "other.vcd.gz"
    write_capture(other, Capture("o", 1e-7, SIGNAL.read_ticks + 3, SIGNAL.index_ticks))
    third = tmp_path / "third.vcd.gz"
    write_capture(third, Capture("t", 1e-7, SIGNAL.read_ticks + 5, SIGNAL.index_ticks))
    before = [store_capture(shelf, path, read_capture(path)).record for path in (source, other)]
    before.append(store_capture(shelf, third, read_capture(third), keep_original=False).record)
    nothing = {"pulses_sha256": "", "parquet_sha256": ""}
    shelf.renew_files("as an older version has it", [(record, nothing) for record in before])
    # the pulses of the second are those of the first: a file that reads well and is wrong
    shutil.copyfile(shelf.folder / before[0].parquet, shelf.folder / before[1].parquet)
    assert [(found.state, found.proven) for found in check_captures(shelf)] == [
        ("unchanged", False), ("unchanged", False), ("not kept", False),
    ]  # fmt: skip
    told = mend_captures(shelf)
    assert [one.outcome for one in told] == ["proven", "other pulses", "taken as it stands"]
    after = shelf.all(CaptureRecord)
    assert [record.pulses_sha256 for record in after] == [record.pulses_sha256 for record in before]
    assert (after[0], after[2]) == (before[0], before[2])
    assert [found.proven for found in check_captures(shelf)] == [True, True, True]
    assert [change.what for change in shelf.changes(2)] == [
        "enter digests of the pulses of 2 captures",
        "make the pulses of other.vcd.gz anew",
    ]


def test_a_photo_added_again_is_whole_again(shelf):
    photo = store_photo(shelf, PICTURE, "a.jpg", unit="D1")
    spoil(shelf.folder / photo.file)
    with pytest.raises(InputFault, match="has changed since it was kept; put back a copy"):
        read_photo(shelf, photo)
    store_photo(shelf, PICTURE, "a.jpg", unit="D1")
    assert read_photo(shelf, photo) == (PICTURE, "image/jpeg")


def test_the_command_line_tells_damage_by_file_and_mends_it(tmp_path, source, capsys):
    bench = Bench(tmp_path / "shelf", capsys)
    bench("add", "capture", source)
    record = Shelf.open(bench.folder).all(CaptureRecord)[0]
    spoil(bench.folder / record.parquet)
    told = bench("check", status=1)
    assert f"changed: {record.parquet} has changed" in told
    assert "`indexhole shelf mend` makes it anew from the original" in told
    found = bench.json("check", status=1)
    assert [file["state"] for file in found["captures"][0]["files"]] == ["unchanged", "changed"]
    assert "made anew from the original, and proven equal" in bench("mend")
    assert bench("check") == "register sound; 1 of 1 captures unchanged\n"
    assert bench("mend") == "nothing needs mending\n"
    (bench.folder / record.original).unlink()
    assert bench.json("mend", status=1)["left"] == 1


def test_a_full_device_while_mending_is_told_in_one_line(tmp_path, source, capsys, monkeypatch):
    bench = Bench(tmp_path / "shelf", capsys)
    bench("add", "capture", source)
    record = Shelf.open(bench.folder).all(CaptureRecord)[0]
    (bench.folder / record.parquet).unlink()

    def full(capture: Capture, place: object) -> str:
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    monkeypatch.setattr("indexhole.shelf.care.mending.write_parquet", full)
    assert "the files of k1.vcd.gz cannot be mended (No space left on device)" in bench.refused("mend")
    assert not list((bench.folder / "captures").glob(".indexhole-part-*"))


# what killed commands leave


def old(path: Path) -> Path:
    os.utime(path, (1_700_000_000, 1_700_000_000))
    return path


def test_what_a_killed_command_left_is_told_and_swept_and_nothing_else(shelf, source, tmp_path):
    record = store_capture(shelf, source, read_capture(source)).record
    undone = store_photo(shelf, PICTURE, "a.jpg", unit="D1")
    shelf.undo()
    made = [
        shelf.folder / ".indexhole-part-00000001",
        shelf.folder / "captures" / ".part-0badcafe.parquet.partial",
        shelf.folder / "captures" / "originals" / ".indexhole-part-00000002",
        shelf.folder / "photos" / ".indexhole-part-00000003",
    ]
    for path in made:
        path.write_bytes(b"half")
        old(path)
    beside = tmp_path / ".indexhole-part-00000004"
    (beside / "captures").mkdir(parents=True)
    old(beside)
    stray = shelf.folder / "captures" / f"{'a' * 16}.parquet"
    stray.write_bytes(b"whole")
    note = shelf.folder / "captures" / "read me.txt"
    note.write_text("of the keeper")
    kept = {
        path: path.read_bytes() for path in (shelf.folder / record.parquet, shelf.folder / undone.file, stray, note)
    }
    with in_the_making(shelf.folder / "captures") as alive:
        old(Path(alive.name))
        told = leavings(shelf)
        assert sorted(told.unfinished) == sorted(
            [str(beside), *(path.relative_to(shelf.folder).as_posix() for path in made)]
        )
        assert (told.undone, told.unnamed) == ((undone.file,), (f"captures/{'a' * 16}.parquet",))
        assert told.others == ("captures/read me.txt",)
        assert sorted(sweep(shelf)) == sorted(told.unfinished)
        assert Path(alive.name).exists()
    assert not any(path.exists() for path in (*made, beside))
    assert {path: path.read_bytes() for path in kept} == kept
    assert sweep(shelf, unnamed=True) == [f"captures/{'a' * 16}.parquet"]
    assert (shelf.folder / undone.file).exists()
    assert note.exists()
    assert [found.sound for found in check_captures(shelf)] == [True]


def test_a_temporary_file_that_is_new_is_let_be_for_a_minute(shelf):
    path = shelf.folder / ".indexhole-part-00000001"
    path.write_bytes(b"x")
    assert sweep(shelf) == []
    assert sweep(shelf, older_than_s=0) == [path.name]


def test_a_file_swept_before_it_is_held_is_begun_anew(tmp_path, monkeypatch):
    hold, swept = files._hold, []

    def hold_late(handle: int) -> None:
        if not swept:
            swept.extend(tmp_path.iterdir())
            swept[0].unlink()
        hold(handle)

    monkeypatch.setattr(files, "_hold", hold_late)
    files.write_whole(tmp_path / "a", b"whole")
    assert swept
    assert [(path.name, path.read_bytes()) for path in tmp_path.iterdir()] == [("a", b"whole")]


def test_the_command_line_sweeps(tmp_path, capsys):
    bench = Bench(tmp_path / "shelf", capsys)
    bench("add", "unit", "D1")
    left = old_file = bench.folder / ".indexhole-part-00000001"
    old_file.write_bytes(b"x")
    old(left)
    (bench.folder / "photos").mkdir()
    stray = bench.folder / "photos" / f"{'b' * 16}.jpg"
    stray.write_bytes(PICTURE)
    told = bench("check")
    assert f"{left.name}: left behind by a command that was killed" in told
    assert f"photos/{stray.name}: no entry names it" in told
    assert bench("sweep").splitlines() == [f"removed {left.name}", "1 file removed"]
    assert bench("sweep", "--unnamed", "--yes").splitlines()[0] == f"removed photos/{stray.name}"
    assert bench("sweep") == "nothing was left behind\n"
