"""The show plan as data for its page."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

from indexhole.jobs.pairing.asking import Question
from indexhole.jobs.pairing.plan import Checked
from indexhole.jobs.pairing.report import proof_words, what_is_asked
from indexhole.jobs.typography import plain
from indexhole.web.drawing.view import Page
from indexhole.web.drawing.words import number, plural
from indexhole.web.forms.faults import sentence
from indexhole.web.pages.pairing.pairing_view import budget_link


@dataclass(frozen=True)
class StepView:
    """A step of the plan."""

    name: str
    what: str
    link: str
    verdict: str
    proven: str
    alarms: tuple[str, ...]
    remarks: tuple[str, ...]
    note: str


@dataclass(frozen=True, kw_only=True)
class PlanPage(Page):
    """The show plan: the form, and the steps when there is a plan."""

    text: str
    months: str
    on: str
    heading: str
    fault: str = ""
    outcome: str = ""
    steps: tuple[StepView, ...] = ()


def step_view(one: Checked) -> StepView:
    """A step as shown."""
    setup = one.answer.setup
    writer = "" if setup.operation == "format" else setup.writer.name
    asked = Question(setup.operation, writer, one.step.disk, one.step.reader, one.step.host, one.step.layout)
    return StepView(
        name=one.step.step,
        what=sentence(what_is_asked(one.answer)),
        link=budget_link(asked),
        verdict=one.answer.budget.verdict,
        proven=f"{proof_words(one.answer.proof)}.",
        alarms=tuple(sentence(plain(words)) for words in one.alarms),
        remarks=tuple(sentence(plain(words)) for words in one.remarks),
        note=one.step.note,
    )


def plan_outcome(checked: Sequence[Checked], months: int, day: date) -> str:
    """The outcome in a sentence."""
    open_steps = sum(bool(one.alarms) for one in checked)
    total = plural(len(checked), "step")
    state = f"{number(open_steps)} of {total} need attention" if open_steps else f"All {total} are proven"
    return f"{state}, as of {day.isoformat()}, for trials of the last {plural(months, 'month')}."
