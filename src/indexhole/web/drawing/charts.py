"""Charts as SVG that needs no script: axes in percent of the frame, so text keeps its size at every width.

The data lie in an inner frame of `WIDE` by `HIGH` that stretches; the outer one carries ticks and words. Tones
come from the stylesheet by class, patterns from the defs that every page has.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from markupsafe import Markup

from indexhole.jobs.typography import MINUS
from indexhole.web.drawing.palette import QUALITY
from indexhole.web.drawing.words import TONES
from indexhole.web.drawing.zoom import WHOLE, Window, ZoomLink

WIDE, HIGH = 2000, 1000
UNLOGGED = len(QUALITY)
_DECADES = ("1", "10", "100", "1k", "10k", "100k", "1M", "10M", "100M")

Floats = npt.NDArray[np.floating]


@dataclass(frozen=True)
class Axis:
    """One axis: its title with unit, its ends, and its ticks as (value, word)."""

    title: str
    low: float
    high: float
    ticks: tuple[tuple[float, str], ...]

    def share(self, value: float) -> float:
        """Where a value stands, 0 at the low end and 1 at the high one."""
        return (value - self.low) / (self.high - self.low)


@dataclass(frozen=True)
class Figure:
    """A chart with the sentence that says what it shows and the table that holds its figures."""

    svg: Markup
    summary: str
    columns: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    zoom: tuple[ZoomLink, ...] = ()


@dataclass(frozen=True)
class Box:
    """A stretch of a turn on the sector strip: `start` and `length` in revolutions."""

    start: float
    length: float
    word: str
    state: str


def nice_ticks(low: float, high: float, most: int = 6) -> tuple[tuple[float, str], ...]:
    """Round values between two ends, at most so many."""
    if not high > low:
        return ((low, _plain(low, 0)),)
    rough = (high - low) / max(most - 1, 1)
    power = 10.0 ** math.floor(math.log10(rough))
    step = next(s * power for s in (1, 2, 5, 10) if s * power >= rough * 0.999)
    places = max(0, -math.floor(math.log10(step) + 1e-9))
    first = math.ceil(low / step - 1e-9)
    last = math.floor(high / step + 1e-9)
    return tuple((k * step, _plain(k * step, places)) for k in range(first, last + 1))


def _plain(value: float, places: int) -> str:
    text = f"{value:.{places}f}"
    return f"{float(text) + 0.0:,.{places}f}".replace(",", "\u202f").replace("-", MINUS)


def angle_axis() -> Axis:
    """One turn, from the index on."""
    return Axis("angle from the index, turns", 0, 1, ((0, "0"), (0.25, "¼"), (0.5, "½"), (0.75, "¾"), (1, "1")))


def _percent(share: float) -> str:
    return f"{100 * share:.3f}".rstrip("0").rstrip(".") + "%"


def frame(
    kind: str,
    height: int,
    x: Axis,
    y: Axis | None,
    inside: Markup,
    summary: str,
    above: Sequence[tuple[float, str]] = (),
    window: Window = WHOLE,
) -> Markup:
    """The outer frame: ticks, titles, the inner drawing.

    Args:
        kind: class of the chart, for the stylesheet.
        height: of the drawing, px; ticks and titles stand outside it.
        above: words over the frame at values of the axis across.
        window: the stretch of the axis across that is shown.
    """
    parts = [Markup('<rect class="ground" width="100%" height="100%"/>'), _seen_through(inside, height, window)]
    for share, word in _ticks_in(x, window):
        at = _percent(share)
        anchor = "start" if share < 0.01 else "end" if share > 0.99 else "middle"
        parts.append(Markup('<line class="tick" x1="{0}" x2="{0}" y1="{1}" y2="{2}"/>').format(at, height, height + 5))
        parts.append(
            Markup('<text class="tick-word" x="{}" y="{}" text-anchor="{}">{}</text>').format(
                at, height + 19, anchor, word
            )
        )
    for value, word in above:
        share = window.share(x.share(value))
        if 0 <= share <= 1:
            mark = Markup('<text class="mark-word" x="{}" y="-9" text-anchor="middle">{}</text>')
            parts.append(mark.format(_percent(share), word))
    parts.append(
        Markup('<text class="axis-title" x="100%" y="{}" text-anchor="end">{}</text>').format(height + 36, x.title)
    )
    for value, word in y.ticks if y else ():
        at = _percent(1 - y.share(value)) if y else ""
        parts.append(Markup('<line class="tick" x1="-5" x2="0" y1="{0}" y2="{0}"/>').format(at))
        parts.append(
            Markup('<text class="tick-word" x="-9" y="{}" dy="4" text-anchor="end">{}</text>').format(at, word)
        )
    if y and y.title:
        parts.append(Markup('<text class="axis-title" x="-36" y="-9">{}</text>').format(y.title))
    parts.append(Markup('<rect class="frame" width="100%" height="100%"/>'))
    head = Markup('<svg class="chart chart-{}" height="{}" role="img" aria-label="{}">').format(kind, height, summary)
    return head + Markup("").join(parts) + Markup("</svg>")


def _ticks_in(x: Axis, window: Window) -> Iterator[tuple[float, str]]:
    """Ticks as shares of the window; closer up there are others than of the whole."""
    low, high = (x.low + end * (x.high - x.low) for end in (window.low, window.high))
    ticks = x.ticks if window.whole else nice_ticks(low, high, 6)
    for value, word in ticks:
        yield window.share(x.share(value)), word


def _seen_through(inside: Markup, height: int, window: Window) -> Markup:
    """A drawing in percent of the frame, of which a window is seen: the outer svg cuts, the inner one is as wide as
    the whole would be."""
    if window.whole:
        return inside
    wide = 1 / (window.high - window.low)
    head = Markup('<svg width="100%" height="{}"><svg x="{}" width="{}" height="100%">')
    return head.format(height, _percent(-window.low * wide), _percent(wide)) + inside + Markup("</svg></svg>")


def _stretched(inside: Markup) -> Markup:
    head = f'<svg width="100%" height="100%" viewBox="0 0 {WIDE} {HIGH}" preserveAspectRatio="none">'
    return Markup(head) + inside + Markup("</svg>")


def _path(kind: str, d: str) -> Markup:
    return Markup('<path class="{}" vector-effect="non-scaling-stroke" d="{}"/>').format(kind, d)


def line_path(x: Axis, y: Axis, across: Floats, up: Floats) -> str:
    """Path data of a line; it breaks where a value is not finite."""
    parts: list[str] = []
    pen = "M"
    for a, u in zip(across.tolist(), up.tolist(), strict=True):
        if not math.isfinite(u):
            pen = "M"
            continue
        parts.append(f"{pen}{x.share(a) * WIDE:.0f} {(1 - y.share(u)) * HIGH:.0f}")
        pen = "L"
    return "".join(parts)


def band_path(x: Axis, y: Axis, across: Floats, low: Floats, high: Floats) -> str:
    """Path data of the area between two lines, in pieces where both are finite."""
    known = np.isfinite(low) & np.isfinite(high)
    edges = np.flatnonzero(np.diff(np.concatenate(([False], known, [False])).astype(np.int8)))
    pieces = []
    for first, stop in zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True):
        there = line_path(x, y, across[first:stop], high[first:stop])
        back = line_path(x, y, across[first:stop][::-1], low[first:stop][::-1])
        pieces.append(f"{there}L{back[1:]}Z")
    return "".join(pieces)


def levels_of(quality: Floats) -> npt.NDArray[np.int8]:
    """Steps of the scale, shape as given; what was not logged has the step behind the last."""
    known = np.isfinite(quality)
    steps = np.clip(((1.0 - np.where(known, quality, 0.0)) * len(QUALITY)).astype(np.int64), 0, len(QUALITY) - 1)
    return np.where(known, steps, UNLOGGED).astype(np.int8)


def _stretches(levels: npt.NDArray[np.int8]) -> Iterator[tuple[int, int, int, int]]:
    """Stretches of equal quality as (level, row, first bin, bin behind the last), row by row."""
    for row, held in enumerate(levels):
        changes = np.flatnonzero(np.diff(held)) + 1
        starts = np.concatenate(([0], changes)).tolist()
        stops = np.concatenate((changes, [held.size])).tolist()
        for start, stop in zip(starts, stops, strict=True):
            yield int(held[start]), row, start, stop


def quality_rows(quality: Floats) -> Markup:
    """The unrolled map itself, for the outer frame: (rows, bins), rows from the top down.

    One path a step of the scale keeps it small; what was not logged is drawn outside the stretched frame, so
    that its dots stay round.
    """
    rows, bins = quality.shape
    paths: dict[int, list[str]] = {}
    blank = []
    for level, row, start, stop in _stretches(levels_of(quality)):
        if level == UNLOGGED:
            blank.append(_blank(row / rows, 1 / rows, start / bins, (stop - start) / bins))
            continue
        top, foot = round(row * HIGH / rows), round((row + 1) * HIGH / rows)
        left, right = round(start * WIDE / bins), round(stop * WIDE / bins)
        paths.setdefault(level, []).append(f"M{left} {top}H{right}V{foot}H{left}Z")
    drawn = Markup("").join(
        Markup('<path class="q{}" d="{}"/>').format(level, "".join(paths[level])) for level in sorted(paths)
    )
    return _stretched(drawn) + Markup("").join(blank)


def _blank(top: float, height: float, left: float, width: float) -> Markup:
    return Markup('<rect x="{}" y="{}" width="{}" height="{}" fill="url(#tone-dots)"/>').format(
        _percent(left), _percent(top), _percent(width), _percent(height)
    )


def sector_bounds(rows: Sequence[Sequence[Box]]) -> Markup:
    """Where sectors begin, as short strokes, and the outline of each that is not sound, for an inner frame."""
    begins, outlined = [], []
    for row, boxes in enumerate(rows):
        top, foot = round(row * HIGH / len(rows)), round((row + 1) * HIGH / len(rows))
        for box in boxes:
            left = round(box.start % 1.0 * WIDE)
            begins.append(f"M{left} {top}V{foot}")
            if TONES[box.state] != "open":
                right = min(round((box.start % 1.0 + box.length) * WIDE), WIDE)
                outlined.append(f"M{left} {top}H{right}V{foot}H{left}Z")
    return _path("bound", "".join(begins)) + _path("outline", "".join(outlined))


def row_axis(words: Sequence[str], title: str) -> Axis:
    """An axis down with a word at the middle of each row; of many rows only some are named."""
    every = max(1, math.ceil(len(words) / 24))
    count = len(words)
    ticks = tuple((count - k - 0.5, word) for k, word in enumerate(words) if k % every == 0)
    return Axis(title, 0, max(count, 1), ticks)


def quality_chart(
    quality: Floats,
    rows: Sequence[str],
    title: str,
    row_height: int,
    summary: str,
    sectors: Sequence[Sequence[Box]] = (),
    window: Window = WHOLE,
) -> Markup:
    """The unrolled map: angle across, a turn or a cylinder a row; with `sectors`, their bounds row by row."""
    height = max(row_height * quality.shape[0], 24)
    inside = quality_rows(quality) + (_stretched(sector_bounds(sectors)) if sectors else Markup(""))
    return frame("map", height, angle_axis(), row_axis(rows, title), inside, summary, window=window)


def sector_strip(boxes: Iterable[Box], summary: str, window: Window = WHOLE) -> Markup:
    """The sectors of a track at their angle, unrolled as the map below it; a box past the index goes on at 0."""
    parts = []
    for box in boxes:
        start = box.start % 1.0
        ends = ((start, min(start + box.length, 1.0)), (0.0, start + box.length - 1.0))
        for begin, end in ends:
            if end > begin:
                parts.append(_strip_box(begin, end, box))
    head = Markup('<svg class="chart chart-strip" height="34" role="img" aria-label="{}">').format(summary)
    ground = Markup('<rect class="ground" width="100%" height="100%"/>')
    drawn = _seen_through(Markup("").join(parts), 34, window)
    return head + ground + drawn + Markup('<rect class="frame" width="100%" height="100%"/></svg>')


def _strip_box(begin: float, end: float, box: Box) -> Markup:
    left, width = _percent(begin), _percent(end - begin)
    drawn = Markup('<rect class="sector" x="{}" width="{}" y="0" height="100%" fill="url(#tone-{})"/>').format(
        left, width, TONES[box.state]
    )
    if end - begin < box.length / 2:
        return drawn
    middle = _percent((begin + end) / 2)
    plate = Markup('<rect class="plate" x="{}" width="18" height="16" y="9" transform="translate(-9)"/>').format(middle)
    word = Markup('<text class="sector-word" x="{}" y="21" text-anchor="middle">{}</text>').format(middle, box.word)
    return drawn + plate + word


def histogram_chart(
    centres: Floats,
    counts: npt.NDArray[np.int64],
    marks: Sequence[tuple[float, str]],
    summary: str,
    window: Window = WHOLE,
) -> Markup:
    """Counts of intervals: (bins,) centres in microseconds and counts; `marks` are drawn where whole cells fall.

    The counts stand on a logarithmic scale: the few stray intervals are what decides, and they are few.
    """
    step = float(centres[1] - centres[0])
    x = Axis("interval, µs", 0, float(centres[-1]) + step / 2, nice_ticks(0, float(centres[-1]), 8))
    decades = max(1, math.ceil(math.log10(max(int(counts.max()), 2))))
    y = Axis("pulses", -0.3, decades + 0.2, tuple((k, _DECADES[k]) for k in range(min(decades + 1, len(_DECADES)))))
    edges = np.repeat(np.concatenate((centres - step / 2, [centres[-1] + step / 2])), 2)[1:-1]
    heights = np.repeat(np.log10(np.maximum(counts, 10**y.low)), 2)
    area = band_path(x, y, edges, np.full(heights.size, y.low), heights)
    shown = [(at, word) for at, word in marks if at < x.high]
    ruled = "".join(f"M{x.share(at) * WIDE:.0f} 0V{HIGH}" for at, _ in shown)
    drawn = _stretched(_path("mark", ruled) + _path("area", area))
    return frame("histogram", 190, x, y, drawn, summary, shown, window)


def speed_chart(angle: Floats, low: Floats, mean: Floats, high: Floats, summary: str, window: Window = WHOLE) -> Markup:
    """Local speed against its mean, in percent, over a turn: the mean of the passes, and their spread as a band."""
    reach = max(0.2, 1.15 * float(np.nanmax(np.abs(np.concatenate((low, high)))))) if np.isfinite(low).any() else 1.0
    x, y = angle_axis(), Axis("speed against its mean, %", -reach, reach, nice_ticks(-reach, reach, 5))
    drawn = (
        _path("mark", f"M0 {HIGH // 2}H{WIDE}")
        + _path("band", band_path(x, y, angle, low, high))
        + _path("line", line_path(x, y, angle, mean))
    )
    return frame("speed", 150, x, y, _stretched(drawn), summary, window=window)


def gauge_scale(value: float, spread: float, low: float | None, high: float | None) -> Markup:
    """A short scale with the limits as posts and the value with its 95 % interval; nothing where there is no limit."""
    if not math.isfinite(value) or (low is None and high is None):
        return Markup("")
    ends = [v for v in (low, high, value - spread, value + spread) if v is not None]
    span = max(ends) - min(ends) or 1.0
    axis = Axis("", min(ends) - 0.12 * span, max(ends) + 0.12 * span, ())
    left = _percent(axis.share(low)) if low is not None else "0"
    right = _percent(axis.share(high)) if high is not None else "100%"
    width = _percent((axis.share(high) if high is not None else 1.0) - (axis.share(low) if low is not None else 0.0))
    parts = [Markup('<rect class="within" x="{}" width="{}" y="5" height="10"/>').format(left, width)]
    parts += [
        Markup('<line class="post" x1="{0}" x2="{0}" y1="2" y2="18"/>').format(at)
        for at, limit in ((left, low), (right, high))
        if limit is not None
    ]
    from_, to = _percent(axis.share(value - spread)), _percent(axis.share(value + spread))
    parts.append(Markup('<line class="spread" x1="{}" x2="{}" y1="10" y2="10"/>').format(from_, to))
    parts.append(Markup('<circle class="value" cx="{}" cy="10" r="3.5"/>').format(_percent(axis.share(value))))
    return Markup('<svg class="scale" height="20" aria-hidden="true">') + Markup("").join(parts) + Markup("</svg>")


def probability_bar(share: float) -> Markup:
    """A bar as long as the probability, beside which the figure stands in words."""
    return Markup(
        '<svg class="bar" height="12" aria-hidden="true"><rect class="ground" width="100%" height="100%"/>'
        '<rect class="fill" width="{}" height="100%"/><rect class="frame" width="100%" height="100%"/></svg>'
    ).format(_percent(min(max(share, 0.0), 1.0)))
