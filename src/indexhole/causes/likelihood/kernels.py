"""The compiled loop of diagnosis: likelihood of operations under every supposed magnitude at once.

Kept apart so that numba is imported only by verbs that need it.
"""

from __future__ import annotations

import math

import numpy as np
from numba import njit


@njit(cache=True, nogil=True)
def operations(  # type: ignore[no-untyped-def]
    table,
    lucks,
    stray_lucks,
    luck,
    lapsed,
    whole,
    mishap,
    starts,
    base,
    dispersion,
    one,
    two,
    by_operation,
    by_row,
    nodes,
    dropped,
    lowest,
):
    """Log likelihood of operations, shape (operations, climates, rungs of one, rungs of two, lapse rungs or 1).

    Args:
        table: (tempers, rows, nodes) likelihood of each row's count at each node of hazard.
        lucks, stray_lucks: (lucks,) factors that an operation's luck brings to the hazards of faults and to `base`.
        luck: (tempers, lucks) its chance.
        lapsed, whole: (rows,) likelihood of the count if the lead lapsed, and whether everything failed; both, like
            `table`, over the row's largest, so that products stay numbers.
        mishap: chance that a whole operation fails by something that will not come again.
        starts: (operations + 1,) where each begins among the rows.
        base: (climates, rows) hazard without faults; temper: (climates,) which table.
        one, two: (rungs, rows) added hazard by the first and the second fault.
        by_operation, by_row: (lapse rungs,) chance that the lead lapses for a whole operation, and for a row; empty
            where none does.
        nodes: node of a hazard by its leading bits, with `dropped` bits of it left out, from the bits `lowest` on.
    """
    noise_regimes, lapses = base.shape[0], max(1, len(by_row))
    longest = 1
    for o in range(len(starts) - 1):
        longest = max(longest, starts[o + 1] - starts[o])
    likely = np.empty((len(lucks), longest))
    highest = len(nodes) - 1
    out = np.empty((len(starts) - 1, noise_regimes, one.shape[0], two.shape[0], lapses))
    for o in range(len(starts) - 1):
        begin, rows = starts[o], starts[o + 1] - starts[o]
        all_failed, all_lapsed = 1.0, 1.0
        for r in range(rows):
            all_failed *= whole[begin + r]
            all_lapsed *= lapsed[begin + r]
        for c in range(noise_regimes):
            of = table[dispersion[c]]
            for i in range(one.shape[0]):
                for j in range(two.shape[0]):
                    plain = 0.0
                    for r in range(rows):
                        added = one[i, begin + r] + two[j, begin + r]
                        for u in range(len(lucks)):
                            hazard = base[c, begin + r] * stray_lucks[u] + added * lucks[u]
                            bits = (np.float64(hazard).view(np.int64) >> dropped) - lowest
                            likely[u, r] = of[begin + r, nodes[min(max(bits, 0), highest)]]
                    for u in range(len(lucks)):
                        product = luck[dispersion[c], u]
                        for r in range(rows):
                            product *= likely[u, r]
                        plain += product
                    if len(by_row) == 0:
                        out[o, c, i, j, 0] = math.log((1 - mishap) * plain + mishap * all_failed + 1e-300)
                    for k in range(len(by_row)):
                        on, found = by_row[k], plain
                        if on > 0:
                            found = 0.0
                            for u in range(len(lucks)):
                                product = luck[dispersion[c], u]
                                for r in range(rows):
                                    product *= (1 - on) * likely[u, r] + on * lapsed[begin + r]
                                found += product
                        on = by_operation[k]
                        found = (1 - on) * found + on * all_lapsed
                        out[o, c, i, j, k] = math.log((1 - mishap) * found + mishap * all_failed + 1e-300)
    return out
