"""A small general engine of diagnosis: hypotheses, posterior, minimal diagnoses, best next measurement.

It knows nothing of disks: a part that may be at fault is any hashable key, a hypothesis is the set of parts at
fault. Source: de Kleer and Williams, Diagnosing multiple faults, Artificial Intelligence 32 (1987).
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Hashable, Iterable, Mapping, Sequence
from itertools import combinations
from typing import TypeVar

import numpy as np
import numpy.typing as npt
from scipy.special import softmax

Part = TypeVar("Part", bound=Hashable)
Floats = npt.NDArray[np.float64]


def subsets_up_to(parts: Collection[Part], most: int) -> list[frozenset[Part]]:
    """Every set of at most `most` parts, smallest first; the empty one means that nothing is at fault."""
    sizes = range(min(most, len(parts)) + 1)
    return [frozenset(chosen) for size in sizes for chosen in combinations(parts, size)]


def minimal_sets(sets: Iterable[frozenset[Part]]) -> list[frozenset[Part]]:
    """Those of `sets` that have no proper subset among them, smallest first."""
    kept: list[frozenset[Part]] = []
    for one in sorted(set(sets), key=len):
        if not any(smaller < one for smaller in kept):
            kept.append(one)
    return kept


def minimal_conflicts(parts: Collection[Part], consistent: Callable[[frozenset[Part]], bool]) -> list[frozenset[Part]]:
    """Smallest sets of parts that cannot all be sound.

    Args:
        consistent: whether the evidence allows that exactly the given parts may misbehave.
    """
    every = frozenset(parts)
    return minimal_sets(sound for sound in subsets_up_to(parts, len(parts)) if not consistent(every - sound))


def log_prior(hypotheses: Sequence[frozenset[Part]], fault_probability: Mapping[Part, float]) -> Floats:
    """Log prior of each hypothesis when parts fail independently of each other, shape (hypotheses,)."""
    odds = {part: np.log(p) - np.log1p(-p) for part, p in fault_probability.items()}
    nothing = sum(np.log1p(-p) for p in fault_probability.values())
    return np.array([nothing + sum(odds[part] for part in h) for h in hypotheses], dtype=np.float64)


def plain_posterior(prior: Floats, log_likelihood: Floats) -> Floats:
    """Posterior by Bayes' rule from log prior and log likelihood, both of shape (hypotheses,); sums to one."""
    joint = prior + log_likelihood
    posterior: Floats = softmax(joint)
    return posterior


def explaining_posterior(hypotheses: Sequence[frozenset[Part]], prior: Floats, log_likelihood: Floats) -> Floats:
    """Posterior in which a hypothesis counts only for what none of its subsets explains as well.

    The weight is prior x (likelihood - largest likelihood of a proper subset in the list), never below zero.
    With likelihoods of 0 and 1 that leaves exactly the minimal diagnoses; with soft ones a part that the evidence
    says nothing about adds nothing. Shape (hypotheses,), sums to one.
    """
    place = {h: i for i, h in enumerate(hypotheses)}
    log_weight = np.full(len(hypotheses), -np.inf)
    for i, h in enumerate(hypotheses):
        below = [
            log_likelihood[place[smaller]]
            for size in range(len(h))
            for smaller in map(frozenset, combinations(h, size))
            if smaller in place
        ]
        best_below = max(below, default=-np.inf)
        if log_likelihood[i] > best_below:
            log_weight[i] = prior[i] + log_likelihood[i] + np.log(-np.expm1(best_below - log_likelihood[i]))
    posterior: Floats = softmax(log_weight)
    return posterior


def entropy_bits(probability: Floats) -> Floats:
    """Entropy over the last axis, bits."""
    safe = np.where(probability > 0, probability, 1.0)
    bits: Floats = -(probability * np.log2(safe)).sum(axis=-1)
    return bits


def expected_bits(posterior: Floats, outcomes: Floats) -> Floats:
    """Bits a measurement is expected to tell: entropy of its outcome less what remains within each hypothesis.

    Args:
        posterior: (hypotheses,), sums to one.
        outcomes: (hypotheses, ..., outcomes), the chance of each outcome under each hypothesis.

    Returns:
        (...): one number for each measurement.
    """
    between = entropy_bits(np.tensordot(posterior, outcomes, axes=1))
    within = np.tensordot(posterior, entropy_bits(outcomes), axes=1)
    bits: Floats = np.maximum(0.0, between - within)
    return bits
