"""Addresses of the Shelf pages: the list, units, disks, what is added to them, changes made and taken back."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any

from fastapi import APIRouter
from starlette.datastructures import FormData, UploadFile
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import Response

from indexhole.errors import InputFault
from indexhole.shelf.care.photos import read_photo, store_photo
from indexhole.shelf.records.additions import Photo, View
from indexhole.shelf.records.entry import Record
from indexhole.shelf.records.records import Disk, Note, Unit, checked
from indexhole.shelf.records.shown import fields_of
from indexhole.shelf.register.confidence import may_stand
from indexhole.shelf.register.history import FieldChange, StaleEdit
from indexhole.shelf.register.shelf import Shelf
from indexhole.shelf.register.tables import TABLES
from indexhole.web.drawing.links import disk_link, unit_link
from indexhole.web.drawing.view import render
from indexhole.web.drawing.words import plural, query
from indexhole.web.forms.fields import SIGN_FIELDS, form_fields
from indexhole.web.forms.forms import Form, FormField, FormPage, How, Known, Theirs, form, stands_typed, typed
from indexhole.web.forms.posted import Posted
from indexhole.web.pages.recordings.recording_routes import plain_name
from indexhole.web.pages.shelf.pictures import ACCEPT, LARGEST_BYTES, redrawn, small_of
from indexhole.web.pages.shelf.shelf_pages import label_page, shelf_page
from indexhole.web.pages.shelf.thing_pages import disk_page, unit_page
from indexhole.web.serving.site import Site


@dataclass(frozen=True)
class Entry:
    """A kind of entry that the page adds and changes, with what its forms ask for."""

    kind: type[Record]

    @cached_property
    def new(self) -> tuple[FormField, ...]:
        """What is asked of a new entry."""
        return form_fields(self.kind, new=True)

    @cached_property
    def edit(self) -> tuple[FormField, ...]:
        """What is asked when an entry is changed."""
        return form_fields(self.kind, new=False)

    @property
    def has_confidence(self) -> bool:
        """Whether its form says how single fields are known: a note and a caption are somebody's own words."""
        return self.kind not in (Note, Photo)

    @property
    def doubted(self) -> tuple[FormField, ...]:
        """What may be not known, or as told."""
        return tuple(one for one in self.edit if may_stand(self.kind, one.name)) if self.has_confidence else ()

    @property
    def path(self) -> str:
        """The address of its forms."""
        return f"/{self.kind.WORD}"


# things that stand by themselves, and what belongs to one of them; a view is saved where it is shown
THINGS = tuple(Entry(kind) for kind in (Unit, Disk))
ADDITIONS = tuple(Entry(kind) for kind in TABLES if not kind.FROM_FILE and kind not in (Unit, Disk, View))
PHOTO = Entry(Photo)


def there(site: Site, kind: type[Record], key: str) -> Any:
    """The entry of that key. Raises HTTPException (404) where there is none."""
    found = site.shelf.find(kind, key)
    if found is None:
        raise HTTPException(404, f"there is no {kind.WORD} {key} on the shelf")
    return found


def page_of(record: Any) -> str:
    """The page an entry shows on."""
    if isinstance(record, Unit):
        return unit_link(record.inventory)
    if isinstance(record, Disk):
        return disk_link(record.inventory)
    return unit_link(record.unit) if record.unit else disk_link(record.disk)


def _form_page(title: str, drawn: Form, back: str, **more: Any) -> Response:
    page = FormPage(title=title, section="Shelf", form=drawn, back=back, **more)
    return render("form.html", page, 409 if page.theirs else 422 if drawn.fault else 200)


def _values(kind: type[Record], asked: Sequence[FormField], sent: FormData) -> dict[str, Any]:
    """What was typed. A field left empty that is never empty says what it says by itself."""
    values = typed(asked, sent)
    by_itself = {one.name for one in fields_of(kind) if not one.needed and one.default not in ("", None)}
    return {name: value for name, value in values.items() if value != "" or name not in by_itself}


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
        return render("shelf.html", shelf_page(site, words, kind, (units, disks), site.notices_for(request)))

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
        return render("thing.html", unit_page(site, there(site, Unit, no), site.notices_for(request)))

    @router.get("/disk")
    def disk(request: Request, no: str) -> Response:
        return render("thing.html", disk_page(site, there(site, Disk, no), site.notices_for(request)))

    @router.get("/label")
    def label(request: Request, unit: str = "", disk: str = "") -> Response:
        record = there(site, Disk, disk) if disk else there(site, Unit, unit)
        address = f"{request.url.scheme}://{request.headers['host']}{page_of(record)}"
        return render("label.html", label_page(record, page_of(record), address))


def _new_thing(router: APIRouter, site: Site, entry: Entry) -> None:
    title, action = f"Add {entry.kind.CALLED}", f"{entry.path}/new"
    # what an entry says by itself stands in the form from the start
    first = {one.name: one.default for one in fields_of(entry.kind)}

    @router.get(action)
    def ask() -> Response:
        return _form_page(title, form(action, "Keep", entry.new, first), "/")

    @router.post(action)
    def add(sent: Posted) -> Response:
        values = _values(entry.kind, entry.new, sent)
        try:
            added = site.shelf.add(checked(entry.kind, **values))
        except InputFault as fault:
            return _form_page(title, form(action, "Keep", entry.new, values, fault), "/")
        return site.gone_to(page_of(added), f"{added.WORD.capitalize()} {added.key} is kept.")


def _thing(site: Site, unit: str, disk: str) -> tuple[str, str]:
    """What an addition is to, and that thing's page. Raises HTTPException where it is not there."""
    there(site, Disk, disk) if disk else there(site, Unit, unit)
    return disk or unit, disk_link(disk) if disk else unit_link(unit)


def _new_addition(router: APIRouter, site: Site, entry: Entry) -> None:
    path = f"{entry.path}/new"
    subjects = [one.name for one in fields_of(entry.kind) if one.shown.subject]
    first = {one.name: one.default for one in fields_of(entry.kind)}

    def title(thing: str) -> str:
        return f"Add {entry.kind.CALLED} {'on' if entry.kind is Note else 'to'} {thing}"

    @router.get(path)
    def ask(unit: str = "", disk: str = "") -> Response:
        thing, back = _thing(site, unit, disk)
        return _form_page(title(thing), form(query(path, unit=unit, disk=disk), "Keep", entry.new, first), back)

    @router.post(path)
    def add(sent: Posted, unit: str = "", disk: str = "") -> Response:
        thing, back = _thing(site, unit, disk)
        values = _values(entry.kind, entry.new, sent)
        of = {name: {"unit": unit, "disk": disk}[name] or None for name in subjects}
        try:
            added = site.shelf.add(checked(entry.kind, **of, **values))
        except InputFault as fault:
            action = query(path, unit=unit, disk=disk)
            return _form_page(title(thing), form(action, "Keep", entry.new, values, fault), back)
        return site.gone_to(back, f"{added.WORD.capitalize()} {added.key} is kept.")


def _edit(router: APIRouter, site: Site, entry: Entry) -> None:
    path = f"{entry.path}/edit"

    def drawn(no: str, revision: str, filled: Mapping[str, Any], known: Known | None, fault: Any = None) -> Form:
        asked = (*entry.edit, *SIGN_FIELDS)
        known = known if known and known.stands else None
        made = form(query(path, no=no), "Keep", asked, filled, fault, known)
        return replace(made, hidden=(("revision", revision),))

    @router.get(path)
    def ask(no: str) -> Response:
        there(site, entry.kind, no)
        record, revision = site.shelf.get_revised(entry.kind, no)
        held = site.shelf.confidences_of(entry.kind, no) if entry.has_confidence else {}
        known = Known({one.name: How.of(held.get(one.name)) for one in entry.doubted})
        page = drawn(no, str(revision), record.model_dump(), known)
        return _form_page(f"Change {record.WORD} {no}", page, page_of(record))

    @router.post(path)
    def change(no: str, sent: Posted) -> Response:
        record = there(site, entry.kind, no)
        values = _values(entry.kind, entry.edit, sent)
        stands = stands_typed(entry.doubted, sent)
        signature = typed(SIGN_FIELDS, sent)
        revision, unfold = str(sent.get("revision", "")), bool(sent.get("unfold"))
        title, back = f"Change {record.WORD} {no}", page_of(record)
        try:
            _update(site.shelf.signed(signature["by"], signature["why"]), record, revision, values, stands)
        except StaleEdit as stale:
            merged, theirs = merge(entry.edit, values, stale.changed)
            stood, theirs_too = merge_stands(entry.doubted, stands, stale.changed)
            page = drawn(no, str(stale.revision), {**merged, **signature}, Known(stood, unfold))
            return _form_page(title, page, back, theirs=(*theirs, *theirs_too))
        except InputFault as fault:
            return _form_page(title, drawn(no, revision, {**values, **signature}, Known(stands, unfold), fault), back)
        return site.gone_to(back, f"{record.WORD.capitalize()} {no} is kept.")


def _update(shelf: Shelf, record: Record, revision: str, values: Mapping[str, Any], stands: Mapping[str, How]) -> None:
    """Put in what was typed. Raises InputFault, and StaleEdit where the entry was changed meanwhile."""
    if not (revision.isascii() and revision.isdecimal()):
        raise InputFault("the form does not say what it was made from", remedy="open it anew")
    kind = type(record)
    shelf.update(
        kind,
        record.key,
        revision=int(revision[:15]),
        stands={name: how.standing(name) for name, how in stands.items()},
        **values,
        **({"standing": "known"} if "standing" in kind.model_fields else {}),
    )


def merge(
    asked: Sequence[FormField], mine: Mapping[str, Any], changed: Sequence[FieldChange]
) -> tuple[dict[str, Any], tuple[Theirs, ...]]:
    """What stands in the form after somebody else changed the entry.

    A field that only they changed takes their value; one that both changed keeps mine, with theirs beside it.
    """
    merged, theirs = dict(mine), []
    labels = {one.name: one.label for one in asked}
    for one in changed:
        if one.field not in labels or one.standing:
            continue
        untouched = _said(mine.get(one.field)) == _said(one.was)
        if untouched:
            merged[one.field] = one.now
        words = _said(mine.get(one.field)), _said(one.was), _said(one.now)
        theirs.append(_theirs(labels[one.field], *words, one.who))
    return merged, tuple(theirs)


def merge_stands(
    asked: Sequence[FormField], mine: Mapping[str, How], changed: Sequence[FieldChange]
) -> tuple[dict[str, How], tuple[Theirs, ...]]:
    """How fields stand in the form after somebody else changed the entry; as `merge`."""
    merged, theirs = dict(mine), []
    labels = {one.name: one.label for one in asked}
    for one in changed:
        if one.field not in mine or not one.standing:
            continue
        said, (was, now) = mine[one.field].words, one.in_words
        if said == was:
            merged[one.field] = How(one.now["standing"], one.now["source"]) if one.now else How()
        theirs.append(_theirs(f"{labels[one.field]}, how it is known", said, was, now, one.who))
    return merged, tuple(theirs)


def _theirs(label: str, mine: str, was: str, now: str, who: str) -> Theirs:
    outcome = "theirs: you had not changed it" if mine == was else "yours: both changed it"
    return Theirs(label, was, now, who, "the same: you both wrote it" if mine == now else outcome)


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
        return _form_page(f"Add photos of {thing}", form(action, "Keep", PHOTO.new), back, **more)

    @router.post("/photo/new")
    def add(sent: Posted, unit: str = "", disk: str = "") -> Response:
        thing, back = _thing(site, unit, disk)
        values = typed(PHOTO.new, sent)
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
            drawn = form(action, "Keep", PHOTO.new, values, fault)
            return _form_page(f"Add photos of {thing}", drawn, back, **more)
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
