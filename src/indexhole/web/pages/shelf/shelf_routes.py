"""Addresses of the Shelf pages: the list, units, disks, what is added to them, changes made and taken back."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from fastapi import APIRouter
from starlette.datastructures import FormData, UploadFile
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import Response

from indexhole.errors import IndexholeError, InputFault
from indexhole.shelf.care.photos import read_photo, store_photo
from indexhole.shelf.records.additions import Firmware, Loan, Part, Photo
from indexhole.shelf.records.records import Disk, Event, Mechanism, Note, Record, Unit, checked
from indexhole.shelf.register.confidence import may_stand
from indexhole.shelf.register.history import FieldChange, StaleEdit
from indexhole.web.drawing.links import disk_link, unit_link
from indexhole.web.drawing.view import render
from indexhole.web.drawing.words import plural, query
from indexhole.web.forms import fields as asks
from indexhole.web.forms.forms import FormField, FormPage, How, Theirs, form, stands_typed, typed
from indexhole.web.forms.posted import Posted
from indexhole.web.pages.recordings.recording_routes import plain_name
from indexhole.web.pages.shelf.pictures import ACCEPT, LARGEST_BYTES, redrawn, small_of
from indexhole.web.pages.shelf.shelf_pages import label_page, shelf_page
from indexhole.web.pages.shelf.thing_pages import disk_page, unit_page
from indexhole.web.serving.site import Site


@dataclass(frozen=True)
class Entry:
    """A kind of entry the page adds and changes: what it is called, what is asked, and where it shows."""

    kind: type[Record]
    called: str
    new: tuple[FormField, ...]
    edit: tuple[FormField, ...]
    of_disks: bool = False
    # whether its page shows how single fields are known
    doubts: bool = False

    @property
    def doubted(self) -> tuple[FormField, ...]:
        """What may be not known, or as told."""
        return tuple(ask for ask in self.edit if may_stand(self.kind, ask.name)) if self.doubts else ()

    @property
    def path(self) -> str:
        """The address of its forms."""
        return f"/{self.kind.WORD}"


# things that stand by themselves, and what belongs to one of them
THINGS = (
    Entry(Unit, "a unit", asks.unit_fields(True), asks.unit_fields(False), doubts=True),
    Entry(Disk, "a disk", asks.disk_fields(True), asks.disk_fields(False), doubts=True),
)
ADDITIONS = (
    Entry(Mechanism, "a mechanism", asks.mechanism_fields(True), asks.mechanism_fields(False), doubts=True),
    Entry(Event, "an event", asks.EVENT_FIELDS, asks.EVENT_FIELDS, doubts=True),
    Entry(Note, "a note", asks.NOTE_FIELDS, asks.NOTE_FIELDS, of_disks=True),
    Entry(Part, "a board or chip", asks.PART_FIELDS, asks.PART_FIELDS, doubts=True),
    Entry(Firmware, "firmware seen", asks.FIRMWARE_FIELDS, asks.FIRMWARE_FIELDS, doubts=True),
    Entry(Loan, "a loan", asks.LOAN_FIELDS, asks.LOAN_FIELDS, of_disks=True, doubts=True),
)
PHOTO = Entry(Photo, "a photo", asks.PHOTO_FIELDS, asks.PHOTO_FIELDS, of_disks=True)


def there(site: Site, kind: type[Record], key: str) -> Any:
    """The entry of that key. Raises HTTPException (404) where there is none."""
    found = site.shelf.find(kind, key)
    if found is None:
        raise HTTPException(404, f"there is no {kind.WORD} {key} on the shelf")
    return found


def place_of(record: Any) -> str:
    """The page an entry shows on."""
    if isinstance(record, Unit):
        return unit_link(record.inventory)
    if isinstance(record, Disk):
        return disk_link(record.inventory)
    return unit_link(record.unit) if record.unit else disk_link(record.disk)


def _form_page(
    title: str,
    action: str,
    asked: Sequence[FormField],
    back: str,
    values: Mapping[str, Any] | None = None,
    fault: IndexholeError | None = None,
    hidden: Mapping[str, str] | None = None,
    stands: Mapping[str, How] | None = None,
    unfold: bool = False,
    **more: Any,
) -> Response:
    drawn = form(action, "Keep", asked, values, fault, hidden, stands, unfold)
    page = FormPage(title=title, section="Shelf", form=drawn, back=back, **more)
    return render("form.html", page, 409 if more.get("theirs") else 422 if fault else 200)


def _values(kind: type[Record], asked: Sequence[FormField], sent: FormData) -> dict[str, Any]:
    """What was typed, digits of whole-number fields as numbers; what is none is left for the record to refuse."""
    values = typed(asked, sent)
    for name in ("number", "sides"):
        text = values.get(name)
        if isinstance(text, str) and text.isascii() and text.isdecimal():
            values[name] = int(text[:9])
    if kind is Disk and not values.get("importance"):
        values.pop("importance", None)
    return values


def routes(site: Site) -> APIRouter:
    """The addresses of the Shelf pages."""
    router = APIRouter()
    _list_routes(router, site)
    for entry in THINGS:
        _new_thing(router, site, entry)
        _edit(router, site, entry)
    for entry in ADDITIONS:
        _new_addition(router, site, entry)
        _edit(router, site, entry)
    _photo_routes(router, site)
    _edit(router, site, PHOTO)
    return router


def _list_routes(router: APIRouter, site: Site) -> None:
    @router.get("/")
    def shelf(request: Request, words: str = "", kind: str = "", units: int = 1, disks: int = 1) -> Response:
        return render("shelf.html", shelf_page(site, words, kind, (units, disks), site.told(request)))

    @router.post("/undo")
    def undo(sent: Posted) -> Response:
        number, back = str(sent.get("change", "")), str(sent.get("back", "/"))
        expected = next((c for c in site.shelf.changes(20) if str(c.number) == number), None)
        if expected is None:
            raise InputFault("that change is taken back already", remedy="look at the Shelf page again")
        site.shelf.undo(expected)
        return site.gone_to("/bench" if back == "/bench" else "/", f"Taken back: {expected.what}.")

    @router.get("/unit")
    def unit(request: Request, no: str) -> Response:
        return render("thing.html", unit_page(site, there(site, Unit, no), site.told(request)))

    @router.get("/disk")
    def disk(request: Request, no: str) -> Response:
        return render("thing.html", disk_page(site, there(site, Disk, no), site.told(request)))

    @router.get("/label")
    def label(request: Request, unit: str = "", disk: str = "") -> Response:
        record = there(site, Disk, disk) if disk else there(site, Unit, unit)
        address = f"{request.url.scheme}://{request.headers['host']}{place_of(record)}"
        return render("label.html", label_page(record, place_of(record), address))


def _new_thing(router: APIRouter, site: Site, entry: Entry) -> None:
    title, action = f"Add {entry.called}", f"{entry.path}/new"

    @router.get(action)
    def ask() -> Response:
        return _form_page(title, action, entry.new, "/", {"importance": "working"})

    @router.post(action)
    def add(sent: Posted) -> Response:
        values = _values(entry.kind, entry.new, sent)
        try:
            kept = site.shelf.add(checked(entry.kind, **values))
        except InputFault as fault:
            return _form_page(title, action, entry.new, "/", values, fault)
        return site.gone_to(place_of(kept), f"{kept.WORD.capitalize()} {kept.key} is kept.")


def _thing(site: Site, unit: str, disk: str) -> tuple[str, str]:
    """What an addition is to, and that thing's page. Raises HTTPException where it is not there."""
    there(site, Disk, disk) if disk else there(site, Unit, unit)
    return disk or unit, disk_link(disk) if disk else unit_link(unit)


def _new_addition(router: APIRouter, site: Site, entry: Entry) -> None:
    path = f"{entry.path}/new"

    def title(thing: str) -> str:
        return f"Add {entry.called} {'on' if entry.kind is Note else 'to'} {thing}"

    @router.get(path)
    def ask(unit: str = "", disk: str = "") -> Response:
        thing, back = _thing(site, unit, disk)
        return _form_page(title(thing), query(path, unit=unit, disk=disk), entry.new, back)

    @router.post(path)
    def add(sent: Posted, unit: str = "", disk: str = "") -> Response:
        thing, back = _thing(site, unit, disk)
        values = _values(entry.kind, entry.new, sent)
        of: dict[str, Any] = {"unit": unit or None, "disk": disk or None} if entry.of_disks else {"unit": unit}
        try:
            kept = site.shelf.add(checked(entry.kind, **of, **values))
        except InputFault as fault:
            return _form_page(title(thing), query(path, unit=unit, disk=disk), entry.new, back, values, fault)
        return site.gone_to(back, f"{kept.WORD.capitalize()} {kept.key} is kept.")


def _edit(router: APIRouter, site: Site, entry: Entry) -> None:
    path = f"{entry.path}/edit"
    asked = (*entry.edit, *asks.SIGN_FIELDS)

    @router.get(path)
    def ask(no: str) -> Response:
        there(site, entry.kind, no)
        record, revision = site.shelf.get_revised(entry.kind, no)
        held = site.shelf.confidences_of(entry.kind, no) if entry.doubts else {}
        stands = {ask.name: How.of(held.get(ask.name)) for ask in entry.doubted}
        return _form_page(
            f"Change {record.WORD} {no}", query(path, no=no), asked, place_of(record), record.model_dump(),
            hidden={"revision": str(revision)}, stands=stands or None,
        )  # fmt: skip

    @router.post(path)
    def change(no: str, sent: Posted) -> Response:
        record = there(site, entry.kind, no)
        values = _values(entry.kind, entry.edit, sent)
        stands = stands_typed(entry.doubted, sent)
        signature = typed(asks.SIGN_FIELDS, sent)
        revision = str(sent.get("revision", ""))
        proven = {"standing": "known"} if "standing" in entry.kind.model_fields else {}
        title, action, unfold = f"Change {record.WORD} {no}", query(path, no=no), bool(sent.get("unfold"))
        try:
            if not (revision.isascii() and revision.isdecimal()):
                raise InputFault("the form says not what it was made from", remedy="open it anew")
            site.shelf.signed(signature["by"], signature["why"]).update(
                entry.kind,
                no,
                revision=int(revision[:15]),
                stands={name: how.standing(name) for name, how in stands.items()},
                **values,
                **proven,
            )
        except StaleEdit as stale:
            merged, theirs = merge(entry.edit, values, stale.changed)
            stood, theirs_too = merge_stands(entry.doubted, stands, stale.changed)
            return _form_page(
                title, action, asked, place_of(record), {**merged, **signature}, None,
                {"revision": str(stale.revision)}, stood or None, unfold, theirs=(*theirs, *theirs_too),
            )  # fmt: skip
        except InputFault as fault:
            return _form_page(
                title, action, asked, place_of(record), {**values, **signature}, fault, {"revision": revision},
                stands or None, unfold,
            )  # fmt: skip
        return site.gone_to(place_of(record), f"{record.WORD.capitalize()} {no} is kept.")


def merge(
    asked: Sequence[FormField], mine: Mapping[str, Any], changed: Sequence[FieldChange]
) -> tuple[dict[str, Any], tuple[Theirs, ...]]:
    """What stands in the form after somebody else changed the entry.

    A field that only they changed takes their value; one that both changed keeps mine, with theirs beside it.
    """
    merged, told = dict(mine), []
    labels = {ask.name: ask.label for ask in asked}
    for one in changed:
        if one.field not in labels or one.standing:
            continue
        untouched = _said(mine.get(one.field)) == _said(one.was)
        if untouched:
            merged[one.field] = one.now
        words = _said(mine.get(one.field)), _said(one.was), _said(one.now)
        told.append(_beside(labels[one.field], *words, one.who))
    return merged, tuple(told)


def merge_stands(
    asked: Sequence[FormField], mine: Mapping[str, How], changed: Sequence[FieldChange]
) -> tuple[dict[str, How], tuple[Theirs, ...]]:
    """How fields stand in the form after somebody else changed the entry; as `merge`."""
    merged, told = dict(mine), []
    labels = {ask.name: ask.label for ask in asked}
    for one in changed:
        if one.field not in mine or not one.standing:
            continue
        said, (was, now) = mine[one.field].told, one.told
        if said == was:
            merged[one.field] = How(one.now["standing"], one.now["source"]) if one.now else How()
        told.append(_beside(f"{labels[one.field]}, how it is known", said, was, now, one.who))
    return merged, tuple(told)


def _beside(label: str, mine: str, was: str, now: str, who: str) -> Theirs:
    kept = "theirs: you had not changed it" if mine == was else "yours: both changed it"
    return Theirs(label, was, now, who, "the same: you both wrote it" if mine == now else kept)


def _said(value: Any) -> str:
    if value is None or value is False:
        return ""
    return "yes" if value is True else f"{value:g}" if isinstance(value, float) else str(value)


def _photo_routes(router: APIRouter, site: Site) -> None:
    more: dict[str, Any] = {"files": ACCEPT, "largest_bytes": LARGEST_BYTES}
    small: Callable[[str, bytes], bytes] = small_of

    @router.get("/photo/new")
    def ask(unit: str = "", disk: str = "") -> Response:
        thing, back = _thing(site, unit, disk)
        action = query("/photo/new", unit=unit, disk=disk)
        return _form_page(f"Add photos of {thing}", action, asks.PHOTO_FIELDS, back, **more)

    @router.post("/photo/new")
    def add(sent: Posted, unit: str = "", disk: str = "") -> Response:
        thing, back = _thing(site, unit, disk)
        values = typed(asks.PHOTO_FIELDS, sent)
        action = query("/photo/new", unit=unit, disk=disk)
        uploads = [one for one in sent.getlist("file") if isinstance(one, UploadFile) and one.filename]
        try:
            if not uploads:
                raise InputFault("no photo was chosen", remedy="choose one, or take it with the camera")
            for upload in uploads:
                name = plain_name(upload.filename or "")
                picture = redrawn(upload.file.read(LARGEST_BYTES + 1), name)
                store_photo(site.shelf, picture.content, name, unit=unit or None, disk=disk or None, **values)
        except InputFault as fault:
            return _form_page(f"Add photos of {thing}", action, asks.PHOTO_FIELDS, back, values, fault, **more)
        return site.gone_to(back, f"{plural(len(uploads), 'photo')} kept.")

    @router.get("/photo")
    def show(no: str, size: str = "") -> Response:
        record = there(site, Photo, no)
        try:
            content, kind = read_photo(site.shelf, record)
        except InputFault as fault:
            raise HTTPException(404, fault.what) from fault
        if size == "small":
            content, kind = small(record.sha256, content), "image/jpeg"
        # the bytes of a photo never change, only which entry shows them
        return Response(content, media_type=kind, headers={"Cache-Control": "private, max-age=86400"})
