"""A gauge: one measured quantity with its unit, uncertainty, limits and verdict."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

from indexhole.standards.verdicts import NO_LIMITS, Limits, Verdict, judge

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


@dataclass(frozen=True, slots=True)
class Gauge:
    """One measured quantity.

    Attributes:
        name: as in the design's list (`spindle_speed`, ...).
        value: in `unit`; nan when it could not be measured, and `note` says why.
        uncertainty: standard uncertainty in `unit`, nan when none can be given.
        limits: in `unit`, with their source.
        note: what the keeper should know, one sentence.
        detail: the parts of a gauge that has several (orders of wander, stretches by other writers).
    """

    name: GaugeName
    value: float
    unit: str
    uncertainty: float
    limits: Limits = NO_LIMITS
    note: str = ""
    detail: tuple[Mapping[str, float], ...] = ()

    @property
    def verdict(self) -> Verdict:
        """By the one rule for values with uncertainties."""
        return judge(self.value, self.uncertainty, self.limits)
