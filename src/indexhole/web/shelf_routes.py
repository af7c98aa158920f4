"""Addresses of the Shelf pages: the list, units, disks, what is added to them, and taking a change back."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any, TypeVar, get_args

from fastapi import APIRouter
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import Response

from indexhole.errors import IndexholeError, InputFault
from indexhole.shelf.records import Disk, Event, Mechanism, Note, Record, Unit, UnitKind, checked
from indexhole.standards.classes import load_classes
from indexhole.web.forms import Ask, FormPage, form, typed
from indexhole.web.links import disk_link, unit_link
from indexhole.web.posted import Posted
from indexhole.web.shelf_pages import disk_page, shelf_page, unit_page
from indexhole.web.site import Site
from indexhole.web.view import render
from indexhole.web.words import query

R = TypeVar("R", bound=Record)

_DATES = "as well as it is known: 1987-05-12, 1987, 1980s, about 1987, before 1990, 1985 to 1988"


def _classes() -> tuple[tuple[str, str], ...]:
    return tuple((held.id, held.title) for held in load_classes().values())


def unit_asks(new: bool) -> tuple[Ask, ...]:
    """What is asked of a unit; its number only once."""
    kinds = tuple((kind, kind) for kind in get_args(UnitKind))
    number = Ask("inventory", "Inventory number", help="such as D7; it stays", required=True)
    rest = (
        Ask("kind", "Kind", "choice", options=kinds, required=True),
        Ask("title", "Title", help="what you call it"),
        Ask("maker", "Maker"),
        Ask("disk_class", "For disks", "choice", options=_classes()),
        Ask("state", "State"),
        Ask("acquired", "Acquired"),
        Ask("origin", "From"),
        Ask("date_codes", "Date codes", help="as printed or stamped on its parts"),
    )
    return (number, *rest) if new else rest


def disk_asks(new: bool) -> tuple[Ask, ...]:
    """What is asked of a disk; its number only once."""
    number = Ask("inventory", "Inventory number", help="such as K9; it stays", required=True)
    rest = (
        Ask("title", "Title"),
        Ask("disk_class", "Class", "choice", options=_classes()),
        Ask("sides", "Sides", "choice", options=(("1", "1"), ("2", "2")), optional_none=True),
        Ask("irreplaceable", "Irreplaceable", "check", "never proposed for a write"),
        Ask("note", "Remark", "area"),
    )
    return (number, *rest) if new else rest


def mechanism_asks(new: bool) -> tuple[Ask, ...]:
    """What is asked of a mechanism; its number only once."""
    number = Ask("number", "Number", "number", "as it answers, whatever the front says", required=True)
    rest = (
        Ask("front", "Front says"),
        Ask("write_width_um", "Writes, µm", "number", "width of the track it writes", optional_none=True),
        Ask("read_width_um", "Reads, µm", "number", "width it reads", optional_none=True),
        Ask("note", "Remark"),
    )
    return (number, *rest) if new else rest


EVENT_ASKS = (
    Ask("when", "When", help=_DATES),
    Ask("what", "What happened", "area", required=True),
    Ask("source", "How it is known"),
)
NOTE_ASKS = (Ask("text", "Note", "area", required=True),)


def _there(site: Site, kind: type[R], key: str) -> R:
    found = site.shelf.find(kind, key)
    if found is None:
        raise HTTPException(404, f"there is no {kind.WORD} {key} on the shelf")
    return found


def _form_page(
    title: str,
    action: str,
    asks: tuple[Ask, ...],
    back: str,
    values: Mapping[str, Any] | None = None,
    fault: IndexholeError | None = None,
) -> Response:
    page = FormPage(title=title, section="Shelf", form=form(action, "Keep", asks, values, fault), back=back)
    return render("form.html", page, 422 if fault else 200)


def _numbers(values: Mapping[str, Any], *names: str) -> dict[str, Any]:
    """The values with digits turned into whole numbers; what is none is left for the record to refuse."""
    found = dict(values)
    for name in names:
        text = found.get(name)
        if isinstance(text, str) and text.isdecimal():
            found[name] = int(text[:9])
    return found


def _kept(
    site: Site,
    title: str,
    action: str,
    asks: tuple[Ask, ...],
    back: str,
    sent: Mapping[str, Any],
    keep: Callable[[], Record],
    after: Callable[[Record], str],
) -> Response:
    """Keep what was typed and go to where it shows, or show the form again with what is wrong."""
    try:
        record = keep()
    except InputFault as fault:
        return _form_page(title, action, asks, back, sent, fault)
    return site.gone_to(after(record), f"{record.WORD.capitalize()} {record.key} is kept.")


def routes(site: Site) -> APIRouter:
    """The addresses of the Shelf pages."""
    router = APIRouter()
    _list_routes(router, site)
    _unit_routes(router, site)
    _disk_routes(router, site)
    _addition_routes(router, site)
    return router


def _list_routes(router: APIRouter, site: Site) -> None:
    @router.get("/")
    def shelf(request: Request, words: str = "", kind: str = "") -> Response:
        diagnosis, weighing = site.diagnosis_if_ready()
        return render("shelf.html", shelf_page(site.shelf, diagnosis, weighing, words, site.told(request), kind))

    @router.post("/undo")
    def undo(sent: Posted) -> Response:
        number = str(sent.get("change", ""))
        expected = next((c for c in site.shelf.changes() if str(c.number) == number), None)
        if expected is None:
            raise InputFault("that change is taken back already", remedy="look at the Shelf page again")
        site.shelf.undo(expected)
        return site.gone_to("/", f"Taken back: {expected.what}.")


def _unit_routes(router: APIRouter, site: Site) -> None:
    @router.get("/unit")
    def unit(request: Request, no: str) -> Response:
        found = _there(site, Unit, no)
        return render("thing.html", unit_page(site.shelf, found, *site.diagnosis_if_ready(), site.told(request)))

    @router.get("/unit/new")
    def new_unit() -> Response:
        return _form_page("Add a unit", "/unit/new", unit_asks(True), "/")

    @router.post("/unit/new")
    def add_unit(sent: Posted) -> Response:
        asks = unit_asks(True)
        values = typed(asks, sent)
        return _kept(
            site, "Add a unit", "/unit/new", asks, "/", values,
            lambda: site.shelf.add(checked(Unit, **values)), lambda kept: unit_link(kept.key),
        )  # fmt: skip

    @router.get("/unit/edit")
    def edit_unit(no: str) -> Response:
        found = _there(site, Unit, no)
        action = query("/unit/edit", no=no)
        return _form_page(f"Change unit {no}", action, unit_asks(False), unit_link(no), found.model_dump())

    @router.post("/unit/edit")
    def change_unit(no: str, sent: Posted) -> Response:
        _there(site, Unit, no)
        asks = unit_asks(False)
        values = typed(asks, sent)
        return _kept(
            site, f"Change unit {no}", query("/unit/edit", no=no), asks, unit_link(no), values,
            lambda: site.shelf.update(Unit, no, **values, standing="known"), lambda kept: unit_link(kept.key),
        )  # fmt: skip


def _disk_routes(router: APIRouter, site: Site) -> None:
    @router.get("/disk")
    def disk(request: Request, no: str) -> Response:
        found = _there(site, Disk, no)
        return render("thing.html", disk_page(site.shelf, found, *site.diagnosis_if_ready(), site.told(request)))

    @router.get("/disk/new")
    def new_disk() -> Response:
        return _form_page("Add a disk", "/disk/new", disk_asks(True), "/")

    @router.post("/disk/new")
    def add_disk(sent: Posted) -> Response:
        asks = disk_asks(True)
        values = typed(asks, sent)
        return _kept(
            site, "Add a disk", "/disk/new", asks, "/", values,
            lambda: site.shelf.add(checked(Disk, **_numbers(values, "sides"))), lambda kept: disk_link(kept.key),
        )  # fmt: skip

    @router.get("/disk/edit")
    def edit_disk(no: str) -> Response:
        found = _there(site, Disk, no)
        action, values = query("/disk/edit", no=no), {**found.model_dump(), "irreplaceable": found.irreplaceable}
        return _form_page(f"Change disk {no}", action, disk_asks(False), disk_link(no), values)

    @router.post("/disk/edit")
    def change_disk(no: str, sent: Posted) -> Response:
        _there(site, Disk, no)
        asks = disk_asks(False)
        values = typed(asks, sent)
        return _kept(
            site, f"Change disk {no}", query("/disk/edit", no=no), asks, disk_link(no), values,
            lambda: site.shelf.update(Disk, no, **_numbers(values, "sides"), standing="known"),
            lambda kept: disk_link(kept.key),
        )  # fmt: skip


def _addition_routes(router: APIRouter, site: Site) -> None:
    @router.get("/mechanism/new")
    def new_mechanism(unit: str) -> Response:
        _there(site, Unit, unit)
        action = query("/mechanism/new", unit=unit)
        return _form_page(f"Add a mechanism to {unit}", action, mechanism_asks(True), unit_link(unit))

    @router.post("/mechanism/new")
    def add_mechanism(unit: str, sent: Posted) -> Response:
        asks = mechanism_asks(True)
        values = typed(asks, sent)
        return _kept(
            site, f"Add a mechanism to {unit}", query("/mechanism/new", unit=unit), asks, unit_link(unit), values,
            lambda: site.shelf.add(checked(Mechanism, unit=unit, **_numbers(values, "number"))),
            lambda kept: unit_link(unit),
        )  # fmt: skip

    @router.get("/mechanism/edit")
    def edit_mechanism(no: str) -> Response:
        found = _there(site, Mechanism, no)
        action = query("/mechanism/edit", no=no)
        values = found.model_dump()
        return _form_page(f"Change mechanism {no}", action, mechanism_asks(False), unit_link(found.unit), values)

    @router.post("/mechanism/edit")
    def change_mechanism(no: str, sent: Posted) -> Response:
        found = _there(site, Mechanism, no)
        asks = mechanism_asks(False)
        values = typed(asks, sent)
        return _kept(
            site, f"Change mechanism {no}", query("/mechanism/edit", no=no), asks, unit_link(found.unit), values,
            lambda: site.shelf.update(Mechanism, no, **values, standing="known"), lambda kept: unit_link(found.unit),
        )  # fmt: skip

    @router.get("/event/new")
    def new_event(unit: str) -> Response:
        _there(site, Unit, unit)
        return _form_page(f"Add an event to {unit}", query("/event/new", unit=unit), EVENT_ASKS, unit_link(unit))

    @router.post("/event/new")
    def add_event(unit: str, sent: Posted) -> Response:
        values = typed(EVENT_ASKS, sent)
        return _kept(
            site, f"Add an event to {unit}", query("/event/new", unit=unit), EVENT_ASKS, unit_link(unit), values,
            lambda: site.shelf.add(checked(Event, unit=unit, **values)), lambda kept: unit_link(unit),
        )  # fmt: skip

    @router.get("/note/new")
    def new_note(unit: str = "", disk: str = "") -> Response:
        back = disk_link(disk) if disk else unit_link(unit)
        _there(site, Disk, disk) if disk else _there(site, Unit, unit)
        action = query("/note/new", unit=unit, disk=disk)
        return _form_page(f"Add a note on {disk or unit}", action, NOTE_ASKS, back)

    @router.post("/note/new")
    def add_note(sent: Posted, unit: str = "", disk: str = "") -> Response:
        values = typed(NOTE_ASKS, sent)
        back = disk_link(disk) if disk else unit_link(unit)
        action = query("/note/new", unit=unit, disk=disk)
        return _kept(
            site, f"Add a note on {disk or unit}", action, NOTE_ASKS, back, values,
            lambda: site.shelf.add(checked(Note, unit=unit or None, disk=disk or None, **values)), lambda kept: back,
        )  # fmt: skip
