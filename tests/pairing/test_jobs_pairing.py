"""Pairings of small shelves with known outcomes: what is assumed, what is proven, the matrix, the show plan."""

from __future__ import annotations

import json
from collections.abc import Iterator
from datetime import date
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from indexhole.errors import InputFault
from indexhole.jobs.pairing.asking import Question, answer, class_of, question, settle
from indexhole.jobs.pairing.evidence import evidence_of, gauge_readings, proof_of
from indexhole.jobs.pairing.matrix import whole_matrix
from indexhole.jobs.pairing.plan import check_plan, months_before, plan_json, plan_lines
from indexhole.jobs.pairing.plan_sheet import COLUMNS, MOST_STEPS, parse_plan, plan_of
from indexhole.jobs.pairing.report import answer_json, answer_lines, chance_words, matrix_json, matrix_lines
from indexhole.jobs.pairing.stock import Stock, stock_of
from indexhole.levelling.measurements import parse_measurements
from indexhole.model.trials.trial import Trial
from indexhole.pairing.learning.evidence import Observation
from indexhole.pairing.parts.answer import GROUPS
from indexhole.shelf.records.records import Disk, Event, Mechanism, Unit, checked
from indexhole.shelf.register.shelf import Shelf
from indexhole.standards.drives import load_drives


def assumed_of(stock: Stock) -> dict[str, tuple[str, ...]]:
    """What was taken for granted, in words."""
    return {name: tuple(one.words for one in told) for name, told in stock.assumed.items()}


def trial(
    name: str, operation: str, mechanism: str, disk: str, failed: int = 0, when: str = "2026-03-01", **more: Any
) -> Trial:
    held = {"host": "H1", "lead": "L1", "side": 0, "first": 0, "last": 39, "tried": 360, **more}
    return Trial(
        name, when, operation, held["host"], held["lead"], mechanism, disk, held["side"],  # type: ignore[arg-type]
        held["first"], held["last"], held["tried"], failed,
    )  # fmt: skip


@pytest.fixture
def shelf(tmp_path: Path) -> Shelf:
    """Two 48-tpi units, one of 96 tpi, one of 90 mm, one of which nothing is known; seven disks."""
    made = Shelf.open(tmp_path / "shelf", create=True)
    made.add(checked(Unit, inventory="H1", kind="host", controller="mfm-one-rate", volume_kinds="fat12"))
    made.add(checked(Unit, inventory="L1", kind="lead"))
    for unit, disk_class in (("D1", "130-48"), ("D2", "130-48"), ("D4", "130-96"), ("D7", "90"), ("D9", "")):
        made.add(checked(Unit, inventory=unit, kind="drive unit", disk_class=disk_class))
        made.add(checked(Mechanism, mechanism=f"{unit}.0"))
    for disk, disk_class, more in (
        ("K1", "130-48", {"importance": "irreplaceable", "layout": "130-48-mfm-9x512", "notch": "covered"}),
        ("K2", "130-48", {"importance": "scratch", "notch": "open", "sides": 2}),
        ("K3", "130-48", {"importance": "working", "notch": "open", "recorded_by": "D2.0"}),
        ("K5", "130-96", {"importance": "irreplaceable"}),
        ("K6", "90", {}),
        ("K8", "130-48", {"importance": "irreplaceable", "condition": "shedding"}),
        ("K9", "", {}),
    ):
        made.add(checked(Disk, inventory=disk, disk_class=disk_class, **more))
    return made


def asked(shelf: Shelf, **what: Any) -> Any:
    stock = stock_of(shelf)
    return answer(stock, evidence_of(shelf, stock), question(**what))


@pytest.fixture(autouse=True, scope="module")
def own_cache(tmp_path_factory: pytest.TempPathFactory) -> Iterator[None]:
    """Keep weighed evidence out of the user's own cache."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("XDG_CACHE_HOME", str(tmp_path_factory.mktemp("cache")))
        yield


# the stock


def test_what_is_not_noted_is_said(shelf: Shelf) -> None:
    stock = stock_of(shelf)
    assert stock.unknown == {
        "D9.0": "neither its drive class nor its unit's disk class is noted",
        "K9": "its disk class is not noted",
    }
    assert any("taken as 130-48 " in words for words in assumed_of(stock)["D1.0"])
    assert any("driven by H1, the only host" in words for words in assumed_of(stock)["D1.0"])
    assert assumed_of(stock)["K2"] == ("its layout is not noted; taken as 130-48-mfm-9x512, usual for its class",)
    assert "K1" not in stock.assumed or all("layout" not in words for words in assumed_of(stock)["K1"])
    assert stock.mechanisms["D1.0"].host.controller is not None
    assert stock.mechanisms["D1.0"].host.volume_kinds == ("fat12",)


def test_what_the_keeper_noted_comes_before_the_class(shelf: Shelf) -> None:
    shelf.update(Mechanism, "D1.0", drive_class="130-48-one-side-35", heads=1, cylinders=34, write_width_um=290.0)
    made = stock_of(shelf).mechanisms["D1.0"]
    assert (made.drive.id, made.heads, made.cylinders) == ("130-48-one-side-35", 1, 34)
    assert made.drive.write_width_um is not None
    assert made.drive.write_width_um.value == 290.0
    assert made.drive.read_width_um == load_drives()["130-48"].read_width_um


@pytest.fixture
def old_shelf(tmp_path: Path) -> Shelf:
    """A shelf of an older version: no drive class, no controller, no layout is noted."""
    made = Shelf.open(tmp_path / "old", create=True)
    made.add(checked(Unit, inventory="H3", kind="host"))
    for unit, disk_class in (("D8", "200"), ("D6", "130-dense"), ("D1", "130-48")):
        made.add(checked(Unit, inventory=unit, kind="drive unit", disk_class=disk_class))
        made.add(checked(Mechanism, mechanism=f"{unit}.0"))
    for disk, disk_class, sides in (("K22", "200", 1), ("K23", "200", 1), ("K24", "200", 2), ("K1", "130-48", 2)):
        made.add(checked(Disk, inventory=disk, disk_class=disk_class, sides=sides))
    return made


def test_what_is_only_supposed_does_not_fail(old_shelf: Shelf) -> None:
    told = asked(old_shelf, disk="K22", reader="D8.0")
    assert told.budget.verdict == "unproven"
    assert "if D8.0 is a usual one of its disk class" in told.budget.why
    assert "the index window lies where one-side disks have it" in told.budget.why
    assert told.budget.chance > 0.3
    stock = stock_of(old_shelf)
    cells = whole_matrix(stock, evidence_of(old_shelf, stock), Question()).cells
    assert [cells[k, "D8.0"].verdict for k in ("K22", "K23", "K24")] == ["unproven", "unproven", "works"]
    assert "depends on what is not noted" in cells["K22", "D8.0"].why
    # noted, it does
    old_shelf.update(Mechanism, "D8.0", drive_class="200-two-side")
    old_shelf.update(Unit, "H3", controller="mfm-three-rate")
    assert "index window" in asked(old_shelf, disk="K22", reader="D8.0").budget.why


def test_trials_that_worked_count_more_than_what_is_supposed(old_shelf: Shelf) -> None:
    old_shelf.add_trials([trial("T88", "read", "D8.0", "K22", host="H3", last=76, tried=77 * 26)])
    stock = stock_of(old_shelf)
    assert any("trial T88 with K22 shows that it sees the index" in words for words in assumed_of(stock)["D8.0"])
    told = asked(old_shelf, disk="K22", reader="D8.0")
    assert (told.budget.verdict, told.differs) == ("works", "")
    # what goes for one jacket goes for another of its kind, and the kind of its class is still taken
    cells = whole_matrix(stock, evidence_of(old_shelf, stock), Question()).cells
    assert [cells[k, "D8.0"].verdict for k in ("K22", "K23", "K24")] == ["works", "works", "works"]


def test_trials_that_failed_show_nothing(old_shelf: Shelf) -> None:
    old_shelf.add_trials([trial("T88", "read", "D8.0", "K22", 2000, host="H3", last=76, tried=77 * 26)])
    assert not any("shows" in words for words in assumed_of(stock_of(old_shelf))["D8.0"])
    assert asked(old_shelf, disk="K22", reader="D8.0").budget.verdict in ("unproven", "fails")


def test_heads_cylinders_and_speeds_are_shown_by_trials(old_shelf: Shelf) -> None:
    old_shelf.update(Unit, "H3", controller="mfm-one-rate")
    before = stock_of(old_shelf)
    assert [s.value for s in before.mechanisms["D6.0"].drive.speeds_rpm] == [360]
    assert asked(old_shelf, disk="K1", reader="D6.0").budget.verdict == "unproven"
    old_shelf.add_trials(
        [
            trial("T1", "read", "D6.0", "K1", host="H3"),
            trial("T2", "read", "D1.0", "K1", host="H3", first=40, last=41, tried=18),
        ]
    )
    stock = stock_of(old_shelf)
    assert 300 in [s.value for s in stock.mechanisms["D6.0"].drive.speeds_rpm]
    assert stock.mechanisms["D1.0"].cylinders == 42
    assert asked(old_shelf, disk="K1", reader="D6.0").budget.verdict == "works"
    # what the keeper noted is not talked over
    old_shelf.update(Mechanism, "D1.0", cylinders=40, heads=2)
    assert stock_of(old_shelf).mechanisms["D1.0"].cylinders == 40


def test_an_unknown_drive_class_is_told_and_not_guessed(shelf: Shelf) -> None:
    shelf.update(Mechanism, "D1.0", drive_class="of-no-library")
    assert stock_of(shelf).unknown["D1.0"] == "its drive class of-no-library is not in the library"


def test_the_host_is_the_one_of_the_latest_trial(shelf: Shelf) -> None:
    shelf.add(checked(Unit, inventory="H2", kind="host"))
    assert "not noted" in assumed_of(stock_of(shelf))["D1.0"][-1]
    shelf.add_trials([trial("T1", "read", "D1.0", "K1", host="H1"), trial("T2", "read", "D1.0", "K1", host="H2")])
    stock = stock_of(shelf)
    assert stock.mechanisms["D1.0"].host.name == "H2"
    assert "driven by H2, as in trial T2" in assumed_of(stock)["D1.0"]


@pytest.mark.parametrize(
    ("sectors", "layout"), [(320, "130-48-mfm-8x512"), (360, "130-48-mfm-9x512"), (720, "130-48-mfm-18x256")]
)
def test_the_layout_is_read_off_the_trials(shelf: Shelf, sectors: int, layout: str) -> None:
    shelf.add_trials([trial("T1", "read", "D1.0", "K2", tried=sectors, side=1)])
    stock = stock_of(shelf)
    assert stock.layouts["K2"].id == layout
    assert any(f"{sectors // 40} sectors a track" in words for words in assumed_of(stock)["K2"])


def test_the_class_of_a_mechanism_goes_by_its_drive_class(shelf: Shelf) -> None:
    stock = stock_of(shelf)
    assert {name: class_of(m) for name, m in stock.mechanisms.items()} == {
        "D1.0": "130-48", "D2.0": "130-48", "D4.0": "130-96", "D7.0": "90",
    }  # fmt: skip


# one pairing


def test_the_writer_is_who_the_disk_or_the_trials_name(shelf: Shelf) -> None:
    stock = stock_of(shelf)
    of_entry = settle(stock, Question(disk="K3", reader="D1.0"))
    assert (of_entry.writer.name, of_entry.writer_said) == ("D2.0", "D2.0, by the disk's entry")
    unknown = settle(stock, Question(disk="K2", reader="D1.0"))
    assert (unknown.writer.name, unknown.writer_said) == ("", "not known; taken as a good outside drive")
    shelf.add_trials([trial("T1", "write", "D4.0", "K2")])
    of_trial = settle(stock_of(shelf), Question(disk="K2", reader="D1.0"))
    assert (of_trial.writer.name, of_trial.writer_said) == ("D4.0", "D4.0, as in trial T1")
    given_one = settle(stock, Question(disk="K3", reader="D1.0", writer="D1.0"))
    assert given_one.writer.name == "D1.0"


def test_verdicts_no_bench_could_see_otherwise(shelf: Shelf) -> None:
    same = asked(shelf, disk="K1", reader="D1.0").budget
    assert same.verdict != "fails"
    too_few_cylinders = asked(shelf, disk="K5", reader="D1.0").budget
    # how many cylinders it has is not noted, but its heads are too far apart for these tracks either way
    assert (too_few_cylinders.verdict, too_few_cylinders.limiting) == ("fails", "position")
    wrong_size = asked(shelf, disk="K6", reader="D1.0").budget
    assert (wrong_size.verdict, wrong_size.chance, wrong_size.limiting) == ("fails", 0.0, "fit")


def test_costs_and_chance_add_up_to_one(shelf: Shelf) -> None:
    for disk, reader in (("K1", "D1.0"), ("K1", "D4.0"), ("K5", "D1.0"), ("K6", "D1.0")):
        told = asked(shelf, disk=disk, reader=reader).budget
        assert told.chance + sum(term.cost for term in told.terms) == pytest.approx(1.0, abs=1e-6)


def test_an_irreplaceable_disk_is_never_to_be_written(shelf: Shelf) -> None:
    for operation in ("read", "update", "format"):
        told = asked(shelf, operation=operation, disk="K1", reader="D1.0")
        assert told.budget.risk.write == "never"
    lines = list(answer_lines(asked(shelf, operation="update", disk="K1", reader="D1.0")))
    risk = next(k for k, line in enumerate(lines) if line.startswith("Risk to the disk: never write on it"))
    assert risk < next(k for k, line in enumerate(lines) if line.startswith("Verdict: "))


def test_an_exchange_without_a_disk_takes_a_new_one_of_the_writers_class(shelf: Shelf) -> None:
    told = asked(shelf, writer="D4.0", reader="D1.0")
    assert told.setup.operation == "exchange"
    assert (told.setup.disk.name, told.setup.layout.id) == ("", "130-96-mfm-9x512")
    assert told.budget.verdict == "fails"
    narrow_on_wide = asked(shelf, writer="D4.0", reader="D1.0", layout="130-48-mfm-9x512")
    assert narrow_on_wide.setup.disk.disk_class.id == "130-48"


@pytest.mark.parametrize("disk_class", ["200", "130-48", "90"])
def test_a_new_disk_can_be_recorded_by_a_drive_of_its_class(tmp_path: Path, disk_class: str) -> None:
    own = Shelf.open(tmp_path / "own", create=True)
    own.add(checked(Unit, inventory="D1", kind="drive unit", disk_class=disk_class))
    own.add(checked(Mechanism, mechanism="D1.0"))
    assert asked(own, writer="D1.0", reader="D1.0").budget.verdict == "works"


def test_the_json_has_what_the_contract_names(shelf: Shelf) -> None:
    told = json.loads(json.dumps(answer_json(asked(shelf, disk="K1", reader="D1.0", temperature_c=21.0))))
    assert [term["group"] for term in told["terms"]] == list(GROUPS)
    assert {"margin", "uncertainty", "unit", "cost", "verdict", "words", "facts"} <= told["terms"][0].keys()
    assert told["risk"]["write"] == "never"
    assert (told["disk"], told["reader"]["name"], told["writer"]["name"], told["host"]) == ("K1", "D1.0", "", "H1")
    assert told["conditions"]["temperature_c"] == 21.0
    assert len(told["curve"]) == 80
    assert told["proven"] is None


def test_the_words_name_verdict_chance_terms_and_assumptions(shelf: Shelf) -> None:
    told = asked(shelf, disk="K2", reader="D1.0")
    text = "\n".join(answer_lines(told))
    assert f"Verdict: {told.budget.verdict}. " in text
    assert chance_words(told.budget.chance, told.budget.chance_error) in text
    for group in GROUPS:
        assert f"\n   {group:<16}" in text
    assert "K2: its layout is not noted" in text


@pytest.mark.parametrize(
    ("what", "words"),
    [
        ({"disk": "K77", "reader": "D1.0"}, "there is no disk K77"),
        ({"disk": "K1", "reader": "D77.0"}, "there is no mechanism D77.0"),
        ({"disk": "K9", "reader": "D1.0"}, "disk K9: its disk class is not noted; note it on the shelf"),
        ({"disk": "K1", "reader": "D9.0"}, "mechanism D9.0: neither its drive class"),
        ({"disk": "K1", "reader": "D1.0", "host": "L1"}, "there is no host L1"),
        ({"disk": "K1", "reader": "D1.0", "layout": "130-48-mfm-9x51"}, "as 130-48-mfm-9x512"),
        ({"disk": "K1"}, "no reader is named"),
        ({"reader": "D1.0"}, "no disk is named"),
        ({"operation": "exchange", "reader": "D1.0"}, "no writer is named"),
        ({"operation": "format", "disk": "K2", "writer": "D1.0", "reader": "D2.0"}, "format is done by one"),
        ({"operation": "burn", "disk": "K2", "reader": "D2.0"}, "'burn' is no operation"),
        ({"disk": "K2", "reader": "D2.0", "humidity_pct": 101.0}, "humidity_pct must be from 0 to 100"),
        ({"disk": "K2", "reader": "D2.0", "temperature_c": float("nan")}, "temperature_c must be from"),
    ],
)
def test_what_cannot_be_asked_is_told_in_one_line(shelf: Shelf, what: dict[str, Any], words: str) -> None:
    with pytest.raises(InputFault) as caught:
        asked(shelf, **what)
    assert words in caught.value.line
    assert "\n" not in caught.value.line


# evidence


def seen(name: str, failed: int, when: str = "2026-03-01", first: int = 0, last: int = 39) -> Observation:
    return Observation(name, when, "read", "", "D1.0", "K1", 0, first, last, 9 * (last - first + 1), failed)


def test_of_each_track_the_latest_trial_counts() -> None:
    assert proof_of([]) is None
    early = seen("T1", 360)
    proof = proof_of([early, seen("T2", 0, "2026-04-02")])
    assert proof is not None
    assert (proof.verdict, proof.when, proof.tried, proof.failed) == ("works", "2026-04-02", 360, 0)
    half = proof_of([early, seen("T3", 0, first=20)])
    assert half is not None
    assert (half.verdict, half.tried, half.failed) == ("fails", 360, 180)
    one = proof_of([seen("T1", 0), seen("T4", 1, first=5, last=5)])
    assert one is not None
    assert (one.verdict, one.failed) == ("doubtful", 1)


def test_trials_prove_and_contradict(shelf: Shelf) -> None:
    shelf.add_trials([trial("T1", "read", "D1.0", "K1"), trial("T2", "read", "D2.0", "K1", failed=360)])
    good = asked(shelf, disk="K1", reader="D1.0")
    assert good.proof is not None
    assert (good.proof.verdict, good.proof.trials, good.differs) == ("works", ("T1",), "")
    other_writer = asked(shelf, operation="read", disk="K1", reader="D1.0", writer="D2.0")
    assert other_writer.proof is None


def test_a_disks_entry_tells_who_recorded_it_before_any_trial(shelf: Shelf) -> None:
    shelf.add_trials([trial("T1", "read", "D1.0", "K3")])
    proof = asked(shelf, disk="K3", reader="D1.0").proof
    assert proof is not None
    assert proof.trials == ("T1",)
    shelf.update(Disk, "K3", recorded_when="2026-04-01")
    assert asked(shelf, disk="K3", reader="D1.0").proof is None


def test_an_update_is_proven_by_a_write_over_the_same_hand(shelf: Shelf) -> None:
    shelf.add_trials([trial("T1", "format", "D1.0", "K2"), trial("T2", "write", "D2.0", "K2", failed=3)])
    told = asked(shelf, operation="update", disk="K2", reader="D2.0", writer="D1.0")
    assert told.proof is not None
    assert (told.proof.verdict, told.proof.trials) == ("doubtful", ("T2",))
    formatted = asked(shelf, operation="format", disk="K2", reader="D1.0")
    assert formatted.proof is not None
    assert formatted.proof.trials == ("T1",)


def test_measurements_of_one_mechanism_are_gauges_those_between_two_are_not(shelf: Shelf) -> None:
    text = (
        "from,to,quantity,value,uncertainty,unit\n"
        "nominal,D1.0,speed,1.0,0.1,%\n"
        "KA1,D1.0,offset,12,3,um\n"
        "D1.0,D2.0,offset,5,1,um\n"
        "nominal,D77.0,speed,1.0,0.1,%\n"
    )
    readings = gauge_readings(parse_measurements(text, where="m"), stock_of(shelf))
    assert {(r.mechanism, r.quantity) for r in readings} == {("D1.0", "radial_offset"), ("D1.0", "spindle_speed")}
    speed = next(r for r in readings if r.quantity == "spindle_speed")
    assert speed.value == pytest.approx(303.0)
    assert speed.uncertainty == pytest.approx(0.3, rel=0.02)


def test_a_drive_that_was_worked_on_is_another_drive_than_before(shelf: Shelf) -> None:
    """D2.0 wrote K2 when nobody else could read it; then its head was aligned."""
    shelf.add_trials(
        [
            trial("T1", "write", "D2.0", "K2"),
            trial("T2", "read", "D2.0", "K2"),
            trial("T3", "read", "D1.0", "K2", failed=360),
            trial("T4", "read", "D4.0", "K2", failed=360),
            trial("T5", "write", "D1.0", "K3"),
            trial("T6", "read", "D4.0", "K3"),
            trial("T7", "read", "D2.0", "K3", failed=360),
        ]
    )
    first = asked(shelf, operation="exchange", writer="D2.0", reader="D1.0")
    assert first.budget.chance < 0.3
    shelf.add(checked(Event, unit="D2", when="2026-03-10", what="head aligned"))
    aligned = asked(shelf, operation="exchange", writer="D2.0", reader="D1.0")
    assert aligned.proof is None
    assert aligned.budget.chance > 0.6
    assert any("D2.0 before 2026-03-10" in words for words in aligned.setup.assumed)
    # what it wrote then still lies where it lay
    kept = asked(shelf, operation="read", disk="K2", reader="D1.0")
    assert kept.setup.writer_said == "D2.0 before 2026-03-10, as in trial T1"
    assert kept.proof.verdict == "fails"
    assert kept.budget.chance < 0.1
    # by the entry of a disk too, where that says when
    shelf.update(Disk, "K5", recorded_by="D2.0", recorded_when="2026-02")
    assert stock_of(shelf).disks["K5"].recorded_by.name == "D2.0 before 2026-03-10"  # type: ignore[union-attr]


# the matrix


def test_the_matrix_has_every_disk_by_every_mechanism_grouped_by_class(shelf: Shelf) -> None:
    shelf.add_trials([trial("T1", "read", "D9.0", "K9"), trial("T2", "read", "D1.0", "K1", failed=360)])
    stock = stock_of(shelf)
    matrix = whole_matrix(stock, evidence_of(shelf, stock), Question())
    assert len(matrix.cells) == 7 * 5
    assert [h.group for h in matrix.rows] == ["130-48"] * 4 + ["130-96", "90", ""]
    unknown = matrix.cells["K9", "D1.0"]
    assert (unknown.verdict, unknown.chance) == ("unproven", None)
    assert "its disk class is not noted" in unknown.why
    tried = matrix.cells["K9", "D9.0"].proof
    assert tried is not None
    assert tried.trials == ("T1",)
    assert not matrix.cells["K6", "D1.0"].fits
    first = matrix.ordered()[0]
    assert (first.row, first.column) == ("K1", "D1.0")
    assert first.differs
    told = json.loads(json.dumps(matrix_json(matrix)))
    assert told["cells"][0]["proven"]["trials"] == ["T2"]
    assert first.expected is not None
    assert first.expected > 0.5
    assert first.chance is not None
    assert first.chance < first.expected
    assert "K1 with D1.0: by class alone " in "\n".join(matrix_lines(matrix))


def test_the_matrix_agrees_with_the_budgets_it_leads_to(shelf: Shelf) -> None:
    shelf.add_trials([trial("T1", "read", "D1.0", "K1")])
    stock = stock_of(shelf)
    evidence = evidence_of(shelf, stock)
    matrix = whole_matrix(stock, evidence, Question())
    for disk in ("K1", "K2", "K8"):
        for reader in ("D1.0", "D4.0"):
            whole = answer(stock, evidence, Question(disk=disk, reader=reader), samples=300, remedies=False)
            assert matrix.cells[disk, reader].chance == pytest.approx(whole.budget.chance, abs=0.15), (disk, reader)
    worn, sound = matrix.cells["K8", "D1.0"].chance, matrix.cells["K2", "D1.0"].chance
    assert worn is not None
    assert sound is not None
    assert worn < sound - 0.2


def test_the_matrix_of_exchanges_is_writers_by_readers(shelf: Shelf) -> None:
    stock = stock_of(shelf)
    matrix = whole_matrix(stock, evidence_of(shelf, stock), Question("exchange"))
    assert [h.name for h in matrix.rows] == [h.name for h in matrix.columns]
    assert matrix.cells["D4.0", "D1.0"].verdict == "fails"
    narrowed = whole_matrix(stock, evidence_of(shelf, stock), Question("exchange", writer="D1.0"))
    assert set(narrowed.cells) == {("D1.0", name) for name in stock.all_mechanisms}


def test_a_shelf_with_nothing_to_pair_is_told(tmp_path: Path) -> None:
    empty = Shelf.open(tmp_path / "empty", create=True)
    stock = stock_of(empty)
    with pytest.raises(InputFault, match="no mechanisms to pair"):
        whole_matrix(stock, evidence_of(empty, stock), Question())


# the show plan

PLAN = """step,operation,host,lead,mechanism,writer,reader,disk,note
1,read,H1,L1,D1.0,,,K1,opening
2,read,,L1,D2.0,,,K1,
3,write,,,D1.0,,,K1,
4,format,,,D1.0,,,K2,
5,read,,,D2.0,,,K2,
"""


def checked_plan(shelf: Shelf, text: str = PLAN, months: int = 6, today: date = date(2026, 6, 1)) -> Any:
    stock = stock_of(shelf)
    return check_plan(stock, evidence_of(shelf, stock), parse_plan(text, where="p"), months=months, today=today)


def test_a_plan_is_held_against_trials_and_disks(shelf: Shelf) -> None:
    shelf.add(checked(Unit, inventory="L2", kind="lead"))
    shelf.add_trials(
        [
            trial("T1", "read", "D1.0", "K1", when="2026-03-01"),
            trial("T2", "read", "D2.0", "K1", when="2025-03-01", lead="L2"),
            trial("T3", "format", "D1.0", "K2", when="2026-03-02"),
            trial("T4", "read", "D2.0", "K2", when="2026-03-03", failed=7),
        ]
    )
    first, late, writes, formats, reads = checked_plan(shelf)
    assert not any("trial" in words for words in first.alarms)
    assert writes.alarms[0] == "it would write on K1, which is irreplaceable: use another disk"
    assert "no trial of it stands on the shelf" in writes.alarms
    assert not any(words.startswith(("no trial", "trials show")) for words in formats.alarms)
    # what step 4 formats is read in step 5
    assert reads.answer.setup.writer.name == "D1.0"
    assert any("7 failed" in words for words in reads.alarms)
    assert any("not proven in the last 6 months: the latest trial is of 2025-03-01" in words for words in late.alarms)
    assert "the trials were made over L2, not over L1" in late.remarks
    assert not any("not proven" in words for one in checked_plan(shelf, months=16) for words in one.alarms)
    lines = plan_lines(checked_plan(shelf), months=6, today=date(2026, 6, 1))
    assert "steps need attention, as of 2026-06-01" in lines[0]
    told = json.loads(json.dumps(plan_json(checked_plan(shelf), months=6, today=date(2026, 6, 1))))
    assert [step["step"] for step in told["steps"]] == ["1", "2", "3", "4", "5"]
    assert told["steps"][2]["alarms"]


def test_a_predicted_doubt_is_an_alarm(shelf: Shelf) -> None:
    (one,) = checked_plan(shelf, "step,operation,mechanism,disk\n1,read,D1.0,K5\n")
    assert any(words.startswith("predicted fails") for words in one.alarms)


def test_names_not_on_the_shelf_are_all_told_with_their_rows(shelf: Shelf) -> None:
    text = (
        "step,operation,mechanism,disk,lead\n1,read,D77.0,K1,\n2,read,D1.0,K77,\n3,read,D1.0,K1,L9\n4,read,D1.0,K1,\n"
    )
    with pytest.raises(InputFault) as caught:
        checked_plan(shelf, text)
    assert "3 faults: row 2: there is no mechanism D77.0" in caught.value.line
    assert "row 3: there is no disk K77" in caught.value.line
    assert "row 4: there is no lead L9" in caught.value.line


@pytest.mark.parametrize(
    ("day", "months", "earlier"),
    [
        (date(2026, 3, 31), 1, date(2026, 2, 28)),
        (date(2024, 3, 31), 1, date(2024, 2, 29)),
        (date(2026, 1, 15), 12, date(2025, 1, 15)),
        (date(2026, 1, 15), 1, date(2025, 12, 15)),
        (date(20, 1, 15), 1200, date.min),
    ],
)
def test_months_are_those_of_the_calendar(day: date, months: int, earlier: date) -> None:
    assert months_before(day, months) == earlier


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", "is empty"),
        ("step,operation,mechanism,disk\n", "no steps"),
        ("step;operation;mechanism;disk\n1;read;D1.0;K1\n", "semicolons"),
        ("step,operation,disk\n1,read,K1\n", "lacks mechanism"),
        ("step,operation,mechanism,disk,colour\n1,read,D1.0,K1,red\n", "'colour'"),
        ("step,step,operation,mechanism\n", "twice"),
        ("step,operation,mechanism,disk\n1,burn,D1.0,K1\n", "row 2, column operation: 'burn'"),
        ("step,operation,mechanism,disk\n1,read,,K1\n", "row 2: read needs a mechanism"),
        ("step,operation,mechanism,disk\n1,read,D1.0,\n", "row 2: read needs a disk"),
        ("step,operation,writer,reader,disk\n1,exchange,,D1.0,K1\n", "needs a writer and a reader"),
        ("step,operation,mechanism,reader,disk\n1,read,D1.0,D2.0,K1\n", "names both"),
        ("step,operation,mechanism,disk\n1,read,D1.0,K1,stray\n", "more cells than columns"),
        ('step,operation,mechanism,disk\n1,read,"D1.0,K1\n', "is not CSV"),
        ("step,operation,mechanism,disk\n1,read,D1.0,K\x071\n", "control character"),
        (f"step,operation,mechanism,disk\n1,read,D1.0,{'K' * 90}\n", "longer than 80"),
        ("step,operation,mechanism,disk\n" + "1,read,D1.0,K1\n" * (MOST_STEPS + 1), "more than 500 steps"),
    ],
)
def test_a_plan_that_is_none_is_told_in_one_line(text: str, words: str) -> None:
    with pytest.raises(InputFault) as caught:
        parse_plan(text, where="plan.csv")
    assert caught.value.line.startswith("plan.csv: ")
    assert words in caught.value.line
    assert "\n" not in caught.value.line


def test_a_cell_guarded_against_formulas_is_read_as_it_was() -> None:
    heading, step = "step,operation,mechanism,disk,note\n", "1,read,{},{},{}\n"
    (guarded,) = parse_plan(heading + step.format("'=D1.0", "'@K1", "'-5 V"), where="p")
    (typed,) = parse_plan(heading + step.format("=D1.0", "@K1", "-5 V"), where="p")
    assert (guarded.reader, guarded.disk, guarded.note) == ("=D1.0", "@K1", "-5 V")
    assert guarded == typed


@given(st.binary(max_size=400))
def test_any_bytes_are_a_plan_or_one_line(content: bytes) -> None:
    try:
        steps = plan_of(content, where="plan.csv")
    except InputFault as fault:
        assert "\n" not in fault.line
    else:
        assert steps


_CELLS = st.sampled_from(["", "1", "read", "write", "exchange", "D1.0", "K1", '"', "\n", ",", "\x00", "é", ";", "  "])


@settings(max_examples=200)
@given(st.permutations(COLUMNS), st.integers(0, 10), st.lists(st.lists(_CELLS, max_size=12), max_size=6))
def test_any_sheet_is_a_plan_or_one_line(columns: list[str], many: int, rows: list[list[str]]) -> None:
    text = "\n".join([",".join(columns[:many]), *(",".join(row) for row in rows)])
    try:
        steps = plan_of(text.encode(), where="plan.csv")
    except InputFault as fault:
        assert "\n" not in fault.line
    else:
        assert all(step.reader and (step.disk or step.operation == "exchange") for step in steps)


def test_every_shelf_of_the_stock_is_a_stock(shelf: Shelf) -> None:
    held = stock_of(shelf)
    assert isinstance(held, Stock)
    assert set(held.mechanisms) | set(held.unknown) >= set(held.all_mechanisms)
    assert set(held.disks) | set(held.unknown) >= set(held.all_disks)
