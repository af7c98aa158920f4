"""Compiled loops of the codes room: find marks in a stream of run lengths, and decode the bytes behind them.

A run length is the number of cells from one flux transition to the next. A stream of run lengths is what
clock recovery hands on; it is never expanded to single cells except inside one field.
"""

from __future__ import annotations

import numpy as np
from numba import njit


def _crc_table() -> np.ndarray[tuple[int], np.dtype[np.uint16]]:
    """Byte table of x^16 + x^12 + x^5 + 1, high bit first (CRC parameter lists; ISO 8860-2 EDC)."""
    table = np.zeros(256, dtype=np.uint16)
    for byte in range(256):
        register = byte << 8
        for _ in range(8):
            register = ((register << 1) ^ 0x1021 if register & 0x8000 else register << 1) & 0xFFFF
        table[byte] = register
    return table


CRC_TABLE = _crc_table()


@njit(cache=True, nogil=True)
def find_marks(runs, pattern, mask, out_index, out_kind):  # type: ignore[no-untyped-def]
    """Indices of the runs at whose closing transition one of the `pattern` (k,) uint64 words has just passed.

    `mask` (k,) says which cells of the word count. Writes run index and pattern number; returns how many.
    """
    register = np.uint64(0)
    one = np.uint64(1)
    count = 0
    kinds = pattern.size
    # The outputs bound what is kept; a stream with more marks than room is not a recording.
    room = out_index.size
    for i in range(runs.size):
        run = runs[i]
        register = (register << np.uint64(run)) | one if run < 64 else one
        for k in range(kinds):
            if (register & mask[k]) == pattern[k]:
                if count < room:
                    out_index[count] = i
                    out_kind[count] = k
                    count += 1
                break
    return count


@njit(cache=True, nogil=True)
def _read_bytes(runs, errors, at, lead, rules, words, first, stop, out):  # type: ignore[no-untyped-def]
    """Decode bytes `first` to `stop` of a field into `out`; returns (faults, worst phase error, closing run).

    Byte `first` begins `lead` cells after the transition that closes run `at` (negative: before it).
    Faults are places that break the code's rules: a clock missing, a run too short or too long, a five-cell word that
    is not in the table, the end of the stream. They are counted, never corrected here.
    """
    in_words, shortest, longest, clocks_a_byte, _ = rules
    faults = 0
    worst = 0
    clocks = 0
    wanted = stop - first
    total = wanted * (10 if in_words else 16)
    word = 0
    nibble = 0
    position = -lead
    i = at
    while position < total:
        if position >= 0:
            if in_words:
                slot = position // 5
                while nibble < slot:
                    value = words[word]
                    if value < 0:
                        faults += 1
                        value = 0
                    out[first + (nibble >> 1)] |= value << (0 if nibble & 1 else 4)
                    word = 0
                    nibble += 1
                word |= 16 >> (position - slot * 5)
            elif position & 1:
                out[first + (position >> 4)] |= 128 >> ((position >> 1) & 7)
            else:
                clocks += 1
        i += 1
        if i >= runs.size:
            faults += wanted
            break
        run = np.int64(runs[i])
        # What happens behind the last cell is no fault of this field.
        if (run < shortest and position + run < total) or (run > longest and position + longest < total):
            faults += 1
        worst = max(worst, abs(np.int64(errors[i])))
        position += run
    if in_words:
        while nibble < wanted * 2:
            value = words[word]
            if value < 0:
                faults += 1
                value = 0
            out[first + (nibble >> 1)] |= value << (0 if nibble & 1 else 4)
            word = 0
            nibble += 1
    faults += max(wanted * clocks_a_byte - clocks, 0)
    return faults, worst, min(i, runs.size - 1)


@njit(cache=True, nogil=True)
def decode_fields(runs, errors, rules, words, at, lead, mark_byte, preset, length, out, faults, worst, last, check):  # type: ignore[no-untyped-def]
    """Decode one field behind each mark.

    `rules` is five int64: whether five cells are a word, shortest and longest run, clocks a byte (0: not counted), and
    whether the check is the exclusive-or of everything behind the first byte. `words` (32,) int8 is the half byte of
    each word, -1 for none.

    Per field k, all (fields,) int64: `at` run index of the mark, `lead` cells from there to the field, `mark_byte` the
    byte the mark itself stood for (-1: it is still to be decoded), `preset` the check register behind what precedes
    the field, `length` bytes with the mark byte and the check. Fills `out` (fields, room) uint8, `faults`,
    `worst` phase error in 1/256 cell, `last` run index, and `check`: 0 when the field's check passes.
    """
    exclusive_or = rules[4]
    for k in range(at.size):
        row = out[k]
        for b in range(length[k]):
            row[b] = 0
        first = 0
        if mark_byte[k] >= 0:
            row[0] = mark_byte[k]
            first = 1
        faults[k], worst[k], last[k] = _read_bytes(runs, errors, at[k], lead[k], rules, words, first, length[k], row)
        if exclusive_or:
            together = np.uint8(0)
            for b in range(1, length[k]):
                together ^= row[b]
            check[k] = together
        else:
            register = np.uint16(preset[k])
            for b in range(length[k]):
                register = np.uint16((register << 8) ^ CRC_TABLE[(register >> 8) ^ row[b]])
            check[k] = register
