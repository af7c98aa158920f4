"""One dwell of the head on a track: pulses to sector reads.

A stream is decoded once from end to end, however many turns it holds; a sector that straddles the index is
nothing special then.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from indexhole.codes import marks
from indexhole.codes.code import CodeName, SectorId
from indexhole.codes.known import CODES
from indexhole.kinds import every
from indexhole.recover.fields.stretch import Stretch, cut_stretch
from indexhole.signal.clock.streams import Stream

# How far behind its id a data mark may stand, in bytes of the code: the gaps of the standards with
# room for other formatters' (gap 2 of 11, 22 or 41 bytes, sync and mark; two block headers apart).
_REACH_BYTES: Mapping[CodeName, tuple[int, int]] = every(
    CodeName, {"fm": (14, 44), "mfm": (24, 86), "group45": (8, 60)}
)


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
        source: the stream, or the field's own pulses once the stream was discarded, or None when those too were.
    """

    stream: int
    code: CodeName
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
        return self.field[1 : len(self.field) - CODES[self.code].check.size]

    @property
    def deleted(self) -> bool:
        """Whether the mark was the deleted-data one."""
        return CODES[self.code].is_deleted(self.field[0])

    @property
    def angle(self) -> float:
        """Revolutions from the index, 0 to 1."""
        return self.turn % 1.0

    def stretch(self) -> Stretch | None:
        """The field's own pulses, None when they were discarded."""
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
        return CODES[self.code].decoded_cells(len(self.data))


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


def read_stream(stream: Stream, number: int, orphan_size: int | None = None) -> StreamReads:
    """Find and decode every id and data field of a stream.

    Args:
        stream: the dwell with its clock recovered.
        number: what to call the stream in the reads.
        orphan_size: size to take for data fields without a legible id; by default the commonest size here.
    """
    code = CODES[stream.code]
    found = marks.find_marks(stream.runs, code)
    if not found[0].size:
        return StreamReads((), ())
    id_field, data_field = code.id_field, code.data_field
    heads = marks.decode(stream.runs, stream.errors, code, found, np.full(found[0].size, id_field.size, dtype=np.int64))
    first = heads.data[:, 0]
    whole = (heads.check == 0) & (heads.faults == 0)
    good_id = np.flatnonzero((first == id_field.mark) & whole)
    broken_id = np.flatnonzero((first == id_field.mark) & ~whole)
    data = np.flatnonzero(np.isin(first, data_field.marks))
    ids = [id_field.read(row) for row in heads.data[good_id]]
    sizes = Counter(i.size for i in ids)
    fallback = orphan_size or (sizes.most_common(1)[0][0] if sizes else data_field.usual_size)
    owners = _owners(stream, heads.at[good_id], heads.at[data])
    length = np.array([(ids[o].size if o >= 0 else fallback) + code.frame_bytes for o in owners], dtype=np.int64)
    length, fields = _decoded(stream, (found[0][data], found[1][data]), length, fallback + code.frame_bytes)
    owning = [
        _of_size(ids[owner], size - code.frame_bytes) if owner >= 0 else None
        for owner, size in zip(owners.tolist(), length.tolist(), strict=True)
    ]
    id_turns = stream.turns(heads.at)
    id_reads, broken_reads = (
        tuple(
            IdRead(number, id_field.read(heads.data[k]), at, turn)
            for k, at, turn in zip(which.tolist(), heads.at[which].tolist(), id_turns[which].tolist(), strict=True)
        )
        for which in (good_id, broken_id)
    )
    return StreamReads(id_reads, _sector_reads(stream, number, fields, found[1][data], owning), broken_reads)


def _sector_reads(
    stream: Stream, number: int, fields: marks.Fields, kind: npt.NDArray[np.int64], owning: Sequence[SectorId | None]
) -> tuple[SectorRead, ...]:
    """The decoded data fields of a stream as reads.

    Args:
        kind: (k,) number of the pattern of each field's mark.
        owning: id of each.
    """
    passed = (fields.check == 0) & (fields.faults == 0)
    cut = (fields.last >= stream.runs.size - 1) & ~passed
    rough = float(((fields.faults > 0) & ~cut).sum() + 1) / max(int((~cut).sum()), 1)
    return tuple(
        SectorRead(
            number,
            stream.code,
            one,
            row[:size].tobytes(),
            ok,
            faults,
            worst / 256,
            at,
            pattern,
            turn,
            tick,
            end,
            rough,
            stream,
        )
        for one, row, size, ok, faults, worst, at, pattern, turn, tick, end in zip(
            owning,
            fields.data,
            fields.length.tolist(),
            passed.tolist(),
            fields.faults.tolist(),
            fields.worst.tolist(),
            fields.at.tolist(),
            kind.tolist(),
            stream.turns(fields.at).tolist(),
            stream.segment.read_ticks[fields.at + 1].tolist(),
            cut.tolist(),
            strict=True,
        )
    )


def _of_size(one: SectorId, size: int) -> SectorId:
    return one if one.size == size else replace(one, size=size)


def _decoded(
    stream: Stream, found: marks.Marks, length: npt.NDArray[np.int64], usual: int
) -> tuple[npt.NDArray[np.int64], marks.Fields]:
    """Data fields of these (k,) lengths in bytes; one whose check fails at the length its id names, but passes at the
    usual one of the track, has that: an id may name a size its field has not.
    """
    code = CODES[stream.code]
    fields = marks.decode(stream.runs, stream.errors, code, found, length)
    doubted = np.flatnonzero((fields.check != 0) & (length != usual))
    if doubted.size:
        again = (found[0][doubted], found[1][doubted])
        retried = marks.decode(stream.runs, stream.errors, code, again, np.full(doubted.size, usual))
        other = doubted[(retried.check == 0) & (retried.faults == 0)]
        if other.size:
            length = length.copy()
            length[other] = usual
            fields = marks.decode(stream.runs, stream.errors, code, found, length)
    return length, fields


def _owners(stream: Stream, id_at: npt.NDArray[np.int64], data_at: npt.NDArray[np.int64]) -> npt.NDArray[np.int64]:
    """For each of (k,) data marks the number of the id in front of it, -1 when none stands near enough.

    Args:
        id_at, data_at: run indices, rising.
    """
    if not id_at.size:
        return np.full(data_at.size, -1, dtype=np.int64)
    ticks, (nearest, farthest) = stream.segment.read_ticks, _REACH_BYTES[stream.code]
    before = np.searchsorted(id_at, data_at) - 1
    gap = ticks[data_at + 1] - ticks[id_at[np.maximum(before, 0)] + 1]
    in_bytes = gap / (stream.cell_ticks * CODES[stream.code].cells_per_byte)
    near = (before >= 0) & (in_bytes >= nearest) & (in_bytes <= farthest)
    return np.where(near, before, -1).astype(np.int64)
