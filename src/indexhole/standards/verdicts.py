"""The one rule that judges a measured value against its limits; docs/verdicts.md gives reasons and examples.

After JCGM 106:2012 (the role of measurement uncertainty in conformity assessment): accept only what lies inside the
limits with its whole expanded uncertainty (8.3.2), reject only what lies outside with all of it (8.3.3), and decide
nothing in between.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from enum import StrEnum

# Coverage factor for about 95 % (JCGM 100:2008, 6.2.1 and G.1.3).
COVERAGE = 2.0


class Verdict(StrEnum):
    """What a comparison with the limits came to."""

    WORKS = "works"
    DOUBTFUL = "doubtful"
    FAILS = "fails"
    UNPROVEN = "unproven"


@dataclass(frozen=True, slots=True)
class Limits:
    """What is acceptable, all in one unit; None means no bound on that side.

    Attributes:
        low, high: bounds of what is acceptable.
        warn_low, warn_high: bounds of what needs no thought.
        nominal: what the value should be.
        source: where they come from and how sure we are.
    """

    low: float | None = None
    high: float | None = None
    warn_low: float | None = None
    warn_high: float | None = None
    nominal: float | None = None
    source: str = ""

    @property
    def known(self) -> bool:
        """Whether there is a bound at all."""
        return self.low is not None or self.high is not None

    def through(self, change: Callable[[float], float]) -> Limits:
        """The limits in another unit; `change` must rise."""

        def moved(bound: float | None) -> float | None:
            return None if bound is None else change(bound)

        return Limits(
            moved(self.low), moved(self.high), moved(self.warn_low), moved(self.warn_high), moved(self.nominal),
            self.source,
        )  # fmt: skip


NO_LIMITS = Limits()


def lies_within(value: float, uncertainty: float, limits: Limits) -> bool:
    """Whether a value with its whole expanded uncertainty is acceptable; a limit that is met exactly is met."""
    low = -math.inf if limits.low is None else limits.low
    high = math.inf if limits.high is None else limits.high
    return low <= value - COVERAGE * uncertainty and value + COVERAGE * uncertainty <= high


def judge(value: float, uncertainty: float | None, limits: Limits) -> Verdict:
    """Judge a value with its standard uncertainty, both in the unit of the limits.

    - `unproven`: no limit, or value or uncertainty missing or not a finite number, or the expanded uncertainty reaches
      from one end of the acceptable band beyond the other. Where one side has no limit, the band begins at the nominal.
    - `fails`: the value with its whole expanded uncertainty lies outside a limit.
    - `works`: it lies inside both, and the value needs no thought.
    - `doubtful`: everything else.
    """
    low = -math.inf if limits.low is None else limits.low
    high = math.inf if limits.high is None else limits.high
    if not limits.known or uncertainty is None or not math.isfinite(value) or not 0 <= uncertainty < math.inf:
        return Verdict.UNPROVEN
    least, most = value - COVERAGE * uncertainty, value + COVERAGE * uncertainty
    if most < low or least > high:
        return Verdict.FAILS
    if lies_within(value, uncertainty, limits):
        calm_low = -math.inf if limits.warn_low is None else limits.warn_low
        calm_high = math.inf if limits.warn_high is None else limits.warn_high
        return Verdict.WORKS if calm_low <= value <= calm_high else Verdict.DOUBTFUL
    nominal = limits.nominal
    band_low = low if limits.low is not None or nominal is None else nominal
    band_high = high if limits.high is not None or nominal is None else nominal
    return Verdict.UNPROVEN if least < band_low and most > band_high else Verdict.DOUBTFUL
