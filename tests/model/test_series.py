"""A lead and adapters in series: two ways to name them, and each of them weighed."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from indexhole.causes.likelihood.history import lay_out
from indexhole.causes.ranking.rank import rank_causes
from indexhole.errors import InputFault
from indexhole.jobs.faults.window import names_of, window
from indexhole.model.trials.series import adapters_noted, apart, joined, parts_of
from indexhole.model.trials.trial import Trial
from indexhole.shelf.records.records import Unit
from indexhole.shelf.register.shelf import Shelf

names = st.from_regex(r"[A-Z][0-9]{1,3}", fullmatch=True)


def row(number: int, lead: str, failed: int = 0, note: str = "", mechanism: str = "D1.0", disk: str = "K1") -> Trial:
    return Trial(f"T{number}", "2026-03-01", "read", "H1", lead, mechanism, disk, 0, 0, 39, 360, failed, note)


def adapter_at_fault(*, in_cell: bool) -> list[Trial]:
    """Everything over A1 lapses every other time, whatever the lead; without it both leads work."""
    trials = []
    for k in range(24):
        lead, through = f"L{k % 2 + 1}", k % 4 < 2
        failed = 360 if through and k % 8 < 2 else 0
        cell = f"{lead}+A1" if through and in_cell else lead
        note = "through adapter A1" if through and not in_cell else ""
        trials.append(row(k, cell, failed, note, f"D{k % 3 + 1}.0", f"K{k % 5 + 1}"))
    return trials


@pytest.mark.parametrize(
    ("note", "found"),
    [
        ("through adapter A1", ("A1",)),
        ("Adapter: made here; slow", ("made",)),
        ("adapters A1", ("A1",)),
        ("adapter: A1; then adapter A-2.", ("A1", "A-2")),
        ("with an adapter made here", ()),
        ("no adapted plug 7", ()),
        ("without adapter A1", ()),
        ("Without the adapter A1, through adapter A2", ("A2",)),
        ("", ()),
    ],
)
def test_adapters_in_notes(note: str, found: tuple[str, ...]) -> None:
    assert adapters_noted(note) == found


@given(names, st.lists(names, max_size=3), st.sampled_from(["", "a pinhole", "adapter A9"]))
def test_the_two_ways_say_the_same(lead: str, adapters: list[str], note: str) -> None:
    whole = row(1, "+".join([lead, *adapters]), note=note)
    kept = apart(whole)
    assert kept.lead == lead
    assert set(parts_of(joined(kept).lead)) == {lead, *adapters, *adapters_noted(note)}
    assert joined(joined(whole)) == joined(whole)
    assert apart(kept) == kept


def test_an_empty_cell_names_nothing() -> None:
    assert parts_of("") == parts_of(" + ") == ()
    assert apart(row(1, "")).lead == ""
    bench = lay_out([row(1, ""), row(2, "L1+A1")])
    assert bench.leads == ("A1", "L1")
    assert bench.over.tolist() == [[False, False], [True, True]]


@pytest.mark.parametrize("in_cell", [True, False])
def test_an_adapter_is_told_from_the_leads_on_it(in_cell: bool) -> None:
    found = rank_causes(adapter_at_fault(in_cell=in_cell))
    first = found.causes[0]
    assert [(f.element, f.fault) for f in first.faults] == [("A1", "bad-lead")]
    assert first.probability > 0.9
    assert not any({f.element for f in c.faults} >= {"A1", "L1"} for c in found.causes)


def test_a_lead_and_the_adapter_on_it_may_both_be_at_fault() -> None:
    """What runs over L1 or over A1 lapses now and then, what runs over neither never does."""
    trials = []
    for k in range(32):
        lead, through = f"L{k % 2 + 1}", k % 4 < 2
        bad = (lead == "L1" and k % 3 == 0) or (through and k % 5 < 2)
        cell = f"{lead}+A1" if through else lead
        trials.append(row(k, cell, 360 if bad else 0, "", f"D{k % 3 + 1}.0", f"K{k % 5 + 1}"))
    first = rank_causes(trials, propose=False).causes[0]
    assert {(f.element, f.fault) for f in first.faults} == {("A1", "bad-lead"), ("L1", "bad-lead")}
    assert first.probability > 0.9
    # What all trials say together is told, not what the listed ones do.
    named, in_all = re.findall(r"at (\d+) dB", first.rival_needs), re.search(r"(\d+) dB in all", first.rival_needs)
    assert in_all is not None
    assert int(in_all[1]) >= sum(map(int, named)) > 0


def test_a_lead_and_an_adapter_never_taken_apart_are_told_as_one_group() -> None:
    trials = [
        row(k, "L2" if k % 2 else "L1+A1", 360 if k % 6 == 0 else 0, "", f"D{k % 3 + 1}.0", f"K{k % 5 + 1}")
        for k in range(32)
    ]
    found = rank_causes(trials)
    one, other = found.causes[:2]
    assert {f.element for c in (one, other) for f in c.faults} == {"A1", "L1"}
    assert one.probability == pytest.approx(other.probability, abs=0.01)
    assert one.rival_needs == "L1 bad-lead explains the trials equally well."
    (group,) = found.groups
    assert {f.element for faults in group.causes for f in faults} == {"A1", "L1"}


def test_trials_about_an_adapter() -> None:
    trials = adapter_at_fault(in_cell=False)
    assert names_of(trials[0]) >= {"A1", "L1"}
    assert window(trials, ["A1"]).trials


def test_the_shelf_keeps_one_lead_and_its_adapters_in_the_note(tmp_path: Path) -> None:
    shelf = Shelf.open(tmp_path / "shelf", create=True)
    try:
        shelf.add_trials(adapter_at_fault(in_cell=True))
        kept = shelf.trials()
        assert {t.lead for t in kept} == {"L1", "L2"}
        assert kept[0].note == "adapter: A1"
        assert {u.inventory: u.kind for u in shelf.all(Unit)}["A1"] == "adapter"
        assert rank_causes(kept, propose=False).causes[0].faults[0].element == "A1"
        with pytest.raises(InputFault, match="T0 is on the shelf already;"):
            shelf.add_trials(adapter_at_fault(in_cell=True)[:1])
    finally:
        shelf.close()
