"""Set-ups named in notes: which words count, what is supposed of them, how it is told, and what is tried next."""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from tests.support.visiting import FROM_HERE, sent

from indexhole.causes.faults.condition import AS_USUAL
from indexhole.causes.faults.hypotheses import NOTED, Fault, possible_faults, prior_of
from indexhole.causes.likelihood.conditions import conditions_of, note_for, set_ups
from indexhole.causes.likelihood.history import lay_out
from indexhole.causes.ranking.rank import rank_causes
from indexhole.causes.report import report_lines
from indexhole.model.trials.trial import Operation, Trial
from indexhole.shelf.register.shelf import Shelf
from indexhole.web.app import create_app
from indexhole.web.pages.causes import cause_routes


def told(note: str) -> set[str]:
    return {condition.text for condition in conditions_of(note)}


@pytest.mark.parametrize(
    ("note", "conditions"),
    [
        ("stood on a slope", {"stood on a slope"}),
        ("Unit tilted, lid off", {"stood on a slope"}),
        ("unit on its side", {"stood on its side"}),
        ("Upside-down for once", {"stood upside down"}),
        ("cold from the car; on a slope", {"was cold", "stood on a slope"}),
        ("over the long extension lead", {"hung on a long extension lead"}),
        ("set-up: beside the heater; third try", {'was set up "beside the heater"'}),
        ("Setup:  Beside  the heater.", {'was set up "beside the heater"'}),
        ("set-up: on a slope", {"stood on a slope"}),
        # what does not count: other words, and words whose sense is turned round
        ("", set()),
        ("first day at the bench, all units warm for an hour", set()),
        ("no longer on a slope", set()),
        ("level again, after it stood on a slope", set()),
        ("without the long extension lead", set()),
        ("side 1 upside", set()),
        ("needed a second push of the door", set()),
        ("set-up: ", set()),
        ("read badly in places", set()),
        ("no errors; on a slope", {"stood on a slope"}),
    ],
)
def test_words_of_a_note(note: str, conditions: set[str]) -> None:
    assert told(note) == conditions


@given(st.text(max_size=300))
def test_any_note_can_be_read_and_told_again(note: str) -> None:
    for condition in conditions_of(note):
        assert condition in conditions_of(note_for(condition))


@given(st.sampled_from(["stood on a slope", "set-up: ", "cold from", "upside down", ";"]).flatmap(
    lambda head: st.text(max_size=60).map(lambda tail: head + tail)
))  # fmt: skip
def test_any_note_that_begins_as_one_of_the_list_can_be_told_again(note: str) -> None:
    for condition in conditions_of(note):
        assert condition in conditions_of(note_for(condition))


def row(mechanism: str, disk: str, failed: int = 0, note: str = "", operation: Operation = "read") -> Trial:
    return Trial("T", "2026-01-01", operation, "H1", "L1", mechanism, disk, 0, 0, 39, 360, failed, note)


def numbered(rows: list[Trial]) -> list[Trial]:
    return [replace(t, trial=f"T{number}") for number, t in enumerate(rows, start=1)]


SLOPE = "stood on a slope"
(ON_A_SLOPE,) = conditions_of(SLOPE)


def on_a_slope(note: str = SLOPE) -> list[Trial]:
    """D4.0 fails on a slope and only there."""
    return numbered(
        [
            row("D4.0", "K1"),
            row("D3.0", "K1"),
            row("D4.0", "K2", 350, note),
            row("D3.0", "K2"),
            row("D4.0", "K1", 340, note),
            row("D4.0", "K2"),
            row("D3.0", "K3"),
            row("D4.0", "K3", 330, note),
            row("D4.0", "K3", 1),
        ]
    )


@pytest.mark.parametrize(
    ("note", "condition", "remedy"),
    [
        (SLOPE, SLOPE, "set D4.0 level and try again"),
        ("cold from the car", "was cold", "let D4.0 warm up for an hour and try again"),
        ("set-up: by the heater", 'was set up "by the heater"', 'set D4.0 up otherwise than "by the heater" and'),
    ],
)
def test_what_fails_only_when_set_up_so_is_blamed_on_that(note: str, condition: str, remedy: str) -> None:
    found = rank_causes(on_a_slope(note))
    first = found.causes[0]
    assert first.faults == (Fault("D4.0", "set-up", condition=conditions_of(note)[0]),)
    assert first.probability > 0.95
    assert f"D4.0 fails only when it {condition}: 3 of 3 such rows failed, none of 3 others." in first.why
    assert first.to_json_dict()["faults"] == [
        {"element": "D4.0", "fault": "set-up", "side": None, "condition": condition}
    ]
    assert found.advice is not None
    assert found.advice.do[0].startswith(remedy)
    assert any(line.startswith(f"1. D4.0 set-up ({condition}): ") for line in report_lines(found))


def test_a_set_up_that_makes_no_difference_is_not_blamed() -> None:
    trials = [replace(t, sectors_failed=0) for t in on_a_slope()]
    found = rank_causes(trials, propose=False)
    assert found.causes[0].faults == ()
    assert sum(c.probability for c in found.causes if any(f.condition for f in c.faults)) < 0.05
    # one that fails however it stands is not blamed on the slope
    always = [replace(t, sectors_failed=340 if t.mechanism == "D4.0" else 0) for t in trials]
    blamed = rank_causes(always, propose=False).causes[0].faults
    assert {f.element for f in blamed} == {"D4.0"}
    assert not any(f.condition for f in blamed)


def test_sheets_without_such_notes_rank_exactly_as_they_would_without_any_note() -> None:
    silent = on_a_slope("")
    noted = [replace(t, note="third day at the bench, lid off") for t in silent]
    assert rank_causes(noted, plan=3) == rank_causes(silent, plan=3)
    bench = lay_out(noted)
    assert set_ups(bench) == []
    every = possible_faults(bench.mechanisms, bench.leads, bench.disks, bench.hosts, bench.sides)
    with_one = possible_faults(
        bench.mechanisms,
        bench.leads,
        bench.disks,
        bench.hosts,
        bench.sides,
        [("D4.0", ON_A_SLOPE), ("D3.0", ON_A_SLOPE)],
    )
    prior, more = prior_of(every), prior_of(with_one)
    assert {f: more[f] for f in every} == prior
    assert more[Fault("D4.0", "set-up", condition=ON_A_SLOPE)] == NOTED / 2


def test_two_mechanisms_of_a_unit_set_up_so_are_told_as_the_unit() -> None:
    rows = [row("D4.1" if k % 2 else "D4.0", t.disk, t.sectors_failed, t.note) for k, t in enumerate(on_a_slope())]
    rows += [row("D4.1", "K2", 333, SLOPE), row("D4.1", "K2")]
    found = rank_causes(numbered(rows))
    assert found.causes[0].faults == (Fault("D4", "set-up", condition=ON_A_SLOPE),)
    assert "D4 fails only when it stood on a slope: 4 of 4 such rows failed" in found.causes[0].why


def test_the_next_trial_is_the_same_read_without_the_set_up() -> None:
    found = rank_causes(on_a_slope()[:3], irreplaceable={"K1", "K2", "K3"}, plan=2)
    assert {f.condition for c in found.causes[:2] for f in c.faults} == {AS_USUAL, ON_A_SLOPE}
    trial = found.next
    assert trial is not None
    assert (trial.operation, trial.mechanism, trial.disk) == ("read", "D4.0", "K2")
    assert (trial.set_up, trial.note) == ("on the level", "")
    assert "in D4.0 over L1, on the level, cylinders" in report_lines(found)[-1]


def test_under_the_set_up_it_is_tried_where_that_tells_more_and_never_by_a_write() -> None:
    # K2 is read well elsewhere; was it the slope, or was it nothing that comes again?
    trials = numbered([row("D4.0", "K1"), row("D4.0", "K1", 30, SLOPE), row("D3.0", "K1"), row("D4.0", "K1")])
    found = rank_causes(trials, plan=3)
    noted = [t for t in found.plan if t.note]
    assert noted
    assert {t.operation for t in noted} == {"read"}
    assert noted[0].set_up == "as when it stood on a slope"
    assert told(noted[0].note) == {SLOPE}


def test_the_outcome_of_a_trial_under_a_set_up_is_recorded_with_its_note(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    for name in ("PATIENCE_S", "GLANCE_S"):
        monkeypatch.setattr(cause_routes, name, 300.0)
    shelf = Shelf.open(tmp_path / "shelf", create=True)
    shelf.add_trials(numbered([row("D4.0", "K1"), row("D4.0", "K1", 30, SLOPE), row("D3.0", "K1"), row("D4.0", "K1")]))
    app = create_app(shelf)
    page = sent(app, "GET", "/causes", origin=FROM_HERE, raise_faults=True).text
    assert "set-up (stood on a slope)" in page
    assert "as when it stood on a slope." in page
    form = page[page.index('action="/causes/outcome"') :]
    values = dict(re.findall(r'<input[^>]* name="([a-z_]+)" value="([^"]*)"', form[: form.index("</form>")]))
    assert values["note"] == SLOPE
    values |= {"outcome": "none", "token": app.form_token()}
    assert sent(app, "POST", "/causes/outcome", origin=FROM_HERE, raise_faults=True, data=values).status_code == 303
    assert shelf.trials()[-1].note == SLOPE


def test_braces_in_a_note_are_told_as_they_stand() -> None:
    rows = [("set-up: by {heater} {0}", 360), ("", 0), ("set-up: by {heater} {0}", 360), ("", 0)]
    trials = [
        Trial(f"T{k}", "2026-03-01", "read", "H1", "L1", "D1.0", "K1", 0, 0, 39, 360, failed, note)
        for k, (note, failed) in enumerate(rows * 2, start=1)
    ]
    told = "\n".join(report_lines(rank_causes(trials)))
    assert 'set D1.0 up otherwise than "by {heater} {0}" and try again' in told


# --- a unit as a whole


def of_dual(failing: set[str]) -> list[Trial]:
    """A dual unit D3 among two others; what the mechanisms named read, or wrote, fails."""
    plan = [(mechanism, disk) for mechanism in ("D1.0", "D3.0", "D2.0", "D3.1") for disk in ("K1", "K2")] * 2
    return [
        Trial(
            f"T{number}", "2026-03-01", "write" if number > 8 else "read", "H1", "L1", mechanism, disk, 0, 0, 39, 360,
            360 if mechanism in failing else 0,
        )
        for number, (mechanism, disk) in enumerate(plan, start=1)
    ]  # fmt: skip


def test_a_unit_of_which_every_mechanism_fails_is_told_as_one() -> None:
    found = rank_causes(of_dual({"D3.0", "D3.1"}), propose=False)
    first = found.causes[0]
    assert [(f.element, f.fault) for f in first.faults] == [("D3", "set-up")]
    assert "everything on D3 fails alike" in first.why
    assert "(8 of 8 such rows failed)" in first.why


def test_one_mechanism_of_a_dual_unit_is_not_its_unit() -> None:
    found = rank_causes(of_dual({"D3.1"}), propose=False)
    assert "D3" not in {f.element for cause in found.causes for f in cause.faults if cause.kind_probability > 0.01}
    assert found.causes[0].faults[0].element == "D3.1"
