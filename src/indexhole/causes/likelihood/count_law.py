"""How likely a row's count of failed sectors is at each hazard, as tables.

The law of counts is that of `model.trials.counts`. Here its hazard may stray, seldom far, from row to row.

Chances are carried as hazards, h = -log(1 - p), because hazards of independent causes add.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from indexhole.model.trials.counts import CALM, CALM_SHARE, ROUGH, TRACKS_CALM, TRACKS_ROUGH, log_beta_binomial

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

# How failures come on a bench is unknown, so it is summed over: singly, or many take a whole track (its mark was
# missed, the head had not settled); and the bench is calm or rough. In order: calm and rough singly, both by tracks.
_LAWS = (CALM, ROUGH)
_SINGLY = 0.6  # share of benches on which they come singly; our own choice
DISPERSION_WEIGHT: Floats = np.outer((_SINGLY, 1 - _SINGLY), (CALM_SHARE, 1 - CALM_SHARE)).ravel()
_TAKES_TRACK, _BY_TRACKS = 0.5, (TRACKS_CALM, TRACKS_ROUGH)  # share of the hazard that takes whole tracks
# A whole operation fails by something that will not come again: a disk not seated, a door not shut.
MISHAP = 0.0002
HAZARD_CAP = 12.0
_LOWEST = 1e-5
NODES: Floats = np.geomspace(_LOWEST, HAZARD_CAP, 96)
_STEP = float(np.log(NODES[1] / NODES[0]))
# Single rows of an operation stray in the logarithm of their hazard by so much, up and down with this chance each: many
# a little, few by a factor beyond a hundred. Our own choice.
_STRAYS = ((1.0, 0.08), (2.0, 0.005), (3.5, 0.003), (5.0, 0.0015))
# What a lead's lapse leaves of a row: nearly always nothing.
_LAPSE_WHOLE = 0.99


def hazard(probability: float | Floats) -> Floats:
    """-log(1 - p), capped so that certainty stays finite."""
    p = np.clip(np.asarray(probability, dtype=np.float64), 0.0, 1.0 - np.exp(-HAZARD_CAP))
    value: Floats = -np.log1p(-p)
    return value


# A hazard's node is looked up by the leading bits of the number itself (its power of two and eight bits after it, so to
# one part in 256, where nodes lie 16 in 100 apart): most of the time goes on this, and a logarithm takes longer.
BITS_DROPPED = 44
LOWEST_BITS, HIGHEST_BITS = (int(np.float64(x).view(np.int64)) >> BITS_DROPPED for x in (_LOWEST, HAZARD_CAP))


def _nodes_by_bits() -> Ints:
    bits = np.arange(LOWEST_BITS, HIGHEST_BITS + 1, dtype=np.int64)
    middle = ((bits << BITS_DROPPED) + (1 << (BITS_DROPPED - 1))).view(np.float64)
    nodes: Ints = np.clip(np.rint(np.log(middle / _LOWEST) / _STEP), 0, len(NODES) - 1).astype(np.int64)
    return nodes


NODE_BY_BITS: Ints = _nodes_by_bits()


def node_of(hazards: Floats) -> Ints:
    """Index of the nearest of NODES for each hazard."""
    bits = np.ascontiguousarray(hazards, dtype=np.float64).view(np.int64) >> BITS_DROPPED
    index: Ints = NODE_BY_BITS[np.clip(bits, LOWEST_BITS, HIGHEST_BITS) - LOWEST_BITS]
    return index


def row_table(failed: Ints, tried: Ints, tracks: Ints) -> Floats:
    """Likelihood of each row at each hazard node, shape (dispersions, rows, nodes); 1 for rows that tried nothing.

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
    tables = [law.foreseen(k, n, mean) for law in _LAWS] + [_by_tracks(failed, tried, tracks, c) for c in _BY_TRACKS]
    table: Floats = np.stack(
        [law.joined(_strayed(foreseen), k, n) for law, foreseen in zip(_LAWS * 2, tables, strict=True)]
    )
    return table


def _strayed(law: Floats) -> Floats:
    """The law of rows, (rows, nodes), when now and then the hazard of one is far from that of the others."""
    places = np.arange(len(NODES))
    found: Floats = (1 - 2 * sum(chance for _, chance in _STRAYS)) * law
    for far, chance in _STRAYS:
        for shift in (-round(far / _STEP), round(far / _STEP)):
            found += chance * law[:, np.clip(places + shift, 0, len(NODES) - 1)]
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
        among = log_beta_binomial(count, whole[here, None].astype(np.float64), lost, concentration)
        left = log_beta_binomial((failed - t * full)[here, None].astype(np.float64), rest, singly, concentration)
        found[here] += np.exp(among + left)
    return found


# Rows of one operation share their luck: what faults do to a whole operation may be more or less than usual. Stray
# sectors, which lie where they lie, follow it by half in the logarithm. Our own choice.
LUCK: Floats = np.exp([-2.2, -0.9, 0.0, 0.9, 2.2])
STRAY_LUCK: Floats = np.sqrt(LUCK)
_CALM_LUCK, _ROUGH_LUCK = (0.008, 0.15, 0.684, 0.15, 0.008), (0.03, 0.15, 0.64, 0.15, 0.03)
LUCK_WEIGHT: Floats = np.array([_CALM_LUCK, _ROUGH_LUCK] * 2)  # by dispersion


def lapse_likelihood(failed: Ints, tried: Ints) -> Floats:
    """Likelihood of each row when the lead failed during it, shape (rows,)."""
    likelihood = _LAPSE_WHOLE * (failed == tried) + (1 - _LAPSE_WHOLE) / (tried + 1.0)
    found: Floats = np.where(tried > 0, likelihood, 1.0)
    return found


def outcome_table(tried: int, tracks: int) -> Floats:
    """Chance that no sector, some, or (nearly) all fail, at each hazard node: shape (dispersions, nodes, 3)."""
    counts = np.arange(tried + 1, dtype=np.int64)
    law = row_table(counts, np.full(tried + 1, tried, dtype=np.int64), np.full(tried + 1, tracks, dtype=np.int64))
    most = max(1, int(np.ceil(0.9 * tried)))
    parts: Floats = np.stack([law[:, 0], law[:, 1:most].sum(axis=1), law[:, most:].sum(axis=1)], axis=-1)
    parts /= parts.sum(axis=-1, keepdims=True)
    return parts
