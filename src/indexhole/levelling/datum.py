"""The datum: against what differences are told, and moving from one datum to another.

Differences alone fix no place. Either marks are held at known values, or the mean of some nodes is called 0 (a free
network; with all nodes it is the pseudo-inverse's choice). Changing between such choices is Baarda's S-transformation
(1973, from memory): it changes no difference and no residual.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Datum:
    """What the places are counted from.

    Attributes:
        held: nodes held at a value, without uncertainty.
        mean_of: nodes whose mean is 0 in a part without held nodes; all of its nodes when none of these is in it.
    """

    held: Mapping[str, float] = field(default_factory=dict)
    mean_of: frozenset[str] = frozenset()


def mean_weights(nodes: Collection[str], datum: Datum) -> Floats:
    """(n,) weights whose sum of places is 0 in a free part."""
    chosen = np.array([node in datum.mean_of for node in nodes])
    if not chosen.any():
        chosen[:] = True
    weights: Floats = chosen / chosen.sum()
    return weights


def moved_to_mean(place: Floats, covariance: Floats, weights: Floats) -> tuple[Floats, Floats]:
    """Places (n,) and covariance (n, n) told against the weighted mean instead of what they were told against."""
    move = np.eye(len(place)) - weights[None, :]
    return move @ place, move @ covariance @ move.T
