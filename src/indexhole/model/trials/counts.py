"""The one law for counts of failed sectors, and its constants side by side.

Of n sectors tried, each fails with chance p. Were they coin tosses, the count would be binomial. It is not: sectors of
a track share their fate, and one row of trials goes better or worse than the next. So the chance itself scatters about
p by a beta law, which makes the count beta-binomial (Skellam, Journal of the Royal Statistical Society B 10, 1948, from
memory). A concentration says how little it scatters: with concentration c the chance has variance p (1 - p) / (c + 1).
Several concentrations are mixed, and a small share of rows is something that nobody foresaw.

The form is one; the constants differ with what p leaves out, and each says why. All are our own choice.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.special import betaln, gammaln

Floats = npt.NDArray[np.float64]

# A chance nearer to 0 or 1 than this counts as this, so that no count is impossible.
_LEAST = 1e-9


def log_beta_binomial(failed: npt.ArrayLike, tried: npt.ArrayLike, mean: npt.ArrayLike, concentration: float) -> Floats:
    """Natural log of the chance of a count, all arguments broadcast together.

    Args:
        failed, tried: counts, `failed` not above `tried`.
        mean: chance that one sector fails, above 0 and below 1.
        concentration: of the beta law, above 0.
    """
    k, n, p = (np.asarray(x, dtype=np.float64) for x in (failed, tried, mean))
    a, b = p * concentration, (1 - p) * concentration
    choose = gammaln(n + 1) - gammaln(k + 1) - gammaln(n - k + 1)
    value: Floats = choose + betaln(k + a, n - k + b) - betaln(a, b)
    return value


@dataclass(frozen=True, slots=True)
class CountLaw:
    """How counts of failed sectors scatter.

    Attributes:
        shares: (concentration, share) of each beta law mixed; the shares add up to 1.
        surprise: share of rows that nobody foresaw.
        ends: of these, the share that lost every sector, and again the share that lost none although they should have;
            in the rest any count is as likely.
    """

    shares: tuple[tuple[float, float], ...]
    surprise: float
    ends: float = 0.0

    def foreseen(self, failed: npt.ArrayLike, tried: npt.ArrayLike, mean: npt.ArrayLike) -> Floats:
        """Chance of a count as foreseen, all arguments broadcast together; `mean` is the chance of one sector."""
        p = np.clip(np.asarray(mean, dtype=np.float64), _LEAST, 1 - _LEAST)
        parts = [share * np.exp(log_beta_binomial(failed, tried, p, c)) for c, share in self.shares]
        return np.asarray(np.sum(parts, axis=0), dtype=np.float64)

    def joined(self, foreseen: Floats, failed: npt.ArrayLike, tried: npt.ArrayLike) -> Floats:
        """What was foreseen together with what was not, all arguments broadcast together."""
        k, n = np.asarray(failed, dtype=np.float64), np.asarray(tried, dtype=np.float64)
        any_count = self.surprise * (1 - 2 * self.ends) / (n + 1)
        at_ends = self.surprise * self.ends * ((k == n).astype(np.float64) + (k == 0))
        return np.asarray((1 - self.surprise) * foreseen + any_count + at_ends, dtype=np.float64)

    def log_likelihood(self, failed: npt.ArrayLike, tried: npt.ArrayLike, mean: npt.ArrayLike) -> Floats:
        """Natural log of the chance of a count, all arguments broadcast together."""
        return np.asarray(np.log(self.joined(self.foreseen(failed, tried, mean), failed, tried)), dtype=np.float64)


# Rows of trials on one bench, faults known: p is that of the very faults supposed, so little is left to scatter. How
# failures come on a bench is not known beforehand, so ranking sums over both. On a rough bench rows scatter more, and
# more of them nobody foresaw: a row fails wholly when a disk is not seated.
CALM = CountLaw(((120.0, 0.8), (20.0, 0.2)), surprise=0.001, ends=0.25)
ROUGH = CountLaw(((40.0, 0.6), (10.0, 0.4)), surprise=0.002, ends=0.25)
# By what share benches are calm.
CALM_SHARE = 0.75
# The same where failures take whole tracks (a mark was missed, the head had not settled): concentrations of the tracks
# lost and of what they leave over, calm and rough. Tracks are few, so they scatter more than sectors.
TRACKS_CALM, TRACKS_ROUGH = 100.0, 15.0


def _mixed(calm: CountLaw, rough: CountLaw, calm_share: float) -> CountLaw:
    """The law of one row of which nobody knows whether its bench is calm."""
    ways = ((calm, calm_share), (rough, 1 - calm_share))
    shares = tuple((c, way * share) for law, way in ways for c, share in law.shares)
    surprise = sum(way * law.surprise for law, way in ways)
    return CountLaw(shares, surprise, sum(way * law.surprise * law.ends for law, way in ways) / surprise)


# A row weighed by itself, as levelling does: nothing tells whether its bench is calm, so both are mixed.
EITHER = _mixed(CALM, ROUGH, CALM_SHARE)

# Rows that teach of heads and disks (pairing): p is that of the middle of all that is not learnt, weather, clamping and
# the noise of a visit among it, so far more is left to scatter, and far more is not foreseen. What a visit multiplies
# the hazard by, with its chance, is summed over.
VISIT = CountLaw(((8.0, 1.0),), surprise=0.01)
VISIT_LUCK = ((0.25, 0.25), (1.0, 0.5), (4.0, 0.25))

# A pairing that works, whatever drives and disk it is of: nearly always nothing is lost, (share lost, concentration).
# A pairing that does not work loses any count as likely: there the law is flat.
WORKING = (0.05 / 5.05, 5.05)
