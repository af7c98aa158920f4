"""Charts of a pairing: what each term takes of the chance, and the margins along the disk."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt
from markupsafe import Markup

from indexhole.jobs.typography import plain
from indexhole.pairing.parts.answer import Budget, Curve
from indexhole.web.drawing.charts import HIGH, WIDE, Axis, Figure, band_path, frame, line_path, nice_ticks
from indexhole.web.drawing.words import TONES, number, percent
from indexhole.wording import listed, significant

Floats = npt.NDArray[np.floating]

_ROW = 44
_BAR = 16
_TOP = 22
_LEAST_SEEN = 0.004
_SIDES = ("line", "line side-1")


def _share(value: float) -> str:
    return f"{100 * min(max(value, 0.0), 1.0):.3f}".rstrip("0").rstrip(".") + "%"


def budget_chart(budget: Budget) -> Figure:
    """A row for each term: what is left before it, of which it takes its part; the last row is what remains.

    The parts add up: all the terms take and the chance that remains are one whole.
    """
    left = 1.0
    rows: list[Markup] = []
    for k, term in enumerate(budget.terms):
        taken = min(max(term.cost, 0.0), left)
        text = f"takes {percent(taken)}" if taken >= _LEAST_SEEN / 4 else "takes nothing"
        rows.append(_row(k, term.group, text, left - taken, taken, TONES[term.verdict]))
        left -= taken
    remains = percent(budget.chance)
    rows.append(_row(len(budget.terms), "what remains", remains, budget.chance, 0.0, "open", last=True))
    height = _ROW * len(rows) + 8
    takers = sorted((t for t in budget.terms if t.cost >= 0.01), key=lambda t: -t.cost)
    summary = f"Of the chance of a whole disk {remains} remain"
    if takers:
        summary += "; " + listed(f"{t.group} takes {percent(t.cost)}" for t in takers)
    ticks = ((0.0, "0"), (0.25, "25"), (0.5, "50"), (0.75, "75"), (1.0, "100 %"))
    x = Axis("chance of a whole disk", 0, 1, ticks)
    table = [(t.group, percent(min(max(t.cost, 0.0), 1.0)), t.verdict) for t in budget.terms]
    return Figure(
        frame("budget", height, x, None, Markup("").join(rows), f"{summary}."),
        f"{summary}.",
        ("term", "takes", "verdict"),
        (*table, ("what remains", remains, budget.verdict)),
    )


def _row(k: int, name: str, text: str, kept: float, taken: float, tone: str, last: bool = False) -> Markup:
    y = k * _ROW + _TOP
    parts = [
        Markup('<text class="term" x="6" y="{}">{}</text>').format(y - 6, name),
        Markup('<text class="term-takes" x="100%" dx="-6" y="{}" text-anchor="end">{}</text>').format(y - 6, text),
        Markup('<rect class="{}" x="0" y="{}" width="{}" height="{}"/>').format(
            "remains" if last else "kept", y, _share(kept), _BAR
        ),
    ]
    if taken >= _LEAST_SEEN:
        parts.append(
            Markup('<rect class="taken" x="{}" y="{}" width="{}" height="{}" fill="url(#tone-{})"/>').format(
                _share(kept), y, _share(taken), _BAR, "cross" if tone == "open" else tone
            )
        )
    return Markup("").join(parts)


def margin_charts(curve: Curve) -> tuple[tuple[str, Figure], ...]:
    """Position and timing margin and the chance of loss against the cylinder; none for a disk that does not go in."""
    if not len(curve.cylinder):
        return ()
    position = _margin(
        curve, curve.position_um, curve.position_sd_um, "room aside, µm", "µm further aside the head may stand", 0
    )
    timing = _margin(
        curve,
        curve.timing,
        curve.timing_sd,
        "share of the half window left",
        "of the half window, at one error in 10⁹",
        2,
    )
    return (
        ("Room for the head along the disk", position),
        ("Timing margin along the disk", timing),
        ("Where sectors may be lost", _failure(curve)),
    )


def _sides(curve: Curve) -> list[int]:
    return sorted(set(curve.side.tolist()))


def _cylinders(curve: Curve) -> Axis:
    last = max(int(curve.cylinder.max()), 1)
    return Axis("cylinder", 0, last, nice_ticks(0, last, 6))


def _margin(curve: Curve, margin: Floats, spread: Floats, title: str, what: str, places: int) -> Figure:
    low, high = margin - spread, margin + spread
    known = np.concatenate([low[np.isfinite(low)], high[np.isfinite(high)], [0.0]])
    span = float(known.max() - known.min()) or 1.0
    y_ends = (min(float(known.min()), 0.0) - 0.06 * span, float(known.max()) + 0.06 * span)
    x, y = _cylinders(curve), Axis(title, *y_ends, nice_ticks(*y_ends, 5))
    zero = (1 - y.share(0.0)) * HIGH
    bands, lines = [], []
    for side in _sides(curve):
        here = curve.side == side
        across = curve.cylinder[here].astype(np.float64)
        bands.append(f'<path class="band" d="{band_path(x, y, across, low[here], high[here])}"/>')
        lines.append(_line(_SIDES[min(side, 1)], line_path(x, y, across, margin[here])))
    # no band may lie over the line of nothing left, nor over the other side's line
    nothing_left = f'<path class="none-left" vector-effect="non-scaling-stroke" d="M0 {zero:.0f}H{WIDE}"/>'
    parts = [*bands, nothing_left, *lines]
    worst = int(np.nanargmin(margin)) if np.isfinite(margin).any() else 0
    text = f"{number(float(margin[worst]), places)} ± {number(float(spread[worst]), places)}"
    summary = f"There is least on cylinder {int(curve.cylinder[worst])}: {text} {what}."
    return Figure(
        _drawn(x, y, parts, summary), summary, ("cylinder, side", title, "±"), _rows(curve, margin, spread, places)
    )


def _failure(curve: Curve) -> Figure:
    lost = np.clip(curve.failure, 0.0, 1.0)
    # the few per mille decide, so the scale is logarithmic; what is rarer than one in a million stands at its foot
    y = Axis("chance to lose a sector there", -6, 0, ((-6, "10⁻⁶"), (-4, "10⁻⁴"), (-2, "1 %"), (0, "all")))
    x = _cylinders(curve)
    parts = []
    for side in _sides(curve):
        here = curve.side == side
        up = np.log10(np.maximum(lost[here], 1e-6))
        parts.append(_line(_SIDES[min(side, 1)], line_path(x, y, curve.cylinder[here].astype(np.float64), up)))
    worst = int(lost.argmax())
    summary = f"A sector is lost most easily on cylinder {int(curve.cylinder[worst])}: {percent(float(lost[worst]))}."
    rows = tuple((_track(curve, k), plain(significant(float(lost[k])))) for k in range(len(lost)))
    return Figure(_drawn(x, y, parts, summary), summary, ("cylinder, side", "chance of one sector"), rows)


def _line(kind: str, d: str) -> str:
    return f'<path class="{kind}" vector-effect="non-scaling-stroke" d="{d}"/>'


def _drawn(x: Axis, y: Axis, parts: Sequence[str], summary: str) -> Markup:
    inside = f'<svg width="100%" height="100%" viewBox="0 0 {WIDE} {HIGH}" preserveAspectRatio="none">'
    return frame("margin", 170, x, y, Markup(inside + "".join(parts) + "</svg>"), summary)


def _track(curve: Curve, k: int) -> str:
    return f"{int(curve.cylinder[k])}, {int(curve.side[k])}"


def _rows(curve: Curve, margin: Floats, spread: Floats, places: int) -> tuple[tuple[str, ...], ...]:
    return tuple(
        (_track(curve, k), number(float(margin[k]), places), number(float(spread[k]), places))
        for k in range(len(margin))
    )
