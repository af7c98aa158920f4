"""Quantiles and tails of the distributions that tests of hypotheses use, by scipy's special functions.

`scipy.stats` has them all, but takes half a second and 45 MiB to import, which every start would pay. Formulas:
Abramowitz and Stegun, Handbook of Mathematical Functions, 26.2 (normal), 26.4.19 (chi-square), 26.6.2 (F), 26.7 (t).
"""

from __future__ import annotations

import math

from scipy.special import betaincinv, chdtrc, chdtri, gammaln, ndtri


def normal_quantile(share: float) -> float:
    """Below which a share of a standard normal variable lies."""
    return float(ndtri(share))


def normal_upper(share: float) -> float:
    """Above which a share of a standard normal variable lies; exact for small shares."""
    return -float(ndtri(share))


def chi2_tail(square: float, freedom: float) -> float:
    """Chance of a chi-square above `square`."""
    return float(chdtrc(freedom, square))


def chi2_upper(share: float, freedom: float) -> float:
    """Above which a share of a chi-square lies."""
    return float(chdtri(freedom, share))


def f_upper(share: float, above: float, below: float) -> float:
    """Above which a share of an F ratio lies, with degrees of freedom above and below its line."""
    y = float(betaincinv(below / 2, above / 2, share))
    return below * (1 - y) / (above * y)


def t_log_density(x: float, freedom: float, *, middle: float = 0.0, scale: float = 1.0) -> float:
    """Natural log of the density of Student's t, shifted and stretched, at x."""
    z = (x - middle) / scale
    norm = gammaln((freedom + 1) / 2) - gammaln(freedom / 2) - 0.5 * math.log(freedom * math.pi) - math.log(scale)
    return float(norm) - (freedom + 1) / 2 * math.log1p(z * z / freedom)
