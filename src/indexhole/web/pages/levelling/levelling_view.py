"""The levelling page as data: a diagram of drives on one axis and the ties between them, its table, its sentences."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from markupsafe import Markup

from indexhole.jobs.faults.levelling import LevelledBench
from indexhole.jobs.faults.levelling_report import told
from indexhole.jobs.typography import MINUS, plain
from indexhole.levelling.blunders import Check, critical_value
from indexhole.levelling.measurements import INDEX, OFFSET, SPEED
from indexhole.levelling.network import UNCHECKED, Part
from indexhole.levelling.quantity import Levelled
from indexhole.standards.verdicts import Verdict
from indexhole.web.drawing.charts import Axis, Figure, frame, nice_ticks
from indexhole.web.drawing.links import mechanism_link
from indexhole.web.drawing.view import Page
from indexhole.web.drawing.words import measured, number, plural
from indexhole.web.forms.faults import sentence
from indexhole.wording import significant

PROGRESS = "/causes/network/progress"
_ROW = 44  # px a node
_LABELLED = 9  # ties that carry their residual in the drawing; the table has all
_AXES = {
    OFFSET: "hub side − · µm · + rim side",
    SPEED: "slow − · % · + fast",
    INDEX: "soon − · µs · + late",
}
_UNITS = {"um": "µm", "us": "µs", "%": "%"}


@dataclass(frozen=True)
class PositionView:
    """One mechanism: where it stands, whether that is right, what to do."""

    name: str
    link: str
    verdict: Verdict
    where: str
    advice: str
    limits: str


@dataclass(frozen=True)
class LevelView:
    """One quantity."""

    name: str
    title: str
    datum: str
    figures: tuple[Figure, ...]
    positions: tuple[PositionView, ...]
    caution: str
    suspects: tuple[str, ...]
    fit: tuple[str, ...]
    weak: tuple[str, ...]
    next: str


@dataclass(frozen=True, kw_only=True)
class NetworkPage(Page):
    """The levelling page; `working` while captures are being gauged, `untied` when nothing compares two drives."""

    working: bool
    untied: bool
    fault: str
    import_fault: str
    levels: tuple[LevelView, ...]
    remarks: tuple[str, ...]


def network_page(
    bench: LevelledBench | None,
    notices: tuple[str, ...],
    fault: str = "",
    import_fault: str = "",
    *,
    working: bool,
    untied: bool,
) -> NetworkPage:
    """The page of a levelled bench; without one it is being worked out, or `fault` or `untied` says why."""
    return NetworkPage(
        title="Drives against each other",
        section="Fault-finding",
        notices=notices,
        again=PROGRESS if working else "",
        working=working,
        untied=untied,
        fault=fault,
        import_fault=import_fault,
        levels=tuple(_level_view(bench, levelled) for levelled in bench.levels.values()) if bench else (),
        remarks=tuple(sentence(plain(remark)) for remark in bench.remarks) if bench else (),
    )


def _level_view(bench: LevelledBench, levelled: Levelled) -> LevelView:
    say = told(bench, levelled)
    return LevelView(
        name=levelled.quantity,
        title=say.title,
        datum=sentence(say.datum),
        figures=tuple(level_figure(levelled, k) for k in range(len(levelled.parts))),
        positions=tuple(
            PositionView(
                standing.node,
                mechanism_link(standing.node),
                standing.verdict,
                sentence(plain(place)),
                plain(advice),
                plain(f"Limits: {standing.limits.source}.") if standing.limits.known else "",
            )
            for standing, place, advice in say.positions
        ),
        caution=say.caution,
        suspects=tuple(plain(line) for line in say.suspects),
        fit=tuple(sentence(plain(line)) for line in say.fit),
        weak=tuple(sentence(plain(line)) for line in say.weak),
        next=plain(say.next),
    )


def level_figure(levelled: Levelled, part_number: int) -> Figure:
    """The levelling diagram of one part: a row a node, lowest place first, ties between them with their residuals."""
    part, checks = levelled.parts[part_number], levelled.checks[part_number]
    order = sorted(range(len(part.nodes)), key=lambda k: (float(part.place[k]), part.nodes[k]))
    row = {part.nodes[k]: n for n, k in enumerate(order)}
    axis = _axis(levelled, part)
    unit = _UNITS[levelled.unit]
    suspected = {name for s in levelled.snooping.suspects for name in s.ties}
    turnable = levelled.signs.unsure | {name for block in levelled.signs.mirrored for name in block}
    marks = [_mark(check, suspected, turnable) for check in checks]
    ends = [_ends(part, check, row, axis) for check in checks]
    # what does not fit is drawn last, and words above all lines
    last = sorted(range(len(checks)), key=lambda k: marks[k] == "suspect")
    drawn = [_tie(checks[k], ends[k], marks[k]) for k in last]
    drawn += [_node(part, k, row, axis) for k in order]
    few = len(checks) <= _LABELLED
    # ties between the same places lie on one another: a residual is said once
    said = dict.fromkeys(_label(checks[k], ends[k], k, marks[k]) for k in last if few or marks[k] == "suspect")
    drawn += said
    named = ", ".join(part.nodes[k] for k in order)
    summary = (
        f"{plural(len(part.nodes), 'place')} from low to high: {named}. Bars are two standard uncertainties; "
        f"{'1 tie with its residual' if len(checks) == 1 else f'{len(checks)} ties with their residuals'}."
    )
    if suspected & {c.tie.name for c in checks}:
        summary += " Ties that do not fit are dashed and say blunder?"
    if turnable & {c.tie.name for c in checks}:
        summary += " Dotted ties may point the other way: then their picture turns round."
    svg = frame("level", _ROW * len(order) + 12, axis, None, Markup("").join(drawn), summary)
    columns = (
        "Tie",
        "From",
        "To",
        f"Observed, {unit}",
        f"Residual, {unit}",
        "w",
        f"Least blunder seen, {unit}",
        "Word",
    )
    rows = tuple(_row(check, unit, suspected, turnable) for check in checks)
    return Figure(svg, summary, columns, rows)


def _axis(levelled: Levelled, part: Part) -> Axis:
    reach = 2 * part.uncertainty
    low, high = float(np.min(part.place - reach)), float(np.max(part.place + reach))
    span = high - low or 1.0
    low, high = low - 0.06 * span, high + 0.06 * span
    return Axis(_AXES[levelled.quantity], low, high, nice_ticks(low, high, 5))


def _percent(share: float) -> str:
    return f"{100 * share:.2f}%"


def _height(place: int) -> int:
    return _ROW * place + _ROW - 10


_Ends = tuple[tuple[float, int], tuple[float, int]]


def _mark(check: Check, suspected: set[str], turnable: frozenset[str] | set[str]) -> str:
    return "suspect" if check.tie.name in suspected else "loose" if check.tie.name in turnable else ""


def _ends(part: Part, check: Check, row: dict[str, int], axis: Axis) -> _Ends:
    """Share of the width and height in px of both ends, the upper one first."""
    one, other = (
        (axis.share(float(part.place[part.index(n)])), _height(row[n])) for n in (check.tie.start, check.tie.end)
    )
    return (one, other) if one[1] < other[1] else (other, one)


def _tie(check: Check, ends: _Ends, mark: str) -> Markup:
    (x1, y1), (x2, y2) = ends
    return Markup('<line class="{}" x1="{}" y1="{}" x2="{}" y2="{}"><title>{}</title></line>').format(
        f"tie {mark}".rstrip(), _percent(x1), y1, _percent(x2), y2, _said(check, mark == "suspect")
    )


def _label(check: Check, ends: _Ends, number_of: int, mark: str) -> Markup:
    """The residual beside its line, between two rows so that no node's name is under it."""
    if check.redundancy <= UNCHECKED:
        return Markup("")
    (x1, y1), (x2, y2) = ends
    rows = (y2 - y1) // _ROW
    # labels stand in different rows of their lines, so that crossing ties do not cover each other's
    y = y1 + _ROW * (number_of % rows) + 15
    x = x1 + (y - y1) / (y2 - y1) * (x2 - x1)
    word = f"{_signed(check.residual)}{' blunder?' if mark == 'suspect' else ''}"
    anchor, dx = ("end", -7) if x > 0.6 else ("start", 7)
    return Markup('<text class="tie-word" x="{}" y="{}" dx="{}" dy="4" text-anchor="{}">{}</text>').format(
        _percent(x), y, dx, anchor, word
    )


def _said(check: Check, bad: bool) -> str:
    tie = check.tie
    fit = "nothing checks it" if check.redundancy <= UNCHECKED else f"residual {_signed(check.residual)}"
    return f"{tie.name}, {tie.start} to {tie.end}: {fit}{', blunder?' if bad else ''}"


def _signed(value: float) -> str:
    # what rounds to nothing beside the figures of the page is nothing
    shown = "0" if abs(value) < 0.005 else f"{value:+.3g}" if abs(value) < 1000 else f"{value:+.0f}"
    return shown.replace("-", MINUS)


def _node(part: Part, k: int, row: dict[str, int], axis: Axis) -> Markup:
    node, place, u = part.nodes[k], float(part.place[k]), float(part.uncertainty[k])
    y, x = _height(row[node]), axis.share(place)
    anchor = "start" if x < 0.2 else "end" if x > 0.8 else "middle"
    bar = Markup("")
    if u > 0:
        bar = Markup('<line class="spread" x1="{}" x2="{}" y1="{}" y2="{}"/>').format(
            _percent(axis.share(place - 2 * u)), _percent(axis.share(place + 2 * u)), y, y
        )
    dot = (
        Markup('<rect class="held" x="{}" y="{}" width="10" height="10" transform="translate(-5 -5)"/>')
        if node in part.held
        else Markup('<circle class="value" cx="{}" cy="{}" r="4.5"/>')
    )
    return (
        bar
        + dot.format(_percent(x), y)
        + Markup('<text class="node-word" x="{}" y="{}" dy="-10" text-anchor="{}">{}</text>').format(
            _percent(x), y, anchor, node
        )
    )


def _row(check: Check, unit: str, suspected: set[str], turnable: frozenset[str] | set[str]) -> tuple[str, ...]:
    tie = check.tie
    seen = check.redundancy > UNCHECKED
    words = [
        word
        for word, meant in (
            ("blunder?", tie.name in suspected),
            ("which way not known", tie.name in turnable),
            ("unchecked", not seen),
        )
        if meant
    ]
    limit = abs(check.w) > critical_value() if seen else False
    return (
        tie.name,
        tie.start,
        tie.end,
        measured(tie.value, tie.uncertainty, ""),
        _signed(check.residual) if seen else "",
        f"{number(check.w, 1)}{' (above the limit)' if limit else ''}" if seen else "",
        significant(check.smallest_found, 3) if seen else "none",
        ", ".join(words) or "fits",
    )
