"""What a keeper would do about each cause, and whether more trials could still change it."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from indexhole.causes.faults.hypotheses import Fault, FaultWord
from indexhole.kinds import every

Floats = npt.NDArray[np.float64]
Decision = frozenset[str]

# What is done about each fault. Faults with the same remedy need not be told apart. Common practice, no source.
_REMEDY: Mapping[FaultWord, str] = every(
    FaultWord,
    {
        "misaligned": "gauge the speed of {e}, then its alignment, and set what is out",
        "off-speed": "gauge the speed of {e}, then its alignment, and set what is out",
        "dirty-head": "clean the heads of {e}",
        "dead-write": "look into the write path of {e}, and write nothing with it",
        "dead-read": "look into the read path of {e}",
        "worn-surface": "copy what can be read from {e} and retire it",
        "damaged-band": "copy what can be read from {e} and retire it",
        "bad-lead": "replace {e}",
        "wrong-medium": "record nothing more on {e}, and copy what it holds",
        "old-recording-underneath": "erase in bulk before {e} records",
        "set-up": "check cabling, layout and settings of {e}",
    },
)
# The same once the speed of a mechanism has been gauged. Common practice, no source.
_GAUGED_REMEDY: dict[FaultWord, str] = {
    "misaligned": "set the head of {e} by an alignment disk",
    "off-speed": "set the speed of {e}",
}
NOTHING = "nothing"
SETTLED = 0.95
_CHANGES = 0.02  # chance of an outcome below which it does not count that it would change the decision


@dataclass(frozen=True, slots=True)
class Advice:
    """What to do as things stand.

    Attributes:
        do: the remedies, empty when nothing need be done.
        probability: of all causes that ask for just this.
        settled: whether it is so sure, or so fixed, that no further trial is worth its time.
        why: in words.
    """

    do: tuple[str, ...]
    probability: float
    settled: bool
    why: str

    @property
    def sure(self) -> bool:
        """Whether the trials leave little doubt of it."""
        return self.probability >= SETTLED

    def to_json_dict(self) -> dict[str, Any]:
        """As `causes --json` gives it."""
        return {"do": list(self.do), "probability": self.probability, "settled": self.settled, "why": self.why}


def decision_of(faults: frozenset[Fault], gauged: Collection[str] = ()) -> Decision:
    """What a hypothesis asks for; `gauged` are mechanisms whose speed is known."""
    # a noted set-up is told in the keeper's words, which may hold braces
    return frozenset(_remedy(f, gauged).replace("{e}", f.element) for f in faults)


def _remedy(fault: Fault, gauged: Collection[str]) -> str:
    if fault.condition:
        return fault.condition.remedy
    return (_GAUGED_REMEDY if fault.element in gauged and fault.fault in _GAUGED_REMEDY else _REMEDY)[fault.fault]


def advise(
    hypotheses: Sequence[frozenset[Fault]], weight: Floats, outcomes: Floats | None, gauged: Collection[str] = ()
) -> Advice:
    """What to do, and whether any trial could change it.

    Args:
        weight: (hypotheses,), sums to one.
        outcomes: (hypotheses, candidates, outcomes) chances of each candidate trial; None when none is possible.
        gauged: mechanisms whose speed is known.
    """
    decisions = [decision_of(h, gauged) for h in hypotheses]
    kinds = sorted(
        set(decisions), key=lambda d: (-sum(w for w, x in zip(weight, decisions, strict=True) if x == d), sorted(d))
    )
    member = np.array([[float(x == d) for x in decisions] for d in kinds])
    share = member @ weight
    best = kinds[0]
    probability = float(share[0])
    if probability >= SETTLED:
        return Advice(tuple(sorted(best)), probability, True, "the trials leave little doubt of it")
    if outcomes is None or outcomes.shape[1] == 0:
        return Advice(tuple(sorted(best)), probability, True, "no trial on this bench could change it")
    joint = np.einsum("dh,h,hco->dco", member, weight, outcomes)
    changes = (joint.argmax(axis=0) != 0) & (joint.sum(axis=0) > _CHANGES)
    if not changes.any():
        return Advice(tuple(sorted(best)), probability, True, "no single trial on this bench is likely to change it")
    return Advice(tuple(sorted(best)), probability, False, "a further trial may still change it")
