"""The collection seen as a whole: along time, and chosen units side by side; views kept."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any, get_args

from fastapi import APIRouter, Query
from markupsafe import Markup
from starlette.requests import Request
from starlette.responses import Response

from indexhole.errors import InputFault
from indexhole.shelf.records.additions import View
from indexhole.shelf.records.records import Unit, checked
from indexhole.shelf.views.compare_units import MOST_UNITS, compare_units
from indexhole.shelf.views.listing import records_of, unit_keys
from indexhole.shelf.views.timeline import By, Moment, timeline
from indexhole.web.drawing.charts import Axis, frame, nice_ticks
from indexhole.web.drawing.links import disk_link, unit_link, view_link
from indexhole.web.drawing.view import Page, render
from indexhole.web.drawing.words import plural, query
from indexhole.web.forms.posted import Posted
from indexhole.web.pages.shelf.shelf_pages import Stretch, stretch
from indexhole.web.serving.site import Site

A_PAGE, ROW_PX = 40, 24
# how far the line of a date is drawn to the side it is open to
_OPEN_YEARS = 5.0
_BY: tuple[By, ...] = get_args(By)
_NOTHING = {
    "made": "No unit says yet when it was made, and no date code on one can be read.",
    "acquired": "Nothing on the shelf says yet when it was acquired.",
    "recorded": "No disk says yet when it was recorded.",
}


@dataclass(frozen=True)
class Dated:
    """A thing on the line with its page, and the days its date can mean."""

    kind: str
    key: str
    link: str
    title: str
    told: str
    meant: str
    basis: str


@dataclass(frozen=True, kw_only=True)
class TimelinePage(Page):
    """Things along time; `unknown` is how many say nothing of it."""

    by: str
    ways: tuple[tuple[str, str], ...]
    rows: tuple[Dated, ...]
    chart: Markup | None
    stretch: Stretch
    unknown: str
    nothing: str


@dataclass(frozen=True, kw_only=True)
class ComparePage(Page):
    """Chosen units side by side: a row a quality, a column a unit; `full` when no more fit."""

    columns: tuple[tuple[str, str], ...]
    rows: tuple[tuple[str, tuple[str, ...]], ...]
    chosen: tuple[str, ...]
    choices: tuple[str, ...]
    missing: tuple[str, ...]
    full: bool


def timeline_page(site: Site, by: str, number: int, notices: tuple[str, ...]) -> TimelinePage:
    """A page of the timeline by date `made`, `acquired` or `recorded`."""
    way = next((word for word in _BY if word == by), _BY[0])
    first = (max(number, 1) - 1) * A_PAGE
    found = timeline(site.shelf, way, first=first, most=A_PAGE)
    part = stretch(number, found.total, lambda n: query("/timeline", by=way, page=n), A_PAGE)
    if (part.number - 1) * A_PAGE != first:
        found = timeline(site.shelf, way, first=(part.number - 1) * A_PAGE, most=A_PAGE)
    rows = found.moments
    called = {"made": "unit", "acquired": "entry", "recorded": "disk"}[way]
    return TimelinePage(
        title="Timeline",
        section="Shelf",
        notices=notices,
        by=way,
        ways=tuple((word, query("/timeline", by=word)) for word in _BY),
        rows=tuple(_dated(one) for one in rows),
        chart=time_chart(rows, way) if rows else None,
        stretch=part,
        unknown=f"Of {plural(found.unknown, called)} the date is not known." if found.unknown else "",
        nothing=_NOTHING[way],
    )


def _dated(one: Moment) -> Dated:
    link = unit_link(one.key) if one.kind == "unit" else disk_link(one.key)
    meant = _meant(one)
    # what says no more than the date itself is not told again
    return Dated(
        one.kind, one.key, link, one.title, one.told, meant if meant != one.told else "",
        one.basis if one.basis != one.told else "",
    )  # fmt: skip


def _meant(one: Moment) -> str:
    """The days a date can mean, in whole years where it means those."""
    first = "" if one.earliest is None else _begun(one.earliest)
    last = "" if one.latest is None else _ended(one.latest)
    if not (first and last):
        return f"from {first} on" if first else f"until {last}"
    return first if first == last else f"{first} to {last}"


def _begun(day: date) -> str:
    return f"{day.year:04}" if (day.month, day.day) == (1, 1) else f"{day}"


def _ended(day: date) -> str:
    return f"{day.year:04}" if (day.month, day.day) == (12, 31) else f"{day}"


def _year(day: date) -> float:
    return day.year + (day.timetuple().tm_yday - 1) / 366


def _ends(one: Moment) -> tuple[float, float]:
    """Where a date is drawn, in years; one open to a side reaches some years that way."""
    low = _year(one.earliest) if one.earliest else None
    high = _year(one.latest) + 1 / 366 if one.latest else None
    return (
        low if low is not None else (high or 0.0) - _OPEN_YEARS,
        high if high is not None else (low or 0.0) + _OPEN_YEARS,
    )


def time_chart(rows: Sequence[Moment], by: str) -> Markup:
    """A row a thing, a bar as long as its date is uncertain (dashed to the side it is open to), years across."""
    ends = [_ends(one) for one in rows]
    low, high = min(a for a, _ in ends) - 0.5, max(b for _, b in ends) + 0.5
    ticks = tuple(
        (value, word.replace("\u202f", "")) for value, word in nice_ticks(low, high, 6) if value == int(value)
    )
    axis = Axis("year", low, high, ticks)
    height = ROW_PX * len(rows)
    count = len(rows)
    names = Axis("", 0, count, tuple((count - k - 0.5, _short(one.key)) for k, one in enumerate(rows)))
    drawn = Markup("").join(_spell(axis, k, one) for k, one in enumerate(rows))
    summary = (
        f"{plural(count, 'date')} {by}, from {rows[0].told} to {rows[-1].told}; a bar is as long as its date "
        "is uncertain, a dashed line is open to that side."
    )
    return frame("time", height, axis, names, drawn, summary)


def _short(key: str) -> str:
    return key if len(key) <= 6 else key[:5] + "…"


def _spell(axis: Axis, row: int, one: Moment) -> Markup:
    first, last = (100 * axis.share(end) for end in _ends(one))
    top, middle = row * ROW_PX + 6, row * ROW_PX + ROW_PX // 2
    bar = Markup('<rect class="spell" x="{:.3f}%" width="{:.3f}%" y="{}" height="{}"/>')
    if one.earliest is not None and one.latest is not None:
        return bar.format(first, max(last - first, 0.6), top, ROW_PX - 12)
    known = last - 0.6 if one.earliest is None else first
    line = Markup('<line class="open-spell" x1="{:.3f}%" x2="{:.3f}%" y1="{}" y2="{}"/>')
    return line.format(first, last, middle, middle) + bar.format(known, 0.6, top, ROW_PX - 12)


def compare_page(site: Site, chosen: Sequence[str], notices: tuple[str, ...]) -> ComparePage:
    """The units of these numbers side by side, as many as can be compared."""
    keys = list(dict.fromkeys(key for key in chosen if key))
    found = records_of(site.shelf, Unit, keys[: 2 * MOST_UNITS])
    there = [key for key in keys if key in found][:MOST_UNITS]
    every = site.held("unit keys", unit_keys)
    compared = compare_units(site.shelf, there) if there else None
    rows = compared.rows if compared else ()
    return ComparePage(
        title="Side by side",
        section="Shelf",
        notices=notices,
        columns=tuple((key, unit_link(key)) for key in there),
        rows=tuple((name[:1].upper() + name[1:], values) for name, values in rows),
        chosen=tuple(there),
        choices=tuple(key for key in every if key not in there) if len(every) <= 250 else (),
        missing=tuple(key for key in keys[: 2 * MOST_UNITS] if key not in found),
        full=len(there) == MOST_UNITS,
    )


def routes(site: Site) -> APIRouter:
    """The addresses of the timeline, the comparison, and views kept."""
    router = APIRouter()

    @router.get("/timeline")
    def timeline(request: Request, by: str = "made", page: int = 1) -> Response:
        return render("timeline.html", timeline_page(site, by, page, site.notices_for(request)))

    @router.get("/compare")
    def compare(request: Request, unit: list[str] = Query(default_factory=list)) -> Response:  # noqa: B008
        return render("compare.html", compare_page(site, unit, site.notices_for(request)))

    @router.post("/view/new")
    def keep(sent: Posted) -> Response:
        held: dict[str, Any] = {name: str(sent.get(name, "")) for name in ("view", "what", "words", "chosen", "note")}
        if not held["words"] and not held["chosen"]:
            raise InputFault("there is nothing to keep", remedy="look for something, or choose units first")
        view = site.shelf.add(checked(View, **held))
        return site.gone_to(view_link(view), f"The view {view.view} is kept; it stands on the Shelf page.")

    return router
