"""Weights, rivals, groups, decisions and plans; gauges, attributions, faults that come and go, rows broken off."""

from __future__ import annotations

import json
import math
from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest
from studies import followed
from studies.benches import draw_bench
from studies.causes import FIRST_SEED, PLANTED, answer_of, oracle_answer
from studies.oracle import Oracle

from indexhole.causes.faults.costs import CHANGE_LEAD_MIN, LIFT_UNIT_MIN, SWAP_DISK_MIN, Standing, cost_of
from indexhole.causes.faults.hypotheses import Fault
from indexhole.causes.faults.severity import loss_grid
from indexhole.causes.likelihood.count_law import hazard, node_of
from indexhole.causes.likelihood.evidence import Evidence
from indexhole.causes.likelihood.gauged import NO_GAUGES, Attribution, Gauged, OffsetGauge, SpeedGauge
from indexhole.causes.likelihood.history import Supposition, lay_out, split_aborted, writer_share
from indexhole.causes.ranking import rank as ranking
from indexhole.causes.ranking.decisions import advise, decision_of
from indexhole.causes.ranking.diagnosis import Diagnosis
from indexhole.causes.ranking.engine import expected_bits, explaining_posterior, log_prior
from indexhole.causes.ranking.explain import DECIBELS_A_NAT
from indexhole.causes.ranking.next_trial import plan_trials
from indexhole.causes.ranking.rank import rank_causes
from indexhole.causes.report import plan_lines, report_lines
from indexhole.errors import InputFault
from indexhole.model.trials.trial import Operation, Trial


def row(operation: Operation, mechanism: str, disk: str, failed: int = 0, *, side: int = 0, lead: str = "L1") -> Trial:
    return Trial("T", "2026-01-01", operation, "H1", lead, mechanism, disk, side, 0, 39, 360, failed)


def numbered(rows: list[Trial]) -> list[Trial]:
    return [replace(t, trial=f"T{number}") for number, t in enumerate(rows, start=1)]


def out_of_step() -> list[Trial]:
    """D2.0 and the others do not read each other."""
    return numbered(
        [
            row("write", "D2.0", "K1"),
            row("read", "D2.0", "K1"),
            row("read", "D1.0", "K1", 360),
            row("read", "D2.0", "K2", 355),
            row("read", "D1.0", "K2"),
            row("read", "D3.0", "K1", 351),
            row("read", "D3.0", "K2", 1),
        ]
    )


def one_drive() -> list[Trial]:
    """One drive, one disk: dirt and wear cannot be parted here."""
    return numbered([row("read", "D1.0", "K1", 200 + k, side=1) for k in range(4)] + [row("read", "D1.0", "K1")])


def first(told: Diagnosis) -> set[tuple[str, str]]:
    return {(f.element, f.fault) for f in told.causes[0].faults}


# --- explanation


def test_weights_are_decibels_of_the_likelihood_ratio_against_the_best_rival() -> None:
    cause = rank_causes(out_of_step(), propose=False).causes[0]
    told = cause.to_json_dict()
    assert told["weights"][0].keys() == {"trial", "decibels", "bits"}
    for weight, shown in zip(cause.weights, told["weights"], strict=True):
        assert shown["decibels"] == pytest.approx(10 * math.log10(math.e) * weight.nats, abs=0.051)
        assert shown["bits"] == pytest.approx(weight.nats / math.log(2), abs=0.0051)
    strengths = [abs(w.nats) for w in cause.weights]
    assert all(a >= b - 1e-3 for a, b in pairwise(strengths))
    assert cause.over not in ("", "D2.0 misaligned or off-speed")


def test_a_rival_that_fits_as_well_in_all_is_told_so() -> None:
    """A disk that holds nothing on either side: two worn sides fit some rows worse and others better."""
    trials = [row("write", "D1.0", "K1", 120), row("write", "D1.0", "K1", 100, side=1), row("write", "D2.0", "K1", 130)]
    trials += [row("read", "D1.0", "K2"), row("write", "D1.0", "K2")]
    one = rank_causes(numbered(trials), propose=False).causes[0]
    assert one.faults[0].fault == "wrong-medium"
    assert any(w.nats * DECIBELS_A_NAT >= 1 for w in one.weights)
    assert one.rival_needs.endswith(" explain the trials equally well, but occur together less often.")


def test_reasons_fit_what_was_counted() -> None:
    """A lead that passes nothing does not fail now and then, and few failed sectors are told as sectors."""
    dead = numbered([row("read", f"D{k % 3}.0", f"K{k % 4}", 360, lead=f"L{1 + k % 2}") for k in range(0, 12, 2)])
    fine = numbered([row("read", f"D{k % 3}.0", f"K{k % 4}", lead="L2") for k in range(6)])
    one = rank_causes([*dead, *(replace(t, trial=f"U{t.trial}") for t in fine)], propose=False).causes[0]
    assert (one.faults[0].element, one.faults[0].fault) == ("L1", "bad-lead")
    assert one.why == "nothing passes L1, whatever it connects (6 of 6 such rows failed)."
    few = rank_causes([row("read", "D1.0", "K1", 12)], propose=False).causes
    told = {c.faults[0].fault: c.why for c in few if c.faults}
    assert "(12 of 360 sectors failed, in no row more than 1 in 20)" in told["damaged-band"]


def test_what_the_rival_needs_names_rows_and_their_counts() -> None:
    trials = numbered([*out_of_step(), row("read", "D2.0", "K3", 348), row("read", "D1.0", "K3")])
    cause = rank_causes(trials, propose=False).causes[0]
    assert "would have to be chance" in cause.rival_needs or "the trials equally well" in cause.rival_needs
    assert any(line.startswith("   unless: ") for line in report_lines(rank_causes(trials)))


def test_causes_no_trial_here_parts_are_one_group_with_what_would() -> None:
    told = rank_causes(one_drive())
    group = next(g for g in told.groups if len(g.causes) > 1)
    assert {f.fault for h in group.causes for f in h} >= {"dirty-head", "worn-surface"}
    assert "look at the heads of D1.0" in group.measure
    assert "slanting light" in group.measure
    assert group.probability > 0.8
    assert any(line.startswith("No trial here can tell ") for line in report_lines(told))


def test_another_drive_dissolves_the_group() -> None:
    trials = numbered(
        [*one_drive(), row("read", "D2.0", "K2"), row("read", "D2.0", "K2", side=1), row("read", "D1.0", "K2")]
    )
    told = rank_causes(trials)
    words = [{f.fault for h in g.causes for f in h} for g in told.groups if len(g.causes) > 1]
    assert not any({"dirty-head", "worn-surface"} <= faults for faults in words)
    assert told.next is not None
    assert (told.next.side, told.next.mechanism == "D1.0") != (1, told.next.disk == "K1")


# --- decision


def test_faults_with_one_remedy_are_one_decision() -> None:
    worn, band = Fault("K1", "worn-surface", 0), Fault("K1", "damaged-band", 1)
    assert decision_of(frozenset({worn})) == decision_of(frozenset({band}))
    hypotheses = [frozenset({worn}), frozenset({band}), frozenset({Fault("D1.0", "dirty-head", 0)})]
    told = advise(hypotheses, np.array([0.5, 0.46, 0.04]), None)
    assert (told.settled, told.do) == (True, ("copy what can be read from K1 and retire it",))
    assert told.probability == pytest.approx(0.96)


def test_a_decision_is_open_while_some_outcome_would_change_it() -> None:
    hypotheses = [frozenset({Fault("D1.0", "dirty-head", 0)}), frozenset({Fault("K1", "worn-surface", 0)})]
    weight = np.array([0.6, 0.4])
    telling = np.array([[[0.9, 0.0, 0.1]], [[0.1, 0.0, 0.9]]])
    silent = np.array([[[0.5, 0.0, 0.5]], [[0.5, 0.0, 0.5]]])
    assert not advise(hypotheses, weight, telling).settled
    assert advise(hypotheses, weight, silent).settled
    assert advise(hypotheses, weight, None).why == "no trial on this bench could change it"


# --- cost and plan


def test_minutes_are_the_sum_of_what_must_be_done() -> None:
    standing = Standing("H1", "L1", "D1", "D1.0", "K1")
    same = cost_of(row("read", "D1.0", "K1"), standing)
    assert (same.swaps, same.lifts) == (0, 0)
    other = cost_of(row("read", "D2.0", "K2", lead="L2"), standing)
    assert (other.swaps, other.lifts) == (1, 1)
    assert other.minutes - same.minutes == pytest.approx(LIFT_UNIT_MIN + SWAP_DISK_MIN + CHANGE_LEAD_MIN)
    write = row("write", "D1.0", "K1")
    assert cost_of(write, standing).risk_minutes > 0
    assert cost_of(write, standing, {"K1"}).risk_minutes == 0


def test_a_plan_spares_lifts_and_counts_only_what_each_trial_adds() -> None:
    near, far = row("read", "D1.0", "K1"), row("read", "D2.0", "K1")
    posterior = np.array([0.5, 0.5])
    outcomes = np.array([[[0.9, 0.0, 0.1]] * 2, [[0.1, 0.0, 0.9]] * 2])
    plan = plan_trials([far, near], posterior, outcomes, Standing("H1", "L1", "D1", "D1.0", "K1"), 4)
    assert all(trial.mechanism == "D1.0" for trial in plan)
    assert plan[0].caution == ""
    bits = [trial.expected_bits for trial in plan]
    assert bits == sorted(bits, reverse=True)
    assert sum(bits) <= 1
    assert bits[0] == pytest.approx(float(expected_bits(posterior, outcomes[:, 0])), abs=1e-5)


def test_a_plan_never_writes_over_what_must_stay() -> None:
    trials = numbered([row("read", "D2.0", disk, 360) for disk in ("K1", "K2")] + [row("read", "D1.0", "K1")])
    told = rank_causes(trials, irreplaceable={"K1", "K2"}, plan=4)
    assert told.plan
    assert {t.operation for t in told.plan} == {"read"}
    assert told.next == told.plan[0]
    lines = plan_lines(told)
    assert lines[0].startswith("1. read side 0 of ")
    assert any(line.startswith("To do: ") for line in lines)


# --- evidence of other kinds


@pytest.mark.parametrize(("error", "word"), [(0.03, "off-speed"), (0.001, "misaligned")])
def test_a_speed_gauge_parts_what_counts_cannot(error: float, word: str) -> None:
    told = rank_causes(out_of_step(), propose=False, gauged=Gauged(speeds=(SpeedGauge("D2.0", error, 0.0005),)))
    assert first(told) == {("D2.0", word)}
    assert told.causes[0].probability > 0.8 * told.causes[0].kind_probability


def test_an_offset_gauge_speaks_for_a_drive_that_is_out_of_place() -> None:
    trials = out_of_step()[:4]
    aside = Fault("D2.0", "misaligned")
    gauged = Gauged(offsets=(OffsetGauge("D2.0", 140.0, 10.0),))
    plain, told = (
        sum(c.probability for c in rank_causes(trials, propose=False, gauged=g).causes if aside in c.faults)
        for g in (NO_GAUGES, gauged)
    )
    assert plain < 0.6
    assert told > 0.95


def test_figures_that_cannot_be_are_refused() -> None:
    with pytest.raises(InputFault, match="needs an uncertainty above 0"):
        Gauged(speeds=(SpeedGauge("D1.0", 0.01, 0.0),))
    with pytest.raises(InputFault, match="needs an uncertainty above 0"):
        Gauged(offsets=(OffsetGauge("D1.0", 5.0, -1.0),))
    with pytest.raises(InputFault, match="between 0 and 1"):
        Gauged(attributions=(Attribution("K1", 0, 0, 39, "D1.0", 1.0),))


def test_who_recorded_it_says_whether_a_write_took() -> None:
    trials = numbered([row("write", "D1.0", "K1", 360), row("read", "D2.0", "K1"), row("read", "D1.0", "K2")])
    bench = lay_out(trials)
    told = Attribution("K1", 0, 0, 39, "D1.0", 0.99)
    dead = Supposition(dead=frozenset({bench.mechanisms.index("D1.0")}))
    assert writer_share(bench, Supposition(), told) == 1.0
    assert writer_share(bench, dead, told) == 0.0
    fault = frozenset({Fault("D1.0", "dead-write")})
    plain, seen = Evidence(bench), Evidence(bench, Gauged(attributions=(told,)))
    assert seen.log_likelihood(fault) - plain.log_likelihood(fault) == pytest.approx(math.log(0.01), abs=1e-6)


# --- faults that come and go


def coming(*, goes: bool) -> list[Trial]:
    # It writes now and then, so that dirt shows on its own tracks too and is not taken for a head out of place.
    jobs = [("read", "K1"), ("write", "K4"), ("read", "K2"), ("read", "K4"), ("read", "K3")]
    bad = [row(operation, "D1.0", disk, 170 + 5 * k) for k, (operation, disk) in enumerate(jobs)]  # type: ignore[arg-type]
    good = [replace(t, sectors_failed=0) for t in bad]
    others = [row("read", "D2.0", f"K{k % 3 + 1}") for k in range(6)]
    halves = (bad, good) if goes else (good, bad)
    return numbered([*halves[0], *others[:3], *halves[1], *others[3:]])


def test_a_head_that_became_dirty_is_told_with_its_date() -> None:
    told = rank_causes(coming(goes=False), propose=False).causes[0]
    assert [(f.element, f.fault, f.since, f.until) for f in told.faults] == [("D1.0", "dirty-head", "T9", "")]
    assert "it came just before T9" in told.why
    assert json.loads(json.dumps(told.to_json_dict()))["faults"][0]["since"] == "T9"


def test_a_repair_that_ended_a_fault_is_told() -> None:
    told = rank_causes(coming(goes=True), propose=False).causes[0]
    assert [(f.element, f.fault, f.since, f.until) for f in told.faults] == [("D1.0", "dirty-head", "", "T9")]
    assert "as after a repair" in told.why


def test_a_fault_there_all_the_time_has_no_date() -> None:
    told = rank_causes(out_of_step(), propose=False).causes[0]
    assert all(not f.since and not f.until for f in told.faults)
    assert set(told.to_json_dict()["faults"][0]) == {"element", "fault", "side"}


@pytest.mark.parametrize(("seed", "faults"), [(3, 1), (15, 1), (12, 2), (13, 2)])
def test_a_date_always_costs_what_it_is_worth(seed: int, faults: int) -> None:
    """A dated cause is never likelier than it is at its likeliest time, less the chance that a fault comes at all."""
    evidence = Evidence(lay_out(draw_bench(seed, faults).trials))
    weighed = ranking._weigh(evidence)
    dated = 0
    for hypothesis, told in zip(weighed.hypotheses, weighed.log_likelihood, strict=True):
        dates = sum(bool(f.since or f.until) for f in hypothesis)
        if dates == len(hypothesis) == 1:
            assert told <= evidence.log_likelihood(hypothesis) + math.log(ranking._CAME) + 1e-9
            dated += 1
    assert dated


# --- rows broken off


def test_a_row_broken_off_counts_for_what_it_reached() -> None:
    whole = replace(row("read", "D1.0", "K1"), trial="T1")
    cut = replace(whole, trial="T2", sectors_tried=100, sectors_failed=1, note="Aborted at the first error")
    found = split_aborted([whole, cut])
    assert found[0] == whole
    told = [(t.trial, t.first_cylinder, t.last_cylinder, t.sectors_tried, t.sectors_failed) for t in found[1:]]
    # nine sectors a cylinder: the hundredth lies on cylinder 11
    assert told == [("T2", 0, 10, 99, 0), ("T2", 11, 11, 1, 1)]


def test_a_row_broken_off_at_once_and_one_that_was_not() -> None:
    whole = replace(row("read", "D1.0", "K1"), trial="T1")
    at_once = replace(whole, trial="T2", sectors_tried=1, sectors_failed=1, note="stopped at the first error")
    finished = replace(whole, trial="T3", note="aborted")
    found = split_aborted([whole, at_once, finished])
    assert [(t.trial, t.first_cylinder, t.last_cylinder) for t in found] == [("T1", 0, 39), ("T2", 0, 0), ("T3", 0, 39)]
    assert rank_causes([whole, at_once], propose=False).trials == 2


# --- against the exact way, and the oracle


def test_leaving_out_pairs_changes_little() -> None:
    bench = lay_out(out_of_step())
    parts = []
    for every in (False, True):
        weighed = ranking._weigh(Evidence(bench), every_pair=every)
        prior = log_prior(weighed.hypotheses, weighed.prior)
        weight = explaining_posterior(weighed.hypotheses, prior, weighed.log_likelihood)
        # whether a fault had a date does not matter here
        always = [frozenset(f.always for f in h) for h in weighed.hypotheses]
        parts.append(dict(zip(always, weight, strict=True)))
    short, exact = parts
    assert len(exact) > 2 * len(short)
    assert sum(p for h, p in exact.items() if h not in short) < 0.01
    assert max(abs(short[h] - exact[h]) for h in short) < 0.01


def test_the_oracle_weighs_everything_and_pairs_told_plainly_never_lead() -> None:
    bench = draw_bench(7, 1)
    weighed = Oracle(bench)
    posterior = weighed.posterior()
    assert sum(posterior.values()) == pytest.approx(1.0)
    assert all(len({k[0] for k in h}) == len(h) for h in posterior)
    pairs = [h for h in sorted(posterior, key=str) if len(h) == 2][::300]
    none = float(np.logaddexp.reduce(weighed.by_setting(frozenset())))
    for pair in pairs:
        gains = [float(np.logaddexp.reduce(weighed.by_setting(frozenset({k})))) - none for k in pair]
        told = weighed._plain(*gains)
        if told is not None:
            exact = float(np.logaddexp.reduce(weighed.by_setting(pair))) - none
            assert exact < max(0.7, *gains) + 3


def test_ours_and_the_oracle_mostly_agree() -> None:
    """A small piece of the study of docs/studies/causes.md."""
    agreed = 0
    for i in range(3):
        faults = PLANTED[i % len(PLANTED)]
        bench = draw_bench(FIRST_SEED + 1000 + i, faults)
        ours = answer_of(rank_causes(bench.trials, propose=False))
        agreed += ours.faults == oracle_answer(bench, {}, "bench").faults
    assert agreed >= 2


def test_proposals_are_followed_on_the_bench_of_the_seed(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(followed, "STOPS", (0, 2))
    found = followed.followed(0, FIRST_SEED + 2000)
    bench = draw_bench(FIRST_SEED + 2000, PLANTED[0])
    before, after, _ = found.values()
    assert {case.planted for case in found.values()} == {bench.planted}
    assert before.shown == bench.shown
    assert before.ours == answer_of(rank_causes(bench.trials, propose=False))
    assert before.oracle.faults == oracle_answer(bench, {}, "bench").faults
    # the oracle does not lose by two trials more on this bench, where the fault shows
    assert after.oracle.faults == after.planted
    assert after != before


def test_where_it_is_sure_what_to_do_no_write_is_proposed_but_on_a_scratch_disk() -> None:
    trials = numbered([*out_of_step(), *out_of_step(), row("write", "D2.0", "K2"), row("read", "D1.0", "K2", 360)])
    for scratch in ((), ("K1", "K2", "K3")):
        told = rank_causes(trials, plan=4, scratch=scratch)
        assert told.advice is not None
        assert told.advice.sure
        proposed = {(t.operation, t.disk) for t in told.plan}
        assert not [disk for operation, disk in proposed if operation != "read" and disk not in scratch]
    unsure = rank_causes([*one_drive()], plan=4)
    assert unsure.advice is not None
    assert not unsure.advice.sure
    assert any(t.operation == "write" for t in unsure.plan)


def test_weights_and_decibels_use_the_same_unit() -> None:
    assert pytest.approx(10 / math.log(10)) == DECIBELS_A_NAT


# --- long sheets, where ladders must be fine enough


def test_rungs_that_the_likelihood_tells_apart_stay_apart() -> None:
    book = Evidence(lay_out(out_of_step())).book
    kept = book.of(Fault("D2.0", "old-recording-underneath"), Supposition()).hazard
    nodes = np.unique(node_of(hazard(np.array([step.once for step in loss_grid()]))))
    assert len(nodes) == 16
    assert set(np.unique(node_of(kept))) == set(nodes)


@pytest.mark.parametrize("share", [0.45, 0.7, 0.865, 0.95])
def test_what_only_others_cannot_read_is_told_as_an_old_recording_however_long_the_sheet(share: float) -> None:
    rng = np.random.default_rng(5)
    readers, disks = ("D1.0", "D2.0", "D3.0"), ("K1", "K2", "K3")
    rows = [row("write", "D4.0", disk) for disk in disks]
    for k in range(12):
        for reader in readers:
            rows.append(row("read", reader, disks[k % 3], int(rng.binomial(360, share))))
            rows.append(row("read", "D4.0", f"K{4 + k % 3}"))
            rows.append(row("read", reader, f"K{4 + k % 3}"))
    told = rank_causes(numbered(rows), propose=False)
    assert first(told) == {("D4.0", "old-recording-underneath")}


def test_a_drive_a_little_out_of_place_at_one_end_is_told_so() -> None:
    stretches = ((0, 9, 1), (10, 19, 4), (20, 29, 8), (30, 39, 27))
    rows = [
        replace(row("read", "D3.0", disk), first_cylinder=a, last_cylinder=b, sectors_tried=90, sectors_failed=n)
        for disk in ("K7", "K6")
        for a, b, n in stretches
    ]
    rows += [row("read", reader, disk) for reader in ("D1.0", "D2.0") for disk in ("K7", "K6")]
    rows += [row("write", "D3.0", "K5"), row("read", "D3.0", "K5")]
    cause = rank_causes(numbered(rows), propose=False).causes[0]
    assert {(f.element, f.fault) for f in cause.faults} <= {("D3.0", "misaligned"), ("D3.0", "off-speed")}
    assert "worst at the inner cylinders" in cause.why
