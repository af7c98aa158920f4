"""Compiled loops of the signal room: VCD bytes to edges, and clock recovery.

Kept apart from the rest so that numba is imported only by verbs that need it.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
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


# Gaps of more cells than this carry no phase: the loop starts afresh at the next pulse.
PHASE_LOST_CELLS = 16
# Phase errors are kept in these fractions of a cell.
ERROR_STEPS = 256
_LANES = 4
_WARM_UP = 256
_SHORTEST_LANE = 2048


@njit(cache=True, nogil=True, fastmath={"contract", "reassoc", "nsz", "arcp"})
def _track_cells(intervals, start, stop, warm, lanes, period0, period_low, period_high, gain, drift, runs, errors):  # type: ignore[no-untyped-def]
    """Run `lanes` loops side by side, each over its own stretch, each warmed up on what lies before it.

    The loop carries phase and period from pulse to pulse, so one loop waits for its own arithmetic most of
    the time; several independent ones fill those waits.
    """
    f = np.float32
    half = f(0.5)
    steps = f(ERROR_STEPS)
    span = (stop - start) // lanes
    period = np.full(lanes, f(period0), dtype=np.float32)
    carry = np.zeros(lanes, dtype=np.float32)
    low = f(period_low)
    high = f(period_high)
    for j in range(-warm, span):
        for lane in range(lanes):
            i = start + lane * span + j
            if i < 0:
                continue
            p = period[lane]
            x = f(intervals[i]) + carry[lane]
            n = np.int32(x / p + half)
            if n > PHASE_LOST_CELLS:
                n = min(n, 255)
                e = f(0)
            else:
                n = max(n, 1)
                e = x - f(n) * p
            # A pulse far off its place says more about noise than about speed.
            e = min(max(e, -p), p)
            carry[lane] = e - gain * e
            period[lane] = min(max(p + drift * e, low), high)
            if j >= 0:
                runs[i] = n
                errors[i] = np.int8(min(max(e / p * steps, f(-128)), f(127)))


def recover_clock(
    intervals: npt.NDArray[np.int32], cell_ticks: float, *, gain: float = 0.12, drift: float = 0.006, pull: float = 0.12
) -> tuple[npt.NDArray[np.uint8], npt.NDArray[np.int8]]:
    """Count the cells between pulses with a second-order loop.

    Args:
        intervals: (n,) int32 ticks between pulses, all >= 0.
        cell_ticks: expected cell length in ticks, the loop's start.
        gain: share of the phase error taken back at each pulse.
        drift: share of the phase error added to the cell length at each pulse.
        pull: how far the cell length may leave `cell_ticks`, as a fraction.

    Returns:
        runs (n,) uint8 cells per interval (255 = 255 or more), and errors (n,) int8 phase error at the
        closing pulse in 1/256 cell.

    Source: second-order phase-locked loop, textbook form (from memory).
    """
    size = intervals.size
    runs = np.empty(size, dtype=np.uint8)
    errors = np.empty(size, dtype=np.int8)
    low, high = cell_ticks * (1 - pull), cell_ticks * (1 + pull)
    knobs = (cell_ticks, low, high, np.float32(gain), np.float32(drift), runs, errors)
    lanes = _LANES if size >= _LANES * _SHORTEST_LANE else 1
    whole = size // lanes * lanes
    _track_cells(intervals, 0, whole, _WARM_UP if lanes > 1 else 0, lanes, *knobs)
    if whole < size:
        _track_cells(intervals, whole, size, _WARM_UP, 1, *knobs)
    return runs, errors


@njit(cache=True, nogil=True)
def _one_way(intervals, period0, low, high, gain, drift, gate, place, carries, periods):  # type: ignore[no-untyped-def]
    """One loop over (n,) intervals. Behind each of the n + 1 pulses: `place`, where the loop foresaw it to stand in
    cells from the first, and the loop's phase (`carries`, ticks) and cell length (`periods`) from there on.
    """
    period = period0
    carry = 0.0
    counted = 0.0
    place[0], carries[0], periods[0] = 0.0, carry, period
    for i in range(intervals.size):
        x = intervals[i] + carry
        n = max(np.floor(x / period + 0.5), 1.0)
        e = x - n * period
        counted += n
        place[i + 1] = counted + e / period
        if abs(e) > gate * period:
            # Likelier noise than timing: keep the phase that was foreseen.
            carry = e
        else:
            carry = e - gain * e
            period = min(max(period + drift * e, low), high)
        carries[i + 1], periods[i + 1] = carry, period


@njit(cache=True, nogil=True)
def _middle(values):  # type: ignore[no-untyped-def]
    return np.floor(np.median(values) + 0.5)


@njit(cache=True, nogil=True)
def _both_ways(intervals, period0, low, high, gain, drift, gate, reach, place):  # type: ignore[no-untyped-def]
    """Join a loop run forward and one run backward; see `two_way_clock`."""
    n = intervals.size
    carry_f, period_f = np.empty(n + 1), np.empty(n + 1)
    place_b, carry_b, period_b = np.empty(n + 1), np.empty(n + 1), np.empty(n + 1)
    _one_way(intervals, period0, low, high, gain, drift, gate, place, carry_f, period_f)
    # The loop run back starts with the length the forward one ended with.
    _one_way(intervals[::-1], period_f[n], low, high, gain, drift, gate, place_b, carry_b, period_b)
    apart = place + place_b[::-1]
    level = _middle(apart[: min(reach, n + 1)])
    start = 0
    for i in range(n):
        if place[i + 1] - place[i] < 6.0 or i + 1 - start < 4:
            continue
        # A gap: where the loops count it differently, the distance seen from both its ends decides.
        ahead = _middle(apart[i + 1 : min(i + 1 + reach, n + 1)])
        if ahead != level:
            span = (intervals[i] + carry_f[i] + carry_b[n - 1 - i]) / (0.5 * (period_f[i] + period_b[n - 1 - i]))
            counted = np.floor(place[i + 1] + 0.5) - np.floor(place[i] + 0.5)
            other = counted - (ahead - level)
            if abs(span - other) < abs(span - counted):
                for j in range(i + 1, n + 1):
                    place[j] -= ahead - level
                    apart[j] -= ahead - level
            else:
                for j in range(start, i + 1):
                    place[j] -= 0.5 * (apart[j] - level)
                start = i + 1
                level = ahead
    for j in range(start, n + 1):
        # Away from slips the two differ by a whole number and noise.
        rest = apart[j] - level
        place[j] -= 0.5 * rest if abs(rest) < 1.0 else 0.0


def two_way_clock(
    intervals: npt.NDArray[np.int32], cell_ticks: float, *, gain: float = 0.1, drift: float = 0.004, gate: float = 0.4
) -> npt.NDArray[np.float64]:
    """Place pulses in cells by what lies on both sides of each.

    A loop run forward foresees each pulse from those before it, one run backward from those behind it; the
    mean of the two is taken. Over a gap where they count differently the distance between its ends, with the
    forward loop's phase at the first and the backward loop's at the second, decides. Phase errors beyond
    `gate` cells move neither loop.

    Returns:
        (n + 1,) cells from the first pulse to each, not rounded: the fraction is what it stands off its cell.

    Source: fixed-interval smoothing by two filters (Fraser and Potter 1969, from memory), with the gains held fixed.
    """
    place = np.empty(intervals.size + 1, dtype=np.float64)
    low, high = cell_ticks * 0.9, cell_ticks * 1.1
    _both_ways(intervals.astype(np.float64), cell_ticks, low, high, gain, drift, gate, 24, place)
    return place
