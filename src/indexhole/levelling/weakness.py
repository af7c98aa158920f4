"""Where a network is weak, and which one further measurement would help most (rank-one update of the covariance)."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np
import numpy.typing as npt

from indexhole.levelling.network import UNCHECKED, Part, Tie

Floats = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class WeakTie:
    """A tied pair, how well its difference is known after adjustment, and whether anything else checks it."""

    tie: Tie
    uncertainty: float
    unchecked: bool


@dataclass(frozen=True, slots=True)
class Wanted:
    """A further measurement.

    Attributes:
        start, end: between which.
        uncertainty: the standard uncertainty it was supposed to have.
        before, after: root mean square uncertainty of the wanted places, now and with it; `before` is infinite when
            nothing connects the two.
    """

    start: str
    end: str
    uncertainty: float
    before: float
    after: float


def weakest(part: Part) -> tuple[WeakTie, ...]:
    """The ties, worst known difference first; an unchecked one (nothing goes round it) before a checked one."""
    found = [
        WeakTie(tie, part.difference(tie.start, tie.end)[1], bool(redundancy <= UNCHECKED))
        for tie, redundancy in zip(part.ties, part.redundancy, strict=True)
    ]
    return tuple(sorted(found, key=lambda weak: (not weak.unchecked, -weak.uncertainty, weak.tie.name)))


def best_next(
    parts: Sequence[Part], wanted: Sequence[str], uncertainty: Callable[[str, str], float | None]
) -> Wanted | None:
    """The pair whose measurement lowers the uncertainty of the wanted places most.

    Args:
        wanted: nodes whose places matter.
        uncertainty: what a measurement between two nodes would have, None when it cannot be made.

    Two parts that each hold a wanted node and that something can be measured between are joined first, where their
    places are known best.
    """
    holding = [p for p in parts if set(p.nodes) & set(wanted)]
    joints = [_joining(one, other, uncertainty) for one, other in combinations(holding, 2)]
    if possible := [j for j in joints if j is not None]:
        return min(possible, key=lambda j: (j.after, j.start, j.end))
    within = [w for part in holding if (w := _within(part, wanted, uncertainty)) is not None]
    return max(within, key=lambda w: w.before - w.after, default=None)


def _joining(one: Part, other: Part, uncertainty: Callable[[str, str], float | None]) -> Wanted | None:
    best: Wanted | None = None
    for i, start in enumerate(one.nodes):
        for j, end in enumerate(other.nodes):
            spread = uncertainty(start, end)
            if spread is None:
                continue
            square = spread**2 + float(one.covariance[i, i] + other.covariance[j, j])
            if best is None or square < best.after**2:
                best = Wanted(start, end, spread, math.inf, math.sqrt(square))
    return best


def _within(part: Part, wanted: Sequence[str], uncertainty: Callable[[str, str], float | None]) -> Wanted | None:
    chosen = [k for k, node in enumerate(part.nodes) if node in set(wanted)]
    covariance = part.covariance
    before = float(np.trace(covariance[np.ix_(chosen, chosen)])) / len(chosen)
    best: Wanted | None = None
    for i, start in enumerate(part.nodes):
        # gain[j]: what of the wanted variances a tie from i to j would take away, but for its own uncertainty
        gain = np.square(covariance[chosen, i][:, None] - covariance[chosen]).sum(axis=0)
        square = covariance[i, i] + np.diag(covariance) - 2 * covariance[i]
        for j in range(i + 1, len(part.nodes)):
            spread = uncertainty(start, part.nodes[j])
            if spread is None:
                continue
            left = before - float(gain[j]) / (spread**2 + float(square[j])) / len(chosen)
            if best is None or left < best.after**2 * (1 - 1e-12):
                best = Wanted(start, part.nodes[j], spread, math.sqrt(before), math.sqrt(max(0.0, left)))
    return best
