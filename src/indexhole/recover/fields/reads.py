"""One stay of the head on a track: pulses to sector reads.

A stream is decoded once from end to end, however many turns it holds; a sector that straddles the index is
nothing special then.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from indexhole.codes import marks
from indexhole.recover.fields.stretch import Stretch, cut_stretch
from indexhole.signal.clock.streams import Stream

# How far behind its id a data mark may stand, in bytes of the code: the gaps of the standards with
# room for other formatters' (gap 2 of 11, 22 or 41 bytes, sync and mark; two block headers apart).
_REACH_BYTES = {"fm": (14, 44), "mfm": (24, 86), "group45": (8, 60)}
ID_LENGTH = {"fm": 7, "mfm": 7, "group45": 6}
_CHECK_BYTES = {"fm": 2, "mfm": 2, "group45": 1}
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
        code: its code.
        id: of the id field in front, with the size the field has; None when none was legible there.
        field: mark byte, contents, check.
        passed: whether the field's own check passes and no rule of the code is broken in it.
        faults: places that break the code's rules.
        worst: largest phase error, in cells.
        at: run index of the mark; `kind` the pattern it matched.
        turn: revolutions since the first index.
        tick: of the pulse that closes the mark, on the capture's own clock.
        cut: whether the log ended inside the field.
        rough: share of the data fields of the whole stream in which a rule of the code is broken, one counted more than
            were seen: few fields prove little.
        source: the stream, or the field's own pulses once the stream was let go, or None when those too were.
    """

    stream: int
    code: str
    id: SectorId | None
    field: bytes
    passed: bool
    faults: int
    worst: float
    at: int
    kind: int
    turn: float
    tick: int
    cut: bool
    rough: float
    source: Stream | Stretch | None

    @property
    def data(self) -> bytes:
        """Contents without mark and check."""
        return self.field[1 : len(self.field) - _CHECK_BYTES[self.code]]

    @property
    def deleted(self) -> bool:
        """Whether the mark was the deleted-data one."""
        return self.field[0] == marks.DELETED_MARK and self.code != "group45"

    @property
    def angle(self) -> float:
        """Revolutions from the index, 0 to 1."""
        return self.turn % 1.0

    def stretch(self) -> Stretch | None:
        """The field's own pulses, None when they were let go."""
        if isinstance(self.source, Stream):
            return cut_stretch(self.source, self.at, self.kind, self.cells)
        return self.source

    def rewritten(self, stream: int, source: Stream | Stretch | None) -> SectorRead:
        """The same read under another stream number and with another source (faster than dataclasses.replace)."""
        return SectorRead(
            stream,
            self.code,
            self.id,
            self.field,
            self.passed,
            self.faults,
            self.worst,
            self.at,
            self.kind,
            self.turn,
            self.tick,
            self.cut,
            self.rough,
            source,
        )

    @property
    def cells(self) -> int:
        """Cells from the end of the mark to the end of the check."""
        return field_cells(self.code, len(self.data))


def field_cells(code: str, size: int) -> int:
    """Cells of a data field of `size` bytes that decoding covers: what the mark already stood for is not among them."""
    return (size + _FRAME[code] - (code == "fm")) * marks.CELLS_PER_BYTE[code]


@dataclass(frozen=True, slots=True)
class IdRead:
    """One legible id field."""

    stream: int
    id: SectorId
    at: int
    turn: float


@dataclass(frozen=True, slots=True)
class StreamReads:
    """All that one stream gave; `broken_ids` are those whose check fails, as they read."""

    ids: tuple[IdRead, ...]
    reads: tuple[SectorRead, ...]
    broken_ids: tuple[IdRead, ...] = ()


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
        stream.runs, stream.errors, code, found, np.full(found[0].size, ID_LENGTH[code], dtype=np.int64)
    )
    first = heads.data[:, 0]
    id_byte = marks.BLOCK_HEADER if code == "group45" else marks.ID_MARK
    data_bytes = (marks.BLOCK_DATA,) if code == "group45" else (marks.DATA_MARK, marks.DELETED_MARK)
    whole = (heads.check == 0) & (heads.faults == 0)
    good_id, broken_id = np.flatnonzero((first == id_byte) & whole), np.flatnonzero((first == id_byte) & ~whole)
    data = np.flatnonzero(np.isin(first, data_bytes))
    ids = [_parse_id(row, code) for row in heads.data[good_id]]
    sizes = Counter(i.size for i in ids)
    fallback = orphan_size or (sizes.most_common(1)[0][0] if sizes else 256 if code == "group45" else 512)
    owners = _owners(stream, heads.at[good_id], heads.at[data], _REACH_BYTES[code])
    length = np.array([(ids[o].size if o >= 0 else fallback) + _FRAME[code] for o in owners], dtype=np.int64)
    length, fields = _decoded(stream, (found[0][data], found[1][data]), length, fallback + _FRAME[code])
    id_turns = stream.turns(heads.at)
    turns = stream.turns(fields.at)
    passed = (fields.check == 0) & (fields.faults == 0)
    cut = (fields.last >= stream.runs.size - 1) & ~passed
    rough = float(((fields.faults > 0) & ~cut).sum() + 1) / max(int((~cut).sum()), 1)
    reads = tuple(
        SectorRead(
            number,
            code,
            _of_size(ids[owner], size - _FRAME[code]) if owner >= 0 else None,
            row[:size].tobytes(),
            ok,
            faults,
            worst / 256,
            at,
            kind,
            turn,
            tick,
            end,
            rough,
            stream,
        )
        for owner, row, size, ok, faults, worst, at, kind, turn, tick, end in zip(
            owners.tolist(),
            fields.data,
            length.tolist(),
            passed.tolist(),
            fields.faults.tolist(),
            fields.worst.tolist(),
            fields.at.tolist(),
            found[1][data].tolist(),
            turns.tolist(),
            stream.segment.read_ticks[fields.at + 1].tolist(),
            cut.tolist(),
            strict=True,
        )
    )
    id_reads, broken_reads = (
        tuple(
            IdRead(number, _parse_id(heads.data[k], code), at, turn)
            for k, at, turn in zip(which.tolist(), heads.at[which].tolist(), id_turns[which].tolist(), strict=True)
        )
        for which in (good_id, broken_id)
    )
    return StreamReads(id_reads, reads, broken_reads)


def _of_size(one: SectorId, size: int) -> SectorId:
    return one if one.size == size else replace(one, size=size)


def _decoded(
    stream: Stream, found: marks.Marks, length: npt.NDArray[np.int64], usual: int
) -> tuple[npt.NDArray[np.int64], marks.Fields]:
    """Data fields of these lengths; one whose check fails at the length its id names, but passes at the usual one
    of the track, has that: an id may name a size its field has not.
    """
    fields = marks.decode(stream.runs, stream.errors, stream.code, found, length)
    doubted = np.flatnonzero((fields.check != 0) & (length != usual))
    if doubted.size:
        again = (found[0][doubted], found[1][doubted])
        retried = marks.decode(stream.runs, stream.errors, stream.code, again, np.full(doubted.size, usual))
        other = doubted[(retried.check == 0) & (retried.faults == 0)]
        if other.size:
            length = length.copy()
            length[other] = usual
            fields = marks.decode(stream.runs, stream.errors, stream.code, found, length)
    return length, fields


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
