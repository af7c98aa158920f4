"""One stay of the head on a track: pulses to sector reads.

A stream is decoded once from end to end, however many turns it holds; a sector that straddles the index is
nothing special then.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from indexhole.codes import marks
from indexhole.signal.streams import Stream

# How far behind its id a data mark may stand, in bytes of the code: the gaps of the standards with
# room for other formatters' (gap 2 of 11, 22 or 41 bytes, sync and mark; two block headers apart).
_REACH_BYTES = {"fm": (14, 44), "mfm": (24, 86), "group45": (8, 60)}
_ID_LENGTH = {"fm": 7, "mfm": 7, "group45": 6}
# Bytes of a data field besides its contents: mark and check.
_FRAME = {"fm": 3, "mfm": 3, "group45": 2}
_ZONED_TRACKS_A_SIDE = 77


@dataclass(frozen=True, slots=True)
class SectorId:
    """What an id field says: cylinder and head as recorded, sector number, size in bytes."""

    cylinder: int
    head: int
    number: int
    size: int


@dataclass(frozen=True, slots=True)
class SectorRead:
    """One data field as one pass read it.

    Attributes:
        stream: number of the stream.
        id: of the id field in front, None when none was legible there.
        data: contents without mark and check.
        passed: whether the field's own check passes and no rule of the code is broken in it.
        faults: places that break the code's rules.
        worst: largest phase error, in cells.
        at: run index of the mark.
        turn: revolutions since the first index.
        deleted: whether the mark was the deleted-data one.
    """

    stream: int
    id: SectorId | None
    data: bytes
    passed: bool
    faults: int
    worst: float
    at: int
    turn: float
    deleted: bool

    @property
    def angle(self) -> float:
        """Revolutions from the index, 0 to 1."""
        return self.turn % 1.0


@dataclass(frozen=True, slots=True)
class IdRead:
    """One legible id field."""

    stream: int
    id: SectorId
    at: int
    turn: float


@dataclass(frozen=True, slots=True)
class StreamReads:
    """All that one stream gave."""

    ids: tuple[IdRead, ...]
    reads: tuple[SectorRead, ...]


def _parse_id(row: npt.NDArray[np.uint8], code: str) -> SectorId:
    if code == "group45":
        track = int(row[3])
        head = 1 if track > _ZONED_TRACKS_A_SIDE else 0
        return SectorId(track - 1 - head * _ZONED_TRACKS_A_SIDE, head, int(row[2]), 256)
    return SectorId(int(row[1]), int(row[2]), int(row[3]), 128 << (int(row[4]) & 7))


def read_stream(stream: Stream, number: int, orphan_size: int | None = None) -> StreamReads:
    """Find and decode every id and data field of a stream.

    Args:
        stream: the stay with its clock recovered.
        number: what to call the stream in the reads.
        orphan_size: size to take for data fields without a legible id; by default the commonest size here.
    """
    code = stream.code
    found = marks.find_marks(stream.runs, code)
    if not found[0].size:
        return StreamReads((), ())
    heads = marks.decode(
        stream.runs, stream.errors, code, found, np.full(found[0].size, _ID_LENGTH[code], dtype=np.int64)
    )
    first = heads.data[:, 0]
    id_byte = marks.BLOCK_HEADER if code == "group45" else marks.ID_MARK
    data_bytes = (marks.BLOCK_DATA,) if code == "group45" else (marks.DATA_MARK, marks.DELETED_MARK)
    good_id = np.flatnonzero((first == id_byte) & (heads.check == 0) & (heads.faults == 0))
    data = np.flatnonzero(np.isin(first, data_bytes))
    ids = [_parse_id(row, code) for row in heads.data[good_id]]
    sizes = Counter(i.size for i in ids)
    fallback = orphan_size or (sizes.most_common(1)[0][0] if sizes else 256 if code == "group45" else 512)
    owners = _owners(stream, heads.at[good_id], heads.at[data], _REACH_BYTES[code])
    length = np.array([(ids[o].size if o >= 0 else fallback) + _FRAME[code] for o in owners], dtype=np.int64)
    fields = marks.decode(stream.runs, stream.errors, code, (found[0][data], found[1][data]), length)
    id_turns = stream.turns(heads.at[good_id])
    turns = stream.turns(fields.at)
    passed = (fields.check == 0) & (fields.faults == 0)
    tail = _FRAME[code] - 1
    reads = tuple(
        SectorRead(
            number,
            ids[owner] if owner >= 0 else None,
            row[1 : size - tail].tobytes(),
            ok,
            faults,
            worst / 256,
            at,
            turn,
            bool(row[0] == marks.DELETED_MARK),
        )
        for owner, row, size, ok, faults, worst, at, turn in zip(
            owners.tolist(),
            fields.data,
            length.tolist(),
            passed.tolist(),
            fields.faults.tolist(),
            fields.worst.tolist(),
            fields.at.tolist(),
            turns.tolist(),
            strict=True,
        )
    )
    id_reads = tuple(
        IdRead(number, one, at, turn)
        for one, at, turn in zip(ids, heads.at[good_id].tolist(), id_turns.tolist(), strict=True)
    )
    return StreamReads(id_reads, reads)


def _owners(
    stream: Stream, id_at: npt.NDArray[np.int64], data_at: npt.NDArray[np.int64], reach: tuple[int, int]
) -> npt.NDArray[np.int64]:
    """For each data mark the number of the id in front of it, -1 when none stands near enough."""
    if not id_at.size:
        return np.full(data_at.size, -1, dtype=np.int64)
    ticks = stream.segment.read_ticks
    before = np.searchsorted(id_at, data_at) - 1
    gap = ticks[data_at + 1] - ticks[id_at[np.maximum(before, 0)] + 1]
    in_bytes = gap / (stream.cell_ticks * marks.CELLS_PER_BYTE[stream.code])
    near = (before >= 0) & (in_bytes >= reach[0]) & (in_bytes <= reach[1])
    return np.where(near, before, -1).astype(np.int64)
