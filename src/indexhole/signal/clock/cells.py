"""What code and cell length a stretch of signal is in, told from its intervals alone.

Intervals are whole multiples of the code cell c. The score of a trial length is the resultant length
|mean exp(2 pi i d / c)| of circular statistics (Mardia and Jupp, Directional Statistics, from memory): 1
when every interval d is an exact multiple, near 0 when none is. Divisors of the true cell score as well,
so the longest length that scores nearly best is taken. Which multiples occur then tells the code apart:
FM has 1 and 2, MFM 2, 3 and 4, the 4-to-5 group code 1, 2 and 3.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import assert_never

import numpy as np
import numpy.typing as npt

from indexhole.codes.code import CodeName
from indexhole.kinds import in_order

_SAMPLE = 60_000
_BINS = 400
_TRIALS = 240
_RARE = 0.02
# Of codes that fit equally the first counts.
_ORDER: tuple[CodeName, ...] = in_order(CodeName, ("mfm", "fm", "group45"))


@dataclass(frozen=True)
class CellGuess:
    """A code with its cell length in ticks; `score` 0 to 1 says how well the intervals fit."""

    code: CodeName
    cell_ticks: float
    score: float


def _histogram(intervals: npt.NDArray[np.int32]) -> tuple[npt.NDArray[np.float64], npt.NDArray[np.float64]] | None:
    """Counts and mean interval of the filled bins, long gaps left out."""
    # Whole stretches, evenly spread: single samples at a stride would alias with pulse asymmetry, which
    # makes every other interval long.
    stretches = np.array_split(intervals, 12 if intervals.size > _SAMPLE else 1)
    sample = np.concatenate([part[: _SAMPLE // len(stretches)] for part in stretches]).astype(np.float64)
    sample = sample[sample > 0]
    if sample.size < 32:
        return None
    top = 3.5 * float(np.median(sample))
    sample = sample[sample < top]
    if sample.size < 32:
        return None
    bins = np.minimum((sample * (_BINS / top)).astype(np.int64), _BINS - 1)
    count = np.bincount(bins, minlength=_BINS).astype(np.float64)
    total = np.bincount(bins, weights=sample, minlength=_BINS)
    filled = count > 0
    return count[filled] / sample.size, total[filled] / count[filled]


def _score(
    cells: npt.NDArray[np.float64], weight: npt.NDArray[np.float64], d: npt.NDArray[np.float64]
) -> npt.NDArray[np.float64]:
    # Only the part of the resultant that points at zero counts: multiples, not multiples plus a constant.
    turns = np.outer(2 * np.pi / cells, d).astype(np.float32)
    return np.asarray(np.cos(turns, out=turns) @ weight.astype(np.float32), dtype=np.float64)


def guess_cells(intervals: npt.NDArray[np.int32]) -> list[CellGuess]:
    """Codes and cell lengths that fit, best first (empty when the stretch holds no recording)."""
    histogram = _histogram(intervals)
    if histogram is None:
        return []
    weight, d = histogram
    shortest = float(d[np.searchsorted(np.cumsum(weight), 0.02)])
    cells = np.geomspace(shortest / 2.6, shortest * 1.3, _TRIALS)
    score = _score(cells, weight, d)
    peaks = np.flatnonzero((score >= np.roll(score, 1)) & (score >= np.roll(score, -1)))
    peaks = peaks[(peaks > 0) & (peaks < _TRIALS - 1) & (score[peaks] > 0.25)]
    guesses: list[CellGuess] = []
    for peak in peaks[np.argsort(score[peaks])][::-1][:4]:
        cell = float(cells[peak])
        for _ in range(2):  # refine: the mean of d over its multiple, weighted
            multiple = np.maximum(np.rint(d / cell), 1)
            cell = float(np.sum(weight * d * multiple) / np.sum(weight * multiple**2))
        multiple = np.minimum(np.rint(d / cell), 6).astype(np.int64)
        share = np.bincount(multiple, weights=weight, minlength=7).astype(np.float64)
        fit = float(_score(np.array([cell]), weight, d)[0])
        guesses.extend(CellGuess(code, cell, fit * match) for code, match in _codes(share))
    # A longer cell that fits nearly as well explains the same intervals with less.
    guesses.sort(key=lambda g: (-round(g.score, 1), -g.cell_ticks))
    return guesses


def _codes(share: npt.NDArray[np.float64]) -> list[tuple[CodeName, float]]:
    """Codes whose run lengths agree with the (7,) shares of the multiples 0 to 6, each with the share it explains."""
    found = ((code, _explained(code, share)) for code in _ORDER)
    return [(code, part) for code, part in found if part is not None]


def _explained(code: CodeName, share: npt.NDArray[np.float64]) -> float | None:
    """Share of the multiples that a code explains, None when they are not those of the code."""
    one, two, three, four = (float(s) for s in share[1:5])
    match code:
        case "mfm":
            return two + three + four if one < _RARE * 2 else None
        case "fm":
            return one + two if one > _RARE and three < _RARE * 2 else None
        case "group45":
            return one + two + three if one > _RARE and three > _RARE / 4 else None
        case _:
            assert_never(code)
