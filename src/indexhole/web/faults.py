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
    415: "Not taken in that form",
    422: "That does not fit",
    429: "Too many tries",
    500: "A fault in the program",
    503: "The shelf cannot be used",
}


@dataclass(frozen=True, kw_only=True)
class ErrorPage(Page):
    """An error as it is shown."""

    what: str
    remedy: str


# remedies speak to the command line; on the page the same is done elsewhere
_HERE = (
    ("name one with --layout to settle it", "choose one under Layout to settle it"),
    ("name the layout with --layout", "choose the layout under Layout"),
    (", and raw logic samples with --raw HZ", "; raw logic samples are read on the command line"),
    ("set names apart with --prefix", "give its things names of their own"),
    ("(`indexhole recover`)", "(under Recordings)"),
    ("see `indexhole shelf list trials`", "see the trial sheet"),
    ("see `indexhole shelf list`", "see the Shelf page"),
)


def for_page(told: str) -> str:
    """What the program has to tell, with what to do on the page where it names an option of the command line."""
    for phrase, here in _HERE:
        told = told.replace(phrase, here)
    return told


def sentence(clause: str, *, start: bool = True) -> str:
    """A clause as a sentence for the page: full stop, and a capital where it starts one."""
    clause = for_page(" ".join(clause.split()))
    if not clause:
        return ""
    ended = clause if clause[-1] in ".!?" else f"{clause}."
    return ended[0].upper() + ended[1:] if start else ended


def told(fault: IndexholeError) -> str:
    """The fault without its remedy, as a sentence; the name of a file before it stays as it is."""
    return f"{fault.where}: {sentence(fault.what, start=False)}" if fault.where else sentence(fault.what)


def told_whole(fault: IndexholeError) -> str:
    """The fault and what to do, as sentences."""
    return f"{told(fault)} {sentence(fault.remedy)}".rstrip()


def error_page(status: int, what: str, remedy: str = "") -> HTMLResponse:
    """The page for an error: `what` is a sentence, `remedy` a clause or sentence."""
    heading = _HEADINGS.get(status, "That did not work")
    page = ErrorPage(title=heading, what=what, remedy=sentence(remedy))
    return render("error.html", page, status)


def fault_json(what: str, where: str = "", remedy: str = "") -> dict[str, dict[str, str]]:
    """A fault as the API tells it."""
    return {"fault": {"what": what, "where": where, "remedy": remedy}}


def fault_page(fault: IndexholeError) -> HTMLResponse:
    """The page for a fault of our own family."""
    status = 503 if isinstance(fault, ShelfFault) else 400
    return error_page(status, told(fault), fault.remedy)
