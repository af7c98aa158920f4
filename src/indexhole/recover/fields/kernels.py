"""Compiled loops of the recovery room: evidence of cells, and what it makes of bits and words."""

from __future__ import annotations

import math

import numpy as np
from numba import njit


@njit(cache=True, nogil=True)
def losses(cell, run, high, lost, lost_in_gap, lost_near_gap, cells):  # type: ignore[no-untyped-def]
    """(cells,) chance that a transition left no pulse: `lost`, but more in and beside runs longer than `high`."""
    loss = np.full(cells, lost)
    for j in range(cell.size):
        if run[j] > high:
            for k in range(max(cell[j] - run[j] + 1, 0), min(cell[j], cells)):
                loss[k] = lost_in_gap
            for k in (cell[j] - run[j], cell[j]):
                if 0 <= k < cells:
                    loss[k] = max(loss[k], lost_near_gap)
    # Behind the last pulse nothing was seen, and that says nothing.
    for k in range(max(cell[cell.size - 1] + 1, 0) if cell.size else 0, cells):
        loss[k] = lost_in_gap
    return loss


@njit(cache=True, nogil=True)
def _spread(away, sigma):  # type: ignore[no-untyped-def]
    """Density of a pulse `away` cells from its transition: nine in ten within sigma, the others three times as wide."""
    x = away / sigma
    norm = 1.0 / (sigma * math.sqrt(2 * math.pi))
    return (0.9 * math.exp(-0.5 * x * x) + 0.1 / 3 * math.exp(-0.5 * x * x / 9)) * norm


@njit(cache=True, nogil=True)
def cell_evidence(cell, offset, stray, strength, sigma, loss, beside, bound):  # type: ignore[no-untyped-def]
    """(cells,) log-likelihood ratios from placed pulses; formula and arguments in recover.evidence."""
    cells = loss.size
    density = np.zeros(cells)
    near = np.empty(3)
    for j in range(cell.size):
        for d in range(3):
            near[d] = _spread(offset[j] + 1 - d, sigma)
        together = near[0] + near[1] + near[2]
        for d in range(3):
            k = cell[j] - 1 + d
            if 0 <= k < cells:
                # Without a transition here, the pulse is a stray one or belongs to a cell beside.
                density[k] += strength[j] * near[d] / (stray[j] + beside * (together - near[d]))
    out = np.empty(cells)
    for k in range(cells):
        value = math.log(loss[k] + (1 - loss[k]) * density[k])
        out[k] = min(max(value, -bound), bound)
    return out


@njit(cache=True, nogil=True)
def window_shifts(cell, total, window, windows, fewest, clearly):  # type: ignore[no-untyped-def]
    """Cells by which the pulses of each window must move to lie best on the evidence `total`: (windows,) int64.

    A shift is kept until another of at most two cells fits better by `clearly`; a window with fewer pulses than
    `fewest` says nothing.
    """
    shifts = np.zeros(windows, dtype=np.int64)
    trials = (0, -1, 1, -2, 2)
    shift = 0
    first = 0
    for w in range(windows):
        while first < cell.size and cell[first] < w * window:
            first += 1
        fits = np.zeros(5)
        count = 0
        j = first
        while j < cell.size and cell[j] < (w + 1) * window:
            for t in range(5):
                fits[t] += total[min(max(cell[j] + shift + trials[t], 0), total.size - 1)]
            count += 1
            j += 1
        best = int(np.argmax(fits))
        if count >= fewest and fits[best] > fits[0] + clearly:
            shift += trials[best]
        shifts[w] = shift
        first = j
    return shifts


@njit(cache=True, nogil=True)
def _log_sum(a, b):  # type: ignore[no-untyped-def]
    top = max(a, b)
    return top + math.log(math.exp(a - top) + math.exp(b - top))


@njit(cache=True, nogil=True)
def mfm_posteriors(evidence, bits, previous, best, odds):  # type: ignore[no-untyped-def]
    """Most likely bits and the log-odds of each, exactly, under the MFM rule.

    State is the bit before; a clock stands only between two zeros. `evidence` (2 * bits,) log-likelihood
    ratios, clock then data cell; `previous` the bit before the field. Fills `best` (bits,) by the most likely
    path and `odds` (bits,) with log P(bit is 1) / P(bit is 0) over all paths.
    Sources: Viterbi algorithm; forward-backward sums (Bahl, Cocke, Jelinek and Raviv 1974, from memory).
    """
    ahead = np.empty((bits + 1, 2))
    behind = np.empty((bits + 1, 2))
    score = np.empty((bits + 1, 2))
    came = np.zeros((bits + 1, 2), dtype=np.uint8)
    never = -1e30
    for s in range(2):
        ahead[0, s] = score[0, s] = 0.0 if s == previous else never
        behind[bits, s] = 0.0
    for k in range(bits):
        clock, data = evidence[2 * k], evidence[2 * k + 1]
        ahead[k + 1, 0] = _log_sum(ahead[k, 0] + clock, ahead[k, 1])
        ahead[k + 1, 1] = _log_sum(ahead[k, 0], ahead[k, 1]) + data
        came[k + 1, 0] = 0 if score[k, 0] + clock >= score[k, 1] else 1
        came[k + 1, 1] = 0 if score[k, 0] >= score[k, 1] else 1
        score[k + 1, 0] = max(score[k, 0] + clock, score[k, 1])
        score[k + 1, 1] = max(score[k, 0], score[k, 1]) + data
    for k in range(bits - 1, -1, -1):
        clock, data = evidence[2 * k], evidence[2 * k + 1]
        behind[k, 0] = _log_sum(behind[k + 1, 0] + clock, behind[k + 1, 1] + data)
        behind[k, 1] = _log_sum(behind[k + 1, 0], behind[k + 1, 1] + data)
        odds[k] = ahead[k + 1, 1] + behind[k + 1, 1] - ahead[k + 1, 0] - behind[k + 1, 0]
    state = 0 if score[bits, 0] >= score[bits, 1] else 1
    for k in range(bits, 0, -1):
        best[k - 1] = state
        state = came[k, state]


@njit(cache=True, nogil=True)
def word_scores(evidence, word_cells, words, out):  # type: ignore[no-untyped-def]
    """Log-likelihood of each of the sixteen five-cell words at each word place: `out` (words, 16)."""
    for w in range(words):
        for nibble in range(16):
            total = 0.0
            for c in range(5):
                if word_cells[nibble] >> (4 - c) & 1:
                    total += evidence[5 * w + c]
            out[w, nibble] = total


@njit(cache=True, nogil=True)
def shared_pulses(a, b, window, fewest, near, widest, step, tolerance, lock, out):  # type: ignore[no-untyped-def]
    """How far two passes over one field show the same pulses, window by window.

    `a`, `b` (n,), (m,) float64 times of the pulses of each pass in cells from the mark, rising. `out` (windows,) gets
    the share of the pulses within `window` cells of `b` that have one of `a` within `tolerance`, nan where either has
    fewer than `fewest`. How `a` lies against `b` is followed from window to window where the share is `lock` or more;
    the next window is sought within `near` cells of where it is foreseen, and within up to `widest` the longer
    nothing was found.
    """
    offset = 0.0
    slope = 0.0
    since = 0.0
    first = 0
    for k in range(out.size):
        start = k * window
        while first < b.size and b[first] < start:
            first += 1
        last = first
        while last < b.size and b[last] < start + window:
            last += 1
        count = last - first
        best_shared = -1
        best_shift = 0.0
        best_off = 0.0
        if count >= fewest:
            reach = min(near + 0.02 * since, widest)
            trials = int(reach / step)
            for t in range(2 * trials + 1):
                # 0, 1, -1, 2, -2 ...: of shifts that fit alike the least is kept
                shift = step * ((t + 1) // 2) * (1 if t % 2 else -1)
                shared = 0
                off = 0.0
                i = np.searchsorted(a, b[first] + offset + shift - tolerance)
                for j in range(first, last):
                    x = b[j] + offset + slope * (b[j] - start) + shift
                    while i < a.size and a[i] < x - tolerance:
                        i += 1
                    if i < a.size and a[i] <= x + tolerance:
                        shared += 1
                        off += a[i] - x
                        i += 1
                if shared > best_shared:
                    best_shared = shared
                    best_shift = shift
                    best_off = off
        here = start + offset + best_shift
        others = np.searchsorted(a, here + window) - np.searchsorted(a, here)
        if count < fewest or others < fewest:
            out[k] = np.nan
        else:
            out[k] = best_shared / max(count, others)
        offset += slope * window
        if count >= fewest and others >= fewest and out[k] >= lock:
            moved = best_shift + best_off / best_shared
            offset += moved
            slope = min(max(slope + 0.3 * moved / (window + since), -0.03), 0.03)
            since = 0.0
        else:
            since += window


@njit(cache=True, nogil=True)
def claims(offset, strength, stray, sigma):  # type: ignore[no-untyped-def]
    """(pulses, 3) likelihood of each pulse under a transition one cell before its own, in it and one behind it, over
    that of a stray pulse; formula in recover.matching.
    """
    out = np.empty((offset.size, 3))
    for j in range(offset.size):
        for d in range(3):
            out[j, d] = strength[j] * _spread(offset[j] + 1 - d, sigma) / stray[j]
    return out


@njit(cache=True, nogil=True)
def _matchings(cell, claim, loss, first, last, written, low):  # type: ignore[no-untyped-def]
    """Sum over all ways in which transitions own pulses `first` to `last` in order: each at most one, each pulse once.

    `written` holds the cells from `low` on. A transition without a pulse costs its `loss`, a pulse without one nothing.
    """
    open_from = np.zeros(last - first + 1)
    open_from[0] = 1.0
    for at in range(written.size):
        if not written[at]:
            continue
        k = low + at
        lost = loss[k]
        for i in range(last - first, -1, -1):
            # Pulse i - 1 is the one owned; any before it not owned yet are stray.
            owned = 0.0
            if i and abs(cell[first + i - 1] - k) <= 1:
                together = 0.0
                for before in range(i):
                    together += open_from[before]
                owned = (1 - lost) * claim[first + i - 1, k - cell[first + i - 1] + 1] * together
            open_from[i] = lost * open_from[i] + owned
    return open_from.sum()


@njit(cache=True, nogil=True)
def match_words(cell, claim, loss, ends, words, likely, first_scores, beside, worth):  # type: ignore[no-untyped-def]
    """(words, 16) log-likelihoods of the words at every place, all others as in `likely`, over passes.

    `cell` (pulses,), `claim` (pulses, 3) of all passes one behind the other, which `ends` (passes + 1,) part; `loss`
    (passes, cells). `words` (16,) five-cell words. Words more than `worth` below the best of `first_scores` (words, 16)
    are left out at -inf. Pulses are told afresh up to `beside` cells to either side. Where a word differs from the
    likely one in its first or last cell, the cell beside it may differ too.
    """
    count = likely.size
    cells = 5 * count
    written = np.zeros(cells, dtype=np.bool_)
    for w in range(count):
        for c in range(5):
            written[5 * w + c] = words[likely[w]] >> (4 - c) & 1
    out = np.full((count, 16), -np.inf)
    passes = ends.size - 1
    at = ends[:-1].copy()
    stop = ends[:-1].copy()
    for w in range(count):
        low, high = max(5 * w - beside, 0), min(5 * w + 5 + beside, cells)
        for p in range(passes):
            while at[p] < ends[p + 1] and cell[at[p]] < low:
                at[p] += 1
            stop[p] = max(stop[p], at[p])
            while stop[p] < ends[p + 1] and cell[stop[p]] < high:
                stop[p] += 1
        window = written[low:high].copy()
        mine = 5 * w - low
        top = first_scores[w].max()
        for v in range(16):
            if first_scores[w, v] < top - worth:
                continue
            for c in range(5):
                window[mine + c] = words[v] >> (4 - c) & 1
            lefts = 2 if mine and window[mine] != written[5 * w] else 1
            rights = 2 if mine + 5 < window.size and window[mine + 4] != written[5 * w + 4] else 1
            for left in range(lefts):
                for right in range(rights):
                    if left:
                        window[mine - 1] = not window[mine - 1]
                    if right:
                        window[mine + 5] = not window[mine + 5]
                    total = 0.0
                    for p in range(passes):
                        total += math.log(_matchings(cell, claim, loss[p], at[p], stop[p], window, low))
                    if left:
                        window[mine - 1] = not window[mine - 1]
                    if right:
                        window[mine + 5] = not window[mine + 5]
                    out[w, v] = total if out[w, v] == -np.inf else _log_sum(out[w, v], total)
    return out
