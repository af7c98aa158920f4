"""The collection seen as a whole: along time by date made or acquired, and chosen units side by side; views kept."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any

from fastapi import APIRouter, Query
from markupsafe import Markup
from starlette.requests import Request
from starlette.responses import Response

from indexhole.errors import InputFault
from indexhole.shelf.additions import Part, View
from indexhole.shelf.dates import Span, span_of
from indexhole.shelf.listing import natural, trials_with, unit_keys
from indexhole.shelf.records import Unit, checked
from indexhole.shelf.register import Shelf
from indexhole.web.charts import Axis, frame, nice_ticks
from indexhole.web.links import unit_link, view_link
from indexhole.web.posted import Posted
from indexhole.web.shelf_pages import Stretch, class_title, stretch
from indexhole.web.site import Site
from indexhole.web.view import Page, render
from indexhole.web.words import listed, percent, plural, query

A_PAGE, ROW_PX, MOST_COMPARED = 40, 22, 8
_BY = {"made": "made", "acquired": "acquired_when"}


@dataclass(frozen=True)
class Dated:
    """A unit and when it was made or acquired."""

    inventory: str
    title: str
    said: str
    span: Span

    @property
    def link(self) -> str:
        """Its page."""
        return unit_link(self.inventory)


@dataclass(frozen=True, kw_only=True)
class TimelinePage(Page):
    """Units along time; `unknown` is how many say nothing of it."""

    by: str
    ways: tuple[tuple[str, str], ...]
    rows: tuple[Dated, ...]
    chart: Markup | None
    stretch: Stretch
    unknown: int


@dataclass(frozen=True, kw_only=True)
class ComparePage(Page):
    """Chosen units side by side: a row a quality, a column a unit."""

    columns: tuple[tuple[str, str, str], ...]
    rows: tuple[tuple[str, tuple[str, ...]], ...]
    chosen: tuple[str, ...]
    choices: tuple[str, ...]
    missing: tuple[str, ...]


def dated_units(shelf: Shelf, field: str) -> tuple[list[Dated], int]:
    """Units that say when, the earliest first, and the number of those that do not."""
    found, unknown = [], 0
    for unit in shelf.all(Unit):
        said = getattr(unit, field)
        span = span_of(said)
        if not said or (span.earliest == date.min and span.latest == date.max):
            unknown += 1
            continue
        found.append(Dated(unit.inventory, unit.title or unit.kind, said, span))
    found.sort(key=lambda one: (_ends(one.span), natural(one.inventory)))
    return found, unknown


def _ends(span: Span) -> tuple[float, float]:
    """A span in years; one open to one side is taken to be ten years long."""
    low, high = _year(span.earliest), _year(span.latest)
    if span.earliest == date.min:
        low = high - 10
    if span.latest == date.max:
        high = low + 10
    return low, high


def _year(day: date) -> float:
    return day.year + (day.timetuple().tm_yday - 1) / 366


def timeline_page(site: Site, by: str, number: int, told: tuple[str, ...]) -> TimelinePage:
    """The timeline by date `made` or `acquired`."""
    by = by if by in _BY else "made"
    every, unknown = site.held(f"timeline {by}", lambda shelf: dated_units(shelf, _BY[by]))
    part = stretch(number, len(every), lambda n: query("/timeline", by=by, page=n), A_PAGE)
    rows = every[(part.number - 1) * A_PAGE : part.number * A_PAGE]
    return TimelinePage(
        title="Timeline",
        section="Shelf",
        told=told,
        by=by,
        ways=tuple((word, query("/timeline", by=word)) for word in _BY),
        rows=tuple(rows),
        chart=time_chart(rows, by) if rows else None,
        stretch=part,
        unknown=unknown,
    )


def time_chart(rows: Sequence[Dated], by: str) -> Markup:
    """A row a unit, a bar as long as its date is uncertain, years across."""
    ends = [_ends(one.span) for one in rows]
    low, high = min(a for a, _ in ends) - 0.5, max(b for _, b in ends) + 0.5
    ticks = tuple(
        (value, word.replace("\u202f", "")) for value, word in nice_ticks(low, high, 6) if value == int(value)
    )
    axis = Axis("year", low, high, ticks)
    height = ROW_PX * len(rows)
    count = len(rows)
    names = Axis("", 0, count, tuple((count - k - 0.5, one.inventory[:6]) for k, one in enumerate(rows)))
    drawn = []
    for k, (first, last) in enumerate(ends):
        left, wide = 100 * axis.share(first), 100 * (axis.share(last) - axis.share(first))
        bar = Markup('<rect class="spell" x="{:.3f}%" width="{:.3f}%" y="{}" height="{}"/>')
        drawn.append(bar.format(left, max(wide, 0.6), k * ROW_PX + 5, ROW_PX - 10))
    summary = (
        f"{plural(count, 'unit')} by date {by}, from {rows[0].said} on; a bar is as long as its date is uncertain."
    )
    return frame("time", height, axis, names, Markup("").join(drawn), summary)


def compare_page(site: Site, chosen: Sequence[str], told: tuple[str, ...]) -> ComparePage:
    """The units of these numbers side by side, at most eight."""
    keys = list(dict.fromkeys(key for key in chosen if key))[:MOST_COMPARED]
    found = {key: site.shelf.find(Unit, key) for key in keys}
    units = [unit for unit in found.values() if unit is not None]
    every = site.held("unit keys", unit_keys)
    table: list[tuple[str, list[str]]] = [
        ("Kind", [unit.kind for unit in units]),
        ("Maker", [unit.maker for unit in units]),
        ("For disks", [class_title(unit.disk_class) for unit in units]),
        ("Weight", [f"{unit.weight_kg:g} kg" if unit.weight_kg else "" for unit in units]),
        ("Made", [unit.made for unit in units]),
        ("Acquired", [", ".join(p for p in (unit.acquired, unit.acquired_when) if p) for unit in units]),
        ("Interfaces", [unit.interfaces for unit in units]),
        ("Connectors", [unit.connectors for unit in units]),
        ("Power input", [unit.power_input for unit in units]),
        ("Controller", [unit.controller for unit in units]),
        ("Processors", [_processors(site.shelf, unit) for unit in units]),
        ("Mechanisms", [_mechanisms(site.shelf, unit) for unit in units]),
        ("State", [unit.state for unit in units]),
        ("Trials", [_trials(site.shelf, unit) for unit in units]),
        ("Proven with", [_proven(site.shelf, unit) for unit in units]),
    ]
    return ComparePage(
        title="Side by side",
        section="Shelf",
        told=told,
        columns=tuple((unit.inventory, unit_link(unit.inventory), unit.title) for unit in units),
        rows=tuple((name, tuple(values)) for name, values in table if any(values)),
        chosen=tuple(unit.inventory for unit in units),
        choices=tuple(every) if len(every) <= 250 else (),
        missing=tuple(key for key, unit in found.items() if unit is None),
    )


def _processors(shelf: Shelf, unit: Unit) -> str:
    held = [p for p in shelf.page(Part, unit=unit.inventory, most=500) if "processor" in p.name.casefold()]
    return ", ".join(p.marking or p.name for p in held)


def _mechanisms(shelf: Shelf, unit: Unit) -> str:
    return ", ".join(m.mechanism for m in shelf.mechanisms_of(unit.inventory))


def _trials(shelf: Shelf, unit: Unit) -> str:
    names = [m.mechanism for m in shelf.mechanisms_of(unit.inventory)]
    found = trials_with(shelf, mechanisms=names, part=unit.inventory, most=0)
    if not found.total:
        return "none"
    share = f", {percent(found.sectors_failed / found.sectors_tried)} failed" if found.sectors_tried else ""
    return f"{plural(found.total, 'trial')}{share}"


def _proven(shelf: Shelf, unit: Unit) -> str:
    """Hosts, leads and mechanisms that stood with it in a trial of which not one sector failed, of the newest."""
    names = [m.mechanism for m in shelf.mechanisms_of(unit.inventory)]
    found = trials_with(shelf, mechanisms=names, part=unit.inventory, most=500).rows
    good = [t for t in found if t.sectors_tried and not t.sectors_failed]
    own = {unit.inventory, *names}
    partners = {name for t in good for name in (t.host, t.lead, t.mechanism) if name and name not in own}
    return listed(sorted(partners, key=natural)[:12])


def routes(site: Site) -> APIRouter:
    """The addresses of the timeline, the comparison, and views kept."""
    router = APIRouter()

    @router.get("/timeline")
    def timeline(request: Request, by: str = "made", page: int = 1) -> Response:
        return render("timeline.html", timeline_page(site, by, page, site.told(request)))

    @router.get("/compare")
    def compare(request: Request, unit: list[str] = Query(default_factory=list)) -> Response:  # noqa: B008
        return render("compare.html", compare_page(site, unit, site.told(request)))

    @router.post("/view/new")
    def keep(sent: Posted) -> Response:
        held: dict[str, Any] = {name: str(sent.get(name, "")) for name in ("view", "what", "words", "chosen", "note")}
        if not held["words"] and not held["chosen"]:
            raise InputFault("there is nothing to keep", remedy="look for something, or choose units first")
        view = site.shelf.add(checked(View, **held))
        return site.gone_to(view_link(view), f"The view {view.view} is kept; it stands on the Shelf page.")

    return router
