"""Every error page is made here: a plain sentence, what to do, and the right status."""

from __future__ import annotations

from dataclasses import dataclass

from starlette.responses import HTMLResponse

from indexhole.errors import Do, IndexholeError, ShelfFault, Way
from indexhole.web.drawing.view import Page, render

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


# how the page says what can be done; empty where it is done on the command line alone
_HERE: dict[Do, str] = {
    Do.READ_CUT: "",
    Do.READ_IF_CUT: "",
    Do.NAME_LINE: "",
    Do.GIVE_RATE: "",
    Do.READ_RAW: "",
    Do.NAME_LAYOUT: "choose the layout under Layout",
    Do.SETTLE_LAYOUT: "choose one under Layout to settle it",
    Do.SET_APART: "give its things names of their own",
    Do.LIST_SHELF: "see the Shelf page",
    Do.LIST_TRIALS: "see the trial sheet",
    Do.ADD_TRIALS: "log a trial on the Bench page, or bring in a sheet",
    Do.NAME_SHEET: "",
    Do.START_SHELF: "",
    Do.OTHER_SHELF: "",
    Do.EMPTY_SHELF: "",
    Do.OTHER_DEMO: "",
    Do.OVERWRITE: "",
    Do.MEND: "add the same file again, and the damaged part is rebuilt from it",
}
_ELSEWHERE = "the command line can do more about it"
if missing := set(Do) - set(_HERE):
    raise TypeError(f"the page has no words for {missing}")


def here(way: Do) -> str:
    """How a thing to do is done on the page; empty where the page does not offer it."""
    return _HERE[way]


def remedy_here(fault: IndexholeError) -> str:
    """What to do about a fault, as the page says it: what it does not offer is left out."""
    said = [here(one.do) if isinstance(one, Way) else one for one in fault.ways]
    return ", or ".join(filter(None, said)) or (_ELSEWHERE if fault.ways else "")


def sentence(clause: str, *, start: bool = True) -> str:
    """A clause as a sentence for the page: full stop, and a capital where it starts one."""
    clause = " ".join(clause.split())
    if not clause:
        return ""
    ended = clause if clause[-1] in ".!?" else f"{clause}."
    return ended[0].upper() + ended[1:] if start else ended


def fault_text(fault: IndexholeError) -> str:
    """The fault without its remedy, as a sentence; the name of a file before it stays as it is."""
    return f"{fault.where}: {sentence(fault.what, start=False)}" if fault.where else sentence(fault.what)


def fault_and_remedy(fault: IndexholeError) -> str:
    """The fault and what to do, as sentences."""
    return f"{fault_text(fault)} {sentence(remedy_here(fault))}".rstrip()


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
    return error_page(status, fault_text(fault), remedy_here(fault))
