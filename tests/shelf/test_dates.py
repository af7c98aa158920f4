"""Half remembered dates: kept as written, ordered by what they can mean."""

from __future__ import annotations

from datetime import date

import pytest
from hypothesis import given
from hypothesis import strategies as st

from indexhole.shelf.records.dates import Span, span_of


@pytest.mark.parametrize(
    ("text", "earliest", "latest"),
    [
        ("1987-05-12", date(1987, 5, 12), date(1987, 5, 12)),
        ("1988-02", date(1988, 2, 1), date(1988, 2, 29)),
        ("1987", date(1987, 1, 1), date(1987, 12, 31)),
        ("about 1987", date(1985, 1, 1), date(1989, 12, 31)),
        ("1980s", date(1980, 1, 1), date(1989, 12, 31)),
        ("about 1980s", date(1978, 1, 1), date(1991, 12, 31)),
        ("before 1990", date.min, date(1990, 12, 31)),
        ("after 1979-06", date(1979, 6, 1), date.max),
        ("1985 to 1988-03", date(1985, 1, 1), date(1988, 3, 31)),
        ("", date.min, date.max),
        ("unknown", date.min, date.max),
        ("about 0001", date.min, date(3, 12, 31)),
        ("about 9999", date(9997, 1, 1), date.max),
    ],
)
def test_a_date_means_these_days(text, earliest, latest):
    assert span_of(text) == Span(earliest, latest)


@pytest.mark.parametrize(
    "text", ["87", "1987-13", "1987-02-30", "0000s", "1988 to 1985", "spring 1987", "about", " 1987"]
)
def test_what_is_no_date_is_told_with_its_text(text):
    with pytest.raises(ValueError, match=f"^{text!r} is (not a date; write it as|no date of the calendar)"):
        span_of(text)


@given(st.text(max_size=20) | st.from_regex(r"(about )?[0-9]{4}(-[0-9]{2})?( to [0-9]{4})?s?", fullmatch=True))
def test_any_text_is_a_span_in_order_or_refused(text):
    try:
        span = span_of(text)
    except ValueError:
        return
    assert span.earliest <= span.latest
