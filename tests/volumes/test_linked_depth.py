"""Linked-sector volumes in depth: saving and free blocks, the map against use, relative files, deleted ones."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from indexhole.volumes.linked.forms import FORMS, KINDS, Form, Place, places_of
from indexhole.volumes.linked.make import make_linked
from indexhole.volumes.read import read_volume
from indexhole.volumes.volume import Volume, VolumeFile

LAYOUTS = [form.layout for form in FORMS]
FILES = {"TIDES": b"high water " * 200, "LAMP LOG": b"lit at dusk " * 300}


def volume_of(image: bytes, unsound: tuple[int, ...] = ()) -> Volume:
    volume = read_volume(image, unsound)
    assert volume is not None
    assert volume.kind == "linked"
    return volume


def named(volume: Volume) -> dict[str, VolumeFile]:
    return {file.name: file for file in volume.files}


def form_of(layout: str) -> Form:
    return next(form for form in FORMS if form.layout == layout)


def record_at(layout: str, number: int) -> int:
    """Place in the image of a record of the first directory block."""
    return places_of(layout).lba[form_of(layout).directory_track, 1] * 256 + 32 * number


def set_free(image: bytearray, layout: str, place: Place, free: bool) -> None:
    """Mark a block in the map and keep the track's count in step."""
    form = form_of(layout)
    block, first = max((m for m in form.map_blocks if m[1] <= place[0]), key=lambda m: m[1])
    at = places_of(layout).lba[block] * 256 + form.map_at + (place[0] - first) * form.map_bytes
    bit = 1 << place[1] % 8
    was = bool(image[at + 1 + place[1] // 8] & bit)
    image[at + 1 + place[1] // 8] ^= bit * (was != free)
    image[at] += free - was


@pytest.mark.parametrize("layout", LAYOUTS)
@pytest.mark.parametrize("size", [0, 1, 253, 254])
def test_a_saved_file_of_one_block_takes_one_free_block(layout: str, size: int) -> None:
    before = volume_of(make_linked(FILES, "T", layout=layout))
    after = volume_of(make_linked({**FILES, "ONE": bytes(size)}, "T", layout=layout))
    assert before.free - after.free == 1
    two = volume_of(make_linked({**FILES, "TWO": bytes(255)}, "T", layout=layout))
    assert before.free - two.free == 2
    assert after.problems == ()


@pytest.mark.parametrize("layout", LAYOUTS)
@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("blocks", [1, 119, 120, 121, 300])
def test_every_kind_comes_back(layout: str, kind: str, blocks: int) -> None:
    data = np.random.default_rng(blocks).bytes(254 * blocks)
    volume = volume_of(make_linked({"A": data, **FILES}, "T", layout=layout, kinds={"A": kind}, record_bytes=127))
    file = named(volume)["A"]
    assert (file.kind, file.data, file.whole, file.problems) == (kind, data, True, ())
    assert volume.problems == ()
    # a relative file has an index block for each 120 of its own
    index = -(-blocks // 120) if kind == "relative" else 0
    assert len(file.sectors) == blocks + index
    assert file.record_bytes == (127 if kind == "relative" else 0)


def test_an_index_that_does_not_fit_its_chain_is_told() -> None:
    layout = "zoned-35-1s"
    image = bytearray(make_linked({"A": bytes(254 * 130)}, "T", layout=layout, kinds={"A": "relative"}))
    index = volume_of(bytes(image)).files[0].sectors[-2:]
    hurt = image.copy()
    hurt[index[0] * 256 + 16] ^= 1
    (file,) = volume_of(bytes(hurt)).files
    assert any("its index does not name the blocks of its chain" in p for p in file.problems)
    assert file.data == bytes(254 * 130)
    hurt = image.copy()
    hurt[index[1] * 256 : index[1] * 256 + 2] = image[record_at(layout, 0) + 21 : record_at(layout, 0) + 23]
    (file,) = volume_of(bytes(hurt)).files
    assert any("its index: the chain comes back" in p for p in file.problems)


@pytest.mark.parametrize("layout", LAYOUTS)
def test_the_map_against_use_both_ways(layout: str) -> None:
    image = bytearray(make_linked(FILES, "T", layout=layout))
    places = places_of(layout)
    by_lba = {lba: place for place, lba in places.lba.items()}
    lent = by_lba[volume_of(bytes(image)).files[0].sectors[0]]
    outer = (1, 5)
    set_free(image, layout, lent, True)
    set_free(image, layout, outer, False)
    volume = volume_of(bytes(image))
    assert volume.problems == (
        f"1 block in use called free by the map: track {lent[0]} sector {lent[1]}: write nothing on this disk",
        "1 block in use by the map belong to no file: track 1 sector 5",
    )
    assert all(f.whole and not f.problems for f in volume.files)


@pytest.mark.parametrize("layout", LAYOUTS)
def test_a_count_that_disagrees_with_its_bits_names_the_track(layout: str) -> None:
    image = bytearray(make_linked(FILES, "T", layout=layout))
    form = form_of(layout)
    at = places_of(layout).lba[form.map_blocks[0][0]] * 256 + form.map_at + 2 * form.map_bytes
    image[at] -= 1
    assert volume_of(bytes(image)).problems == ("the map's free count and its bits disagree on 1 track: 3",)


@pytest.mark.parametrize("layout", LAYOUTS)
def test_deleted_files_are_followed_while_their_blocks_are_free(layout: str) -> None:
    image = bytearray(make_linked({"GONE": bytes(range(250)) * 5, **FILES}, "T", layout=layout))
    by_lba = {lba: place for place, lba in places_of(layout).lba.items()}
    blocks = named(volume_of(bytes(image)))["GONE"].sectors
    image[record_at(layout, 0) + 2] = 0
    for lba in blocks:
        set_free(image, layout, by_lba[lba], True)
    volume = volume_of(bytes(image))
    assert volume.problems == ()
    assert set(named(volume)) == set(FILES)
    (gone,) = volume.deleted_files
    assert (gone.name, gone.data, gone.deleted, gone.whole) == ("GONE", bytes(range(250)) * 5, True, False)
    # a block that was given to another file since ends it
    set_free(image, layout, by_lba[blocks[2]], False)
    (gone,) = volume_of(bytes(image)).deleted_files
    assert gone.sectors == blocks[:2]
    assert any("is in use again" in p for p in gone.problems)
    assert any("the directory says 5 blocks, the chain holds 2" in p for p in gone.problems)


def test_records_locked_listed_only_and_of_no_known_kind() -> None:
    layout = "zoned-35-1s"
    image = bytearray(make_linked({"A": b"1", "B": b"2", "C": b"3", "D": b"4"}, "T", layout=layout))
    image[record_at(layout, 0) + 2] |= 0x40
    image[record_at(layout, 1) + 2 : record_at(layout, 1) + 5] = bytes([0x80, 0, 0])
    image[record_at(layout, 2) + 2] = 0x86
    image[record_at(layout, 3) + 2] = 0x80
    volume = volume_of(bytes(image))
    assert [(f.name, f.kind, f.data, f.whole) for f in volume.files] == [
        ("A", "locked program", b"1", True),
        ("B", "listed only", b"", True),
        ("D", "listed only", b"4", True),
    ]
    assert any("1 directory record of a kind not known passed over" in p for p in volume.problems)


def test_what_was_not_recovered_is_told_as_such() -> None:
    layout = "zoned-35-1s"
    image = bytearray(make_linked({"A": b"a" * 1000, "B": b"b" * 600}, "T", layout=layout))
    second = volume_of(bytes(image)).files[0].sectors[1]
    image[second * 256 : (second + 1) * 256] = bytes(256)
    read, lost = volume_of(bytes(image)).files[0], volume_of(bytes(image), (second,)).files[0]
    assert not any("not recovered" in p for p in read.problems)
    assert any("is cut at track 17 sector" in p and "not recovered" in p for p in lost.problems)
    assert not lost.whole
    # a directory block with a failing check makes its files doubtful
    files = volume_of(make_linked(FILES, "T"), (358,))
    assert not any(f.whole for f in files.files)
    assert any("1 block of header, map and directory not soundly read" in p for p in files.problems)
    # a map that was lost calls nothing into doubt but itself
    image = bytearray(make_linked(FILES, "T", layout="zoned-77-1s"))
    at = places_of("zoned-77-1s").lba[38, 0]
    image[at * 256 : (at + 1) * 256] = bytes(256)
    volume = volume_of(bytes(image), (at,))
    assert any("the map from track 1 on was not recovered" in p for p in volume.problems)
    assert not any("belong to no file" in p for p in volume.problems)


def test_a_relative_file_that_is_too_long_is_refused() -> None:
    with pytest.raises(ValueError, match="at most 720 blocks"):
        make_linked({"A": bytes(254 * 721)}, "T", layout="zoned-77-1s", kinds={"A": "relative"})


MUTABLE = {}
for _layout in LAYOUTS:
    _image = bytearray(
        make_linked(
            {"REL": bytes(254 * 130), "GONE": b"g" * 900, **FILES}, "T", layout=_layout, kinds={"REL": "relative"}
        )
    )
    _image[record_at(_layout, 1) + 2] = 0
    MUTABLE[_layout] = bytes(_image)


@settings(max_examples=150)
@given(
    st.integers(0, 2**32 - 1),
    st.integers(1, 120),
    st.sampled_from(LAYOUTS),
    st.booleans(),
    st.booleans(),
    st.booleans(),
)
def test_a_mutated_image_is_read_within_bounds(
    seed: int, count: int, layout: str, near: bool, cut: bool, doubt: bool
) -> None:
    rng = np.random.default_rng(seed)
    image = bytearray(MUTABLE[layout])
    form = form_of(layout)
    start = places_of(layout).lba[form.directory_track, 0] * 256
    low, high = (start, start + 1024) if near else (0, len(image))
    values = rng.choice(np.array([0, 1, 2, 5, 16, 17, 18, 19, 38, 39, 0x80, 0x82, 0x84, 0xA0, 0xFF]), count)
    for place, value in zip(rng.integers(low, high, count).tolist(), values.tolist(), strict=True):
        image[place] = value
    if cut:
        del image[int(rng.integers(1, len(image) // 256)) * 256 :]
    held = len(image) // 256
    volume = read_volume(bytes(image), rng.integers(0, held, 20).tolist() if doubt else ())
    if volume is None:
        return
    for file in (*volume.files, *volume.deleted_files):
        assert file.name.isascii()
        assert len(set(file.sectors)) == len(file.sectors)
        beyond = [s for s in file.sectors if s >= held]
        assert not beyond or any("beyond the image" in p for p in file.problems)
        assert not (beyond and file.whole)
    assert not any(f.whole for f in volume.deleted_files)
    assert sum(len(f.data) for f in (*volume.files, *volume.deleted_files)) <= 18 * len(MUTABLE[layout])
    assert 0 <= volume.free <= len(places_of(layout).lba)
