"""Whether a head can magnetise a coating, what it leaves of an older recording, and how sharp the result is.

`drive_oe` is the coercivity of the disks a drive's write current suits, `disk_oe` the disk's own. All functions take
and return arrays of one shape, such as (draws,). Formulas, sources and marks stand in docs/forward-model.md; the
constants here are our own defaults, set so that a native pair overwrites by 44 dB, and still by 29 dB a tenth below the
field that suits (30 dB are usual), and has the pulse width the forward model assumes.
"""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt
from scipy.special import ndtr

Floats = npt.NDArray[np.float64]

REACH = 1.6
"""Write field over the coercivity it suits: how deep a reserve a drive is built with."""
SPREAD = 0.24
"""Spread of the coating's switching fields over their middle."""
HEAD_SHARE, COATING_SHARE = 0.65, 0.62
"""Head and coating each blur a pulse; together they make 0.9 of the shortest spacing, as model/suited.py assumes."""
NATIVE_SHARE = math.hypot(HEAD_SHARE, COATING_SHARE)
# Less than this is nothing: -300 dB.
_NOTHING = 1e-15
# Spacing between head and middle of the coating, over the gap of the head.
_DEPTH = 0.5


def written_share(drive_oe: Floats, disk_oe: Floats) -> Floats:
    """Share of the coating the head turns over: Q of a normal spread of switching fields."""
    share: Floats = ndtr((REACH * drive_oe / disk_oe - 1.0) / SPREAD)
    return share


def overwrite_db(drive_oe: Floats, disk_oe: Floats) -> Floats:
    """What is left of an older recording under the new one, dB: the share the head cannot turn over."""
    left: Floats = 20 * np.log10(np.maximum(ndtr((1.0 - REACH * drive_oe / disk_oe) / SPREAD), _NOTHING))
    return left


def hardly_written_share(drive_oe: Floats, disk_oe: Floats, reserve: float = 0.15) -> Floats:
    """Share of the coating turned over with less than `reserve` of field to spare: what may fade first."""
    share: Floats = written_share(drive_oe, disk_oe) - written_share(drive_oe / (1 + reserve), disk_oe)
    return share


def head_field(x: Floats, depth: float = _DEPTH) -> Floats:
    """Field along the track over the field in the gap, at `x` gaps from its middle (Karlqvist, from memory)."""
    field: Floats = (np.arctan((0.5 + x) / depth) + np.arctan((0.5 - x) / depth)) / math.pi
    return field


def _steepness() -> tuple[Floats, Floats]:
    """Relative field needed and relative slope there, behind the place of the steepest relative slope and before."""
    x = np.linspace(0.0, 12.0, 6001)
    field = head_field(x)
    slope = -np.gradient(field, x) / field
    best = int(np.argmax(slope))
    return field / field[best], slope / slope[best]


_FIELD, _SLOPE = _steepness()


def broadening(drive_oe: Floats, disk_oe: Floats) -> Floats:
    """How much longer a transition gets when the field is not the one that suits: 1 for a native pair.

    A stronger field moves the place of writing away from the gap, where it falls off more gently; a weaker one moves
    it into the gap. The length goes with the inverse of the relative slope there.
    """
    needed = np.asarray(disk_oe, float) / np.asarray(drive_oe, float)
    steep = np.interp(needed, _FIELD[::-1], _SLOPE[::-1])
    length: Floats = 1.0 / np.maximum(steep, 0.25)
    return length


def pulse_width_um(head_spacing_um: Floats, disk_spacing_um: Floats, broadened: Floats) -> Floats:
    """Width of a read pulse at half height: the head's part and the coating's part as the root of squares.

    Args:
        head_spacing_um: shortest spacing of transitions the head was built for.
        disk_spacing_um: shortest spacing the coating was made for; its transitions are as long as its own
            demagnetisation makes them, so a coating of low coercivity blurs a denser recording.
    """
    width: Floats = np.hypot(HEAD_SHARE * head_spacing_um, COATING_SHARE * disk_spacing_um * broadened)
    return width


def density_ratio(pulse_um: Floats, spacing_um: Floats) -> Floats:
    """Height of a row of alternating pulses over that of one alone: u / sinh u, u = pi P / (2 b) (Lorentzian)."""
    u = math.pi * np.asarray(pulse_um, float) / (2 * np.asarray(spacing_um, float))
    ratio: Floats = np.where(u > 1e-6, u / np.sinh(np.clip(u, 1e-6, 300.0)), 1.0)
    return ratio


def resolution(pulse_um: Floats, spacing_um: Floats) -> Floats:
    """Amplitude at the shortest spacing over that at twice the spacing (2f over 1f)."""
    ratio: Floats = density_ratio(pulse_um, spacing_um) / density_ratio(pulse_um, 2 * np.asarray(spacing_um, float))
    return ratio
