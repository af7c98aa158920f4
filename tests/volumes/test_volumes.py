"""Names, states and kinds of volume: what is the same whatever the volume."""

from __future__ import annotations

import re
from pathlib import Path, PurePosixPath, PureWindowsPath
from typing import get_args, get_type_hints

import pytest
from hypothesis import given
from hypothesis import strategies as st

from indexhole.recover.shapes.result import SectorState
from indexhole.volumes.fat12.make import make_fat12
from indexhole.volumes.labelled.make import DataSets, make_labelled
from indexhole.volumes.linked.make import make_linked35
from indexhole.volumes.read import read_volume
from indexhole.volumes.volume import Volume, VolumeFile, file_state, safe_name, safe_paths, shown_name, worst_state

HOSTILE = [
    "..",
    ".",
    "",
    "/",
    "\\",
    "C:",
    "CON",
    "nul.txt",
    "a\0b",
    ".ssh",
    "x. .",
    " ",
    "~",
    "LPT1.",
    "\u202egpj",
    "…",
]


def dwells_in_its_folder(name: str) -> None:
    safe = safe_name(name)
    for kind in (PurePosixPath, PureWindowsPath):
        path = kind(safe)
        assert path.name == safe
        assert not path.is_absolute()
    assert safe not in (".", "..")
    assert not safe.startswith(".")
    assert safe == safe.strip()
    assert len(safe) <= 101
    assert safe.isascii()
    assert safe.split(".")[0].lower() not in {"con", "prn", "aux", "nul", "com1", "lpt9"}


@given(st.text(max_size=300))
def test_a_safe_name_stays_in_its_folder(name: str) -> None:
    dwells_in_its_folder(name)


@pytest.mark.parametrize("name", HOSTILE)
def test_hostile_names(name: str) -> None:
    dwells_in_its_folder(name)


def test_a_plain_name_is_left_alone() -> None:
    for name in ("TIDES.TXT", "LAMP LOG", "a-b_c (2)"):
        assert safe_name(name) == name


@given(st.lists(st.text(alphabet="aA/.\\\0~2_", max_size=8), max_size=12))
def test_safe_paths_never_meet(names: list[str]) -> None:
    paths = safe_paths(names)
    assert len(paths) == len(names)
    lowered = [path.lower() for path in paths]
    assert len(set(lowered)) == len(names)
    folders = {"/".join(path.split("/")[:depth]) for path in lowered for depth in range(1, path.count("/") + 1)}
    assert not folders & set(lowered), "no path is both a file and a folder"
    for path in paths:
        assert not path.startswith("/")
        assert all(part and not part.startswith(".") for part in path.split("/"))


def test_folders_keep_their_files_together() -> None:
    assert safe_paths(["LOG/A", "LOG/B", "LOG", "log/A", "A"]) == ["LOG/A", "LOG/B", "LOG~2", "log~3/A", "A"]


@given(st.binary(max_size=20))
def test_shown_names_are_printable_and_tell_bytes_apart(raw: bytes) -> None:
    shown = shown_name(raw)
    assert all(" " <= c <= "~" for c in shown)
    assert "/" not in shown
    assert shown_name(b"A\xe5/\\\x00") == "A\\xE5\\x2F\\x5C\\x00"
    # a slash of any kind is written out, so the text has only one reading
    back = shown.encode().decode("unicode_escape").encode("latin-1")
    assert back == raw


def test_a_file_is_as_good_as_its_worst_sector() -> None:
    states = {1: SectorState.SOUND, 2: SectorState.MENDED, 3: SectorState.SUSPECT, 4: SectorState.LOST}
    cases = [
        ((1,), "sound"),
        ((1, 2), "mended"),
        ((2, 3, 1), "suspect"),
        ((1, 4), "lost"),
        ((1, 99), "lost"),
        ((), "sound"),
    ]
    for sectors, state in cases:
        assert worst_state(sectors, states) == state
        assert file_state(VolumeFile("A", b"", 0, sectors, "file"), states) == state
    cut = VolumeFile("A", b"", 0, (1, 2), "file", whole=False)
    assert file_state(cut, states) == "suspect"


@given(st.binary(max_size=2000))
def test_no_volume_is_seen_in_noise(data: bytes) -> None:
    read_volume(data)
    assert read_volume(b"\xf6" * 368_640) is None
    assert read_volume(bytes(174_848)) is None
    assert read_volume(b"") is None


def test_kinds_are_told_apart() -> None:
    images = {
        "fat12": make_fat12({"A": b"1"}),
        "linked": make_linked35({"A": b"1"}, "T"),
        "labelled": make_labelled({"A": b"1"}, "T", data_sets=DataSets(record_bytes=1)),
    }
    assert set(images) == set(get_args(get_type_hints(Volume)["kind"]))
    for kind, image in images.items():
        volume = read_volume(image)
        assert volume is not None
        assert volume.kind == kind
        assert volume.files[0].data == b"1"


def test_the_examples_of_the_manual_run() -> None:
    manual = (Path(__file__).resolve().parents[2] / "docs" / "volumes.md").read_text(encoding="utf-8")
    blocks = re.findall(r"```python\n(.*?)```", manual, re.DOTALL)
    assert blocks
    for block in blocks:
        exec(block, {})
    # every kind there is has its row
    for kind in get_args(get_type_hints(Volume)["kind"]):
        assert f"| `{kind}` |" in manual
