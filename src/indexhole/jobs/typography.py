"""Signs and units as people read them. The rooms below write plain ASCII, which JSON keeps."""

from __future__ import annotations

import re

MINUS = "\u2212"
_RAISED = str.maketrans("-0123456789", "⁻⁰¹²³⁴⁵⁶⁷⁸⁹")
# not within a date, a name or a range: those have a letter or a digit before it
_MINUS = re.compile(r"(?<![\w.,:/-])-(?=[0-9])")
_POWER = re.compile(r"(?<![\w.])(x )?([0-9]+(?:\.[0-9]+)?)e[+]?(-?)0*([0-9]+)(?!\w)")
_MICRO = re.compile(r"(?<=[0-9] )u([ms])\b")


def plain(text: str) -> str:
    """Prose of the calculation with ± for +/-, µm and µs for um and us, true minus signs, and 10⁹ for 1e9."""
    told = _POWER.sub(_power, text.replace("+/-", "±"))
    return _MICRO.sub(r"µ\1", _MINUS.sub(MINUS, told))


def _power(found: re.Match[str]) -> str:
    times, number, minus, exponent = found.groups()
    power = f"10{(minus + exponent).translate(_RAISED)}"
    if number == "1":
        return f"{'× ' if times else ''}{power}"
    return f"{'× ' if times else ''}{number} × {power}"
