"""Where round the turn sectors failed, and what that says: at places, evenly, or once a turn.

Damage turns with the disk, so errors of neighbouring cylinders lie at the same angle, whatever the drive; dirt, wear of
a head and a head out of place know no angle; a disk seated off its centre fails once a turn (common practice, no
source).

How many sectors failed is weighed elsewhere, so everything here is given that number, K. Of n_b sectors tried in bin b
of the turn k_b failed:

- even: the multivariate hypergeometric law, each arrangement alike likely;
- at places: a Dirichlet-multinomial law (Mosimann, Biometrika 49, 1962, from memory) with a_b = A n_b / N, kept to
  k_b <= n_b; a small A lets a few bins take all;
- once a turn: Fisher's noncentral hypergeometric law (Fog, Communications in Statistics 37, 2008, from memory), odds
  exp(s cos(angle - middle)), the middle anywhere.
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Literal

import numpy as np
import numpy.typing as npt
from scipy.special import gammaln, logsumexp

from indexhole.causes.faults.costs import unit_of
from indexhole.causes.faults.hypotheses import Fault, FaultWord
from indexhole.causes.likelihood.angle_counts import AngleCount
from indexhole.kinds import every, kinds_of
from indexhole.model.trials.trial import cylinder_words

Floats = npt.NDArray[np.float64]

EVEN, PLACES, ONCE = range(3)
# All figures below are our OWN choice. How far concentrated, how strong a once-a-turn pattern, middles tried.
_CONCENTRATIONS, _STRENGTHS, _MIDDLES = (0.3, 1.0, 3.0), (1.0, 2.5), 12
# How each fault arranges errors round the turn: evenly, at places, once a turn. Never nought, so that no arrangement
# decides by itself: at most some 15 dB between two causes.
_Arranger = FaultWord | Literal["none"]
_ARRANGES: Mapping[_Arranger, tuple[float, float, float]] = every(
    (*kinds_of(FaultWord), "none"),
    {
        "none": (0.87, 0.08, 0.05),
        "misaligned": (0.70, 0.03, 0.27),
        "off-speed": (0.92, 0.03, 0.05),
        "dirty-head": (0.92, 0.03, 0.05),
        "dead-write": (0.95, 0.02, 0.03),
        "dead-read": (0.95, 0.02, 0.03),
        "worn-surface": (0.60, 0.30, 0.10),
        "damaged-band": (0.20, 0.70, 0.10),
        "bad-lead": (0.92, 0.05, 0.03),
        "wrong-medium": (0.85, 0.05, 0.10),
        "old-recording-underneath": (0.80, 0.05, 0.15),
        "set-up": (0.65, 0.05, 0.30),
    },
)
_TOLD_NATS = 0.2
_A_TURN = 0.25  # share of the turn beyond which what fails once a turn is told as such


def log_laws(tried: Sequence[int], failed: Sequence[int]) -> Floats:
    """Log likelihood of an arrangement under each law, given how many failed in all: (3,), EVEN, PLACES, ONCE.

    Raises ValueError where more failed than were tried.
    """
    n, k = np.asarray(tried, dtype=np.int64), np.asarray(failed, dtype=np.int64)
    if n.shape != k.shape or (k < 0).any() or (k > n).any():
        raise ValueError("of each bin no more sectors can fail than were tried")
    return np.array(_laws(tuple(n.tolist()), tuple(k.tolist())))


@lru_cache(maxsize=4096)
def _laws(tried: tuple[int, ...], failed: tuple[int, ...]) -> tuple[float, float, float]:
    used = [b for b, n in enumerate(tried) if n]
    n, k = np.array([tried[b] for b in used]), np.array([failed[b] for b in used])
    total, lost = int(n.sum()), int(k.sum())
    if lost in (0, total):
        return 0.0, 0.0, 0.0
    even = float(_log_choose(n, k).sum() - _log_choose(np.array(total), np.array(lost)))
    places = [_at_places(n, k, concentration) for concentration in _CONCENTRATIONS]
    angle = 2 * np.pi * np.array(used) / len(tried)
    once = [
        _by_odds(n, k, np.exp(strength * np.cos(angle - 2 * np.pi * middle / _MIDDLES)))
        for strength in _STRENGTHS
        for middle in range(_MIDDLES)
    ]
    return even, _log_mean(places), _log_mean(once)


def _log_mean(values: Sequence[float]) -> float:
    return float(logsumexp(values)) - math.log(len(values))


def _log_choose(n: npt.NDArray[np.int64], k: npt.NDArray[np.int64]) -> Floats:
    chosen: Floats = np.asarray(gammaln(n + 1) - gammaln(k + 1) - gammaln(n - k + 1), dtype=np.float64)
    return chosen


def _at_places(n: npt.NDArray[np.int64], k: npt.NDArray[np.int64], concentration: float) -> float:
    share = concentration * n / n.sum()
    terms = [_polya(a, int(most)) for a, most in zip(share, n, strict=True)]
    return float(sum(t[j] for t, j in zip(terms, k, strict=True))) - _log_coefficient(terms, int(k.sum()))


def _polya(a: float, most: int) -> Floats:
    """log of Gamma(j + a) / (j! Gamma(a)) for j from 0 to `most`."""
    j = np.arange(most + 1)
    terms: Floats = np.asarray(gammaln(j + a) - gammaln(j + 1) - gammaln(a), dtype=np.float64)
    return terms


def _by_odds(n: npt.NDArray[np.int64], k: npt.NDArray[np.int64], odds: Floats) -> float:
    """Fisher's noncentral law. Odds are scaled so that about K fail: then nothing under- or overflows."""
    share = k.sum() / n.sum()
    chance = odds * share / (odds * share + (1 - share) * odds.mean())
    terms = []
    for p, most in zip(chance, n, strict=True):
        j = np.arange(most + 1)
        terms.append(_log_choose(np.array(most), j) + j * math.log(p) + (most - j) * math.log1p(-p))
    return float(sum(t[j] for t, j in zip(terms, k, strict=True))) - _log_coefficient(terms, int(k.sum()))


def _log_coefficient(terms: Sequence[Floats], degree: int) -> float:
    """log of the coefficient of x^degree in the product of polynomials given by the logs of their coefficients."""
    product, scale = np.ones(1), 0.0
    for term in terms:
        product = np.convolve(product, np.exp(term))[: degree + 1]
        top = float(product.max())
        product, scale = product / top, scale + math.log(top)
    return scale + math.log(float(product[degree]))


class Arrangements:
    """Counts by place on the turn, ready to be weighed. All errors of one side of a disk are arranged by one law."""

    def __init__(self, counts: Sequence[AngleCount]) -> None:
        sides: dict[tuple[str, int], list[AngleCount]] = defaultdict(list)
        for count in counts:
            sides[count.disk, count.side].append(count)
        self._sides = [_Side.of(held) for held in sides.values()]

    def log_ratio(self, faults: frozenset[Fault]) -> float:
        """Log likelihood of all arrangements when exactly these faults are present, less that of none at all."""
        return sum(side.log_ratio(faults) for side in self._sides)

    def speaking(self, mine: frozenset[Fault], rival: frozenset[Fault]) -> tuple[tuple[str, float], ...]:
        """What the arrangements say for a cause against its rival: words and nats, where they say anything."""
        told = [(side, side.log_ratio(mine) - side.log_ratio(rival)) for side in self._sides]
        speaks = sorted((t for t in told if abs(t[1]) >= _TOLD_NATS), key=lambda t: -abs(t[1]))
        return tuple(("; ".join(map(count_words, side.counts)), nats) for side, nats in speaks)


@dataclass(frozen=True)
class _Side:
    """One side of a disk: its counts, their log likelihood under each law, and the names of what had a part in them."""

    counts: tuple[AngleCount, ...]
    laws: Floats
    names: frozenset[str]

    @classmethod
    def of(cls, counts: Sequence[AngleCount]) -> _Side:
        by = {name for count in counts for name in count.by}
        laws = np.sum([log_laws(count.tried, count.failed) for count in counts], axis=0)
        return cls(tuple(counts), laws, frozenset({counts[0].disk, *by, *map(unit_of, by)}))

    def log_ratio(self, faults: frozenset[Fault]) -> float:
        side = self.counts[0].side
        touching = [_ARRANGES[f.fault] for f in sorted(faults) if f.element in self.names and f.side in (None, side)]
        if not touching:
            return 0.0
        # Of causes that act together either may have made the pattern.
        weight = np.mean(touching, axis=0)
        return float(logsumexp(self.laws, b=weight) - logsumexp(self.laws, b=_ARRANGES["none"]))


def band_ratio(counts: Sequence[AngleCount], inside: Sequence[bool]) -> float:
    """How much likelier, in nats, arrangements are when only those inside a damaged band are the band's doing.

    It is against `Arrangements.log_ratio`, which takes all counts of the side for the damage's; the others are then
    arranged as on a sound bench.
    """
    laws = [log_laws(count.tried, count.failed) for count in counts]

    def told(chosen: list[Floats], word: _Arranger) -> float:
        return float(logsumexp(np.sum(chosen, axis=0), b=_ARRANGES[word])) if chosen else 0.0

    own = [law for law, within in zip(laws, inside, strict=True) if within]
    others = [law for law, within in zip(laws, inside, strict=True) if not within]
    return told(own, "damaged-band") + told(others, "none") - told(laws, "damaged-band")


def tells(count: AngleCount) -> bool:
    """Whether the laws differ about an arrangement; where all failed, or each place was tried once, they hardly do."""
    laws = log_laws(count.tried, count.failed)
    return bool(laws.max() - laws.min() > 1)


def count_words(count: AngleCount) -> str:
    """One count as a keeper would say it."""
    where = f"{count.disk} side {count.side}, {cylinder_words(count.first_cylinder, count.last_cylinder)}"
    failed = f"{sum(count.failed)} of {sum(count.tried)} sectors failed"
    source = f" ({count.source})" if count.source else ""
    return f"on {where}, {failed}{_arrangement_words(count)}{source}"


def _arrangement_words(count: AngleCount) -> str:
    laws = log_laws(count.tried, count.failed)
    if laws.max() - laws[EVEN] < 1:
        clearly = laws[EVEN] - max(laws[PLACES], laws[ONCE]) > 1
        return ", spread evenly round the turn" if clearly else ""
    # few failures close together fit a turn about as well as a place, but nobody would say so of them
    wide = np.count_nonzero(count.failed) > _A_TURN * len(count.failed)
    if laws[ONCE] > laws[PLACES] and wide:
        return ", once a turn, as on a disk that is seated off its centre: seat it anew"
    share = np.array(count.failed) / np.maximum(1, np.array(count.tried))
    worst = [b for b in np.argsort(-share, kind="stable").tolist() if share[b] >= 0.5 * share.max()]
    angles = ", ".join(f"{count.angles[b]:.2f}" for b in sorted(worst)[:4])
    return f", at the same place of the turn ({angles} of a turn from the index)"
