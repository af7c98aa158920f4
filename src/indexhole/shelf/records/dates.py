"""Half remembered dates: "about 1987" is kept as written, with the years it can mean for putting in order."""

from __future__ import annotations

import re
from calendar import monthrange
from dataclasses import dataclass
from datetime import date

ABOUT_YEARS = 2
FORMS = "1987-05-12, 1987-05, 1987, 1980s, about 1987, before 1990, after 1979, 1985 to 1988 or empty"
# for who is asked for a date
EXAMPLES = "a date as well as you know it, such as 1987-05-12, 1980s, about 1987 or before 1990"

_POINT = r"(?P<{0}year>[0-9]{{4}})(?:-(?P<{0}month>[0-9]{{2}})(?:-(?P<{0}day>[0-9]{{2}}))?)?"
_SINGLE = re.compile(r"(?:(?P<word>about|before|after) )?" + _POINT.format(""))
_DECADE = re.compile(r"(?P<word>about )?(?P<decade>[0-9]{3})0s")
_RANGE = re.compile(_POINT.format("a") + " to " + _POINT.format("b"))


@dataclass(frozen=True, slots=True)
class Span:
    """The first and last day a date can mean; both inclusive."""

    earliest: date
    latest: date


def span_of(text: str) -> Span:
    """The days a half remembered date can mean. Raises ValueError that lists the forms it may have.

    "about" reaches two years to either side, our own choice.
    """
    if not text or text == "unknown":
        return Span(date.min, date.max)
    try:
        span = _single(text) or _decade(text) or _range(text)
    except ValueError as fault:
        raise ValueError(f"{text!r} is no date of the calendar ({fault})") from fault
    if span is None:
        raise ValueError(f"{text!r} is not a date; write it as {FORMS}")
    return span


def _single(text: str) -> Span | None:
    found = _SINGLE.fullmatch(text)
    if found is None:
        return None
    span = _point(found, "")
    match found["word"]:
        case "about":
            return _widened(span)
        case "before":
            return Span(date.min, span.latest)
        case "after":
            return Span(span.earliest, date.max)
        case _:
            return span


def _decade(text: str) -> Span | None:
    found = _DECADE.fullmatch(text)
    if found is None:
        return None
    first = int(found["decade"]) * 10
    span = Span(date(first, 1, 1), date(first + 9, 12, 31))
    return _widened(span) if found["word"] else span


def _range(text: str) -> Span | None:
    found = _RANGE.fullmatch(text)
    if found is None:
        return None
    first, last = _point(found, "a"), _point(found, "b")
    if first.earliest > last.latest:
        raise ValueError("its end lies before its start")
    return Span(first.earliest, last.latest)


def _point(found: re.Match[str], which: str) -> Span:
    year, month, day = (found[which + part] for part in ("year", "month", "day"))
    first_month, last_month = (int(month), int(month)) if month else (1, 12)
    if day:
        exact = date(int(year), first_month, int(day))
        return Span(exact, exact)
    first = date(int(year), first_month, 1)
    return Span(first, date(int(year), last_month, monthrange(int(year), last_month)[1]))


def _widened(span: Span) -> Span:
    return Span(
        date(max(span.earliest.year - ABOUT_YEARS, date.min.year), 1, 1),
        date(min(span.latest.year + ABOUT_YEARS, date.max.year), 12, 31),
    )
