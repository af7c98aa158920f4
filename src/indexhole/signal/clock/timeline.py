"""Pulse times against cell numbers: what the timing gauges are measured on.

Within a block of pulses the time of each is fitted by a parabola in its cell number (speed and its drift);
what is left over is jitter. A block with a run the code forbids is left out: a dropout or a splice there
would shift every cell number behind it.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from indexhole.codes.known import CODES
from indexhole.signal.clock.streams import Stream

BLOCK = 256
# Blocks fitted at a time: half a million pulses, at some 80 bytes each.
_AT_A_TIME = 2048

Floats = npt.NDArray[np.float64]


@dataclass(frozen=True)
class Residuals:
    """What is left of pulse times when local speed is taken out.

    Attributes:
        late_s: (blocks, 256) seconds each pulse is late.
        before, after: (blocks, 256) runs in front of and behind the pulse, in cells.
        cell_s: mean cell of the blocks.
        blocks: how many there were with those that were left out for a run the code forbids.
    """

    late_s: Floats
    before: npt.NDArray[np.uint8]
    after: npt.NDArray[np.uint8]
    cell_s: float
    blocks: int


def residuals(stream: Stream) -> Iterator[Residuals]:
    """Fit each block of pulses of a stream, many blocks at a time; a stream shorter than one block gives none."""
    blocks = max(0, stream.runs.size - 1) // BLOCK
    for first in range(0, blocks, _AT_A_TIME):
        yield _residuals(stream, first, min(first + _AT_A_TIME, blocks))


def _residuals(stream: Stream, first: int, end: int) -> Residuals:
    low, high = CODES[stream.code].run_limits
    blocks, part = end - first, slice(first * BLOCK, end * BLOCK)
    runs = stream.runs[part].reshape(blocks, BLOCK)
    after = stream.runs[part.start + 1 : part.stop + 1].reshape(blocks, BLOCK)
    legal = ((runs >= low) & (runs <= high) & (after >= low) & (after <= high)).all(axis=1)
    runs, after = runs[legal], after[legal]
    # Counted from each block's start, so that squares of cell numbers stay small.
    time = np.cumsum(stream.intervals[part].reshape(blocks, BLOCK)[legal], axis=1, dtype=np.float64)
    cell = np.cumsum(runs, axis=1, dtype=np.float64)
    late, slope = _parabola_residuals(cell, time)
    tick = stream.segment.tick_s
    cell_s = float(np.mean(slope)) * tick if slope.size else float("nan")
    # A slip inside a block leaves residuals of half a cell: such a block says nothing of jitter.
    calm = np.abs(late).max(axis=1, initial=0.0) * tick < 0.5 * cell_s if slope.size else np.zeros(0, dtype=bool)
    return Residuals(late[calm] * tick, runs[calm], after[calm], cell_s, blocks)


def _parabola_residuals(x: Floats, y: Floats) -> tuple[Floats, Floats]:
    """Residuals of a least-squares parabola in each row, and the slope at the row's middle."""
    middle, half = (x[:, :1] + x[:, -1:]) / 2, (x[:, -1:] - x[:, :1]) / 2
    u = (x - middle) / np.maximum(half, 1.0)
    basis = np.stack((np.ones_like(u), u, u * u), axis=2)
    normal = np.einsum("bik,bil->bkl", basis, basis)
    right = np.einsum("bik,bi->bk", basis, y)
    fit = np.linalg.solve(normal, right[:, :, None])[:, :, 0]
    return y - np.einsum("bik,bk->bi", basis, fit), fit[:, 1] / np.maximum(half[:, 0], 1.0)


@dataclass(frozen=True)
class SpeedCurve:
    """Local cell length along a stay.

    Attributes:
        turn: (k,) revolutions from the first index, middle of each bin.
        cell_s: (k,) mean cell in the bin, nan where the code broke down.
    """

    turn: Floats
    cell_s: Floats


def speed_curve(stream: Stream, bins: int) -> SpeedCurve:
    """Local cell length in `bins` bins a turn, as interval sum over run sum of the legal runs in each."""
    low, high = CODES[stream.code].run_limits
    turns = stream.turns(np.arange(stream.runs.size, dtype=np.int64))
    legal = (stream.runs >= low) & (stream.runs <= high)
    first = int(np.floor(turns[0] * bins))
    slot = np.floor(turns * bins).astype(np.int64) - first
    size = int(slot[-1]) + 1
    ticks = np.bincount(slot[legal], weights=stream.intervals[legal], minlength=size)
    cells = np.bincount(slot[legal], weights=stream.runs[legal], minlength=size)
    share = np.bincount(slot[legal], minlength=size) / np.maximum(np.bincount(slot, minlength=size), 1)
    enough = (cells > 64) & (share > 0.98)
    cell = np.full(size, np.nan)
    cell[enough] = ticks[enough] / cells[enough] * stream.segment.tick_s
    return SpeedCurve((np.arange(size) + first + 0.5) / bins, cell)
