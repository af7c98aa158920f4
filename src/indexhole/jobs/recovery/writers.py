"""Who wrote it, for the verbs: captures to writers, JSON and the gauge."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from indexhole.jobs.recovery.writer_words import attribution_sentences, other_sentences, writer_sentences
from indexhole.recover.sectors.open_dwells import OpenDwells
from indexhole.recover.surface import open_tracks
from indexhole.recover.writers.known_writers import Attribution
from indexhole.recover.writers.rewrites import Rewrite
from indexhole.recover.writers.rewritten import FALSE_ALARM, FieldTest, FieldVerdict
from indexhole.recover.writers.splice_ends import Splice
from indexhole.recover.writers.track_writing import Nominal, TrackWriting
from indexhole.recover.writers.writers import Writer, Writers, find_writers
from indexhole.signal.captures.capture import Capture
from indexhole.signal.gauges.gauge import Gauge
from indexhole.standards.layouts import Layout, load_layouts


@dataclass(frozen=True)
class WriterReport:
    """Who wrote a disk.

    Attributes:
        layout: id of the layout whose nominal figures were used, "" when none is known.
        writers: as found.
        attributions: by name of a writer, the drives on the shelf it may be; empty when no shelf was asked.
    """

    layout: str
    writers: Writers
    attributions: Mapping[str, Sequence[Attribution]]


def nominal_of(layout: Layout | None) -> Nominal:
    """Nominal cells of a layout's tracks."""

    def nominal(cylinder: int, head: int, code: str) -> tuple[float, float] | None:
        zone = layout.zone(cylinder, head) if layout is not None else None
        if layout is None or zone is None or zone.code != code:
            return None
        return 60 / layout.speed_rpm / zone.cell_s, zone.cell_s

    return nominal


def report_sentences(report: WriterReport) -> list[str]:
    """What a keeper wants to know, a sentence a line."""
    return [*writer_sentences(report.writers), *attribution_sentences(report.attributions)]


def writers_of(opened: OpenDwells, layout: Layout | None) -> Writers:
    """Writers from dwells that are open already."""
    return find_writers(opened, nominal_of(layout))


def report_writers(
    captures: Sequence[Capture], layout: str | None = None, extra_layouts: Sequence[Path] = ()
) -> WriterReport:
    """Captures of one disk to its writers. Raises InputFault for an unknown layout id."""
    layouts = load_layouts(extra_layouts)
    opened, candidates, _ = open_tracks(captures, layouts, layout)
    return WriterReport(candidates[0].layout, writers_of(opened, layouts.get(candidates[0].layout)), {})


def report_writers_of_dwells(opened: OpenDwells, layout: str, extra_layouts: Sequence[Path] = ()) -> WriterReport:
    """Dwells a recovery opened to their writers; `layout` is the one it found, "" when none is known."""
    return WriterReport(layout, writers_of(opened, load_layouts(extra_layouts).get(layout)), {})


def _number(value: float, digits: int = 6) -> float | None:
    return round(value, digits) if math.isfinite(value) else None


def _test_json(test: FieldTest) -> dict[str, Any]:
    return {
        "id": test.sector,
        "verdict": str(test.verdict),
        "step_start_cells": _number(test.start, 4),
        "step_start_uncertainty": _number(test.start_u, 4),
        "step_end_cells": _number(test.end, 4),
        "step_end_uncertainty": _number(test.end_u, 4),
        "log_likelihood_ratio": _number(test.log_ratio, 2),
        "power": _number(test.power, 3),
        "passes": test.passes,
    }


def _splice_json(splice: Splice) -> dict[str, Any]:
    return {
        "turn": _number(splice.turn, 5),
        "phase_cells": _number(splice.phase, 3),
        "uncertainty": _number(splice.phase_u, 3),
        "disturbed_cells": _number(splice.disturbed, 2),
        "gap_cells": _number(splice.gap, 2),
    }


def _rewrite_json(rewrite: Rewrite, name: str) -> dict[str, Any]:
    return {
        "sector": rewrite.sector,
        "writer": name,
        "speed_ratio": _number(math.exp(rewrite.ratio.log)),
        "uncertainty": _number(rewrite.ratio.u),
        "speed_drift": _number(rewrite.ratio.drift),
        "splice_start": _splice_json(rewrite.start),
        "splice_end": _splice_json(rewrite.end),
        "pulse_asymmetry_s": _number(rewrite.asymmetry_s, 11),
        "peak_shift_s": _number(rewrite.peak_shift_s, 11),
        "jitter_s": _number(rewrite.jitter_s, 11),
    }


def _track_json(track: TrackWriting, writers: Writers) -> dict[str, Any]:
    f = track.format
    return {
        "cylinder": track.cylinder,
        "head": track.head,
        "formatted_by": writers.format_by[track.place],
        "format": {
            "speed_ratio": _number(f.speed_ratio),
            "uncertainty": _number(f.speed_u),
            "gap_2_bytes": _number(f.gap_2, 1),
            "gap_3_bytes": _number(f.gap_3, 1),
            "fill": f.fill if f.fill >= 0 else None,
            "index_to_first_id_s": _number(f.index_s, 9),
            "pulse_asymmetry_s": _number(track.asymmetry_s, 11),
            "peak_shift_s": _number(track.peak_shift_s, 11),
            "jitter_s": _number(track.jitter_s, 11),
        },
        "sectors": [_test_json(t) for t in track.tests],
        "rewritten": [_rewrite_json(r, writers.rewrite_by[*track.place, r.sector]) for r in track.rewrites],
    }


def _writer_json(writer: Writer, attributions: Sequence[Attribution]) -> dict[str, Any]:
    return {
        "name": writer.name,
        "tracks_formatted": [{"cylinder": c, "head": h} for c, h in writer.formatted],
        "sectors_rewritten": [{"cylinder": c, "head": h, "sector": s} for c, h, s in writer.rewrote],
        "speed_ratio": _number(writer.speed_ratio),
        "uncertainty": _number(writer.speed_u),
        "speed_against_w1": _number(writer.against_first),
        "against_uncertainty": _number(writer.against_u),
        "gap_2_late_cells": _number(writer.gap_2_late, 2),
        "may_be": [
            {
                "mechanism": a.name if a.occasions else None,
                "probability": round(a.probability, 4),
                "occasions": a.occasions,
                "compared": a.compared,
            }
            for a in attributions
        ],
    }


def report_json(report: WriterReport) -> dict[str, Any]:
    """The part `writers` of `recover --writers --json`."""
    writers = report.writers
    return {
        "false_alarm": FALSE_ALARM,
        "layout": report.layout or None,
        "told": report_sentences(report),
        "writers": [_writer_json(w, report.attributions.get(w.name, ())) for w in writers.writers],
        "tracks": [_track_json(t, writers) for t in writers.tracks],
    }


def writers_gauge(writers: Writers) -> Gauge:
    """The gauge `writers`: how many wrote, and each stretch laid over the format since, sector by sector."""
    tests = [t for track in writers.tracks for t in track.tests]
    known = [t for t in tests if t.verdict is not FieldVerdict.CANNOT_TELL]
    if not known:
        reason = "too few legible fields side by side" if not tests else "too noisy to tell one grid from two"
        return Gauge("writers", math.nan, "1", math.nan, note=f"cannot tell: {reason}")
    detail = tuple(
        _stretch(track, r, writers.rewrite_by[*track.place, r.sector])
        for track in writers.tracks
        for r in track.rewrites
    )
    note = "; ".join(other_sentences(writers))
    note = note or "every data field that can be told lies on the grid of the ids around it"
    return Gauge("writers", float(len(writers.writers)), "1", 0.0, note=note, detail=detail)


def _stretch(track: TrackWriting, rewrite: Rewrite, name: str) -> dict[str, float]:
    """One stretch in figures: `writer` is the number in its name, angles are in turns, splices in cells."""
    return {
        "cylinder": track.cylinder,
        "head": track.head,
        "sector": rewrite.sector,
        "writer": int(name[1:]),
        "speed_ratio": round(math.exp(rewrite.ratio.log), 5),
        "uncertainty": round(rewrite.ratio.u, 5),
        "from_turn": round(rewrite.start.turn, 5),
        "to_turn": round(rewrite.end.turn, 5),
        "splice": round(rewrite.start.phase, 3),
        "splice_uncertainty": round(rewrite.start.phase_u, 3),
        "splice_end": round(rewrite.end.phase, 3),
        "log_likelihood_ratio": round(rewrite.test.log_ratio, 1),
    }


def rewritten_speeds(writers: Writers) -> dict[tuple[int | None, int | None], dict[int, float]]:
    """By track, the speed over the formatter's of each rewritten sector."""
    return {t.place: {r.sector: math.exp(r.ratio.log) for r in t.rewrites} for t in writers.tracks if t.rewrites}
