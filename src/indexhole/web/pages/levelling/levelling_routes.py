"""Addresses under /causes/network: the drives levelled against each other, and measurements taken in."""

from __future__ import annotations

from fastapi import APIRouter
from starlette.datastructures import UploadFile
from starlette.requests import Request
from starlette.responses import Response

from indexhole.errors import IndexholeError, InputFault
from indexhole.jobs.faults.levelling import (
    LevelledBench,
    NothingTied,
    keep_measurements,
    kept_measurements,
    level_bench,
    shelf_evidence,
)
from indexhole.jobs.faults.measurement_sheet import LARGEST_BYTES, kept_sheet
from indexhole.jobs.faults.own_limits import kept_file, kept_tolerances
from indexhole.shelf.views.listing import more_trials_than, state_of
from indexhole.web.drawing.view import render
from indexhole.web.drawing.words import plural
from indexhole.web.forms.faults import fault_and_remedy
from indexhole.web.forms.posted import Posted
from indexhole.web.pages.levelling.levelling_view import network_page
from indexhole.web.pages.recordings.recording_routes import plain_name
from indexhole.web.serving.job_queue import Task
from indexhole.web.serving.progress import how_far
from indexhole.web.serving.site import GLANCE_S, MOST_BY_THE_WAY, PATIENCE_S, Site


def _levelling(site: Site) -> Task[LevelledBench]:
    """The shelf's drives levelled, being worked out or ready."""
    shelf = site.shelf
    key = ("network", state_of(shelf), kept_sheet(shelf), kept_file(shelf))
    return site.job_queue.ask(
        key,
        lambda progress: level_bench(
            shelf_evidence(shelf, progress=progress), kept_measurements(shelf), tolerances=kept_tolerances(shelf)
        ),
    )


def _page(site: Site, request: Request, import_fault: IndexholeError | None = None) -> Response:
    task = _levelling(site)
    bench, fault, untied = None, "", False
    ready = task.wait(GLANCE_S if more_trials_than(site.shelf, MOST_BY_THE_WAY) else PATIENCE_S)
    if ready:
        try:
            bench = task.result()
        except NothingTied:
            untied = True
        except InputFault as refusal:
            fault = fault_and_remedy(refusal)
    text = fault_and_remedy(import_fault) if import_fault else ""
    page = network_page(bench, site.notices_for(request), fault, text, working=not ready, untied=untied)
    return render("network.html", page, 422 if import_fault else 200)


def routes(site: Site) -> APIRouter:
    """The addresses under /network, for the router of /causes."""
    router = APIRouter(prefix="/network")

    @router.get("")
    def network(request: Request) -> Response:
        return _page(site, request)

    @router.get("/progress")
    def progress(request: Request) -> Response:
        return how_far(request, _levelling(site))

    @router.post("")
    def add_measurements(request: Request, sent: Posted) -> Response:
        upload = sent.get("file")
        try:
            if not isinstance(upload, UploadFile) or not upload.filename:
                raise InputFault("no file was chosen", remedy="choose the sheet of measurements, then add it")
            name = plain_name(upload.filename)
            new = keep_measurements(site.shelf, upload.file.read(LARGEST_BYTES + 1), name)
        except InputFault as fault:
            return _page(site, request, fault)
        return site.gone_to("/causes/network", f"{plural(new, 'measurement')} added from {name}.")

    return router
