"""Shelves of earlier versions, kept in tests/data: the newest opens each, with all it held and all it can undo."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from indexhole.shelf.care.condition import check_captures
from indexhole.shelf.care.sweep import leavings
from indexhole.shelf.records.additions import Firmware, Loan, Part, View
from indexhole.shelf.records.records import CaptureRecord, Disk, Event, Mechanism, Note, Unit, checked
from indexhole.shelf.register.shelf import Shelf

SHELVES = Path(__file__).parents[1] / "data" / "shelves"
VERSIONS = sorted(place.name for place in SHELVES.iterdir() if place.is_dir())


@pytest.fixture(params=VERSIONS)
def old(request: pytest.FixtureRequest, tmp_path: Path) -> Shelf:
    shutil.copytree(SHELVES / request.param, tmp_path / "shelf")
    return Shelf.open(tmp_path / "shelf")


def test_every_version_in_the_list_of_the_readme_is_kept():
    told = (SHELVES / "README.md").read_text()
    assert VERSIONS
    assert [version for version in VERSIONS if f"| `{version}` |" not in told] == []


def test_what_an_older_version_kept_is_there_whole(old):
    assert old.all(Unit)[0] == checked(
        Unit, inventory="D1", kind="drive unit", title="Twin unit from the tide office", maker="Ostrel Werke",
        disk_class="130-48", acquired="about 1998", origin="tide office", state="belts renewed",
        date_codes="8442 on both boards",
    )  # fmt: skip
    assert [(unit.inventory, unit.standing) for unit in old.all(Unit)] == [
        ("D1", "known"), ("H1", "known"), ("L1", "unproven"), ("D2", "unproven"),
    ]  # fmt: skip
    assert old.get(Mechanism, "D1.0").write_width_um == 330.0
    assert [(disk.inventory, disk.importance, disk.note) for disk in old.all(Disk)] == [
        ("K1", "irreplaceable", ""),
        ("K9", "working", "for trials"),
    ]
    assert [(trial.trial, trial.operation, trial.disk, trial.note) for trial in old.trials()] == [
        ("T1", "read", "K1", "first day"),
        ("T2", "write", "K9", ""),
    ]
    assert [(event.event, event.when) for event in old.all(Event)] == [("E1", "about 1987")]
    assert [note.text for note in old.all(Note)] == ["label half gone"]


def test_the_files_of_an_older_shelf_are_sound(old):
    assert old.inspect() == []
    assert [found.state for found in check_captures(old)] == ["unchanged"]
    assert list(leavings(old).strays) == []


def test_the_journal_of_an_older_shelf_still_takes_back_what_it_tells(old):
    importance = {}
    while old.changes():
        what = old.undo().what
        importance[what] = {disk.inventory: disk.importance for disk in old.all(Disk)}
    # undone in reverse: K9 was marked irreplaceable, then unmarked
    assert list(importance)[-1] == "add unit D1"
    assert importance["import 2 trials from bench.csv"] == {"K1": "irreplaceable", "K9": "working"}
    assert importance["add disk K9"] == {"K1": "irreplaceable"}
    assert [old.all(kind) for kind in (Unit, Mechanism, Disk, Event, Note, CaptureRecord)] == [[]] * 6


def test_undo_brings_back_a_mark_that_an_older_version_took_away(old):
    while old.changes()[0].what != "change disk K9":
        old.undo()
    assert old.get(Disk, "K9").importance == "working"
    old.undo()
    assert old.get(Disk, "K9").irreplaceable


@pytest.mark.parametrize(("version", "who"), [("0.1.0", ""), ("0.1.0-schema-6", "Anna")])
def test_who_logged_the_trials_of_an_older_shelf_is_read_from_its_journal(tmp_path, version, who):
    shutil.copytree(SHELVES / version, tmp_path / "shelf")
    old = Shelf.open(tmp_path / "shelf")
    (change,) = [change for change in old.changes() if change.what == "import 2 trials from bench.csv"]
    assert {(trial.logged_by, trial.logged_utc) for trial in old.trial_log()} == {(who, change.at_utc)}
    # what the journal noted before there was such a column is taken back all the same
    old.remove_trial("T2")
    old.undo()
    assert [trial.logged_by for trial in old.trial_log()] == [who, who]


def test_what_schema_6_kept_besides_is_there(tmp_path):
    shutil.copytree(SHELVES / "0.1.0-schema-6", tmp_path / "shelf")
    old = Shelf.open(tmp_path / "shelf")
    assert [(part.name, part.date_code) for part in old.all(Part)] == [("controller board", "8442")]
    assert [firmware.version for firmware in old.all(Firmware)] == ["2.1"]
    assert [(loan.disk, loan.party) for loan in old.all(Loan)] == [("K1", "the tide office")]
    assert [view.words for view in old.all(View)] == ["tide"]
    told = old.confidences_of(Unit, "D1")
    assert [(one.field, one.standing, one.source) for one in told.values()] == [
        ("acquired", "as told", "a retired clerk")
    ]
    assert [(change.what, change.who) for change in old.changes() if change.who] == [
        ("say how acquired of unit D1 stands", "Anna"), ("add part D1: controller board", "Ben"),
        ("import 2 trials from bench.csv", "Anna"),
    ]  # fmt: skip
