"""Set-ups named in the notes of trials: a slope, a side, the cold. What a keeper noted may be at fault, nothing else.

A note tells one in words of the list below, or as `set-up: anything`, which counts up to the next semicolon. It holds
for the row it stands in. The list is our OWN, from what keepers write; that drives stop reading on a slope, on their
side or cold is common practice, no source.
"""

from __future__ import annotations

import re
from collections import Counter

import numpy as np
import numpy.typing as npt

from indexhole.causes.faults.condition import Condition, as_written
from indexhole.causes.faults.costs import unit_of
from indexhole.causes.likelihood.history import Bench
from indexhole.model.trials.notes import turned_round

_LEVEL, _FLAT = "set {e} level and try again", "set {e} flat, the right way up, and try again"
_KNOWN: tuple[tuple[str, Condition], ...] = (
    (r"on (?:a |the )?slope|sloping|tilted|not level", Condition("stood on a slope", "on the level", _LEVEL)),
    (r"on (?:its|the|one|a) side|on edge|on end", Condition("stood on its side", "lying flat", _FLAT)),
    (r"upside[ -]?down|on its head|wrong way up", Condition("stood upside down", "the right way up", _FLAT)),
    (
        r"was cold|cold from|came in cold|still cold|stone cold|not warmed up|not yet warm|not warm yet",
        Condition("was cold", "warmed up", "let {e} warm up for an hour and try again"),
    ),
    (
        r"(?:extension|long|lengthened)[ -](?:extension )?(?:lead|cable)",
        Condition("hung on a long extension lead", "without the extension", "put {e} on a short lead and try again"),
    ),
)  # fmt: skip
_PATTERNS = tuple((re.compile(rf"\b(?:{pattern})\b"), condition) for pattern, condition in _KNOWN)
_EXPLICIT = re.compile(r"\bset-?up\s*:\s*([^;]+)")


def conditions_of(note: str) -> tuple[Condition, ...]:
    """The set-ups a note names, each once."""
    text = " ".join(note.casefold().split())
    found: dict[str, Condition] = {}
    for pattern, condition in _PATTERNS:
        if any(not turned_round(text[: match.start()]) for match in pattern.finditer(text)):
            found[condition.text] = condition
    for match in _EXPLICIT.finditer(text):
        words = match[1].strip().rstrip(".")
        # said in words of the list it is the same thing
        if words and not any(pattern.search(words) for pattern, _ in _PATTERNS):
            named = as_written(words)
            found[named.text] = named
    return tuple(found.values())


def note_for(condition: Condition) -> str:
    """What the note of a trial made under a set-up says, so that it is known again."""
    return condition.note or condition.text


def set_ups(bench: Bench) -> list[tuple[str, Condition]]:
    """What is supposed: element and set-up, for set-ups noted on rows that tried something.

    The element is the mechanism, or the unit where several of its mechanisms were set up so.
    """
    under: dict[tuple[str, Condition], set[str]] = {}
    for row, trial in enumerate(bench.trials[: bench.done]):
        if bench.tried[row] > 0 and trial.note:
            for condition in conditions_of(trial.note):
                under.setdefault((unit_of(trial.mechanism), condition), set()).add(trial.mechanism)
    return sorted(
        (unit if len(mechanisms) > 1 else next(iter(mechanisms)), condition)
        for (unit, condition), mechanisms in under.items()
    )


def of_element(bench: Bench, element: str) -> npt.NDArray[np.bool_]:
    """Which rows were made with a mechanism, or with any mechanism of a unit, (rows,)."""
    named = np.array([element in (name, unit_of(name)) for name in bench.mechanisms], dtype=np.bool_)
    found: npt.NDArray[np.bool_] = named[bench.mechanism]
    return found


def dual_units(bench: Bench) -> list[str]:
    """Units with more than one mechanism on the bench, which share power, cabling and address settings."""
    of_unit = Counter(unit_of(mechanism) for mechanism in bench.mechanisms)
    return sorted(unit for unit, count in of_unit.items() if count > 1 and unit not in bench.hosts)


def stands_on(bench: Bench, element: str) -> npt.NDArray[np.bool_]:
    """Which rows a set-up of a host or a unit bears on, (rows,)."""
    if element in bench.hosts:
        found: npt.NDArray[np.bool_] = bench.host == bench.hosts.index(element)
        return found
    return of_element(bench, element)


def set_up_so(bench: Bench, element: str, condition: Condition) -> npt.NDArray[np.bool_]:
    """Which rows, candidates too, were made with an element under a set-up, (rows,)."""
    noted = [bool(t.note) and condition in conditions_of(t.note) for t in bench.trials]
    found: npt.NDArray[np.bool_] = of_element(bench, element) & np.array(noted, dtype=np.bool_)
    return found
