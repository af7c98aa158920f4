"""Compiled loops of the recovery room: the most likely bytes behind soft cells."""

from __future__ import annotations

import numpy as np
from numba import njit


@njit(cache=True, nogil=True)
def likeliest_mfm(support, bits, previous, out, margin):  # type: ignore[no-untyped-def]
    """Viterbi search over data bits: state = the bit before, a clock stands only between two zeros.

    `support` (2 * bits,) float32, clock then data cell of each bit: above 0 speaks for a transition.
    `previous` the bit before the field. Fills `out` (bits,) and `margin` (bits,): what the best path gives up
    when it must take the other branch into that bit. Source: Viterbi algorithm, textbook (from memory).
    """
    score = np.zeros(2, dtype=np.float64)
    score[1 - previous] = -1e9
    came = np.zeros((bits, 2), dtype=np.uint8)
    lead = np.zeros((bits, 2), dtype=np.float64)
    for k in range(bits):
        clock, data = support[2 * k], support[2 * k + 1]
        # Into a zero: from zero with a clock, from one without.
        a0, b0 = score[0] + clock - data, score[1] - clock - data
        a1, b1 = score[0] - clock + data, score[1] - clock + data
        came[k, 0] = 0 if a0 >= b0 else 1
        came[k, 1] = 0 if a1 >= b1 else 1
        lead[k, 0], lead[k, 1] = abs(a0 - b0), abs(a1 - b1)
        score[0], score[1] = max(a0, b0), max(a1, b1)
    state = 0 if score[0] >= score[1] else 1
    for k in range(bits - 1, -1, -1):
        out[k] = state
        # How far the two values of this bit lie apart in their own cells.
        margin[k] = min(abs(2 * support[2 * k + 1]), lead[k, state]) if k else abs(2 * support[1])
        state = came[k, state]


@njit(cache=True, nogil=True)
def likeliest_words(support, word_cells, words, out, margin):  # type: ignore[no-untyped-def]
    """Best of the sixteen five-cell words for each word place; `out` (words,) nibbles, `margin` to the second best."""
    for w in range(words):
        best, second, choice = -1e9, -1e9, 0
        for nibble in range(16):
            total = 0.0
            for c in range(5):
                s = support[5 * w + c]
                total += s if word_cells[nibble] >> (4 - c) & 1 else -s
            if total > best:
                second, best, choice = best, total, nibble
            elif total > second:
                second = total
        out[w] = choice
        margin[w] = best - second


@njit(cache=True, nogil=True)
def add_support(positions, weights, gap_weights, cells, support, presence):  # type: ignore[no-untyped-def]
    """Add one pass to the soft cells.

    `positions` (m,) rising cell numbers of its transitions, `weights` (m,) what each speaks for a transition,
    `gap_weights` (m,) what the empty cells before each speak against one.
    """
    before = -1
    for k in range(positions.size):
        here = positions[k]
        for c in range(max(before + 1, 0), min(here, cells)):
            support[c] -= gap_weights[k]
        if 0 <= here < cells:
            support[here] += weights[k]
            presence[here] += 1
        if here >= cells:
            return
        before = here
