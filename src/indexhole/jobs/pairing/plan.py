"""The show plan check: which steps have not been proven lately, are predicted doubtful, or put a disk at risk."""

from __future__ import annotations

import calendar
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any

from indexhole.errors import InputFault, together
from indexhole.jobs.pairing.asking import Answer, Question, answer
from indexhole.jobs.pairing.evidence import Evidence
from indexhole.jobs.pairing.plan_sheet import Step
from indexhole.jobs.pairing.report import chance_words, proof_json, proof_words, what_is_asked
from indexhole.jobs.pairing.stock import Stock
from indexhole.jobs.typography import plain
from indexhole.wording import count_of

_SAMPLES = 400
_WRITES = ("format", "update", "exchange")


@dataclass(frozen=True)
class Checked:
    """One step looked at.

    Attributes:
        step: as planned.
        answer: the pairing reckoned through.
        alarms: what speaks against doing it at a show, the gravest first; empty for a step that is proven.
        remarks: what is worth knowing besides.
    """

    step: Step
    answer: Answer
    alarms: tuple[str, ...]
    remarks: tuple[str, ...]


def months_before(day: date, months: int) -> date:
    """The same day so many months earlier, or the last one of that month."""
    whole = day.year * 12 + day.month - 1 - months
    year, month = divmod(whole, 12)
    if year < 1:
        return date.min
    return date(year, month + 1, min(day.day, calendar.monthrange(year, month + 1)[1]))


def check_plan(
    stock: Stock, evidence: Evidence, steps: Sequence[Step], *, months: int, today: date, where: str = "plan"
) -> tuple[Checked, ...]:
    """Look at every step in order. Who records a disk in one step is its writer in the steps after it.

    Raises InputFault with all steps counted that name what is not on the shelf or cannot be reckoned with.
    """
    since = months_before(today, months).isoformat()
    recorded: dict[str, str] = {}
    known: dict[Question, Answer] = {}
    checked: list[Checked] = []
    faults: list[str] = []
    for step in steps:
        writer = step.writer or ("" if step.operation == "format" else recorded.get(step.disk, ""))
        asked = Question(step.operation, writer, step.disk, step.reader, step.host, step.layout)
        try:
            if step.lead and step.lead not in stock.titles:
                raise InputFault(f"there is no lead {step.lead} on the shelf")
            if asked not in known:
                known[asked] = answer(stock, evidence, asked, samples=_SAMPLES, remedies=False)
            told = known[asked]
        except InputFault as fault:
            faults.append(f"row {step.row}: {fault.what}")
            continue
        if step.operation in _WRITES and step.disk:
            recorded[step.disk] = step.writer if step.operation == "exchange" else step.reader
        checked.append(Checked(step, told, tuple(_alarms(told, since, months)), tuple(_remarks(stock, step, told))))
    if faults:
        raise together(faults, where)
    return tuple(checked)


def _alarms(told: Answer, since: str, months: int) -> list[str]:
    setup, budget, proof = told.setup, told.budget, told.proof
    alarms = []
    if setup.operation in _WRITES and setup.disk.importance == "irreplaceable":
        alarms.append(f"it would write on {setup.disk.name}, which is irreplaceable: use another disk")
    if budget.risk.read == "stop":
        alarms.append(f"even reading {setup.disk.name} is a risk: {'; '.join(budget.risk.words)}")
    if proof is None:
        alarms.append("no trial of it stands on the shelf")
    elif proof.verdict != "works":
        alarms.append(f"trials show {proof_words(proof)}")
    elif proof.when < since:
        alarms.append(f"not proven in the last {months} months: the latest trial is of {proof.when}")
    if budget.verdict != "works":
        alarms.append(f"predicted {budget.verdict}, {chance_words(budget.chance, budget.chance_error)}: {budget.why}")
    return alarms


def _remarks(stock: Stock, step: Step, told: Answer) -> list[str]:
    remarks = []
    names = set(told.proof.trials) if told.proof else set()
    used = [t for t in stock.trials if t.trial in names]
    if used and step.host and all(t.host != step.host for t in used):
        remarks.append(f"the trials were made with {_names(t.host for t in used)}, not with {step.host}")
    if used and step.lead and all(t.lead != step.lead for t in used):
        remarks.append(f"the trials were made over {_names(t.lead for t in used)}, not over {step.lead}")
    if told.budget.risk.read == "some":
        remarks.append(f"reading is some risk to the disk: {'; '.join(told.budget.risk.words)}")
    return [*remarks, *told.budget.notes]


def _names(held: Iterable[str]) -> str:
    return ", ".join(sorted({name or "nothing noted" for name in held}))


def plan_json(checked: Sequence[Checked], *, months: int, today: date) -> dict[str, Any]:
    """The plan as `pair --plan --json` gives it."""
    return {
        "months": months,
        "today": today.isoformat(),
        "steps": [
            {
                "step": one.step.step,
                "operation": one.step.operation,
                "writer": one.answer.setup.writer.name,
                "reader": one.step.reader,
                "disk": one.step.disk,
                "host": one.answer.setup.reader.host.name,
                "lead": one.step.lead,
                "verdict": one.answer.budget.verdict,
                "chance": one.answer.budget.chance,
                "chance_error": one.answer.budget.chance_error,
                "proven": proof_json(one.answer.proof),
                "alarms": list(one.alarms),
                "remarks": list(one.remarks),
            }
            for one in checked
        ],
    }


def plan_lines(checked: Sequence[Checked], *, months: int, today: date) -> list[str]:
    """The plan in words: the outcome, then step by step."""
    open_steps = sum(bool(one.alarms) for one in checked)
    total = count_of(len(checked), "step")
    outcome = f"{open_steps} of {total} need attention" if open_steps else f"all {total} are proven"
    lines = [f"{outcome}, as of {today.isoformat()}, for trials of the last {months} months"]
    for one in checked:
        note = f" ({one.step.note})" if one.step.note else ""
        lines += ["", f"{'! ' if one.alarms else ''}Step {one.step.step}: {what_is_asked(one.answer)}{note}"]
        lines += [f"   {plain(words)}" for words in one.alarms]
        if not one.alarms:
            lines.append(f"   proven: {proof_words(one.answer.proof)}")
        lines += [f"   ({plain(words)})" for words in one.remarks]
    return lines
