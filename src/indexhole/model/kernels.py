"""The forward model for many draws and tracks at once: the formulas of forward.py, compiled.

`tests/model/test_kernels.py` holds the two against each other. A row of `draws` is one way things may be, a row of
`tracks` one track; columns are named below. Lengths across the track are um, times seconds.
"""

from __future__ import annotations

import math
from typing import Final

import numba
import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]

# Columns of a draw.
W_OFFSET: Final = 0  # writer's head against its own centre lines, outward positive
R_OFFSET: Final = 1  # the same of the reader
STRAIN: Final = 2  # growth between the two days that moves the track outward, over the radius
OVAL: Final = 3  # half the difference of growth along and across the film
OVAL_RAD: Final = 4
SWING: Final = 5  # once-a-turn swing of the centre, um
SWING_RAD: Final = 6
W_WIDTH: Final = 7
R_WIDTH: Final = 8
TRIM: Final = 9
AZIMUTH: Final = 10  # reader's less writer's, minutes of arc
RATIO: Final = 11  # writer's speed ratio over the reader's
R_SPEED: Final = 12  # reader's speed ratio
WOW: Final = 13
NOISE: Final = 14
ASYMMETRY: Final = 15  # over the shortest spacing
LOOP: Final = 16
CAPTURE: Final = 17
SEEN: Final = 18  # gain on everything read
LAID: Final = 19  # gain on what the writer laid down
RESIDUE: Final = 20  # height of the older recording left under the new one
UNDER: Final = 21  # 1 when an older recording lies there
U_OFFSET: Final = 22
U_WIDTH: Final = 23
PULSE: Final = 24  # width of a pulse at half height, um along the track
SHIFT: Final = 25  # share of the peak shift that is left
DEFECT: Final = 26
DRAW_COLUMNS: Final = 27

# Columns of a track.
RADIUS: Final = 0
RPM: Final = 1
CELL: Final = 2  # the cell the reader's controller waits for
RATE: Final = 3  # nominal cell at the reader over that
SHORTEST: Final = 4
LONGEST: Final = 5
TRANSITIONS: Final = 6
SECTORS: Final = 7
W_PLACE: Final = 8  # centre line of the writer against the layout's, um
R_PLACE: Final = 9
STEP: Final = 10  # pitch of the new recording
U_PLACE: Final = 11  # nearest centre line of the older recording
U_STEP: Final = 12
TRACK_COLUMNS: Final = 13

FOREIGN_RMS: Final = 0.5
THRESHOLD: Final = 0.12
SOFTNESS: Final = 0.005
HAZARD_CAP: Final = 60.0
# Pulses as wide as this share of the shortest spacing give the height that counts as 1 (model/magnetics.py).
_NATIVE_U: Final = math.pi * math.hypot(0.65, 0.62) / 2
_NATIVE_DENSITY: Final = _NATIVE_U / math.sinh(_NATIVE_U)
_ROOT_2: Final = math.sqrt(2.0)
_ROOT_3: Final = math.sqrt(3.0)
# Deviations of a normal value passed once in 10^9.
_ONE_IN_1E9: Final = 5.9978
# Passed once in 10^19: no sector is long enough to see it.
_NEVER: Final = 9.0


@numba.njit(cache=True)
def _tail(x: float) -> float:
    return 0.5 * math.erfc(x / _ROOT_2)


@numba.njit(cache=True)
def _shared(low: float, high: float, other_low: float, other_high: float) -> float:
    return max(0.0, min(high, other_high) - max(low, other_low))


@numba.njit(cache=True)
def _hazard(chance: float) -> float:
    return HAZARD_CAP if chance >= 1.0 else min(HAZARD_CAP, -math.log1p(-chance))


@numba.njit(cache=True)
def _beside(old_low: float, old_high: float, erased_low: float, erased_high: float, low: float, high: float) -> float:
    """Width of an old strip under the reading head and outside the erased strip."""
    seen_low, seen_high = max(old_low, low), min(old_high, high)
    if seen_high <= seen_low:
        return 0.0
    width: float = seen_high - seen_low - _shared(seen_low, seen_high, erased_low, erased_high)
    return width


@numba.njit(cache=True)
def _signal(d: Floats, t: Floats, angle: float, steady: float) -> tuple[float, float]:
    """Wanted share of the head and foreign share of it at an angle; `steady` is the gain that holds all round."""
    radius_um = t[RADIUS] * 1e3
    moved = (
        radius_um * d[STRAIN]
        + radius_um * d[OVAL] * math.cos(2 * angle + d[OVAL_RAD])
        + d[SWING] * math.cos(angle + d[SWING_RAD])
    )
    centre = t[W_PLACE] + d[W_OFFSET] + moved
    head = t[R_PLACE] + d[R_OFFSET]
    low, high = head - d[R_WIDTH] / 2, head + d[R_WIDTH] / 2
    w_low, w_high = centre - d[W_WIDTH] / 2, centre + d[W_WIDTH] / 2
    share = _shared(w_low, w_high, low, high) / d[R_WIDTH]
    foreign = 0.0
    if d[UNDER] > 0.0:
        erased_low, erased_high = w_low - d[TRIM], w_high + d[TRIM]
        old = t[U_PLACE] + d[U_OFFSET] + moved
        for k in range(-1, 2):
            place = old + k * t[U_STEP]
            foreign += _beside(place - d[U_WIDTH] / 2, place + d[U_WIDTH] / 2, erased_low, erased_high, low, high)
    foreign += _shared(w_low - t[STEP], w_high - t[STEP], low, high)
    foreign += _shared(w_low + t[STEP], w_high + t[STEP], low, high)
    amplitude = share * steady * d[SEEN] * d[LAID]
    interference = foreign / d[R_WIDTH] * d[SEEN] + d[RESIDUE] * share * d[SEEN]
    return amplitude, interference


@numba.njit(cache=True)
def _steady(d: Floats, t: Floats) -> tuple[float, float, float, float, float]:
    """What is the same all round: gain, jitter for noise like the signal, standing error, half window, speed error."""
    ratio = t[RATE] * d[RATIO]
    speed_um_s = 2 * math.pi * t[RADIUS] * 1e3 * t[RPM] * d[R_SPEED] / 60.0
    near, far = t[CELL] * t[SHORTEST] * ratio, t[CELL] * t[LONGEST] * ratio
    spacing = near * speed_um_s
    turn = math.pi * d[R_WIDTH] * math.tan(d[AZIMUTH] * math.pi / 10800.0) / (2 * spacing)
    gain = abs(math.sin(turn) / turn) if turn != 0.0 else 1.0
    u = min(math.pi * d[PULSE] / (2 * spacing), 300.0)
    gain *= min(1.0, u / math.sinh(u) / _NATIVE_DENSITY)
    width = d[PULSE] / speed_um_s
    bandwidth = 2.0 / (t[CELL] * t[SHORTEST])
    jitter = 2 * math.pi * bandwidth / _ROOT_3 * width * width / 8.0
    push_near = near / (1.0 + (2 * near / width) ** 2) ** 2
    push_far = far / (1.0 + (2 * far / width) ** 2) ** 2
    error = abs(ratio - 1.0) + d[WOW]
    bias = error * t[CELL] * d[LOOP] + abs(push_near - push_far) * d[SHIFT]
    bias += abs(d[ASYMMETRY]) * t[CELL] * t[SHORTEST] / 2
    return gain, jitter, bias, t[CELL] / 2, error


@numba.njit(cache=True)
def _edge_hazard(
    amplitude: float, interference: float, noise: float, jitter_of: float, bias: float, half: float
) -> float:
    """Hazard of one transition: outside its window, or not seen."""
    if amplitude <= 0.0:
        return HAZARD_CAP
    disturbance = max(math.sqrt(noise * noise + (FOREIGN_RMS * interference) ** 2), 1e-12)
    jitter = disturbance / amplitude * jitter_of
    if half - bias > _NEVER * jitter and amplitude - THRESHOLD > _NEVER * disturbance:
        return 0.0
    outside = min(1.0, _tail((half + bias) / jitter) + _tail((half - bias) / jitter))
    total: float = _hazard(outside) + _hazard(_tail((amplitude - THRESHOLD) / disturbance))
    return total


@numba.njit(cache=True)
def sector_hazards(draws: Floats, tracks: Floats, angles: Floats) -> Floats:
    """Hazard, -log(1 - p), of one sector being lost, mean round the turn: shape (draws, tracks).

    Args:
        draws: (draws, DRAW_COLUMNS); tracks: (tracks, TRACK_COLUMNS); angles: (angles,) radians.
    """
    found = np.empty((draws.shape[0], tracks.shape[0]))
    for i in range(draws.shape[0]):
        d = draws[i]
        still = d[OVAL] == 0.0 and d[SWING] == 0.0
        count = 1 if still else len(angles)
        for j in range(tracks.shape[0]):
            t = tracks[j]
            gain, jitter_of, bias, half, error = _steady(d, t)
            lost = 0.0
            for k in range(count):
                amplitude, interference = _signal(d, t, angles[k], gain)
                edge = _edge_hazard(amplitude, interference, d[NOISE], jitter_of, bias, half)
                lost += min(HAZARD_CAP, edge * t[TRANSITIONS])
            standing = _hazard(_tail((d[CAPTURE] - error) / SOFTNESS)) + _hazard(d[DEFECT])
            found[i, j] = min(HAZARD_CAP, lost / count + standing)
    return found


@numba.njit(cache=True)
def timing_margins(draws: Floats, tracks: Floats) -> Floats:
    """Share of the half window left at one error in 10^9, the oval and the swing left out: shape (draws, tracks)."""
    found = np.empty((draws.shape[0], tracks.shape[0]))
    for i in range(draws.shape[0]):
        d = draws[i].copy()
        d[OVAL] = 0.0
        d[SWING] = 0.0
        for j in range(tracks.shape[0]):
            t = tracks[j]
            gain, jitter_of, bias, half, _ = _steady(d, t)
            amplitude, interference = _signal(d, t, 0.0, gain)
            if amplitude <= 0.0:
                found[i, j] = -10.0
                continue
            noise = math.sqrt(d[NOISE] ** 2 + (FOREIGN_RMS * interference) ** 2)
            found[i, j] = max(-10.0, 1.0 - (bias + _ONE_IN_1E9 * noise / amplitude * jitter_of) / half)
    return found


@numba.njit(cache=True)
def windows(draws: Floats, tracks: Floats) -> tuple[Floats, Floats]:
    """Jitter for noise as high as the signal, and window left by the standing errors, s: two of (draws, tracks)."""
    jitter = np.empty((draws.shape[0], tracks.shape[0]))
    left = np.empty((draws.shape[0], tracks.shape[0]))
    for i in range(draws.shape[0]):
        for j in range(tracks.shape[0]):
            _, jitter[i, j], bias, half, _ = _steady(draws[i], tracks[j])
            left[i, j] = half - bias
    return jitter, left


@numba.njit(cache=True)
def signals(draws: Floats, tracks: Floats) -> tuple[Floats, Floats]:
    """Wanted and foreign height at angle 0, the oval and the swing left out: two arrays of (draws, tracks)."""
    wanted = np.empty((draws.shape[0], tracks.shape[0]))
    foreign = np.empty((draws.shape[0], tracks.shape[0]))
    for i in range(draws.shape[0]):
        d = draws[i].copy()
        d[OVAL] = 0.0
        d[SWING] = 0.0
        for j in range(tracks.shape[0]):
            gain = _steady(d, tracks[j])[0]
            wanted[i, j], foreign[i, j] = _signal(d, tracks[j], 0.0, gain)
    return wanted, foreign


def whole_turn(count: int = 6) -> Floats:
    """Angles evenly round a turn, radians: (count,)."""
    return np.arange(count, dtype=np.float64) * (2 * math.pi / count)
