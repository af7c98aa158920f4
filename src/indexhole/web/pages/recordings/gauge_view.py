"""The gauges table."""

from __future__ import annotations

import math
from dataclasses import dataclass

from markupsafe import Markup

from indexhole.jobs.typography import plain
from indexhole.signal.gauges.gauge import Gauge
from indexhole.standards.verdicts import COVERAGE
from indexhole.web.drawing.charts import gauge_scale
from indexhole.web.drawing.words import gauge_title, limits, measured


@dataclass(frozen=True)
class GaugeRow:
    """One gauge as shown."""

    title: str
    value: str
    limits: str
    verdict: str
    note: str
    source: str
    scale: Markup


def gauge_row(gauge: Gauge) -> GaugeRow:
    """A gauge with its value rounded to what its uncertainty allows."""
    spread = COVERAGE * gauge.uncertainty if math.isfinite(gauge.uncertainty) else 0.0
    return GaugeRow(
        title=gauge_title(gauge.name),
        value=measured(gauge.value, gauge.uncertainty, gauge.unit),
        limits=_limits(gauge),
        verdict=str(gauge.verdict),
        note=plain(gauge.note),
        source=plain(gauge.limits.source),
        scale=gauge_scale(gauge.value, spread, gauge.limits.low, gauge.limits.high),
    )


def _limits(gauge: Gauge) -> str:
    held = gauge.limits
    text = limits(held.low, held.high, gauge.unit)
    if held.warn_low is None and held.warn_high is None:
        return text
    return f"{text}; needs no thought: {limits(held.warn_low, held.warn_high, gauge.unit)}"
