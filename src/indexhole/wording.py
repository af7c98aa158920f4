"""How numbers stand in text for people."""

from __future__ import annotations


def significant(value: float, digits: int = 2) -> str:
    """A number to so many significant figures, without a power of ten below a million: 120, not 1.2e+02."""
    return f"{float(f'{value:.{digits}g}'):g}"
