"""Fields that repeat an earlier one pulse for pulse: a logger's copy of the last turn, no second witness.

The head never sees the same field twice at the same ticks: noise alone moves some of any hundred pulses by a tick. So
fields whose intervals agree exactly over hundreds of pulses are one reading, given twice.
"""

from __future__ import annotations

from indexhole.recover.fields.reads import SectorRead, StreamReads
from indexhole.signal.clock.streams import Stream

_COMPARED, _FEWEST = 400, 200


def without_copies(stream: Stream, reads: StreamReads) -> tuple[StreamReads, tuple[SectorRead, ...]]:
    """The reads of a dwell without copies, and the copies."""
    seen: set[bytes] = set()
    kept: list[SectorRead] = []
    copies: list[SectorRead] = []
    for read in reads.reads:
        intervals = stream.intervals[read.at + 1 : read.at + 1 + _COMPARED]
        key = intervals.tobytes()
        if key in seen and intervals.size >= _FEWEST:
            copies.append(read)
        else:
            seen.add(key)
            kept.append(read)
    return (StreamReads(reads.ids, tuple(kept), reads.broken_ids) if copies else reads), tuple(copies)
