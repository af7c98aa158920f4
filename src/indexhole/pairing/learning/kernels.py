"""How likely sectors of each observed stretch fail, for many suppositions at once."""

from __future__ import annotations

import math

import numba
import numpy as np
import numpy.typing as npt

from indexhole.model import kernels as k

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]


@numba.njit(cache=True)
def _track_hazard(d: Floats, t: Floats) -> float:
    """Hazard of one sector of a track but for bad places, mean over two opposite angles (one where nothing swings)."""
    gain, jitter_of, bias, half, error = k._steady(d, t)
    lost = 0.0
    count = 1 if d[k.SWING] == 0.0 else 2
    for angle in range(count):
        amplitude, foreign = k._signal(d, t, angle * math.pi, gain)
        edge = k._edge_hazard(amplitude, foreign, d[k.NOISE], jitter_of, bias, half)
        lost += min(k.HAZARD_CAP, edge * t[k.TRANSITIONS])
    standing = k._hazard(k._tail((d[k.CAPTURE] - error) / k.SOFTNESS))
    total: float = min(k.HAZARD_CAP, lost / count + standing)
    return total


@numba.njit(cache=True)
def row_hazards(
    rows: Ints,
    templates: Floats,
    tracks: Floats,
    spans: Ints,
    participants: Ints,
    offset_um: Floats,
    speed: Floats,
    gain: Floats,
    wear_gain: Floats,
) -> Floats:
    """Hazard of a sector of each row, bad places left out, under each supposition: shape (rows, suppositions).

    Args:
        rows: which rows are asked for.
        templates: (all rows, DRAW_COLUMNS); tracks: (all rows, 3, TRACK_COLUMNS), of which the first `spans` count.
        hands: (all rows, 4) indices of writer, reader, who wrote before, and disk.
        offset_um, speed, gain: (suppositions, mechanisms); wear_gain: (suppositions, disks). Gains are shares of the
            signal that dirt and wear leave.
    """
    found = np.empty((len(rows), offset_um.shape[0]))
    for i in range(len(rows)):
        row = rows[i]
        w, r, u, disk = participants[row]
        d = templates[row].copy()
        laid = d[k.LAID]
        for p in range(offset_um.shape[0]):
            d[k.W_OFFSET] = offset_um[p, w]
            d[k.R_OFFSET] = offset_um[p, r]
            d[k.U_OFFSET] = offset_um[p, u]
            d[k.RATIO] = speed[p, w] / speed[p, r]
            d[k.R_SPEED] = speed[p, r]
            d[k.SEEN] = gain[p, r] * wear_gain[p, disk]
            d[k.LAID] = laid * gain[p, w]
            fails = 0.0
            for j in range(spans[row]):
                fails -= math.expm1(-_track_hazard(d, tracks[row, j]))
            found[i, p] = k._hazard(fails / spans[row])
    return found
