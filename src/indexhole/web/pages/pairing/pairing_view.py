"""One pairing as data for its page: the question with its form, the budget with its sliders."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from indexhole.jobs.pairing.asking import Answer, Question
from indexhole.jobs.pairing.report import (
    chance_words,
    fact_words,
    margin_words,
    proof_counts,
    risk_words,
    weak_facts,
    what_is_asked,
)
from indexhole.jobs.pairing.stock import Stock
from indexhole.jobs.typography import plain
from indexhole.kinds import every
from indexhole.pairing.parts.parts import OPERATIONS, Operation
from indexhole.standards.layouts import load_layouts
from indexhole.web.drawing.charts import Figure
from indexhole.web.drawing.links import trial_link
from indexhole.web.drawing.view import Page
from indexhole.web.drawing.words import plural, query
from indexhole.web.forms.faults import sentence
from indexhole.web.pages.pairing.pairing_charts import budget_chart, margin_charts

BUDGET = "/pairing/budget"
OPERATION_TITLES: Mapping[Operation, str] = every(
    Operation,
    {
        "read": "read: what the disk holds",
        "update": "update: rewrite sectors in place",
        "format": "format, and read back",
        "exchange": "exchange: written here, read there",
    },
)

Options = tuple[tuple[str, str], ...]


@dataclass(frozen=True)
class Choice:
    """A choice of the form: its name, label, what may be chosen (value, word) and what is."""

    name: str
    label: str
    options: Options
    value: str


@dataclass(frozen=True)
class Slider:
    """A what-if slider; `value` in `unit` on top of what is known."""

    name: str
    label: str
    low: float
    high: float
    step: float
    value: float
    unit: str


@dataclass(frozen=True)
class TermView:
    """A term in words."""

    group: str
    verdict: str
    margin: str
    words: str
    facts: tuple[str, ...]


@dataclass(frozen=True)
class AnswerView:
    """What the sliders change: verdict, chart, margins."""

    verdict: str
    chance: str
    why: str
    limiting: str
    samples: str
    budget: Figure
    margins: tuple[tuple[str, Figure], ...]
    two_sides: bool
    terms: tuple[TermView, ...]
    remedies: tuple[tuple[str, str], ...] | None
    notes: tuple[str, ...]


@dataclass(frozen=True)
class RiskView:
    """The risk to the disk, apart from whether it works."""

    write: str
    read: str
    words: str
    reasons: tuple[str, ...]
    grave: bool
    defers: bool


@dataclass(frozen=True, kw_only=True)
class BudgetPage(Page):
    """One pairing. Without an answer there is the form alone, with what is missing in `fault`."""

    choices: tuple[Choice, ...]
    today: tuple[tuple[str, str, str], ...]
    bulk_erased: bool
    sliders: tuple[Slider, ...]
    fault: str = ""
    asked: str = ""
    layout: str = ""
    host: str = ""
    writer_said: str = ""
    risk: RiskView | None = None
    answer: AnswerView | None = None
    proven: str = ""
    proven_verdict: str = ""
    trials: tuple[tuple[str, str], ...] = ()
    differs: str = ""
    evidence: tuple[str, ...] = ()
    assumed: tuple[str, ...] = ()
    weak: tuple[str, ...] = ()
    back: str = "/pairing"
    stocked: bool = True


# the questions as addresses


def budget_link(asked: Question) -> str:
    """Where a question is answered in full."""
    return query(BUDGET, **question_values(asked))


def question_values(asked: Question) -> dict[str, str]:
    """A question as the values of an address; what is not given stays away."""
    shift = asked.shift
    numbers = {
        "temperature_c": asked.temperature_c,
        "humidity_pct": asked.humidity_pct,
        "warmer_c": shift.temperature_c or None,
        "damper_pct": shift.humidity_pct or None,
        "offset_um": shift.offset_um or None,
        "speed_pct": shift.speed_pct or None,
    }
    return {
        "operation": asked.operation,
        "writer": asked.writer,
        "disk": asked.disk,
        "reader": asked.reader,
        "host": asked.host,
        "layout": asked.layout,
        "bulk_erased": "yes" if asked.bulk_erased else "",
        **{name: "" if value is None else f"{value:g}" for name, value in numbers.items()},
    }


def operation_choice(asked: Question) -> Choice:
    """The choice of what is to be done."""
    return Choice("operation", "To do", tuple((o, OPERATION_TITLES[o]) for o in OPERATIONS), asked.operation)


def question_choices(stock: Stock, asked: Question) -> tuple[Choice, ...]:
    """Everything that can be chosen for one pairing."""
    mechanisms = tuple((m, f"{m} {stock.titles[m]}".rstrip()) for m in stock.all_mechanisms)
    disks = tuple((d, f"{d} {stock.titles[d]}".rstrip()) for d in stock.all_disks)
    hosts = tuple((h, f"{h} {stock.titles[h]}".rstrip()) for h in stock.hosts)
    layouts = tuple((name, name) for name in load_layouts())
    return (
        operation_choice(asked),
        Choice("writer", "Writer", (("", "as the shelf tells"), *mechanisms), asked.writer),
        Choice("disk", "Disk", (("", "an unrecorded one"), *disks), asked.disk),
        Choice("reader", "Reader", (("", ""), *mechanisms), asked.reader),
        Choice("host", "Host of the reader", (("", "as last tried"), *hosts), asked.host),
        Choice("layout", "Layout", (("", "the disk’s own"), *layouts), asked.layout),
    )


def sliders(asked: Question) -> tuple[Slider, ...]:
    """The what-if sliders. Their reach is our own choice: a cold cellar to a hot attic, a head far out of place."""
    shift = asked.shift
    return (
        Slider("warmer_c", "Warmer", -20, 20, 0.5, shift.temperature_c, "°C"),
        Slider("damper_pct", "Damper", -50, 50, 1, shift.humidity_pct, "% RH"),
        Slider("offset_um", "Reader’s head outward", -200, 200, 2, shift.offset_um, "µm"),
        Slider("speed_pct", "Reader faster", -5, 5, 0.1, shift.speed_pct, "%"),
    )


# one pairing


def answer_view(answer: Answer, *, remedies: bool) -> AnswerView:
    """What the sliders change."""
    budget = answer.budget
    return AnswerView(
        verdict=budget.verdict,
        chance=chance_words(budget.chance, budget.chance_error),
        why=sentence(plain(budget.why)),
        limiting=budget.limiting or "nothing",
        samples=plural(budget.samples, "draw"),
        budget=budget_chart(budget),
        margins=margin_charts(budget.curve),
        two_sides=bool(len(budget.curve.side)) and bool((budget.curve.side == 1).any()),
        terms=tuple(
            TermView(t.group, t.verdict, margin_words(t), sentence(plain(t.words)), tuple(map(fact_words, t.facts)))
            for t in budget.terms
        ),
        remedies=tuple((sentence(plain(r.words)), chance_words(r.chance, r.chance_error)) for r in budget.remedies)
        if remedies
        else None,
        notes=tuple(sentence(plain(note)) for note in budget.notes),
    )


def risk_view(answer: Answer) -> RiskView:
    """The risk to the disk."""
    risk = answer.budget.risk
    return RiskView(
        write=risk.write,
        read=risk.read,
        words=sentence(risk_words(answer.budget)),
        reasons=tuple(sentence(plain(words)) for words in risk.words),
        grave=risk.write == "never" or risk.read != "none",
        defers=risk.read != "none",
    )


def budget_page(
    stock: Stock, asked: Question, answer: Answer | None, fault: str, notices: tuple[str, ...]
) -> BudgetPage:
    """One pairing as shown."""
    today = (
        ("temperature_c", "Temperature today, °C", _typed(asked.temperature_c)),
        ("humidity_pct", "Relative humidity today, %", _typed(asked.humidity_pct)),
    )
    form = {
        "choices": question_choices(stock, asked),
        "today": today,
        "bulk_erased": asked.bulk_erased,
        "sliders": sliders(asked),
    }
    back = query("/pairing", operation=asked.operation)
    if answer is None:
        stocked = bool(stock.all_mechanisms)
        return BudgetPage(
            title="One pairing",
            section="Pairing",
            notices=notices,
            fault=fault,
            back=back,
            stocked=stocked,
            **form,  # type: ignore[arg-type]
        )
    setup, proof = answer.setup, answer.proof
    return BudgetPage(
        title=f"{setup.disk.name or 'An unrecorded disk'} with {setup.reader.name}",
        section="Pairing",
        notices=notices,
        back=back,
        asked=sentence(what_is_asked(answer)),
        layout=setup.layout.id,
        host=setup.reader.host.name or "not known",
        writer_said=plain(setup.writer_said),
        risk=risk_view(answer),
        answer=answer_view(answer, remedies=True),
        # the verdict stands before it as a mark
        proven=proof_counts(proof),
        proven_verdict=proof.verdict if proof else "unproven",
        trials=tuple((t, trial_link(t)) for t in proof.trials) if proof else (),
        differs=sentence(plain(answer.differs)),
        evidence=tuple(sentence(plain(e)) for e in answer.budget.evidence),
        assumed=tuple(sentence(plain(words)) for words in setup.assumed),
        weak=tuple(map(fact_words, weak_facts(answer.budget))),
        **form,  # type: ignore[arg-type]
    )


def _typed(value: float | None) -> str:
    return "" if value is None else f"{value:g}"
