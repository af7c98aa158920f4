"""The compiled loop of diagnosis: likelihood of operations under every supposed magnitude at once.

Kept apart so that numba is imported only by verbs that need it.
"""

from __future__ import annotations

import math

import numpy as np
from numba import njit


@njit(cache=True, nogil=True)
def operations(  # type: ignore[no-untyped-def]
    table, shifts, luck, lapsed, whole, mishap, starts, base, temper, one, two, rate, by_row, bottom, step
):
    """Log likelihood of operations, shape (operations, climates, rungs of one, rungs of two, lapse rungs or 1).

    Args:
        table: (tempers, rows, nodes) likelihood of each row's count at each node of hazard.
        shifts, luck: (lucks,) shift in nodes that an operation's luck brings, and (tempers, lucks) its chance.
        lapsed, whole: (rows,) likelihood of the count if the lead lapsed, and whether everything failed; both, like
            `table`, over the row's largest, so that products stay numbers.
        mishap: chance that a whole operation fails by something that will not come again.
        starts: (operations + 1,) where each begins among the rows.
        base: (climates, rows) hazard without faults; temper: (climates,) which table.
        one, two: (rungs, rows) added hazard by the first and the second fault.
        rate, by_row: (lapse rungs,) of a lead that lapses; empty where none does.
        bottom, step: log of the lowest node, and between nodes.
    """
    climates, lapses = base.shape[0], max(1, len(rate))
    longest = 1
    for o in range(len(starts) - 1):
        longest = max(longest, starts[o + 1] - starts[o])
    likely = np.empty((len(shifts), longest))
    last = table.shape[2] - 1
    out = np.empty((len(starts) - 1, climates, one.shape[0], two.shape[0], lapses))
    for o in range(len(starts) - 1):
        begin, rows = starts[o], starts[o + 1] - starts[o]
        all_failed, all_lapsed = 1.0, 1.0
        for r in range(rows):
            all_failed *= whole[begin + r]
            all_lapsed *= lapsed[begin + r]
        for c in range(climates):
            of = table[temper[c]]
            for i in range(one.shape[0]):
                for j in range(two.shape[0]):
                    plain = 0.0
                    for r in range(rows):
                        hazard = base[c, begin + r] + one[i, begin + r] + two[j, begin + r]
                        node = min(int((math.log(hazard) - bottom) / step + 0.5), last)
                        for u in range(len(shifts)):
                            likely[u, r] = of[begin + r, min(max(node + shifts[u], 0), last)]
                    for u in range(len(shifts)):
                        product = luck[temper[c], u]
                        for r in range(rows):
                            product *= likely[u, r]
                        plain += product
                    if len(rate) == 0:
                        out[o, c, i, j, 0] = math.log((1 - mishap) * plain + mishap * all_failed + 1e-300)
                    for k in range(len(rate)):
                        on = rate[k]
                        found = (1 - on) * plain + on * all_lapsed
                        if by_row[k]:
                            found = 0.0
                            for u in range(len(shifts)):
                                product = luck[temper[c], u]
                                for r in range(rows):
                                    product *= (1 - on) * likely[u, r] + on * lapsed[begin + r]
                                found += product
                        out[o, c, i, j, k] = math.log((1 - mishap) * found + mishap * all_failed + 1e-300)
    return out
