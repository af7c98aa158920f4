"""What one dwell tells of how its track was laid down: gaps in bytes, lead-in, index mark, fill, cells a turn.

Distances are counted in cells from mark to mark and turned into bytes of the code. The sync in front of a mark is
taken to have its usual length (12 bytes of MFM, 6 of FM, 40 cells of the group code: data sheets and manual as in
docs/layouts.md), so a longer sync shows as a longer gap.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import assert_never

import numpy as np
import numpy.typing as npt

from indexhole.codes import marks
from indexhole.codes.code import Blocks, Code, MarkedFields
from indexhole.codes.known import CODES
from indexhole.recover.fields.coverage import Legible, whole_turn
from indexhole.recover.fields.reads import IdRead, StreamReads
from indexhole.signal.clock.streams import Stream

# Gap bytes looked at behind an id; the first may be cut by the writer's switching.
_FILL_FROM, _FILL_TO = 1, 8
_MOST_SAMPLED = 24
# How far in front of a field, or behind an id, nothing may be illegible, and runs that break the code let pass there:
# a writer's switching makes some. A longer run than the longest says that pulses are gone.
_NEAR_BYTES, _SPLICE_RUNS, _LONGEST_RUN = 60, 2, 8
# No data field behind an id stands farther off than this.
_ALONE_BYTES = 100
_LONGEST_GAP_BYTES = 1200

Cells = npt.NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class Survey:
    """What one dwell tells of its track. Lengths are in bytes (raw ones of eight cells in the group code).

    Attributes:
        clean: whether some turn was read whole, so that a sector it does not show is not there.
        cells_a_turn: cells from one index to the next, None without two.
        gap_2, gap_3: each one measured.
        lead_in: from each index pulse to the sync of the first id behind it.
        index_mark: from each index pulse to the sync of the index mark behind it, empty when there is none.
        gap_1: from each index mark to the sync of the first id behind it.
        last_gap: from the end of the last data field of each turn to the index pulse.
        gap_fill: bytes of gap behind ids, with how often each was read.
        bare_fields: turns at which a data field stands without an id though nothing illegible lies in front of it.
        bare_ids: turns at which an id stands without data though nothing illegible lies behind it.
    """

    clean: bool
    cells_a_turn: float | None
    gap_2: tuple[float, ...]
    gap_3: tuple[float, ...]
    lead_in: tuple[float, ...]
    index_mark: tuple[float, ...]
    gap_1: tuple[float, ...]
    last_gap: tuple[float, ...]
    gap_fill: tuple[tuple[int, int], ...]
    bare_fields: tuple[float, ...]
    bare_ids: tuple[float, ...]


def survey(stream: Stream, reads: StreamReads) -> Survey:
    """Measure a dwell whose fields were read."""
    code = CODES[stream.code]
    cells = np.concatenate((np.zeros(1, dtype=np.int64), np.cumsum(stream.runs, dtype=np.int64)))
    ids = _starts(code, cells, [(i.at, 0) for i in reads.ids])
    data = _starts(code, cells, [(r.at, r.kind) for r in reads.reads])
    ends = data + np.array([_data_cells(code, len(r.data)) for r in reads.reads], dtype=np.int64)
    passed = np.array([r.passed for r in reads.reads], dtype=np.bool_)
    named = np.array([r.id is not None for r in reads.reads], dtype=np.bool_)
    index = np.rint(stream.cell_numbers(stream.inner_index())).astype(np.int64)
    index_marks = _index_marks(stream, cells)
    broken = _starts(code, cells, [(i.at, 0) for i in reads.broken_ids])
    starts = np.sort(np.concatenate((ids, data, broken)))
    low, high = code.run_limits
    forbidden = np.flatnonzero((stream.runs < low) | (stream.runs > high))
    illegible = cells[forbidden + 1]
    near = _NEAR_BYTES * code.cells_per_byte
    # A stretch without pulses is one run only, but as illegible as many.
    silent = np.repeat(np.flatnonzero(stream.runs > _LONGEST_RUN), _SPLICE_RUNS + 1)
    doubtful = np.sort(np.concatenate((illegible, cells[silent], cells[silent + 1])))
    lone = ~named & _clear(doubtful, data - code.cells.sync - near, data)
    alone = _without_data(code, ids, data, int(cells[-1])) & _clear(doubtful, ids, ids + code.cells.id_field + near)
    return Survey(
        clean=whole_turn(
            _turns(stream, cells, ids, index),
            Legible(
                *_blocks(code, ids, data[named], ends[named]),
                ids,
                np.concatenate((broken, data[~named])),
                illegible,
                stream.runs[forbidden].astype(np.int64),
            ),
        ),
        cells_a_turn=float(np.diff(index).mean()) if index.size > 1 else None,
        gap_2=_bytes(code, _gaps_2(code, ids, data[named])),
        gap_3=_bytes(code, _gaps_3(code, ends[passed], ids, starts, index)),
        lead_in=_bytes(code, _first_behind(index, starts, ids) - code.cells.sync),
        index_mark=_bytes(code, _first_behind(index, np.union1d(starts, index_marks), index_marks) - code.cells.sync),
        gap_1=_bytes(code, _first_behind(index_marks, starts, ids) - code.cells.sync - _index_cells(code)),
        last_gap=_bytes(code, _before(index, ends[passed], starts)),
        gap_fill=_gap_fill(stream, reads.ids),
        bare_fields=tuple(r.turn for r, bare in zip(reads.reads, lone.tolist(), strict=True) if bare),
        bare_ids=tuple(i.turn for i, bare in zip(reads.ids, alone.tolist(), strict=True) if bare),
    )


def _clear(illegible: Cells, first: Cells, end: Cells) -> npt.NDArray[np.bool_]:
    """Whether hardly any run between each two cells breaks the rules of the code: a splice does, dirt does more."""
    return np.asarray(np.searchsorted(illegible, end) - np.searchsorted(illegible, first) <= _SPLICE_RUNS)


def _without_data(code: Code, ids: Cells, data: Cells, end: int) -> npt.NDArray[np.bool_]:
    """Which ids have no data field close behind them, though the log goes on for long enough to show one."""
    following = np.append(data, end)[np.searchsorted(data, ids)]
    return np.asarray(following - ids > _ALONE_BYTES * code.cells_per_byte)


def _blocks(code: Code, ids: Cells, data: Cells, ends: Cells) -> tuple[Cells, Cells]:
    """Cells each sector takes, from the sync of its id to the end of its data; an id alone takes its own."""
    starts = ids - code.cells.sync
    stops = ids + code.cells.id_field
    if ids.size and data.size:
        owner = np.searchsorted(ids, data) - 1
        owned = owner >= 0
        stops[owner[owned]] = np.maximum(stops[owner[owned]], ends[owned])
    return starts, stops


def _turns(stream: Stream, cells: Cells, ids: Cells, index: Cells) -> list[tuple[int, int]]:
    """Turns the dwell holds whole: from index to index, else from the first id on by their length."""
    if index.size > 1:
        return list(pairwise(index.tolist()))
    length = int(stream.turn_ticks / stream.cell_ticks)
    first = int(ids[0]) if ids.size else 0
    return [(a, a + length) for a in range(first, int(cells[-1]) - length, length)] if length > 0 else []


def _starts(code: Code, cells: Cells, fields: Sequence[tuple[int, int]]) -> Cells:
    """First cell of each field's mark, from the run that closes its pattern and the number of the pattern."""
    lead = [cells[at + 1] + code.marks[kind].lead for at, kind in fields]
    return np.array(lead, dtype=np.int64) - code.cells.mark


def _data_cells(code: Code, size: int) -> int:
    return code.cells.data_frame + size * code.cells_per_byte


def _bytes(code: Code, cells: Cells) -> tuple[float, ...]:
    return tuple(round(float(c) / code.gap_byte_cells, 2) for c in cells)


def _gaps_2(code: Code, ids: Cells, data: Cells) -> Cells:
    """From the end of each id to the sync of the data field it owns."""
    if not ids.size or not data.size:
        return np.empty(0, dtype=np.int64)
    owner = np.searchsorted(ids, data) - 1
    return (data - ids[np.maximum(owner, 0)] - code.cells.id_field - code.cells.sync)[owner >= 0]


def _gaps_3(code: Code, ends: Cells, ids: Cells, starts: Cells, index: Cells) -> Cells:
    """From the end of each data field to the sync of the next id, where neither field nor index lies between."""
    gaps = []
    for end in ends.tolist():
        following = int(np.searchsorted(ids, end))
        if following >= ids.size:
            continue
        start = int(ids[following])
        between = np.searchsorted(starts, start) - np.searchsorted(starts, end)
        if between == 0 and np.searchsorted(index, start) == np.searchsorted(index, end):
            gaps.append(start - end - code.cells.sync)
    found = np.array(gaps, dtype=np.int64)
    return found[found <= _LONGEST_GAP_BYTES * code.gap_byte_cells]


def _first_behind(points: Cells, starts: Cells, wanted: Cells) -> Cells:
    """From each point to the first field behind it, when that is one of those wanted."""
    at = np.searchsorted(starts, points)
    reached = at < starts.size
    first = starts[at[reached]]
    apart: Cells = (first - points[reached])[np.isin(first, wanted)]
    return apart


def _before(points: Cells, ends: Cells, starts: Cells) -> Cells:
    """From the last end before each point, when no field begins in between."""
    at = np.searchsorted(ends, points) - 1
    reached = at >= 0
    last = ends[at[reached]]
    lone = np.searchsorted(starts, points[reached]) == np.searchsorted(starts, last)
    apart: Cells = (points[reached] - last)[lone]
    return apart


def _index_cells(code: Code) -> int:
    """Cells of an index mark with its mark byte, 0 in a code without one."""
    match code.track:
        case MarkedFields():
            return (len(code.track.index_lead) + 1) * code.cells_per_byte
        case Blocks():
            return 0
        case _:
            assert_never(code.track)


def _index_marks(stream: Stream, cells: Cells) -> Cells:
    """(k,) first cells of the index marks, none in a code without them."""
    code = CODES[stream.code]
    match code.track:
        case MarkedFields():
            pattern = code.track.index_pattern
            at, _ = marks.find_patterns(stream.runs, [pattern])
            return cells[at + 1] + pattern.lead - code.cells.mark
        case Blocks():
            return np.empty(0, dtype=np.int64)
        case _:
            assert_never(code.track)


def _gap_fill(stream: Stream, ids: Sequence[IdRead]) -> tuple[tuple[int, int], ...]:
    """Bytes of the gaps behind ids, commonest first; none where gaps are not put through the code."""
    code = CODES[stream.code]
    if code.gap_byte_cells != code.cells_per_byte or not ids:
        return ()
    sample = np.array([i.at for i in ids[:_MOST_SAMPLED]], dtype=np.int64)
    found = marks.find_marks(stream.runs, code)
    at = np.searchsorted(found[0], sample)
    length = np.full(sample.size, code.id_field.size + _FILL_TO, dtype=np.int64)
    fields = marks.decode(stream.runs, stream.errors, code, (sample, found[1][at]), length)
    return tuple(Counter(fields.data[:, code.id_field.size + _FILL_FROM :].ravel().tolist()).most_common(3))
