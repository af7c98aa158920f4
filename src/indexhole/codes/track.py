"""The cells of a whole track: gaps, syncs, marks, headers and data of every sector of a layout.

Field order and counts: format tables of two controller data sheets, which agree; group-code block: figure of
a user manual, its fill bytes and the header's order of identity bytes from memory.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass
from functools import reduce
from operator import xor

import numpy as np

from indexhole.codes.crc import with_edc
from indexhole.codes.encode import Cells, fm_cells, group_cells, group_sync, mfm_cells, raw_cells
from indexhole.codes.tables import (
    DATA_MARK,
    DELETED_MARK,
    FM_GAP_BYTE,
    GROUP_DATA,
    GROUP_GAP_BYTE,
    GROUP_HEADER,
    GROUP_HEADER_FILL,
    ID_MARK,
    INDEX_MARK,
    MFM_GAP_BYTE,
    MFM_INDEX_BYTE,
    MFM_MARK_BYTE,
)
from indexhole.standards.layouts import Code, Layout, Zone


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


class _Bytes:
    """A growing FM or MFM track in bytes, with the places of its marks."""

    def __init__(self, code: Code) -> None:
        self.fm = code == "fm"
        self.data = bytearray()
        self.marks: list[int] = []

    def gap(self, count: int) -> None:
        self.data += bytes([FM_GAP_BYTE if self.fm else MFM_GAP_BYTE]) * count

    def field(self, mark: int, body: bytes, *, check: bool = True) -> None:
        """Sync, mark and body, with the check behind them unless it is an index mark."""
        self.data += bytes(6 if self.fm else 12)
        lead = b"" if self.fm else bytes([MFM_MARK_BYTE if check else MFM_INDEX_BYTE]) * 3
        at = len(self.data)
        self.marks += [at] if self.fm else [at, at + 1, at + 2]
        whole = lead + bytes([mark]) + body
        self.data += with_edc(whole) if check else whole

    def cells(self) -> Cells:
        return fm_cells(bytes(self.data), self.marks) if self.fm else mfm_cells(bytes(self.data), self.marks)


def data_field_cells(zone: Zone, data: bytes, *, deleted: bool = False) -> Cells:
    """Cells of one data field alone, sync and check included, as a later writer lays it over an old one."""
    if zone.code == "group45":
        return np.concatenate((group_sync(), group_cells(_group_data(data))))
    track = _Bytes(zone.code)
    track.field(DELETED_MARK if deleted else DATA_MARK, data)
    return track.cells()


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
    fill: int = 0xE5,
    disk_id: bytes = b"A1",
) -> TrackCells:
    """Cells of a whole track, filled up with gap to one revolution.

    Args:
        sectors: bytes of each sector by number; one that is not given holds `fill`.
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
    whole = {number: sectors.get(number, bytes([fill]) * zone.sector_bytes) for number in zone.sector_ids}
    if zone.code == "group45":
        cells, spans = _group_track(layout, zone, layout.track_number(cylinder, head), whole, room, disk_id)
    else:
        cells, spans = _byte_track(layout, zone, layout.track_number(cylinder, head), head, whole, room, deleted)
    return TrackCells(cells[:room], spans)


def _byte_track(
    layout: Layout,
    zone: Zone,
    cylinder: int,
    head: int,
    sectors: Mapping[int, bytes],
    room: int,
    deleted: Collection[int],
) -> tuple[Cells, dict[int, SectorSpan]]:
    gaps = layout.gaps_of(zone)
    track = _Bytes(zone.code)
    spans: dict[int, SectorSpan] = {}
    track.gap(gaps.gap_4a)
    if gaps.index_mark:
        track.field(INDEX_MARK, b"", check=False)
    track.gap(gaps.gap_1)
    for number, data in sectors.items():
        header = len(track.data)
        track.field(ID_MARK, bytes([cylinder, head, number, _size_code(zone.sector_bytes)]))
        track.gap(gaps.gap_2)
        start = len(track.data)
        track.field(DELETED_MARK if number in deleted else DATA_MARK, data)
        spans[number] = SectorSpan(16 * header, 16 * start, 16 * len(track.data))
        track.gap(gaps.gap_3)
    track.gap(max(0, room // 16 + 1 - len(track.data)))
    return track.cells(), spans


def _group_track(
    layout: Layout, zone: Zone, track: int, sectors: Mapping[int, bytes], room: int, disk_id: bytes
) -> tuple[Cells, dict[int, SectorSpan]]:
    gaps = layout.gaps_of(zone)
    header_gap = raw_cells(bytes([GROUP_GAP_BYTE]) * gaps.gap_2)
    # A formatter of these layouts measures the revolution first and shrinks the tail gap to what is left.
    spare = int(room / 8 - layout.used_bytes(zone)) // zone.sectors
    tail_gap = raw_cells(bytes([GROUP_GAP_BYTE]) * max(0, gaps.gap_3 + min(0, spare)))
    parts: list[Cells] = []
    spans: dict[int, SectorSpan] = {}
    at = 0
    for number, data in sectors.items():
        head = np.concatenate((group_sync(), group_cells(_group_header(track, number, disk_id)), header_gap))
        body = data_field_cells(zone, data)
        spans[number] = SectorSpan(at, at + head.size, at + head.size + body.size)
        parts += [head, body, tail_gap]
        at += head.size + body.size + tail_gap.size
    parts.append(raw_cells(bytes([GROUP_GAP_BYTE]) * max(0, room // 8 + 1 - at // 8)))
    return np.concatenate(parts), spans
