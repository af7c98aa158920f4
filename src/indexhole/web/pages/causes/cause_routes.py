"""Addresses under /causes: the ranking, the trial sheet, taking trials in and out."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Any

from fastapi import APIRouter
from pydantic import ValidationError
from starlette.datastructures import UploadFile
from starlette.requests import Request
from starlette.responses import Response

from indexhole.errors import IndexholeError, InputFault
from indexhole.jobs.faults.window import window
from indexhole.model.trials.trial import Trial
from indexhole.shelf.register.trials import Imported
from indexhole.shelf.sheets.sheet import LARGEST_SHEET_BYTES, SheetRow, parse_sheet, sheet_bytes
from indexhole.shelf.sheets.sheet_text import decode_sheet
from indexhole.shelf.views.listing import Trials, choices_of, number_of_trials, trial_rank, trials_with
from indexhole.web.drawing.view import render
from indexhole.web.drawing.words import plural, query
from indexhole.web.forms.faults import fault_and_remedy, sentence
from indexhole.web.forms.fields import LOG_FIELDS
from indexhole.web.forms.forms import MOST_CHOICES, Form, FormField, form, typed
from indexhole.web.forms.posted import Posted
from indexhole.web.pages.causes import outcome_routes
from indexhole.web.pages.causes.fault_finding import causes_page, trials_page
from indexhole.web.pages.levelling import levelling_routes
from indexhole.web.pages.recordings.recording_routes import plain_name
from indexhole.web.pages.shelf.shelf_pages import Stretch, stretch
from indexhole.web.serving.progress import how_far
from indexhole.web.serving.site import GLANCE_S, MOST_BY_THE_WAY, PATIENCE_S, Site
from indexhole.wording import listed

SHEET_ROWS = 400
_MOST_NAMES = 12  # of what trials may be asked about
_OPERATIONS = (("read", "read"), ("write", "write and verify"), ("format", "format"))


def trial_fields(site: Site) -> tuple[FormField, ...]:
    """What is asked of one trial; the columns of the sheet."""
    known = choices_of(site.shelf, MOST_CHOICES + 1)
    return (
        FormField("trial", "Trial", help="a name of its own, such as T80", required=True),
        FormField("when", "When", help="2026-03-01 or 2026-03-01T14:05", required=True),
        FormField("operation", "Operation", "choice", options=_OPERATIONS, required=True),
        FormField("mechanism", "Mechanism", "choice", options=known.mechanisms, required=True),
        FormField("disk", "Disk", "choice", options=known.disks, required=True),
        FormField("side", "Side", "choice", options=(("0", "0"), ("1", "1")), required=True),
        FormField("first_cylinder", "First cylinder", "number", required=True),
        FormField("last_cylinder", "Last cylinder", "number", required=True),
        FormField("sectors_tried", "Sectors tried", "number", required=True),
        FormField("sectors_failed", "Sectors failed", "number", required=True),
        FormField("host", "Host", "choice", options=known.hosts),
        FormField("lead", "Lead", "choice", options=known.leads),
        FormField("note", "Note"),
    )


def trial_typed(values: Mapping[str, Any]) -> Trial:
    """A trial from what was typed. Raises InputFault that names the column."""
    try:
        return SheetRow.model_validate(dict(values)).as_trial()
    except ValidationError as fault:
        error = fault.errors()[0]
        field = str(error["loc"][0]) if error["loc"] else ""
        raise InputFault(str(error["msg"]), where=f"trial {field}" if field else "", field=field) from fault


def _trial_form(site: Site, values: Mapping[str, Any] | None = None, fault: IndexholeError | None = None) -> Form:
    return form("/causes/trials/new", "Add the trial", (*trial_fields(site), *LOG_FIELDS), values, fault)


def _import_form() -> Form:
    return form("/causes/trials", "Add the sheet", ())


def _sheet_page(
    site: Site,
    request: Request,
    values: Mapping[str, Any] | None = None,
    fault: IndexholeError | None = None,
    import_fault: IndexholeError | None = None,
    sheet_by: str = "",
) -> Response:
    text = fault_and_remedy(import_fault) if import_fault else ""
    found, part = _sheet_part(site, request)
    page = trials_page(found, part, _trial_form(site, values, fault), site.notices_for(request), text)
    return render("trials.html", page, 422 if fault or import_fault else 200, sheet_by=sheet_by)


def _sheet_part(site: Site, request: Request) -> tuple[Trials, Stretch]:
    """The page of the sheet an address names (`page`, or `at` a trial), the last one when it names none."""
    total = number_of_trials(site.shelf)
    pages = max(1, -(-total // SHEET_ROWS))
    asked = request.query_params
    rank = trial_rank(site.shelf, asked["at"]) if asked.get("at") else None
    number = pages if rank is None else rank // SHEET_ROWS + 1
    if asked.get("page", "").isdecimal():
        number = int(asked["page"][:9])
    part = stretch(number, total, lambda n: query("/causes/trials", page=n), SHEET_ROWS)
    first = (part.number - 1) * SHEET_ROWS
    return trials_with(site.shelf, first=first, most=SHEET_ROWS, latest=False), part


def _imported_words(found: Imported, name: str) -> list[str]:
    made = [
        plural(len(entries), word)
        for entries, word in ((found.units, "unit"), (found.mechanisms, "mechanism"), (found.disks, "disk"))
        if entries
    ]
    lines = [f"{plural(found.trials, 'trial')} added from {name}."]
    if made:
        lines.append(f"{sentence(listed(made))[:-1]} are entered on the shelf as unproven, because a trial names them.")
    lines += [sentence(remark) for remark in found.remarks]
    return [*lines, "Take it back under Latest changes on the Shelf page if it was the wrong sheet."]


def _chosen(request: Request) -> tuple[tuple[str, ...], str]:
    """What the trials to weigh are about, and since which day, as an address asks."""
    asked = request.query_params
    names = " ".join(asked.getlist("about")).replace(",", " ").split()
    return tuple(sorted(set(names)))[:_MOST_NAMES], asked.get("since", "").strip()[:40]


def routes(site: Site) -> APIRouter:
    """The addresses under /causes."""
    router = APIRouter(prefix="/causes")
    router.include_router(levelling_routes.routes(site))
    router.include_router(outcome_routes.routes(site))

    @router.get("")
    def causes(request: Request) -> Response:
        about, since = _chosen(request)
        number = number_of_trials(site.shelf)
        gauging = site.gauging() if number else None
        waits = gauging is not None and not gauging.wait(PATIENCE_S)
        diagnosis, task, fault = None, None, ""
        try:
            if about or since:  # told at once, not when their turn to be weighed has come
                window(site.held("trials", lambda shelf: tuple(shelf.trials())), about, since)
            task = site.diagnosis(about, since)
        except InputFault as refusal:
            fault = fault_and_remedy(refusal)
        # so many are not weighed while somebody waits
        if task is not None and task.wait(GLANCE_S if number > MOST_BY_THE_WAY else PATIENCE_S):
            try:
                diagnosis = task.result()
            except InputFault as refusal:
                fault = fault_and_remedy(refusal)
        course = site.course(about, since) if diagnosis is not None else None
        steps = course.result() if course is not None and course.wait(GLANCE_S) and not course.failed else None
        trials = site.held("trials", lambda shelf: tuple(shelf.trials())) if diagnosis is not None else ()
        page = causes_page(number, trials, diagnosis, _import_form(), site.notices_for(request), fault, steps)
        page = replace(page, about=" ".join(about), since=since)
        if page.again:
            page = replace(page, again=query(page.again, about=page.about, since=since))
        if gauging is not None and waits:
            page = replace(page, gauging=f"{gauging.done} of {plural(gauging.total, 'capture')}")
        return render("causes.html", page, by=request.query_params.get("by", ""))

    @router.get("/progress")
    def progress(request: Request) -> Response:
        return how_far(request, site.diagnosis(*_chosen(request)))

    @router.get("/trials")
    def trials(request: Request) -> Response:
        return _sheet_page(site, request)

    @router.post("/trials")
    def add_sheet(request: Request, sent: Posted) -> Response:
        upload, by = sent.get("file"), typed(LOG_FIELDS, sent)["by"]
        try:
            if not isinstance(upload, UploadFile) or not upload.filename:
                raise InputFault("no file was chosen", remedy="choose the trial sheet, then add it")
            name = plain_name(upload.filename)
            content = upload.file.read(LARGEST_SHEET_BYTES + 1)
            if len(content) > LARGEST_SHEET_BYTES:
                raise InputFault(f"is larger than {LARGEST_SHEET_BYTES >> 20} MiB", where=name)
            found = site.shelf.signed(by).add_trials(parse_sheet(decode_sheet(content, where=name), where=name), name)
        except InputFault as fault:
            return _sheet_page(site, request, import_fault=fault, sheet_by=by)
        return site.gone_to("/causes", *_imported_words(found, name))

    @router.post("/trials/new")
    def add_trial(request: Request, sent: Posted) -> Response:
        values, signed = typed(trial_fields(site), sent), typed(LOG_FIELDS, sent)
        try:
            trial = trial_typed(values)
            site.shelf.signed(signed["by"]).add_trials([trial])
        except InputFault as fault:
            return _sheet_page(site, request, {**values, **signed}, fault)
        return site.gone_to("/causes/trials", f"Trial {trial.trial} is added.")

    @router.get("/trials.csv")
    def sheet() -> Response:
        headers = {"Content-Disposition": 'attachment; filename="trials.csv"'}
        return Response(sheet_bytes(site.shelf.trials()), media_type="text/csv; charset=utf-8", headers=headers)

    return router
