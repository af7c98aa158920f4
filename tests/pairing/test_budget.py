"""What a budget promises whatever it is asked: costs add up, remedies help, irreplaceable disks are not written."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from indexhole.pairing.parts.answer import GROUPS, Group
from indexhole.pairing.parts.draws import Streams
from indexhole.pairing.parts.parts import (
    OPERATIONS,
    Climate,
    Conditions,
    Mechanism,
    Medium,
    Operation,
    WhatIf,
    mechanism,
    medium,
)
from indexhole.pairing.prediction.budget import budget
from indexhole.pairing.prediction.format import SYNCS, first_header_room_us, rewrite
from indexhole.pairing.prediction.passages import outside_drive
from indexhole.pairing.prediction.remedies import one_sided
from indexhole.standards.controllers import load_controllers
from indexhole.standards.drives import load_drives
from indexhole.standards.layouts import load_layouts

LAYOUTS = load_layouts()
NORMAL = LAYOUTS["130-48-mfm-9x512"]
A, B = (mechanism(n, "130-48", "mfm-two-rate", volume_kinds=("fat12",)) for n in ("A", "B"))
NARROW = mechanism("N", "130-96", "mfm-two-rate")
DISK = replace(medium("K1", "130-48"), before="recorded", notch="open", hub_ring=True)

CASES = st.tuples(
    st.sampled_from(sorted(load_drives())),
    st.sampled_from(["130-48", "130-96", "130-dense", "130-100", "90", "90-dense", "200"]),
    st.sampled_from(sorted(load_drives())),
    st.sampled_from(sorted(LAYOUTS)),
    st.sampled_from(OPERATIONS),
    st.sampled_from(["", *load_controllers()]),
    st.sampled_from(["recorded", "erased", "never recorded", ""]),
    st.sampled_from(["scratch", "working", "irreplaceable"]),
)


@settings(max_examples=60)
@given(CASES)
def test_every_answer_is_whole(case: tuple[str, str, str, str, Operation, str, str, str]) -> None:
    writer, kind, reader, layout, operation, controller, before, importance = case
    disk = replace(medium("K", kind), before=before, importance=importance)
    told = budget(
        mechanism("W", writer, controller),
        disk,
        mechanism("R", reader, controller),
        LAYOUTS[layout],
        operation,
        samples=24,
    )
    assert [t.group for t in told.terms] == list(GROUPS)
    assert 0.0 <= told.chance <= 1.0
    assert told.chance + sum(t.cost for t in told.terms) == pytest.approx(1.0, abs=1e-9)
    assert all(t.cost >= 0 and t.words for t in told.terms)
    assert all(np.isfinite(t.margin) for t in told.terms if t.margin is not None)
    assert told.why
    sizes = {getattr(told.curve, name).shape for name in told.curve.__slots__}
    assert len(sizes) == 1
    assert ((told.curve.failure >= 0) & (told.curve.failure <= 1)).all()
    assert all(r.chance > told.chance for r in told.remedies)
    assert [r.chance for r in told.remedies] == sorted((r.chance for r in told.remedies), reverse=True)
    for fact in (f for t in told.terms for f in t.facts):
        assert (fact.value is None) == (fact.mark == "?")
    if importance == "irreplaceable":
        assert told.risk.write == "never"
        assert not {r.kind for r in told.remedies} & {"bulk erase first", "format as single-sided"}


def test_a_margin_in_a_term_is_the_one_of_its_curve() -> None:
    """The term's is the worst track's of each draw, so its mean is at most that of the worst track, and near it."""
    for writer, reader, operation in ((A, NARROW, "update"), (A, B, "read"), (NARROW, A, "exchange")):
        told = budget(writer, DISK, reader, NORMAL, operation, samples=150, remedies=False)  # type: ignore[arg-type]
        for group, along in (("timing", told.curve.timing), ("position", told.curve.position_um)):
            term = told.term(group)  # type: ignore[arg-type]
            assert term.margin is not None and term.uncertainty is not None
            assert along.min() - term.uncertainty < term.margin <= along.min() + 1e-9


def test_a_signal_is_logged_where_the_controller_cannot_read_it() -> None:
    group = replace(medium("K6", "130-48", 1), before="erased", importance="irreplaceable")
    told = budget(A, group, B, LAYOUTS["zoned-35-1s"], "read", samples=150)
    assert (told.verdict, told.chance, told.limiting) == ("fails", 0.0, "code and format")
    (log,) = (r for r in told.remedies if r.kind == "log the signal")
    able = replace(B, host=replace(B.host, controller=None))
    freed = budget(A, group, able, LAYOUTS["zoned-35-1s"], "read", samples=150)
    assert log.chance == pytest.approx(freed.chance)
    assert "log its signal with B" in log.words
    assert "log the signal" not in {r.kind for r in freed.remedies}
    # what does not go in cannot be logged either
    wrong_size = budget(A, medium("K", "90"), B, LAYOUTS["zoned-35-1s"], "read", samples=24)
    assert "log the signal" not in {r.kind for r in wrong_size.remedies}


@pytest.mark.parametrize(
    ("reader", "disk", "layout", "group", "says"),
    [
        # the index window of a jacket nobody looked at
        (
            mechanism("R", "200-two-side", "mfm-three-rate"),
            replace(medium("K", "200", 1), before="erased", supposed=("window",)),
            "200-fm-26x128",
            "fit",
            "if the index window lies where one-side disks have it, R sees no index",
        ),
        # a drive class taken from the disk class
        (
            replace(mechanism("R", "200-two-side", "mfm-three-rate"), supposed=("class", "heads", "cylinders")),
            replace(medium("K", "200", 1), before="erased"),
            "200-fm-26x128",
            "fit",
            "if R is a usual one of its disk class (200-two-side), R sees no index",
        ),
        (
            replace(mechanism("R", "130-48-one-side", "mfm-two-rate"), supposed=("class", "heads")),
            replace(DISK, before="erased"),
            NORMAL.id,
            "fit",
            "R has one head",
        ),
        # its speed, where the controller has no rate for it
        (
            replace(mechanism("R", "130-dense", "mfm-one-rate"), supposed=("class",)),
            replace(DISK, before="erased"),
            NORMAL.id,
            "code and format",
            "has no rate near a cell",
        ),
        # a layout usual for the class
        (
            mechanism("R", "130-48", "zoned-35"),
            replace(DISK, before="erased", supposed=("layout",)),
            NORMAL.id,
            "code and format",
            "if the disk is laid out as is usual for its class",
        ),
    ],
)
def test_what_nobody_noted_never_fails_by_itself(
    reader: Mechanism, disk: Medium, layout: str, group: Group, says: str
) -> None:
    writer = outside_drive(disk)
    told = budget(writer, disk, reader, LAYOUTS[layout], "read", samples=150)
    noted = replace(disk, supposed=()), replace(reader, supposed=())
    firm = budget(writer, *noted, LAYOUTS[layout], "read", samples=24, remedies=False)
    assert (firm.verdict, firm.chance, firm.limiting) == ("fails", 0.0, group)
    assert (told.verdict, told.limiting) == ("unproven", group)
    assert 0.0 < told.chance < 0.55
    assert told.term(group).verdict == "unproven"
    assert told.why.startswith("it depends on what is not noted: if ") and says in told.why
    assert told.chance + sum(t.cost for t in told.terms) == pytest.approx(1.0, abs=1e-9)


def test_what_fails_either_way_fails() -> None:
    """A wide head on narrow tracks cannot read them, however many cylinders it has."""
    reader = replace(mechanism("R", "130-48", "mfm-two-rate"), supposed=("class", "cylinders"))
    disk = replace(medium("K", "130-96"), before="erased")
    told = budget(NARROW, disk, reader, LAYOUTS["130-96-mfm-9x512"], "read", samples=100, remedies=False)
    assert (told.verdict, told.limiting) == ("fails", "position")
    assert told.why.startswith("position: centre lines drift apart")


def test_the_same_question_has_the_same_answer() -> None:
    first, again = (budget(A, DISK, B, NORMAL, "exchange", samples=60) for _ in range(2))
    assert (first.chance, first.terms, first.remedies) == (again.chance, again.terms, again.remedies)


def test_remedies_are_tried_and_ranked() -> None:
    told = budget(NARROW, DISK, A, NORMAL, "exchange", samples=150, alternatives=(B, replace(NARROW, name="N2")))
    kinds = [r.kind for r in told.remedies]
    assert {"bulk erase first", "use another reader", "read where it was written"} <= set(kinds)
    best = {r.kind: r.chance for r in reversed(told.remedies)}
    # another narrow head reads it; another wide one is no help
    assert "N2" in next(r.words for r in told.remedies if r.kind == "use another reader")
    assert best["bulk erase first"] > told.chance + 0.4
    assert "implants" in next(r.words for r in told.remedies if r.kind == "bulk erase first")


def test_an_irreplaceable_disk_is_offered_reading_only() -> None:
    precious = replace(DISK, importance="irreplaceable")
    told = budget(NARROW, precious, A, NORMAL, "exchange", samples=100)
    assert "bulk erase first" not in [r.kind for r in told.remedies]
    assert any("do not" in w for w in told.risk.words)
    assert budget(A, replace(DISK, importance="scratch"), B, NORMAL, "exchange", samples=20).risk.write == "free"
    assert budget(A, DISK, B, NORMAL, "exchange", samples=20).risk.write == "ask"


def test_reading_can_be_a_risk_by_itself() -> None:
    for word, read in (("shedding", "stop"), ("mould", "stop"), ("creased", "some"), ("labelled", "none")):
        told = budget(A, replace(DISK, condition=(word,)), B, NORMAL, "read", samples=20, remedies=False)
        assert told.risk.read == read
    mould = budget(A, replace(DISK, condition=("mould",)), B, NORMAL, "read", samples=20, remedies=False)
    assert any("local codes and licensed practice decide" in w for w in mould.risk.words)


def test_marks_come_with_the_answer() -> None:
    told = budget(A, DISK, B, NORMAL, "exchange", samples=20, remedies=False)
    facts = {f.name: f.mark for t in told.terms for f in t.facts}
    assert facts["width of A"] == "SEEN"
    assert facts["offset limit of A"] == "MEMORY weak"
    assert facts["thermal growth"] == "MEMORY fair"
    assert facts["reach of the write field"] == "OWN"
    unknown = budget(
        mechanism("C", "130-100"), medium("K", "130-100"), mechanism("D", "130-100"), LAYOUTS["zoned-77-2s"], samples=20
    )
    assert {f.name: f.mark for t in unknown.terms for f in t.facts}["width of C"] == "?"


def test_what_nobody_looked_up_decides() -> None:
    unsure = replace(DISK, before="")
    told = budget(NARROW, unsure, A, NORMAL, "read", samples=200, remedies=False)
    assert told.verdict == "unproven"
    assert "bulk-erased" in told.why
    erased = budget(NARROW, replace(unsure, before="erased"), A, NORMAL, "read", samples=200, remedies=False)
    old = budget(NARROW, replace(unsure, before="recorded"), A, NORMAL, "read", samples=200, remedies=False)
    assert erased.chance > 0.8 > 0.3 > old.chance


def test_volumes_the_host_does_not_know_leave_the_sectors() -> None:
    known = budget(
        A, replace(DISK, volume_kind="fat12", before="erased"), B, NORMAL, "read", samples=100, remedies=False
    )
    other = budget(
        A, replace(DISK, volume_kind="linked", before="erased"), B, NORMAL, "read", samples=100, remedies=False
    )
    assert (known.verdict, known.term("volume").verdict) == ("works", "works")
    assert (other.verdict, other.term("volume").verdict) == ("doubtful", "fails")
    assert other.chance == known.chance


def test_sliders_move_the_answer_the_right_way() -> None:
    disk = replace(DISK, before="erased")

    def chance(**shift: float) -> float:
        conditions = Conditions(shift=WhatIf(**shift))
        return budget(A, disk, B, NORMAL, "read", conditions, samples=150, remedies=False).chance

    still = chance()
    assert chance(offset_um=300.0) < 0.1 < still
    assert chance(offset_um=-300.0) < 0.1
    assert chance(speed_pct=8.0) < 0.1
    assert chance(temperature_c=60.0, humidity_pct=50.0) <= still + 0.02


def test_the_weather_of_both_days_matters_for_narrow_tracks() -> None:
    fine = mechanism("S", "130-96", "mfm-two-rate")
    disk = replace(medium("K", "130-96"), before="recorded", recorded=Climate(20.0, 20.0))
    same, damp = (
        budget(
            fine,
            disk,
            replace(fine, name="T"),
            LAYOUTS["130-96-mfm-9x512"],
            "read",
            Conditions(Climate(t, h), shift=WhatIf(offset_um=-50.0)),
            samples=200,
        )
        for t, h in ((20.0, 20.0), (50.0, 95.0))
    )
    assert damp.term("position").margin < same.term("position").margin - 5
    assert damp.chance < same.chance
    assert any(r.kind == "same weather" for r in damp.remedies)


def test_notches_count_by_size() -> None:
    closed = replace(DISK, notch="covered")
    told = budget(A, closed, B, NORMAL, "exchange", samples=20, remedies=False)
    assert told.verdict == "fails"
    assert "notch keeps A from writing" in told.why
    assert (
        budget(A, replace(closed, before="erased"), B, NORMAL, "read", samples=100, remedies=False).verdict == "works"
    )


def test_a_side_more_than_the_drive_has() -> None:
    one = mechanism("S", "130-48-one-side", "mfm-two-rate")
    told = budget(A, DISK, one, NORMAL, "exchange", samples=60)
    assert told.verdict == "fails"
    assert told.limiting == "fit"
    single = next(r for r in told.remedies if r.kind == "format as single-sided")
    assert "130-48-mfm-9x512-1s" in single.words
    assert one_sided(LAYOUTS["90-mfm-9x512"]) is None


@pytest.mark.parametrize("code", ["fm", "mfm", "group45"])
def test_rewriting_with_the_same_gap_is_safe_and_far_apart_is_not(code: str) -> None:
    sync = SYNCS[code]
    still = np.zeros(1)
    gap = {"fm": 11.0, "mfm": 22.0, "group45": 9.0}[code]
    same, room = rewrite(sync, still, np.array([gap]), still, 30.0, 300.0)
    assert same[0] < 1e-6 and room[0] > 0
    byte, _ = rewrite(sync, still + 1.0, np.array([gap]), still, 30.0, 300.0)
    assert byte[0] > 20 * same[0]
    # behind the whole sync and mark of the other one the old data is found first
    far, _ = rewrite(sync, still + sync.sync + sync.mark + 2, np.array([gap + 20]), still, 200.0, 300.0)
    assert far[0] > 0.49
    # a gap behind the data that is used up takes the next header
    over, left = rewrite(sync, still, np.array([gap]), still + 0.03, 5.0, 530.0)
    assert over[0] > 0.99 and left[0] < 0


@given(st.floats(-30, 30), st.floats(-0.1, 0.1), st.floats(1, 120), st.sampled_from(["fm", "mfm", "group45"]))
def test_rewrite_chances_are_chances_and_symmetric(difference: float, mismatch: float, room: float, code: str) -> None:
    args = (np.array([22.0]), np.array([mismatch]), room, 530.0)
    chance, left = rewrite(SYNCS[code], np.array([difference]), *args)
    assert 0 <= chance[0] <= 1 and np.isfinite(left[0])
    assert rewrite(SYNCS[code], np.array([-difference]), *args)[0] == chance


def test_room_before_the_first_header_is_arithmetic() -> None:
    # 80 + 12 + 4 + 50 bytes of 32 us, less twice the half range of 200 us
    assert first_header_room_us(NORMAL, 200e-6) == pytest.approx(146 * 32 - 400)
    told = budget(A, DISK, B, NORMAL, "read", samples=20, remedies=False).term("code and format")
    (room,) = [f for f in told.facts if "first header" in f.name]
    assert (room.value, room.mark) == (pytest.approx(146 * 32 - 400), "MEMORY weak")


def test_streams_are_named() -> None:
    streams = Streams(1, 10)
    assert (streams.even("a") == Streams(1, 10).even("a")).all()
    assert not (streams.even("a") == streams.even("b")).any()
    assert not (streams.even("a") == Streams(2, 10).even("a")).any()
