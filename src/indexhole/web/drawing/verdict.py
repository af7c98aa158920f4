"""What the diagnosis says of one thing on the shelf, as a verdict with its reasons."""

from __future__ import annotations

from dataclasses import dataclass

from indexhole.causes.faults.hypotheses import Fault
from indexhole.causes.ranking.diagnosis import Cause, Diagnosis
from indexhole.web.drawing.words import percent
from indexhole.wording import listed

# our own choice: above, the trials leave little room; below, they hardly accuse
_FAILS, _DOUBTFUL = 0.9, 0.05


@dataclass(frozen=True)
class Standing:
    """A verdict on one thing and why; `trials` are those that speak for its faults."""

    verdict: str
    why: str
    trials: tuple[str, ...] = ()


WEIGHING = Standing("unproven", "The trials are still being weighed.")
NO_TRIALS = Standing("unproven", "No trial has been made with it.")


def fault_words(fault: Fault) -> str:
    """What is wrong, without the thing it is wrong with: `misaligned`, `worn surface, side 1`."""
    word = fault.fault if fault.fault == "off-speed" else fault.fault.replace("-", " ")
    word = f"{word} ({fault.condition})" if fault.condition else word
    return word if fault.side is None else f"{word}, side {fault.side}"


def verdict_of(element: str, diagnosis: Diagnosis | None, tried: bool, weighing: bool) -> Standing:
    """The verdict on a mechanism, disk, lead or host.

    Args:
        tried: whether any trial names it.
        weighing: whether the diagnosis is still being worked out.
    """
    if not tried:
        return NO_TRIALS
    if diagnosis is None:
        return WEIGHING if weighing else NO_TRIALS
    accusing = [cause for cause in diagnosis.causes if any(f.element == element for f in cause.faults)]
    weight = sum(cause.probability for cause in accusing)
    if weight >= _DOUBTFUL:
        return Standing("fails" if weight >= _FAILS else "doubtful", _accused(element, accusing), _spoken(accusing))
    if element in diagnosis.sound:
        return Standing("works", "The trials clear it.")
    left_open = diagnosis.unproven_why.get(element, "the trials neither clear nor accuse it")
    return Standing("unproven", f"{left_open[0].upper()}{left_open[1:]}.")


def _accused(element: str, accusing: list[Cause]) -> str:
    shares: dict[str, float] = {}
    for cause in accusing:
        for fault in cause.faults:
            if fault.element == element:
                word = fault_words(fault)
                shares[word] = shares.get(word, 0.0) + cause.probability
    ranked = sorted(shares.items(), key=lambda item: -item[1])
    text = listed((f"{word} ({percent(share)})" for word, share in ranked), "or")
    return f"Likely {text}."


def _spoken(accusing: list[Cause]) -> tuple[str, ...]:
    return tuple(dict.fromkeys(trial for cause in accusing for trial in cause.for_trials))[:12]
