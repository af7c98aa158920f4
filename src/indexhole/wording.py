"""Numbers, counts and lists as people write them."""

from __future__ import annotations

from collections.abc import Iterable

# nouns whose plural is not the noun with an s
_PLURALS = {"entry": "entries", "firmware": "firmware", "pass": "passes"}


def significant(value: float, digits: int = 2) -> str:
    """A number to so many significant figures, without a power of ten below a million: 120, not 1.2e+02."""
    return f"{float(f'{value:.{digits}g}'):g}"


def plural_of(noun: str, number: int = 2) -> str:
    """The noun as it stands after a number: `trial` after 1, else `trials`."""
    return noun if number == 1 else _PLURALS.get(noun, f"{noun}s")


def count_of(number: int, noun: str) -> str:
    """A number with its noun: `1 trial`, `3 trials`."""
    return f"{number} {plural_of(noun, number)}"


def listed(parts: Iterable[str], joint: str = "and") -> str:
    """`a, b and c`; one part by itself, no part as ""."""
    *others, last = [*parts] or [""]
    return f"{', '.join(others)} {joint} {last}" if others else last


def with_uncertainty(value: float, uncertainty: float, *, sign: bool = False) -> tuple[str, str]:
    """A value and its uncertainty as they are written: the uncertainty to two digits, the value to the same place.

    JCGM 100:2008, 7.2.6. Both in one unit and finite; an uncertainty of 0 leaves the value with six digits.

    Args:
        sign: a plus before what is above 0.
    """
    if uncertainty <= 0:
        return f"{value:{'+' if sign and value else ''}.6g}", "0"
    # rounded first, so that 0.0996 is 0.10 and not 0.100
    places = 1 - int(f"{uncertainty:.1e}".partition("e")[2])
    shown = round(value, places) + 0.0  # no minus before a zero
    decimals = max(0, places)
    return f"{shown:{'+' if sign and shown else ''}.{decimals}f}", f"{round(uncertainty, places):.{decimals}f}"


def plus_minus(value: float, uncertainty: float, *, sign: bool = False) -> str:
    """`96 +/- 14`; arguments as those of `with_uncertainty`."""
    return " +/- ".join(with_uncertainty(value, uncertainty, sign=sign))


_TIME_UNITS = ((1.0, "s"), (1e-3, "ms"), (1e-6, "us"), (1e-9, "ns"))


def time_unit(largest_s: float) -> tuple[float, str]:
    """The unit that suits times up to `largest_s`: its length in s and its name."""
    return next((unit for unit in _TIME_UNITS if largest_s >= unit[0]), _TIME_UNITS[-1])


def span_words(low: float | None, high: float | None) -> str:
    """`295.5 to 304.5`, `from 0`, `to 3`; `-` without any bound."""
    if low is None:
        return "-" if high is None else f"to {high:g}"
    return f"from {low:g}" if high is None else f"{low:g} to {high:g}"
