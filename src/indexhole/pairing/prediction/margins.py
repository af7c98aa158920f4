"""How much room each group leaves: how much further aside, how many dB, how much of the window."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from indexhole.model import kernels
from indexhole.pairing.prediction.outcome import ideal
from indexhole.pairing.prediction.passages import Passage

Floats = npt.NDArray[np.float64]

# A sector fails once in a thousand: where room ends. Deviations after which one of its transitions does so.
_ROOM_ENDS = 1e-3
_DEVIATIONS = 5.0
_LEAST_DB, _MOST_DB = -60.0, 60.0


@dataclass(frozen=True, slots=True)
class Room:
    """Room at the worst track of each draw, shape (draws,); None where there is nothing to measure."""

    position_um: Floats
    old_db: Floats | None
    magnetics_db: Floats
    timing: Floats


def _db(ratio: Floats) -> Floats:
    found: Floats = np.clip(20 * np.log10(np.maximum(ratio, 1e-6)), _LEAST_DB, _MOST_DB)
    return found


def farthest_um(passage: Passage, spacing_um: float, steps: int = 40) -> Floats:
    """How far aside the reader may stand before a sector fails once in a thousand, (tracks,), all else being right."""
    middle = Passage("", np.median(passage.draws, axis=0)[None, :], passage.tracks)
    row = ideal(middle, ("position", "old recording", "magnetics", "timing"), spacing_um)
    widest = float((row.draws[0, kernels.W_WIDTH] + row.draws[0, kernels.R_WIDTH]) / 2)
    asides = np.linspace(0.0, widest, steps + 1)
    draws = np.repeat(row.draws, steps + 1, axis=0)
    draws[:, kernels.R_OFFSET] = asides
    fails = kernels.sector_hazards(draws, row.tracks, np.zeros(1)) > _ROOM_ENDS
    fails[-1] = True
    found: Floats = asides[np.argmax(fails, axis=0)]
    return found


def asides_um(passage: Passage) -> Floats:
    """Distance between head and track at the worst angle of a turn, (draws, tracks)."""
    d, t = passage.draws, passage.tracks
    radius_um = t[None, :, kernels.RADIUS] * 1e3
    standing = (
        t[:, kernels.W_PLACE] - t[:, kernels.R_PLACE] + (d[:, kernels.W_OFFSET] - d[:, kernels.R_OFFSET])[:, None]
    )
    standing = standing + radius_um * d[:, kernels.STRAIN, None]
    wobble = radius_um * np.abs(d[:, kernels.OVAL, None]) + np.abs(d[:, kernels.SWING, None])
    found: Floats = np.abs(standing) + wobble
    return found


def room(passage: Passage, spacing_um: float, farthest: Floats) -> Room:
    """Room of each group with the other groups ideal (timing keeps the pulses as they are)."""
    position = (farthest - asides_um(passage)).min(axis=1)
    jitter, left = kernels.windows(passage.draws, passage.tracks)
    left = np.maximum(left, 1e-12)
    old = None
    if passage.draws[:, kernels.UNDER].any():
        d, t = passage.draws.copy(), passage.tracks.copy()
        d[:, kernels.RESIDUE] = 0.0
        t[:, kernels.STEP] = 1e9
        wanted, foreign = kernels.signals(d, t)
        # foreign pulses alone may use up the window; each counts half its height as noise
        bearable = wanted * left / (_DEVIATIONS * kernels.FOREIGN_RMS * jitter)
        old = _db(bearable / np.maximum(foreign, 1e-4)).min(axis=1)
    level = ideal(passage, ("position", "old recording", "timing"), spacing_um)
    wanted, foreign = kernels.signals(level.draws, level.tracks)
    noise = np.hypot(level.draws[:, kernels.NOISE, None], kernels.FOREIGN_RMS * foreign)
    jitter, left = kernels.windows(level.draws, level.tracks)
    needed = np.maximum(_DEVIATIONS * noise * jitter / np.maximum(left, 1e-12), kernels.THRESHOLD + _DEVIATIONS * noise)
    magnetic = _db(wanted / needed).min(axis=1)
    timing = timing_left(passage, spacing_um).min(axis=1)
    return Room(position, old, magnetic, timing)


def timing_left(passage: Passage, spacing_um: float) -> Floats:
    """Share of the half window left at one error in 10^9, heads in place and nothing underneath: (draws, tracks).

    What stands aside or lies underneath widens the jitter too, but that is counted in its own group.
    """
    paced = ideal(passage, ("position", "old recording"), spacing_um)
    found: Floats = kernels.timing_margins(paced.draws, paced.tracks)
    return found
