"""How well each stretch of a track was read, for the unrolled picture and the speed curve."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from indexhole.codes.known import CODES
from indexhole.recover.shapes.result import QualityMap
from indexhole.signal.clock.streams import Stream

# An rms phase error of this many cells leaves nothing to tell one cell from the next by.
_WORST_RMS = 0.29


def quality_map(stream: Stream, bins: int) -> QualityMap:
    """One row per turn of a stream; `cell_ratio` holds seconds until joined_quality divides by the nominal cell.

    Quality of a bin is 1 - rms phase error / 0.29 (the rms of an error spread evenly over the window, 1/sqrt(12)
    cell), lowered by the share of runs the code forbids. Local cell length is interval over run, averaged.
    """
    turns = stream.turns(np.arange(stream.runs.size, dtype=np.int64))
    low, high = CODES[stream.code].run_limits
    runs = stream.runs.astype(np.int64)
    forbidden = (runs < low) | (runs > high)
    square = (stream.errors.astype(np.float64) / 256) ** 2
    first, last = int(np.floor(turns[0] + 1e-9)), int(np.ceil(turns[-1] - 1e-9))
    slot = np.clip(((turns - first) * bins).astype(np.int64), 0, (last - first) * bins - 1)
    size = (last - first) * bins
    count = np.bincount(slot, minlength=size).astype(np.float64)
    inside = ~forbidden
    with np.errstate(invalid="ignore", divide="ignore"):
        rms = np.sqrt(np.bincount(slot, weights=square, minlength=size) / count)
        bad = np.bincount(slot, weights=forbidden, minlength=size) / count
        good = np.clip(1 - rms / _WORST_RMS, 0, 1) * np.clip(1 - 4 * bad, 0, 1)
        ticks = np.bincount(slot[inside], weights=stream.intervals[inside], minlength=size)
        cells = np.bincount(slot[inside], weights=runs[inside], minlength=size)
        cell_s = ticks / cells * stream.segment.tick_s
    # A bin the dwell covers but in which no pulse fell is not unlogged: it is as bad as can be.
    middle = (np.arange(size) + 0.5) / bins + first
    good[(count == 0) & (middle > turns[0]) & (middle < turns[-1])] = 0.0
    return QualityMap(good.reshape(-1, bins).astype(np.float32), cell_s.reshape(-1, bins).astype(np.float32))


def joined_quality(maps: Sequence[QualityMap | None], nominal_cell_s: float) -> QualityMap | None:
    """The maps of all dwells on a track one under another, local cells over the nominal one; None without any."""
    found = [m for m in maps if m is not None]
    if not found:
        return None
    ratio = np.concatenate([m.cell_ratio for m in found]) / np.float32(nominal_cell_s)
    return QualityMap(np.concatenate([m.quality for m in found]), ratio.astype(np.float32))
