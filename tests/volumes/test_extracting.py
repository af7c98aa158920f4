"""Files written out: whatever the disk calls them, they stay in their folder, replace nothing and follow no link."""

from __future__ import annotations

import tempfile
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from indexhole.errors import InputFault
from indexhole.jobs.recovery.extracting import extract
from indexhole.jobs.recovery.recovering import recover_captures, save, volume_json
from indexhole.model.simulator.session import read_session
from indexhole.model.simulator.simulate import Reader, WeakStretch, format_track
from indexhole.recover.shapes.result import SectorState
from indexhole.signal.simulated import capture_of
from indexhole.standards.layouts import load_layouts
from indexhole.volumes import VolumeFile, sector_states
from indexhole.volumes.fat12.make import make_fat12

HOSTILE = [
    "../../escaped",
    "/etc/escaped",
    "..\\..\\escaped",
    "C:\\escaped",
    "a/../../escaped",
    "con",
    "CON.TXT",
    "com1",
    "LPT9.LOG",
    "CONIN$",
    "CLOCK$.DAT",
    ".",
    "..",
    "",
    "/",
    "//",
    "a/",
    "name\0end",
    "name\nline",
    "\x1b[31mred",
    "x" * 300,
    "y/" * 60 + "z",
    "A",
    "a",
    "a/b",
    "A/B",
    "tide.",
    "tide",
    "tide ",
    "-rf",
    "~",
    "\u202egpj.exe",
]


def file(name: str, data: bytes = b"x") -> VolumeFile:
    return VolumeFile(name, data, len(data), (), "file")


def below(folder: Path) -> list[Path]:
    return [p for p in folder.rglob("*") if not p.is_dir()]


def assert_stayed(folder: Path, names: list[str]) -> None:
    outside_before = sorted(p for p in folder.parent.iterdir() if p != folder)
    files = [file(name, f"{n}".encode()) for n, name in enumerate(names)]
    paths = extract(files, folder)
    assert sorted(p for p in folder.parent.iterdir() if p != folder) == outside_before
    assert len(set(paths)) == len(names)
    assert sorted(paths) == sorted(below(folder))
    for path, one in zip(paths, files, strict=True):
        assert path.read_bytes() == one.data
        assert path.resolve().is_relative_to(folder.resolve())
    relative = [str(p.relative_to(folder)).lower() for p in paths]
    assert len(set(relative)) == len(names), "no two meet where case does not count"
    for part in {part for path in relative for part in path.split("/")}:
        assert part.split(".")[0].strip() not in {
            "con",
            "prn",
            "aux",
            "nul",
            "com1",
            "lpt9",
            "conin$",
            "conout$",
            "clock$",
        }
        assert part not in (".", "..")
        assert part == part.strip()
        assert not part.endswith(".")


def test_hostile_names_stay(tmp_path: Path) -> None:
    assert_stayed(tmp_path / "out", HOSTILE)


PARTS = st.sampled_from(["..", ".", "", "a", "A", "con", "NUL.TXT", "b" * 120, "\0", "~", "a:b", "…", "x.", " "])
NAMES = st.one_of(st.text(max_size=30), st.lists(PARTS, max_size=6).map("/".join))


@given(st.lists(NAMES, max_size=12))
@settings(max_examples=50)
def test_any_names_stay(names: list[str]) -> None:
    with tempfile.TemporaryDirectory() as folder:
        assert_stayed(Path(folder) / "out", names)


def test_nothing_is_replaced(tmp_path: Path) -> None:
    (tmp_path / "TIDES").write_bytes(b"mine")
    with pytest.raises(InputFault, match="exists already"):
        extract([file("TIDES")], tmp_path)
    assert (tmp_path / "TIDES").read_bytes() == b"mine"


def test_links_are_not_followed(tmp_path: Path) -> None:
    outside = tmp_path / "outside"
    outside.mkdir()
    out = tmp_path / "out"
    out.mkdir()
    (out / "LOGS").symlink_to(outside, target_is_directory=True)
    (out / "TIDES").symlink_to(outside / "new")
    with pytest.raises(InputFault, match="is a link or no folder"):
        extract([file("LOGS/FOG")], out)
    with pytest.raises(InputFault, match="exists already"):
        extract([file("TIDES")], out)
    (out / "FLAT").write_bytes(b"")
    with pytest.raises(InputFault, match="is a link or no folder"):
        extract([file("FLAT/X")], out)
    assert list(outside.iterdir()) == []


def test_records_are_written_as_text_too(tmp_path: Path) -> None:
    record = "HIGH WATER".ljust(80).encode("cp500")
    made = VolumeFile("TIDES", record * 2, 160, (), "data set", record_bytes=80, code="cp500")
    paths = extract([made, file("TIDES.txt", b"own")], tmp_path)
    assert [p.read_bytes() for p in paths] == [record * 2, b"own"]
    assert {p.name: p.read_bytes() for p in below(tmp_path)}["TIDES.txt~2"] == b"HIGH WATER\nHIGH WATER\n"


def test_states_of_a_file_by_sector() -> None:
    states = {1: SectorState.SOUND, 2: SectorState.MENDED, 5: SectorState.SUSPECT, 6: SectorState.LOST}
    one = VolumeFile("A", b"", 0, (6, 2, 1, 5, 99, 2), "file")
    assert sector_states(one, states) == {
        SectorState.SOUND: (1,),
        SectorState.MENDED: (2,),
        SectorState.SUSPECT: (5,),
        SectorState.LOST: (6, 99),
    }
    assert sector_states(VolumeFile("B", b"", 0, (), "file"), states) == {}


def test_a_worn_disk_names_the_sectors_of_each_file_and_saves_what_is_deleted_only_when_asked(tmp_path: Path) -> None:
    """A small disk with a dead stretch under one file, through the simulator to the folder."""
    layout = load_layouts()["130-48-mfm-9x512"]
    image = bytearray(make_fat12({"GONE.TXT": b"g" * 600, "TIDES.TXT": b"t" * 9000, "LAMP": b"l"}, size=368_640))
    root = 5 * 512
    image[root] = 0xE5
    for fat in (512, 1536):
        # its only cluster, the first one, is free again
        image[fat + 3] = 0
        image[fat + 4] &= 0xF0
    rng = np.random.default_rng(7)
    tracks = []
    for number, (cylinder, head, zone) in enumerate(layout.tracks()):
        if number < 4:
            at = number * 9 * 512
            data = {n: bytes(image[at + (n - 1) * 512 : at + n * 512]) for n in zone.sector_ids}
            tracks.append(format_track(layout, cylinder, head, data, rng))
    dead = tracks[1].spans[9]
    weak = WeakStretch(dead[0] - 0.005, dead[2] - dead[0])
    captures = [capture_of(read_session(tracks[:1] + tracks[2:], rng, revolutions=1), "sound")]
    captures.append(capture_of(read_session(tracks[1:2], rng, Reader(weak=(weak,)), revolutions=1), "worn"))
    found = recover_captures(captures, layout.id)
    assert found.counts()["lost"] + found.counts()["suspect"] >= 1
    told = volume_json(found)
    assert told is not None
    files = {f["name"]: f for f in told["files"]}
    bad = [n for n, s in enumerate(s for t in found.surface.tracks for s in t.sectors) if s.state != "sound"]
    assert 17 in bad
    listed = sorted(n for state in ("suspect", "lost") for n in files["TIDES.TXT"]["sectors"].get(state, ()))
    assert listed == bad
    assert files["LAMP"]["sectors"] == {}
    assert [f["name"] for f in told["deleted_files"]] == ["?ONE.TXT"]
    save(found, tmp_path / "plain")
    save(found, tmp_path / "all", deleted=True)
    assert sorted(p.name for p in below(tmp_path / "plain" / "files")) == ["LAMP", "TIDES.TXT"]
    assert not (tmp_path / "plain" / "deleted").exists()
    assert (tmp_path / "all" / "deleted" / "_ONE.TXT").read_bytes()[:600] == b"g" * 600


def test_a_link_in_the_place_of_the_folder_is_replaced_and_not_followed(tmp_path: Path) -> None:
    layout = load_layouts()["90-mfm-9x512"]
    zone = layout.zone(0, 0)
    assert zone is not None
    track = format_track(layout, 0, 0, dict.fromkeys(zone.sector_ids, bytes(512)), np.random.default_rng(1))
    found = recover_captures(
        [capture_of(read_session([track], np.random.default_rng(1), revolutions=1), "a")], layout.id
    )
    mine = tmp_path / "mine"
    mine.mkdir()
    (mine / "report.json").write_text("mine")
    (tmp_path / "out").symlink_to(mine, target_is_directory=True)
    save(found, tmp_path / "out", overwrite=True)
    assert not (tmp_path / "out").is_symlink()
    assert (mine / "report.json").read_text() == "mine"
    assert sorted(p.name for p in tmp_path.iterdir()) == ["mine", "out"]
