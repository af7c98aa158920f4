"""Every error page is made here: a plain sentence, what to do, and the right status."""

from __future__ import annotations

from dataclasses import dataclass

from starlette.responses import HTMLResponse

from indexhole.errors import IndexholeError, ShelfFault
from indexhole.web.view import Page, render

_HEADINGS = {
    400: "That cannot be done",
    401: "Locked",
    403: "Not let in",
    404: "Not here",
    405: "Not done this way",
    413: "Too large",
    422: "That does not fit",
    500: "A fault in the program",
    503: "The shelf cannot be used",
}


@dataclass(frozen=True, kw_only=True)
class ErrorPage(Page):
    """An error as it is shown."""

    status: int
    what: str
    remedy: str


# remedies speak to the command line; on the page the same is done elsewhere
_HERE = (
    ("name one with --layout to settle it", "choose one under Layout to settle it"),
    ("name the layout with --layout", "choose the layout under Layout"),
    ("set names apart with --prefix", "give its things names of their own"),
    ("see `indexhole shelf list trials`", "see the trial sheet"),
    ("see `indexhole shelf list`", "see the Shelf page"),
)


def for_page(told: str) -> str:
    """What the program has to tell, with what to do on the page where it names an option of the command line."""
    for phrase, here in _HERE:
        told = told.replace(phrase, here)
    return told


def sentence(clause: str) -> str:
    """A clause as a sentence for the page: capital and full stop."""
    clause = for_page(" ".join(clause.split()))
    if not clause:
        return ""
    ended = clause if clause[-1] in ".!?" else f"{clause}."
    return ended[0].upper() + ended[1:]


def told(fault: IndexholeError) -> str:
    """The fault without its remedy, as a sentence."""
    return sentence(f"{fault.where}: {fault.what}" if fault.where else fault.what)


def error_page(status: int, what: str, remedy: str = "") -> HTMLResponse:
    """The page for an error: `what` and `remedy` are clauses or sentences."""
    heading = _HEADINGS.get(status, "That did not work")
    page = ErrorPage(title=heading, status=status, what=sentence(what), remedy=sentence(remedy))
    return render("error.html", page, status)


def fault_page(fault: IndexholeError) -> HTMLResponse:
    """The page for a fault of our own family."""
    status = 503 if isinstance(fault, ShelfFault) else 400
    return error_page(status, told(fault), fault.remedy)
