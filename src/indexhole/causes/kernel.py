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

# How failures come on a bench, its temper, is unknown, so it is summed over. They come singly, or many take a whole
# track (its mark was missed, the head had not settled); and the bench is calm or rough: concentrations of the beta law
# with their shares, from nearly tosses to rows that go all one way, and the share of rows that nobody foresaw, which
# failed wholly or anyhow, or went well although they should not. Our own choice.
_LAWS = (((120.0, 0.6), (20.0, 0.4), (3.0, 0.0)), ((40.0, 0.55), (8.0, 0.35), (2.0, 0.1)))
_SURPRISE = (0.0002, 0.001)
TEMPER_WEIGHT: Floats = np.array([0.55, 0.2, 0.15, 0.1])  # calm and rough singly, calm and rough by tracks
_TAKES_TRACK, _BY_TRACKS = 0.5, (60.0, 10.0)  # share of the hazard that takes whole tracks; concentrations
_WIDE_SHARE, _COMMON_FAILURE = 0.25, 0.2
# A whole operation fails by something that will not come again: a disk not seated, a door not shut.
MISHAP = 0.0002
HAZARD_CAP = 12.0
_LOWEST = 1e-5
NODES: Floats = np.geomspace(_LOWEST, HAZARD_CAP, 96)
_STEP = float(np.log(NODES[1] / NODES[0]))
# One row of an operation strays by a factor of 20 in its hazard, up and down with this chance each. Our own choice.
_STRAYS, _STRAYS_BY = 0.004, round(3.0 / _STEP)
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


def row_table(failed: Ints, tried: Ints, tracks: Ints) -> Floats:
    """Likelihood of each row at each hazard node, shape (tempers, rows, nodes); 1 for rows that tried nothing.

    Args:
        failed, tried: (rows,) sectors.
        tracks: (rows,) over how many tracks they lie.
    """
    # Many rows share their counts.
    counts, of = np.unique(np.stack([failed, tried, tracks], axis=1), axis=0, return_inverse=True)
    table: Floats = _count_table(counts[:, 0], counts[:, 1], counts[:, 2])[:, of.ravel()]
    return table


def _count_table(failed: Ints, tried: Ints, tracks: Ints) -> Floats:
    k = failed.astype(np.float64)[:, None]
    n = tried.astype(np.float64)[:, None]
    mean = -np.expm1(-NODES)[None, :]
    # On a calm bench sound rows do not go all one way: the widest law comes in only as failure gets common.
    wide = _WIDE_SHARE * mean / (mean + _COMMON_FAILURE)
    extremes = 0.25 * ((k == n).astype(np.float64) + (k == 0))
    surprise = np.where(n > 0, 0.5 / (n + 1) + extremes, 1.0)
    tables = []
    for laws, common in zip(_LAWS, (wide, np.zeros_like(wide)), strict=True):
        widest = laws[-1][0]
        law = common * np.exp(_log_beta_binomial(k, n, mean, widest))
        for concentration, share in laws:
            if share:
                law += share * (1 - common) * np.exp(_log_beta_binomial(k, n, mean, concentration))
        tables.append(law)
    tables += [_by_tracks(failed, tried, tracks, c) for c in _BY_TRACKS]
    table: Floats = np.stack(
        [(1 - s) * _strayed(law) + s * surprise for s, law in zip(_SURPRISE * 2, tables, strict=True)]
    )
    return table


def _strayed(law: Floats) -> Floats:
    """The law of rows, (rows, nodes), when now and then the hazard of one is far from that of the others."""
    places = np.arange(len(NODES))
    found: Floats = (1 - 2 * _STRAYS) * law
    for shift in (-_STRAYS_BY, _STRAYS_BY):
        found += _STRAYS * law[:, np.clip(places + shift, 0, len(NODES) - 1)]
    return found


def _by_tracks(failed: Ints, tried: Ints, tracks: Ints, concentration: float) -> Floats:
    """Law of counts when many failures take a whole track, shape (rows, nodes).

    Whole tracks are lost by one share of the hazard, sectors of the others by the rest: beta-binomial laws of tracks
    and of what they leave over, summed over how many tracks were lost.
    """
    lost = -np.expm1(-_TAKES_TRACK * NODES)[None, :]
    singly = -np.expm1(-(1 - _TAKES_TRACK) * NODES)[None, :]
    # Where tracks are not all alike (another zone, a track tried twice) they count as even.
    full = np.maximum(1, tried // np.maximum(tracks, 1))
    whole = np.minimum(tracks, tried // full)
    found = np.zeros((len(failed), len(NODES)))
    for t in range(int((failed // full).max(initial=0)) + 1):
        here = np.flatnonzero((t <= whole) & (t * full <= failed))
        count = np.full((len(here), 1), float(t))
        rest = (tried - t * full)[here, None].astype(np.float64)
        among = _log_beta_binomial(count, whole[here, None].astype(np.float64), lost, concentration)
        left = _log_beta_binomial((failed - t * full)[here, None].astype(np.float64), rest, singly, concentration)
        found[here] += np.exp(among + left)
    return found


# Rows of one operation share their luck: hazards of a whole operation may be higher or lower than usual.
LUCK_SHIFTS: Ints = np.array([round(x / _STEP) for x in (-2.2, -0.9, 0.0, 0.9, 2.2)])
_CALM_LUCK, _ROUGH_LUCK = (0.005, 0.12, 0.75, 0.12, 0.005), (0.03, 0.15, 0.64, 0.15, 0.03)
LUCK_WEIGHT: Floats = np.array([_CALM_LUCK, _ROUGH_LUCK] * 2)  # by temper
LOWEST_LOG, NODE_STEP = float(np.log(_LOWEST)), _STEP


def lapse_likelihood(failed: Ints, tried: Ints) -> Floats:
    """Likelihood of each row when the lead failed during it, shape (rows,)."""
    likelihood = _LAPSE_WHOLE * (failed == tried) + (1 - _LAPSE_WHOLE) / (tried + 1.0)
    found: Floats = np.where(tried > 0, likelihood, 1.0)
    return found


def outcome_table(tried: int, tracks: int) -> Floats:
    """Chance that no sector, some, or (nearly) all fail, at each hazard node: shape (tempers, nodes, 3)."""
    counts = np.arange(tried + 1, dtype=np.int64)
    law = row_table(counts, np.full(tried + 1, tried, dtype=np.int64), np.full(tried + 1, tracks, dtype=np.int64))
    most = max(1, int(np.ceil(0.9 * tried)))
    parts: Floats = np.stack([law[:, 0], law[:, 1:most].sum(axis=1), law[:, most:].sum(axis=1)], axis=-1)
    parts /= parts.sum(axis=-1, keepdims=True)
    return parts
