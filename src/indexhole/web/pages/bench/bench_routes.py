"""Addresses of the Bench: the log of trials and the next attempt; taking a thing in with one line of text."""

from __future__ import annotations

from fastapi import APIRouter
from starlette.requests import Request
from starlette.responses import Response

from indexhole.errors import InputFault
from indexhole.shelf.records.quick_entry import draft_from
from indexhole.shelf.views.likeness import similar_to
from indexhole.shelf.views.next_name import next_number
from indexhole.web.drawing.links import disk_link, unit_link
from indexhole.web.drawing.view import render
from indexhole.web.drawing.words import query
from indexhole.web.forms.faults import fault_and_remedy
from indexhole.web.forms.fields import LOG_FIELDS
from indexhole.web.forms.forms import typed
from indexhole.web.forms.posted import Posted
from indexhole.web.pages.bench.bench_pages import bench_page, take_in_page, trial_fields
from indexhole.web.pages.causes.cause_routes import trial_typed
from indexhole.web.pages.causes.outcome_routes import counted
from indexhole.web.serving.site import Site

_NARROW = ("mechanism", "disk", "with_")


def _narrow(request: Request) -> dict[str, str]:
    return {name: request.query_params[name] for name in _NARROW if request.query_params.get(name)}


def routes(site: Site) -> APIRouter:
    """The addresses of the Bench."""
    router = APIRouter()

    @router.get("/bench")
    def bench(request: Request, page: int = 1) -> Response:
        by = request.query_params.get("by", "")
        return render("bench.html", bench_page(site, site.notices_for(request), page, _narrow(request), by=by))

    @router.post("/bench")
    def attempt(request: Request, sent: Posted) -> Response:
        narrow = _narrow(request)
        values = counted(typed(trial_fields(site), sent), str(sent.get("outcome", "")))
        by = typed(LOG_FIELDS, sent)["by"]
        try:
            trial = trial_typed(values)
            found = site.shelf.signed(by).add_trials([trial])
        except InputFault as fault:
            return render("bench.html", bench_page(site, (), 1, narrow, values, fault, by), 422)
        text = f"Trial {trial.trial} is kept: {trial.sectors_failed} of {trial.sectors_tried} failed."
        return site.gone_to(query("/bench", **narrow, by=by), text, *(f"{r[0].upper()}{r[1:]}." for r in found.remarks))

    @router.get("/take-in")
    def look(request: Request, line: str = "") -> Response:
        if not line.strip():
            return render("take_in.html", take_in_page("", None, [], notices=site.notices_for(request)))
        try:
            draft = draft_from(line, lambda kind: next_number(site.shelf, kind))
        except InputFault as fault:
            return render("take_in.html", take_in_page(line, None, [], fault_and_remedy(fault)), 422)
        return render("take_in.html", take_in_page(line, draft, similar_to(site.shelf, draft.record)))

    @router.post("/take-in")
    def take_in(sent: Posted) -> Response:
        line = str(sent.get("line", ""))
        number = str(sent.get("inventory", "")).strip()
        try:
            draft = draft_from(line, lambda kind: number or next_number(site.shelf, kind))
            site.shelf.add_together(draft.records, f"take in {draft.record.key}")
        except InputFault as fault:
            return render("take_in.html", take_in_page(line, None, [], fault_and_remedy(fault)), 422)
        disk = draft.record.WORD == "disk"
        link = disk_link(draft.record.key) if disk else unit_link(draft.record.key)
        return site.gone_to(link, f"{draft.record.key} is taken in. Add photos and parts below.", *draft.remarks)

    return router
