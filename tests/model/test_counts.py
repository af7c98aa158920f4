"""The one law for counts of failed sectors."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import betabinom

from indexhole.causes.likelihood.count_law import DISPERSION_WEIGHT
from indexhole.model.trials.counts import (
    CALM,
    CALM_SHARE,
    EITHER,
    ROUGH,
    VISIT,
    VISIT_LUCK,
    WORKING,
    CountLaw,
    log_beta_binomial,
)

LAWS = {"calm": CALM, "rough": ROUGH, "either": EITHER, "visit": VISIT}


@given(st.integers(0, 400), st.integers(0, 400), st.floats(1e-6, 1 - 1e-6), st.floats(0.5, 500))
def test_the_law_is_scipys(failed: int, more: int, mean: float, concentration: float) -> None:
    found = log_beta_binomial(failed, failed + more, mean, concentration)
    expected = betabinom.logpmf(failed, failed + more, mean * concentration, (1 - mean) * concentration)
    assert float(found) == pytest.approx(float(expected), abs=1e-6, rel=1e-6)


@pytest.mark.parametrize("law", LAWS.values(), ids=LAWS)
@pytest.mark.parametrize("mean", [0.0, 1e-6, 0.02, 0.5, 0.999, 1.0])
@pytest.mark.parametrize("tried", [0, 1, 9, 117])
def test_every_law_adds_up_to_one_and_finds_no_count_impossible(law: CountLaw, mean: float, tried: int) -> None:
    chance = np.exp(law.log_likelihood(np.arange(tried + 1), tried, mean))
    assert chance.sum() == pytest.approx(1.0)
    assert (chance > 1e-6).all()


@pytest.mark.parametrize("mean", [0.001, 0.1, 0.7])
def test_a_row_weighed_by_itself_is_calm_or_rough(mean: float) -> None:
    counts = np.arange(37)
    calm, rough = (np.exp(law.log_likelihood(counts, 36, mean)) for law in (CALM, ROUGH))
    mixed = CALM_SHARE * calm + (1 - CALM_SHARE) * rough
    # the mixture shares its surprise out over both, which is alike to a part in a thousand
    assert np.exp(EITHER.log_likelihood(counts, 36, mean)) == pytest.approx(mixed, rel=2e-3)


def test_shares_add_up() -> None:
    for law in LAWS.values():
        assert sum(share for _, share in law.shares) == pytest.approx(1.0)
    assert sum(chance for _, chance in VISIT_LUCK) == pytest.approx(1.0)
    assert pytest.approx([0.45, 0.15, 0.3, 0.1]) == DISPERSION_WEIGHT


def test_less_is_known_of_a_visit_than_of_a_bench_and_of_a_rough_bench_than_of_a_calm_one() -> None:
    """The scatter of counts about the same chance."""

    def scatter(law: CountLaw) -> float:
        counts = np.arange(118)
        chance = np.exp(law.log_likelihood(counts, 117, 0.1))
        mean = float(chance @ counts)
        return float(chance @ (counts - mean) ** 2)

    assert scatter(CALM) < scatter(EITHER) < scatter(ROUGH) < scatter(VISIT)


def test_a_pairing_that_works_loses_nearly_always_nothing() -> None:
    chance = np.exp(log_beta_binomial(np.arange(118), 117, *WORKING))
    assert chance[0] > 0.8 and chance[0] == chance.max()
