"""FAT12 volumes: against other tools in both directions, damaged on purpose, and mutated at random."""

from __future__ import annotations

import os
import shutil
import subprocess
from collections.abc import Mapping
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from indexhole.volumes.fat12.chains import unpack_entries
from indexhole.volumes.fat12.geometry import KNOWN, find_geometry
from indexhole.volumes.fat12.make import make_fat12, pack_entries
from indexhole.volumes.read import read_volume
from indexhole.volumes.volume import Volume

FILES = {
    "TIDES.TXT": b"high water at noon\r\n" * 2100,
    "EMPTY": b"",
    "ONE.BIN": b"\x01",
    "LOGS/LAMP.TXT": bytes(range(256)) * 30,
    "LOGS/1987/JUNE.TXT": b"fog\r\n" * 777,
    "LOGS/1987/JULY.TXT": b"sun\r\n",
    "ODD-NAME.$$$": b"x" * 1024,
}
SIZES = sorted(KNOWN)
# what other tools know by capacity alone
TOOL_SIZES = {
    163_840: 160,
    184_320: 180,
    327_680: 320,
    368_640: 360,
    737_280: 720,
    1_228_800: 1200,
    1_474_560: 1440,
    2_949_120: 2880,
}


def tool(name: str) -> str:
    """A tool of the system, sought where a plain user's path does not lead too."""
    path = os.environ.get("PATH", "") + os.pathsep + os.pathsep.join(("/usr/sbin", "/sbin"))
    found = shutil.which(name, path=path)
    if found is None:
        pytest.skip(f"{name} is not installed")
    return found


def run(*command: str | Path) -> str:
    done = subprocess.run(
        command, capture_output=True, check=True, env={**os.environ, "MTOOLS_SKIP_CHECK": "0", "LC_ALL": "C"}
    )
    return done.stdout.decode("latin-1")


def contents(image: bytes) -> dict[str, bytes]:
    volume = volume_of(image)
    return {file.name: file.data for file in volume.files}


def volume_of(image: bytes) -> Volume:
    volume = read_volume(image)
    assert volume is not None
    assert volume.kind == "fat12"
    return volume


def small(files: Mapping[str, bytes], size: int) -> dict[str, bytes]:
    """Files that fit the smallest volume's root and room."""
    return {name: data[: size // 20] for name, data in files.items()}


@pytest.mark.parametrize("size", SIZES)
def test_written_and_read(size: int) -> None:
    files = small(FILES, size)
    image = make_fat12(files, title="HARBOUR", size=size)
    volume = volume_of(image)
    assert len(image) == size
    assert {f.name: f.data for f in volume.files} == files
    assert all(f.whole and not f.problems and f.size == len(f.data) for f in volume.files)
    assert volume.title == "HARBOUR"
    assert volume.problems == ()
    assert {f.modified for f in volume.files} == {"1987-06-01 12:00:00"}
    # the sectors of a file are where its bytes lie in the image
    for file in volume.files:
        joined = b"".join(image[s * volume.sector_bytes : (s + 1) * volume.sector_bytes] for s in file.sectors)
        assert joined[: file.size] == file.data
        assert len(file.sectors) == -(-file.size // volume.sector_bytes)
        assert not set(file.sectors) & set(volume.system_sectors)
    assert make_fat12(files, title="HARBOUR", size=size) == image


@pytest.mark.parametrize("size", SIZES)
def test_ours_is_clean_to_the_checker(tmp_path: Path, size: int) -> None:
    checker = tool("fsck.fat")
    path = tmp_path / "ours.img"
    path.write_bytes(make_fat12(small(FILES, size), title="HARBOUR", size=size))
    # a fault found would end it with another status; it counts clusters as we do
    assert f"/{KNOWN[size].clusters} clusters" in run(checker, "-n", path)
    path.write_bytes(make_fat12({}, size=size))
    run(checker, "-n", path)


@pytest.mark.parametrize("size", sorted(TOOL_SIZES))
def test_ours_is_listed_and_copied_by_another_reader(tmp_path: Path, size: int) -> None:
    mdir, mcopy = tool("mdir"), tool("mcopy")
    files = small(FILES, size)
    path = tmp_path / "ours.img"
    path.write_bytes(make_fat12(files, title="HARBOUR", size=size))
    listed = run(mdir, "-/", "-b", "-i", path, "::")
    assert {line.removeprefix("::/") for line in listed.split("\n") if line and not line.endswith("/")} == set(files)
    free = [line for line in run(mdir, "-i", path, "::").splitlines() if "bytes free" in line]
    volume = volume_of(path.read_bytes())
    assert int("".join(c for c in free[0].split("bytes")[0] if c.isdigit())) == volume.free * volume.unit_bytes
    out = tmp_path / "out"
    out.mkdir()
    run(mcopy, "-s", "-i", path, "::/", out)
    assert {str(p.relative_to(out)): p.read_bytes() for p in out.rglob("*") if p.is_file()} == files


@pytest.mark.parametrize("size", sorted(TOOL_SIZES))
def test_what_another_formatter_makes_is_read(tmp_path: Path, size: int) -> None:
    mformat, mcopy, mmd, mdel = tool("mformat"), tool("mcopy"), tool("mmd"), tool("mdel")
    path = tmp_path / "theirs.img"
    run(mformat, "-C", "-f", str(TOOL_SIZES[size]), "-N", "19870601", "-v", "QUAY FIVE", "-i", path, "::")
    assert find_geometry(path.read_bytes()) == KNOWN[size]
    files = small(FILES, size)
    run(mmd, "-i", path, "::LOGS", "::LOGS/1987")
    # a file written and deleted leaves holes, so later ones are not in one piece
    filler = tmp_path / "FILLER"
    filler.write_bytes(bytes(3000))
    for n in range(6):
        run(mcopy, "-i", path, filler, f"::F{n}")
    run(mdel, "-i", path, "::F0", "::F2", "::F4")
    for name, data in files.items():
        source = tmp_path / "source"
        source.write_bytes(data)
        run(mcopy, "-i", path, source, f"::{name}")
    volume = volume_of(path.read_bytes())
    assert volume.title == "QUAY FIVE"
    assert volume.problems == ()
    found = {f.name: f.data for f in volume.files}
    assert {name: found[name] for name in files} == files
    assert {n for n in found if n not in files} == {"F1", "F3", "F5"}
    assert not any(f.problems for f in volume.files)
    assert all(f.deleted and not f.whole for f in volume.deleted_files)


def test_what_mkfs_makes_is_read(tmp_path: Path) -> None:
    mkfs, mcopy = tool("mkfs.fat"), tool("mcopy")
    path = tmp_path / "theirs.img"
    path.write_bytes(bytes(368_640))
    run(mkfs, "-F", "12", "--invariant", "-n", "QUAY", path)
    source = tmp_path / "BERTHS.TXT"
    source.write_bytes(FILES["TIDES.TXT"])
    run(mcopy, "-i", path, source, "::")
    volume = volume_of(path.read_bytes())
    assert [(f.name, f.data) for f in volume.files] == [("BERTHS.TXT", FILES["TIDES.TXT"])]
    assert volume.title == "QUAY"


def test_bigger_file_systems_are_left_alone(tmp_path: Path) -> None:
    mkfs = tool("mkfs.fat")
    path = tmp_path / "big.img"
    path.write_bytes(bytes(16 << 20))
    run(mkfs, "-F", "16", path)
    assert read_volume(path.read_bytes()) is None


@given(st.lists(st.integers(0, 0xFFF), max_size=60))
def test_entries_are_packed_two_in_three_bytes(entries: list[int]) -> None:
    fat = pack_entries(entries, 100)
    assert unpack_entries(fat, len(entries)) == entries
    # arithmetic: low nibble first
    assert pack_entries([0xABC, 0xDEF], 3) == bytes.fromhex("BCFADE")


def test_an_older_volume_without_a_descriptor() -> None:
    for size in SIZES:
        image = bytearray(make_fat12({"A.TXT": b"old"}, size=size))
        image[:64] = b"\xf6" * 64
        assert contents(bytes(image)) == {"A.TXT": b"old"}


# A volume of one-sector clusters, so that what is broken is easily placed: A takes clusters 2 to 5, B 6 to 8.
SIMPLE = {"A": b"a" * 2000, "B": b"b" * 1500}
SIMPLE_SIZE = 1_474_560


def broken(changes: Mapping[int, int]) -> Volume:
    """The simple volume with FAT entries changed, in both copies."""
    image = bytearray(make_fat12(SIMPLE, size=SIMPLE_SIZE))
    geometry = KNOWN[SIMPLE_SIZE]
    length = geometry.fat_sectors * 512
    entries = unpack_entries(bytes(image[512 : 512 + length]), geometry.clusters + 2)
    for cluster, value in changes.items():
        entries[cluster] = value
    fat = pack_entries(entries, length)
    image[512 : 512 + 2 * length] = fat * 2
    return volume_of(bytes(image))


# (changed entries, file, words of its problem, its bytes as found)
BROKEN = [
    ({3: 2}, "A", "comes back to cluster 2", 1024),
    ({3: 3}, "A", "comes back to cluster 3", 1024),
    ({3: 0}, "A", "runs into a free cluster", 1024),
    ({3: 1}, "A", "runs into the reserved value 001h", 1024),
    ({3: 0xFF7}, "A", "runs into a cluster marked bad", 1024),
    ({3: 0xFF0}, "A", "runs into the reserved value FF0h", 1024),
    ({3: 0xF00}, "A", "beyond the end", 1024),
    ({3: 0xFFF}, "A", "the chain holds 2 clusters, 4 are needed for 2000 bytes", 1024),
    ({5: 9, 9: 0xFFF}, "A", "goes on behind the end of the file", 2000),
]


@pytest.mark.parametrize(("changes", "name", "words", "size"), BROKEN)
def test_broken_chains_are_told(changes: dict[int, int], name: str, words: str, size: int) -> None:
    volume = broken(changes)
    file = next(f for f in volume.files if f.name == name)
    assert any(words in problem for problem in file.problems)
    assert len(file.data) == size
    assert SIMPLE[name].startswith(file.data)
    assert file.whole == (size == 2000)
    other = next(f for f in volume.files if f.name != name)
    assert other.data == SIMPLE[other.name]
    assert other.whole


def test_cross_linked_files_are_both_told() -> None:
    volume = broken({3: 6})
    first, second = volume.files
    assert first.data == b"a" * 1024 + b"b" * 976
    assert any("belongs to B too" in p for p in first.problems)
    assert any("belongs to A too" in p for p in second.problems)
    assert not first.whole
    assert not second.whole
    assert second.data == SIMPLE["B"]


def test_two_copies_of_the_fat() -> None:
    image = bytearray(make_fat12(SIMPLE, size=SIMPLE_SIZE))
    image[512:1024] = bytes(512)
    assert not all(f.whole for f in volume_of(bytes(image)).files)
    mended = read_volume(bytes(image), unsound=[1])
    assert mended is not None
    assert {f.name: f.data for f in mended.files} == SIMPLE
    assert any("two copies of the FAT differ in 1 of 9" in p for p in mended.problems)


def test_an_image_cut_short() -> None:
    image = make_fat12(FILES, size=737_280)
    whole = volume_of(image)
    cut = volume_of(image[: 40 * 512])
    assert any("the image holds 40 of 1440 sectors" in p for p in cut.problems)
    assert [f.name for f in cut.files] == [f.name for f in whole.files]
    for before, after in zip(whole.files, cut.files, strict=True):
        assert after.sectors == before.sectors
        assert after.whole == all(s < 40 for s in after.sectors)
        assert len(after.data) == len(before.data)


def test_folders_that_hold_themselves_are_entered_once() -> None:
    image = bytearray(make_fat12({"LOGS/A.TXT": b"a"}, size=SIMPLE_SIZE))
    geometry = KNOWN[SIMPLE_SIZE]
    folder = geometry.data_start * 512
    # the folder's first cluster is 2; its file becomes a folder at cluster 2
    image[folder + 64 + 11] = 0x10
    image[folder + 64 + 26 : folder + 64 + 28] = (2).to_bytes(2, "little")
    volume = volume_of(bytes(image))
    assert volume.files == ()
    assert any("not entered" in p for p in volume.problems)


def test_folders_nested_without_end_are_left() -> None:
    deep = "/".join(f"D{n}" for n in range(60))
    image = make_fat12({f"{deep}/A": b"a", "B": b"b"}, size=SIMPLE_SIZE)
    volume = volume_of(image)
    assert [f.name for f in volume.files] == ["B"]
    assert any("folders deep, not entered" in p for p in volume.problems)


def test_a_hostile_volume_cannot_grow_without_end() -> None:
    """Every name of the root claims the one long chain."""
    image = bytearray(make_fat12({f"F{n}": b"" for n in range(200)} | {"LONG": bytes(1_400_000)}, size=SIMPLE_SIZE))
    root = KNOWN[SIMPLE_SIZE].root_start * 512
    for n in range(200):
        entry = root + 32 * n
        image[entry + 26 : entry + 32] = (2).to_bytes(2, "little") + (1_400_000).to_bytes(4, "little")
    volume = volume_of(bytes(image))
    assert sum(len(f.data) for f in volume.files) <= 9 * SIMPLE_SIZE
    assert any("overlap too much" in p for f in volume.files for p in f.problems)
    assert not any(f.whole for f in volume.files)


def test_names_and_marks_as_recorded() -> None:
    image = bytearray(make_fat12({"A.TXT": b"", "B": b"", "C": b"", "D": b""}, size=SIMPLE_SIZE))
    root = KNOWN[SIMPLE_SIZE].root_start * 512
    image[root] = 0x05
    image[root + 1] = 0x9A
    image[root + 32] = 0xE5
    image[root + 64 + 11] = 0x0F
    image[root + 96 + 11] = 0x02
    image[root + 96 + 22 : root + 96 + 26] = bytes(4)
    volume = volume_of(bytes(image))
    assert [(f.name, f.kind, f.modified) for f in volume.files] == [
        ("\\xE5\\x9A.TXT", "file", "1987-06-01 12:00:00"),
        ("D", "hidden file", ""),
    ]


@pytest.mark.parametrize(
    ("files", "title", "size", "words"),
    [
        ({"toolower": b""}, "", 737_280, "not a name"),
        ({"NINELETTERS": b""}, "", 737_280, "not a name"),
        ({"A.": b""}, "", 737_280, "not a name"),
        ({"A.B.C": b""}, "", 737_280, "not a name"),
        ({"../A": b""}, "", 737_280, "not a name"),
        ({}, "a title too long", 737_280, "not a title"),
        ({}, "", 737_281, "no known volume has 737281 bytes"),
        ({"A": bytes(740_000)}, "", 737_280, "do not fit"),
        ({f"F{n}": b"" for n in range(70)}, "", 163_840, "at most 64 names"),
    ],
)
def test_what_cannot_be_made_is_refused(files: dict[str, bytes], title: str, size: int, words: str) -> None:
    with pytest.raises(ValueError, match=words):
        make_fat12(files, title=title, size=size)


MUTABLE = make_fat12(FILES, title="HARBOUR", size=368_640)


@settings(max_examples=200)
@given(st.integers(0, 2**32 - 1), st.integers(1, 200), st.booleans(), st.booleans())
def test_a_mutated_image_is_read_without_a_fault(seed: int, count: int, near_start: bool, cut: bool) -> None:
    rng = np.random.default_rng(seed)
    image = bytearray(MUTABLE)
    places = rng.integers(0, 13 * 512 if near_start else len(image), count)
    for place, value in zip(places.tolist(), rng.integers(0, 256, count).tolist(), strict=True):
        image[place] = value
    if cut:
        del image[int(rng.integers(0, len(image))) :]
    volume = read_volume(bytes(image), unsound=places[:5].tolist())
    if volume is None:
        return
    for file in volume.files:
        assert len(file.data) <= file.size
        assert file.name.isascii()
        assert len(set(file.sectors)) == len(file.sectors)
        if file.whole:
            assert len(file.data) == file.size
    assert sum(len(f.data) for f in volume.files) <= 9 * (1 << 24)
