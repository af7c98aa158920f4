"""A diagnosis as lines of plain text, for the command line, the page and paper alike."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from indexhole.causes.faults.hypotheses import Fault
from indexhole.causes.ranking.diagnosis import Cause, Diagnosis, NextTrial
from indexhole.causes.ranking.explain import DECIBELS_A_NAT
from indexhole.causes.ranking.reasons import fault_words, hypothesis_words
from indexhole.model.trials.series import parts_of
from indexhole.model.trials.trial import cylinder_words
from indexhole.wording import count_of

_NAMED = 8  # trials named of each sort; the JSON has them all
ENOUGH = "no trial is needed to know what to do"
DECIBELS_NOTE = (
    "Decibels are against the best rival; a trial that speaks against a sound bench is for a cause even where that "
    "rival explains it better."
)
_GAUGED = 4  # of what was weighed beside the trials
_READABLE = 0.01  # causes below this are left to the JSON


def _trials(names: tuple[str, ...]) -> str:
    more = len(names) - _NAMED
    text = " ".join(names[:_NAMED]) or "none"
    return f"{text} and {more} more" if more > 0 else text


def _either(faults: Sequence[Fault]) -> str:
    """One fault of one element, under all the names that trials leave open."""
    others = [f.fault for f in faults if f.fault != faults[0].fault]
    return fault_words(faults[0]) + "".join(f" or {word}" for word in dict.fromkeys(others))


def _twin_words(causes: Sequence[Cause]) -> str:
    """Explanations that differ only in misaligned or off-speed, in one phrase."""
    words = [_either(faults) for faults in zip(*(cause.faults for cause in causes), strict=True)]
    return ", and ".join(words) or "nothing at fault"


def _with_twins(causes: Sequence[Cause]) -> list[list[Cause]]:
    """Causes parted so that those trials cannot tell from each other stand together, most probable first."""
    found: dict[tuple[Fault, ...], list[Cause]] = {}
    for cause in causes:
        kind = tuple(replace(f, fault="misaligned") if f.fault == "off-speed" else f for f in cause.faults)
        found.setdefault(kind, []).append(cause)
    return list(found.values())


def _worth_reading(diagnosis: Diagnosis) -> list[Cause]:
    return [c for i, c in enumerate(diagnosis.causes) if i == 0 or c.probability >= _READABLE]


def explanations(diagnosis: Diagnosis) -> list[tuple[str, float]]:
    """Explanations worth reading, each with its probability, likeliest first; what trials cannot tell apart is one."""
    together = _with_twins(_worth_reading(diagnosis))
    return [(_twin_words(twins), sum(twin.probability for twin in twins)) for twins in together]


def _each_fault(causes: Sequence[Cause]) -> str:
    """Every fault of several explanations with its own probability, the surest first."""
    share: dict[str, float] = {}
    for twins in _with_twins(causes):
        for faults in zip(*(cause.faults for cause in twins), strict=True):
            words = _either(faults)
            share[words] = share.get(words, 0.0) + sum(twin.probability for twin in twins)
    surest = sorted(share, key=lambda words: -share[words])
    return ", ".join(f"{words} {share[words]:.2f}" for words in surest)


def _weighed(cause: Cause, names: tuple[str, ...]) -> str:
    """Trials with what each says against the best rival, in decibels."""
    decibels = {w.trial: w.nats * DECIBELS_A_NAT for w in cause.weights}
    return _trials(tuple(f"{name} ({round(decibels[name]):+d} dB)" if name in decibels else name for name in names))


def _cause_lines(number: int, twins: Sequence[Cause], *, notes: bool) -> list[str]:
    cause = twins[0]
    return [
        f"{number}. {_twin_words(twins)}: probability {sum(twin.probability for twin in twins):.2f}",
        f"   why: {cause.why if notes else cause.reason}",
        f"   for: {_weighed(cause, cause.for_trials)}",
        f"   against: {_weighed(cause, cause.against_trials)}",
        *(
            f"   {'for' if nats > 0 else 'against'}, by angle: {words} ({round(nats * DECIBELS_A_NAT):+d} dB)"
            for words, nats in cause.by_angle
        ),
        *([f"   unless: {cause.rival_needs}"] if number == 1 and cause.rival_needs else []),
    ]


def trial_line(trial: NextTrial) -> str:
    """One trial to make, what it should tell, what it takes."""
    over = f" over {' and '.join(parts_of(trial.lead))}" if trial.lead else ""
    set_up = f", {trial.set_up}" if trial.set_up else ""
    changes = "".join(
        f", {count_of(number, noun)} to {act}"
        for number, noun, act in ((trial.swaps, "disk", "change"), (trial.lifts, "unit", "lift"))
        if number
    )
    return (
        f"{trial.operation} side {trial.side} of {trial.disk} in {trial.mechanism}{over}{set_up}, "
        f"{cylinder_words(trial.first_cylinder, trial.last_cylinder)} "
        f"(expected {trial.expected_bits:.2f} bit; {trial.minutes:.0f} min{changes}; risk: {trial.risk})"
    )


def next_line(diagnosis: Diagnosis) -> str:
    """The trial to make next, or that none is expected to tell more, or that none is needed."""
    trial = diagnosis.next
    if diagnosis.sure:
        return f"Next: {ENOUGH}{f'; to see more, {trial_line(trial)}' if trial else ''}"
    if trial is None:
        return "Next: no single trial is expected to tell more; gauge or look inside instead"
    return f"Next: {trial_line(trial)}"


def decision_line(diagnosis: Diagnosis) -> str:
    """What to do as things stand, and whether trials could change it; empty without advice."""
    advice = diagnosis.advice
    if advice is None:
        return ""
    return f"To do: {'; '.join(advice.do) or 'nothing'} ({advice.probability:.2f}; {advice.why})"


def plan_lines(diagnosis: Diagnosis) -> list[str]:
    """The next few trials, to be planned anew after each."""
    if not diagnosis.plan:
        return [next_line(diagnosis)]
    minutes = sum(trial.minutes for trial in diagnosis.plan)
    lines = [f"{ENOUGH.capitalize()}; to see more:"] if diagnosis.sure else []
    lines += [f"{number}. {trial_line(trial)}" for number, trial in enumerate(diagnosis.plan, start=1)]
    lines.append(f"About {minutes:.0f} minutes. Plan anew after each: what it shows changes what comes next.")
    cautions = dict.fromkeys(trial.caution for trial in diagnosis.plan if trial.caution)
    return [*lines, *(f"Caution: {caution}" for caution in cautions), decision_line(diagnosis)]


def group_lines(diagnosis: Diagnosis) -> tuple[str, ...]:
    """Causes that no trial parts, where there is more than a drive's place against its speed."""
    return tuple(
        f"No trial here parts {' from '.join(hypothesis_words(h) for h in group.causes)} "
        f"({group.probability:.2f} together): {group.measure}"
        for group in diagnosis.groups
        if len(group.causes) > 1
    )


def gauged_lines(diagnosis: Diagnosis) -> list[str]:
    """What was weighed beside the trials, of the accused first; the JSON has all of it."""
    if not diagnosis.gauged:
        return []
    more = len(diagnosis.gauged) - _GAUGED
    return [f"Gauged: {'; '.join(diagnosis.gauged[:_GAUGED])}{f'; and {more} more' if more > 0 else ''}"]


def report_lines(diagnosis: Diagnosis) -> list[str]:
    """The outcome as lines: ranked causes with the trials for and against, who is cleared, what to try next."""
    lines = [f"What is at fault, from {count_of(diagnosis.trials, 'trial')}"]
    lines += [f"{diagnosis.scope}."] if diagnosis.scope else []
    shown = _worth_reading(diagnosis)
    explanations = _with_twins(shown)
    for number, twins in enumerate(explanations, start=1):
        # explanations of this sort have the same notes, and once is enough
        noted = any(earlier[0].gauge_notes for earlier in explanations[: number - 1])
        lines += _cause_lines(number, twins, notes=not noted)
    if any(w.nats < 0 and w.trial in cause.for_trials[:_NAMED] for cause in shown for w in cause.weights):
        lines.append(DECIBELS_NOTE)
    lines += gauged_lines(diagnosis)
    if len(explanations) > 1 and any(len(cause.faults) > 1 for cause in shown):
        lines.append(f"Each fault by itself: {_each_fault(shown)}")
    lines.append(f"Cleared: {', '.join(diagnosis.sound) or 'none'}")
    for mechanism, open_question in diagnosis.unproven_why.items():
        lines.append(f"Unproven: {mechanism}, {open_question}")
    lines += group_lines(diagnosis)
    if diagnosis.advice is not None:
        lines.append(decision_line(diagnosis))
    lines.append(next_line(diagnosis))
    return lines
