"""Date codes of chips and boards read into weeks, and what they say together of when a unit was made.

Four digits are usually the last two of the year and the week; week first is also met. Weeks are taken as ISO 8601
counts them, and a maker may have counted otherwise, so a reading reaches a week to either side. A part number can look
like a code, so a reading is never more than likely. All of this is from general pages, none of a governing standard.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from functools import lru_cache
from statistics import median_low

from indexhole.shelf.records.dates import span_of

# Our own choices: the last year of the century a two-digit year means, and how far apart parts of one making may lie.
PIVOT = 60
SPREAD_DAYS = 2 * 365
WEEK = timedelta(days=7)

_FOUR = re.compile(r"(?<![0-9A-Za-z])[0-9]{4}(?![0-9A-Za-z])")
_THREE = re.compile(r"(?<![0-9A-Za-z])[0-9]{3}(?![0-9A-Za-z])")


@dataclass(frozen=True, slots=True)
class CodeReading:
    """A code read as a week of a year: its Monday and Sunday as ISO 8601 counts, and which way it was read.

    `other` is the week's Monday when read the other way round, where that fits too; None where it does not.
    """

    code: str
    year: int
    week: int
    monday: date
    sunday: date
    week_first: bool
    other: date | None

    @property
    def earliest(self) -> date:
        """The first day it can mean, a week before the week itself: makers' weeks differ."""
        return self.monday - WEEK

    @property
    def latest(self) -> date:
        """The last day it can mean, a week after the week itself."""
        return self.sunday + WEEK


@dataclass(frozen=True, slots=True)
class Coded:
    """A code with what it stands on, and how it reads; `reading` is None when it cannot be read, and why it says."""

    what: str
    code: str
    reading: CodeReading | None
    why: str = ""


@dataclass(frozen=True, slots=True)
class Dating:
    """What the codes of a unit say together.

    Attributes:
        codes: each code, in the order given.
        no_earlier_than: first day the latest code can mean: as it stands, the unit was not made before. None without
            a code that reads.
        decided_by: the code that decides it.
        remarks: what looks odd, each with its reason.
    """

    codes: tuple[Coded, ...]
    no_earlier_than: date | None
    decided_by: Coded | None
    remarks: tuple[str, ...]


# a large shelf carries the same few hundred codes many times over
@lru_cache(maxsize=10_000)
def read_code(code: str) -> CodeReading | None:
    """A four-digit code as year and week, else as week and year; None when neither fits.

    8332 is week 32 of 1983 (facts: general pages); 8253 is none, for 1982 has 52 weeks.
    """
    if not re.fullmatch("[0-9]{4}", code):
        return None
    first, last = int(code[:2]), int(code[2:])
    usual, turned = _monday(first, last), _monday(last, first)
    monday = usual or turned
    if monday is None:
        return None
    year, week = (_year(first), last) if usual else (_year(last), first)
    other = turned if usual and turned != usual else None
    return CodeReading(code, year, week, monday, monday + timedelta(days=6), usual is None, other)


def _year(two_digits: int) -> int:
    return two_digits + (1900 if two_digits >= PIVOT else 2000)


def _monday(two_digits: int, week: int) -> date | None:
    try:
        return date.fromisocalendar(_year(two_digits), week, 1)
    except ValueError:
        return None


def codes_in(text: str) -> list[str]:
    """The groups of four digits in a text that stand by themselves."""
    return _FOUR.findall(text)


def date_unit(parts: Iterable[tuple[str, str]], *, made: str = "", today: date | None = None) -> Dating:
    """What the codes of a unit's parts say together.

    Args:
        parts: what a code stands on (a part, "the unit"), and the text that holds it; one without a code is let be.
        made: when the unit was made as far as it is known, to be held against the codes.
        today: the day after which a code cannot lie; this one when None.
    """
    held = list(parts)
    coded = tuple(entry for what, text in held for entry in _coded(what, text))
    limit = (today or date.today()) + WEEK
    likely = [entry for entry in coded if entry.reading is not None and entry.reading.earliest <= limit]
    remarks = [_future(entry) for entry in coded if entry.reading is not None and entry not in likely]
    latest = latest_code(held, today=today)
    if latest is None:
        return Dating(coded, None, None, tuple(remarks))
    remarks += _spread(likely)
    remarks += _both_ways(likely)
    no_earlier = latest.reading.earliest if latest.reading else None
    if made and no_earlier is not None and span_of(made).latest < no_earlier:
        remarks.append(
            f"said to be made {made}, and {latest.what} carries {latest.code}, which is not before {no_earlier}: "
            "a part was changed later, or the code is a part number"
        )
    return Dating(coded, no_earlier, latest, tuple(remarks))


def latest_code(parts: Iterable[tuple[str, str]], *, today: date | None = None) -> Coded | None:
    """The code that decides `date_unit`: the latest that does not lie in the future, None where none can be read."""
    limit = (today or date.today()) + WEEK
    latest, found = None, None
    for what, text in parts:
        for code in codes_in(text):
            reading = read_code(code)
            if reading is None or (latest is not None and reading.monday <= latest.monday):
                continue
            if reading.earliest <= limit:
                latest, found = reading, (what, code)
    return None if found is None else Coded(*found, latest)


def _monday_of(entry: Coded) -> date:
    return entry.reading.monday if entry.reading else date.min


def _coded(what: str, text: str) -> list[Coded]:
    found = []
    for code in codes_in(text):
        reading = read_code(code)
        found.append(Coded(what, code, reading, "" if reading else "no year and week in either order"))
    if not found:
        three = "three digits (year and week) leave the decade open"
        found = [Coded(what, code, None, three) for code in _THREE.findall(text)]
    return found


def _future(entry: Coded) -> str:
    return f"{entry.what} carries {entry.code}, which lies in the future: it may be a part number"


def _spread(likely: Sequence[Coded]) -> list[str]:
    """Parts whose codes lie far from the middle one."""
    if len(likely) < 2:
        return []
    middle = date.fromordinal(median_low(_monday_of(entry).toordinal() for entry in likely))
    remarks = []
    for entry in likely:
        apart = (_monday_of(entry) - middle).days
        if abs(apart) > SPREAD_DAYS:
            side, reason = ("after", "changed later") if apart > 0 else ("before", "from old stock or another unit")
            years = f"{abs(apart) / 365.25:.1f} years {side} the middle of the codes ({middle})"
            remarks.append(f"{entry.what} carries {entry.code}, {years}: {reason}, or the code is a part number")
    return remarks


def _both_ways(likely: Sequence[Coded]) -> list[str]:
    """Codes that read the other way round too, where that lies nearer to the others than the usual way."""
    remarks = []
    for entry in likely:
        others = [_monday_of(other).toordinal() for other in likely if other is not entry]
        if entry.reading is None or entry.reading.other is None or not others:
            continue
        middle = median_low(others)
        usual, turned = abs(_monday_of(entry).toordinal() - middle), abs(entry.reading.other.toordinal() - middle)
        if turned < usual:
            remarks.append(
                f"{entry.what} carries {entry.code}, which read week first ({entry.reading.other}) lies nearer "
                "to the other codes"
            )
    return remarks
