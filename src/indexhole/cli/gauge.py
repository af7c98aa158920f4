"""`indexhole gauge`: what the signal says of the drive and of the writer."""

from __future__ import annotations

import math
from typing import Annotated

import typer

from indexhole.cli.present import emit_json, emit_table, remark, say
from indexhole.cli.recover import AllowCut, Captures, LayoutFiles, LayoutId, Lines, Raw, SampleRate, parse_lines
from indexhole.cli.writers import tell_writers

# Shown with these prefixes, so that small times can be read.
_PREFIXES = ((1.0, ""), (1e-3, "m"), (1e-6, "u"), (1e-9, "n"))


def _with_unit(value: float, uncertainty: float, unit: str) -> tuple[str, str, str]:
    """Value and uncertainty rounded to two digits of the uncertainty, with a unit that suits them."""
    if not math.isfinite(value):
        return "-", "-", unit
    scale, prefix = 1.0, ""
    if unit == "s":
        scale, prefix = next(((s, p) for s, p in _PREFIXES if abs(value) >= s), (1e-9, "n"))
    value, uncertainty = value / scale, uncertainty / scale
    if math.isfinite(uncertainty) and uncertainty > 0:
        digits = max(0, 1 - math.floor(math.log10(uncertainty)))
        return f"{value:.{digits}f}", f"{uncertainty:.{digits}f}", prefix + unit
    return f"{value:.6g}", "-" if not math.isfinite(uncertainty) else "0", prefix + unit


def _limits(low: float | None, high: float | None) -> str:
    if low is None and high is None:
        return "-"
    if low is None:
        return f"to {high:g}"
    return f"from {low:g}" if high is None else f"{low:g} to {high:g}"


def gauge(
    captures: Captures,
    layout: LayoutId = None,
    layout_file: LayoutFiles = None,
    line: Lines = None,
    raw: Raw = None,
    sample_rate: SampleRate = None,
    allow_cut: AllowCut = False,
    json: Annotated[bool, typer.Option("--json", help="Print the report as JSON.")] = False,
) -> None:
    """What the signal says of the drive and of the writer.

    Give captures made with one drive. Exit status 1 when a gauge fails its limits.
    """
    from indexhole.jobs.recovery import gauging
    from indexhole.jobs.recovery.writer_words import writer_sentences
    from indexhole.jobs.typography import plain
    from indexhole.signal.formats.options import ReadOptions

    options = ReadOptions(parse_lines(line), allow_cut, raw, sample_rate)
    gauged = gauging.gauge_files(captures, options, layout, layout_file or ())
    if json:
        emit_json(gauging.report_json(gauged))
    else:
        rows = []
        for g in gauged.gauges:
            value, uncertainty, unit = _with_unit(g.value, g.uncertainty, g.unit)
            rows.append([g.name, value, uncertainty, unit, _limits(g.limit_low, g.limit_high), str(g.verdict)])
        title = f"Gauges from {', '.join(name for name, _ in gauged.captures)}"
        emit_table(title, ("gauge", "value", "std uncertainty", "unit", "limits", "verdict"), rows)
        for g in gauged.gauges:
            if g.name == "writers":
                continue
            say(plain(f"{g.name}: {g.note}{'; limits: ' + g.source if g.source else ''}"))
        tell_writers(writer_sentences(gauged.writers), gauged.writers)
        for warning in gauged.warnings:
            remark(warning)
    if any(str(g.verdict) == "fails" for g in gauged.gauges):
        raise typer.Exit(1)
