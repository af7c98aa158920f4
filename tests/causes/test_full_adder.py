"""The full adder of Reiter, A theory of diagnosis from first principles (Artificial Intelligence 32, 1987).

From memory. Two exclusive-or gates X1 and X2, two and gates A1 and A2, one or gate O1. With inputs 1, 0, 1 the sum
should be 0 and the carry 1; 1 and 0 were observed. Its conflicts are {X1, X2} and {X1, A2, O1}, its diagnoses {X1},
{X2, O1} and {X2, A2}.
"""

from __future__ import annotations

from itertools import product

import numpy as np
import pytest

from indexhole.causes.ranking.engine import (
    explaining_posterior,
    log_prior,
    minimal_conflicts,
    minimal_sets,
    subsets_up_to,
)

GATES = ("A1", "A2", "O1", "X1", "X2")
INPUTS, OBSERVED = (1, 0, 1), (1, 0)


def consistent(faulty: frozenset[str]) -> bool:
    """Whether some outputs of the faulty gates give what was observed."""
    a, b, carried = INPUTS
    order = sorted(faulty)
    for guess in product((0, 1), repeat=len(order)):
        wrong = dict(zip(order, guess, strict=True))
        x1 = wrong.get("X1", a ^ b)
        a1 = wrong.get("A1", a & b)
        a2 = wrong.get("A2", carried & x1)
        if (wrong.get("X2", x1 ^ carried), wrong.get("O1", a1 | a2)) == OBSERVED:
            return True
    return False


def test_conflicts_and_diagnoses_are_the_published_ones() -> None:
    assert set(minimal_conflicts(GATES, consistent)) == {frozenset({"X1", "X2"}), frozenset({"X1", "A2", "O1"})}
    diagnoses = set(minimal_sets(h for h in subsets_up_to(GATES, len(GATES)) if consistent(h)))
    assert diagnoses == {frozenset({"X1"}), frozenset({"X2", "O1"}), frozenset({"X2", "A2"})}


def test_the_single_gate_is_likelier_than_the_pairs_by_one_fault() -> None:
    hypotheses = subsets_up_to(GATES, len(GATES))
    likelihood = np.where([consistent(h) for h in hypotheses], 0.0, -np.inf)
    weight = explaining_posterior(hypotheses, log_prior(hypotheses, dict.fromkeys(GATES, 0.01)), likelihood)
    told = {h: w for h, w in zip(hypotheses, weight, strict=True) if w > 0}
    assert set(told) == {frozenset({"X1"}), frozenset({"X2", "O1"}), frozenset({"X2", "A2"})}
    assert told[frozenset({"X2", "A2"})] / told[frozenset({"X1"})] == pytest.approx(0.01 / 0.99)
