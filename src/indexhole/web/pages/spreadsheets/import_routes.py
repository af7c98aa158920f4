"""Addresses of spreadsheets: one sent, looked through and put in; and the register's own to take away."""

from __future__ import annotations

from typing import Any

from fastapi import APIRouter
from starlette.datastructures import UploadFile
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import Response

from indexhole.errors import InputFault
from indexhole.shelf.exchange.exchange import Plan, sheet_rows
from indexhole.shelf.sheets.spreadsheet import ENDINGS, csv_bytes, xlsx_bytes
from indexhole.web.drawing.view import render
from indexhole.web.forms.fields import SIGN_FIELDS
from indexhole.web.forms.forms import typed
from indexhole.web.forms.posted import Posted
from indexhole.web.pages.recordings.recording_routes import plain_name
from indexhole.web.pages.spreadsheets.held import LARGEST_BYTES, Sheet, Sheets
from indexhole.web.pages.spreadsheets.import_pages import (
    KIND_FIELD,
    KINDS,
    done_page,
    import_page,
    sheet_link,
    sheet_page,
    wait_page,
)
from indexhole.web.serving.job_queue import Task
from indexhole.web.serving.progress import how_far
from indexhole.web.serving.site import PATIENCE_S, Site

_MEDIA = {
    "csv": "text/csv; charset=utf-8",
    "xlsx": "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet",
}
# a change is looked for among so many of the latest: further back it cannot be taken back from here anyway
_CHANGES_LOOKED_AT = 50
_GONE = InputFault("that sheet is not held here any more, or was never sent", remedy="choose it again")


def _taken(upload: object) -> tuple[str, bytes]:
    """The name and bytes of an upload. Raises InputFault for what is no spreadsheet by its name, or too large."""
    if not isinstance(upload, UploadFile) or not upload.filename:
        raise InputFault("no file was chosen", remedy="choose the sheet, then have it shown")
    name = plain_name(upload.filename)
    if not name.lower().endswith(ENDINGS):
        raise InputFault(f"ends in neither {' nor '.join(ENDINGS)}", where=name, remedy="save it as one of these")
    content = upload.file.read(LARGEST_BYTES + 1)
    if len(content) > LARGEST_BYTES:
        raise InputFault(f"is larger than {LARGEST_BYTES >> 20} MiB", where=name, remedy="split it")
    return name, content


def routes(site: Site) -> APIRouter:
    """The addresses of spreadsheets."""
    router = APIRouter()
    sheets = Sheets()

    def of(word: str) -> Sheet | None:
        found = sheets.of(word)
        if found is not None:
            sheets.finish(site.shelf, found)
        return found

    @router.get("/import")
    def ask(request: Request, kind: str = "") -> Response:
        return render("import.html", import_page(site.notices_for(request), kind))

    @router.post("/import")
    def send(sent: Posted) -> Response:
        word = str(typed((KIND_FIELD,), sent)["kind"])
        try:
            if word not in KINDS:
                raise InputFault("say what the rows are", where="kind")
            sheet = sheets.hold(site.shelf, KINDS[word], *_taken(sent.get("file")))
            if sheet.plan.wait(PATIENCE_S):
                _looked_through(sheets, sheet)
        except InputFault as fault:
            return render("import.html", import_page((), word, fault), 422)
        return site.gone_to(sheet_link(sheet))

    @router.get("/import/sheet")
    def look(held: str = "", part: str = "", page: int = 1) -> Response:
        sheet = of(held)
        if sheet is None:
            return render("import.html", import_page((), "", _GONE), 404)
        return _sheet_as_it_is(site, sheets, sheet, (part, page))

    @router.post("/import/sheet")
    def put_in(sent: Posted, held: str = "") -> Response:
        sheet = of(held)
        if sheet is None:
            return render("import.html", import_page((), "", _GONE), 404)
        signature, looked = typed(SIGN_FIELDS, sent), str(sent.get("looked", ""))
        try:
            shelf = site.shelf.signed(signature["by"], signature["why"])
            sheets.carry(shelf, sheet, int(looked[:9]) if looked.isascii() and looked.isdecimal() else 0)
        except InputFault as fault:
            if not sheet.plan.wait(0) or sheet.plan.failed:
                raise
            page = sheet_page(sheet, sheet.plan.result(), "", 1, signature, fault)
            return render("sheet.html", page, 422)
        return site.gone_to(sheet_link(sheet))

    @router.get("/import/progress")
    def progress(request: Request, held: str = "") -> Response:
        sheet = sheets.of(held)
        return how_far(request, None if sheet is None else sheet.carried or sheet.plan)

    _export(router, site)
    return router


def _looked_through(sheets: Sheets, sheet: Sheet) -> Plan[Any]:
    """What a sheet would do. Raises InputFault, and forgets the sheet, when it cannot be read."""
    try:
        return sheet.plan.result()
    except InputFault:
        sheets.forget(sheet)
        raise


def _sheet_as_it_is(site: Site, sheets: Sheets, sheet: Sheet, shown: tuple[str, int]) -> Response:
    """The page of a sheet: how far it is, what it would do (`shown` is the part and its page), or what it did."""
    task: Task[Any] = sheet.carried or sheet.plan
    if task.wait(PATIENCE_S):
        # one that was refused is being looked through again
        sheets.finish(site.shelf, sheet)
        task = sheet.carried or sheet.plan
    if not task.wait(PATIENCE_S):
        return render("sheet_waiting.html", wait_page(sheet, task))
    try:
        plan = _looked_through(sheets, sheet)
    except InputFault as fault:
        return render("import.html", import_page((), sheet.kind.WORD, fault), 422)
    if sheet.carried is None:
        return render("sheet.html", sheet_page(sheet, plan, *shown), 409 if sheet.refused else 200)
    number, latest = sheet.carried.result(), site.shelf.changes(_CHANGES_LOOKED_AT)
    change = next((one for one in latest if one.number == number), None)
    return render("sheet_done.html", done_page(sheet, plan, change, bool(latest) and latest[0] == change))


def _export(router: APIRouter, site: Site) -> None:
    @router.get("/export")
    def export(kind: str, form: str) -> Response:
        if kind not in KINDS or form not in _MEDIA:
            raise HTTPException(404, "there is no such sheet to take away")
        rows = sheet_rows(site.shelf, KINDS[kind])
        content = csv_bytes(rows) if form == "csv" else xlsx_bytes(rows, title=kind)
        headers = {"Content-Disposition": f'attachment; filename="{KINDS[kind].MANY}.{form}"'}
        return Response(content, media_type=_MEDIA[form], headers=headers)
