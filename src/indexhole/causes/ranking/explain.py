"""Why a cause is believed: the weight of each trial, what its best rival would need, and what no trial can part."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations
from typing import Any

import numpy as np
import numpy.typing as npt

from indexhole.causes.faults.hypotheses import Fault, FaultWord
from indexhole.causes.likelihood.history import Bench
from indexhole.causes.ranking.engine import expected_bits
from indexhole.causes.ranking.reasons import hypothesis_words
from indexhole.kinds import every

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

DECIBELS_A_NAT = 10 / np.log(10)
BITS_A_NAT = 1 / np.log(2)
_ALIKE_BITS = 0.03  # two causes, alike likely, that no trial tells more of than this are one group
_NAMED = 3

# How a fault is seen without a trial. Common practice, no source.
_LOOK: Mapping[FaultWord, str] = every(
    FaultWord,
    {
        "misaligned": "gauge the speed of {e}, then read an alignment disk in it",
        "off-speed": "gauge the speed of {e}, then read an alignment disk in it",
        "dirty-head": "look at the heads of {e} under a lamp",
        "dead-write": "measure the write current of {e}",
        "dead-read": "look at the head signal of {e} at its test point",
        "worn-surface": "look at side {s} of {e} under slanting light",
        "damaged-band": "look at side {s} of {e} under slanting light",
        "bad-lead": "put one known to be good in place of {e}",
        "wrong-medium": "read the label of {e} for its class of medium",
        "old-recording-underneath": "erase a disk in bulk, record it in {e}, and read it elsewhere",
        "set-up": "put another in the place of {e}, all else unchanged",
    },
)


@dataclass(frozen=True, slots=True)
class Weight:
    """What one trial says for a cause against another explanation; negative when it speaks against."""

    trial: str
    nats: float

    def to_json_dict(self) -> dict[str, Any]:
        """In decibels, ten times the decimal logarithm of the likelihood ratio, and in bits."""
        return {
            "trial": self.trial,
            "decibels": round(self.nats * DECIBELS_A_NAT, 1),
            "bits": round(self.nats * BITS_A_NAT, 2),
        }


@dataclass(frozen=True, slots=True)
class Group:
    """Causes that no trial on this bench could part, and what would.

    Attributes:
        causes: each a set of faults, likeliest first.
        probability: of all of them.
        measure: the measurement that would part them.
    """

    causes: tuple[frozenset[Fault], ...]
    probability: float
    measure: str


def weights(bench: Bench, mine: Floats, rival: Floats, most: int = 20) -> tuple[Weight, ...]:
    """The trials that part a cause from its rival, weightiest first; rows of one trial are one."""
    by_trial: dict[str, float] = {}
    for row, nats in enumerate((mine - rival).tolist()):
        name = bench.trials[row].trial
        by_trial[name] = by_trial.get(name, 0.0) + nats
    strongest = sorted(by_trial, key=lambda name: (-abs(round(by_trial[name], 3)), list(by_trial).index(name)))
    return tuple(Weight(name, by_trial[name]) for name in strongest[:most] if abs(by_trial[name]) > 0.05)


def row_words(bench: Bench, name: str) -> str:
    """One trial in a few words, as `T5 (117 of 117 failed, read of K1 side 0 in D2.0)`."""
    rows = [t for t in bench.trials[: bench.done] if t.trial == name]
    failed, tried, one = sum(t.sectors_failed for t in rows), sum(t.sectors_tried for t in rows), rows[0]
    return f"{name} ({failed} of {tried} failed, {one.operation} of {one.disk} side {one.side} in {one.mechanism})"


def rival_needs(bench: Bench, told: Sequence[Weight], in_all: float, rival: frozenset[Fault], *, alike: bool) -> str:
    """What would have to be true for the rival to be right after all.

    Args:
        told: the trials that part the two; in_all: nats of every trial together.
        alike: whether the rival is about as probable.
    """
    strongest = [w for w in told if w.nats * DECIBELS_A_NAT >= 1][:_NAMED]
    words = hypothesis_words(rival)
    if not strongest or in_all * DECIBELS_A_NAT < 1:
        one, it = ("explain", "together they are") if len(rival) > 1 else ("explains", "it is")
        return f"{words} {one} the trials as well{'' if alike else f'; {it} only met less often'}."
    rows = ", ".join(f"{row_words(bench, w.trial)} at {w.nats * DECIBELS_A_NAT:.0f} dB" for w in strongest)
    total = in_all * DECIBELS_A_NAT
    if not rival:
        return f"Were nothing at fault, it would have to be chance: {rows}; {total:.0f} dB in all."
    return f"For {words} to be right instead, these would have to be chance: {rows}; {total:.0f} dB in all."


def groups(
    likely: Sequence[tuple[frozenset[Fault], float]], outcomes: Floats | None, least: float = 0.01
) -> tuple[Group, ...]:
    """Causes that no candidate trial parts, in groups of at least two.

    Args:
        likely: hypotheses with their probability, likeliest first.
        outcomes: (hypotheses, candidates, outcomes); None when no trial is possible.
    """
    told = [(i, h, p) for i, (h, p) in enumerate(likely) if p >= least and h]
    head = {i: i for i, _, _ in told}

    def top(i: int) -> int:
        while head[i] != i:
            i = head[i]
        return i

    for (i, _, _), (j, _, _) in combinations(told, 2):
        bits = 0.0
        if outcomes is not None and outcomes.shape[1]:
            bits = float(expected_bits(np.array([0.5, 0.5]), outcomes[[i, j]]).max())
        if bits < _ALIKE_BITS:
            head[max(top(i), top(j))] = min(top(i), top(j))
    found = []
    for first in sorted({top(i) for i, _, _ in told}):
        members = [(h, p) for i, h, p in told if top(i) == first]
        if len(members) > 1 or any(f.fault == "misaligned" for h, _ in members for f in h):
            causes = tuple(h for h, _ in members)
            found.append(Group(causes, sum(p for _, p in members), _measure(causes)))
    return tuple(found)


def _look(fault: Fault) -> str:
    if fault.condition:
        return f"try {fault.element} {fault.condition.otherwise}"
    return _LOOK[fault.fault].format(e=fault.element, s=fault.side)


def _measure(causes: Sequence[frozenset[Fault]]) -> str:
    """What to look at: whatever the causes do not share, and for a drive out of step its speed."""
    shared = frozenset.intersection(*causes)
    apart = {f for h in causes for f in (h if len(causes) == 1 else h - shared)}
    apart = {f for f in apart if len(causes) > 1 or f.fault == "misaligned"}
    looks = [_look(f) for f in sorted(apart)]
    return "; or ".join(dict.fromkeys(looks))
