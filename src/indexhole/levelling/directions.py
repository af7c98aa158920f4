"""Which way unsigned differences point, as far as the network says.

Counts of failed sectors, or two lobes seen without noting which was the smaller, tell how far but not which way. Every
choice of directions is weighed by how well the whole network then fits, exp(-weighted square / 2). Ties that hang
together in that square make a block. Where the network decides a block's directions they are settled; where it decides
them only against each other, the block is a picture and its mirror image, of which one is shown and both are told; and
a tie undecided even then keeps the mean and variance of both ways together.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
from scipy.sparse.csgraph import connected_components
from scipy.special import softmax

from indexhole.levelling.least_squares import least_squares
from indexhole.levelling.network import Tie, parts_of

Floats = npt.NDArray[np.float64]

# A direction is settled when the other one is less likely than this.
_DOUBT = 0.01
# Blocks up to this size are weighed whole; larger ones by descents from seeded starts, which may miss some choices.
MOST_WHOLE = 12
_STARTS, _SEED = 400, 20260301
_NOTHING = 1e-9


@dataclass(frozen=True, slots=True)
class Settled:
    """Ties with their directions as far as they are known.

    Attributes:
        ties: all of them, signed, in the order given.
        unsure: names of those that keep both ways.
        mirrored: blocks of names whose ties may all be turned round together.
    """

    ties: tuple[Tie, ...]
    unsure: frozenset[str]
    mirrored: tuple[frozenset[str], ...]


def settle_signs(ties: Sequence[Tie]) -> Settled:
    """Settle the directions of unsigned ties, part by part."""
    done: dict[str, Tie] = {}
    unsure: set[str] = set()
    mirrored: list[frozenset[str]] = []
    for nodes in parts_of(ties):
        members = set(nodes)
        held = [t for t in ties if t.start in members]
        if any(t.unsigned for t in held):
            _settle_part(nodes, held, done, unsure, mirrored)
    return Settled(tuple(done.get(t.name, t) for t in ties), frozenset(unsure), tuple(mirrored))


def _settle_part(
    nodes: tuple[str, ...],
    ties: Sequence[Tie],
    done: dict[str, Tie],
    unsure: set[str],
    mirrored: list[frozenset[str]],
) -> None:
    loose = [k for k, t in enumerate(ties) if t.unsigned]
    square, lean = _square_of_signs(nodes, ties, loose)
    tied = np.abs(square) > _NOTHING * max(1.0, float(np.abs(square).max()))
    count, block = connected_components(tied, directed=False)
    for number in range(count):
        members = np.flatnonzero(block == number)
        held = [ties[loose[k]] for k in members.tolist()]
        # the tie that stands out most sets the way of a picture that may be turned round
        anchor = int(np.argmax([t.value / t.uncertainty for t in held]))
        forward, either_way = _forward(square[np.ix_(members, members)], lean[members], anchor)
        for tie, chance in zip(held, forward.tolist(), strict=True):
            done[tie.name] = _told(tie, chance)
            if min(chance, 1 - chance) > _DOUBT:
                unsure.add(tie.name)
        if either_way:
            mirrored.append(frozenset(t.name for t in held))


def _square_of_signs(nodes: tuple[str, ...], ties: Sequence[Tie], loose: list[int]) -> tuple[Floats, Floats]:
    """The weighted square as s' A s + 2 b' s + constant in the signs s (k,): A (k, k) and b (k,)."""
    column = {node: k for k, node in enumerate(nodes[1:])}
    matrix = np.zeros((len(ties), len(column)))
    for row, tie in enumerate(ties):
        for node, sign in ((tie.end, 1.0), (tie.start, -1.0)):
            if node in column:
                matrix[row, column[node]] += sign
    spread = np.array([t.uncertainty for t in ties])
    size = np.array([t.value for t in ties]) / spread
    try:
        basis = least_squares(matrix, np.zeros(len(ties)), spread).basis
    except ValueError:
        # nothing can be weighed; the adjustment will say why
        return np.eye(len(loose)), np.zeros(len(loose))
    left = np.eye(len(ties)) - basis @ basis.T
    known = np.array([0.0 if t.unsigned else s for t, s in zip(ties, size, strict=True)])
    weight = size[loose]
    return left[np.ix_(loose, loose)] * np.outer(weight, weight), (left[loose] @ known) * weight


def _forward(square: Floats, lean: Floats, anchor: int) -> tuple[Floats, bool]:
    """Chance of each sign to be +, (k,), and whether the mirror image is about as likely.

    If it is, the chances are those of the image in which the anchor's sign is the likelier one.
    """
    choices = _every(len(lean)) if len(lean) <= MOST_WHOLE else _descended(square, lean)
    fit = np.einsum("ck,kl,cl->c", choices, square, choices) + 2 * choices @ lean
    best = choices[int(fit.argmin())]
    # the image differs in what leans on signed ties only
    either_way = bool(2 * abs(float(best @ lean)) < math.log(1 / _DOUBT - 1))
    if either_way:
        way = best[anchor] if abs(float(best @ lean)) > _NOTHING else 1.0
        alike = choices[:, anchor] == way
        choices, fit = choices[alike], fit[alike]
    weight = softmax(-fit / 2)
    return np.asarray(np.clip(weight @ (choices > 0), 0.0, 1.0), dtype=np.float64), either_way


def _every(count: int) -> Floats:
    """All choices of signs, (2^k, k)."""
    bits = np.arange(2**count)[:, None] >> np.arange(count)[None, :] & 1
    signs: Floats = (1 - 2 * bits).astype(np.float64)
    return signs


def _descended(square: Floats, lean: Floats) -> Floats:
    """Good choices of signs and their neighbours, by turning one sign after another from seeded starts."""
    rng = np.random.default_rng(_SEED)
    count = len(lean)
    seen: set[tuple[float, ...]] = set()
    for start in rng.choice([-1.0, 1.0], size=(_STARTS, count)):
        signs = start.copy()
        while True:
            # what turning each sign by itself would add to the square
            added = -4 * signs * (square @ signs + lean) + 4 * np.diag(square)
            best = int(added.argmin())
            if added[best] >= 0:
                break
            signs[best] *= -1
        if (key := tuple(signs.tolist())) not in seen:
            seen.add(key)
            for k in range(count):
                signs[k] *= -1
                seen.add(tuple(signs.tolist()))
                signs[k] *= -1
    return np.array(sorted(seen))


def _told(tie: Tie, forward: float) -> Tie:
    """The tie with one direction, or with the mean and variance of both."""
    if min(forward, 1 - forward) <= _DOUBT:
        return replace(tie, value=tie.value if forward > 0.5 else -tie.value, unsigned=False)
    mean = (2 * forward - 1) * tie.value
    spread = float(np.sqrt(tie.uncertainty**2 + 4 * forward * (1 - forward) * tie.value**2))
    return replace(tie, value=mean, uncertainty=spread, unsigned=False)
