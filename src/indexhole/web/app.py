"""Puts the page together: its addresses, its files, its error pages, and the guard in front."""

from __future__ import annotations

from typing import Any

from fastapi import FastAPI
from fastapi.exceptions import RequestValidationError
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import HTMLResponse, Response
from starlette.staticfiles import StaticFiles

from indexhole.errors import IndexholeError
from indexhole.shelf.register import Shelf
from indexhole.web import capture_routes, cause_routes, shelf_routes
from indexhole.web.faults import error_page, fault_page, sentence
from indexhole.web.guard import Door, Guard
from indexhole.web.palette import palette_css
from indexhole.web.site import Site
from indexhole.web.view import FOLDER

_SENTENCES = {404: "there is no page at this address", 405: "this address cannot be used that way"}


def create_app(shelf: Shelf, door: Door | None = None) -> Guard:
    """The page over an open shelf, as an ASGI application that lets in only what the door allows."""
    door = door or Door()
    app = FastAPI(docs_url=None, redoc_url=None, openapi_url=None, title="Indexhole")
    site = Site(shelf, door.most_bytes)
    for part in (shelf_routes, capture_routes, cause_routes):
        app.include_router(part.routes(site))
    app.add_api_route("/palette.css", _palette, methods=["GET"])
    app.mount("/static", StaticFiles(directory=FOLDER / "static"))
    app.add_exception_handler(IndexholeError, _own_fault)
    app.add_exception_handler(HTTPException, _refused)
    app.add_exception_handler(RequestValidationError, _misaddressed)
    app.add_exception_handler(Exception, _broken)
    return Guard(app, door)


def _palette() -> Response:
    return Response(palette_css(), media_type="text/css")


def _own_fault(request: Request, fault: Any) -> HTMLResponse:
    return fault_page(fault)


def _refused(request: Request, fault: Any) -> HTMLResponse:
    plain = fault.detail in ("Not Found", "Method Not Allowed")
    what = _SENTENCES.get(fault.status_code, fault.detail) if plain else fault.detail
    return error_page(fault.status_code, sentence(what))


def _misaddressed(request: Request, fault: Any) -> HTMLResponse:
    names = sorted({str(error["loc"][-1]) for error in fault.errors()})
    return error_page(400, f"The address lacks a right {', '.join(names)}.")


def _broken(request: Request, fault: Exception) -> HTMLResponse:
    return error_page(500, "Something went wrong in the program itself.", "the terminal it runs in shows what")
