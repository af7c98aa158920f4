"""FAT12 volumes in depth: deleted files, both copies of the FAT, what was not soundly read, no descriptor, loops."""

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
from indexhole.volumes.volume import Volume, VolumeFile

SIZE = 1_474_560
GEOMETRY = KNOWN[SIZE]
ROOT = GEOMETRY.root_start * 512
# one sector a cluster: LOGS takes cluster 2, LOGS/X 3, A 4 to 7, B 8 to 10
FILES = {"A": b"a" * 2000, "B": b"b" * 1500, "LOGS/X": b"x"}
PLAIN = make_fat12(FILES, size=SIZE)


def tool(name: str) -> str:
    """A tool of the system, sought where a plain user's path does not lead too."""
    path = os.environ.get("PATH", "") + os.pathsep + os.pathsep.join(("/usr/sbin", "/sbin"))
    found = shutil.which(name, path=path)
    if found is None:
        pytest.skip(f"{name} is not installed")
    return found


def volume_of(image: bytes, unsound: tuple[int, ...] = ()) -> Volume:
    volume = read_volume(image, unsound)
    assert volume is not None
    assert volume.kind == "fat12"
    return volume


def with_fat(changes: Mapping[int, int], *, copies: tuple[int, ...] = (0, 1), image: bytes = PLAIN) -> bytes:
    """The image with FAT entries changed in some copies."""
    made = bytearray(image)
    length = GEOMETRY.fat_sectors * 512
    for copy in copies:
        at = 512 + copy * length
        entries = unpack_entries(bytes(made[at : at + length]), GEOMETRY.clusters + 2)
        for cluster, value in changes.items():
            entries[cluster] = value
        made[at : at + length] = pack_entries(entries, length)
    return bytes(made)


def named(volume: Volume) -> dict[str, VolumeFile]:
    return {file.name: file for file in volume.files}


def record_at(name: bytes) -> int:
    """Place of the root's record of this name."""
    return next(at for at in range(ROOT, ROOT + 224 * 32, 32) if PLAIN[at : at + 11] == name.ljust(11))


# deleted files


def test_what_another_tool_deletes_is_found_again(tmp_path: Path) -> None:
    """mtools deletes as such systems did: the record's first byte and the chain go, all else stays."""
    mcopy, mdel, mformat, mmd = tool("mcopy"), tool("mdel"), tool("mformat"), tool("mmd")
    path, source = tmp_path / "disk.img", tmp_path / "source"
    run = lambda *command: subprocess.run(command, check=True, capture_output=True)  # noqa: E731
    run(mformat, "-C", "-f", "1440", "-i", str(path), "::")
    run(mmd, "-i", str(path), "::LOGS")
    contents = {"TIDES.TXT": b"high water\r\n" * 500, "KEPT.TXT": b"kept" * 600, "LOGS/FOG.TXT": b"fog" * 900}
    for name, data in contents.items():
        source.write_bytes(data)
        run(mcopy, "-i", str(path), str(source), f"::{name}")
    run(mdel, "-i", str(path), "::TIDES.TXT", "::LOGS/FOG.TXT")
    volume = volume_of(path.read_bytes())
    assert [f.name for f in volume.files] == ["KEPT.TXT"]
    assert {f.name: f.data for f in volume.deleted_files} == {
        "?IDES.TXT": contents["TIDES.TXT"],
        "LOGS/?OG.TXT": contents["LOGS/FOG.TXT"],
    }
    assert all(f.deleted and not f.whole for f in volume.deleted_files)
    assert any("a guess: the free ones" in p for f in volume.deleted_files for p in f.problems)


def deleted(image: bytes, name: bytes, clusters: range | tuple[int, ...]) -> bytes:
    made = bytearray(with_fat(dict.fromkeys(clusters, 0), image=image))
    made[record_at(name)] = 0xE5
    return bytes(made)


def test_a_deleted_file_in_pieces_passes_over_what_is_in_use() -> None:
    # A's chain went 4, 5, then behind B
    made = bytearray(with_fat({5: 11, 11: 12, 12: 0xFFF, 6: 0, 7: 0}))
    data = GEOMETRY.data_start * 512
    made[data + 9 * 512 : data + 11 * 512] = b"A" * 1024
    made = bytearray(with_fat({6: 0x00A, 7: 0xFFF, 8: 9}, image=bytes(made)))
    image = deleted(bytes(made), b"A", (4, 5, 11, 12))
    volume = volume_of(image)
    (gone,) = volume.deleted_files
    assert gone.name == "?"
    assert gone.sectors == tuple(GEOMETRY.data_start + c - 2 for c in (4, 5, 11, 12))
    assert gone.data == b"a" * 1024 + b"A" * 976
    assert any("passing over 5 in use" in p for p in gone.problems)


def test_a_deleted_file_whose_first_cluster_is_in_use_again() -> None:
    made = bytearray(with_fat({4: 0xFFF}, image=deleted(PLAIN, b"A", (4, 5, 6, 7))))
    at = record_at(b"B")
    made[at + 26 : at + 28] = (4).to_bytes(2, "little")
    (gone,) = volume_of(bytes(made)).deleted_files
    assert (gone.data, gone.sectors, gone.size) == (b"", (), 2000)
    assert any("its first cluster 4 is in use by B" in p for p in gone.problems)


def test_two_deleted_files_that_claim_the_same_clusters() -> None:
    image = bytearray(deleted(deleted(PLAIN, b"A", (4, 5, 6, 7)), b"B", (8, 9, 10)))
    at = record_at(b"B")
    image[at + 26 : at + 28] = (6).to_bytes(2, "little")
    first, second = volume_of(bytes(image)).deleted_files
    # both are called "?" now
    assert all(any("belongs to ? too" in p for p in f.problems) for f in (first, second))


def test_fillers_of_a_fresh_directory_are_no_deleted_files() -> None:
    for filler in (b"\xe5" * 32, b"\xe5" + b"\xf6" * 31, b"\xe5" + bytes(31)):
        image = bytearray(PLAIN)
        image[ROOT + 96 : ROOT + 96 + 32 * 5] = filler * 5
        assert volume_of(bytes(image)).deleted_files == ()


def test_a_deleted_folder_is_looked_into() -> None:
    image = bytearray(with_fat({2: 0, 3: 0}))
    image[record_at(b"LOGS")] = 0xE5
    volume = volume_of(bytes(image))
    assert {f.name: (f.kind, f.data) for f in volume.deleted_files} == {
        "?OGS": ("folder", b""),
        "?OGS/X": ("file", b"x"),
    }
    # a deleted folder that lists itself is looked into once
    inner = GEOMETRY.data_start * 512
    image[inner + 64 + 11] = 0x10
    image[inner + 64 + 26 : inner + 64 + 28] = (2).to_bytes(2, "little")
    assert len(volume_of(bytes(image)).deleted_files) == 2


def test_deleted_files_without_end_are_bounded() -> None:
    made = bytearray(make_fat12({f"F{n}": b"" for n in range(200)}, size=SIZE))
    for n in range(200):
        at = ROOT + 32 * n
        made[at] = 0xE5
        made[at + 26 : at + 32] = (2).to_bytes(2, "little") + (1_400_000).to_bytes(4, "little")
    volume = volume_of(bytes(made))
    assert len(volume.deleted_files) == 200
    assert sum(len(f.data) for f in volume.deleted_files) <= 9 * SIZE


def record(name: bytes, attributes: int, cluster: int, size: int) -> bytes:
    return (
        name.ljust(11)[:11]
        + bytes([attributes, *bytes(14)])
        + cluster.to_bytes(2, "little")
        + size.to_bytes(4, "little")
    )


@pytest.mark.parametrize("gone", [False, True])
def test_a_disk_full_of_folders_lists_each_record_once(gone: bool) -> None:
    """Every cluster lists folders and files at random places, live or deleted, and all lie on one chain or none."""
    rng = np.random.default_rng(3)
    clusters = range(2, GEOMETRY.clusters + 2)
    first = b"\xe5" if gone else b"A"
    image = bytearray(with_fat({c: (0 if c % 2 == 0 else 0xFFF) if gone else c + 1 for c in clusters}))
    per_cluster = 512 // 32

    def records(own: int) -> bytes:
        start = [record(b".", 0x10, own, 0), record(b"..", 0x10, 0, 0)]
        places = rng.integers(2, GEOMETRY.clusters, per_cluster - 2).tolist()
        return b"".join(
            [*start, *(record(first + b"%05d" % n, 0x10 if n % 2 else 0x20, c, 0) for n, c in enumerate(places))]
        )

    for cluster in clusters:
        at = (GEOMETRY.data_start + cluster - 2) * 512
        image[at : at + 512] = records(cluster)
    image[ROOT : ROOT + 512] = records(2)
    volume = volume_of(bytes(image))
    listed = volume.deleted_files if gone else volume.files
    assert per_cluster < len(listed) + len(volume.problems) <= (GEOMETRY.clusters + 1) * per_cluster
    assert len(volume.problems) <= 60


# both copies of the FAT, and what was not soundly read


def test_where_the_copies_differ_is_told_of_volume_and_file() -> None:
    volume = volume_of(with_fat({9: 0xFFF, 500: 7}, copies=(1,)))
    assert [p for p in volume.problems if "differ" in p] == [
        "the two copies of the FAT differ in 2 of 9 sectors for clusters 9, 500; the first is used"
    ]
    files = named(volume)
    assert any("the other copy of the FAT has another chain at 9" in p for p in files["B"].problems)
    assert files["A"].problems == ()
    assert files["B"].data == FILES["B"]


def test_the_copy_that_was_soundly_read_is_used() -> None:
    for copy, unsound in ((0, 1), (1, 1 + GEOMETRY.fat_sectors)):
        image = with_fat(dict.fromkeys(range(2, 340), 0), copies=(copy,))
        volume = volume_of(image, (unsound,))
        assert {f.name: f.data for f in volume.files} == FILES
        assert all(f.whole and not f.problems for f in volume.files)
    # the second is taken only where the first was not soundly read
    volume = volume_of(with_fat({400: 0xFFF}, copies=(1,)), (1,))
    assert all(f.whole for f in volume.files)


def test_a_fat_soundly_read_in_no_copy_makes_chains_doubtful_but_not_single_clusters() -> None:
    volume = volume_of(PLAIN, (1, 1 + GEOMETRY.fat_sectors))
    files = named(volume)
    assert {n: f.whole for n, f in files.items()} == {"A": False, "B": False, "LOGS/X": True}
    assert any("not soundly read where its chain passes cluster 4" in p for p in files["A"].problems)
    assert any("the FAT was not soundly read for" in p for p in volume.problems)
    lost = bytearray(PLAIN)
    lost[512:1024] = lost[512 + 9 * 512 : 1024 + 9 * 512] = bytes(512)
    assert not named(volume_of(bytes(lost), (1, 10)))["A"].whole


def test_a_directory_sector_that_was_not_recovered_hides_no_later_one() -> None:
    many = make_fat12({f"F{n}": bytes([n]) for n in range(40)}, size=SIZE)
    lost = bytearray(many)
    lost[ROOT : ROOT + 512] = bytes(512)
    # zeros that were read are the end of the directory
    assert volume_of(bytes(lost)).files == ()
    volume = volume_of(bytes(lost), (GEOMETRY.root_start,))
    assert [f.name for f in volume.files] == [f"F{n}" for n in range(16, 40)]
    assert any("the root directory: 1 sector not soundly read, names may be missing" in p for p in volume.problems)
    # a suspect one may still name its files, which are then no better than suspect
    assert {f.whole for f in volume_of(many, (GEOMETRY.root_start,)).files[:16]} == {False}
    assert {f.whole for f in volume_of(many, (GEOMETRY.root_start,)).files[16:]} == {True}


# what the checker of another project finds


def faults_of(checker: str, path: Path) -> tuple[bool, str]:
    done = subprocess.run([checker, "-n", "-v", str(path)], capture_output=True, text=True, check=False)
    return done.returncode != 0, done.stdout


def told(volume: Volume) -> bool:
    """Whether anything is wrong; clusters marked bad are no fault."""
    return any("marked bad" not in p for p in volume.problems) or any(f.problems for f in volume.files)


def test_faults_are_found_where_another_checker_finds_them(tmp_path: Path) -> None:
    """Chains broken, crossed, looped, lost and cut at random: both find a fault in the same images."""
    checker = tool("fsck.fat")
    rng = np.random.default_rng(1987)
    places = [2, 3, 4, 5, 6, 7, 8, 9, 10, 30]
    values = [*range(13), 0xFF7, 0xFF0, 0xF00, 0xFF8, 0xFFF]
    path = tmp_path / "disk.img"
    outcomes = []
    for _ in range(120):
        changes = {int(rng.choice(places)): int(rng.choice(values)) for _ in range(rng.integers(0, 3))}
        image = with_fat(changes, copies=(0, 1) if rng.random() < 0.8 else (0,))
        path.write_bytes(image)
        outcomes.append((faults_of(checker, path)[0], told(volume_of(image)), changes))
    assert [o for o in outcomes if o[0] != o[1]] == []
    assert 20 < sum(o[0] for o in outcomes) < 115


def test_clusters_of_no_file_are_counted_as_another_checker_counts_them(tmp_path: Path) -> None:
    checker = tool("fsck.fat")
    path = tmp_path / "disk.img"
    image = with_fat({100: 101, 101: 0xFFF, 200: 0xFFF, 300: 0xFF7})
    path.write_bytes(image)
    assert "Reclaimed 3 unused clusters" in faults_of(checker, path)[1]
    assert volume_of(image).problems == ("1 cluster marked bad: 300", "3 clusters in use by no file: 100 to 101, 200")


def test_a_chain_that_goes_on_behind_its_file_takes_nothing_from_others() -> None:
    files = named(volume_of(with_fat({3: 4})))
    assert files["A"].whole
    assert files["A"].problems == ()
    assert any("goes on behind the end of the file" in p for p in files["LOGS/X"].problems)
    # nor are the clusters it goes on over called those of no file
    volume = volume_of(with_fat({7: 20, 20: 21, 21: 0xFFF}))
    assert volume.problems == ()
    assert any("holds 6 clusters, 4 for its 2000 bytes" in p for p in named(volume)["A"].problems)


# no descriptor, records, flags, dates, labels


def test_a_lost_descriptor_is_made_up_for_by_the_format_identifier() -> None:
    for size, known in KNOWN.items():
        image = bytearray(make_fat12({"A.TXT": b"old"}, size=size))
        image[: known.sector_bytes] = bytes(known.sector_bytes)
        assert find_geometry(bytes(image)) == known
        cut = find_geometry(bytes(image[: (known.data_start + 3) * known.sector_bytes]))
        # the largest begins as the next smaller one does: cut short, it cannot be told from it
        assert cut == KNOWN[1_474_560 if size == 2_949_120 else size]
        # a drive that steps further reads tracks behind the end
        assert find_geometry(bytes(image) + bytes(known.track_sectors * known.sector_bytes)) == known
        for unsound in ((), (0,)):
            assert named(volume_of(bytes(image), unsound))["A.TXT"].data == b"old"
    assert find_geometry(bytes(368_640)) is None


def test_a_descriptor_that_was_not_soundly_read_is_the_second_choice() -> None:
    image = bytearray(PLAIN)
    image[13] = 2
    assert volume_of(bytes(image)).unit_bytes == 1024
    assert volume_of(bytes(image), (0,)).unit_bytes == 512
    # without a FAT that tells, it is still the best there is
    image[512:515] = image[512 + 9 * 512 : 515 + 9 * 512] = b"\0\0\0"
    assert volume_of(bytes(image), (0,)).unit_bytes == 1024


def test_a_format_identifier_that_contradicts_the_descriptor_is_told() -> None:
    assert any("identifier is F9h, the descriptor says F0h" in p for p in volume_of(with_fat({0: 0xFF9})).problems)


def test_flags_dates_and_labels_as_recorded() -> None:
    image = bytearray(PLAIN)
    at = record_at(b"A")
    image[at + 11] = 0x07
    # 30 February, and a second time that is 25 o'clock
    image[at + 24 : at + 26] = (7 << 9 | 2 << 5 | 30).to_bytes(2, "little")
    b = record_at(b"B")
    image[b + 22 : b + 24] = (25 << 11).to_bytes(2, "little")
    files = named(volume_of(bytes(image)))
    assert files["A"].kind == "read-only hidden system file"
    assert [f.modified for f in files.values()] == ["1987-06-01 12:00:00", "", ""]
    assert any("its date and time, 0E5Eh and 6000h, cannot be" in p for p in files["A"].problems)
    assert files["A"].whole
    image[b + 22 : b + 26] = bytes(4)
    assert named(volume_of(bytes(image)))["B"].problems == ()
    # without a label in the root, the Extended FDC Descriptor's name counts
    image[43:54] = b"QUAY SEVEN "
    assert volume_of(bytes(image)).title == "QUAY SEVEN"
    image[38] = 0
    assert volume_of(bytes(image)).title == ""


def test_records_of_long_names_are_passed_over(tmp_path: Path) -> None:
    mcopy, mformat = tool("mcopy"), tool("mformat")
    path, source = tmp_path / "disk.img", tmp_path / "a very long name indeed.text"
    source.write_bytes(b"tides")
    subprocess.run([mformat, "-C", "-f", "720", "-i", path, "::"], check=True, capture_output=True)
    subprocess.run([mcopy, "-i", path, source, "::"], check=True, capture_output=True)
    volume = volume_of(path.read_bytes())
    assert [f.data for f in volume.files] == [b"tides"]
    assert volume.problems == ()


def test_a_folder_that_does_not_begin_like_one_is_told() -> None:
    image = bytearray(PLAIN)
    inner = GEOMETRY.data_start * 512
    image[inner : inner + 11] = b"X".ljust(11)
    assert any("folder LOGS: its first record does not lead to itself" in p for p in volume_of(bytes(image)).problems)


# sectors of another size than the volume's


def test_a_volume_on_sectors_of_another_size_is_numbered_as_they_are() -> None:
    image = make_fat12(FILES, size=368_640)
    whole = volume_of(image)
    for sizes in ([1024] * 360, [256] * 1440, [128] * 32 + [256] * 16 + [1024] * 352):
        starts = np.cumsum([0, *sizes])
        volume = read_volume(image, sizes=sizes)
        assert volume is not None
        for one, other in zip(volume.files, whole.files, strict=True):
            joined = b"".join(image[starts[n] : starts[n + 1]] for n in one.sectors)
            assert other.data in joined
        assert set(volume.system_sectors) == {
            n
            for n, size in enumerate(sizes)
            if any(starts[n] < (s + 1) * 512 and starts[n + 1] > s * 512 for s in whole.system_sectors)
        }
    # the first copy of the FAT in a bad sector of 1024 bytes
    hurt = bytearray(image)
    hurt[512:1024] = bytes(512)
    volume = read_volume(bytes(hurt), [0], sizes=[1024] * 360)
    assert volume is not None
    assert {f.name: f.data for f in volume.files} == FILES
    cut = read_volume(image[: 8 * 1024], sizes=[1024] * 8)
    assert cut is not None
    assert {f.name for f in cut.files if any(n >= 8 for n in f.sectors)} == {f.name for f in cut.files if not f.whole}
    assert not all(f.whole for f in cut.files)


@settings(max_examples=200)
@given(
    st.integers(0, 2**32 - 1),
    st.integers(1, 120),
    st.sampled_from(["start", "system", "all"]),
    st.booleans(),
    st.sets(st.integers(0, 40), max_size=8),
)
def test_a_mutated_image_is_read_within_bounds(seed: int, count: int, where: str, cut: bool, unsound: set[int]) -> None:
    rng = np.random.default_rng(seed)
    image = bytearray(PLAIN)
    end = {"start": 64, "system": (GEOMETRY.data_start + 9) * 512, "all": len(image)}[where]
    values = rng.choice(np.array([0, 1, 0x0F, 0x10, 0x2E, 0xE5, 0xF0, 0xFF, *range(2, 12)]), count)
    for place, value in zip(rng.integers(0, end, count).tolist(), values.tolist(), strict=True):
        image[place] = value
    if cut:
        del image[int(rng.integers(0, len(image))) :]
    volume = read_volume(bytes(image), unsound)
    if volume is None:
        return
    held = len(image) // volume.sector_bytes
    for file in (*volume.files, *volume.deleted_files):
        assert file.name.isascii()
        assert len(set(file.sectors)) == len(file.sectors)
        beyond = [s for s in file.sectors if s >= held]
        assert not beyond or any("beyond" in p for p in (*file.problems, *volume.problems)) or file.deleted
        assert not (beyond and file.whole)
        assert len(file.data) <= file.size
        if file.whole:
            assert len(file.data) == file.size
    assert all(f.deleted and not f.whole for f in volume.deleted_files)
    assert not any(f.deleted for f in volume.files)
    total = sum(len(f.data) for f in (*volume.files, *volume.deleted_files))
    assert total <= 18 * max(len(image), volume.unit_bytes * 4100)
