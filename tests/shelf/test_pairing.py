"""The fields pairing goes by: what they take, what they refuse, and the mark that became a word."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from indexhole.cli import main as edge
from indexhole.errors import InputFault
from indexhole.jobs.demo.things import demo_records
from indexhole.shelf.records.records import Disk, Mechanism, Unit, checked, words_of
from indexhole.shelf.register.shelf import Shelf


@pytest.fixture
def shelf(tmp_path: Path) -> Shelf:
    held = Shelf.open(tmp_path / "shelf", create=True)
    held.add(checked(Unit, inventory="D1", kind="drive unit"))
    held.add(checked(Mechanism, mechanism="D1.0"))
    return held


def test_a_disk_looked_at_closely_is_kept_whole(shelf):
    disk = checked(
        Disk, inventory="K1", importance="scratch", notch="covered", hub_ring=True, sector_holes=16,
        layout="130-48-mfm-9x512", recorded_by="D1.0", recorded_when="about 1987", recorded_temperature_c=-4.5,
        recorded_humidity_pct=100, before="never recorded", condition=" shedding,creased , shedding,",
    )  # fmt: skip
    assert disk.condition == "shedding, creased"
    assert words_of(disk.condition) == ("shedding", "creased")
    shelf.add(disk)
    assert Shelf.open(shelf.folder).get(Disk, "K1") == disk


@pytest.mark.parametrize(
    ("kind", "values", "told"),
    [
        (Disk, {"importance": "some"}, "disk importance: 'some' is none of 'scratch', 'working' or 'irreplaceable'"),
        (Disk, {"notch": "torn"}, "disk notch"),
        (Disk, {"sector_holes": 12}, "disk sector_holes: '12' is none of 0, 10, 16 or 32"),
        (Disk, {"layout": "9 sectors"}, "'9 sectors' is no layout; known are 130-48-mfm-16x256"),
        (Disk, {"recorded_humidity_pct": 101}, "disk recorded_humidity_pct"),
        (Disk, {"recorded_temperature_c": float("nan")}, "disk recorded_temperature_c"),
        (Disk, {"recorded_when": "long ago"}, "'long ago' is not a date"),
        (Disk, {"irreplaceable": "perhaps"}, "disk"),
        (Disk, {"condition": "a\x1bb"}, "hold no control character"),
        (Unit, {"kind": "host", "controller": "Two Chips"}, "is no key of a table of standards"),
        (Mechanism, {"mechanism": "D1.0", "heads": 3}, "mechanism heads: '3' is none of 1 or 2"),
        (Mechanism, {"mechanism": "D1.0", "cylinders": 0}, "mechanism cylinders"),
    ],
)
def test_what_does_not_fit_is_told_in_one_line(kind, values, told):
    with pytest.raises(InputFault) as fault:
        checked(kind, **({} if kind is Mechanism else {"inventory": "X1"}), **values)
    assert told in fault.value.line
    assert "\n" not in fault.value.line


@pytest.mark.parametrize(
    ("values", "importance"),
    [
        ({}, "working"),
        ({"irreplaceable": True}, "irreplaceable"),
        ({"irreplaceable": "yes"}, "irreplaceable"),
        ({"irreplaceable": False, "importance": "irreplaceable"}, "working"),
        ({"irreplaceable": False, "importance": "scratch"}, "scratch"),
    ],
)
def test_the_mark_is_taken_as_the_word(values, importance):
    disk = checked(Disk, inventory="K1", **values)
    assert disk.importance == importance
    assert disk.irreplaceable == (importance == "irreplaceable")


def test_a_mechanism_that_recorded_a_disk_must_stand_on_the_shelf_and_stay(shelf):
    with pytest.raises(InputFault, match=r"there is no mechanism D9\.0"):
        shelf.add(checked(Disk, inventory="K1", recorded_by="D9.0"))
    shelf.add(checked(Disk, inventory="K1", recorded_by="D1.0"))
    with pytest.raises(InputFault, match=r"mechanism D1\.0 is named by 1 disks; remove those first"):
        shelf.remove(Mechanism, "D1.0")


def test_the_command_line_takes_each_of_the_fields(tmp_path, capsys):
    def shelf(*words: str) -> dict:
        assert edge.run(["shelf", *words, "--shelf", str(tmp_path), "--json"]) == 0
        return json.loads(capsys.readouterr().out)

    told = shelf("add", "unit", "H1", "--kind", "host", "--controller", "one-chip", "--volume-kinds", "fat12,linked")
    assert (told["unit"]["controller"], told["unit"]["volume_kinds"]) == ("one-chip", "fat12, linked")
    shelf("add", "unit", "D1")
    told = shelf("add", "mechanism", "D1.0", "--drive-class", "130-48", "--heads", "2", "--cylinders", "40")
    assert (told["mechanism"]["drive_class"], told["mechanism"]["heads"], told["mechanism"]["cylinders"]) == (
        "130-48",
        2,
        40,
    )
    told = shelf(
        "add", "disk", "K1", "--importance", "scratch", "--notch", "none", "--no-hub-ring", "--sector-holes", "0",
        "--layout", "130-48-mfm-9x512", "--recorded-by", "D1.0", "--recorded-when", "1987",
        "--recorded-temperature-c", "19.5", "--recorded-humidity-pct", "40", "--before", "erased",
        "--condition", "mould",
    )  # fmt: skip
    given = {
        "importance": "scratch", "notch": "none", "hub_ring": False, "sector_holes": 0, "layout": "130-48-mfm-9x512",
        "recorded_by": "D1.0", "recorded_when": "1987", "recorded_temperature_c": 19.5, "recorded_humidity_pct": 40.0,
        "before": "erased", "condition": "mould",
    }  # fmt: skip
    assert {name: told["disk"][name] for name in given} == given
    told = shelf("change", "disk", "K1", "hub_ring=yes", "sector_holes=", "recorded_temperature_c=")
    held = told["disk"]
    assert (held["hub_ring"], held["sector_holes"], held["recorded_temperature_c"]) == (True, None, None)


def test_the_demonstration_shelf_gives_pairing_something_of_each_kind():
    disks = [record for record in demo_records() if isinstance(record, Disk)]
    assert {disk.importance for disk in disks} == {"scratch", "working", "irreplaceable"}
    assert {disk.notch for disk in disks} == {"open", "covered", "none", ""}
    assert {disk.before for disk in disks} == {"erased", "never recorded", "recorded", ""}
    assert {disk.condition for disk in disks} == {"", "creased", "mould", "shedding"}
    assert all(disk.importance == "scratch" for disk in disks if disk.title.startswith("Scratch"))
    hosts = [record for record in demo_records() if isinstance(record, Unit) and record.kind == "host"]
    assert all(host.volume_kinds for host in hosts)
