"""How likely a row's count of failed sectors is, given the chance that one sector fails.

Real rates spread more than coin tosses: sectors of a track share their fate. So a row is a mixture of beta-binomial
laws of three spreads, and with a small chance something quite different happened that nobody foresaw.

Chances are carried as hazards, h = -log(1 - p), because hazards of independent causes add.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from scipy.special import betaln, gammaln

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

# Concentration of the beta law: nearly tosses, rows that differ, rows that go all one way. Our own choice.
_TOSSES, _UNEVEN, _ALL_ONE_WAY = 120.0, 20.0, 3.0
_WIDE_SHARE, _COMMON_FAILURE = 0.25, 0.2
# A row that nobody foresaw: failed wholly or anyhow, or went well although it should not.
_SURPRISE = 0.0002
HAZARD_CAP = 12.0
_LOWEST = 1e-5
NODES: Floats = np.geomspace(_LOWEST, HAZARD_CAP, 96)
_STEP = float(np.log(NODES[1] / NODES[0]))
# What a lead's lapse leaves of a row: nearly always nothing.
_LAPSE_WHOLE = 0.99


def hazard(probability: float | Floats) -> Floats:
    """-log(1 - p), capped so that certainty stays finite."""
    p = np.clip(np.asarray(probability, dtype=np.float64), 0.0, 1.0 - np.exp(-HAZARD_CAP))
    value: Floats = -np.log1p(-p)
    return value


def node_of(hazards: Floats) -> Ints:
    """Index of the nearest of NODES for each hazard."""
    place = np.clip(hazards, _LOWEST, HAZARD_CAP)
    np.log(place, out=place)
    place *= 1 / _STEP
    place += 0.5 - np.log(_LOWEST) / _STEP
    index: Ints = place.astype(np.intp)
    return index


def _log_beta_binomial(failed: Floats, tried: Floats, mean: Floats, concentration: float) -> Floats:
    a, b = mean * concentration, (1 - mean) * concentration
    choose = gammaln(tried + 1) - gammaln(failed + 1) - gammaln(tried - failed + 1)
    value: Floats = choose + betaln(failed + a, tried - failed + b) - betaln(a, b)
    return value


def row_table(failed: Ints, tried: Ints) -> Floats:
    """Log likelihood of each row at each hazard node, shape (rows, nodes). Rows without sectors tried say nothing."""
    k = failed.astype(np.float64)[:, None]
    n = tried.astype(np.float64)[:, None]
    mean = -np.expm1(-NODES)[None, :]
    law = np.zeros((len(k), len(NODES)))
    # Sound rows do not go all one way: the widest law comes in only as failure gets common.
    wide = _WIDE_SHARE * mean / (mean + _COMMON_FAILURE)
    for concentration, share in ((_TOSSES, 0.6 * (1 - wide)), (_UNEVEN, 0.4 * (1 - wide)), (_ALL_ONE_WAY, wide)):
        law += share * np.exp(_log_beta_binomial(k, n, mean, concentration))
    extremes = 0.25 * ((k == n).astype(np.float64) + (k == 0))
    surprise = np.where(n > 0, 0.5 / (n + 1) + extremes, 1.0)
    table: Floats = np.log((1 - _SURPRISE) * law + _SURPRISE * surprise)
    return table


# Rows of one operation share their luck: hazards of a whole operation may be higher or lower than usual.
_LUCK_NODES = round(0.9 / _STEP)
LUCK_LOG_WEIGHT: Floats = np.log([0.15, 0.7, 0.15])


def with_luck(table: Floats) -> Floats:
    """The row table with the hazards of an operation low, usual and high: shape (3, rows, nodes)."""
    nodes = np.arange(table.shape[1])
    shifts = (-_LUCK_NODES, 0, _LUCK_NODES)
    return np.stack([table[:, np.clip(nodes + shift, 0, len(nodes) - 1)] for shift in shifts])


def lapse_log(failed: Ints, tried: Ints) -> Floats:
    """Log likelihood of each row when the lead failed during it, shape (rows,)."""
    likelihood = _LAPSE_WHOLE * (failed == tried) + (1 - _LAPSE_WHOLE) / (tried + 1.0)
    value: Floats = np.log(np.where(tried > 0, likelihood, 1.0))
    return value


def outcome_table(tried: int) -> Floats:
    """Chance that no sector, some, or (nearly) all fail, at each hazard node: shape (nodes, 3)."""
    counts = np.arange(tried + 1, dtype=np.int64)
    law = np.exp(row_table(counts, np.full(tried + 1, tried, dtype=np.int64)))
    most = max(1, int(np.ceil(0.9 * tried)))
    parts: Floats = np.stack([law[0], law[1:most].sum(axis=0), law[most:].sum(axis=0)], axis=1)
    parts /= parts.sum(axis=1, keepdims=True)
    return parts
