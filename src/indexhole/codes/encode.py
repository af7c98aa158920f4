"""Bytes to cells for FM, MFM and the 4-to-5 group code. A cell is 1 where the flux turns, in order of time."""

from __future__ import annotations

from collections.abc import Collection

import numpy as np
import numpy.typing as npt

from indexhole.codes.tables import (
    FM_CLOCK,
    FM_MARK_CLOCKS,
    GROUP_SYNC_CELLS,
    GROUP_WORDS,
    MFM_MARK_CELLS,
)

Cells = npt.NDArray[np.uint8]

_GROUP_CELLS = ((np.array(GROUP_WORDS)[:, None] >> np.arange(4, -1, -1)) & 1).astype(np.uint8)


def word_cells(word: int, width: int = 16) -> Cells:
    """The cells of a word, most significant first: (width,) uint8."""
    return ((word >> np.arange(width - 1, -1, -1)) & 1).astype(np.uint8)


def _interleave(clocks: Cells, bits: Cells) -> Cells:
    return np.stack((clocks, bits), axis=1).ravel()


def fm_cells(data: bytes, marks: Collection[int] = ()) -> Cells:
    """FM cells of `data`: (16 n,) uint8, a clock before every bit.

    Args:
        marks: positions in `data` of bytes written as marks, with clocks left out (KeyError when the byte
            there is no mark).
    """
    clocks = np.full(len(data), FM_CLOCK, dtype=np.uint8)
    for position in marks:
        clocks[position] = FM_MARK_CLOCKS[data[position]]
    return _interleave(np.unpackbits(clocks), np.unpackbits(np.frombuffer(data, dtype=np.uint8)))


def mfm_cells(data: bytes, marks: Collection[int] = (), previous_bit: int = 0) -> Cells:
    """MFM cells of `data`: (16 n,) uint8, a clock only between two zero bits.

    Args:
        marks: positions in `data` of bytes written as marks, with a clock left out (KeyError when the byte
            there is no mark).
        previous_bit: the bit written just before.
    """
    bits = np.unpackbits(np.frombuffer(data, dtype=np.uint8))
    before = np.concatenate((np.array([previous_bit], dtype=np.uint8), bits[:-1]))
    cells = _interleave(1 - (bits | before), bits) if bits.size else bits
    for position in marks:
        cells[16 * position : 16 * position + 16] = word_cells(MFM_MARK_CELLS[data[position]])
    return cells


def group_cells(data: bytes, marks: Collection[int] = ()) -> Cells:
    """Group-code cells of `data`: (10 n,) uint8, high nibble first. ValueError for `marks`: the code has none."""
    if marks:
        raise ValueError("the 4-to-5 group code has no bytes written as marks")
    array = np.frombuffer(data, dtype=np.uint8)
    return _GROUP_CELLS[np.stack((array >> 4, array & 15), axis=1).ravel()].ravel()


def group_sync() -> Cells:
    """The run of ones before a group-code block: (40,) uint8."""
    return np.ones(GROUP_SYNC_CELLS, dtype=np.uint8)


def raw_cells(data: bytes) -> Cells:
    """Cells straight from the bits of `data`: (8 n,) uint8, as gaps of the group-code layouts are written."""
    return np.unpackbits(np.frombuffer(data, dtype=np.uint8))
