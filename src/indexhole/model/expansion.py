"""How far a track moves under a head between the day it was written and the day it is read.

Disk and drive both grow with warmth, the disk also with damp; a film that grows unevenly turns its tracks into ovals;
a disk never sits twice on the same centre; a head comes to rest on the side it came from. Lengths across tracks in um,
strains without unit. All functions take and return arrays of one shape, such as (draws,). Formulas and sources stand
in docs/forward-model.md.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]
REFERENCE_TEMPERATURE_C, REFERENCE_HUMIDITY_PCT = 23.0, 50.0
"""Where drives are thought to have been aligned: the test environment of the standards, from memory."""


def disk_strain(thermal_per_k: Floats, hygroscopic_per_pct: Floats, warmer_k: Floats, damper_pct: Floats) -> Floats:
    """Growth of the disk between two days, along one direction of the film."""
    strain: Floats = thermal_per_k * warmer_k + hygroscopic_per_pct * damper_pct
    return strain


def mean_and_oval(along: Floats, across: Floats) -> tuple[Floats, Floats]:
    """A film that grows by `along` in one direction and `across` at right angles to it.

    The radius grows by their mean and swings twice a turn by half their difference: R (m + h cos 2 theta).
    """
    return (along + across) / 2, (along - across) / 2


def frame_strain(writer_per_k: Floats, reader_per_k: Floats, writing_c: Floats, reading_c: Floats) -> Floats:
    """How far outside the writer's place the reader's frame lets the written track appear, as a strain.

    Each head stands where its frame's growth since the day of alignment has put it.
    """
    strain: Floats = writer_per_k * (writing_c - REFERENCE_TEMPERATURE_C) - reader_per_k * (
        reading_c - REFERENCE_TEMPERATURE_C
    )
    return strain


def aside_um(
    angle_rad: Floats, position_um: Floats, oval_um: Floats, oval_rad: Floats, swing_um: Floats, swing_rad: Floats
) -> Floats:
    """Distance between track and head round a turn: standing part, oval of the film, swing of the centre."""
    distance: Floats = (
        position_um + oval_um * np.cos(2 * angle_rad + oval_rad) + swing_um * np.cos(angle_rad + swing_rad)
    )
    return distance


def two_clampings_um(first_um: Floats, second_um: Floats, between_rad: Floats) -> Floats:
    """Once-a-turn swing when a track written off-centre by `first_um` is read off-centre by `second_um`.

    Both are amplitudes (half of peak to peak); they add as arrows that stand `between_rad` apart.
    """
    size: Floats = np.sqrt(np.maximum(first_um**2 + second_um**2 - 2 * first_um * second_um * np.cos(between_rad), 0.0))
    return size


def hysteresis_um(play_um: Floats, written_inward: npt.ArrayLike, read_inward: npt.ArrayLike) -> Floats:
    """Distance by play in the positioner: nothing when both heads came from the same side, all of it otherwise.

    A head on its way inward stops short, half of the play outside its place.
    """
    distance: Floats = play_um * (np.asarray(written_inward, float) - np.asarray(read_inward, float))
    return distance
