"""One track as the page shows it: sectors at their angle, the quality map, intervals, speed, and the sector table."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from markupsafe import Markup

from indexhole.codes.known import CODES
from indexhole.recover.shapes.result import WORST_FIRST, QualityMap, Sector, Track
from indexhole.web.drawing import charts
from indexhole.web.drawing.charts import Box, Figure
from indexhole.web.drawing.words import count, number, percent, plural, speed
from indexhole.web.drawing.zoom import WHOLE, Window, Zoom, ZoomLink, Zooms
from indexhole.web.pages.recordings.reading import Histogram, SpeedCurve, TrackPicture
from indexhole.wording import listed

_WELL, _HARDLY = 0.75, 0.25
_SPEED_ROWS = 16
_LEAST_LOGGED = 0.03


@dataclass(frozen=True)
class SectorRow:
    """A row of the sector table."""

    id: int
    size: int
    state: str
    passes: str
    how: str
    angle: str
    sha256: str


@dataclass(frozen=True)
class TrackView:
    """One track drawn. Figures that could not be made are None."""

    title: str
    facts: tuple[tuple[str, str], ...]
    strip: Markup | None
    quality: Figure | None
    histogram: Figure | None
    speed: Figure | None
    sectors: tuple[SectorRow, ...]


def place_of(cylinder: int, head: int) -> str:
    """`cylinder 12, side 0`: a head reads the side of its number."""
    return f"cylinder {cylinder}, side {head}"


def _states(track: Track) -> str:
    """`7 sound, 2 mended`; empty without sectors."""
    states = [str(sector.state) for sector in track.sectors]
    return ", ".join(f"{states.count(word)} {word}" for word in map(str, reversed(WORST_FIRST)) if word in states)


def track_view(track: Track, picture: TrackPicture | None, zooms: Zooms | None = None) -> TrackView:
    """Everything the page shows of a track; with `zooms` the stretches they name, and steps to others."""
    turn, interval = (zooms.turn, zooms.interval) if zooms else (None, None)
    facts = [
        ("Code", CODES[track.code].title if track.code else "not known"),
        ("Cell as read", f"{track.cell_s * 1e6:.4f} µs" if track.cell_s > 0 else "not known"),
        ("Spindle", speed(track.speed_rpm)),
        ("Passes", count(track.passes)),
        ("Sectors", _states(track) or "none"),
        *(("Odd", oddity.words) for oddity in track.oddities),
    ]
    return TrackView(
        title=place_of(track.cylinder, track.head).capitalize(),
        facts=tuple(facts),
        strip=_strip(track, _window(turn)),
        quality=_quality(track.quality, turn) if track.quality is not None else None,
        histogram=_histogram(picture.histogram, track.cell_s, interval) if picture and picture.histogram else None,
        speed=_speed(picture.speed, turn) if picture and picture.speed else None,
        sectors=tuple(_row(sector) for sector in track.sectors),
    )


def _window(zoom: Zoom | None) -> Window:
    return zoom.window if zoom else WHOLE


def _links(zoom: Zoom | None) -> tuple[ZoomLink, ...]:
    return zoom.links() if zoom else ()


def _row(sector: Sector) -> SectorRow:
    return SectorRow(
        sector.id,
        sector.size,
        str(sector.state),
        str(sector.passes_read),
        sector.how + (" (deleted-data mark)" if sector.deleted else ""),
        number(sector.angle, 3) if math.isfinite(sector.angle) else "not known",
        sector.sha256,
    )


def sector_boxes(track: Track) -> list[Box]:
    """The data fields of a track's sectors at their angle; those whose angle or speed is not known are left out."""
    if not track.speed_rpm > 0 or not track.sectors or not track.code:
        return []
    byte_turns = CODES[track.code].cells_per_byte * track.cell_s * track.speed_rpm / 60
    placed = sorted((s for s in track.sectors if math.isfinite(s.angle)), key=lambda s: s.angle % 1)
    return [Box(s.angle % 1, min(s.size * byte_turns, 0.99), str(s.id), str(s.state)) for s in placed]


def _strip(track: Track, window: Window) -> Markup | None:
    boxes = sector_boxes(track)
    if not boxes:
        return None
    where = listed(f"{box.word} {box.state} at {box.start:.2f}" for box in boxes)
    return charts.sector_strip(boxes, f"Sectors along the turn, by angle from the index: {where}.", window)


def _shares(quality: npt.NDArray[np.float32]) -> tuple[float, float, float, float]:
    """Shares of the bins that are well read, in between, hardly read, and not logged."""
    known = np.isfinite(quality)
    held = quality[known]
    size = max(quality.size, 1)
    well, hardly = int((held >= _WELL).sum()), int((held < _HARDLY).sum())
    return well / size, (held.size - well - hardly) / size, hardly / size, 1 - held.size / size


def _quality(held: QualityMap, zoom: Zoom | None) -> Figure | None:
    # a log runs a little over its last index: rows of which hardly anything was logged only take up room
    logged = np.isfinite(held.quality).mean(axis=1) > _LEAST_LOGGED
    quality = held.quality[logged]
    if not quality.size:
        return None
    rows = [str(k + 1) for k in range(quality.shape[0])]
    shares = _shares(quality[np.isfinite(quality)])
    summary = (
        f"The track unrolled, {plural(len(rows), 'turn')} down: of what was logged, "
        f"{percent(shares[0])} is well read, {percent(shares[2])} hardly or not at all."
    )
    table = [(word, *(percent(share) for share in _shares(row))) for word, row in zip(rows, quality, strict=True)]
    columns = ("turn", f"well read ({_WELL:g} and up)", "in between", f"hardly (under {_HARDLY:g})", "not logged")
    svg = charts.quality_chart(quality, rows, "turn", 22, summary, window=_window(zoom))
    return Figure(svg, summary, columns, tuple(table), _links(zoom))


def _histogram(held: Histogram, cell_s: float, zoom: Zoom | None) -> Figure:
    cell_us = cell_s * 1e6
    cells = np.rint(held.centres_us / cell_us).astype(np.int64)
    total = int(held.counts.sum()) + held.beyond
    runs = [(run, int(held.counts[cells == run].sum())) for run in range(int(cells.max()) + 1)]
    table = [
        (f"about {plural(run, 'cell')}", f"{run * cell_us:.2f}", count(n), percent(n / max(total, 1)))
        for run, n in runs
        if n
    ]
    if held.beyond:
        table.append(("longer", "", count(held.beyond), percent(held.beyond / total)))
    commonest = max(runs, key=lambda run: run[1])
    summary = (
        f"{plural(total, 'interval')} between pulses, the commonest about {plural(commonest[0], 'cell')} "
        f"({commonest[0] * cell_us:.2f} µs, {percent(commonest[1] / max(total, 1))})."
    )
    marks = [(run * cell_us, plural(run, "cell")) for run in range(1, 6)]
    svg = charts.histogram_chart(held.centres_us, held.counts, marks, summary, _window(zoom))
    return Figure(svg, summary, ("interval", "µs", "pulses", "share"), tuple(table), _links(zoom))


def stray_view(held: Histogram) -> Figure:
    """Intervals of captures in which nothing was legible: one peak a run means a recording, a broad heap none."""
    whole = np.rint(held.centres_us).astype(np.int64)
    total = max(int(held.counts.sum()) + held.beyond, 1)
    table = [
        (f"about {us}", count(n), percent(n / total))
        for us in range(int(whole.max()) + 1)
        if (n := int(held.counts[whole == us].sum()))
    ]
    summary = (
        f"{plural(total, 'interval')} between pulses, the commonest "
        f"{held.centres_us[int(np.argmax(held.counts))]:.2f} µs. "
        "A few narrow peaks mean a recording, one broad heap none."
    )
    return Figure(
        charts.histogram_chart(held.centres_us, held.counts, (), summary),
        summary,
        ("interval, µs", "pulses", "share"),
        tuple(table),
    )


def _speed(held: SpeedCurve, zoom: Zoom | None) -> Figure:
    bins = held.mean.size
    angle = (np.arange(bins) + 0.5) / bins
    known = held.mean[np.isfinite(held.mean)]
    summary = (
        f"Speed over a turn, as the recording shows it: from {number(float(known.min()), 2)} % to "
        f"{number(float(known.max()), 2)} % of its mean. Reader and writer show together; a step is another writer."
        if known.size
        else "No stretch was legible enough to tell the speed."
    )
    table = []
    for part in range(_SPEED_ROWS):
        of_part = slice(part * bins // _SPEED_ROWS, (part + 1) * bins // _SPEED_ROWS)
        values = [v[of_part][np.isfinite(v[of_part])] for v in (held.low, held.mean, held.high)]
        if values[1].size:
            low, mean, high = float(values[0].min()), float(values[1].mean()), float(values[2].max())
            table.append((f"{part / _SPEED_ROWS:.3f}", number(low, 2), number(mean, 2), number(high, 2)))
    columns = ("from angle, turns", "lowest, %", "mean, %", "highest, %")
    svg = charts.speed_chart(angle, held.low, held.mean, held.high, summary, _window(zoom))
    return Figure(svg, summary, columns, tuple(table), _links(zoom))
