"""Compiled loops of clock recovery.

Kept apart from the rest so that numba is imported only by verbs that need it.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from numba import njit

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
