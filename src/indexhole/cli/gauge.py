"""`indexhole gauge`: what the signal says of the drive and of the writer."""

from __future__ import annotations

import math
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from indexhole.cli.present import emit_json, emit_table, remark, say
from indexhole.cli.recover import AllowCut, Captures, LayoutFiles, LayoutId, Lines, Raw, SampleRate, parse_lines
from indexhole.cli.writers import tell_writers
from indexhole.wording import span_words, time_unit, with_uncertainty

if TYPE_CHECKING:
    from indexhole.signal.gauges.gauge import Gauge

OwnLimits = Annotated[
    Path | None,
    typer.Option("--limits", metavar="FILE", help="Your own limits in place of the table's (docs/verdicts.md)."),
]


def _with_unit(value: float, uncertainty: float, unit: str) -> tuple[str, str, str]:
    """Value and uncertainty as they are written, with a unit that suits them."""
    if not math.isfinite(value):
        return "-", "-", unit
    known = math.isfinite(uncertainty)
    scale, name = time_unit(abs(value)) if unit == "s" else (1.0, unit)
    shown, spread = with_uncertainty(value / scale, uncertainty / scale if known else 0.0)
    return shown, spread if known else "-", name


def _about(gauge: Gauge) -> str:
    """What stands behind a gauge: its note, and where its limits come from."""
    limits = gauge.limits
    warned = limits.warn_low is not None or limits.warn_high is not None
    return "; ".join(
        part
        for part in (
            f"{gauge.name}: {gauge.note}",
            f"needs no thought: {span_words(limits.warn_low, limits.warn_high)}" if warned else "",
            f"limits: {limits.source}" if limits.source else "",
        )
        if part
    )


def gauge(
    captures: Captures,
    layout: LayoutId = None,
    layout_file: LayoutFiles = None,
    line: Lines = None,
    raw: Raw = None,
    sample_rate: SampleRate = None,
    allow_cut: AllowCut = False,
    own_limits: OwnLimits = None,
    json: Annotated[bool, typer.Option("--json", help="Print the report as JSON.")] = False,
) -> None:
    """What the signal says of the drive and of the writer.

    Give captures made with one drive. Exit status 1 when a gauge fails its limits.
    """
    from indexhole.jobs.faults.own_limits import read_tolerances
    from indexhole.jobs.recovery import gauging
    from indexhole.jobs.recovery.writer_words import writer_sentences
    from indexhole.jobs.typography import plain
    from indexhole.signal.formats.options import ReadOptions
    from indexhole.standards.tolerances import LIBRARY

    options = ReadOptions(parse_lines(line), allow_cut, raw, sample_rate)
    tolerances = read_tolerances(own_limits) if own_limits is not None else LIBRARY
    gauged = gauging.gauge_files(captures, options, layout, layout_file or (), tolerances)
    if json:
        emit_json(gauging.report_json(gauged))
    else:
        rows = []
        for g in gauged.gauges:
            value, uncertainty, unit = _with_unit(g.value, g.uncertainty, g.unit)
            rows.append([g.name, value, uncertainty, unit, span_words(g.limits.low, g.limits.high), str(g.verdict)])
        title = f"Gauges from {', '.join(name for name, _ in gauged.captures)}"
        emit_table(title, ("gauge", "value", "std uncertainty", "unit", "limits", "verdict"), rows)
        for g in gauged.gauges:
            if g.name == "writers":
                continue
            say(plain(_about(g)))
        tell_writers(writer_sentences(gauged.writers), gauged.writers)
        for warning in gauged.warnings:
            remark(warning)
    if any(str(g.verdict) == "fails" for g in gauged.gauges):
        raise typer.Exit(1)
