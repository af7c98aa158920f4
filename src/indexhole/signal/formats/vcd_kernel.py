"""The compiled loop of the VCD reader: bytes to edges.

Kept apart from the rest so that numba is imported only by verbs that need it.
"""

from __future__ import annotations

import numpy as np
from numba import njit

# Slots of the VCD state vector, carried from chunk to chunk.
VCD_TIME, VCD_MODE, VCD_VALUE, VCD_ERROR_AT, VCD_ERROR = 0, 1, 2, 3, 4
VCD_STATE_SIZE = 5
_TOKENS, _VECTOR_ID, _SKIP_TO_END = 0, 1, 2
# What VCD_ERROR can hold.
VCD_BACKWARDS, VCD_BAD_TIME, VCD_BAD_TOKEN, VCD_TIME_TOO_LONG = 1, 2, 3, 4


@njit(cache=True, nogil=True)
def vcd_edges(data, table, long_keys, long_lines, keep_all, state, levels, out_ticks, out_what):  # type: ignore[no-untyped-def]
    """Turn VCD tokens into edges.

    `data` uint8 bytes holding whole tokens; `table` (128,) int16 line number of each one-byte id
    code (-1: not wanted); `long_keys`/`long_lines` the same for longer codes, keys as base-128 numbers;
    `keep_all` (lines,) uint8: 1 keeps every change of the line, 0 only its falling edges;
    `state`, `levels` carried over. Writes tick and 4*line+level per kept edge; returns how many.
    """
    # Without a sign, an index needs no look whether it counts from the end: half again as fast.
    one, two, three, longest = np.uint64(1), np.uint64(2), np.uint64(3), np.uint64(18)
    n = np.uint64(data.size)
    i = np.uint64(0)
    count = 0
    time = state[VCD_TIME]
    mode = state[VCD_MODE]
    value = state[VCD_VALUE]
    while i < n:
        c = data[i]
        if c <= 32:
            i += one
            continue
        if mode == _TOKENS:
            if c == 35:  # '#'
                start = i
                i += one
                t = np.int64(0)
                digits = i
                while i < n:
                    d = np.int64(data[i]) - 48
                    if d < 0 or d > 9:
                        break
                    t = t * 10 + d
                    i += one
                if i == digits or (i < n and data[i] > 32):
                    state[VCD_ERROR] = VCD_BAD_TIME
                    state[VCD_ERROR_AT] = start
                    return count
                if i - digits > longest:
                    state[VCD_ERROR] = VCD_TIME_TOO_LONG
                    state[VCD_ERROR_AT] = start
                    return count
                if t < time:
                    state[VCD_ERROR] = VCD_BACKWARDS
                    state[VCD_ERROR_AT] = start
                    return count
                time = t
                continue
            if c == 48 or c == 49:  # '0' '1'
                value = c - 48
            elif c == 120 or c == 88 or c == 122 or c == 90:  # x X z Z
                value = 2
            elif c == 98 or c == 66 or c == 114 or c == 82:  # b B r R: value first, id in the next token
                value = 2
                if c == 98 or c == 66:
                    last = c
                    i += one
                    while i < n and data[i] > 32:
                        last = data[i]
                        i += one
                    if last == 48 or last == 49:
                        value = last - 48
                else:
                    while i < n and data[i] > 32:
                        i += one
                mode = _VECTOR_ID
                continue
            elif c == 36:  # '$'
                comment = i + one < n and data[i + one] == 99
                while i < n and data[i] > 32:
                    i += one
                if comment:
                    mode = _SKIP_TO_END
                continue
            else:
                state[VCD_ERROR] = VCD_BAD_TOKEN
                state[VCD_ERROR_AT] = i
                return count
            i += one
        elif mode == _SKIP_TO_END:
            is_end = i + three < n and c == 36  # '$end'
            is_end = is_end and data[i + one] == 101 and data[i + two] == 110 and data[i + three] == 100
            while i < n and data[i] > 32:
                i += one
            if is_end:
                mode = _TOKENS
            continue
        else:
            mode = _TOKENS
        # Here the id code starts at i, and `value` is its new level.
        if i >= n or data[i] <= 32:
            state[VCD_ERROR] = VCD_BAD_TOKEN
            state[VCD_ERROR_AT] = i - one
            return count
        c = data[i]
        i += one
        line = np.int64(-1)
        if i >= n or data[i] <= 32:
            if c < 128:
                line = table[c]
        else:
            key = np.int64(c)
            while i < n and data[i] > 32:
                key = (key << 7) | (data[i] & 127)
                i += one
            for k in range(long_keys.size):
                if long_keys[k] == key:
                    line = long_lines[k]
                    break
        if line >= 0:
            before = levels[line]
            if value != before:
                levels[line] = value
                if value < 2 and (keep_all[line] == 1 or (before == 1 and value == 0)):
                    out_ticks[count] = time
                    out_what[count] = 4 * line + value
                    count += 1
    state[VCD_TIME] = time
    state[VCD_MODE] = mode
    state[VCD_VALUE] = value
    return count
