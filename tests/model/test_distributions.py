"""Quantiles and tails against scipy.stats, which is what they stand in for."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from indexhole.model.distributions import (
    chi2_tail,
    chi2_upper,
    f_upper,
    normal_quantile,
    normal_upper,
    t_log_density,
)

SHARES = st.floats(1e-12, 0.999)
FREEDOM = st.integers(1, 400)


@given(SHARES)
def test_the_normal_distribution(share: float) -> None:
    assert normal_upper(share) == pytest.approx(stats.norm.isf(share), rel=1e-12, abs=1e-12)
    assert normal_quantile(share) == pytest.approx(stats.norm.ppf(share), rel=1e-12, abs=1e-12)


@given(SHARES, FREEDOM)
def test_chi_square(share: float, freedom: int) -> None:
    square = stats.chi2.isf(share, freedom)
    assert chi2_upper(share, freedom) == pytest.approx(square, rel=1e-9)
    assert chi2_tail(square, freedom) == pytest.approx(share, rel=1e-9)


@given(st.floats(1e-9, 0.999), st.integers(1, 40), st.integers(3, 400))
def test_the_f_ratio(share: float, above: int, below: int) -> None:
    bound = f_upper(share, above, below)
    # the quantile there is right to eight digits only, its tail to all
    assert bound == pytest.approx(stats.f.isf(share, above, below), rel=1e-6)
    assert stats.f.sf(bound, above, below) == pytest.approx(share, rel=1e-9)


@given(st.floats(-50, 50), st.floats(1, 200), st.floats(-5, 5), st.floats(0.01, 50))
def test_students_t(x: float, freedom: float, middle: float, scale: float) -> None:
    told = t_log_density(x, freedom, middle=middle, scale=scale)
    assert told == pytest.approx(stats.t.logpdf(x, freedom, loc=middle, scale=scale), rel=1e-10, abs=1e-10)
