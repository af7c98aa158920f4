"""The marks of each code as cell patterns, and the decoding of the fields behind them.

Every pattern ends with a flux transition, so a stream of run lengths can be searched pulse by pulse.
Sources: FM and MFM mark bytes in two controller data sheets, their clocks from memory (facts as in
docs/layouts.md); group-code sync and block bytes common practice, no source.
"""

from __future__ import annotations

import binascii
from dataclasses import dataclass
from functools import reduce
from operator import xor

import numpy as np
import numpy.typing as npt

from indexhole.codes import kernels, tables

Code = str
CODES: dict[Code, int] = {"fm": kernels.FM, "mfm": kernels.MFM, "group45": kernels.GROUP45}

ID_MARK, DATA_MARK = tables.ID_MARK, tables.DATA_MARK
DELETED_MARK, INDEX_MARK = tables.DELETED_MARK, tables.INDEX_MARK
BLOCK_HEADER, BLOCK_DATA = tables.GROUP_HEADER, tables.GROUP_DATA
# Cells a byte takes.
CELLS_PER_BYTE: dict[Code, int] = {"fm": 16, "mfm": 16, "group45": 10}
RUN_LIMITS: dict[Code, tuple[int, int]] = dict(tables.RUN_LIMITS)

_PRESET_NONE = 0xFFFF
_PRESET_AFTER_A1 = 0xCDB4  # register behind A1 A1 A1 from FFFFh (arithmetic)


@dataclass(frozen=True)
class MarkPattern:
    """A run of cells, last one a transition; `lead` cells on begins the field; see kernels.decode_fields."""

    cells: int
    width: int
    lead: int
    mark_byte: int
    preset: int


# One zero byte of sync and the mark with its missing clocks, cut at its last transition.
def _fm(byte: int) -> MarkPattern:
    cells = tables.FM_MARK_CELLS[byte]
    trailing = (cells & -cells).bit_length() - 1
    return MarkPattern((0xAA << 16 | cells) >> trailing, 24 - trailing, 1 + trailing, byte, _PRESET_NONE)


MARKS: dict[Code, tuple[MarkPattern, ...]] = {
    "fm": (
        _fm(ID_MARK),
        _fm(DATA_MARK),
        _fm(DELETED_MARK),
        _fm(INDEX_MARK),
    ),
    # A1 with a clock left out; one alone is enough, since no data can look like it.
    "mfm": (MarkPattern(tables.MFM_MARK_CELLS[tables.MFM_MARK_BYTE], 16, 1, -1, _PRESET_AFTER_A1),),
    # At least ten ones, then the 01 with which both block bytes begin.
    "group45": (MarkPattern(0b1111_1111_1101, 12, -1, -1, 0),),
}


def _nibbles() -> npt.NDArray[np.int8]:
    words = np.full(32, -1, dtype=np.int8)
    for nibble, word in enumerate(tables.GROUP_WORDS):
        words[word] = nibble
    return words


WORD_TO_NIBBLE = _nibbles()


@dataclass(frozen=True)
class Fields:
    """Fields decoded from one stream, in order of time.

    Attributes:
        at: (k,) index of the run that closes the mark.
        last: (k,) index of the run in which the field ends.
        data: (k, room) uint8 bytes, mark byte first.
        length: (k,) bytes decoded.
        check: (k,) 0 where the field's own check passes.
        faults: (k,) places that break the code's rules.
        worst: (k,) largest phase error, in 1/256 cell.
    """

    at: npt.NDArray[np.int64]
    last: npt.NDArray[np.int64]
    data: npt.NDArray[np.uint8]
    length: npt.NDArray[np.int64]
    check: npt.NDArray[np.int64]
    faults: npt.NDArray[np.int64]
    worst: npt.NDArray[np.int64]


Marks = tuple[npt.NDArray[np.int64], npt.NDArray[np.int64]]


def find_marks(runs: npt.NDArray[np.uint8], code: Code) -> Marks:
    """Run indices of the marks in a stream and the number of the pattern each one matched."""
    patterns = MARKS[code]
    room = runs.size // 8 + 8
    index = np.empty(room, dtype=np.int64)
    kind = np.empty(room, dtype=np.int64)
    count = kernels.find_marks(
        runs,
        np.array([p.cells for p in patterns], dtype=np.uint64),
        np.array([(1 << p.width) - 1 for p in patterns], dtype=np.uint64),
        index,
        kind,
    )
    return index[:count], kind[:count]


def decode(
    runs: npt.NDArray[np.uint8], errors: npt.NDArray[np.int8], code: Code, marks: Marks, length: npt.NDArray[np.int64]
) -> Fields:
    """Decode `length` bytes (mark byte and check included) behind each mark."""
    patterns = MARKS[code]
    at, kind = marks
    count = at.size
    room = int(length.max()) if count else 1
    data = np.zeros((count, room), dtype=np.uint8)
    numbers = [np.zeros(count, dtype=np.int64) for _ in range(4)]
    lead, mark_byte, preset = (
        np.array([getattr(p, name) for p in patterns], dtype=np.int64)[kind] for name in ("lead", "mark_byte", "preset")
    )
    kernels.decode_fields(
        runs, errors, CODES[code], WORD_TO_NIBBLE, at, lead, mark_byte, preset, length, data, *numbers
    )
    faults, worst, last, check = numbers
    return Fields(at, last, data, length, check, faults, worst)


def check_passes(field: bytes, code: Code) -> bool:
    """Whether a field (mark byte first, check last) passes its own check, reckoned byte by byte afresh."""
    if code == "group45":
        return reduce(xor, field[1:], 0) == 0
    return binascii.crc_hqx(field, _PRESET_AFTER_A1 if code == "mfm" else _PRESET_NONE) == 0
