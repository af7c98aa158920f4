"""What a budget says: verdict, chance, terms, margins along the cylinders, remedies, and the risk to the disk."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal, get_args

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Verdict = Literal["works", "doubtful", "fails", "unproven"]
Group = Literal["fit", "position", "old recording", "magnetics", "timing", "code and format", "volume"]
WriteRisk = Literal["free", "ask", "never"]
ReadRisk = Literal["none", "some", "stop"]
GROUPS: tuple[Group, ...] = get_args(Group)


def signed(value: float, places: int = 0) -> str:
    """A number with its sign; what rounds to nothing has none."""
    shown = round(value, places)
    return f"{shown:+.{places}f}" if shown else f"{0:.{places}f}"


@dataclass(frozen=True, slots=True)
class Fact:
    """A figure the answer rests on, with its source and mark (see standards/figures.py).

    `value` is None where no source gives it; the answer then spreads over what is thinkable and says so.
    """

    name: str
    value: float | None
    unit: str
    mark: str
    source: str


@dataclass(frozen=True, slots=True)
class Term:
    """One of the seven groups.

    Attributes:
        margin: room left in `unit`, negative when overdrawn; None where there is nothing to measure.
        uncertainty: standard deviation of the margin over what is not known.
        unit: um, dB, fraction of the half window, bytes, cylinders or "".
        cost: chance of a whole disk that this group takes away; costs and `Budget.chance` add up to 1.
        verdict: of this group alone.
        words: what it says, one or two sentences.
        facts: figures it rests on, with marks.
    """

    group: Group
    margin: float | None
    uncertainty: float | None
    unit: str
    cost: float
    verdict: Verdict
    words: str
    facts: tuple[Fact, ...] = ()


@dataclass(frozen=True, slots=True)
class Curve:
    """Margins along the disk; every array has one entry a track, shape (tracks,).

    Attributes:
        cylinder, side: which track.
        failure: chance that one of its sectors is lost, mean over what is not known.
        position_um, position_sd_um: how much further aside the head may stand, and its standard deviation.
        timing, timing_sd: share of the half window left at one error in 10^9.

    Either margin is what is left when all other groups are right, as in the terms; the term's is that of the worst
    track of each draw.
    """

    cylinder: Ints
    side: Ints
    failure: Floats
    position_um: Floats
    position_sd_um: Floats
    timing: Floats
    timing_sd: Floats


@dataclass(frozen=True, slots=True)
class Remedy:
    """Something that helps: `kind` names it for programs, `words` for the keeper."""

    kind: str
    words: str
    chance: float
    chance_error: float


@dataclass(frozen=True, slots=True)
class Risk:
    """What may happen to the disk itself.

    Attributes:
        write: "free", "ask" (other data are lost) or "never".
        read: "none", "some" or "stop" (even reading is a risk).
        words: why, and the cautions that go with it.
    """

    write: WriteRisk
    read: ReadRisk
    words: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Budget:
    """The whole answer.

    Attributes:
        verdict, why: in a word, and the reason in a sentence.
        chance: that a whole disk (every sector of the layout) reads without a lost sector.
        chance_error: standard error of `chance` by sampling alone.
        samples: draws it rests on.
        limiting: the group that limits; None when nothing does.
        terms: one for each group, in the order of GROUPS.
        curve: margins along the disk; without tracks when the disk does not fit at all.
        remedies: best first; each with the chance after it. Never a write to an irreplaceable disk.
        risk: to the disk, apart from whether it works.
        notes: what the keeper should expect, such as a first access that fails.
        evidence: what was measured or tried, in words; empty when the answer rests on classes alone.
    """

    operation: str
    verdict: Verdict
    why: str
    chance: float
    chance_error: float
    samples: int
    limiting: Group | None
    terms: tuple[Term, ...]
    curve: Curve
    remedies: tuple[Remedy, ...]
    risk: Risk
    notes: tuple[str, ...] = ()
    evidence: tuple[str, ...] = ()

    def term(self, group: Group) -> Term:
        """The term of a group."""
        return self.terms[GROUPS.index(group)]
