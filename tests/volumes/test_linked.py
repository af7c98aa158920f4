"""Linked-sector volumes: written and read on every zoned layout, damaged on purpose, and mutated at random."""

from __future__ import annotations

import gzip
import hashlib
import json
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from indexhole.standards.layouts import load_layouts
from indexhole.volumes.linked.forms import FORMS, Place, find_form, places_of
from indexhole.volumes.linked.make import make_linked, make_linked35
from indexhole.volumes.read import read_volume
from indexhole.volumes.volume import Volume

LAYOUTS = [form.layout for form in FORMS]
# common practice, no source: what an empty volume says it has free
FREE = {"zoned-35-1s": 664, "zoned-77-1s": 2052, "zoned-77-2s": 4133}
FILES = {
    "TIDE TABLES": b"high water at noon " * 480,
    "EMPTY": b"",
    "ONE BLOCK": bytes(range(254)),
    "ONE MORE": bytes(range(255)),
    "LAMP LOG": b"fog " * 3000,
}


def volume_of(image: bytes) -> Volume:
    volume = read_volume(image)
    assert volume is not None
    assert volume.kind == "linked"
    return volume


@pytest.mark.parametrize("layout", LAYOUTS)
def test_written_and_read(layout: str) -> None:
    many = FILES | {f"NOTE {n}": bytes([n]) * (n * 37) for n in range(30)}
    image = make_linked(many, "QUAY FIVE", layout=layout, kinds={"LAMP LOG": "sequential"})
    assert len(image) == load_layouts()[layout].capacity_bytes
    volume = volume_of(image)
    assert {f.name: f.data for f in volume.files} == many
    assert all(f.whole and not f.problems for f in volume.files)
    assert {f.name for f in volume.files if f.kind == "sequential"} == {"LAMP LOG"}
    assert volume.title == "QUAY FIVE"
    assert volume.problems == ()
    used = sum(len(f.sectors) for f in volume.files)
    assert used == sum(max(1, -(-len(data) // 254)) for data in many.values())
    assert volume.free == FREE[layout] - used
    assert not {s for f in volume.files for s in f.sectors} & set(volume.system_sectors)
    assert make_linked(many, "QUAY FIVE", layout=layout, kinds={"LAMP LOG": "sequential"}) == image


@pytest.mark.parametrize("layout", LAYOUTS)
def test_an_empty_volume(layout: str) -> None:
    volume = volume_of(make_linked({}, "BLANK", layout=layout))
    assert volume.files == ()
    assert volume.free == FREE[layout]


@pytest.mark.parametrize("layout", LAYOUTS)
def test_a_full_volume_holds_254_bytes_a_block(layout: str) -> None:
    data = np.random.default_rng(3).bytes(FREE[layout] * 254)
    volume = volume_of(make_linked({"ALL": data}, "FULL", layout=layout))
    assert volume.files[0].data == data
    assert volume.free == 0
    if layout == "zoned-35-1s":
        assert len(data) == 168_656
    with pytest.raises(ValueError, match="do not fit"):
        make_linked({"ALL": data + b"x"}, "FULL", layout=layout)


def test_places_follow_cylinder_head_and_sector() -> None:
    one, two = places_of("zoned-35-1s"), places_of("zoned-77-2s")
    # 17 tracks of 21 sectors lie before track 18
    assert one.lba[18, 0] == 357
    assert one.lba[35, 16] == 682
    # side 1 of a cylinder follows side 0 of the same one
    assert two.lba[78, 0] == 29
    assert two.lba[2, 0] == 58
    assert max(two.lba.values()) == 4165


SIMPLE = {"A": b"a" * 1000, "B": b"b" * 600}


def broken(layout: str, changes: dict[Place, bytes]) -> Volume:
    """The simple volume with the first bytes of some blocks changed."""
    image = bytearray(make_linked(SIMPLE, "T", layout=layout))
    for place, start in changes.items():
        at = places_of(layout).lba[place] * 256
        image[at : at + len(start)] = start
    return volume_of(bytes(image))


def chain_of(name: str) -> list[Place]:
    volume = volume_of(make_linked35(SIMPLE, "T"))
    by_lba = {lba: place for place, lba in places_of("zoned-35-1s").lba.items()}
    return [by_lba[s] for f in volume.files if f.name == name for s in f.sectors]


# (place in A's chain of four, its new link, words of the problem, bytes found)
BROKEN = [
    (1, "first of A", "comes back to track", 508),
    (1, "itself", "comes back to track", 508),
    (1, bytes([36, 0]), "track 36 sector 0, beyond the end", 508),
    (1, bytes([17, 21]), "track 17 sector 21, beyond the end", 508),
    (1, bytes([0, 255]), "the directory says 4 blocks, the chain holds 2", 508),
    (1, bytes([0, 0]), "the directory says 4 blocks, the chain holds 2", 254),
]


@pytest.mark.parametrize(("at", "link", "words", "size"), BROKEN)
def test_broken_chains_are_told(at: int, link: str | bytes, words: str, size: int) -> None:
    chain = chain_of("A")
    if isinstance(link, str):
        link = bytes(chain[0] if link == "first of A" else chain[at])
    volume = broken("zoned-35-1s", {chain[at]: link})
    first, second = volume.files
    assert any(words in problem for problem in first.problems)
    assert not first.whole
    assert first.data == b"a" * size
    assert second.data == SIMPLE["B"]
    assert second.whole


def test_cross_linked_files_are_both_told() -> None:
    volume = broken("zoned-35-1s", {chain_of("A")[1]: bytes(chain_of("B")[0])})
    first, second = volume.files
    assert first.data == b"a" * 508 + SIMPLE["B"]
    assert any("belongs to B too" in p for p in first.problems)
    assert any("belongs to A too" in p for p in second.problems)
    assert not first.whole
    assert not second.whole


def test_a_file_that_runs_into_the_directory() -> None:
    volume = broken("zoned-35-1s", {chain_of("A")[1]: bytes([18, 1])})
    assert any("belongs to the directory too" in p for p in volume.files[0].problems)


def test_a_directory_that_comes_back_to_itself() -> None:
    volume = broken("zoned-35-1s", {(18, 1): bytes([18, 1])})
    assert [f.name for f in volume.files] == ["A", "B"]
    assert any(p.startswith("directory: the chain comes back") for p in volume.problems)


def test_map_against_use() -> None:
    image = bytearray(make_linked35(SIMPLE, "T"))
    track, sector = chain_of("A")[0]
    at = 357 * 256 + 4 * track
    image[at + 1 + sector // 8] |= 1 << sector % 8
    volume = volume_of(bytes(image))
    place = f"track {track} sector {sector}"
    assert any(f"1 block in use called free by the map: {place}" in p for p in volume.problems)
    assert any(f"disagree on 1 track: {track}" in p for p in volume.problems)


def test_a_lost_header_still_lets_the_directory_be_read() -> None:
    image = bytearray(make_linked35(SIMPLE, "T"))
    image[357 * 256 : 358 * 256] = bytes(256)
    volume = volume_of(bytes(image))
    assert {f.name: f.data for f in volume.files} == SIMPLE
    assert volume.title == "\\x00" * 16


@pytest.mark.parametrize("layout", LAYOUTS)
def test_an_image_cut_short_behind_its_directory(layout: str) -> None:
    # long enough to reach tracks beyond the directory, which are handed out in turn with those before it
    big = np.random.default_rng(4).bytes(60_000)
    image = make_linked({"BIG": big, **SIMPLE}, "T", layout=layout)
    form = next(f for f in FORMS if f.layout == layout)
    held = places_of(layout).lba[form.directory_track, 2] + 1
    volume = volume_of(image[: held * 256])
    assert any(f"the image holds {held} of" in p for p in volume.problems)
    assert [f.name for f in volume.files] == ["BIG", "A", "B"]
    for file in volume.files:
        assert file.whole == all(s < held for s in file.sectors)
    cut = volume.files[0]
    assert not cut.whole
    assert any("beyond the image" in p for p in cut.problems)
    assert big.startswith(cut.data[:-254])
    assert read_volume(image[: 256 * 20]) is None


def test_names_and_kinds_as_recorded() -> None:
    image = bytearray(make_linked35({"AAAA": b"1", "B": b"2", "C": b"3"}, "T"))
    block = 358 * 256
    image[block + 5 : block + 9] = b"A\xc1/\xa0"
    image[block + 32 + 2] = 0
    image[block + 64 + 2] = 0x01
    volume = volume_of(bytes(image))
    assert [(f.name, f.kind, f.whole) for f in volume.files] == [
        ("A\\xC1\\x2F", "program", True),
        ("C", "sequential", False),
    ]
    assert "it was never closed" in volume.files[1].problems


def test_a_hostile_volume_cannot_grow_without_end() -> None:
    image = bytearray(make_linked({"LONG": bytes(2000 * 254)}, "T", layout="zoned-77-2s"))
    lba = places_of("zoned-77-2s").lba
    start = image[lba[39, 1] * 256 + 3 : lba[39, 1] * 256 + 5]
    # a directory of many blocks, each record of which claims the one long chain
    for sector in range(1, 28):
        at = lba[39, sector] * 256
        image[at : at + 256] = (bytes([0, 0, 0x82]) + start + b"X" * 27) * 8
        image[at : at + 2] = bytes([39, sector + 1])
    volume = volume_of(bytes(image))
    assert sum(len(f.data) for f in volume.files) <= 9 * len(image)
    assert any("overlap too much" in p for f in volume.files for p in f.problems)


def test_a_size_alone_is_no_volume() -> None:
    for layout in LAYOUTS:
        size = load_layouts()[layout].capacity_bytes
        assert find_form(bytes(size)) is None
        assert find_form(b"\x4b" * size) is None


@pytest.mark.parametrize(
    ("files", "title", "layout", "words"),
    [
        ({"A" * 17: b""}, "T", "zoned-35-1s", "not a name"),
        ({"": b""}, "T", "zoned-35-1s", "not a name"),
        ({"A/B": b""}, "T", "zoned-35-1s", "not a name"),
        ({}, "T" * 17, "zoned-35-1s", "not a name"),
        ({}, "T", "90-mfm-9x512", "no linked-sector volume is known on 90-mfm-9x512"),
        ({f"F{n}": b"" for n in range(145)}, "T", "zoned-35-1s", "do not fit"),
    ],
)
def test_what_cannot_be_made_is_refused(files: dict[str, bytes], title: str, layout: str, words: str) -> None:
    with pytest.raises(ValueError, match=words):
        make_linked(files, title, layout=layout)


MUTABLE = {layout: make_linked(FILES, "QUAY", layout=layout) for layout in LAYOUTS}


@settings(max_examples=150)
@given(st.integers(0, 2**32 - 1), st.integers(1, 100), st.sampled_from(LAYOUTS), st.booleans())
def test_a_mutated_image_is_read_without_a_fault(seed: int, count: int, layout: str, near: bool) -> None:
    rng = np.random.default_rng(seed)
    image = bytearray(MUTABLE[layout])
    form = next(f for f in FORMS if f.layout == layout)
    start = places_of(layout).lba[form.directory_track, 0] * 256
    low, high = (start, start + 2048) if near else (0, len(image))
    for place, value in zip(rng.integers(low, high, count).tolist(), rng.integers(0, 256, count).tolist(), strict=True):
        image[place] = value
    volume = read_volume(bytes(image))
    if volume is None:
        return
    for file in volume.files:
        assert file.name.isascii()
        assert len(set(file.sectors)) == len(file.sectors)
        assert all(0 <= s < len(image) // 256 for s in file.sectors)
    assert 0 <= volume.free <= len(image) // 256


@pytest.mark.shared
def test_the_shared_volumes(shared_folder: Path) -> None:
    truth = json.loads((shared_folder / "captures" / "truth.json").read_text())
    image = gzip.decompress((shared_folder / "captures" / "volumes" / "linked-35.img.gz").read_bytes())
    assert hashlib.sha256(image).hexdigest() == truth["gcr-35-session.vcd.gz"]["image_sha256"]
    volume = volume_of(image)
    assert len(volume.files) == 3
    assert volume.problems == ()
    for file in volume.files:
        assert file.whole
        assert file.problems == ()
    assert volume.free == 664 - sum(len(f.sectors) for f in volume.files)
    for name in ("fat12-360k", "fat12-720k"):
        image = gzip.decompress((shared_folder / "captures" / "volumes" / f"{name}.img.gz").read_bytes())
        fat = read_volume(image)
        assert fat is not None
        assert fat.kind == "fat12"
        assert fat.problems == ()
        assert fat.files
        assert all(f.whole and not f.problems for f in fat.files)
