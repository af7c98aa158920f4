"""The API shown to people (`/api`) and to programs (`/api/openapi.json`), with no script or file from elsewhere."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from typing import Any

from fastapi import APIRouter
from fastapi.openapi.utils import get_openapi
from starlette.responses import JSONResponse, Response

from indexhole import __version__
from indexhole.web.drawing.view import Page, render

_ABOUT = (
    "The bench book as JSON: the same functions as the page, the command line and Python. Times are seconds, angles "
    "are turns; a name carries its unit. What cannot be done is answered with what is wrong, where, and what to do."
)


@dataclass(frozen=True)
class Way:
    """One thing the API does: how it is asked, and what it takes."""

    method: str
    path: str
    what: str
    takes: tuple[tuple[str, str], ...]


@dataclass(frozen=True, kw_only=True)
class ApiPage(Page):
    """All of the API, in groups."""

    groups: tuple[tuple[str, tuple[Way, ...]], ...]


def description_of(api: Sequence[APIRouter]) -> dict[str, Any]:
    """The OpenAPI 3.1 description of these addresses."""
    routes = [route for router in api for route in router.routes]
    return get_openapi(title="Indexhole", version=__version__, description=_ABOUT, routes=routes)


def _named(schema: dict[str, Any]) -> str:
    return str(schema.get("$ref", "")).rpartition("/")[2]


def _fields(schema: dict[str, Any], schemas: dict[str, Any]) -> tuple[tuple[str, str], ...]:
    """Fields of a body, `needed` beside those that must be there."""
    whole = schemas.get(_named(schema), schema)
    if whole.get("type") == "array":
        return (("a list of", ", ".join(name for name, _ in _fields(whole["items"], schemas))),)
    needed = set(whole.get("required", ()))
    return tuple((name, "needed" if name in needed else "") for name in whole.get("properties", {}))


def ways_of(description: dict[str, Any]) -> tuple[tuple[str, tuple[Way, ...]], ...]:
    """The addresses by group, in the order of the description."""
    schemas = description.get("components", {}).get("schemas", {})
    groups: dict[str, list[Way]] = {}
    for path, methods in description["paths"].items():
        for method, way in methods.items():
            takes = tuple(
                (one["name"], one.get("description", "needed" if one.get("required") else ""))
                for one in way.get("parameters", ())
            )
            body = way.get("requestBody", {}).get("content", {}).get("application/json", {}).get("schema")
            if body is not None:
                takes += _fields(body, schemas)
            groups.setdefault(way["tags"][0], []).append(Way(method.upper(), path, way["summary"], takes))
    return tuple((tag, tuple(ways)) for tag, ways in groups.items())


def routes(api: Sequence[APIRouter]) -> APIRouter:
    """The page and the description."""
    router = APIRouter()

    @cache
    def description() -> dict[str, Any]:
        return description_of(api)

    @router.get("/api/openapi.json", include_in_schema=False)
    def described() -> Response:
        return JSONResponse(description())

    @router.get("/api", include_in_schema=False)
    def page() -> Response:
        return render("api.html", ApiPage(title="For programs", groups=ways_of(description())))

    return router
