"""How well each stretch of a track was read, for the unrolled picture and the speed curve."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from indexhole.codes.marks import RUN_LIMITS
from indexhole.recover.result import QualityMap
from indexhole.signal.streams import Stream

# An rms phase error of this many cells leaves nothing to tell one cell from the next by.
_WORST_RMS = 0.29


def quality_map(streams: Sequence[Stream], bins: int, nominal_cell_s: float | None) -> QualityMap:
    """One row per turn of each stream.

    Quality of a bin is 1 - rms phase error / 0.29 (the rms of an error spread evenly over the window, 1/sqrt(12)
    cell), lowered by the share of runs the code forbids. Local cell length is interval over run, averaged.
    """
    quality: list[npt.NDArray[np.float32]] = []
    ratio: list[npt.NDArray[np.float32]] = []
    for stream in streams:
        at = np.arange(stream.runs.size, dtype=np.int64)
        turns = stream.turns(at)
        low, high = RUN_LIMITS[stream.code]
        runs = stream.runs.astype(np.int64)
        forbidden = (runs < low) | (runs > high)
        square = (stream.errors.astype(np.float64) / 256) ** 2
        cell = nominal_cell_s or float(stream.cell_ticks * stream.segment.tick_s)
        first, last = int(np.floor(turns[0] + 1e-9)), int(np.ceil(turns[-1] - 1e-9))
        slot = np.clip(((turns - first) * bins).astype(np.int64), 0, (last - first) * bins - 1)
        size = (last - first) * bins
        count = np.bincount(slot, minlength=size).astype(np.float64)
        with np.errstate(invalid="ignore", divide="ignore"):
            rms = np.sqrt(np.bincount(slot, weights=square, minlength=size) / count)
            bad = np.bincount(slot, weights=forbidden, minlength=size) / count
            good = np.clip(1 - rms / _WORST_RMS, 0, 1) * np.clip(1 - 4 * bad, 0, 1)
            inside = ~forbidden
            ticks = np.bincount(slot[inside], weights=stream.intervals[inside], minlength=size)
            cells = np.bincount(slot[inside], weights=runs[inside], minlength=size)
            local = ticks / cells * stream.segment.tick_s / cell
        # A bin the stay covers but in which no pulse fell is not unlogged: it is as bad as can be.
        edge = (np.arange(size) + 0.5) / bins + first
        covered = (edge > turns[0]) & (edge < turns[-1])
        good[(count == 0) & covered] = 0.0
        quality.append(good.reshape(-1, bins).astype(np.float32))
        ratio.append(local.reshape(-1, bins).astype(np.float32))
    return QualityMap(np.concatenate(quality), np.concatenate(ratio))
