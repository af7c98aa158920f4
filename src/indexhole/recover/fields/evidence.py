"""What passes say of each cell of a field, as log-likelihood ratios: transition there against none.

Of a cell with a transition a pass shows a pulse, spread about the middle of the cell, unless it lost it; of a
cell without one it shows nothing, or a stray pulse. With loss rate q, stray density s (pulses a cell) and
spread sigma, a pass whose nearest pulses lie at distances x gives

    L = log( q + (1 - q) sum f(x) / (s + 0.35 g) ),   f = 0.9 N(0, sigma) + 0.1 N(0, 3 sigma),

g being f at the cells on either side: without a transition here the pulse may belong to one of them. q and s
are taken from the pass itself: a gap the code forbids is a place of loss, a pulse closer than the code allows
is likelier stray. Passes are independent given what was written, so their L add up. Everything is scaled down
in the end: the model is not the drive, and being too sure is the worse mistake. How far was set so that in
simulation fields are wrong about as often as the sums say, or less (docs/recovery.md).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from indexhole.codes.code import CodeName
from indexhole.codes.known import CODES
from indexhole.kinds import every
from indexhole.recover.fields import kernels
from indexhole.recover.fields.stretch import Placed, Stretch, place_pulses

Cells = npt.NDArray[np.float64]

# By this the sums of all passes are scaled down.
TRUST: Mapping[CodeName, float] = every(CodeName, {"fm": 0.85, "mfm": 0.85, "group45": 1.0})
# Shares of pulses lost and stray are taken from the pass; none seen leaves one in twenty fields open.
_UNSEEN = 0.05
_MOST_LOST, _MOST_STRAY, _LIKELY_STRAY = 0.1, 0.1, 0.6
_LOST_IN_GAP, _LOST_NEAR_GAP = 0.95, 0.4
# A cell holds a transition about one time in three.
_NEIGHBOUR_SHARE = 0.35
_NARROWEST, _WIDEST = 0.03, 0.22
_BOUND = 14.0
# Slips are looked for in windows of so many cells with at least so many pulses, and must fit better by so many nats.
_WINDOW, _FEWEST, _CLEARLY = 96, 8, 25.0


def spread_of(placed: Placed) -> float:
    """Spread of the pulses about their cells, in cells, from the middle half (1.4826 times the median deviation)."""
    if not placed.offset.size:
        return _WIDEST
    middle = 1.4826 * float(np.median(np.abs(placed.offset)))
    return min(max(middle, _NARROWEST), _WIDEST)


@dataclass(frozen=True, slots=True)
class Manner:
    """How a pass loses and makes pulses, as it shows itself.

    Attributes:
        stray: (pulses,) density of stray pulses about each pulse, per cell.
        strength: (pulses,) height of each pulse, 1 = typical.
        spread: of pulses about their cells, in cells.
        lost: share of pulses lost where nothing special is seen.
        longest: longest run the code allows.
    """

    stray: Cells
    strength: Cells
    spread: float
    lost: float
    longest: int


def manner_of(placed: Placed, code: CodeName) -> Manner:
    """How a pass loses and makes pulses."""
    low, high = CODES[code].run_limits
    long, short = placed.run > high, placed.run < low
    # A pulse is suspect when it stands too close to its neighbour on either side.
    pulses = max(placed.cell.size, 1)
    usual = min((float(short.sum()) + _UNSEEN) / pulses, _MOST_STRAY)
    stray = np.where(short | np.append(short[1:], False), _LIKELY_STRAY, usual)
    lost = min((float(long.sum()) + _UNSEEN) / pulses, _MOST_LOST)
    return Manner(stray, np.clip(placed.strength, 0.2, 1.0), spread_of(placed), lost, high)


def losses(placed: Placed, manner: Manner, cells: int) -> Cells:
    """(cells,) chance that a transition there left no pulse."""
    return np.asarray(
        kernels.losses(placed.cell, placed.run, manner.longest, manner.lost, _LOST_IN_GAP, _LOST_NEAR_GAP, cells)
    )


def cell_evidence(placed: Placed, code: CodeName, cells: int) -> Cells:
    """(cells,) log-likelihood ratios one pass gives."""
    manner = manner_of(placed, code)
    loss = losses(placed, manner, cells)
    return np.asarray(
        kernels.cell_evidence(
            placed.cell, placed.offset, manner.stray, manner.strength, manner.spread, loss, _NEIGHBOUR_SHARE, _BOUND
        )
    )


def _slips_removed(placed: Placed, sum_so_far: Cells) -> Placed:
    """The pass shifted by whole cells where the passes before it agree better: what a dropout made it miscount."""
    windows = -(-sum_so_far.size // _WINDOW)
    shifts = kernels.window_shifts(placed.cell, sum_so_far, _WINDOW, windows, _FEWEST, _CLEARLY)
    if not shifts.any():
        return placed
    moved = placed.cell + np.where(placed.cell < 0, 0, shifts[np.clip(placed.cell // _WINDOW, 0, windows - 1)])
    return Placed(moved, placed.offset, placed.run, placed.strength)


def hear(stretches: Sequence[Stretch], cells: int) -> tuple[list[Placed], Cells]:
    """The pulses of every pass, slips removed, and the (cells,) sum of their log-likelihood ratios, not scaled down.

    Args:
        stretches: the same field in several passes, most trusted first: the others are laid against it.
    """
    total = np.zeros(cells)
    every: list[Placed] = []
    for stretch in stretches:
        placed = place_pulses(stretch)
        if every:
            placed = _slips_removed(placed, total)
        every.append(placed)
        total += cell_evidence(placed, stretch.code, cells)
    return every, total


def joint_evidence(stretches: Sequence[Stretch], cells: int) -> Cells:
    """(cells,) log-likelihood ratios of all passes together, scaled down; arguments as for `hear`."""
    return hear(stretches, cells)[1] * (TRUST[stretches[0].code] if stretches else 1.0)
