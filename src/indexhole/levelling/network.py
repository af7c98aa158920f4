"""Levelling networks: differences between mechanisms, adjusted by weighted least squares.

docs/networks.md has the mathematics and its sources. A node is anything that has a place on one axis (um from the true
centre line, percent of speed, us of index): a mechanism, an alignment disk, a recording as it came.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from indexhole.errors import InputFault
from indexhole.levelling.datum import Datum, mean_weights, moved_to_mean
from indexhole.levelling.least_squares import Solution, least_squares
from indexhole.model.distributions import chi2_tail, chi2_upper

Floats = npt.NDArray[np.float64]

# Below this an error hides from its own residual: nothing else observes what the tie does.
UNCHECKED = 1e-7
# Two-sided level of the test of the whole network.
GLOBAL_LEVEL = 0.05


@dataclass(frozen=True, slots=True)
class Tie:
    """One observed difference: `end` stands `value` above `start`.

    Attributes:
        name: by which it is told; unique in a network.
        uncertainty: standard, above 0, in the unit of the value.
        source: where it comes from, in words.
        unsigned: the direction is not known; `value` is then not below 0 (see signs.py).
        when: the day it was measured, or only its month or year; "" when it is not known.
    """

    name: str
    start: str
    end: str
    value: float
    uncertainty: float
    source: str = ""
    unsigned: bool = False
    when: str = ""


@dataclass(frozen=True, slots=True)
class Part:
    """One connected part of a network, adjusted.

    Attributes:
        nodes: in order of name.
        held: those of them the datum holds; empty for a free part, told against a mean.
        place, covariance: (n,), (n, n) adjusted, with the uncertainties as given; a held node has variance 0.
        ties: (m) the observations, in the order given.
        residual: (m,) observed less adjusted.
        redundancy: (m,) 0 (unchecked) to 1.
        basis: (m, u) as in `Solution`.
        weighted_square, freedom: of the residuals.
    """

    nodes: tuple[str, ...]
    held: frozenset[str]
    place: Floats
    covariance: Floats
    ties: tuple[Tie, ...]
    residual: Floats
    redundancy: Floats
    basis: Floats
    weighted_square: float
    freedom: int

    @property
    def variance_factor(self) -> float:
        """Weighted square over freedom; nan without freedom."""
        return self.weighted_square / self.freedom if self.freedom else math.nan

    @property
    def uncertainty(self) -> Floats:
        """(n,) standard uncertainty of the places."""
        root: Floats = np.sqrt(np.clip(np.diag(self.covariance), 0.0, None))
        return root

    def index(self, node: str) -> int:
        """Where a node stands in `nodes`. Raises ValueError for one of another part."""
        return self.nodes.index(node)

    def contrast(self, weights: Floats) -> tuple[float, float]:
        """Value and standard uncertainty of a weighted sum of places, (n,)."""
        return float(weights @ self.place), math.sqrt(max(0.0, float(weights @ self.covariance @ weights)))

    def weights(self, of: Mapping[str, float]) -> Floats:
        """(n,) weights for `contrast`, by node."""
        weights = np.zeros(len(self.nodes))
        for node, weight in of.items():
            weights[self.index(node)] += weight
        return weights

    def difference(self, start: str, end: str) -> tuple[float, float]:
        """How far `end` stands above `start`, with its standard uncertainty."""
        return self.contrast(self.weights({end: 1.0}) - self.weights({start: 1.0}))

    def sensitivity(self, weights: Floats, tie: int) -> float:
        """By how much a weighted sum of places grows for each unit that the value of one tie (its number) grows."""
        observed = self.ties[tie]
        along = self.weights({observed.end: 1.0}) - self.weights({observed.start: 1.0})
        return float(weights @ self.covariance @ along) / observed.uncertainty**2

    def global_test(self, level: float = GLOBAL_LEVEL) -> tuple[float, float, float]:
        """Bounds of the weighted square that right uncertainties keep to, and the chance of one at least as large.

        Chi-square, two-sided at `level`; nan without freedom.
        """
        if not self.freedom:
            return math.nan, math.nan, math.nan

        low, high = (chi2_upper(share, self.freedom) for share in (1 - level / 2, level / 2))
        return low, high, chi2_tail(self.weighted_square, self.freedom)


def parts_of(ties: Iterable[Tie], nodes: Iterable[str] = (), held: Iterable[str] = ()) -> list[tuple[str, ...]]:
    """Nodes that ties connect, each part in order of name, the largest first; all held nodes are in one part."""
    leader: dict[str, str] = {}

    def lead(node: str) -> str:
        leader.setdefault(node, node)
        while leader[node] != node:
            leader[node] = leader[leader[node]]
            node = leader[node]
        return node

    for tie in ties:
        leader[lead(tie.start)] = lead(tie.end)
    known_held = [node for node in held if node in leader]
    for node in known_held[1:]:
        leader[lead(node)] = lead(known_held[0])
    found: dict[str, list[str]] = {}
    for node in sorted({*leader, *nodes}):
        found.setdefault(lead(node), []).append(node)
    return sorted((tuple(part) for part in found.values()), key=lambda part: (-len(part), part))


def adjust(ties: Sequence[Tie], datum: Datum | None = None) -> tuple[Part, ...]:
    """Adjust a network, each connected part by itself, the largest first.

    Raises InputFault for a tie with an uncertainty that is none, from a node to itself, or not signed.
    """
    datum = datum or Datum()
    _check(ties)
    parts = []
    for nodes in parts_of(ties, held=datum.held):
        members = set(nodes)
        parts.append(_adjust_part(nodes, tuple(t for t in ties if t.start in members), datum))
    return tuple(parts)


def _check(ties: Sequence[Tie]) -> None:
    names: set[str] = set()
    for tie in ties:
        where = f"measurement {tie.name}"
        if not (math.isfinite(tie.value) and math.isfinite(tie.uncertainty) and tie.uncertainty > 0):
            raise InputFault("needs a value and a standard uncertainty above 0", where=where)
        if tie.start == tie.end:
            raise InputFault(f"goes from {tie.start} to itself", where=where, remedy="name two different things")
        if tie.unsigned:
            raise InputFault("has no direction", where=where, remedy="settle the signs first")
        if tie.name in names:
            raise InputFault("stands there twice", where=where, remedy="give each measurement its own name")
        names.add(tie.name)


def _adjust_part(nodes: tuple[str, ...], ties: tuple[Tie, ...], datum: Datum) -> Part:
    held = {node: datum.held[node] for node in nodes if node in datum.held}
    # in a free part any one node may stand still while the shape is found
    still = held or {nodes[0]: 0.0}
    column = {node: k for k, node in enumerate(n for n in nodes if n not in still)}
    matrix, wanted = np.zeros((len(ties), len(column))), np.zeros(len(ties))
    for row, tie in enumerate(ties):
        wanted[row] = tie.value
        for node, sign in ((tie.end, 1.0), (tie.start, -1.0)):
            if node in still:
                wanted[row] -= sign * still[node]
            else:
                matrix[row, column[node]] = sign
    try:
        solved = least_squares(matrix, wanted, np.array([tie.uncertainty for tie in ties]))
    except ValueError as fault:
        raise InputFault(
            "uncertainties of the ties differ too much to be adjusted together",
            where=f"{ties[0].name} and {len(ties) - 1} more",
            remedy="look for one stated far too small or too large",
        ) from fault
    place, covariance = _with_still(nodes, still, column, solved)
    if not held:
        place, covariance = moved_to_mean(place, covariance, mean_weights(nodes, datum))
    return Part(
        nodes=nodes,
        held=frozenset(held),
        place=place,
        covariance=covariance,
        ties=ties,
        residual=solved.residual,
        redundancy=solved.redundancy,
        basis=solved.basis,
        weighted_square=solved.weighted_square,
        freedom=solved.freedom,
    )


def _with_still(
    nodes: tuple[str, ...], still: dict[str, float], column: dict[str, int], solved: Solution
) -> tuple[Floats, Floats]:
    """Places and covariance of all nodes, those that stood still among them."""
    moving = [k for k, node in enumerate(nodes) if node not in still]
    place, covariance = np.zeros(len(nodes)), np.zeros((len(nodes), len(nodes)))
    for k, node in enumerate(nodes):
        if node in still:
            place[k] = still[node]
    assert len(moving) == len(column)
    place[moving] = solved.values
    covariance[np.ix_(moving, moving)] = solved.covariance
    return place, covariance
