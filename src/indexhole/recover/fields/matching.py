"""Words of the group code from several passes at once, every pulse owned by one transition at most.

In this code transitions may stand in neighbouring cells, so a pulse between two cells may belong to either. Cell by
cell (recover.evidence) such a pulse speaks for both, and many words seem possible that are not: two transitions with
one pulse need a lost one. So each of the sixteen words is tried in its place, its neighbours as they seem likeliest,
and a pass's pulses have under it the likelihood

    Z = sum over matchings of  prod over owned pulses (1 - q) h f(x) / s  x  prod over transitions without a pulse q,

all ways in which transitions own pulses in their order being summed (forward sum; textbook, from memory), pulses
without a transition being stray; f, h, q and s as in recover.evidence. Passes are independent given what was written:
their log Z add up.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from indexhole.codes.code import CodeName
from indexhole.recover.fields import kernels
from indexhole.recover.fields.evidence import Cells, losses, manner_of
from indexhole.recover.fields.stretch import Placed

# Cells to either side of a word whose pulses are told afresh with it.
_REACH_CELLS = 3
# Words less likely than the best by so many nats, cell by cell, are not tried.
_WORTH = 30.0
_ROUNDS = 3


def matched_words(passes: Sequence[Placed], code: CodeName, words: npt.NDArray[np.int64], first: Cells) -> Cells:
    """(places, 16) log-likelihoods of the words at every place of a field; -inf for words that are not worth trying.

    Args:
        passes: the field's pulses in each pass.
        code: theirs.
        words: (16,) the code's five-cell words.
        first: (places, 16) the same, cell by cell, to start from.
    """
    places = first.shape[0]
    manners = [manner_of(p, code) for p in passes]
    cell = np.concatenate([p.cell for p in passes])
    claim = np.concatenate(
        [kernels.claims(p.offset, m.strength, m.stray, m.spread) for p, m in zip(passes, manners, strict=True)]
    )
    ends = np.cumsum([0, *(p.cell.size for p in passes)])
    loss = np.stack([losses(p, m, 5 * places) for p, m in zip(passes, manners, strict=True)])
    scores = first
    likely = np.argmax(first, axis=1)
    for _ in range(_ROUNDS):
        scores = kernels.match_words(cell, claim, loss, ends, words, likely, first, _REACH_CELLS, _WORTH)
        found = np.argmax(scores, axis=1)
        if np.array_equal(found, likely):
            break
        likely = found
    return np.asarray(scores)
