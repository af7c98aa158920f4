"""Answers about pairings as JSON (docs/pairing-report.md has the contract) and in words."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Mapping
from dataclasses import asdict
from typing import Any

from indexhole.jobs.pairing.asking import Answer
from indexhole.jobs.pairing.evidence import Proof
from indexhole.jobs.pairing.matrix import Cell, Matrix
from indexhole.jobs.pairing.stock import OUTSIDE_WORDS
from indexhole.jobs.typography import MINUS, plain
from indexhole.kinds import every
from indexhole.pairing.parts.answer import Budget, Fact, ReadRisk, Term, WriteRisk
from indexhole.pairing.parts.parts import Operation
from indexhole.standards.figures import MARK_WORDS
from indexhole.wording import count_of

_BAR = 30
# marks of figures that nobody should lean on without knowing it
_WEAK = ("MEMORY fair", "MEMORY weak", "OWN", "?")
UNITS = {
    "um": "µm",
    "us": "µs",
    "fraction of the half window": "of the half window",
    "1e-6 per K": "× 10⁻⁶ per K",
    "1e-6 per % RH": "× 10⁻⁶ per % RH",
}
HOST_WORDS = (
    "Each word is for the host as it is: where its controller cannot do the code or the format, the signal can still "
    "be logged and recovered, and the budget says with what chance"
)
OPERATION_WORDS: Mapping[Operation, str] = every(
    Operation,
    {
        "read": "{reader} reads {disk}, recorded by {writer}",
        "format": "{reader} formats {disk} and reads it back",
        "update": "{reader} rewrites sectors of {disk}, laid out by {writer}",
        "exchange": "{writer} records {disk}, {reader} reads it",
    },
)


def answer_json(answer: Answer) -> dict[str, Any]:
    """One pairing, as `pair --json` gives it."""
    setup, budget = answer.setup, answer.budget
    reading = setup.conditions.reading
    return {
        "operation": setup.operation,
        "writer": {"name": setup.writer.name, "drive_class": setup.writer.drive.id, "said": answer.setup.writer_said},
        "disk": setup.disk.name,
        "reader": {"name": setup.reader.name, "drive_class": setup.reader.drive.id},
        "host": setup.reader.host.name,
        "layout": setup.layout.id,
        "conditions": {
            "temperature_c": reading.temperature_c,
            "humidity_pct": reading.humidity_pct,
            "bulk_erased_first": setup.conditions.bulk_erased_first,
            "shift": asdict(setup.conditions.shift),
        },
        "verdict": budget.verdict,
        "why": budget.why,
        "chance": budget.chance,
        "chance_error": budget.chance_error,
        "samples": budget.samples,
        "limiting": budget.limiting,
        "risk": {"write": budget.risk.write, "read": budget.risk.read, "words": list(budget.risk.words)},
        "terms": [asdict(term) for term in budget.terms],
        "remedies": [asdict(remedy) for remedy in budget.remedies],
        "curve": _curve_json(budget),
        "notes": list(budget.notes),
        "evidence": list(budget.evidence),
        "proven": proof_json(answer.proof),
        "differs": answer.differs,
        "assumed": list(setup.assumed),
    }


def _curve_json(budget: Budget) -> list[dict[str, float | int]]:
    curve = budget.curve
    return [
        {
            "cylinder": int(curve.cylinder[k]),
            "side": int(curve.side[k]),
            "failure": float(curve.failure[k]),
            "position_um": float(curve.position_um[k]),
            "position_sd_um": float(curve.position_sd_um[k]),
            "timing": float(curve.timing[k]),
            "timing_sd": float(curve.timing_sd[k]),
        }
        for k in range(len(curve.cylinder))
    ]


def proof_json(proof: Proof | None) -> dict[str, Any] | None:
    """What trials showed, null where there are none."""
    return None if proof is None else {**asdict(proof), "trials": list(proof.trials)}


def matrix_json(matrix: Matrix) -> dict[str, Any]:
    """The whole matrix, where prediction and trials disagree first."""
    return {
        "operation": matrix.operation,
        "rows": [{"name": h.name, "title": h.title, "class": h.group} for h in matrix.rows],
        "columns": [{"name": h.name, "title": h.title, "class": h.group} for h in matrix.columns],
        "cells": [_cell_json(cell) for cell in matrix.ordered()],
    }


def _cell_json(cell: Cell) -> dict[str, Any]:
    return {
        "row": cell.row,
        "column": cell.column,
        "verdict": cell.verdict,
        "chance": cell.chance,
        "chance_error": cell.chance_error,
        "limiting": cell.limiting,
        "why": cell.why,
        "proven": proof_json(cell.proof),
        "expected": cell.expected,
        "differs": cell.differs,
    }


# in words


def what_is_asked(answer: Answer) -> str:
    """The pairing in a sentence without its full stop."""
    setup = answer.setup
    disk = setup.disk.name or "an unrecorded disk"
    return OPERATION_WORDS[setup.operation].format(
        writer=setup.writer.name or OUTSIDE_WORDS, reader=setup.reader.name, disk=disk
    )


def chance_words(chance: float, error: float) -> str:
    """`97.0 ± 0.5 %`; a chance the draws never missed or never met is told as such."""
    if chance in (0.0, 1.0) and error == 0:
        return f"{100 * chance:.0f} %"
    return f"{100 * chance:.1f} ± {max(100 * error, 0.1):.1f} %"


def margin_words(term: Term) -> str:
    """`43 ± 12 µm`, empty where there is nothing to measure."""
    if term.margin is None:
        return ""
    unit = UNITS.get(term.unit, term.unit)
    spread = term.uncertainty or 0.0
    places = 2 if max(abs(term.margin), spread) < 10 and unit not in ("bytes", "cylinders") else 0
    # no minus before a nought
    told = f"{round(term.margin, places) + 0.0:.{places}f}" + (f" ± {spread:.{places}f}" if spread else "")
    if told == "1":
        unit = unit.removesuffix("s") if unit in ("bytes", "cylinders") else unit
    return f"{told.replace('-', MINUS)} {unit}".rstrip()


def fact_words(fact: Fact) -> str:
    """A figure with its unit, source and how sure it is."""
    if fact.value is None:
        return f"{fact.name}: not known" + (f" ({plain(fact.source)})" if fact.source != "not known" else "")
    unit = UNITS.get(fact.unit, fact.unit)
    value = f"{fact.value:g} {unit}".rstrip().replace("-", MINUS, fact.value < 0)
    sure = next((words for mark, words in MARK_WORDS.items() if mark == fact.mark), "not known")
    return f"{fact.name}: {value} ({plain(fact.source)}; {sure})"


def weak_facts(budget: Budget) -> tuple[Fact, ...]:
    """Figures the answer rests on that are remembered, chosen by us, or not known; each once."""
    held = (fact for term in budget.terms for fact in term.facts if fact.mark in _WEAK)
    return tuple({(fact.name, fact.value): fact for fact in held}.values())


def proof_words(proof: Proof | None) -> str:
    """`works, 2026-02-18: 360 sectors in 3 trials, none failed`."""
    return f"{proof.verdict}, {proof_counts(proof)}" if proof else proof_counts(proof)


def proof_counts(proof: Proof | None) -> str:
    """The same without the verdict."""
    if proof is None:
        return "no trial yet"
    trials = count_of(len(proof.trials), "trial")
    failed = f"{proof.failed} failed" if proof.failed else "none failed"
    return f"{proof.when}: {count_of(proof.tried, 'sector')} in {trials}, {failed}"


_WRITE_RISK: Mapping[WriteRisk, str] = every(
    WriteRisk,
    {
        "free": "it may be written on",
        "ask": "writing on it loses what it holds; ask first",
        "never": "never write on it",
    },
)
_READ_RISK: Mapping[ReadRisk, str] = every(
    ReadRisk, {"none": "reading it is no known risk", "some": "reading it is a risk", "stop": "do not read it as it is"}
)


def risk_words(budget: Budget) -> str:
    """The risk to the disk in one sentence without its reasons."""
    return f"{_WRITE_RISK[budget.risk.write]}; {_READ_RISK[budget.risk.read]}"


def answer_lines(answer: Answer) -> Iterator[str]:
    """One pairing told in full."""
    budget = answer.budget
    yield f"{what_is_asked(answer)}, as {answer.setup.layout.id}"
    yield f"   writer: {answer.setup.writer_said}"
    yield f"   host: {answer.setup.reader.host.name or 'not known'}"
    yield ""
    yield f"Risk to the disk: {risk_words(budget)}"
    yield from (f"   {words}" for words in budget.risk.words)
    yield ""
    yield f"Verdict: {budget.verdict}. {plain(budget.why[:1].upper() + budget.why[1:])}"
    yield f"   a whole disk without a lost sector: {chance_words(budget.chance, budget.chance_error)}"
    yield f"   (the ± is of sampling alone, {count_of(budget.samples, 'draw')})"
    yield f"   limited by: {budget.limiting or 'nothing'}"
    yield f"   proven: {proof_words(answer.proof)}"
    if answer.differs:
        yield f"   {answer.differs}"
    yield ""
    yield "What takes the chance away"
    for term in budget.terms:
        yield _term_line(term)
        if term.words:
            yield f"      {plain(term.words)}"
    yield ""
    yield from _list("What helps", (f"{r.words}: {chance_words(r.chance, r.chance_error)}" for r in budget.remedies))
    yield from _list("Expect", map(plain, budget.notes))
    yield from _list("Evidence used", map(plain, budget.evidence))
    yield from _list("Taken for granted", iter(answer.setup.assumed))
    yield from _list("Figures from memory, chosen by us, or not known", map(fact_words, weak_facts(budget)))


def _term_line(term: Term) -> str:
    full = round(_BAR * min(max(term.cost, 0.0), 1.0))
    full = max(full, 1) if term.cost >= 0.005 else full
    bar = "#" * full + "." * (_BAR - full)
    margin = margin_words(term)
    head = f"   {term.group:<16} {term.verdict:<9} |{bar}| {100 * term.cost:5.1f} %"
    return f"{head}  {'margin ' + margin if margin else ''}".rstrip()


def _list(title: str, lines: Iterator[str]) -> Iterator[str]:
    held = list(lines)
    if held:
        yield title
        yield from (f"   {line}" for line in held)
        yield ""


def matrix_lines(matrix: Matrix) -> Iterator[str]:
    """What stands beside the matrix: counts, disagreements, what could not be reckoned."""
    counts = Counter(cell.verdict for cell in matrix.cells.values())
    told = ", ".join(f"{number} {word}" for word, number in sorted(counts.items()))
    proven = sum(cell.proof is not None for cell in matrix.cells.values())
    pairings = count_of(len(matrix.cells), "pairing")
    yield f"{pairings} for the operation {matrix.operation}: {told}; {proven} tried"
    yield HOST_WORDS
    differing = [cell for cell in matrix.ordered() if cell.differs]
    if differing:
        yield "Where prediction and trials disagree"
        for cell in differing:
            trials = ", ".join(cell.proof.trials) if cell.proof else ""
            yield f"   {cell.row} with {cell.column}: {cell.differs} (trials {trials})"


def cell_text(cell: Cell) -> str:
    """A cell in a table of text: predicted verdict with its chance, then what trials showed with the date."""
    # cut, not rounded: a doubtful 89.6 must not read as a 90 that works
    chance = "" if cell.chance is None or cell.verdict in ("fails", "unproven") else f" {int(100 * cell.chance)}%"
    proof = "" if cell.proof is None else f", {cell.proof.verdict} {cell.proof.when}"
    return f"{'! ' if cell.differs else ''}{cell.verdict}{chance}{proof}"
