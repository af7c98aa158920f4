"""Codes: known cell words, published word sets, check values, and what every stream of cells must obey."""

from __future__ import annotations

import fastcrc
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from indexhole.codes import tables
from indexhole.codes.crc import edc, with_edc
from indexhole.codes.encode import Cells, fm_cells, group_cells, group_sync, mfm_cells, raw_cells, word_cells

# The published tape table (ANSI X3.54, ECMA-50), nibbles 0 to F, as seen in public telemetry code.
PUBLISHED_TAPE_WORDS = bytes.fromhex("191B12131D151617 1A090A0B1E0D0E0F")


def packed(cells: Cells) -> str:
    return bytes(np.packbits(cells)).hex().upper()


def runs(cells: Cells) -> set[int]:
    return set(np.diff(np.flatnonzero(cells)).tolist())


# Arithmetic on the FM rule: a clock in every cell, the bit after it.
@pytest.mark.parametrize(("byte", "cells"), [(0xFF, "FFFF"), (0x00, "AAAA"), (0xE5, "FEBB")])
def test_fm_bytes(byte: int, cells: str) -> None:
    assert packed(fm_cells(bytes([byte]))) == cells


# Arithmetic on the MFM rule: a clock only between two zero bits.
@pytest.mark.parametrize(
    ("byte", "previous", "cells"),
    [
        (0x4E, 0, "9254"),
        (0x00, 0, "AAAA"),
        (0x00, 1, "2AAA"),
        (0xFF, 0, "5555"),
        (0xFF, 1, "5555"),
        (0xE5, 0, "5491"),
        (0xA1, 0, "44A9"),
        (0xC2, 0, "52A4"),
    ],
)
def test_mfm_bytes(byte: int, previous: int, cells: str) -> None:
    assert packed(mfm_cells(bytes([byte]), previous_bit=previous)) == cells


# Marks: bytes from two controller data sheets; 4489 also seen as sync word in a test note.
@pytest.mark.parametrize(("byte", "cells"), [(0xFE, "F57E"), (0xFB, "F56F"), (0xF8, "F56A"), (0xFC, "F77A")])
def test_fm_marks(byte: int, cells: str) -> None:
    assert packed(fm_cells(bytes([byte]), marks=[0])) == cells
    assert packed(word_cells(tables.FM_MARK_CELLS[byte])) == cells


@pytest.mark.parametrize(("byte", "cells"), [(0xA1, "4489"), (0xC2, "5224")])
def test_mfm_marks_are_the_byte_with_one_clock_left_out(byte: int, cells: str) -> None:
    mark = mfm_cells(bytes([byte]), marks=[0])
    assert packed(mark) == cells
    plain = mfm_cells(bytes([byte]))
    gone = np.flatnonzero(mark != plain)
    assert gone.size == 1
    assert plain[gone[0]] == 1
    assert gone[0] % 2 == 0


def test_a_mark_must_be_a_mark_byte() -> None:
    with pytest.raises(KeyError):
        fm_cells(b"\x00", marks=[0])
    with pytest.raises(KeyError):
        mfm_cells(b"\x00", marks=[0])


def test_group_words_are_those_of_the_published_tape_standard() -> None:
    # ANSI X3.54, ECMA-50: same sixteen words, and nibbles 2, 3, 6, 7 take the same ones
    assert set(tables.GROUP_WORDS) == set(PUBLISHED_TAPE_WORDS)
    same = [n for n in range(16) if tables.GROUP_WORDS[n] == PUBLISHED_TAPE_WORDS[n]]
    assert same == [2, 3, 6, 7]


# Arithmetic on the zoned table; the first is the header of track 18, sector 0, identity 41h 42h.
@pytest.mark.parametrize(
    ("data", "cells"),
    [
        ("08110012 42410F0F", "5256B529 72749CB5 5555"),
        ("07000000", "55D4A5294A"),
        ("00000000", "5294A5294A"),
    ],
)
def test_group_blocks(data: str, cells: str) -> None:
    assert packed(group_cells(bytes.fromhex(data))) == cells.replace(" ", "")


@pytest.mark.parametrize("words", [tables.GROUP_WORDS, tuple(PUBLISHED_TAPE_WORDS)], ids=["disk", "tape"])
def test_group_code_runs(words: tuple[int, ...]) -> None:
    """Two zeros together at most (encyclopaedia text), eight ones at most, so ten ones mark a sync."""
    streams = [f"{a:05b}{b:05b}{c:05b}" for a in words for b in words for c in words]
    assert max(len(run) for s in streams for run in s.split("1")) == 2
    assert max(len(run) for s in streams for run in s.split("0")) == 8


@given(st.binary(min_size=1, max_size=80))
def test_fm_obeys_its_run_lengths(data: bytes) -> None:
    cells = fm_cells(data)
    assert cells.size == 16 * len(data)
    assert runs(cells) <= {1, 2}
    assert bytes(np.packbits(cells[1::2])) == data


@given(st.binary(min_size=1, max_size=80), st.integers(0, 1))
def test_mfm_obeys_its_run_lengths(data: bytes, previous: int) -> None:
    cells = mfm_cells(data, previous_bit=previous)
    assert cells.size == 16 * len(data)
    assert runs(cells) <= {2, 3, 4}
    assert bytes(np.packbits(cells[1::2])) == data


@given(st.binary(min_size=1, max_size=80))
def test_group_code_obeys_its_run_lengths(data: bytes) -> None:
    cells = group_cells(data)
    assert cells.size == 10 * len(data)
    assert runs(cells) <= {1, 2, 3}
    words = cells.reshape(-1, 5) @ (1 << np.arange(4, -1, -1))
    nibbles = np.array([tables.GROUP_WORDS.index(int(word)) for word in words])
    assert bytes((nibbles[0::2] << 4 | nibbles[1::2]).astype(np.uint8)) == data


@given(st.binary(max_size=60), st.binary(max_size=60))
def test_no_data_looks_like_a_sync_or_a_mark(left: bytes, right: bytes) -> None:
    sync = "1" * 10
    assert sync not in "".join(map(str, group_cells(left + right)))
    assert sync in "".join(map(str, group_sync()))
    mark = "".join(map(str, word_cells(0x4489)))
    assert mark not in "".join(map(str, mfm_cells(left + right)))


def test_nothing_to_encode() -> None:
    assert fm_cells(b"").size == mfm_cells(b"").size == group_cells(b"").size == raw_cells(b"").size == 0


def test_catalogue_check_value() -> None:
    # CRC parameter lists
    assert edc(b"123456789") == 0x29B1


@given(st.binary(max_size=600))
def test_edc_against_another_library(field: bytes) -> None:
    assert edc(field) == fastcrc.crc16.ibm_3740(field)
    assert edc(with_edc(field)) == 0


# Arithmetic, redone here with the polynomial bit by bit.
RESIDUES = [
    ("FE", 0xEF21),
    ("FB", 0xBF84),
    ("F8", 0x8FE7),
    ("FC", 0xCF63),
    ("A1A1A1", 0xCDB4),
    ("A1A1A1FE", 0xB230),
    ("A1A1A1FB", 0xE295),
    ("A1A1A1F8", 0xD2F6),
    ("C2C2C2FC", 0xCC3E),
    ("FE00000100", 0xD2C3),
    ("A1A1A1FE00000102", 0xCA6F),
    ("A1A1A1FE4F010902", 0xCE84),
    ("FB" + "E5" * 128, 0x5D30),
    ("A1A1A1FB" + "E5" * 256, 0x7827),
    ("A1A1A1FB" + "E5" * 512, 0xC40B),
    ("A1A1A1FB" + "F6" * 512, 0x2BF6),
    ("A1A1A1FB" + "00" * 512, 0xDA6E),
]


@pytest.mark.parametrize(("field", "register"), RESIDUES)
def test_residues(field: str, register: int) -> None:
    data = bytes.fromhex(field)
    by_bits = 0xFFFF
    for byte in data:
        for bit in range(7, -1, -1):
            top = (by_bits >> 15) ^ ((byte >> bit) & 1)
            by_bits = ((by_bits << 1) & 0xFFFF) ^ (0x1021 if top else 0)
    assert edc(data) == register == by_bits
