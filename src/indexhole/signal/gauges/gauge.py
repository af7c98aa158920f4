"""A gauge: one measured quantity with its unit, uncertainty, limits and verdict."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum
from typing import Literal

# Coverage factor for about 95 % (JCGM 100:2008, 6.2.1 and G.1.3).
COVERAGE = 2.0


GaugeName = Literal[
    "spindle_speed",
    "speed_variation",
    "speed_wander_orders",
    "index_to_data",
    "index_jitter",
    "writer_speed_ratio",
    "timing_margin",
    "peak_shift",
    "pulse_asymmetry",
    "noise_jitter",
    "dropouts",
    "writers",
]


class Verdict(StrEnum):
    """What a comparison with the limits came to."""

    WORKS = "works"
    DOUBTFUL = "doubtful"
    FAILS = "fails"
    UNPROVEN = "unproven"


@dataclass(frozen=True, slots=True)
class Gauge:
    """One measured quantity.

    Attributes:
        name: as in the design's list (`spindle_speed`, ...).
        value: in `unit`; nan when it could not be measured, and `note` says why.
        uncertainty: standard uncertainty in `unit`, nan when none can be given.
        limit_low, limit_high: in `unit`, None on a side without limit.
        source: where the limits or the nominal come from, with their mark.
        note: what the keeper should know, one sentence.
        detail: the parts of a gauge that has several (orders of wander, stretches by other writers).
    """

    name: GaugeName
    value: float
    unit: str
    uncertainty: float
    limit_low: float | None = None
    limit_high: float | None = None
    source: str = ""
    note: str = ""
    detail: tuple[Mapping[str, float], ...] = ()

    @property
    def verdict(self) -> Verdict:
        """`works` or `fails` only when the whole 95 % interval lies on one side of each limit."""
        if not math.isfinite(self.value) or (self.limit_low is None and self.limit_high is None):
            return Verdict.UNPROVEN
        spread = COVERAGE * self.uncertainty if math.isfinite(self.uncertainty) else 0.0
        low = -math.inf if self.limit_low is None else self.limit_low
        high = math.inf if self.limit_high is None else self.limit_high
        if self.value - spread >= low and self.value + spread <= high:
            return Verdict.WORKS
        if self.value + spread < low or self.value - spread > high:
            return Verdict.FAILS
        return Verdict.DOUBTFUL
