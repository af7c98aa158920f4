"""What can be at fault on a bench, how likely it is before any trial, and in which words it is told."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from types import MappingProxyType
from typing import Literal, assert_never

from indexhole.causes.faults.condition import AS_USUAL, Condition
from indexhole.errors import InputFault
from indexhole.kinds import every, in_order

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
    """One fault of one element (mechanism, disk, lead or adapter, host).

    In the ranking `misaligned` stands for misaligned-or-off-speed until the result is told: counts alone show
    only that a mechanism and all others disagree about where, or how fast, tracks go by. A fault that came or went
    between trials names the first trial with it (`since`) or the first after it (`until`). A set-up that the notes name
    has it as `condition`, and its element is what was set up so.
    """

    element: str
    fault: FaultWord
    side: int | None = None
    since: str = ""
    until: str = ""
    condition: Condition = AS_USUAL

    @property
    def always(self) -> Fault:
        """The same fault, there all the time."""
        return Fault(self.element, self.fault, self.side, condition=self.condition)


@dataclass(frozen=True, slots=True)
class Kind:
    """What is always so of a kind of fault.

    Attributes:
        met: how often it is met on a bench as a whole; None where another kind is counted with it, as off-speed is
            with misaligned until the result is told.
        trace: kinds of one element with the same word here leave much the same traces, and no two are supposed at once;
            empty where traces are a kind's own.
        by_writer: whether the rows it bears on depend on who wrote the tracks.
        whole_rows: whether it changes what became of writes, or acts on whole rows, so that its likelihood is summed
            in full.
        clears: whether a mechanism is cleared only when this is ruled out.
        own_tracks: whether the mechanism's own tracks tell it from plain bad reading.
    """

    met: float | None
    trace: str = ""
    by_writer: bool = False
    whole_rows: bool = False
    clears: bool = False
    own_tracks: bool = False


# How often each kind of fault is met on a bench as a whole. Most kinds are met about alike, so a fault is the likelier
# in one element the fewer of its sort there are (1 or 2 in 100 on a small bench; the polybox of de Kleer and Williams,
# 1987, has 1). Trials are made because something seems wrong, so all kinds together sum to about one. Those that leave
# the traces of commoner ones, or need an odd mixture of things, are met less. Our own choice; the bounds keep one
# element from being presumed at fault, or beyond suspicion.
KINDS: Mapping[FaultWord, Kind] = every(
    FaultWord,
    {
        # misaligned and off-speed together
        "misaligned": Kind(0.25, "disagreement", by_writer=True, clears=True, own_tracks=True),
        "off-speed": Kind(None, "disagreement", by_writer=True, own_tracks=True),
        "dirty-head": Kind(0.15, by_writer=True, clears=True),
        "dead-write": Kind(0.12, whole_rows=True, clears=True),
        # until a mechanism has tried its own tracks it looks like one out of place, which is common
        "dead-read": Kind(0.03, clears=True, own_tracks=True),
        "worn-surface": Kind(0.15, "surface"),
        "damaged-band": Kind(0.15, "surface"),
        "bad-lead": Kind(0.12, whole_rows=True),
        "wrong-medium": Kind(0.03, "surface", by_writer=True),
        "old-recording-underneath": Kind(0.04, "disagreement", by_writer=True),
        "set-up": Kind(0.02),
    },
)
_MET: Mapping[FaultWord, float] = {word: kind.met for word, kind in KINDS.items() if kind.met is not None}
SUPPOSED: tuple[FaultWord, ...] = tuple(_MET)
"""Kinds that a hypothesis may name."""
_LEAST, _MOST = 0.001, 0.06
# How often a bench with none, one or two faults is met, against faults that come independently of each other. Trials
# are written down where something went wrong, so few benches are wholly sound; and what was rescued with one fault has
# another a little oftener. Our own choice.
BY_NUMBER = (1 / 3, 1.0, 1.25)
NOTHING_TOLD: Mapping[str, float] = MappingProxyType({})
# Chance that some set-up named in the notes is at fault, shared among all that are; common practice, no source: a
# keeper notes what is out of the ordinary, and seldom for nothing, but most drives bear it. Our own choice.
NOTED = 0.05


def prior_of(faults: Iterable[Fault], met: Mapping[str, float] = NOTHING_TOLD) -> dict[Fault, float]:
    """Chance of each fault before any trial, given all that are possible on the bench; of noted set-ups among them.

    Args:
        met: by fault word, how many of that kind are met on a bench as a whole, where the keeper knows better.

    Raises InputFault for a word of `met` that is none, or a number below 0 or above 1.
    """
    for word, often_met in met.items():
        if word not in _MET:
            raise InputFault(
                "is no fault of which it can be said how often it is met",
                where=repr(word),
                remedy=f"name one of {', '.join(_MET)}; off-speed counts with misaligned",
            )
        if not 0 <= often_met <= 1:
            raise InputFault("how often a fault is met wants a number from 0 to 1", where=f"{word}={often_met:g}")
    faults = list(faults)
    count = Counter((f.fault, bool(f.condition)) for f in faults)
    often = {f: NOTED if f.condition else met.get(f.fault, _MET[f.fault]) for f in faults}
    return {f: min(_MOST, max(_LEAST, often[f] / count[f.fault, bool(f.condition)])) for f in faults}


MECHANISM_FAULTS: tuple[FaultWord, ...] = tuple(word for word, kind in KINDS.items() if kind.clears)
# The order in which faults are named; equals are ranked by it.
_NAMED: tuple[FaultWord, ...] = in_order(
    SUPPOSED,
    (
        "misaligned", "dirty-head", "dead-write", "dead-read", "old-recording-underneath", "worn-surface",
        "damaged-band", "wrong-medium", "bad-lead", "set-up",
    ),
)  # fmt: skip


def _of(elements: Iterable[str], word: FaultWord, sides: tuple[int, ...] = ()) -> list[Fault]:
    return [Fault(e, word, side) for e in elements for side in (sides or (None,))]


def possible_faults(
    mechanisms: Iterable[str],
    leads: Iterable[str],
    disks: Iterable[str],
    hosts_and_units: Iterable[str],
    sides: tuple[int, ...],
    noted: Iterable[tuple[str, Condition]] = (),
) -> list[Fault]:
    """Every single fault the evidence of trials can speak of.

    A host, or a unit with several mechanisms, may be set up wrongly as a whole; `noted` are elements with set-ups that
    notes name.
    """
    mechanisms, disks = list(mechanisms), list(disks)

    def of(word: FaultWord) -> list[Fault]:
        match word:
            case "misaligned" | "dead-write" | "dead-read" | "old-recording-underneath":
                return _of(mechanisms, word)
            case "dirty-head":
                return _of(mechanisms, word, sides)
            case "worn-surface" | "damaged-band":
                return _of(disks, word, sides)
            case "wrong-medium":
                return _of(disks, word)
            case "bad-lead":
                # a sheet may leave lead or host empty: what is not named cannot be accused
                return _of(filter(None, leads), word)
            case "set-up":
                alike = _of(filter(None, hosts_and_units), word)
                return [*alike, *(Fault(element, word, condition=condition) for element, condition in noted)]
            case "off-speed":
                return []
            case _:
                assert_never(word)

    return [fault for word in _NAMED for fault in of(word)]


def told_apart(faults: frozenset[Fault]) -> list[tuple[Fault, ...]]:
    """The ways to tell a hypothesis in the keeper's words: each misaligned-or-off-speed becomes one or the other."""
    ways: list[tuple[Fault, ...]] = [()]
    for fault in sorted(faults, key=lambda f: (f.element, f.fault, -1 if f.side is None else f.side)):
        choices = [fault]
        if fault.fault == "misaligned":
            choices.append(replace(fault, fault="off-speed"))
        ways = [(*way, choice) for way in ways for choice in choices]
    return ways
