"""Date codes: weeks as ISO 8601 counts them, both orders, and what the codes of a unit say together."""

from __future__ import annotations

from datetime import date, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from indexhole.shelf.records.date_codes import codes_in, date_unit, read_code

TODAY = date(2026, 3, 1)


@pytest.mark.parametrize(
    ("code", "monday", "sunday"),
    [
        # facts.md, 7e: arithmetic on the calendar
        ("8332", date(1983, 8, 8), date(1983, 8, 14)),
        ("8723", date(1987, 6, 1), date(1987, 6, 7)),
        ("8153", date(1981, 12, 28), date(1982, 1, 3)),
        ("8801", date(1988, 1, 4), date(1988, 1, 10)),
        # week first, where the other order fits nothing
        ("2385", date(1985, 6, 3), date(1985, 6, 9)),
    ],
)
def test_a_code_is_a_week(code, monday, sunday):
    reading = read_code(code)
    assert (reading.monday, reading.sunday) == (monday, sunday)
    # makers' weeks differ
    assert (reading.earliest, reading.latest) == (monday - timedelta(7), sunday + timedelta(7))


@pytest.mark.parametrize("code", ["8253", "8500", "8399", "9999", "832", "83A2", "", "08332", "8332 "])
def test_what_is_no_week_is_none(code):
    assert read_code(code) is None


def test_week_53_is_there_in_long_years_only():
    long = {year for year in range(1970, 2000) if (found := read_code(f"{year % 100}53")) and not found.week_first}
    assert long == {1970, 1976, 1981, 1987, 1992, 1998}


@given(st.integers(0, 9999).map("{:04}".format))
def test_a_reading_says_again_what_the_calendar_says(code):
    reading = read_code(code)
    if reading is None:
        return
    year, week, weekday = reading.monday.isocalendar()
    assert (year, week, weekday) == (reading.year, reading.week, 1)
    digits = f"{week:02}{year % 100:02}" if reading.week_first else f"{year % 100:02}{week:02}"
    assert digits == code


def test_codes_stand_by_themselves():
    assert codes_in("8442 on both boards, part 12345, D8332X, 8501/8502") == ["8442", "8501", "8502"]


def test_the_latest_code_decides_and_an_odd_one_is_told_with_its_reason():
    parts = [("P1 logic", "8331"), ("P2 logic", "8340"), ("P3 memory", "8335"), ("P4 controller", "8723")]
    told = date_unit(parts, today=TODAY)
    assert told.no_earlier_than == date(1987, 5, 25)
    assert told.decided_by.what == "P4 controller"
    assert told.remarks == (
        "P4 controller carries 8723, 3.8 years after the middle of the codes (1983-08-29): changed later, "
        "or the code is a part number",
    )


def test_codes_near_to_one_another_raise_nothing():
    told = date_unit([("a", "8331"), ("b", "8340 and 8411"), ("c", "no code")], today=TODAY)
    assert told.no_earlier_than == date(1984, 3, 5)
    assert told.remarks == ()
    assert [entry.code for entry in told.codes] == ["8331", "8340", "8411"]


def test_a_code_in_the_future_does_not_decide():
    told = date_unit([("a", "8331"), ("b", "4001")], today=TODAY)
    assert told.decided_by.what == "a"
    assert told.remarks == ("b carries 4001, which lies in the future: it may be a part number",)
    assert date_unit([("b", "4001")], today=TODAY).no_earlier_than is None


def test_a_code_that_fits_better_the_other_way_round_is_told():
    told = date_unit([("a", "8331"), ("b", "8405"), ("c", "2584")], today=TODAY)
    assert told.no_earlier_than == date(1984, 6, 11)
    told = date_unit([("a", "8513"), ("b", "8520"), ("c", "1385")], today=TODAY)
    assert "c carries 1385" not in " ".join(told.remarks)
    told = date_unit([("a", "0112"), ("b", "0115"), ("c", "1401")], today=TODAY)
    assert told.remarks[-1] == "c carries 1401, which read week first (2001-04-02) lies nearer to the other codes"


def test_a_date_told_that_lies_before_the_latest_code_is_told():
    told = date_unit([("the board", "8442")], made="1982", today=TODAY)
    assert told.remarks == (
        "said to be made 1982, and the board carries 8442, which is not before 1984-10-08: a part was changed later, "
        "or the code is a part number",
    )
    assert date_unit([("the board", "8442")], made="about 1983", today=TODAY).remarks == ()


def test_what_cannot_be_read_is_listed_with_why():
    told = date_unit([("a", "8253"), ("b", "832"), ("c", "")], today=TODAY)
    assert [(entry.code, entry.why) for entry in told.codes] == [
        ("8253", "no year and week in either order"),
        ("832", "three digits (year and week) leave the decade open"),
    ]
    assert told.no_earlier_than is None


@given(st.lists(st.tuples(st.text(max_size=8), st.text(max_size=20) | st.from_regex("[0-9]{4}( [0-9]{4})?"))))
def test_any_text_is_dated_or_not(parts):
    told = date_unit(parts, today=TODAY)
    assert told.no_earlier_than is None or told.no_earlier_than <= TODAY + timedelta(14)
    read = [c for c in told.codes if c.reading and c.reading.earliest <= TODAY + timedelta(7)]
    assert told.decided_by == max(read, key=lambda c: c.reading.monday, default=None)
