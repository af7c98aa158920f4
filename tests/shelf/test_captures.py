"""Captures on the shelf: bytes kept as they came, one entry for one SHA-256, and every later change found."""

from __future__ import annotations

import gzip
import hashlib
from pathlib import Path

import numpy as np
import pytest

from indexhole.errors import IndexholeError, InputFault, ShelfFault
from indexhole.shelf.care.captures import store_capture
from indexhole.shelf.care.condition import check_captures
from indexhole.shelf.care.sweep import leavings
from indexhole.shelf.records.records import CaptureRecord, Disk, checked
from indexhole.shelf.register.shelf import Shelf
from indexhole.signal.captures.capture import Capture
from indexhole.signal.formats.readers import read_capture
from indexhole.signal.formats.write_vcd import write_capture
from indexhole.signal.store import read_parquet

SIMULATED = Capture("practice", 1e-7, np.arange(40, 20_000, 40), np.array([10, 15_000]))


@pytest.fixture
def shelf(tmp_path: Path) -> Shelf:
    return Shelf.open(tmp_path / "shelf", create=True)


@pytest.fixture
def source(tmp_path: Path) -> Path:
    path = tmp_path / "K1 cyl. 3, Größe.vcd.gz"
    write_capture(path, SIMULATED)
    return path


def tree(shelf: Shelf) -> list[str]:
    found = (path.relative_to(shelf.folder).as_posix() for path in shelf.folder.rglob("*") if path.is_file())
    return sorted(path for path in found if path != "register.sqlite")


def test_a_capture_is_kept_as_it_came_and_as_pulses(shelf, source):
    shelf.add(checked(Disk, inventory="K1"))
    capture = read_capture(source)
    stored = store_capture(shelf, source, capture, disk="K1", cylinder=3, head=0, taken="2026-03-01")
    digest = hashlib.sha256(source.read_bytes()).hexdigest()
    assert stored.new
    assert stored.record == shelf.get(CaptureRecord, digest)
    assert (stored.record.name, stored.record.size_bytes) == (source.name, source.stat().st_size)
    assert tree(shelf) == [f"captures/{digest[:16]}.parquet", f"captures/originals/{digest[:16]}-K1_cyl._3_Gr_e.vcd.gz"]
    assert (shelf.folder / stored.record.original).read_bytes() == source.read_bytes()
    pulses = read_parquet(shelf.folder / stored.record.parquet)
    np.testing.assert_allclose(
        pulses.read_ticks * pulses.tick_s, capture.read_ticks * capture.tick_s, rtol=0, atol=1e-12
    )
    assert [found.state for found in check_captures(shelf)] == ["unchanged"]
    assert list(leavings(shelf).strays) == []


def test_the_same_bytes_under_another_name_are_not_kept_twice(shelf, source, tmp_path):
    first = store_capture(shelf, source, read_capture(source))
    copy = tmp_path / "copy.vcd.gz"
    copy.write_bytes(source.read_bytes())
    before = tree(shelf)
    again = store_capture(shelf, copy, read_capture(copy), taken="2026")
    assert (again.record, again.new) == (first.record, False)
    assert tree(shelf) == before


def test_a_file_whose_name_is_no_text_is_kept(shelf, source, tmp_path):
    odd = tmp_path / "k\udcff.vcd.gz"
    try:
        source.rename(odd)
    except OSError:
        pytest.skip("this file system takes no such name")
    stored = store_capture(shelf, odd, read_capture(odd))
    assert shelf.all(CaptureRecord)[0].name == "k\\udcff.vcd.gz"
    assert (shelf.folder / stored.record.original).read_bytes() == odd.read_bytes()


def test_an_original_need_not_be_kept(shelf, source):
    stored = store_capture(shelf, source, read_capture(source), keep_original=False)
    assert stored.record.original == ""
    assert tree(shelf) == [stored.record.parquet]
    assert [found.state for found in check_captures(shelf)] == ["not kept"]


def test_a_simulated_capture_is_its_own_original(shelf):
    stored = store_capture(shelf, None, SIMULATED)
    assert (stored.record.name, stored.record.original) == ("practice", stored.record.parquet)
    assert [found.state for found in check_captures(shelf)] == ["unchanged"]
    (shelf.folder / stored.record.parquet).write_bytes(b"worm")
    assert [found.state for found in check_captures(shelf)] == ["changed"]


def test_a_flipped_bit_and_a_lost_file_are_found(shelf, source, tmp_path):
    stored = store_capture(shelf, source, read_capture(source))
    other = tmp_path / "other.vcd"
    other.write_bytes(gzip.decompress(source.read_bytes()))
    store_capture(shelf, other, read_capture(other))
    original = shelf.folder / stored.record.original
    content = bytearray(original.read_bytes())
    content[len(content) // 2] ^= 1
    original.write_bytes(content)
    first, second = check_captures(shelf)
    assert (first.state, second.state) == ("changed", "unchanged")
    assert f"its SHA-256 is now {hashlib.sha256(content).hexdigest()}" in first.what
    original.unlink()
    assert check_captures(shelf)[0].state == "missing"
    (shelf.folder / second.record.parquet).unlink()
    assert "`indexhole shelf mend` makes it anew" in check_captures(shelf)[1].what
    (shelf.folder / second.record.original).unlink()
    assert "add other.vcd again to make it anew" in check_captures(shelf)[1].what


@pytest.mark.parametrize(
    ("about", "told"),
    [
        ({"disk": "K9"}, "there is no disk K9"),
        ({"mechanism": "D1.0"}, "there is no mechanism D1.0"),
        ({"cylinder": 999}, "capture cylinder: must not be above 254"),
        ({"taken": "some day"}, "'some day' is not a date"),
    ],
)
def test_a_capture_that_does_not_fit_leaves_neither_file_nor_entry(shelf, source, about, told):
    with pytest.raises(InputFault) as fault:
        store_capture(shelf, source, read_capture(source), **about)
    assert told in fault.value.line
    assert tree(shelf) == []
    assert shelf.all(CaptureRecord) == []


def test_a_fault_does_not_take_files_of_an_earlier_addition(shelf, source):
    stored = store_capture(shelf, source, read_capture(source))
    shelf.undo()
    assert list(leavings(shelf).strays) == sorted([stored.record.parquet, stored.record.original])
    with pytest.raises(InputFault):
        store_capture(shelf, source, read_capture(source), disk="K9")
    assert len(tree(shelf)) == 2
    assert store_capture(shelf, source, read_capture(source)).new
    assert list(leavings(shelf).strays) == []


def test_a_file_that_changes_while_it_is_read_is_not_kept(shelf, source):
    capture = read_capture(source)
    source.write_bytes(source.read_bytes() + b"\n")
    with pytest.raises(InputFault, match="changed while it was being read; add it again"):
        store_capture(shelf, source, capture)
    assert tree(shelf) == []


def test_a_folder_that_takes_no_files_is_told(shelf, source):
    (shelf.folder / "captures").write_text("in the way")
    with pytest.raises(ShelfFault, match="the capture cannot be kept"):
        store_capture(shelf, source, read_capture(source))
    assert shelf.all(CaptureRecord) == []


def test_a_source_that_has_gone_is_told(shelf, source):
    capture = read_capture(source)
    source.unlink()
    with pytest.raises(IndexholeError, match="the capture cannot be kept"):
        store_capture(shelf, source, capture)
    assert tree(shelf) == []
