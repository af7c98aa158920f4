"""Addresses under /pairing: the matrix, one budget, its part that the sliders change, and the show plan."""

from __future__ import annotations

import math
from collections.abc import Hashable, Mapping
from dataclasses import dataclass, replace
from datetime import date
from typing import Any

from fastapi import APIRouter
from starlette.datastructures import UploadFile
from starlette.requests import Request
from starlette.responses import Response

from indexhole import __version__
from indexhole.errors import InputFault
from indexhole.jobs.faults.measurement_sheet import kept_sheet
from indexhole.jobs.pairing.asking import Answer, Question, answer, question
from indexhole.jobs.pairing.evidence import Evidence, evidence_of
from indexhole.jobs.pairing.matrix import Matrix, whole_matrix
from indexhole.jobs.pairing.plan import check_plan
from indexhole.jobs.pairing.plan_sheet import HEADING, LARGEST_PLAN_BYTES, plan_of
from indexhole.jobs.pairing.stock import Stock, stock_of
from indexhole.pairing.parts.parts import WhatIf
from indexhole.shelf.views.listing import more_trials_than, state_of
from indexhole.standards.classes import load_classes
from indexhole.web.drawing.view import Page, render
from indexhole.web.drawing.words import query
from indexhole.web.forms.faults import fault_and_remedy, fault_page, sentence
from indexhole.web.forms.posted import Posted
from indexhole.web.pages.pairing.pairing_matrix_view import MatrixPage, class_choice, matrix_page
from indexhole.web.pages.pairing.pairing_plan_view import PlanPage, StepView, plan_outcome, step_view
from indexhole.web.pages.pairing.pairing_view import AnswerView, answer_view, budget_page, operation_choice
from indexhole.web.serving.job_queue import Task
from indexhole.web.serving.progress import how_far
from indexhole.web.serving.site import GLANCE_S, MOST_BY_THE_WAY, PATIENCE_S, Site

PAIRING, PROGRESS, PLAN = "/pairing", "/pairing/progress", "/pairing/plan"
WHOLE, HURRIED = 600, 300
_LONGEST_ADDRESS = 6000
_MONTHS = 12
_NAMES = ("operation", "writer", "disk", "reader", "host", "layout")
_SHIFTS = {
    "warmer_c": "temperature_c",
    "damper_pct": "humidity_pct",
    "offset_um": "offset_um",
    "speed_pct": "speed_pct",
}
_WORDS = {
    "temperature_c": "the temperature",
    "humidity_pct": "the humidity",
    "warmer_c": "the change of temperature",
    "damper_pct": "the change of humidity",
    "offset_um": "the offset",
    "speed_pct": "the change of speed",
}


@dataclass(frozen=True)
class Held:
    """A shelf's stock and evidence, by the state of the shelf they were made from."""

    state: Hashable
    stock: Stock
    evidence: Evidence


def question_asked(values: Mapping[str, str]) -> Question:
    """A question from the values of an address. Raises InputFault that names what is wrong."""
    shift = WhatIf(**{name: _number(values, typed) or 0.0 for typed, name in _SHIFTS.items()})
    if abs(shift.speed_pct) > 50 or abs(shift.offset_um) > 5000:
        raise InputFault("a speed or an offset beyond any drive", remedy="choose smaller ones")
    names = {name: values.get(name, "").strip()[:80] for name in _NAMES}
    return question(
        **names,
        temperature_c=_number(values, "temperature_c"),
        humidity_pct=_number(values, "humidity_pct"),
        bulk_erased=bool(values.get("bulk_erased")),
        shift=shift,
    )


def _number(values: Mapping[str, str], name: str) -> float | None:
    text = values.get(name, "").strip().replace(",", ".").replace("−", "-")
    if not text:
        return None
    try:
        value = float(text)
    except ValueError:
        value = math.nan
    if not math.isfinite(value):
        raise InputFault(f"{_WORDS[name]} is {text[:20]!r}, which is no number", remedy="write it as 21.5")
    return value


def held(site: Site) -> Task[Held]:
    """The shelf's stock and evidence, being gathered or ready; gathered anew when the shelf has changed."""
    state = (state_of(site.shelf), kept_sheet(site.shelf), __version__)

    def gather(_: Any) -> Held:
        stock = stock_of(site.shelf)
        return Held(state, stock, evidence_of(site.shelf, stock))

    return site.job_queue.ask(("pairing stock", state), gather)


def _gathered(site: Site) -> Held:
    task = held(site)
    task.wait(600)
    return task.result()


def _matrix(site: Site, ready: Held, asked: Question, disk_class: str) -> Task[Matrix]:
    return site.job_queue.ask(
        ("pairing matrix", ready.state, asked, disk_class),
        lambda progress: whole_matrix(ready.stock, ready.evidence, asked, disk_class=disk_class, progress=progress),
    )


def _pending(site: Site, asked: Question | None, disk_class: str, seconds: float) -> Task[Any] | None:
    """What is still in the making after so long: the evidence, then (with a question) the matrix; None when ready."""
    evidence = held(site)
    if not evidence.wait(seconds):
        return evidence
    if asked is None or evidence.failed:
        return None
    task = _matrix(site, evidence.result(), asked, disk_class)
    return None if task.wait(seconds) else task


def _class_of(values: Mapping[str, str]) -> str:
    disk_class = values.get("disk_class", "")
    if disk_class and disk_class not in load_classes():
        raise InputFault(f"{disk_class[:40]!r} is no disk class", remedy="choose one of the list")
    return disk_class


def _matrix_question(values: Mapping[str, str]) -> Question:
    # the matrix has no what-if: it tells of the shelf as it stands
    return replace(question_asked(values), shift=WhatIf())


def _patience_s(site: Site) -> float:
    # the evidence of so many trials is not gathered while somebody waits
    return GLANCE_S if more_trials_than(site.shelf, MOST_BY_THE_WAY) else PATIENCE_S


def _matrix_response(site: Site, request: Request) -> Response:
    values = request.query_params
    asked, disk_class = _matrix_question(values), _class_of(values)
    choices = (operation_choice(asked), class_choice(disk_class))
    if _pending(site, asked, disk_class, _patience_s(site)) is not None:
        again = f"{PROGRESS}?{request.url.query}"
        page = MatrixPage(title="Pairing", section="Pairing", choices=choices, computation=True, again=again)
        return render("pairing.html", page)
    try:
        ready = _gathered(site)
        lacks = _lacks(ready.stock, asked)
        if lacks:
            page = MatrixPage(
                title="Pairing", section="Pairing", notices=site.notices_for(request), choices=choices, lacks=lacks
            )
            return render("pairing.html", page)
        task = _matrix(site, ready, asked, disk_class)
        page = matrix_page(task.result(), choices, site.notices_for(request))
    except InputFault as fault:
        page = MatrixPage(title="Pairing", section="Pairing", choices=choices, fault=fault_and_remedy(fault))
    return render("pairing.html", page)


def _lacks(stock: Stock, asked: Question) -> tuple[str, ...]:
    """What the shelf holds none of, and the matrix cannot be without."""
    held = {"mechanisms": stock.all_mechanisms, "disks": stock.all_disks or asked.operation == "exchange"}
    return tuple(word for word, known in held.items() if not known)


def _budget_response(site: Site, request: Request) -> Response:
    try:
        asked = question_asked(request.query_params)
    except InputFault as fault:
        return fault_page(fault)
    if _pending(site, None, "", _patience_s(site)) is not None:
        again = query(PROGRESS, what="evidence")
        return render("pairing_waiting.html", Page(title="One pairing", section="Pairing", again=again))
    ready = _gathered(site)
    found: Answer | None = None
    text = ""
    # who comes with nothing chosen wants the form, not a fault
    if any(request.query_params.values()):
        try:
            found = answer(ready.stock, ready.evidence, asked, samples=WHOLE)
        except InputFault as fault:
            text = fault_and_remedy(fault)
    page = budget_page(ready.stock, asked, found, text, site.notices_for(request))
    return render("pairing_budget.html", page, 422 if text else 200)


def hurried(site: Site, values: Mapping[str, str]) -> AnswerView:
    """What the sliders change, in a hurry: fewer draws, and no remedies. Raises InputFault as the budget does."""
    ready = _gathered(site)
    found = answer(ready.stock, ready.evidence, question_asked(values), samples=HURRIED, remedies=False)
    return answer_view(found, remedies=False)


def _plan_response(site: Site, request: Request, text: str, months: str, on: str, fault: str = "") -> Response:
    outcome = ""
    steps: tuple[StepView, ...] = ()
    if text.strip() and not fault:
        try:
            number, day = _months(months), _day(on)
            ready = _gathered(site)
            planned = plan_of(text.encode("utf-8", "replace"), where="the plan")
            checked = check_plan(ready.stock, ready.evidence, planned, months=number, today=day, where="the plan")
            outcome, steps = plan_outcome(checked, number, day), tuple(map(step_view, checked))
        except InputFault as refusal:
            fault = fault_and_remedy(refusal)
    page = PlanPage(
        title="Show plan",
        section="Pairing",
        notices=site.notices_for(request),
        text=text,
        months=months,
        on=on,
        heading=HEADING,
        fault=fault,
        outcome=outcome,
        steps=steps,
    )
    return render("pairing_plan.html", page, 422 if fault else 200)


def _months(text: str) -> int:
    if not (text.isascii() and text.isdigit() and len(text) <= 6 and 1 <= int(text) <= 1200):
        raise InputFault(f"{text[:20]!r} is no number of months", remedy="write a whole number from 1 to 1200")
    return int(text)


def _day(text: str) -> date:
    if not text:
        return date.today()
    try:
        return date.fromisoformat(text)
    except ValueError:
        raise InputFault(f"{text[:20]!r} is no day", remedy="write it as 2026-06-20") from None


def routes(site: Site) -> APIRouter:
    """The addresses under /pairing."""
    router = APIRouter(prefix=PAIRING)

    @router.get("")
    def matrix(request: Request) -> Response:
        return _matrix_response(site, request)

    @router.get("/progress")
    def progress(request: Request) -> Response:
        values = request.query_params
        asked = None if values.get("what") == "evidence" else _matrix_question(values)
        return how_far(request, _pending(site, asked, _class_of(values), 0))

    @router.get("/budget")
    def budget(request: Request) -> Response:
        return _budget_response(site, request)

    @router.get("/answer")
    def fragment(request: Request) -> Response:
        try:
            found = hurried(site, request.query_params)
        except InputFault as fault:
            return Response(sentence(fault.line), 422, media_type="text/plain; charset=utf-8")
        return render("pairing_fragment.html", Page(title=""), answer=found)

    @router.get("/plan")
    def plan(request: Request, plan: str = "", months: str = str(_MONTHS), on: str = "") -> Response:
        return _plan_response(site, request, plan, months.strip(), on.strip())

    @router.post("/plan")
    def bring_plan(request: Request, sent: Posted) -> Response:
        months, on = (str(sent.get(name) or "").strip() for name in ("months", "on"))
        upload = sent.get("file")
        if not isinstance(upload, UploadFile) or not upload.filename:
            return _plan_response(site, request, "", months, on, "No file was chosen. Choose the plan, then check it.")
        content = upload.file.read(LARGEST_PLAN_BYTES + 1)
        try:
            plan_of(content, where="the plan")
        except InputFault as fault:
            return _plan_response(site, request, "", months, on, fault_and_remedy(fault))
        text = content.decode("utf-8-sig").replace("\r\n", "\n")
        # a plan of the usual size has an address of its own, which can be kept
        address = query(PLAN, plan=text, months=months, on=on)
        if len(address) <= _LONGEST_ADDRESS:
            return site.gone_to(address)
        return _plan_response(site, request, text, months, on)

    return router
