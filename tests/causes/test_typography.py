"""Signs and units in prose that people read, against cases by hand; what is no number stays as it is."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from indexhole.jobs.pairing.report import fact_words, margin_words
from indexhole.jobs.typography import plain
from indexhole.pairing.parts.answer import Fact, Term, signed
from indexhole.standards.figures import MARK_WORDS
from indexhole.web.drawing.words import number
from indexhole.wording import significant


@pytest.mark.parametrize(
    ("ascii_text", "shown"),
    [
        ("heads stand -14 +/- 217 um apart", "heads stand −14 ± 217 µm apart"),
        ("one error in 1e9", "one error in 10⁹"),
        ("(17 +/- 8) x 1e-6 per K", "(17 ± 8) × 10⁻⁶ per K"),
        ("about 4.5e-05 +/- 3e+06 of them", "about 4.5 × 10⁻⁵ ± 3 × 10⁶ of them"),
        ("at 2 dB; -3 dB in all (-44 dB)", "at 2 dB; −3 dB in all (−44 dB)"),
        ("index 200 us late, 3 ms wide", "index 200 µs late, 3 ms wide"),
        # a date, a range, a name and a word are no numbers
        ("2026-02-16, 10-20, K3-1, a3f1e9, give us 1e9x", "2026-02-16, 10-20, K3-1, a3f1e9, give us 1e9x"),
    ],
)
def test_prose_has_the_signs_of_print(ascii_text: str, shown: str) -> None:
    assert plain(ascii_text) == shown
    assert plain(shown) == shown


@given(st.text())
def test_any_text_can_be_told_and_told_again(text: str) -> None:
    once = plain(text)
    assert plain(once) == once or "+" in once


@pytest.mark.parametrize(
    ("value", "places", "shown"),
    [(-0.3, 0, "0"), (0.4, 0, "0"), (-0.004, 2, "0.00"), (0.006, 2, "+0.01"), (-14, 0, "-14")],
)
def test_what_rounds_to_nothing_has_no_sign(value: float, places: int, shown: str) -> None:
    assert signed(value, places) == shown
    assert number(value, places) == shown.replace("-", "−").lstrip("+")


def test_margins_have_no_signed_nought_and_one_is_single() -> None:
    term = Term("position", -0.001, 0.5, "um", 0.0, "works", "")
    assert margin_words(term) == "0.00 ± 0.50 µm"
    assert margin_words(Term("fit", 1.0, None, "cylinders", 0.0, "works", "")) == "1 cylinder"
    assert margin_words(Term("fit", 5.0, None, "cylinders", 0.0, "works", "")) == "5 cylinders"


def test_every_mark_of_a_fact_is_told_in_words() -> None:
    for mark, words in MARK_WORDS.items():
        told = fact_words(Fact("pitch", 10.0, "um", mark, "a source"))
        assert told == f"pitch: 10 µm (a source; {words})"
        assert mark not in told
    assert fact_words(Fact("width", None, "um", "?", "nowhere")) == "width: not known (nowhere)"
    assert fact_words(Fact("overwrite", -30.0, "dB", "OWN", "a rule")) == "overwrite: −30 dB (a rule; chosen by us)"


@pytest.mark.parametrize(
    ("value", "digits", "shown"),
    [
        (118.4, 2, "120"),
        (9.96, 2, "10"),
        (0.0123, 2, "0.012"),
        (0.144, 3, "0.144"),
        (0.0, 2, "0"),
        (3.2e6, 2, "3.2e+06"),
    ],
)
def test_a_few_figures_are_written_out(value: float, digits: int, shown: str) -> None:
    assert significant(value, digits) == shown


@given(st.floats(1e-4, 9e5), st.integers(1, 4))
def test_a_few_figures_keep_the_value_to_them(value: float, digits: int) -> None:
    shown = significant(value, digits)
    assert "e" not in shown
    assert float(shown) == pytest.approx(value, rel=0.5 * 10 ** (1 - digits))
