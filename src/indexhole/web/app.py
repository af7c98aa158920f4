"""Puts the page together: its addresses, its files, its error pages, and the guard in front."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from fastapi import APIRouter, FastAPI
from fastapi.exceptions import RequestValidationError
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import JSONResponse, Response
from starlette.staticfiles import StaticFiles

from indexhole.errors import IndexholeError, ShelfFault
from indexhole.shelf.register.shelf import Shelf
from indexhole.web.access.sessions import Lock
from indexhole.web.drawing.palette import palette_css
from indexhole.web.drawing.view import WEB
from indexhole.web.forms.faults import error_page, fault_json, fault_page, sentence
from indexhole.web.pages.api import api_page, api_routes
from indexhole.web.pages.bench import bench_routes
from indexhole.web.pages.causes import cause_routes
from indexhole.web.pages.collection import collection
from indexhole.web.pages.pairing import pairing_routes
from indexhole.web.pages.recordings import recording_routes
from indexhole.web.pages.shelf import shelf_routes
from indexhole.web.pages.sign_in import sign_in
from indexhole.web.pages.spreadsheets import import_routes
from indexhole.web.serving.guard import API, AccessPolicy, Guard, SignIn
from indexhole.web.serving.site import Site
from indexhole.wording import listed

_SENTENCES = {404: "there is no page at this address", 405: "this address cannot be used that way"}


def create_app(shelf: Shelf, access_policy: AccessPolicy | None = None) -> Guard:
    """The page over an open shelf, as an ASGI application that lets in only what the door allows."""
    access_policy = access_policy or AccessPolicy()
    app = FastAPI(docs_url=None, redoc_url=None, openapi_url=None, title="Indexhole")
    site = Site(shelf, access_policy.most_bytes)
    for pages in (
        shelf_routes, bench_routes, collection, import_routes, recording_routes, pairing_routes, cause_routes
    ):  # fmt: skip
        app.include_router(pages.routes(site))
    api = [api_routes.routes(site)]
    signing_in = SignIn(Lock(access_policy.password)) if access_policy.password else None
    if signing_in is not None:
        app.include_router(sign_in.routes(signing_in))
        api.append(sign_in.api_routes(signing_in))
    for part in (*api, api_page.routes(api)):
        app.include_router(part)
    app.add_api_route("/palette.css", _palette, methods=["GET"])
    app.mount("/static", StaticFiles(directory=WEB / "static"))
    app.add_exception_handler(IndexholeError, _own_fault)
    ways = _Ways(api)
    app.add_exception_handler(HTTPException, ways.refused)
    app.add_exception_handler(RequestValidationError, _misaddressed)
    app.add_exception_handler(Exception, _broken)
    return Guard(app, access_policy, signing_in)


def _palette() -> Response:
    return Response(palette_css(), media_type="text/css")


def _is_api(request: Request) -> bool:
    return request.url.path.startswith(API)


def _own_fault(request: Request, fault: Any) -> Response:
    if _is_api(request):
        status = 503 if isinstance(fault, ShelfFault) else 422
        return JSONResponse(fault_json(fault.what, fault.where, fault.remedy), status)
    return fault_page(fault)


class _Ways:
    """Refusals; for an address of the API that is used wrongly they name every way it can be used."""

    def __init__(self, api: Sequence[APIRouter]) -> None:
        self._api = api

    def refused(self, request: Request, fault: Any) -> Response:
        plain = fault.detail in ("Not Found", "Method Not Allowed")
        what = _SENTENCES.get(fault.status_code, fault.detail) if plain else fault.detail
        answer: Response
        if _is_api(request):
            answer = JSONResponse(fault_json(what), fault.status_code)
        else:
            answer = error_page(fault.status_code, sentence(what))
        answer.headers.update(fault.headers or {})
        if fault.status_code == 405 and (allowed := self._methods(request.url.path)):
            answer.headers["Allow"] = ", ".join(sorted(allowed))
        return answer

    def _methods(self, path: str) -> set[str]:
        # the framework names those of one route only, where several share an address
        routes = (route for router in self._api for route in router.routes)
        return {m for route in routes if getattr(route, "path", "") == path for m in getattr(route, "methods", ())}


def _misaddressed(request: Request, fault: Any) -> Response:
    if _is_api(request):
        error = fault.errors()[0]
        where = ".".join(str(part) for part in error["loc"])
        return JSONResponse(fault_json(str(error["msg"]).removeprefix("Value error, "), where), 422)
    names = sorted({f"“{error['loc'][-1]}”" for error in fault.errors()})
    wrong = f"In the address {listed(names)} {'is' if len(names) == 1 else 'are'} missing, or cannot be right."
    return error_page(400, wrong, "come here by a link of another page")


def _broken(request: Request, fault: Exception) -> Response:
    what, remedy = "Something went wrong in the program itself.", "the terminal it runs in shows what"
    if _is_api(request):
        return JSONResponse(fault_json(what, "", remedy), 500)
    return error_page(500, what, remedy)
