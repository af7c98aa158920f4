"""The register: records in and out, references that hold, changes that are whole and can be undone."""

from __future__ import annotations

import threading
from dataclasses import replace
from datetime import UTC, datetime, timedelta, timezone
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from sqlalchemy import update

from indexhole.errors import IndexholeError, InputFault, ShelfFault
from indexhole.model.trials.trial import Trial
from indexhole.shelf.records.entry import Record
from indexhole.shelf.records.records import CaptureRecord, Disk, Event, Mechanism, Note, Unit, checked, now
from indexhole.shelf.register import tables
from indexhole.shelf.register.database import transaction
from indexhole.shelf.register.shelf import Shelf, default_folder
from indexhole.shelf.sheets.sheet import parse_sheet, read_sheet, sheet_bytes

TRIAL = Trial("T1", "2026-03-01", "read", "H1", "L1", "D1.0", "K1", 0, 0, 12, 117, 3, "as found")
CAPTURE = {"sha256": "a" * 64, "name": "k1.vcd", "size_bytes": 10, "parquet": "captures/aa.parquet"}


def drive(inventory: str = "D1", **more: object) -> Unit:
    return checked(Unit, inventory=inventory, kind="drive unit", **more)


@pytest.fixture
def shelf(tmp_path: Path) -> Shelf:
    return Shelf.open(tmp_path / "shelf", create=True)


def everything(shelf: Shelf) -> dict[str, list[object]]:
    held: dict[str, list[object]] = {kind.WORD: list(shelf.all(kind)) for kind in tables.TABLES}
    return {**held, "trial": list(shelf.trials())}


def test_what_goes_in_comes_out_whole_and_in_order(shelf):
    unit = drive(
        title="Twin unit, grey", maker="Östrel Werke", disk_class="130-48", acquired="about 1998", origin="quay office",
        state="belt tired", date_codes="8442 on the board",
    )  # fmt: skip
    records: list[Record] = [
        unit,
        checked(Unit, inventory="A0", kind="lead"),
        checked(Mechanism, unit="D1", number=1, front="A", write_width_um=330.0, read_width_um=300),
        checked(Mechanism, mechanism="D1.0"),
        checked(Disk, inventory="K1", title="Tide tables 1986", disk_class="130-48", sides=2, irreplaceable=True),
        checked(CaptureRecord, **CAPTURE, disk="K1", mechanism="D1.0", cylinder=3, head=1, taken="2026-03"),
    ]
    for record in records:
        assert shelf.add(record) == record
    for record in records:
        assert shelf.get(type(record), record.key) == record
    again = Shelf.open(shelf.at)
    assert [unit.inventory for unit in again.all(Unit)] == ["D1", "A0"]
    assert [mechanism.mechanism for mechanism in again.mechanisms_of("D1")] == ["D1.0", "D1.1"]


def test_events_and_notes_are_given_their_key_and_stand_in_order_of_time(shelf):
    shelf.add(drive())
    shelf.add(checked(Disk, inventory="K1"))
    shelf.add(checked(Event, unit="D1", when="about 1987", what="head cable replaced", source="the foreman"))
    shelf.add(checked(Event, unit="D1", when="1979", what="bought"))
    assert [(event.event, event.when) for event in shelf.history("D1")] == [("E2", "1979"), ("E1", "about 1987")]
    on_disk = shelf.add(checked(Note, disk="K1", text="label half gone"))
    general = shelf.add(checked(Note, text="move the shelf out of the sun"))
    assert shelf.notes_on(disk="K1") == [on_disk]
    assert shelf.notes_on() == [general]
    assert shelf.notes_on(unit="D1") == []


def test_a_moment_is_kept_in_utc_whatever_its_zone(shelf):
    moment = datetime(2026, 3, 1, 1, 30, tzinfo=timezone(timedelta(hours=2)))
    shelf.add(checked(Note, text="a", added_utc=moment))
    (kept,) = shelf.all(Note)
    assert kept.added_utc == moment
    assert kept.added_utc.tzinfo is UTC
    assert kept.added_utc.day == 28


def test_a_moment_without_a_zone_is_our_own_fault():
    with pytest.raises(ValueError, match="a moment needs its zone"):
        tables.UtcDateTime().process_bind_param(datetime(2026, 3, 1), None)


@pytest.mark.parametrize(
    ("kind", "values", "told"),
    [
        (Unit, {"inventory": "", "kind": "host"}, "unit inventory: this is needed"),
        (Unit, {"inventory": " D1", "kind": "host"}, "no space at its ends"),
        (Unit, {"inventory": "D1", "kind": "toaster"}, "unit kind: 'toaster' is none of 'drive unit', 'host'"),
        (Unit, {"inventory": "D1", "kind": "host", "colour": "grey"}, "unit colour: there is no such field"),
        (Unit, {"inventory": "D1", "kind": "host", "disk_class": "131"}, "'131' is no disk class; known are 130-100"),
        (Unit, {"inventory": "D1", "kind": "host", "title": "a\0b"}, "holds a NUL character"),
        (Mechanism, {"mechanism": "D1"}, "'D1' is not UNIT.NUMBER; write it as D1.0"),
        (Mechanism, {"unit": "D1", "number": -1}, "must not be below 0"),
        (Mechanism, {"mechanism": "D1.0", "unit": "D2", "number": 0}, "is not number 0 of unit 'D2'"),
        (Mechanism, {"mechanism": "D1.0", "read_width_um": float("nan")}, "mechanism read_width_um"),
        (Disk, {"inventory": "K1", "sides": 3}, "disk sides: '3' is none of 1 or 2"),
        (Event, {"unit": "D1", "what": "x", "when": "long ago"}, "'long ago' is not a date; write it as 1987-05-12"),
        (CaptureRecord, {**CAPTURE, "sha256": "XY"}, "capture sha256"),
        (CaptureRecord, {**CAPTURE, "parquet": "../x"}, "must be a path inside the folder captures of the shelf"),
        (CaptureRecord, {**CAPTURE, "original": "/etc/x"}, "must be a path inside the folder captures of the shelf"),
    ],
)
def test_a_value_that_does_not_fit_is_told_in_one_line(kind, values, told):
    with pytest.raises(InputFault) as fault:
        checked(kind, **values)
    assert told in fault.value.line
    assert "\n" not in fault.value.line


@pytest.mark.parametrize(
    ("record", "told"),
    [
        (drive("D1"), "unit D1 is on the shelf already"),
        (checked(Mechanism, mechanism="D7.0"), "there is no unit D7 on the shelf; did you mean D1"),
        (checked(Mechanism, mechanism="H1.0"), "unit H1 is a host, and a mechanism belongs to a drive unit"),
        (checked(Event, unit="X", what="fell"), "there is no unit X on the shelf; see `indexhole shelf list`"),
        (checked(Note, disk="K9", text="x"), "there is no disk K9"),
        (checked(CaptureRecord, **CAPTURE, mechanism="D1.5"), "there is no mechanism D1.5"),
    ],
)
def test_an_entry_that_does_not_fit_the_shelf_changes_nothing(shelf, record, told):
    shelf.add(drive("D1"))
    shelf.add(checked(Unit, inventory="H1", kind="host"))
    before = everything(shelf)
    with pytest.raises(InputFault) as fault:
        shelf.add(record)
    assert told in fault.value.line
    assert everything(shelf) == before
    assert len(shelf.changes()) == 2


def test_fields_change_and_the_key_stays(shelf):
    shelf.add(drive(title="Box"))
    assert shelf.update(Unit, "D1", title="Crate", state="dusty").title == "Crate"
    assert shelf.get(Unit, "D1") == drive(title="Crate", state="dusty")
    with pytest.raises(InputFault, match="cannot take another inventory"):
        shelf.update(Unit, "D1", inventory="D2")
    with pytest.raises(InputFault, match="is no disk class"):
        shelf.update(Unit, "D1", disk_class="soup plate")
    with pytest.raises(InputFault, match="there is no unit D9 on the shelf"):
        shelf.update(Unit, "D9", title="x")
    assert shelf.get(Unit, "D1").title == "Crate"


def test_a_unit_named_by_others_cannot_go_nor_change_its_part(shelf):
    shelf.add_trials([TRIAL])
    with pytest.raises(InputFault, match="unit D1 is named by 1 mechanisms; remove those first"):
        shelf.remove(Unit, "D1")
    with pytest.raises(InputFault, match="disk K1 is named by 1 trials"):
        shelf.remove(Disk, "K1")
    with pytest.raises(InputFault, match="unit D1 cannot be a host: it is known as a drive unit"):
        shelf.add(checked(Unit, inventory="D1", kind="host"))
    with pytest.raises(InputFault, match="unit L1 cannot be a drive unit: it is known as a adapter or lead"):
        shelf.update(Unit, "L1", kind="drive unit")
    assert shelf.update(Unit, "L1", kind="adapter").kind == "adapter"
    shelf.remove_trial("T1")
    shelf.remove(Mechanism, "D1.0")
    shelf.remove(Unit, "D1")
    assert shelf.find(Unit, "D1") is None
    with pytest.raises(InputFault, match="there is no trial T1"):
        shelf.remove_trial("T1")


def test_a_trial_keeps_who_logged_it_and_when(shelf):
    shelf.add_trials([TRIAL])
    before = now()
    shelf.signed("Anna").add_trials([replace(TRIAL, trial="T2")], "the bench")
    first, second = shelf.trial_log()
    assert (first.trial, first.logged_by) == ("T1", "")
    assert second.logged_by == "Anna"
    assert second.logged_utc is not None
    assert before <= second.logged_utc <= now()
    # the sheet and diagnosis have the columns they always had
    assert shelf.trials() == [TRIAL, replace(TRIAL, trial="T2")]
    assert [found.key for found in shelf.search("anna")] == ["T2"]
    shelf.signed("Ben").remove_trial("T2")
    (copy,) = (shelf.folder / "removed").glob("*-trial-T2.json")
    assert '"logged_by": "Anna"' in copy.read_text()
    shelf.undo()
    assert shelf.trial_log() == [first, second]
    shelf.undo()
    assert shelf.trial_log() == [first]


@pytest.mark.parametrize(("who", "why"), [("x" * 201, ""), ("", "x" * 2001), ("a\0b", ""), ("", "\0")])
def test_a_signature_is_short_text(shelf, who, why):
    with pytest.raises(InputFault, match="holds a NUL character or more than"):
        shelf.signed(who, why)
    assert shelf.signed("x" * 200, "y" * 2000).signature.who == "x" * 200


def test_an_import_enters_what_it_does_not_know_as_unproven(shelf):
    shelf.add(drive())
    told = shelf.add_trials([TRIAL, replace(TRIAL, trial="T2", mechanism="1987.14.1", lead="", host="")])
    assert [(unit.inventory, unit.kind, unit.standing) for unit in told.units] == [
        ("H1", "host", "unproven"),
        ("L1", "lead", "unproven"),
        ("1987.14", "drive unit", "unproven"),
    ]
    assert [mechanism.mechanism for mechanism in told.mechanisms] == ["D1.0", "1987.14.1"]
    assert [disk.inventory for disk in told.disks] == ["K1"]
    assert shelf.get(Unit, "D1").standing == "known"
    assert shelf.trials()[1].lead == ""
    filled = shelf.add(checked(Unit, inventory="L1", kind="lead", title="Grey ribbon"))
    assert shelf.get(Unit, "L1") == filled
    assert filled.standing == "known"


def test_a_plan_tells_the_same_and_changes_nothing(shelf):
    before = everything(shelf)
    planned = shelf.plan_trials([TRIAL])
    assert everything(shelf) == before
    assert shelf.add_trials([TRIAL]) == planned


@pytest.mark.parametrize(
    ("new", "told"),
    [
        ([TRIAL], "trial T1 is on the shelf already"),
        ([replace(TRIAL, sectors_failed=9)], "trial T1 is on the shelf already, with other values"),
        ([replace(TRIAL, trial="T2", host="L1")], "trial T2: L1 is a lead, not a host"),
        ([replace(TRIAL, trial="T2", lead="D1")], "trial T2: D1 is a drive unit, not a lead"),
        ([replace(TRIAL, trial="T2", host="X", lead="X")], "trial T2: X is a host, not a lead"),
        ([replace(TRIAL, trial="T2", side=5)], "column side: '5' is not from 0 to 1"),
        ([replace(TRIAL, trial="T2"), replace(TRIAL, trial="T2")], "'T2' stands in row 3 already"),
    ],
)
def test_trials_are_added_all_or_none(shelf, new, told):
    shelf.add_trials([TRIAL])
    before = everything(shelf)
    with pytest.raises(InputFault) as fault:
        shelf.add_trials([replace(TRIAL, trial="T0", mechanism="D8.0"), *new])
    assert told in fault.value.line
    assert everything(shelf) == before


def test_an_import_remarks_on_dates_that_go_back_and_on_writes_to_the_irreplaceable(shelf):
    shelf.add(checked(Disk, inventory="K1", irreplaceable=True))
    late = replace(TRIAL, trial="T2", when="2026-02-28T09:00", operation="write")
    told = shelf.add_trials([TRIAL, late])
    assert told.remarks == (
        "trial T2 is dated before trial T1 above it; rows are taken in order as they stand",
        "disk K1 is marked irreplaceable, and trials wrote on it",
    )


def test_search_needs_every_word_whatever_its_case(shelf):
    shelf.add(drive(title="Grey box, ÜBERSEE quay"))
    shelf.add(checked(Disk, inventory="K1", title="Quay rents"))
    shelf.add_trials([TRIAL])
    assert [(found.kind, found.key) for found in shelf.search("QUAY")] == [("unit", "D1"), ("disk", "K1")]
    assert [found.key for found in shelf.search("quay übersee")] == ["D1"]
    assert [(found.kind, found.key) for found in shelf.search("as found")] == [("trial", "T1")]
    assert shelf.search("anchor") == []
    with pytest.raises(InputFault, match="nothing to look for"):
        shelf.search("  ")


def test_each_kind_of_change_is_undone_exactly(shelf):
    states = [everything(shelf)]

    def step(change) -> None:
        change()
        states.append(everything(shelf))

    step(lambda: shelf.add(drive(title="Box")))
    step(lambda: shelf.add_trials([TRIAL]))
    step(lambda: shelf.add(checked(Unit, inventory="L1", kind="lead", title="Ribbon")))
    step(lambda: shelf.update(Unit, "D1", title="Crate"))
    step(lambda: shelf.add(checked(Note, unit="D1", text="rattles")))
    step(lambda: shelf.remove(Note, "N1"))
    step(lambda: shelf.add_with_files(checked(CaptureRecord, **CAPTURE, disk="K1"), lambda: None))
    told = [change.what for change in shelf.changes()]
    assert told[0] == "add capture k1.vcd"
    assert told[-2:] == ["import 1 trials", "add unit D1"]
    for state, what in zip(reversed(states[:-1]), told, strict=True):
        assert shelf.undo().what == what
        assert everything(shelf) == state
    with pytest.raises(InputFault, match="nothing to undo"):
        shelf.undo()
    shelf.add(drive())
    assert shelf.undo().rows == 1


def test_undo_takes_back_only_what_was_asked(shelf):
    shelf.add(drive())
    (seen,) = shelf.changes()
    shelf.add(drive("D2"))
    with pytest.raises(InputFault, match="another change came in between"):
        shelf.undo(seen)
    assert shelf.find(Unit, "D2") is not None


def test_undo_stops_at_a_row_changed_by_other_means(shelf):
    shelf.add(drive(title="Box"))
    shelf.update(Unit, "D1", title="Crate")
    with transaction(shelf._engine, writing=True, where=shelf.path) as connection:
        connection.execute(update(tables.units).values(title="Trunk"))
    with pytest.raises(ShelfFault, match="row 1 of units was changed by other means since"):
        shelf.undo()
    assert shelf.get(Unit, "D1").title == "Trunk"


def test_the_same_capture_is_not_registered_twice(shelf):
    first, new = shelf.add_with_files(checked(CaptureRecord, **CAPTURE), lambda: None)
    assert new
    again, new = shelf.add_with_files(checked(CaptureRecord, **{**CAPTURE, "name": "copy.vcd"}), lambda: None)
    assert (again, new) == (first, False)
    assert len(shelf.changes()) == 1
    assert shelf.get(CaptureRecord, "aaaaaa") == first
    assert shelf.find(CaptureRecord, "aaaaa") is None
    shelf.add(checked(CaptureRecord, **{**CAPTURE, "sha256": "a" * 63 + "b"}))
    assert shelf.find(CaptureRecord, "aaaaaa") is None


def test_what_a_capture_is_never_changes(shelf):
    shelf.add_with_files(checked(CaptureRecord, **CAPTURE), lambda: None)
    assert shelf.update(CaptureRecord, "a" * 64, note="loud").note == "loud"
    with pytest.raises(InputFault, match="cannot take another parquet"):
        shelf.update(CaptureRecord, "a" * 64, parquet="captures/bb.parquet")


def test_writers_of_two_threads_both_get_their_turn(shelf):
    faults: list[IndexholeError] = []

    def add(names: range) -> None:
        try:
            for k in names:
                Shelf.open(shelf.at).add(drive(f"D{k}"))
        except IndexholeError as fault:
            faults.append(fault)

    threads = [threading.Thread(target=add, args=(range(k, k + 5),)) for k in (0, 10)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert faults == []
    assert len(shelf.all(Unit)) == 10
    assert len(shelf.changes()) == 10


def test_the_default_folder_follows_the_environment(monkeypatch, tmp_path):
    monkeypatch.setenv("INDEXHOLE_SHELF", str(tmp_path / "mine"))
    assert default_folder() == tmp_path / "mine"
    monkeypatch.delenv("INDEXHOLE_SHELF")
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path))
    assert default_folder().name == "shelf"


@pytest.mark.parametrize(
    "ask",
    [
        lambda shelf: shelf.get(Unit, "\udcff"),
        lambda shelf: shelf.update(Unit, "\udcff", title="x"),
        lambda shelf: shelf.remove(Unit, "\udcff"),
        lambda shelf: shelf.remove_trial("\udcff"),
        lambda shelf: shelf.add_trials([replace(TRIAL, note="\udcff")]),
        lambda shelf: shelf.add(drive("D1", title="\udcff")),
    ],
)
def test_half_a_character_is_refused_in_one_line(shelf, ask):
    with pytest.raises(InputFault, match=r"half a character|valid string"):
        ask(shelf)
    assert shelf.changes() == []


words = st.text(max_size=30)


@settings(max_examples=40, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(title=words, origin=words, note=words)
def test_any_text_is_kept_exactly_or_refused(shelf, title, origin, note):
    try:
        kept = shelf.add(drive(title=title, origin=origin))
        shelf.add_trials([replace(TRIAL, note=note)])
    except InputFault as fault:
        assert "\n" not in fault.line
    else:
        assert shelf.get(Unit, "D1") == kept
        assert (kept.title, kept.origin, shelf.trials()[0].note) == (title, origin, note)
    while shelf.changes():
        shelf.undo()


def test_a_sheet_leaves_the_shelf_as_it_came(shelf):
    sheet = sheet_bytes([replace(TRIAL, trial=f"T{k}", host="H1" * (k % 2), note='"a",\r\nb') for k in range(5)])
    shelf.add_trials(parse_sheet(sheet.decode(), where="s"))
    assert sheet_bytes(shelf.trials()) == sheet


@pytest.mark.shared
def test_the_shared_sheets_pass_through_the_register(shared_folder, tmp_path):
    for path in sorted((shared_folder / "trials").glob("*.csv")):
        shelf = Shelf.open(tmp_path / path.stem, create=True)
        shelf.add_trials(read_sheet(path), path.name)
        assert sheet_bytes(shelf.trials()) == path.read_bytes()
