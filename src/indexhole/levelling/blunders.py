"""Data snooping: which observation of a network does not fit, and how large a blunder would have been found.

Baarda, A testing procedure for use in geodetic networks (1968), from memory; uncertainties are taken as known. Nothing
is ever removed in silence: what is found is a proposal.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from indexhole.levelling.datum import Datum
from indexhole.levelling.network import UNCHECKED, Part, Tie, adjust
from indexhole.model.distributions import normal_quantile, normal_upper

Floats = npt.NDArray[np.float64]

# Baarda's usual level of one test and power: critical value 3.29, shift 4.13.
LEVEL, POWER = 0.001, 0.80
# Residuals correlated as closely as this rise and fall together: which of their ties blundered cannot be told.
_SAME = 0.9999


@dataclass(frozen=True, slots=True)
class Check:
    """How one tie fits, and what of its errors could be seen.

    Attributes:
        tie: the tie.
        residual: observed less adjusted.
        redundancy: 0 (unchecked) to 1.
        w: residual over its own standard deviation, nan when unchecked.
        smallest_found: blunder that the test finds with the stated power, infinite when unchecked.
    """

    tie: Tie
    residual: float
    redundancy: float
    w: float
    smallest_found: float


@dataclass(frozen=True, slots=True)
class Suspect:
    """A blunder proposed.

    Attributes:
        ties: names of the ties any one of which would explain it; one name when it can be told.
        w: of the test, in the network without the suspects named before it.
        error, error_uncertainty: by how much the first tie would be wrong (observed less right).
    """

    ties: tuple[str, ...]
    w: float
    error: float
    error_uncertainty: float


@dataclass(frozen=True, slots=True)
class Snooping:
    """What data snooping proposes.

    Attributes:
        suspects: in the order found.
        without: the network adjusted without the first tie of each suspect; None when there is no suspect.
    """

    suspects: tuple[Suspect, ...]
    without: tuple[Part, ...] | None


def critical_value(level: float = LEVEL) -> float:
    """|w| above which a tie is suspected, two-sided: 3.29 for a level of 0.001."""
    return normal_upper(level / 2)


def found_shift(level: float = LEVEL, power: float = POWER) -> float:
    """Mean of w at which the test finds a blunder with that power (the far tail left out, as is usual): 4.13."""
    return critical_value(level) + normal_quantile(power)


def checks(part: Part, level: float = LEVEL, power: float = POWER) -> tuple[Check, ...]:
    """The w-test of every tie of a part, in its order."""
    shift = found_shift(level, power)
    found = []
    for tie, residual, redundancy in zip(part.ties, part.residual.tolist(), part.redundancy.tolist(), strict=True):
        seen = redundancy > UNCHECKED
        root = redundancy**0.5
        w = residual / (tie.uncertainty * root) if seen else float("nan")
        smallest = tie.uncertainty * shift / root if seen else float("inf")
        found.append(Check(tie, residual, redundancy, w, smallest))
    return tuple(found)


def _alike(part: Part, chosen: int) -> list[int]:
    """Ties whose test says the same as that of one tie, by the correlation of their w."""
    hidden = part.basis @ part.basis[chosen]
    hidden[chosen] -= 1.0  # minus a column of the cofactors of the whitened residuals
    root = np.sqrt(np.where(part.redundancy > UNCHECKED, part.redundancy, np.inf))
    correlation = -hidden / (root * root[chosen])
    return [int(k) for k in np.flatnonzero(np.abs(correlation) > _SAME)]


def _worst(parts: Sequence[Part], critical: float) -> Suspect | None:
    worst: Suspect | None = None
    for part in parts:
        told = checks(part)
        size = [abs(c.w) if c.redundancy > UNCHECKED else 0.0 for c in told]
        if not size or max(size) <= max(critical, abs(worst.w) if worst else 0.0):
            continue
        k = int(np.argmax(size))
        first = told[k]
        others = [told[j].tie.name for j in _alike(part, k) if j != k]
        worst = Suspect(
            ties=(first.tie.name, *others),
            w=first.w,
            error=first.residual / first.redundancy,
            error_uncertainty=first.tie.uncertainty / first.redundancy**0.5,
        )
    return worst


def snoop(ties: Sequence[Tie], datum: Datum | None = None, level: float = LEVEL) -> Snooping:
    """Find blunders one after the other, the worst first, adjusting anew without each, until every tie fits.

    Ties that no test can tell apart leave the same network whichever of them is taken away, so going on without the
    first of them loses nothing.
    """
    critical = critical_value(level)
    held = list(ties)
    suspects: list[Suspect] = []
    parts = adjust(held, datum)
    while (suspect := _worst(parts, critical)) is not None:
        suspects.append(suspect)
        held = [tie for tie in held if tie.name != suspect.ties[0]]
        parts = adjust(held, datum)
    return Snooping(tuple(suspects), parts if suspects else None)
