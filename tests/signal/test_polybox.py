"""The polybox of de Kleer and Williams (1987) on the engine that trial diagnosis runs on (facts table, section 7d).

Three multipliers and two adders: X = A C, Y = B D, Z = C E, F = X + Y, G = Y + Z with A..E = 3 2 2 3 3.
F = 10 and G = 12 were observed where 12 and 12 were expected.
"""

from __future__ import annotations

import numpy as np
import pytest

from indexhole.causes.ranking.engine import (
    expected_bits,
    explaining_posterior,
    log_prior,
    minimal_conflicts,
    minimal_sets,
    plain_posterior,
    subsets_up_to,
)

PARTS = ("A1", "A2", "M1", "M2", "M3")
INPUTS = {"X": 3 * 2, "Y": 2 * 3, "Z": 2 * 3}
MULTIPLIERS = {"M1": "X", "M2": "Y", "M3": "Z"}
ADDERS = {"A1": ("X", "Y", "F"), "A2": ("Y", "Z", "G")}
OBSERVED = {"F": 10, "G": 12}

Faulty = frozenset[str]


def values(faulty: Faulty, measured: dict[str, int] | None = None) -> dict[str, int] | None:
    """What follows when all but the faulty parts work: known values, or None on a contradiction."""
    known = {**OBSERVED, **(measured or {})}
    claims = {**{x: INPUTS[x] for m, x in MULTIPLIERS.items() if m not in faulty}}
    for name, value in claims.items():
        if known.setdefault(name, value) != value:
            return None
    sound_adders = [wires for a, wires in ADDERS.items() if a not in faulty]
    for _ in range(3):
        for left, right, total in sound_adders:
            for name, value in (
                (total, (known.get(left), known.get(right), 1)),
                (left, (known.get(total), known.get(right), -1)),
                (right, (known.get(total), known.get(left), -1)),
            ):
                if value[0] is None or value[1] is None:
                    continue
                derived = value[0] + value[2] * value[1]
                if known.setdefault(name, derived) != derived:
                    return None
    return known


def consistent(faulty: Faulty) -> bool:
    return values(faulty) is not None


ALL = subsets_up_to(PARTS, len(PARTS))


def weights(hypotheses: list[Faulty], *, minimal_only: bool, measured: dict[str, int] | None = None) -> np.ndarray:
    prior = log_prior(hypotheses, dict.fromkeys(PARTS, 0.01))
    fits = [values(h, measured) is not None for h in hypotheses]
    likelihood = np.where(fits, 0.0, -np.inf)
    return explaining_posterior(hypotheses, prior, likelihood) if minimal_only else plain_posterior(prior, likelihood)


def outcomes(hypotheses: list[Faulty], wire: str) -> np.ndarray:
    """Chance of each value of a wire under each hypothesis; a value nothing tells is an outcome of its own."""
    told = [(values(h) or {}).get(wire, "unknown") for h in hypotheses]
    names = sorted(set(map(str, told)))
    return np.array([[float(str(t) == name) for name in names] for t in told])


def test_27_of_32_sets_are_consistent() -> None:
    assert len(ALL) == 32
    assert sum(map(consistent, ALL)) == 27


def test_minimal_conflicts_and_diagnoses() -> None:
    conflicts = minimal_conflicts(PARTS, consistent)
    assert set(conflicts) == {frozenset({"A1", "M1", "M2"}), frozenset({"A1", "A2", "M1", "M3"})}
    diagnoses = minimal_sets(h for h in ALL if consistent(h))
    assert set(diagnoses) == {
        frozenset({"A1"}),
        frozenset({"M1"}),
        frozenset({"A2", "M2"}),
        frozenset({"M2", "M3"}),
    }
    # Every diagnosis hits every conflict.
    assert all(d & c for d in diagnoses for c in conflicts)


def test_weights_of_the_minimal_diagnoses() -> None:
    found = dict(zip(ALL, weights(ALL, minimal_only=True), strict=True))
    told = {h: w for h, w in found.items() if w > 0}
    assert set(told) == set(minimal_sets(h for h in ALL if consistent(h)))
    assert found[frozenset({"A1"})] == pytest.approx(0.495, abs=5e-4)
    assert found[frozenset({"M1"})] == pytest.approx(0.495, abs=5e-4)
    assert found[frozenset({"A2", "M2"})] == pytest.approx(0.005, abs=5e-5)
    assert found[frozenset({"M2", "M3"})] == pytest.approx(0.005, abs=5e-5)


def test_weights_of_all_27_sets() -> None:
    found = dict(zip(ALL, weights(ALL, minimal_only=False), strict=True))
    assert found[frozenset({"A1"})] == pytest.approx(0.47803, abs=5e-6)
    assert found[frozenset({"M1"})] == pytest.approx(0.47803, abs=5e-6)
    assert found[frozenset({"A2", "M2"})] == pytest.approx(0.00483, abs=5e-6)
    assert sum(w > 0 for w in found.values()) == 27


@pytest.mark.parametrize(
    ("minimal_only", "bits"),
    [
        (True, {"X": 0.99993, "Y": 0.08079, "Z": 0.04541}),
        (False, {"X": 1.04084, "Y": 0.08154, "Z": 0.04740}),
    ],
)
def test_what_a_measurement_is_expected_to_tell(minimal_only: bool, bits: dict[str, float]) -> None:
    posterior = weights(ALL, minimal_only=minimal_only)
    kept = [i for i, w in enumerate(posterior) if w > 0]
    hypotheses = [ALL[i] for i in kept]
    found = {wire: expected_bits(posterior[kept], outcomes(hypotheses, wire)) for wire in "XYZ"}
    assert found == pytest.approx(bits, abs=5e-6)
    assert max(found, key=lambda wire: found[wire]) == "X"


def test_measuring_x_settles_it() -> None:
    four = dict(zip(ALL, weights(ALL, minimal_only=True, measured={"X": 4}), strict=True))
    assert {h for h, w in four.items() if w > 0} == {frozenset({"M1"})}
    six = dict(zip(ALL, weights(ALL, minimal_only=True, measured={"X": 6}), strict=True))
    assert max(six, key=lambda h: six[h]) == frozenset({"A1"})
    assert six[frozenset({"A1"})] > 0.97
