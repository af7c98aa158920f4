"""The Bench page as data: the next attempt with the set-up of the last, and the log of trials, newest first."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from indexhole.errors import IndexholeError
from indexhole.shelf.records.quick_entry import Draft, Understood
from indexhole.shelf.records.records import Disk, Mechanism, Unit
from indexhole.shelf.records.shown import fields_of
from indexhole.shelf.views.likeness import Likeness
from indexhole.shelf.views.listing import Trials, TrialsOf, choices_of, trials_with
from indexhole.shelf.views.next_name import next_trial
from indexhole.web.drawing.cautions import Caution, cautions_for
from indexhole.web.drawing.links import disk_link, unit_link
from indexhole.web.drawing.trial_view import TrialRow, trial_row
from indexhole.web.drawing.view import Page
from indexhole.web.drawing.words import count, percent, plural, query
from indexhole.web.forms.fields import LOG_FIELDS
from indexhole.web.forms.forms import MOST_CHOICES, Form, FormField, form
from indexhole.web.pages.shelf.shelf_pages import ChangeRow, Stretch, change_row, stretch
from indexhole.web.serving.site import Site

LOG_ROWS = 50
_OPERATIONS = (("read", "read"), ("write", "write and verify"), ("format", "format"))
_NUMBERS = ("side", "first_cylinder", "last_cylinder", "sectors_tried")
_EXAMPLES = (
    "dual 130 mm drive, parallel bus, given by a shipping office 1998, two filter caps bulging",
    "130-48 disk, label: tide tables 1986, irreplaceable, creased",
    "lead for two drives, 34 way, found in shelf B2",
)


@dataclass(frozen=True, kw_only=True)
class BenchPage(Page):
    """The Bench: `ready` is false while there is nothing to make a trial with."""

    ready: bool
    form: Form
    rows: tuple[TrialRow, ...]
    outcome: str
    stretch: Stretch
    narrowed: str
    last: ChangeRow | None
    cautions: tuple[Caution, ...]


@dataclass(frozen=True)
class Same:
    """Something that may be the same thing."""

    key: str
    link: str
    title: str
    why: str


@dataclass(frozen=True, kw_only=True)
class TakeInPage(Page):
    """One line of text and the draft it makes; without a draft there is only the line."""

    line: str
    fault: str
    examples: tuple[str, ...]
    draft: Draft | None
    kind: str
    understood: tuple[tuple[str, str, str], ...]
    same: tuple[Same, ...]


def trial_fields(site: Site) -> tuple[FormField, ...]:
    """What is asked of one attempt, in the order of the hand: what with what first, the outcome last."""
    known = choices_of(site.shelf, MOST_CHOICES + 1)
    return (
        FormField("operation", "Operation", "choice", options=_OPERATIONS, required=True),
        FormField("mechanism", "Mechanism", "choice", options=known.mechanisms, required=True),
        FormField("disk", "Disk", "choice", options=known.disks, required=True),
        FormField("side", "Side", "choice", options=(("0", "0"), ("1", "1")), required=True),
        FormField("first_cylinder", "First cylinder", "number", required=True),
        FormField("last_cylinder", "Last cylinder", "number", required=True),
        FormField("sectors_tried", "Sectors tried", "number", required=True),
        FormField("sectors_failed", "Sectors failed", "number", "or press one of the outcomes below"),
        FormField("host", "Host", "choice", options=known.hosts),
        FormField("lead", "Lead", "choice", options=known.leads),
        FormField(
            "note",
            "Note",
            help="an odd set-up is weighed: on a slope, on its side, cold from the car, or set-up: anything",
        ),
        FormField("trial", "Trial", help="a name of its own", required=True),
        FormField("when", "When", required=True),
    )


def next_values(site: Site, asked: Mapping[str, str]) -> dict[str, Any]:
    """What stands in the form: the set-up of the newest trial, a new name, this minute; `asked` goes before it."""
    newest = trials_with(site.shelf, most=1, sums=False).rows
    values: dict[str, Any] = {"operation": "read", "side": "0"}
    if newest:
        kept = newest[0]
        values = {name: getattr(kept, name) for name in ("operation", "mechanism", "disk", "host", "lead", *_NUMBERS)}
    values |= {name: value for name, value in asked.items() if value}
    return values | {"trial": next_trial(site.shelf), "when": f"{datetime.now():%Y-%m-%dT%H:%M}"}


def bench_page(
    site: Site,
    notices: tuple[str, ...],
    number: int,
    narrow: Mapping[str, str],
    values: Mapping[str, Any] | None = None,
    fault: IndexholeError | None = None,
    by: str = "",
) -> BenchPage:
    """The page; `narrow` may name a mechanism, a disk, or a unit whose trials are listed, `by` who logs the next."""
    shelf = site.shelf
    mechanism, disk, unit = (narrow.get(name, "") for name in ("mechanism", "disk", "with_"))
    mechanisms = [mechanism] if mechanism else [m.mechanism for m in shelf.mechanisms_of(unit)] if unit else []
    only = TrialsOf(mechanisms, part=unit, disk=disk)
    sums = site.held(f"sums of {narrow}", lambda held: trials_with(held, only, most=0))
    part = stretch(number, sums.total, lambda n: query("/bench", page=n, **narrow) + "#log", LOG_ROWS)
    found = trials_with(shelf, only, first=(part.number - 1) * LOG_ROWS, most=LOG_ROWS, sums=False)
    last = shelf.changes(1)
    held = {**(next_values(site, narrow) if values is None else values), "by": by}
    return BenchPage(
        title="Bench",
        section="Bench",
        notices=notices,
        ready=shelf.count(Mechanism) > 0 and shelf.count(Disk) > 0,
        form=form(query("/bench", **narrow), "Keep with this count", (*trial_fields(site), *LOG_FIELDS), held, fault),
        rows=tuple(trial_row(trial) for trial in found.rows),
        outcome=_outcome(sums),
        stretch=part,
        narrowed=" and ".join(name for name in (mechanism, unit, disk) if name),
        last=change_row(last[0]) if last else None,
        cautions=cautions_for("disk"),
    )


def _outcome(found: Trials) -> str:
    tried, failed = found.sectors_tried, found.sectors_failed
    text = f"{plural(found.total, 'trial')}: of {plural(tried, 'sector')} tried, {count(failed)} failed"
    return f"{text} ({percent(failed / tried)})." if tried else f"{text}."


def take_in_page(
    line: str, draft: Draft | None, same: list[Likeness], fault: str = "", notices: tuple[str, ...] = ()
) -> TakeInPage:
    """The page of one line; with a draft it shows what was made of each clause."""
    disk = draft is not None and isinstance(draft.record, Disk)
    labels = {one.name: one.shown.label for kind in (Unit, Disk) for one in fields_of(kind)}
    kind = "" if draft is None else draft.record.kind if isinstance(draft.record, Unit) else "disk"
    return TakeInPage(
        title="Take something in",
        section="Bench",
        notices=notices,
        line=line,
        fault=fault,
        examples=_EXAMPLES,
        draft=draft,
        kind=kind,
        understood=tuple(_understood(one, labels) for one in draft.understood) if draft else (),
        same=tuple(Same(s.key, disk_link(s.key) if disk else unit_link(s.key), s.title, s.why) for s in same),
    )


def _understood(one: Understood, labels: Mapping[str, str]) -> tuple[str, str, str]:
    return labels.get(one.field, one.field.replace("_", " ").capitalize()), one.value, one.clause
