"""The parts of trial diagnosis, each against a second road: engine, row law, history, ladders, summed likelihood."""

from __future__ import annotations

import math
from dataclasses import replace
from functools import cache
from itertools import product

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import betabinom

from indexhole.causes.faults.hypotheses import Fault
from indexhole.causes.faults.severity import SEVERITY_LEVELS, loss_grid, offset_grid, speed_grid
from indexhole.causes.likelihood import count_law, evidence
from indexhole.causes.likelihood.evidence import Evidence
from indexhole.causes.likelihood.history import Bench, Supposition, lay_out, written_by
from indexhole.causes.likelihood.profiles import suppositions
from indexhole.causes.ranking.engine import entropy_bits, expected_bits, explaining_posterior, log_prior, subsets_up_to
from indexhole.errors import InputFault
from indexhole.model.trials.trial import Trial


def row(
    name: str,
    operation: str,
    mechanism: str,
    disk: str,
    *,
    failed: int = 0,
    tried: int = 90,
    lead: str = "L1",
    side: int = 0,
    cylinders: tuple[int, int] = (0, 9),
) -> Trial:
    return Trial(name, "2026-01-01", operation, "H1", lead, mechanism, disk, side, *cylinders, tried, failed)  # type: ignore[arg-type]


# --- engine


def test_subsets_come_smallest_first() -> None:
    found = subsets_up_to("abc", 2)
    assert found == [frozenset(s) for s in ("", "a", "b", "c", "ab", "ac", "bc")]


@given(st.lists(st.floats(-30, 0), min_size=8, max_size=8), st.floats(0.001, 0.4))
def test_explaining_posterior_is_a_distribution_that_ignores_idle_parts(likelihood: list[float], prior: float) -> None:
    hypotheses = subsets_up_to("abc", 3)
    weights = explaining_posterior(hypotheses, log_prior(hypotheses, dict.fromkeys("abc", prior)), np.array(likelihood))
    assert weights.sum() == pytest.approx(1.0)
    assert (weights >= 0).all()
    for i, h in enumerate(hypotheses):
        if any(likelihood[j] >= likelihood[i] for j, s in enumerate(hypotheses) if s < h):
            assert weights[i] == 0


@given(st.integers(1, 5), st.integers(1, 4), st.integers(0, 2**32 - 1))
def test_expected_bits_never_exceed_what_is_unknown(hypotheses: int, outcomes: int, seed: int) -> None:
    rng = np.random.default_rng(seed)
    posterior = rng.dirichlet(np.ones(hypotheses))
    table = rng.dirichlet(np.ones(outcomes), size=hypotheses)
    bits = expected_bits(posterior, table)
    assert 0 <= bits <= min(float(entropy_bits(posterior)), math.log2(outcomes)) + 1e-9
    # Mutual information once more, as the mean divergence of each row from the mixture.
    mixture = posterior @ table
    assert bits == pytest.approx(float((posterior[:, None] * table * np.log2(table / mixture)).sum()), abs=1e-9)


# --- law of a row


def test_row_law_is_a_law() -> None:
    counts = np.arange(118)
    for law in count_law.row_table(counts, np.full(118, 117), np.full(118, 13)):
        assert law.sum(axis=0) == pytest.approx(np.ones(len(count_law.NODES)), abs=1e-9)


def test_row_law_against_scipy() -> None:
    node = 60
    found = count_law.row_table(np.array([7]), np.array([117]), np.array([13]))[:, 0, node]

    def plain(rough: int, at: int) -> float:
        mean = -math.expm1(-count_law.NODES[at])
        return float(sum(s * betabinom.pmf(7, 117, mean * c, (1 - mean) * c) for c, s in count_law._LAWS[rough].shares))

    for rough in (0, 1):
        law = (1 - 2 * sum(chance for _, chance in count_law._STRAYS)) * plain(rough, node)
        for far, chance in count_law._STRAYS:
            law += chance * sum(plain(rough, min(node + way * round(far / count_law._STEP), 95)) for way in (-1, 1))
        surprise = count_law._LAWS[rough].surprise
        expected = (1 - surprise) * law + surprise * 0.5 / 118
        assert found[rough] == pytest.approx(expected)


@pytest.mark.parametrize(("failed", "tried", "tracks"), [(21, 117, 13), (9, 9, 1), (0, 12, 4), (7, 10, 3), (3, 2, 5)])
def test_law_by_tracks_against_scipy(failed: int, tried: int, tracks: int) -> None:
    failed = min(failed, tried)
    node, full = 60, max(1, tried // tracks)
    half = -math.expm1(-count_law.NODES[node] / 2)
    whole = min(tracks, tried // full)
    for c in count_law._BY_TRACKS:
        expected = sum(
            betabinom.pmf(t, whole, half * c, (1 - half) * c)
            * betabinom.pmf(failed - t * full, tried - t * full, half * c, (1 - half) * c)
            for t in range(whole + 1)
        )
        found = count_law._by_tracks(np.array([failed]), np.array([tried]), np.array([tracks]), c)
        assert found[0, node] == pytest.approx(expected)


def test_whole_tracks_tell_that_a_bench_fails_by_tracks() -> None:
    rows = count_law.row_table(np.array([18, 17]), np.array([117, 117]), np.array([13, 13]))
    at = rows[:, :, int(count_law.node_of(np.array([0.05]))[0])]
    assert at[2, 0] > 1.5 * at[0, 0]
    assert at[2, 1] < at[0, 1]


def test_a_row_that_tried_nothing_says_nothing() -> None:
    assert count_law.row_table(np.array([0]), np.array([0]), np.array([1])) == pytest.approx(1.0)
    assert count_law.lapse_likelihood(np.array([0]), np.array([0])) == pytest.approx(1.0)


@given(st.floats(0, 1), st.floats(0, 1))
def test_hazards_of_independent_causes_add(first: float, second: float) -> None:
    together = count_law.hazard(first) + count_law.hazard(second)
    assert -math.expm1(-together) == pytest.approx(1 - (1 - first) * (1 - second), abs=1e-4)


def test_nodes_are_found_again() -> None:
    assert (count_law.node_of(count_law.NODES.copy()) == np.arange(len(count_law.NODES))).all()
    assert (count_law.node_of(np.array([0.0, 1e9])) == [0, len(count_law.NODES) - 1]).all()


def test_outcomes_of_a_trial_ahead() -> None:
    for outcomes in count_law.outcome_table(117, 13):
        assert outcomes.sum(axis=1) == pytest.approx(np.ones(len(outcomes)))
        assert outcomes[0, 0] > 0.98
        assert outcomes[-1, 2] > 0.98


# --- who wrote what


def shares(bench: Bench, place: int, supposed: Supposition = Supposition()) -> dict[str, float]:  # noqa: B008
    names = [*bench.mechanisms, "outside", "nobody"]
    return {n: float(s) for n, s in zip(names, written_by(bench, supposed)[place], strict=True) if s}


def test_the_last_writer_of_each_cylinder_is_remembered() -> None:
    bench = lay_out(
        [
            row("T1", "read", "D1.0", "K1"),
            row("T2", "write", "D2.0", "K1", cylinders=(0, 4)),
            row("T3", "read", "D1.0", "K1"),
            row("T4", "format", "D3.0", "K1"),
            row("T5", "read", "D1.0", "K1"),
            row("T6", "read", "D1.0", "K1", side=1),
        ]
    )
    assert shares(bench, 0) == {"outside": 1.0}
    assert shares(bench, 1) == {"D2.0": 1.0}
    assert shares(bench, 2) == {"D2.0": 0.5, "outside": 0.5}
    assert shares(bench, 4) == {"D3.0": 1.0}
    assert shares(bench, 5) == {"outside": 1.0}


def test_a_dead_write_leaves_the_old_recording_or_spoils_it() -> None:
    bench = lay_out([row("T1", "write", "D1.0", "K1", failed=90), row("T2", "read", "D2.0", "K1")])
    dead = frozenset({bench.mechanisms.index("D1.0")})
    assert shares(bench, 1, Supposition(dead=dead)) == {"outside": 1.0}
    assert shares(bench, 1, Supposition(dead=dead, dead_wipes=True)) == {"nobody": 1.0}
    weights = [w for w, _ in suppositions(bench, frozenset({Fault("D1.0", "dead-write")}))]
    assert sum(weights) == pytest.approx(1.0)


@pytest.mark.parametrize(("lost", "writer"), [("took", "D1.0"), ("left-old", "outside"), ("spoilt", "nobody")])
def test_a_write_over_a_failing_lead_may_or_may_not_take(lost: str, writer: str) -> None:
    bench = lay_out([row("T1", "write", "D1.0", "K1", failed=90), row("T2", "read", "D2.0", "K1")])
    supposed = Supposition(lost_leads=frozenset({0}), lost=lost)  # type: ignore[arg-type]
    assert shares(bench, 1, supposed) == {writer: 1.0}
    # The lapse itself must explain the failed write.
    assert shares(bench, 0, supposed) == {"D1.0": 1.0}


def test_rows_of_one_operation_are_known_by_their_job() -> None:
    bench = lay_out(
        [
            row("T1", "read", "D1.0", "K1", cylinders=(0, 4)),
            row("T2", "read", "D1.0", "K1", cylinders=(5, 9)),
            row("T3", "read", "D1.0", "K1", cylinders=(0, 4)),
            row("T4", "read", "D1.0", "K1", cylinders=(5, 9), lead="L2"),
        ],
        [row("next", "read", "D1.0", "K1", cylinders=(10, 11), lead="L2")],
    )
    assert bench.operation.tolist() == [0, 0, 1, 2, 3]


@pytest.mark.parametrize(
    ("broken", "told"),
    [
        ({"failed": 91}, "sectors_failed must lie"),
        ({"failed": -1}, "sectors_failed must lie"),
        ({"side": 2}, "side must be"),
        ({"cylinders": (9, 0)}, "cylinders must lie"),
        ({"cylinders": (0, 255)}, "cylinders must lie"),
    ],
)
def test_impossible_rows_are_named(broken: dict[str, int], told: str) -> None:
    with pytest.raises(InputFault, match=rf"^trial T7: {told}.*; correct the row"):
        lay_out([row("T7", "read", "D1.0", "K1", **broken)])  # type: ignore[arg-type]


# --- ladders out of the forward model


def test_ladders_stand_where_the_forward_model_gives_their_rungs() -> None:
    assert [s.reads_others for s in offset_grid()] == pytest.approx(SEVERITY_LEVELS, rel=2e-3)
    assert [s.read_by_others for s in offset_grid()] == pytest.approx(SEVERITY_LEVELS, rel=2e-3)
    assert [s.once for s in loss_grid()] == pytest.approx(SEVERITY_LEVELS, rel=2e-3)
    speeds = speed_grid()
    assert [s.reads_others for s in speeds] == pytest.approx(SEVERITY_LEVELS * 2, rel=2e-3)
    for grid in (offset_grid(), speeds, loss_grid()):
        assert sum(s.weight for s in grid) == pytest.approx(1.0)


# --- the summed likelihood, term by term


Operation = tuple[tuple[int, ...], tuple[tuple[int, ...], ...], float, float]


def naive(bench: Bench, faults: frozenset[Fault]) -> float:
    """Sum over every unknown with plain loops, one row at a time."""
    book = Evidence(bench).book
    rows = count_law.row_table(bench.failed, bench.tried, bench.last - bench.first + 1)
    lapsed = count_law.lapse_likelihood(bench.failed, bench.tried)
    steady = sorted(f for f in faults if f.fault != "bad-lead")
    bad = sorted(f for f in faults if f.fault == "bad-lead")
    leads = [f.element for f in bad]
    members = [tuple(np.flatnonzero(bench.operation == o).tolist()) for o in range(bench.operation[-1] + 1)]

    @cache
    def operation(
        dispersion: int, own: tuple[int, ...], nodes: tuple[tuple[int, ...], ...], at_once: float, singly: float
    ) -> float:
        plain = 0.0
        for lucky, share in zip(nodes, count_law.LUCK_WEIGHT[dispersion], strict=True):
            product_of_rows = 1.0
            for member, node in zip(own, lucky, strict=True):
                likely = rows[dispersion, member, node]
                product_of_rows *= (1 - singly) * likely + singly * lapsed[member]
            plain += share * product_of_rows
        plain = (1 - at_once) * plain + at_once * math.prod(lapsed[list(own)])
        wholly = float(all(bench.failed[m] == bench.tried[m] > 0 for m in own))
        return float((1 - count_law.MISHAP) * plain + count_law.MISHAP * wholly)

    total = 0.0
    for weight, supposed in suppositions(bench, faults):
        profiles = [book.of(f, supposed) for f in steady]
        lapses = [book.lapses(f) for f in bad]
        ladders = [range(len(p.log_weight)) for p in profiles] + [range(len(x.log_weight)) for x in lapses]
        spoilt = book.spoilt(supposed)
        for level, *severity_levels in product(range(5), *ladders):
            added = np.zeros(len(bench.trials))
            for profile, severity_level in zip(profiles, severity_levels, strict=False):
                added[profile.rows] += profile.hazard[severity_level]
            of_level = [
                [
                    count_law.node_of(added * luck + (spoilt + evidence._BACKGROUND[level + s]) * strays)
                    for luck, strays in zip(count_law.LUCK, count_law.STRAY_LUCK, strict=True)
                ]
                for s in (0, 1)
            ]
            lead_severity_level = dict(zip(leads, severity_levels[len(profiles) :], strict=True))
            chance = weight * evidence._BACKGROUND_WEIGHT[level]
            for unknown, severity_level in zip([*profiles, *lapses], severity_levels, strict=True):
                chance *= math.exp(unknown.log_weight[severity_level])
            # of each disk, plain and speckled: its operations, nodes of their rows, chances of a lapse
            by_disk = []
            for disk in range(len(bench.disks)):
                both: list[list[Operation]] = [[], []]
                for own in members:
                    if bench.disk[own[0]] != disk:
                        continue
                    over = [
                        (x, lead_severity_level[name])
                        for name, x in zip(leads, lapses, strict=True)
                        if bench.over[own[0], bench.leads.index(name)]
                    ]
                    at_once = 1 - math.prod(1 - float(x.by_operation[severity_level]) for x, severity_level in over)
                    singly = 1 - math.prod(1 - float(x.by_row[severity_level]) for x, severity_level in over)
                    for speckled in (0, 1):
                        nodes = tuple(tuple(lucky[list(own)].tolist()) for lucky in of_level[speckled])
                        both[speckled].append((own, nodes, at_once, singly))
                by_disk.append(both)
            for dispersion in range(4):
                joint = chance * count_law.DISPERSION_WEIGHT[dispersion]
                for both in by_disk:
                    plain, speckled_disk = (math.prod(operation(dispersion, *one) for one in done) for done in both)
                    joint *= (1 - evidence._SPECKLED) * plain + evidence._SPECKLED * speckled_disk
                total += joint
    return math.log(total)


SMALL = [
    row("T1", "write", "D1.0", "K1", failed=90, cylinders=(0, 4)),
    row("T2", "write", "D1.0", "K1", failed=3, cylinders=(5, 9)),
    row("T3", "read", "D2.0", "K1", failed=40, lead="L2"),
    row("T4", "read", "D2.0", "K2", failed=0),
    row("T5", "read", "D1.0", "K2", failed=88, side=1, lead="L2"),
    row("T6", "write", "D2.0", "K2", failed=0, tried=0),
]


@pytest.mark.parametrize(
    "faults",
    [
        frozenset(),
        frozenset({Fault("D1.0", "dead-write")}),
        frozenset({Fault("L1", "bad-lead")}),
        frozenset({Fault("L1", "bad-lead"), Fault("L2", "bad-lead")}),
        frozenset({Fault("D1.0", "dirty-head", 1), Fault("K1", "worn-surface", 0)}),
        frozenset({Fault("D1.0", "dead-write"), Fault("L2", "bad-lead")}),
        frozenset({Fault("K1", "damaged-band", 0), Fault("L1", "bad-lead")}),
    ],
)
def test_summed_likelihood_against_plain_loops(faults: frozenset[Fault]) -> None:
    bench = lay_out(SMALL)
    assert Evidence(bench).log_likelihood(faults) == pytest.approx(naive(bench, faults), abs=1e-8)


def test_a_lead_and_an_adapter_on_it_against_plain_loops() -> None:
    """Over both of them either may lapse; over one of them only that one does."""
    trials = [replace(t, lead=lead) for t, lead in zip(SMALL, ("L1+A1", "L1+A1", "L2", "L2+A1", "L1", ""), strict=True)]
    bench = lay_out(trials)
    for faults in (("A1",), ("A1", "L1"), ("L1", "L2"), ("A1", "L2")):
        bad = frozenset(Fault(name, "bad-lead") for name in faults)
        assert Evidence(bench).log_likelihood(bad) == pytest.approx(naive(bench, bad), abs=1e-8)


@settings(max_examples=15)
@given(st.lists(st.integers(0, 90), min_size=6, max_size=6))
def test_row_shares_add_up_to_the_whole(failed: list[int]) -> None:
    """With one unknown far ahead of all others, the rows' shares sum to the likelihood without its priors."""
    trials = [row(f"T{i}", "read", f"D{i % 2}.0", f"K{i % 3}", failed=f) for i, f in enumerate(failed)]
    weighed = Evidence(lay_out(trials))
    for faults in (frozenset[Fault](), frozenset({Fault("L1", "bad-lead")})):
        close = weighed.look(faults)
        assert close.rows.shape == (6,)
        # Jensen: the expected log likelihood of the rows cannot lie below the log of the prior-weighted mean.
        assert close.rows.sum() >= close.log_likelihood - 1e-6
        assert close.weight.sum() == pytest.approx(1.0)
