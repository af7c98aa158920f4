"""The API: JSON in and out, over the same functions as the page and the command line.

Each kind of entry has two addresses: `/api/KINDs` lists, `/api/KIND` adds (POST), and with its key shows (GET) or
changes (PATCH). What begins with a file is added on the page or the command line. Keys stand in the query, since an
inventory number may hold a slash.
"""

# no `from __future__ import annotations` here: the addresses of a kind are made in a function, from types it is given

from collections.abc import Callable, Sequence
from typing import Annotated, Any, TypeVar

from fastapi import APIRouter, Body, Query
from pydantic import BaseModel, Field
from starlette.exceptions import HTTPException
from starlette.responses import JSONResponse, Response

from indexhole.errors import InputFault
from indexhole.shelf.records.entry import Record
from indexhole.shelf.records.records import CaptureRecord
from indexhole.shelf.register.confidence import FieldWord
from indexhole.shelf.register.journal import LONGEST_WHO
from indexhole.shelf.register.tables import TABLES
from indexhole.shelf.register.trials import Imported, LoggedTrial
from indexhole.shelf.views.compare_units import MOST_UNITS, compare_units
from indexhole.shelf.views.listing import number_of_trials, trials_with
from indexhole.shelf.views.timeline import By, Moment, timeline
from indexhole.web.pages.api.api_models import (
    ChangeAnswer,
    ChangeNumber,
    Compared,
    Entered,
    Fault,
    FieldChangeAnswer,
    FieldStanding,
    FoundAnswer,
    Some,
    TrialAnswer,
    TrialRow,
    Waiting,
    changes_of,
)
from indexhole.web.serving.job_queue import Task
from indexhole.web.serving.site import PATIENCE_S, Site

R = TypeVar("R", bound=Record)

First = Annotated[int, Query(ge=0, le=10**9, description="number of the first to show, counted from 0")]
Most = Annotated[int, Query(ge=1, le=1000, description="most to show")]
Key = Annotated[str, Query(description="its key", max_length=80)]
Kind = Annotated[str, Query(description="kind of entry, such as unit", max_length=80)]
FieldName = Annotated[str, Query(description="only this field; empty, all", max_length=80)]
Key80 = Annotated[str, Field(max_length=80)]
Who = Annotated[str, Query(description="who logs it; kept with each", max_length=LONGEST_WHO)]
Captures = Annotated[list[str], Query(min_length=1, description="SHA-256 of each, or at least its first 6 digits")]
Units = Annotated[list[Key80], Query(min_length=1, max_length=MOST_UNITS, description="inventory number of each")]
About = Annotated[
    Sequence[Key80],
    Query(max_length=12, description="weigh trials about these mechanisms, units, disks, leads or hosts"),
]
Since = Annotated[str, Query(description="weigh trials from this day on, as 2026-03-01", max_length=40)]
Layout = Annotated[str, Query(description="read it as this layout; empty, it is identified", max_length=80)]

FAULTS: dict[int | str, dict[str, Any]] = {
    400: {"model": Fault, "description": "not JSON"},
    401: {"model": Fault, "description": "a password is needed; see /api/sign-in"},
    403: {"model": Fault, "description": "the request comes from another site, or by a name of another"},
    404: {"model": Fault, "description": "there is none of that name"},
    413: {"model": Fault, "description": "too much was sent"},
    415: {"model": Fault, "description": "something other than JSON was sent"},
    422: {"model": Fault, "description": "a value does not fit, or does not fit what the shelf holds"},
    503: {"model": Fault, "description": "the shelf cannot be used at the moment"},
}
WAITS: dict[int | str, dict[str, Any]] = {202: {"model": Waiting, "description": "being worked out; ask again"}}


def routes(site: Site) -> APIRouter:
    """The addresses of the API, signing in left out."""
    router = APIRouter(prefix="/api", responses=FAULTS)
    for kind in TABLES:
        _listing(router, site, kind)
        _one(router, site, kind)
        if not kind.FROM_FILE:
            _adding(router, site, kind)
        _changing(router, site, kind)
    _trials(router, site)
    _confidences(router, site)
    _whole_shelf(router, site)
    _worked_out(router, site)
    return router


def _tag(kind: type[Record]) -> list[str | Any]:
    return [kind.MANY]


def _listing(router: APIRouter, site: Site, kind: type[R]) -> None:
    def every(first: First = 0, most: Most = 100) -> Any:
        items = site.shelf.page(kind, first=first, most=most)
        return {"total": site.shelf.count(kind), "first": first, "items": items}

    router.add_api_route(
        f"/{kind.WORD}s", every, response_model=Some[kind], tags=_tag(kind), summary=f"List {kind.MANY}",  # type: ignore[valid-type]
        operation_id=f"list-{kind.WORD}s",
    )  # fmt: skip


def _there(site: Site, kind: type[R], key: str) -> R:
    found = site.shelf.find(kind, key)
    if found is None:
        raise HTTPException(404, f"there is no {kind.WORD} {key} on the shelf")
    return found


def _one(router: APIRouter, site: Site, kind: type[R]) -> None:
    def one(key: Key) -> Any:
        return _there(site, kind, key)

    router.add_api_route(
        f"/{kind.WORD}", one, response_model=kind, tags=_tag(kind), summary=f"Show {kind.CALLED}",
        operation_id=f"show-{kind.WORD}",
    )  # fmt: skip


def _adding(router: APIRouter, site: Site, kind: type[R]) -> None:
    def add(record: kind) -> Any:  # type: ignore[valid-type]
        return site.shelf.add(record)

    router.add_api_route(
        f"/{kind.WORD}", add, methods=["POST"], status_code=201, response_model=kind, tags=_tag(kind),
        summary=f"Add {kind.CALLED}", operation_id=f"add-{kind.WORD}",
    )  # fmt: skip


def _changing(router: APIRouter, site: Site, kind: type[R]) -> None:
    changes = changes_of(kind)

    def change(key: Key, fields: Annotated[changes, Body()]) -> Any:  # type: ignore[valid-type]
        found = _there(site, kind, key)
        sent: BaseModel = fields
        values: dict[str, Any] = sent.model_dump(exclude_unset=True)
        if "standing" in kind.model_fields:
            values["standing"] = "known"
        return site.shelf.update(kind, found.key, **values)

    router.add_api_route(
        f"/{kind.WORD}", change, methods=["PATCH"], response_model=kind, tags=_tag(kind),
        summary=f"Change fields of {kind.CALLED}", operation_id=f"change-{kind.WORD}",
    )  # fmt: skip


def _row(trial: LoggedTrial) -> TrialAnswer:
    held = {name: getattr(trial, name) for name in TrialAnswer.model_fields}
    return TrialAnswer.model_construct(
        **held | {"logged_utc": trial.logged_utc.isoformat() if trial.logged_utc else ""}
    )


def _entered(found: Imported) -> Entered:
    return Entered(
        trials=found.trials,
        units=[unit.inventory for unit in found.units],
        mechanisms=[mechanism.mechanism for mechanism in found.mechanisms],
        disks=[disk.inventory for disk in found.disks],
        remarks=list(found.remarks),
    )


def _trials(router: APIRouter, site: Site) -> None:
    tags: list[Any] = ["trials"]

    @router.get("/trials", tags=tags, summary="List trials, in order", operation_id="list-trials")
    def every(first: First = 0, most: Most = 100) -> Some[TrialAnswer]:
        total = number_of_trials(site.shelf)
        found = trials_with(site.shelf, first=first, most=most, latest=False, sums=False).rows
        return Some(total=total, first=first, items=[_row(trial) for trial in found])

    @router.post("/trials", tags=tags, summary="Add trials, all or none", operation_id="add-trials", status_code=201)
    def add(trials: Annotated[list[TrialRow], Body(min_length=1, max_length=100_000)], who: Who = "") -> Entered:
        return _entered(site.shelf.signed(who).add_trials([trial.as_trial() for trial in trials], "the API"))


def _confidences(router: APIRouter, site: Site) -> None:
    tags: list[Any] = ["single fields"]

    kinds = {kind.WORD: kind for kind in TABLES}

    def kind_named(word: str) -> type[Record]:
        if word not in kinds:
            raise InputFault(f"{word!r} is no kind of entry", where="kind", remedy=f"use {', '.join(kinds)}")
        return kinds[word]

    @router.get(
        "/standings", tags=tags, summary="The fields of an entry that are not known, or as told",
        operation_id="list-standings",
    )  # fmt: skip
    def standings(kind: Kind, key: Key) -> list[FieldStanding]:
        found = _there(site, kind_named(kind), key)
        held = site.shelf.confidences_of(type(found), found.key).values()
        return [FieldStanding(field=one.field, standing=one.standing, source=one.source) for one in held]

    @router.post("/standing", tags=tags, summary="Say how a field is known", operation_id="put-standing")
    def put(kind: Kind, key: Key, sent: Annotated[FieldStanding, Body()]) -> list[FieldStanding]:
        found = _there(site, kind_named(kind), key)
        word: FieldWord | None = None if sent.standing == "plain" else sent.standing
        site.shelf.put_standing(type(found), found.key, sent.field, word, sent.source)
        return standings(kind, found.key)

    @router.get(
        "/history", tags=tags, summary="Every change of an entry, field by field, the earliest first",
        operation_id="history",
    )  # fmt: skip
    def history(kind: Kind, key: Key, field: FieldName = "") -> list[FieldChangeAnswer]:
        found = _there(site, kind_named(kind), key)
        return [
            FieldChangeAnswer(
                field=one.field, standing=one.standing, was=one.was, now=one.now, at_utc=one.at_utc.isoformat(),
                who=one.who, why=one.why, undone=one.undone,
            )
            for one in site.shelf.field_history(type(found), found.key, field)
        ]  # fmt: skip


def _whole_shelf(router: APIRouter, site: Site) -> None:
    tags: list[Any] = ["the whole shelf"]

    @router.get("/search", tags=tags, summary="What holds every word", operation_id="search")
    def search(words: Annotated[str, Query(min_length=1)], first: First = 0, most: Most = 100) -> Some[FoundAnswer]:
        found = site.shelf.search(words, first=first, most=most)
        total = sum(site.shelf.search_counts(words).values())
        return Some(
            total=total, first=first, items=[FoundAnswer(kind=one.kind, key=one.key, text=one.text) for one in found]
        )

    @router.get("/timeline", tags=tags, summary="The collection along time", operation_id="timeline")
    def along(by: By = "made", first: First = 0, most: Most = 100) -> Some[Moment]:
        found = timeline(site.shelf, by, first=first, most=most)
        return Some(total=found.total, first=first, items=list(found.moments))

    @router.get("/compare", tags=tags, summary="Units side by side", operation_id="compare")
    def compare(unit: Units) -> Compared:
        found = compare_units(site.shelf, unit)
        return Compared(units=list(found.units), rows={name: list(values) for name, values in found.rows})

    @router.get(
        "/changes", tags=tags, summary="Changes that can be taken back, the latest first", operation_id="changes"
    )
    def changes(first: First = 0, most: Most = 100) -> Some[ChangeAnswer]:
        found = site.shelf.changes()
        shown = [
            ChangeAnswer(change=one.number, at_utc=one.at_utc.isoformat(), what=one.what, rows=one.rows)
            for one in found[first : first + most]
        ]
        return Some(total=len(found), first=first, items=shown)

    @router.post("/undo", tags=tags, summary="Take the last change back", operation_id="undo")
    def undo(sent: ChangeNumber) -> ChangeAnswer:
        expected = next((one for one in site.shelf.changes() if one.number == sent.change), None)
        if expected is None:
            raise InputFault("that change is taken back already, or was never made", remedy="see /api/changes")
        done = site.shelf.undo(expected)
        return ChangeAnswer(change=done.number, at_utc=done.at_utc.isoformat(), what=done.what, rows=done.rows)


def answered(task: Task[Any], tell: Callable[[Any], Any]) -> Response:
    """The result told, or (202) how far it is."""
    if not task.wait(PATIENCE_S):
        return JSONResponse({"ready": False, "done": task.done, "total": task.total}, 202)
    return JSONResponse(tell(task.result()))


def _worked_out(router: APIRouter, site: Site) -> None:
    from indexhole.jobs.recovery.gauging import gauge_json
    from indexhole.web.pages.recordings.recording_routes import reading_of

    tags: list[Any] = ["worked out"]

    @router.get(
        "/causes", tags=tags, summary="What is at fault, as indexhole causes --json has it", operation_id="causes",
        responses=WAITS, response_model=dict[str, Any],
    )  # fmt: skip
    def causes(about: About = (), since: Since = "") -> Any:
        task = site.diagnosis(tuple(sorted(set(about))), since)
        if task is None:
            raise InputFault("there are no trials to weigh", remedy="add some with /api/trials")
        return answered(task, lambda found: found.to_json_dict())

    def reading(capture: list[str], layout: str) -> Task[Any]:
        return reading_of(site, [_there(site, CaptureRecord, key) for key in dict.fromkeys(capture)], layout)

    @router.get(
        "/recover", tags=tags, summary="What captures hold, as indexhole recover --json has it",
        operation_id="recover", responses=WAITS, response_model=dict[str, Any],
    )  # fmt: skip
    def recover(capture: Captures, layout: Layout = "") -> Any:
        return answered(reading(capture, layout), lambda found: found.report)

    @router.get(
        "/gauge", tags=tags, summary="What captures say of the drives that read them", operation_id="gauge",
        responses=WAITS, response_model=dict[str, Any],
    )  # fmt: skip
    def gauge(capture: Captures, layout: Layout = "") -> Any:
        def tell(found: Any) -> Any:
            return {
                "mechanisms": [
                    {"mechanism": one.mechanism, "gauges": [gauge_json(g) for g in one.gauges],
                     "warnings": list(one.warnings), "fault": one.fault}
                    for one in found.gauged
                ]
            }  # fmt: skip

        return answered(reading(capture, layout), tell)
