"""A diagnosis as lines of plain text, for the command line, the page and paper alike."""

from __future__ import annotations

from indexhole.causes.diagnosis import Cause, Diagnosis
from indexhole.causes.faults import Fault

_NAMED = 8  # trials named of each sort; the JSON has them all
_READABLE = 0.01  # causes below this are left to the JSON


def fault_words(fault: Fault) -> str:
    """One fault in the keeper's words, as `D2.0 misaligned` or `K6 side 0 damaged-band`."""
    side = "" if fault.side is None else f" side {fault.side}"
    return f"{fault.element}{side} {fault.fault}"


def cause_words(cause: Cause) -> str:
    """All faults of a cause, or that none is needed."""
    return " and ".join(map(fault_words, cause.faults)) or "nothing at fault"


def _trials(names: tuple[str, ...]) -> str:
    more = len(names) - _NAMED
    text = " ".join(names[:_NAMED]) or "none"
    return f"{text} and {more} more" if more > 0 else text


def _cause_lines(number: int, cause: Cause) -> list[str]:
    head = f"{number}. {cause_words(cause)}: probability {cause.probability:.2f}"
    if cause.kind_probability > cause.probability + 1e-9:
        head += f" ({cause.kind_probability:.2f} together with what trials cannot tell from it)"
    return [
        head,
        f"   why: {cause.why}",
        f"   for: {_trials(cause.for_trials)}",
        f"   against: {_trials(cause.against_trials)}",
    ]


def next_line(diagnosis: Diagnosis) -> str:
    """The trial to make next, or that none is expected to tell more."""
    trial = diagnosis.next
    if trial is None:
        return "Next: no single trial is expected to tell more; gauge or look inside instead"
    over = f" over {trial.lead}" if trial.lead else ""
    return (
        f"Next: {trial.operation} side {trial.side} of {trial.disk} in {trial.mechanism}{over}, "
        f"cylinders {trial.first_cylinder} to {trial.last_cylinder} "
        f"(expected {trial.expected_bits:.2f} bit; risk: {trial.risk})"
    )


def report_lines(diagnosis: Diagnosis) -> list[str]:
    """The outcome as lines: ranked causes with the trials for and against, who is cleared, what to try next."""
    lines = [f"What is at fault, from {diagnosis.trials} trials"]
    shown = [c for i, c in enumerate(diagnosis.causes) if i == 0 or c.probability >= _READABLE]
    for number, cause in enumerate(shown, start=1):
        lines += _cause_lines(number, cause)
    lines.append(f"Cleared: {', '.join(diagnosis.sound) or 'none'}")
    for mechanism, open_question in diagnosis.unproven_why.items():
        lines.append(f"Unproven: {mechanism}, {open_question}")
    lines.append(next_line(diagnosis))
    return lines
