"""The cells of a whole track: gaps, syncs, marks, headers and data of every sector of a layout.

Field order and counts: format tables of two controller data sheets, which agree; group-code block: figure of
a user manual, its fill bytes and the header's order of identity bytes from memory.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass
from functools import reduce
from operator import xor
from typing import assert_never

import numpy as np

from indexhole.codes.code import Blocks, Code, MarkedFields
from indexhole.codes.crc import with_edc
from indexhole.codes.encode import Cells, group_cells, group_sync, raw_cells
from indexhole.codes.tables import (
    DATA_MARK,
    DELETED_MARK,
    GROUP_DATA,
    GROUP_GAP_BYTE,
    GROUP_HEADER,
    GROUP_HEADER_FILL,
    ID_MARK,
    INDEX_MARK,
)
from indexhole.standards.layouts import Gaps, Layout, Zone


@dataclass(frozen=True, slots=True)
class SectorSpan:
    """Where a sector lies on its track, in cells from the first one written.

    `header` is the start of the sync before the header, `data` the start of the sync before the data mark,
    `end` the first cell behind the data field's check.
    """

    header: int
    data: int
    end: int


@dataclass(frozen=True)
class TrackCells:
    """A track as a writer lays it down.

    Attributes:
        cells: (n,) uint8, 1 where the flux turns.
        spans: by sector number; one that would end behind the last cell is cut there, as by the index.
    """

    cells: Cells
    spans: Mapping[int, SectorSpan]


def _size_code(sector_bytes: int) -> int:
    return (sector_bytes // 128).bit_length() - 1


_FILL = 0xE5


class MarkedBytes:
    """A growing track of marked fields in bytes, with the positions of its marks."""

    def __init__(self, code: Code, fields: MarkedFields) -> None:
        self.code, self.fields = code, fields
        self.data = bytearray()
        self.marks: list[int] = []

    def gap(self, count: int, fill: int | None = None) -> None:
        """Bytes of gap, of the code's usual one unless `fill` is given."""
        self.data += bytes([self.code.gap_byte if fill is None else fill]) * count

    def field(self, mark: int, body: bytes, *, broken: bool = False) -> None:
        """Sync, mark, body and its check, which is wrong when `broken`."""
        whole = with_edc(self.fields.lead + bytes([mark]) + body)
        self._marked(len(self.fields.lead), whole[:-1] + bytes([whole[-1] ^ 0x5A]) if broken else whole)

    def index_mark(self) -> None:
        """Sync and index mark."""
        self._marked(len(self.fields.index_lead), self.fields.index_lead + bytes([INDEX_MARK]))

    def _marked(self, lead: int, whole: bytes) -> None:
        self.data += bytes(self.fields.sync_bytes)
        at = len(self.data)
        self.marks += range(at, at + max(lead, 1))
        self.data += whole

    def cells(self) -> Cells:
        """All of it as cells: (n,) uint8."""
        return self.code.encode(bytes(self.data), self.marks)


def data_field_cells(zone: Zone, data: bytes, *, deleted: bool = False) -> Cells:
    """Cells (n,) of one data field alone, sync and check included, as a later writer lays it over an old one."""
    code = zone.recording
    match code.track:
        case Blocks():
            return np.concatenate((group_sync(), group_cells(_group_data(data))))
        case MarkedFields():
            track = MarkedBytes(code, code.track)
            track.field(DELETED_MARK if deleted else DATA_MARK, data)
            return track.cells()
        case _:
            assert_never(code.track)


def _group_data(data: bytes) -> bytes:
    return bytes([GROUP_DATA]) + data + bytes([reduce(xor, data, 0), 0, 0])


def _group_header(track: int, sector: int, disk_id: bytes) -> bytes:
    body = bytes([sector, track, disk_id[1], disk_id[0]])
    return bytes([GROUP_HEADER, reduce(xor, body)]) + body + bytes([GROUP_HEADER_FILL] * 2)


def track_cells(
    layout: Layout,
    cylinder: int,
    head: int,
    sectors: Mapping[int, bytes],
    room: int | None = None,
    *,
    deleted: Collection[int] = (),
    disk_id: bytes = b"A1",
) -> TrackCells:
    """Cells of a whole track, filled up with gap to one revolution.

    Args:
        sectors: bytes of each sector by number; one that is not given holds E5h.
        room: cells the writer lays down in its revolution; at nominal speed when None. What does not fit is
            cut off, last sector first, as the index ends a write.
        deleted: sectors that get the deleted-data mark (FM and MFM only).
        disk_id: the two identity bytes of a group-code header, as the keeper would name them.

    Raises:
        ValueError: no such track, or a sector of a number or length the layout has not.
    """
    zone = layout.zone(cylinder, head)
    if zone is None:
        raise ValueError(f"layout {layout.id} has no cylinder {cylinder} head {head}")
    for number, data in sectors.items():
        if number not in zone.sector_ids or len(data) != zone.sector_bytes:
            raise ValueError(f"sector {number} of {len(data)} bytes does not fit cylinder {cylinder} head {head}")
    if room is None:
        room = int(layout.bytes_per_revolution(zone) * zone.cells_per_byte)
    whole = {number: sectors.get(number, bytes([_FILL]) * zone.sector_bytes) for number in zone.sector_ids}
    place = _Place(layout.track_number(cylinder, head), head)
    code, gaps = zone.recording, layout.gaps_of(zone)
    match code.track:
        case Blocks():
            # A formatter of these layouts measures the revolution first and shrinks the tail gap to what is left.
            spare = int(room / code.gap_byte_cells - layout.used_bytes(zone)) // zone.sectors
            gap_3 = max(0, gaps.gap_3 + min(0, spare))
            cells, spans = _group_track(zone, gaps.model_copy(update={"gap_3": gap_3}), place, whole, room, disk_id)
        case MarkedFields():
            cells, spans = _byte_track(MarkedBytes(code, code.track), gaps, place, whole, room, deleted)
        case _:
            assert_never(code.track)
    return TrackCells(cells[:room], spans)


@dataclass(frozen=True, slots=True)
class _Place:
    """What headers name: the track's number and its head."""

    track: int
    head: int


def _byte_track(
    track: MarkedBytes, gaps: Gaps, place: _Place, sectors: Mapping[int, bytes], room: int, deleted: Collection[int]
) -> tuple[Cells, dict[int, SectorSpan]]:
    spans: dict[int, SectorSpan] = {}
    byte = track.code.cells_per_byte
    track.gap(gaps.gap_4a)
    if gaps.index_mark:
        track.index_mark()
    track.gap(gaps.gap_1)
    for number, data in sectors.items():
        header = len(track.data)
        track.field(ID_MARK, bytes([place.track, place.head, number, _size_code(len(data))]))
        track.gap(gaps.gap_2)
        start = len(track.data)
        track.field(DELETED_MARK if number in deleted else DATA_MARK, data)
        spans[number] = SectorSpan(byte * header, byte * start, byte * len(track.data))
        track.gap(gaps.gap_3)
    track.gap(max(0, room // byte + 1 - len(track.data)))
    return track.cells(), spans


def _group_track(
    zone: Zone, gaps: Gaps, place: _Place, sectors: Mapping[int, bytes], room: int, disk_id: bytes
) -> tuple[Cells, dict[int, SectorSpan]]:
    def gap(count: int) -> Cells:
        return raw_cells(bytes([GROUP_GAP_BYTE]) * count)

    header_gap, tail_gap = gap(gaps.gap_2), gap(gaps.gap_3)
    parts: list[Cells] = []
    spans: dict[int, SectorSpan] = {}
    at = 0
    for number, data in sectors.items():
        head = np.concatenate((group_sync(), group_cells(_group_header(place.track, number, disk_id)), header_gap))
        body = data_field_cells(zone, data)
        spans[number] = SectorSpan(at, at + head.size, at + head.size + body.size)
        parts += [head, body, tail_gap]
        at += head.size + body.size + tail_gap.size
    parts.append(gap(max(0, room // 8 + 1 - at // 8)))
    return np.concatenate(parts), spans
