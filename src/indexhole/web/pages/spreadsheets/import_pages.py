"""A spreadsheet on its way in, as data: what is asked, what it would do row by row and cell by cell, what it did."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

from indexhole.errors import IndexholeError
from indexhole.shelf.exchange.exchange import EXCHANGED, Plan
from indexhole.shelf.records.entry import Record
from indexhole.shelf.register.journal import Change
from indexhole.shelf.sheets.spreadsheet import ENDINGS, cell_text
from indexhole.web.drawing.view import Page
from indexhole.web.drawing.words import count, plural, query, size
from indexhole.web.forms.faults import fault_and_remedy, sentence
from indexhole.web.forms.fields import SIGN_FIELDS
from indexhole.web.forms.forms import Form, FormField, form
from indexhole.web.pages.shelf.shelf_pages import ChangeRow, Stretch, change_row, stretch
from indexhole.web.pages.spreadsheets.held import LARGEST_BYTES, Sheet
from indexhole.web.serving.job_queue import Task

KINDS = {kind.WORD: kind for kind in EXCHANGED}


KIND_FIELD = FormField(
    "kind",
    "The rows are",
    "choice",
    options=tuple((word, kind.MANY) for word, kind in KINDS.items()),
    required=True,
)
A_PAGE = 100
_PARTS = ("faults", "changed", "added")


@dataclass(frozen=True)
class Columns:
    """What a sheet of a kind may hold, and the register's own as a beginning."""

    kinds: str
    key: str
    fields: str
    csv: str
    xlsx: str


@dataclass(frozen=True, kw_only=True)
class ImportPage(Page):
    """What is asked: a file, and what its rows are."""

    form: Form
    accept: str
    largest: str
    largest_bytes: int
    columns: tuple[Columns, ...]


@dataclass(frozen=True, kw_only=True)
class SheetWaitPage(Page):
    """What is shown while a sheet is looked through or put in."""

    what: str
    of: str
    done: int
    total: int
    here: str


@dataclass(frozen=True)
class PartLink:
    """A part of what a sheet would do: how many lines it has, and where it stands."""

    words: str
    address: str
    shown: bool


@dataclass(frozen=True)
class Line:
    """A line of the preview: its row or cell on the sheet, the entry, a field, what it says and would say."""

    cell: str
    key: str
    field: str
    was: str
    will: str


@dataclass(frozen=True, kw_only=True)
class SheetPage(Page):
    """What a sheet would do. Without `form` it cannot be put in; `refused` is why it was not, the last time."""

    name: str
    summary: str
    refused: str
    parts: tuple[PartLink, ...]
    part: str
    lines: tuple[Line, ...]
    stretch: Stretch
    form: Form | None
    hindrance: str
    anew: str


@dataclass(frozen=True, kw_only=True)
class SheetDonePage(Page):
    """What a sheet did; `change` is None when there was nothing to do, or when it was taken back since."""

    summary: str
    change: ChangeRow | None
    latest: bool
    anew: str


def import_page(notices: tuple[str, ...], kind: str, fault: IndexholeError | None = None) -> ImportPage:
    """What is asked of a sheet."""
    return ImportPage(
        title="Put a spreadsheet in",
        section="Shelf",
        notices=notices,
        form=form("/import", "Show what would change", (KIND_FIELD,), {"kind": kind}, fault),
        accept=",".join(ENDINGS),
        largest=size(LARGEST_BYTES),
        largest_bytes=LARGEST_BYTES,
        columns=tuple(_columns(held) for held in EXCHANGED),
    )


def _columns(kind: type[Record]) -> Columns:
    key = "may be empty for a new one" if kind.LETTERS else "must be there"
    links = (query("/export", kind=kind.WORD, form=ending.lstrip(".")) for ending in ENDINGS)
    return Columns(kind.MANY, f"{kind.KEY} {key}", ", ".join(kind.model_fields), *links)


def sheet_link(sheet: Sheet, **part: Any) -> str:
    """Where a sheet that is held stands."""
    return query("/import/sheet", held=sheet.word, **part)


def wait_page(sheet: Sheet, task: Task[Any]) -> SheetWaitPage:
    """How far a sheet is."""
    carried = task is sheet.carried
    return SheetWaitPage(
        title=f"{'Putting in' if carried else 'Looking through'} {sheet.name}",
        section="Shelf",
        again=query("/import/progress", held=sheet.word),
        what="being put in, as one change" if carried else "being looked through; nothing is changed yet",
        of="entries" if carried else "rows",
        done=task.done,
        total=task.total,
        here=sheet_link(sheet),
    )


def sheet_page(
    sheet: Sheet,
    plan: Plan[Any],
    part: str,
    number: int,
    values: Mapping[str, Any] | None = None,
    fault: IndexholeError | None = None,
) -> SheetPage:
    """What a sheet would do; of its parts the one asked for, else the first that says something."""
    changed = [(entry, field) for entry in plan.changed for field in entry.fields]
    totals = {"faults": len(plan.faults), "changed": len(changed), "added": len(plan.added)}
    shown = part if totals.get(part) else next((name for name in _PARTS if totals[name]), "")
    at = stretch(number, totals.get(shown, 0), lambda n: sheet_link(sheet, part=shown, page=n) + "#lines", A_PAGE)
    some = slice((at.number - 1) * A_PAGE, at.number * A_PAGE)
    lines: tuple[Line, ...] = ()
    if shown == "faults":
        lines = tuple(Line(fault.cell, "", fault.name, "", sentence(fault.what)) for fault in plan.faults[some])
    elif shown == "changed":
        lines = tuple(
            Line(str(entry.row), entry.before.key, name, cell_text(was), cell_text(will))
            for entry, (name, was, will) in changed[some]
        )
    elif shown == "added":
        lines = tuple(
            Line(str(row), record.key, "", "", _whole(record))
            for row, record in zip(plan.added_rows[some], plan.added[some], strict=True)
        )
    words = {
        "faults": plural(len(plan.faults), "faulty cell"),
        "changed": f"{plural(len(changed), 'field')} changed",
        "added": f"{plural(len(plan.added), plan.kind.WORD)} added",
    }
    hindrance = _hindrance(plan)
    drawn = form(sheet_link(sheet), "Put it in", SIGN_FIELDS, values, fault)
    signed = replace(drawn, hidden=(("looked", str(sheet.looked)),))
    return SheetPage(
        title=f"What {sheet.name} would change",
        section="Shelf",
        name=sheet.name,
        summary=_summary(plan, "would be "),
        refused=fault_and_remedy(sheet.refused) if sheet.refused else "",
        parts=tuple(PartLink(words[n], sheet_link(sheet, part=n), n == shown) for n in _PARTS if totals[n]),
        part=shown,
        lines=lines,
        stretch=at,
        form=None if hindrance else signed,
        hindrance=hindrance,
        anew=query("/import", kind=plan.kind.WORD),
    )


def _hindrance(plan: Plan[Any]) -> str:
    if plan.faults:
        return "Nothing is put in while a cell is faulty. Mend the sheet where it was written, and choose it again."
    if not (plan.added or plan.changed):
        return "The sheet says nothing that the shelf does not say already, so there is nothing to put in."
    return ""


def _summary(plan: Plan[Any], verb: str) -> str:
    new, edited = plural(len(plan.added), plan.kind.WORD), count(len(plan.changed))
    return f"{new} {verb}added, {edited} changed and {count(plan.unchanged)} left as they are."


def _whole(record: Record) -> str:
    """Everything a new entry says, field by field."""
    said = record.model_dump(exclude_defaults=True, exclude={record.KEY})
    text = "; ".join(f"{name}: {cell_text(value)}" for name, value in said.items() if value not in (None, ""))
    return text if len(text) <= 1000 else f"{text[:997]}..."


def done_page(sheet: Sheet, plan: Plan[Any], change: Change | None, latest: bool) -> SheetDonePage:
    """What a sheet did."""
    return SheetDonePage(
        title=f"{sheet.name} is put in",
        section="Shelf",
        summary=_summary(plan, ""),
        change=change_row(change) if change else None,
        latest=latest,
        anew=query("/import", kind=plan.kind.WORD),
    )
