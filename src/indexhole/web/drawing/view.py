"""Pages as typed data, drawn by templates that only lay out what they are given."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

from jinja2 import Environment, FileSystemLoader, StrictUndefined
from starlette.responses import HTMLResponse

from indexhole import __version__
from indexhole.web.access.visit import TokenInForms
from indexhole.web.drawing import words
from indexhole.web.drawing.cautions import DEFERS
from indexhole.web.drawing.palette import QUALITY

WEB = Path(__file__).parents[1]
# each page keeps its template beside its code; what pages share is drawn from here
TEMPLATES = (WEB / "drawing" / "templates", *sorted(folder for folder in (WEB / "pages").iterdir() if folder.is_dir()))
SECTIONS = (
    ("Shelf", "/"),
    ("Bench", "/bench"),
    ("Recordings", "/recordings"),
    ("Pairing", "/pairing"),
    ("Fault-finding", "/causes"),
)


@dataclass(frozen=True, kw_only=True)
class Page:
    """What every page has: its title, the section it belongs to, and what there is to tell after a change.

    `again` is where the browser can ask how far the work is that the page waits for; empty when it waits for none.
    `bare` leaves out the ways to other pages, for who may not go there yet.
    """

    title: str
    section: str = ""
    notices: tuple[str, ...] = ()
    again: str = ""
    bare: bool = False


@cache
def _templates() -> Environment:
    made = Environment(
        loader=FileSystemLoader(TEMPLATES),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        extensions=[TokenInForms],
    )
    made.globals.update(sections=SECTIONS, version=__version__, defers=DEFERS, quality_steps=range(len(QUALITY)))
    made.filters.update(
        count=words.count,
        bytes=words.size,
        percent=words.percent,
        tone=words.tone,
        query=words.query,
        day=words.day,
    )
    return made


def render(template: str, page: Page, status: int = 200, **more: Any) -> HTMLResponse:
    """The page drawn by its template."""
    return HTMLResponse(_templates().get_template(template).render(page=page, **more), status)
