"""Whether some turn of a dwell was read whole, so that a sector it does not show is not there.

A sector that went unread leaves traces: an id whose check fails, a data field without an id, pulses the code forbids,
or a stretch without pulses, somewhere between the fields that were read. A turn in which no stretch long enough for a
sector has any of these holds no other sector. A few forbidden runs are let pass, since writing leaves them wherever
it was switched on or off.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Cells = npt.NDArray[np.int64]

# A sector needs at least this share of the shortest distance between two ids.
_SECTOR_SHARE = 0.5
_SPLICE_RUNS, _LONGEST_RUN = 4, 40


@dataclass(frozen=True, slots=True)
class Legible:
    """What a dwell shows of its fields, in cells from its first pulse, each array rising.

    Attributes:
        starts, ends: (k,) cells each field that was read takes, sync and gap 2 included.
        ids: (i,) first cells of the ids.
        doubtful: (d,) first cells of broken ids and of data fields without an id; in any order.
        at: (r,) cell at which each run the code forbids ends; `runs` (r,) its length.
    """

    starts: Cells
    ends: Cells
    ids: Cells
    doubtful: Cells
    at: Cells
    runs: Cells


def whole_turn(turns: Sequence[tuple[int, int]], seen: Legible) -> bool:
    """Whether one of the turns was read whole.

    Args:
        turns: first cell of each, and the one behind its last.
    """
    if seen.ids.size < 2 or not turns:
        return False
    shortest = _SECTOR_SHARE * float(np.diff(seen.ids).min())
    return any(_read_whole(first, end, seen, shortest) for first, end in turns)


def _read_whole(first: int, end: int, seen: Legible, shortest: float) -> bool:
    starts, ends, doubtful = seen.starts, seen.ends, seen.doubtful
    inside = (ends > first) & (starts < end)
    within = np.searchsorted(starts, doubtful, side="right") - 1
    # Dirt in a field that was read may look like a mark.
    own = (within >= 0) & (doubtful < np.append(ends, 0)[within])
    if np.any((doubtful >= first) & (doubtful < end) & ~own):
        return False
    # What lies free: from the start of the turn, and from the end of each field, to the next one.
    opens = np.concatenate(([first], np.maximum.accumulate(ends[inside])))
    closes = np.concatenate((starts[inside], [end]))
    long = closes - opens > shortest
    low, high = np.searchsorted(seen.at, opens[long]), np.searchsorted(seen.at, closes[long])
    if np.any(high - low > _SPLICE_RUNS):
        return False
    return not any(np.any(seen.runs[a:b] > _LONGEST_RUN) for a, b in zip(low.tolist(), high.tolist(), strict=True))
