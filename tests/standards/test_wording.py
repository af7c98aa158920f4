"""Values with uncertainties as they are written."""

from __future__ import annotations

from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from indexhole.wording import plus_minus, significant, span_words, time_unit, with_uncertainty


# two digits of the uncertainty, the value to the same place (JCGM 100:2008, 7.2.6)
@pytest.mark.parametrize(
    ("value", "uncertainty", "written"),
    [
        (299.7213, 0.0213, "299.721 +/- 0.021"),
        (96.2, 14.1, "96 +/- 14"),
        (1234.0, 123.0, "1230 +/- 120"),
        (0.31, 0.0996, "0.31 +/- 0.10"),
        (-0.001, 1.0, "0.0 +/- 1.0"),
        (-3.04, 0.5, "-3.04 +/- 0.50"),
        (2.0, 0.0, "2 +/- 0"),
    ],
)
def test_a_value_with_its_uncertainty(value: float, uncertainty: float, written: str) -> None:
    assert plus_minus(value, uncertainty) == written


@given(st.floats(-1e6, 1e6), st.floats(1e-9, 1e6))
def test_two_digits_of_the_uncertainty_and_the_same_place(value: float, uncertainty: float) -> None:
    shown, spread = (Decimal(text) for text in with_uncertainty(value, uncertainty))
    assert float(spread) == pytest.approx(uncertainty, rel=0.0501)
    assert abs(float(shown) - value) <= 0.0501 * uncertainty + 1e-9 * abs(value)
    assert "-0" not in (f"{shown:f}" if shown == 0 else "")


def test_a_sign_stands_before_what_is_above_nothing() -> None:
    assert plus_minus(3.0, 1.0, sign=True) == "+3.0 +/- 1.0"
    assert plus_minus(0.0, 1.0, sign=True) == "0.0 +/- 1.0"


def test_other_words() -> None:
    assert [significant(v) for v in (123.0, 0.0126)] == ["120", "0.013"]
    assert [span_words(*s) for s in ((1.0, 2.5), (None, 3.0), (0.0, None), (None, None))] == [
        "1 to 2.5", "to 3", "from 0", "-",
    ]  # fmt: skip
    assert [time_unit(t)[1] for t in (2.0, 0.02, 3e-6, 1e-12)] == ["s", "ms", "us", "ns"]
