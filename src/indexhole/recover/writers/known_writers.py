"""Which known drive a writer may be: profiles from disks it is known to have formatted, and ranked attribution.

A drive differs from one occasion to the next. What is known of it are a few occasions; what the next one will look
like is then Student's t about their mean (normal observations, unknown mean, variance with a scaled inverse
chi-square prior; textbook, Gelman et al., Bayesian Data Analysis, from memory). `none of the known` is weighed as a
drive drawn from all drives there are.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from indexhole.model.distributions import t_log_density

NONE = "none of the known"

# How much a drive varies from occasion to occasion before anything is known of it, and how many observations that
# counts as (our own choice, generous): log speed, seconds from index to the first id.
OCCASION_SPEED, OCCASION_INDEX_S = 0.0015, 30e-6
_PRIOR_WEIGHT = 4.0
# The spread of drives at large: speeds within their usual 1.5 % limits, index sensors within some 200 us.
DRIVES_SPEED, DRIVES_INDEX_S = 0.0075, 150e-6
# Prior chance that a drive nobody has profiled wrote it.
PRIOR_NONE = 1 / 3
# The drives at large are heavy in the tails too.
_DRIVES_FREEDOM = 6.0


@dataclass(frozen=True, slots=True)
class Occasion:
    """What one disk, or one capture of one, shows of the drive that formatted it; nan where it does not.

    Attributes:
        speed_log, speed_u: log of speed over nominal.
        index_s, index_u: writer's time from the index pulse to the first id. It holds the reader's own index sensor, so
            it compares only within one `setting`.
        setting: which mechanism read it and in which layout, "" when that is not known.
    """

    speed_log: float
    speed_u: float
    index_s: float = math.nan
    index_u: float = math.nan
    setting: str = ""


@dataclass(frozen=True, slots=True)
class Known:
    """A drive with the occasions it is known by."""

    name: str
    occasions: tuple[Occasion, ...]


@dataclass(frozen=True, slots=True)
class Attribution:
    """One candidate.

    Attributes:
        name: of the drive, or `none of the known`.
        probability: all candidates together give 1.
        occasions: how many it is known by.
        speed_percent: its speed over nominal less 1, in percent; nan for none.
        compared: what was compared, in words.
    """

    name: str
    probability: float
    occasions: int
    speed_percent: float
    compared: str


def _log_density(values: Sequence[float], uncertainties: Sequence[float], x: float, u: float, spread: float) -> float:
    """Log density of x, given what a drive showed before."""
    v = np.array(values)
    freedom = _PRIOR_WEIGHT + v.size - 1
    square = (_PRIOR_WEIGHT * spread**2 + float(np.sum((v - v.mean()) ** 2))) / freedom
    noise = u**2 + float(np.mean(np.square(uncertainties))) / v.size
    scale = math.sqrt(square * (1 + 1 / v.size) + noise)
    return t_log_density(x, freedom, middle=float(v.mean()), scale=scale)


def _at_large(x: float, u: float, middle: float, spread: float) -> float:
    """Log density of x for a drive nobody has seen."""
    return t_log_density(x, _DRIVES_FREEDOM, middle=middle, scale=math.hypot(spread, u))


def attribute(seen: Occasion, known: Sequence[Known]) -> list[Attribution]:
    """Rank the known drives, and none of them, as the writer of what was seen; likeliest first.

    A feature counts for all candidates or for none, so that their densities compare: speed when it was measured,
    the start behind the index when the setting is known and every candidate was seen in it.
    """
    known = [k for k in known if any(math.isfinite(o.speed_log) for o in k.occasions)]
    logs = [math.log((1 - PRIOR_NONE) / len(known)) for _ in known]
    at_large = math.log(PRIOR_NONE) if known else 0.0
    compared = []
    if math.isfinite(seen.speed_log) and known:
        compared.append("speed")
        for n, k in enumerate(known):
            measured = [o for o in k.occasions if math.isfinite(o.speed_log)]
            logs[n] += _log_density(
                [o.speed_log for o in measured],
                [o.speed_u for o in measured],
                seen.speed_log,
                seen.speed_u,
                OCCASION_SPEED,
            )
        at_large += _at_large(seen.speed_log, seen.speed_u, 0.0, DRIVES_SPEED)
    starts = [[o for o in k.occasions if o.setting == seen.setting and math.isfinite(o.index_s)] for k in known]
    if seen.setting and math.isfinite(seen.index_s) and known and all(starts):
        compared.append("start behind the index")
        for n, measured in enumerate(starts):
            logs[n] += _log_density(
                [o.index_s for o in measured],
                [o.index_u for o in measured],
                seen.index_s,
                seen.index_u,
                OCCASION_INDEX_S,
            )
        # Where other drives start is only known by those that were seen.
        middle = float(np.mean([np.mean([o.index_s for o in measured]) for measured in starts]))
        at_large += _at_large(seen.index_s, seen.index_u, middle, DRIVES_INDEX_S * math.sqrt(1 + 1 / len(starts)))
    features = " and ".join(compared) or "nothing"
    weights = np.array([*logs, at_large])
    shares = np.exp(weights - weights.max())
    shares /= shares.sum()
    found = [
        Attribution(k.name, float(p), len(k.occasions), _percent(k), features)
        for k, p in zip(known, shares, strict=False)
    ]
    found.append(Attribution(NONE, float(shares[-1]), 0, math.nan, features))
    return sorted(found, key=lambda a: -a.probability)


def _percent(known: Known) -> float:
    return 100 * math.expm1(float(np.mean([o.speed_log for o in known.occasions if math.isfinite(o.speed_log)])))
