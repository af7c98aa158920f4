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
