"""What was found of a drive before a head was moved or a speed changed, against the drive as it is."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from tests.causes.test_gauged_shelf import FAST, add, capture, state
from tests.levelling.test_network_level import HEADING, planted_trials

from indexhole.cli import main as edge
from indexhole.errors import InputFault
from indexhole.jobs.faults.levelling import kept_measurements, level_bench, shelf_evidence
from indexhole.jobs.faults.repairs import Moves, Repairs
from indexhole.levelling.measurements import parse_measurements
from indexhole.model.trials.trial import Trial
from indexhole.shelf.records.event_work import EventWork
from indexhole.shelf.records.records import Disk, Event, Mechanism, Unit, checked
from indexhole.shelf.register.shelf import Shelf

DATED = HEADING.replace("note", "note,when")


def event(when: str, what: str, unit: str = "D3") -> Event:
    return checked(Event, unit=unit, when=when, what=what)


@pytest.mark.parametrize(
    ("when", "what", "found", "past"),
    [
        ("2026-03-10", "head aligned", "2026-03-09", True),
        ("2026-03-10", "Alignment adjusted", "2026-03-09", True),
        ("2026-03-10", "new belt", "2025", True),
        ("2019-05", "both belts renewed", "2019-04-30", True),
        ("2026-03-10", "head aligned", "2026-03-10", False),  # that day, perhaps afterwards
        ("2026-03-10", "head aligned", "2026-03", False),
        ("2026-03-10", "head aligned", "", False),
        ("", "head aligned", "2026-03-09", False),
        ("2026-03-10", "heads cleaned", "2026-03-09", False),
        ("2026-03-10", "alignment checked against A1", "2026-03-09", False),
        ("2026-03-10", "adjustment is right", "2026-03-09", False),
        ("2026-03-10", "should be aligned", "2026-03-09", False),
        ("2026-03-10", "lent to the school", "2026-03-09", False),
        ("about 1987", "motor repaired", "1980", True),
        ("about 1987", "motor repaired", "1986", False),
    ],
)
def test_only_work_that_moves_something_and_came_later_for_certain_parts(
    when: str, what: str, found: str, past: bool
) -> None:
    moves = Moves([event(when, what)])
    assert (moves.since("D3.1", found) is not None) == past
    assert moves.since("D30.0", found) is None


@pytest.mark.parametrize(
    ("what", "work", "past"),
    [
        ("head aligned", "none", False),
        ("head aligned", "cleaned", False),
        ("by the workshop, see the bench book", "repaired", True),
        ("alignment checked, and set right", "repaired", True),
    ],
)
def test_the_keepers_word_for_the_work_counts_and_not_the_words_of_the_event(
    what: str, work: EventWork, past: bool
) -> None:
    said = checked(Event, unit="D3", when="2026-03-10", what=what, work=work)
    why = Moves([said]).why("it", "D3.0", "2026-01-01", "made")
    assert bool(why) == past
    assert "guess" not in why


def test_cleaning_counts_as_work_but_moves_nothing() -> None:
    said = checked(Event, unit="D3", when="2026-03-10", what="wiped inside", work="cleaned")
    trials = [replace(t, when="2026-04-01") for t in planted_trials({"D3.0": 0.0}, 1)]
    assert "worked on" in Repairs(trials, [said]).left_out("it", "D3.0", "2026-01-01", "made")
    assert Moves([said]).since("D3.0", "2026-01-01") is None


@pytest.mark.parametrize(
    ("what", "split_trials"),
    [
        ("head aligned", {"D3.0", "D3.1"}),
        ("head of D3.1 aligned", {"D3.1"}),
        ("aligned D3.0, D3.1", {"D3.0", "D3.1"}),
        ("aligned beside AD3.0", {"D3.0", "D3.1"}),
        ("D3.10 aligned", set()),
    ],
)
def test_work_on_a_mechanism_that_is_named_is_on_that_one_alone(what: str, split_trials: set[str]) -> None:
    moves = Moves([event("2026-03-10", what)])
    assert {d for d in ("D3.0", "D3.1", "D4.0") if moves.since(d, "2026-01-01")} == split_trials
    repairs = Repairs(
        [replace(t, when="2026-04-01") for t in planted_trials({"D3.0": 0.0, "D3.1": 0.0}, 1)],
        [event("2026-03-10", what)],
    )
    assert {d for d in ("D3.0", "D3.1") if repairs.left_out("it", d, "2026-01-01", "made")} == split_trials


def test_of_several_the_last_is_told() -> None:
    moves = Moves([event("2026-03-10", "head aligned"), event("2026-05", "motor replaced"), event("2025", "repaired")])
    assert "(2026-05: motor replaced; a guess from its words)" in moves.why("it", "D3.0", "2026-01-01", "made")
    assert "2026-05" in moves.why("it", "D3.0", "2026-04-01", "made")
    assert moves.why("it", "D3.0", "2026-06-01", "made") == ""


@given(st.lists(st.sampled_from(planted_trials({"D1.0": 0.0, "D3.0": 0.0}, 1)), max_size=6))
def test_without_such_work_the_trials_stay_as_they_are(trials: list[Trial]) -> None:
    split_trials = Moves([event("2026-03-10", "heads cleaned"), event("2020", "head aligned")]).split_trials(trials)
    assert (list(split_trials.trials), split_trials.past, split_trials.told) == (trials, {}, ())


@pytest.fixture
def shelf(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Shelf:
    """Four drives; D3.0 sat 290 um aside until its head was aligned."""
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "cache"))
    made = Shelf.open(tmp_path / "shelf", create=True)
    for unit in ("D1", "D2", "D3", "D4"):
        made.add(checked(Unit, inventory=unit, kind="drive unit", disk_class="130-48"))
        made.add(checked(Mechanism, mechanism=f"{unit}.0"))
    before = planted_trials({"D1.0": 0.0, "D2.0": 0.0, "D3.0": 290.0, "D4.0": 0.0}, 3)
    # afterwards all read all again, and all fail on what D3.0 wrote before, itself too
    after = [
        replace(t, when="2026-03-20", sectors_failed=360 if t.disk == "KD3.0" else 0)
        for t in before
        if t.operation == "read"
    ]
    made.add_trials([replace(t, trial=f"T{n}") for n, t in enumerate([*before, *after], start=1)])
    sheet = made.folder / "measurements.csv"
    sheet.write_text(DATED + "".join(f"nominal,D{n}.0,speed,0,0.1,%,strobe,2026-03-25\n" for n in (1, 2, 3, 4)))
    return made


def test_a_head_that_was_aligned_is_levelled_as_it_is(shelf: Shelf) -> None:
    def told() -> tuple[str, float]:
        bench = level_bench(shelf_evidence(shelf), kept_measurements(shelf))
        one = next(s for s in bench.levels["offset"].positions if s.node == "D3.0")
        return one.verdict, abs(one.value)

    assert told()[0] == "fails"
    shelf.add(event("2026-03-10", "head aligned"))
    verdict, size = told()
    assert verdict != "fails"
    assert size < 60
    bench = level_bench(shelf_evidence(shelf), kept_measurements(shelf))
    nodes = {n for part in bench.levels["offset"].parts for n in part.nodes}
    assert nodes == {"D1.0", "D2.0", "D3.0", "D4.0", *(d for d in nodes if d.startswith("K"))}
    assert not any("before" in n for n in nodes)
    (remark,) = (r for r in bench.remarks if "worked on" in r)
    assert remark == (
        "what trials say of D3.0 before D3 was worked on (2026-03-10: head aligned; a guess from its words) is left out"
    )
    assert bench.evidence.recorded.get("D3.0", ()) == ()  # its disks hold what it wrote when it sat aside


def test_measurements_from_before_are_left_out_and_told(shelf: Shelf) -> None:
    shelf.add(event("2026-03-10", "head aligned"))
    sheet = DATED + (
        "nominal,D3.0,offset,290,8,um,by eye,2026-03-01\n"
        "D1.0,D3.0,offset,281,8,um,,2026-02\n"
        "nominal,D3.0,offset,3,8,um,,2026-03-20\n"
        "nominal,D1.0,offset,1,8,um,,2026-03-01\n"
    )
    bench = level_bench(shelf_evidence(shelf), parse_measurements(sheet, where="sheet"))
    assert {t.name for p in bench.levels["offset"].parts for t in p.ties if t.name.startswith("M")} == {"M3", "M4"}
    left = [r for r in bench.remarks if r.startswith("measurement")]
    assert [r.split()[1] for r in left] == ["M1", "M2"]
    assert "it was made before D3 was worked on (2026-03-10: head aligned; a guess from its words)" in left[0]


def test_a_tie_left_out_for_work_cannot_be_left_out_again_by_name(shelf: Shelf) -> None:
    shelf.add(event("2026-03-10", "head aligned"))
    measured = parse_measurements(DATED + "nominal,D3.0,offset,290,8,um,,2026-03-01\n", where="sheet")
    with pytest.raises(InputFault, match="no tie is called 'M1'"):
        level_bench(shelf_evidence(shelf), measured, left_out=["M1"])


def test_when_all_is_from_before_that_is_said(tmp_path: Path) -> None:
    shelf = Shelf.open(tmp_path, create=True)
    shelf.add(checked(Unit, inventory="D3", kind="drive unit"))
    shelf.add(checked(Mechanism, mechanism="D3.0"))
    shelf.add(event("2026-03-10", "head aligned"))
    measured = parse_measurements(DATED + "nominal,D3.0,offset,290,8,um,,2026-03-01\n", where="sheet")
    with pytest.raises(InputFault, match="nothing ties the mechanisms together since the work on them"):
        level_bench(shelf_evidence(shelf), measured)


@pytest.mark.parametrize(("when", "counts"), [("2026-03-10", False), ("2026-01-10", True)])
def test_speeds_of_captures_from_before_are_left_out(shelf: Shelf, when: str, counts: bool) -> None:
    shelf.add(checked(Disk, inventory="K9"))
    add(shelf, capture(1, state(FAST), state(FAST)), "K9", "D2.0", writer="D2.0")
    shelf.add(event(when, "belt replaced", "D2"))
    bench = level_bench(shelf_evidence(shelf))
    speeds = {s.node: s.value for s in bench.levels["speed"].positions} if "speed" in bench.levels else {}
    assert ("D2.0" in speeds) == counts
    told = [r for r in bench.remarks if "says of D2.0 is left out: it was taken before D2 was worked on" in r]
    assert len(told) == (0 if counts else 1)


def test_the_command_says_what_was_left_out(shelf: Shelf, capsys: pytest.CaptureFixture[str]) -> None:
    shelf.add(event("2026-03-10", "head aligned"))
    assert edge.run(["level", "--shelf", str(shelf.folder)]) == 0
    assert "Not told: what trials say of D3.0 before D3 was worked on" in capsys.readouterr().out
