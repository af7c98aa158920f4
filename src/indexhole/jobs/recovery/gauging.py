"""The verb `gauge`: what captures say of the drive that read them and of the writer."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from indexhole.codes.known import CODES
from indexhole.errors import Do, InputFault
from indexhole.jobs.recovery.reading import dwells_of
from indexhole.jobs.recovery.writers import rewritten_speeds, writers_gauge, writers_of
from indexhole.recover.sectors.dwells import OpenTrack
from indexhole.recover.sectors.open_dwells import OpenDwells
from indexhole.recover.surface import open_dwells, open_tracks
from indexhole.recover.writers.writers import Writers
from indexhole.signal.captures.capture import Capture
from indexhole.signal.dwells.flow import Flow
from indexhole.signal.formats.options import ReadOptions
from indexhole.signal.gauges import pulse_gauges, spindle_gauges
from indexhole.signal.gauges.gauge import Gauge
from indexhole.signal.gauges.spindle_gauges import FieldPlace
from indexhole.standards.layouts import Layout, load_layouts
from indexhole.standards.tolerances import LIBRARY, Tolerances
from indexhole.standards.verdicts import NO_LIMITS, Limits


@dataclass(frozen=True)
class Gauged:
    """Gauges over a set of captures.

    Attributes:
        captures: name and SHA-256 of each.
        layout: the layout whose nominal figures were used, "" when none is known.
        gauges: in the order of the design's list.
        warnings: what to bear in mind.
        writers: who wrote what was gauged.
    """

    captures: tuple[tuple[str, str], ...]
    layout: str
    gauges: tuple[Gauge, ...]
    warnings: tuple[str, ...]
    writers: Writers


def _fields(opened: Sequence[OpenTrack]) -> list[FieldPlace]:
    places: list[FieldPlace] = []
    for number, one in enumerate(opened):
        cells = CODES[one.stream.code].cells_per_byte
        places.extend(FieldPlace(number, "id", i.id.number, i.at, 6 * cells) for i in one.reads.ids)
        places.extend(
            FieldPlace(number, "data", r.id.number, r.at, r.id.size * cells)
            for r in one.reads.reads
            if r.id is not None and r.passed
        )
    return places


# Halfway between the two nominal speeds there are, 300 and 360 r/min.
_BETWEEN_SPEEDS_RPM = 330.0


def _class_of(layout: Layout | None, rpm: float) -> str:
    """The disk class whose limits hold: the layout's, else the commonest of that speed."""
    if layout is not None:
        return layout.disk_class
    return "130-dense" if rpm > _BETWEEN_SPEEDS_RPM else "130-48"


def _nominal_cells(one: OpenTrack, layout: Layout | None) -> float | None:
    """Cells a turn at nominal speed on the track's zone."""
    if layout is None or one.cylinder is None or one.head is None:
        return None
    zone = layout.zone(one.cylinder, one.head)
    if zone is None or zone.code != one.stream.code:
        return None
    return 60 / layout.speed_rpm / zone.cell_s


def gauge_captures(
    captures: Sequence[Capture],
    layout: str | None = None,
    extra_layouts: Sequence[Path] = (),
    tolerances: Tolerances = LIBRARY,
) -> Gauged:
    """Gauge a set of captures made with one drive, and judge by these tolerances.

    Raises:
        InputFault: unknown layout id, or nothing legible in the captures.
    """
    layouts = load_layouts(extra_layouts)
    opened, candidates, warnings = open_tracks(captures, layouts, layout)
    return _gauged(captures, opened, layouts.get(candidates[0].layout), warnings, tolerances)


def gauge_files(
    paths: Sequence[Path],
    options: ReadOptions,
    layout: str | None = None,
    extra_layouts: Sequence[Path] = (),
    tolerances: Tolerances = LIBRARY,
) -> Gauged:
    """Gauge capture files made with one drive, each read once and stay by stay, so that size does not matter.

    Raises:
        InputFault: a file that cannot be read or is given twice, and as gauge_captures.
    """
    layouts = load_layouts(extra_layouts)
    flows = [Flow(path, options) for path in paths]
    opened, candidates, warnings = open_dwells(dwells_of(paths, flows), layouts, layout)
    remarks = [warning for flow in flows for warning in flow.warnings]
    return _gauged(flows, opened, layouts.get(candidates[0].layout), [*remarks, *warnings], tolerances)


def _gauged(
    captures: Sequence[Capture | Flow],
    opened: OpenDwells,
    chosen: Layout | None,
    warnings: Sequence[str],
    tolerances: Tolerances,
) -> Gauged:
    if not opened:
        raise InputFault(
            "no legible recording to gauge by",
            where=", ".join(c.name for c in captures),
            remedy=(Do.NAME_LAYOUT, "log a disk known good"),
        )
    streams, outlines = opened.streams, opened.outlines
    fields = _fields(outlines)
    code = outlines[0].stream.code
    rough = spindle_gauges.spindle_speed(streams, fields, NO_LIMITS)
    disk_class = _class_of(chosen, rough.value)

    def limits(quantity: str) -> Limits:
        return tolerances.limits(quantity, disk_class, code)

    speed = replace(rough, limits=limits("spindle_speed"))
    writers = writers_of(opened, chosen)
    rewritten = rewritten_speeds(writers)
    noise, shift, asymmetry, margin = pulse_gauges.pulse_gauges(streams, limits("timing_margin"))
    gauges = (
        speed,
        spindle_gauges.speed_variation(streams, limits("speed_variation")),
        spindle_gauges.speed_wander_orders(streams),
        spindle_gauges.index_to_data(streams, fields),
        spindle_gauges.index_jitter(streams, fields),
        pulse_gauges.writer_speed_ratio(
            streams,
            fields,
            [_nominal_cells(one, chosen) for one in outlines],
            [rewritten.get((one.cylinder, one.head), {}) for one in outlines],
            limits("writer_speed_ratio"),
        ),
        margin,
        shift,
        asymmetry,
        noise,
        pulse_gauges.dropouts(streams),
        writers_gauge(writers),
    )
    marks = tuple((c.name, c.sha256) for c in captures)
    return Gauged(marks, chosen.id if chosen is not None else "", gauges, tuple(warnings), writers)


def _number(value: float | None) -> float | None:
    return None if value is None or not math.isfinite(value) else float(f"{value:.7g}")


def gauge_json(gauge: Gauge) -> dict[str, Any]:
    """One gauge as in the report."""
    return {
        "name": gauge.name,
        "value": _number(gauge.value),
        "unit": gauge.unit,
        "uncertainty": _number(gauge.uncertainty),
        "limit_low": gauge.limits.low,
        "limit_high": gauge.limits.high,
        "verdict": str(gauge.verdict),
        "source": gauge.limits.source,
        "note": gauge.note,
        "detail": [dict(part) for part in gauge.detail],
    }


def report_json(gauged: Gauged) -> dict[str, Any]:
    """The report of `gauge --json`."""
    return {
        "captures": [{"name": name, "sha256": sha256} for name, sha256 in gauged.captures],
        "layout": gauged.layout or None,
        "gauges": [gauge_json(g) for g in gauged.gauges],
        "warnings": list(gauged.warnings),
    }
