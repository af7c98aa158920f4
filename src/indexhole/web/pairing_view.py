"""The Pairing pages as data: the matrix, one budget with its sliders, and the show plan."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

from indexhole.jobs.pairing import Answer, Cell, Heading, Matrix, Question
from indexhole.jobs.pairing_plan import Checked
from indexhole.jobs.pairing_report import (
    HOST_WORDS,
    chance_words,
    fact_words,
    margin_words,
    plain,
    proof_words,
    risk_words,
    weak_facts,
    what_is_asked,
)
from indexhole.jobs.pairing_stock import Stock
from indexhole.pairing.parts import OPERATIONS
from indexhole.standards.classes import load_classes
from indexhole.standards.layouts import load_layouts
from indexhole.web.charts import Figure
from indexhole.web.faults import sentence
from indexhole.web.links import disk_link, mechanism_link, trial_link
from indexhole.web.pairing_charts import budget_chart, margin_charts
from indexhole.web.view import Page
from indexhole.web.words import number, percent, plural, query

BUDGET = "/pairing/budget"
OPERATION_TITLES = {
    "read": "read: what the disk holds",
    "update": "update: rewrite sectors in place",
    "format": "format, and read back",
    "exchange": "exchange: written here, read there",
}
_NO_CLASS = "class not noted"

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
class CellView:
    """A cell: predicted word with its chance, what trials proved and when, and the way to its budget."""

    link: str
    verdict: str
    chance: str
    proven: str
    when: str
    differs: str
    label: str
    fits: bool


@dataclass(frozen=True)
class RowView:
    """A row of the matrix."""

    name: str
    title: str
    link: str
    cells: tuple[CellView, ...]


@dataclass(frozen=True)
class GroupView:
    """Rows of one disk class, with the columns that anything of it goes into."""

    title: str
    anchor: str
    columns: tuple[tuple[str, int], ...]
    heads: tuple[tuple[str, str, str], ...]
    rows: tuple[RowView, ...]
    left_out: str


@dataclass(frozen=True)
class DiffersView:
    """Where prediction and trials disagree."""

    words: str
    link: str
    trials: tuple[tuple[str, str], ...]


@dataclass(frozen=True, kw_only=True)
class MatrixPage(Page):
    """The matrix, or that it is being reckoned."""

    choices: tuple[Choice, ...]
    row_word: str = ""
    outcome: str = ""
    differs: tuple[DiffersView, ...] = ()
    groups: tuple[GroupView, ...] = ()
    host_words: str = f"{HOST_WORDS}."
    fault: str = ""
    reckoning: bool = False


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


def class_choice(disk_class: str) -> Choice:
    """The choice of one disk class, or all."""
    options = (("", "all classes"), *((name, c.title) for name, c in load_classes().items()))
    return Choice("disk_class", "Class", options, disk_class)


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


# the matrix


def matrix_page(matrix: Matrix, choices: tuple[Choice, ...], told: tuple[str, ...]) -> MatrixPage:
    """The matrix as shown, grouped by disk class."""
    cells = matrix.cells.values()
    tried = sum(cell.proof is not None for cell in cells)
    words = [f"{n} {word}" for word in ("works", "doubtful", "fails", "unproven") if (n := _count(matrix, word))]
    groups = dict.fromkeys(row.group for row in matrix.rows)
    return MatrixPage(
        title="Pairing",
        section="Pairing",
        told=told,
        choices=choices,
        row_word=matrix.row_word,
        outcome=f"{plural(len(cells), 'pairing')}: {', '.join(words)}. {tried} of them tried at the bench.",
        differs=tuple(_differs_view(cell) for cell in matrix.ordered() if cell.differs),
        groups=tuple(_group_view(matrix, group, k) for k, group in enumerate(groups)),
    )


def _count(matrix: Matrix, word: str) -> int:
    return sum(cell.verdict == word and cell.fits for cell in matrix.cells.values())


def _differs_view(cell: Cell) -> DiffersView:
    trials = cell.proof.trials if cell.proof else ()
    return DiffersView(
        f"{cell.row} with {cell.column}: {cell.differs}.",
        budget_link(cell.question),
        tuple((t, trial_link(t)) for t in trials),
    )


def _group_view(matrix: Matrix, group: str, k: int) -> GroupView:
    rows = [row for row in matrix.rows if row.group == group]
    shown = [c for c in matrix.columns if any(matrix.cells[r.name, c.name].fits for r in rows)]
    left_out = [c.name for c in matrix.columns if c not in shown]
    classes = dict.fromkeys(c.group for c in shown)
    return GroupView(
        title=class_title(group),
        anchor=f"class-{k}",
        columns=tuple((class_title(c), sum(h.group == c for h in shown)) for c in classes),
        heads=tuple((h.name, h.title, mechanism_link(h.name)) for h in shown),
        rows=tuple(_row_view(matrix, row, shown) for row in rows),
        left_out=f"{_what(matrix)} into {', '.join(left_out)}." if left_out else "",
    )


def _what(matrix: Matrix) -> str:
    return "What they record does not go" if matrix.row_word == "writer" else "They do not go"


def class_title(name: str) -> str:
    """A disk class in words."""
    held = load_classes().get(name)
    return held.title if held else _NO_CLASS


def _row_view(matrix: Matrix, row: Heading, columns: Sequence[Heading]) -> RowView:
    link = mechanism_link(row.name) if matrix.row_word == "writer" else disk_link(row.name)
    cells = tuple(_cell_view(matrix.cells[row.name, column.name]) for column in columns)
    return RowView(row.name, row.title, link, cells)


def _cell_view(cell: Cell) -> CellView:
    chance = "" if cell.chance is None or not cell.fits else percent(cell.chance)
    proof = cell.proof
    proven = f"tried: {proof.verdict}" if proof else ""
    label = f"{cell.row} with {cell.column}: {cell.verdict} {chance}. {cell.why}"
    return CellView(
        link=budget_link(cell.question),
        verdict=cell.verdict,
        chance=chance,
        proven=proven,
        when=proof.when if proof else "",
        differs="differs" if cell.differs else "",
        label=label,
        fits=cell.fits,
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
        remedies=tuple((sentence(r.words), chance_words(r.chance, r.chance_error)) for r in budget.remedies)
        if remedies
        else None,
        notes=tuple(map(sentence, budget.notes)),
    )


def risk_view(answer: Answer) -> RiskView:
    """The risk to the disk."""
    risk = answer.budget.risk
    return RiskView(
        write=risk.write,
        read=risk.read,
        words=sentence(risk_words(answer.budget)),
        reasons=tuple(map(sentence, risk.words)),
        grave=risk.write == "never" or risk.read != "none",
        defers=risk.read != "none",
    )


def budget_page(stock: Stock, asked: Question, answer: Answer | None, fault: str, told: tuple[str, ...]) -> BudgetPage:
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
        return BudgetPage(title="One pairing", section="Pairing", told=told, fault=fault, back=back, **form)  # type: ignore[arg-type]
    setup, proof = answer.setup, answer.proof
    return BudgetPage(
        title=f"{setup.disk.name or 'An unrecorded disk'} with {setup.reader.name}",
        section="Pairing",
        told=told,
        back=back,
        asked=sentence(what_is_asked(answer)),
        layout=setup.layout.id,
        host=setup.reader.host.name or "not known",
        writer_said=setup.writer_said,
        risk=risk_view(answer),
        answer=answer_view(answer, remedies=True),
        proven=proof_words(proof),
        proven_verdict=proof.verdict if proof else "unproven",
        trials=tuple((t, trial_link(t)) for t in proof.trials) if proof else (),
        differs=sentence(answer.differs),
        evidence=tuple(sentence(plain(e)) for e in answer.budget.evidence),
        assumed=tuple(map(sentence, setup.assumed)),
        weak=tuple(map(fact_words, weak_facts(answer.budget))),
        **form,  # type: ignore[arg-type]
    )


def _typed(value: float | None) -> str:
    return "" if value is None else f"{value:g}"


# the plan


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
