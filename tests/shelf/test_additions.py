"""Parts, firmware, loans, photos and views: what they take, what they hang on, and photos kept byte for byte."""

from __future__ import annotations

import struct
import zlib
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from indexhole.errors import InputFault, ShelfFault
from indexhole.shelf.care.condition import check_photos
from indexhole.shelf.care.photos import media_type_of, store_photo
from indexhole.shelf.records.additions import Firmware, Loan, Part, Photo, View
from indexhole.shelf.records.records import Disk, Unit, checked
from indexhole.shelf.register.shelf import Shelf


def png(tone: int = 0) -> bytes:
    """A picture of one grey point."""

    def chunk(name: bytes, content: bytes) -> bytes:
        return struct.pack(">I", len(content)) + name + content + struct.pack(">I", zlib.crc32(name + content))

    head = struct.pack(">IIBBBBB", 1, 1, 8, 0, 0, 0, 0)
    body = zlib.compress(bytes((0, tone)))
    return b"\x89PNG\r\n\x1a\n" + chunk(b"IHDR", head) + chunk(b"IDAT", body) + chunk(b"IEND", b"")


@pytest.fixture
def shelf(tmp_path: Path) -> Shelf:
    held = Shelf.open(tmp_path / "shelf", create=True)
    held.add(checked(Unit, inventory="D1", kind="drive unit"))
    held.add(checked(Disk, inventory="K1"))
    return held


def test_each_addition_is_given_its_key_and_kept_whole(shelf):
    given = (
        checked(Part, unit="D1", name="controller", board="main board", marking="printed 40-way", date_code="8332"),
        checked(Part, unit="D1", name="memory"),
        checked(Firmware, unit="D1", version="2.6", place="socketed ROM", seen_how="sum read on the bench"),
        checked(Loan, unit="D1", party="school of navigation", since="2026-01", until="2026-06", purpose="teaching"),
        checked(Loan, disk="K1", party="the crane crew", direction="in", since="about 2011"),
        checked(View, view="heavy units", what="unit", words="two hands", note="for the move"),
    )
    kept = [shelf.add(record) for record in given]
    assert [record.key for record in kept] == ["P1", "P2", "F1", "LN1", "LN2", "heavy units"]
    for record in kept:
        assert shelf.get(type(record), record.key) == record
    told = [change.what for change in shelf.changes()]
    assert told[1:5] == [
        "add loan K1 from the crane crew",
        "add loan D1 to school of navigation",
        "add firmware D1: 2.6",
        "add part D1: memory",
    ]
    assert shelf.update(Loan, "LN1", returned="2026-05-30").returned == "2026-05-30"


@pytest.mark.parametrize(
    ("kind", "values", "told"),
    [
        (Part, {"unit": "D1", "name": ""}, "part name: this is needed"),
        (Part, {"unit": "D9", "name": "x"}, "there is no unit D9 on the shelf"),
        (Firmware, {"unit": "D1", "version": "1", "seen_when": "lately"}, "'lately' is not a date"),
        (Loan, {"party": "x"}, "a loan is of one unit or of one disk"),
        (Loan, {"party": "x", "unit": "D1", "disk": "K1"}, "a loan is of one unit or of one disk"),
        (Loan, {"party": "x", "unit": "D1", "direction": "away"}, "loan direction: 'away' is none of 'out' or 'in'"),
        (View, {"view": ""}, "view view"),
    ],
)
def test_what_does_not_fit_is_told_in_one_line(shelf, kind, values, told):
    with pytest.raises(InputFault) as fault:
        shelf.add(checked(kind, **values))
    assert told in fault.value.line
    assert "\n" not in fault.value.line


def test_a_unit_with_parts_cannot_go(shelf):
    shelf.add(checked(Part, unit="D1", name="controller"))
    with pytest.raises(InputFault, match="unit D1 is named by 1 parts; remove those first"):
        shelf.remove(Unit, "D1")


def test_a_photo_is_kept_byte_for_byte_once(shelf):
    content = png()
    first = store_photo(shelf, content, "front side.PNG", unit="D1", caption="the front", taken="2026-03-01")
    second = store_photo(shelf, content, "again.png", disk="K1", caption="beside the disk")
    assert (first.key, second.key, first.file) == ("PH1", "PH2", second.file)
    assert first.media_type == "image/png"
    assert (shelf.folder / first.file).read_bytes() == content
    assert [path.name for path in (shelf.folder / "photos").iterdir()] == [f"{first.sha256[:16]}.png"]
    assert [found.state for found in check_photos(shelf)] == ["unchanged", "unchanged"]
    assert shelf.update(Photo, "PH1", caption="the front, dusty").caption == "the front, dusty"
    with pytest.raises(InputFault, match="cannot take another sha256"):
        shelf.update(Photo, "PH1", sha256="0" * 64)


def test_a_photo_that_was_changed_or_lost_is_found(shelf):
    one, two = (store_photo(shelf, png(tone), "a.png", unit="D1") for tone in (1, 2))
    (shelf.folder / one.file).write_bytes(png(9))
    (shelf.folder / two.file).unlink()
    changed, missing = check_photos(shelf)
    assert (changed.state, missing.state) == ("changed", "missing")
    assert changed.what.startswith(f"{one.file} has changed: its SHA-256 is now ")
    assert missing.what == f"{two.file} is missing; put back a copy, or add the photo again"


def test_what_is_no_photo_is_refused_and_leaves_nothing(shelf):
    with pytest.raises(InputFault, match=r"^x\.png: is no photo that can be kept; save it as JPEG, PNG or WebP$"):
        store_photo(shelf, b"RIFF\0\0\0\0WAVE", "x.png", unit="D1")
    with pytest.raises(InputFault, match="there is no unit D9"):
        store_photo(shelf, png(), "x.png", unit="D9")
    assert not list((shelf.folder / "photos").iterdir())
    (shelf.folder / "photos").rmdir()
    (shelf.folder / "photos").write_text("in the way")
    with pytest.raises(ShelfFault):
        store_photo(shelf, png(), "x.png", unit="D1")
    assert shelf.all(Photo) == []


@given(st.binary(max_size=40))
def test_any_bytes_are_a_kind_of_picture_or_refused(content):
    try:
        assert media_type_of(content).startswith("image/")
    except InputFault as fault:
        assert fault.what == "is no photo that can be kept"
