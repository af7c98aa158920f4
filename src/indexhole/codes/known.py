"""The codes there are, each as one object.

Sources: FM and MFM mark bytes in two controller data sheets, their clocks from memory (facts as in docs/layouts.md);
group-code sync and block bytes common practice, no source.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from functools import reduce
from operator import xor

from indexhole.codes import tables
from indexhole.codes.code import (
    Alphabet,
    Blocks,
    Check,
    Code,
    CodeName,
    DataField,
    Decoding,
    FieldCells,
    IdField,
    MarkedFields,
    MarkPattern,
    SectorId,
)
from indexhole.codes.crc import PRESET, edc
from indexhole.codes.encode import fm_cells, group_cells, mfm_cells
from indexhole.kinds import every

_PRESET_AFTER_A1 = 0xCDB4  # register behind A1 A1 A1 from FFFFh (arithmetic)
_SECTOR_SIZES = frozenset(128 << n for n in range(8))


def _trailing(word: int) -> int:
    """Cells behind the last transition of a word."""
    return (word & -word).bit_length() - 1


def _fm_mark(byte: int) -> MarkPattern:
    """One zero byte of sync and the mark with its missing clocks, cut at its last transition."""
    cells = tables.FM_MARK_CELLS[byte]
    behind = _trailing(cells)
    return MarkPattern((0xAA << 16 | cells) >> behind, 24 - behind, 1 + behind, byte, PRESET)


def _mfm_index() -> MarkPattern:
    """C2 three times with a clock left out; its own mark byte follows."""
    word = tables.MFM_MARK_CELLS[tables.MFM_INDEX_BYTE]
    behind = _trailing(word)
    return MarkPattern((word << 32 | word << 16 | word) >> behind, 48 - behind, 1 + behind, -1, PRESET)


def _read_id(row: Sequence[int]) -> SectorId:
    return SectorId(int(row[1]), int(row[2]), int(row[3]), 128 << (int(row[4]) & 7))


def _read_header(row: Sequence[int]) -> SectorId:
    """Tracks count from 1, those of side 1 behind those of side 0."""
    track = int(row[3])
    head = 1 if track > tables.GROUP_TRACKS_A_SIDE else 0
    return SectorId(track - 1 - head * tables.GROUP_TRACKS_A_SIDE, head, int(row[2]), tables.GROUP_BLOCK_BYTES)


FM = Code(
    name="fm",
    title="FM",
    short_title="FM",
    cells_per_byte=16,
    gap_byte_cells=16,
    gap_byte=tables.FM_GAP_BYTE,
    run_limits=(1, 2),
    marks=tuple(map(_fm_mark, (tables.ID_MARK, tables.DATA_MARK, tables.DELETED_MARK, tables.INDEX_MARK))),
    id_field=IdField(tables.ID_MARK, 7, _read_id),
    data_field=DataField((tables.DATA_MARK, tables.DELETED_MARK), tables.DELETED_MARK, _SECTOR_SIZES, 512),
    check=Check(2, 16, exclusive_or=False, whole=lambda field: edc(field) == 0),
    cells=FieldCells(sync=6 * 16, mark=16, id_field=7 * 16, data_frame=3 * 16, rewritten_frame=9 * 16),
    alphabet=Alphabet.LONE_BITS,
    # A run of no cells is a pulse too many, which the clocks are not missing for.
    decoding=Decoding(words=False, shortest=0, longest=2, clocks_a_byte=8),
    encode=fm_cells,
    track=MarkedFields(6, b"", b"", _fm_mark(tables.INDEX_MARK)),
)

MFM = Code(
    name="mfm",
    title="MFM",
    short_title="MFM",
    cells_per_byte=16,
    gap_byte_cells=16,
    gap_byte=tables.MFM_GAP_BYTE,
    run_limits=(2, 4),
    # A1 with a clock left out; one alone is enough, since no data can look like it.
    marks=(MarkPattern(tables.MFM_MARK_CELLS[tables.MFM_MARK_BYTE], 16, 1, -1, _PRESET_AFTER_A1),),
    id_field=IdField(tables.ID_MARK, 7, _read_id),
    data_field=DataField((tables.DATA_MARK, tables.DELETED_MARK), tables.DELETED_MARK, _SECTOR_SIZES, 512),
    check=Check(2, 16, exclusive_or=False, whole=lambda field: edc(field, _PRESET_AFTER_A1) == 0),
    cells=FieldCells(sync=12 * 16, mark=3 * 16, id_field=10 * 16, data_frame=6 * 16, rewritten_frame=18 * 16),
    alphabet=Alphabet.CHAINED_BITS,
    decoding=Decoding(words=False, shortest=2, longest=4, clocks_a_byte=0),
    encode=mfm_cells,
    track=MarkedFields(12, bytes([tables.MFM_MARK_BYTE]) * 3, bytes([tables.MFM_INDEX_BYTE]) * 3, _mfm_index()),
)

GROUP45 = Code(
    name="group45",
    title="4-to-5 group code",
    short_title="4-to-5",
    cells_per_byte=10,
    gap_byte_cells=8,
    gap_byte=tables.GROUP_GAP_BYTE,
    run_limits=(1, 3),
    # At least ten ones, then the 01 with which both block bytes begin.
    marks=(MarkPattern(0b1111_1111_1101, 12, -1, -1, 0),),
    id_field=IdField(tables.GROUP_HEADER, 6, _read_header),
    data_field=DataField((tables.GROUP_DATA,), None, frozenset({tables.GROUP_BLOCK_BYTES}), tables.GROUP_BLOCK_BYTES),
    check=Check(1, 8, exclusive_or=True, whole=lambda field: reduce(xor, field[1:], 0) == 0),
    cells=FieldCells(sync=tables.GROUP_SYNC_CELLS, mark=0, id_field=8 * 10, data_frame=4 * 10, rewritten_frame=7 * 10),
    alphabet=Alphabet.HALF_BYTES,
    # The table of words tells what is wrong; runs need not.
    decoding=Decoding(words=True, shortest=0, longest=255, clocks_a_byte=0),
    encode=group_cells,
    track=Blocks(tables.GROUP_TRACKS_A_SIDE),
)

CODES: Mapping[CodeName, Code] = every(CodeName, {code.name: code for code in (FM, MFM, GROUP45)})
