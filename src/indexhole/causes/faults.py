"""What can be at fault on a bench, how likely it is before any trial, and in which words it is told."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Literal

FaultWord = Literal[
    "misaligned",
    "off-speed",
    "dirty-head",
    "dead-write",
    "dead-read",
    "worn-surface",
    "damaged-band",
    "bad-lead",
    "wrong-medium",
    "old-recording-underneath",
    "set-up",
]


@dataclass(frozen=True, slots=True, order=True)
class Fault:
    """One fault of one element (mechanism, disk, lead or host).

    In the ranking `misaligned` stands for misaligned-or-off-speed until the result is told: counts alone show
    only that a mechanism and all others disagree about where, or how fast, tracks go by.
    """

    element: str
    fault: FaultWord
    side: int | None = None


# Parts fail independently with 1 in 100, the figure of the polybox of de Kleer and Williams (1987). With 1 in 500 those
# that leave the same traces as commoner ones, or need an odd mixture of things on the bench. Both are our own choice.
# A read path alone gone is such a rare one: until a mechanism has tried its own tracks it looks like a moved head or a
# tired belt, which are far commoner; after that the trials decide and the prior hardly counts.
_COMMON, _RARE = 0.01, 0.002

PRIOR: dict[FaultWord, float] = {
    "misaligned": 2 * _COMMON,  # misaligned and off-speed together
    "dirty-head": _COMMON,
    "dead-write": _COMMON,
    "dead-read": _RARE,
    "worn-surface": _COMMON,
    "damaged-band": _COMMON,
    "bad-lead": _COMMON,
    "wrong-medium": _RARE,
    "old-recording-underneath": _RARE,
    "set-up": _RARE,
}

MECHANISM_FAULTS: tuple[FaultWord, ...] = ("misaligned", "dirty-head", "dead-write", "dead-read")


def _of(elements: Iterable[str], word: FaultWord, sides: tuple[int, ...] = ()) -> list[Fault]:
    return [Fault(e, word, side) for e in elements for side in (sides or (None,))]


def possible_faults(
    mechanisms: Iterable[str],
    leads: Iterable[str],
    disks: Iterable[str],
    hosts: Iterable[str],
    sides: tuple[int, ...],
) -> list[Fault]:
    """Every single fault the evidence of trials can speak of."""
    mechanisms, disks = list(mechanisms), list(disks)
    return [
        *_of(mechanisms, "misaligned"),
        *_of(mechanisms, "dirty-head", sides),
        *_of(mechanisms, "dead-write"),
        *_of(mechanisms, "dead-read"),
        *_of(mechanisms, "old-recording-underneath"),
        *_of(disks, "worn-surface", sides),
        *_of(disks, "damaged-band", sides),
        *_of(disks, "wrong-medium"),
        # a sheet may leave lead or host empty: what is not named cannot be accused
        *_of(filter(None, leads), "bad-lead"),
        *_of(filter(None, hosts), "set-up"),
    ]


def told_apart(faults: frozenset[Fault]) -> list[tuple[Fault, ...]]:
    """The ways to tell a hypothesis in the keeper's words: each misaligned-or-off-speed becomes one or the other."""
    ways: list[tuple[Fault, ...]] = [()]
    for fault in sorted(faults, key=lambda f: (f.element, f.fault, -1 if f.side is None else f.side)):
        choices = [fault]
        if fault.fault == "misaligned":
            choices.append(Fault(fault.element, "off-speed"))
        ways = [(*way, choice) for way in ways for choice in choices]
    return ways
