"""The Fault-finding pages as data: causes ranked, what to try next, and the trial sheet."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from markupsafe import Markup

from indexhole.causes.ranking.diagnosis import Cause, Diagnosis, NextTrial
from indexhole.causes.ranking.explain import DECIBELS_A_NAT
from indexhole.causes.report import DECIBELS_NOTE, group_lines
from indexhole.jobs.faults.causes import Course
from indexhole.jobs.typography import MINUS, plain
from indexhole.model.trials.series import parts_of
from indexhole.model.trials.trial import Trial, cylinder_words
from indexhole.shelf.views.listing import Trials
from indexhole.web.drawing.charts import Figure, probability_bar
from indexhole.web.drawing.links import disk_link, mechanism_link, trial_link, unit_link
from indexhole.web.drawing.trial_view import TrialRow, trial_row
from indexhole.web.drawing.verdict import fault_words
from indexhole.web.drawing.view import Page
from indexhole.web.drawing.words import count, percent, plural
from indexhole.web.forms.faults import sentence
from indexhole.web.forms.forms import Form
from indexhole.web.pages.causes.cause_course import course_figure
from indexhole.web.pages.causes.outcome_routes import proposed_fields, sectors_expected
from indexhole.web.pages.shelf.shelf_pages import Stretch

_SHOWN = 12
PROGRESS = "/causes/progress"


@dataclass(frozen=True)
class Evidence:
    """A trial that speaks for or against, with the place of its row."""

    trial: str
    link: str
    outcome: str
    weight: str


@dataclass(frozen=True)
class FaultView:
    """What is wrong with which thing, and where that thing stands."""

    element: str
    link: str
    words: str


@dataclass(frozen=True)
class CauseView:
    """One cause as shown; the strongest evidence stands open, the rest folded."""

    faults: tuple[FaultView, ...]
    percent: str
    bar: Markup
    twin: str
    why: str
    unless: str
    by_angle: tuple[str, ...]
    for_shown: tuple[Evidence, ...]
    for_more: tuple[Evidence, ...]
    against_shown: tuple[Evidence, ...]
    against_more: tuple[Evidence, ...]


@dataclass(frozen=True)
class NextView:
    """The trial to make next, in words, and what goes along when its outcome is recorded."""

    what: str
    bits: str
    takes: str
    risk: str
    caution: str
    hidden: tuple[tuple[str, str], ...] = ()
    tried: int = 0


@dataclass(frozen=True)
class MechanismWord:
    """A mechanism the trials clear or leave open."""

    name: str
    link: str
    verdict: str
    why: str


@dataclass(frozen=True, kw_only=True)
class CausesPage(Page):
    """The ranking. Without trials there is only the way to add some; `gauging` tells how far captures are gauged.

    `scope` says which trials are weighed where not all are, as `about` and `since` ask.
    """

    trials: int
    weighed: int
    weighing: bool
    fault: str
    causes: tuple[CauseView, ...]
    other: str
    mechanisms: tuple[MechanismWord, ...]
    next: NextView | None
    plan: tuple[NextView, ...]
    decision: str
    sure: bool
    groups: tuple[str, ...]
    gauged: tuple[str, ...]
    decibels: str
    course: Figure | None
    course_coming: bool
    form: Form
    gauging: str = ""
    scope: str = ""
    about: str = ""
    since: str = ""


@dataclass(frozen=True, kw_only=True)
class TrialsPage(Page):
    """The trial sheet, and the ways to add to it."""

    rows: tuple[TrialRow, ...]
    stretch: Stretch
    outcome: str
    form: Form
    import_fault: str


def causes_page(
    number: int,
    trials: Sequence[Trial],
    diagnosis: Diagnosis | None,
    sheet_form: Form,
    notices: tuple[str, ...],
    fault: str = "",
    course: Course | None = None,
) -> CausesPage:
    """The ranking as it stands; without a diagnosis it is still being worked out, and so is a missing course.

    Args:
        number: how many trials there are.
        trials: those the diagnosis was made from; none need be given without one.
    """
    weighing = number > 0 and diagnosis is None and not fault
    return CausesPage(
        title="Fault-finding",
        section="Fault-finding",
        notices=notices,
        again=PROGRESS if weighing else "",
        trials=number,
        weighed=diagnosis.trials if diagnosis else 0,
        weighing=weighing,
        fault=fault,
        causes=_cause_views(diagnosis.causes, trials) if diagnosis else (),
        other=percent(diagnosis.other_probability) if diagnosis and diagnosis.other_probability >= 5e-4 else "",
        mechanisms=_mechanism_words(diagnosis) if diagnosis else (),
        next=_next_view(diagnosis.next, tuple(trials)) if diagnosis and diagnosis.next else None,
        plan=tuple(_next_view(trial) for trial in diagnosis.plan[1:]) if diagnosis else (),
        decision=_decision(diagnosis) if diagnosis else "",
        sure=diagnosis is not None and diagnosis.sure,
        groups=tuple(map(plain, group_lines(diagnosis))) if diagnosis else (),
        gauged=tuple(sentence(plain(line)) for line in diagnosis.gauged) if diagnosis else (),
        scope=diagnosis.scope if diagnosis else "",
        decibels=DECIBELS_NOTE,
        course=course_figure(course) if course else None,
        course_coming=diagnosis is not None and course is None,
        form=sheet_form,
    )


def _cause_views(causes: Sequence[Cause], trials: Sequence[Trial]) -> tuple[CauseView, ...]:
    """The causes in order; one with the reasons of the one above (its twin) does not tell them again."""
    outcomes = {t.trial: f"{t.sectors_failed} of {t.sectors_tried} sectors failed" for t in trials}
    links = {t.disk: disk_link(t.disk) for t in trials} | {t.mechanism: mechanism_link(t.mechanism) for t in trials}
    views = [_cause_view(cause, outcomes, links) for cause in causes]
    for k in range(len(views) - 1, 0, -1):
        if causes[k].why == causes[k - 1].why and causes[k].for_trials == causes[k - 1].for_trials:
            same = "For the same reasons, and by the same trials, as the one above."
            views[k] = replace(
                views[k],
                why=same,
                unless="",
                twin="",
                by_angle=(),
                for_shown=(),
                for_more=(),
                against_shown=(),
                against_more=(),
            )
    return tuple(views)


def _cause_view(cause: Cause, outcomes: dict[str, str], links: dict[str, str]) -> CauseView:
    decibels = {w.trial: f"{round(w.nats * DECIBELS_A_NAT):+d} dB".replace("-", MINUS) for w in cause.weights}

    def evidence(names: Sequence[str]) -> tuple[Evidence, ...]:
        return tuple(Evidence(n, trial_link(n), outcomes.get(n, ""), decibels.get(n, "")) for n in names)

    twins = cause.kind_probability - cause.probability
    twin = (
        f"{percent(cause.kind_probability)} together with the other that trials cannot tell from it"
        if twins > 1e-6
        else ""
    )
    return CauseView(
        faults=tuple(
            FaultView(f.element, links.get(f.element, unit_link(f.element)), fault_words(f)) for f in cause.faults
        ),
        percent=percent(cause.probability),
        bar=probability_bar(cause.probability),
        twin=twin,
        why=plain(cause.why),
        unless=plain(cause.rival_needs),
        by_angle=tuple(_by_angle(words, nats) for words, nats in cause.by_angle),
        for_shown=evidence(cause.for_trials[:_SHOWN]),
        for_more=evidence(cause.for_trials[_SHOWN:]),
        against_shown=evidence(cause.against_trials[:_SHOWN]),
        against_more=evidence(cause.against_trials[_SHOWN:]),
    )


def _by_angle(words: str, nats: float) -> str:
    weight = f"{round(nats * DECIBELS_A_NAT):+d} dB".replace("-", MINUS)
    return f"{'For' if nats > 0 else 'Against'} it, by angle: {plain(words)}, {weight}."


def _mechanism_words(diagnosis: Diagnosis) -> tuple[MechanismWord, ...]:
    sound = [MechanismWord(n, mechanism_link(n), "works", "The trials clear it.") for n in diagnosis.sound]
    unproven = [
        MechanismWord(n, mechanism_link(n), "unproven", sentence(plain(diagnosis.unproven_why.get(n, ""))))
        for n in diagnosis.unproven
    ]
    return (*sound, *unproven)


def _next_view(trial: NextTrial, trials: tuple[Trial, ...] = ()) -> NextView:
    over = f" over lead {' and adapter '.join(parts_of(trial.lead))}" if trial.lead else ""
    verb = {"read": "Read", "write": "Write and verify", "format": "Format"}[trial.operation]
    cylinders = cylinder_words(trial.first_cylinder, trial.last_cylinder)
    where = f"disk {trial.disk}, side {trial.side}, {cylinders}"
    set_up = f", {trial.set_up}" if trial.set_up else ""
    changes = [
        plural(number, word)
        for number, word in ((trial.swaps, "disk to change"), (trial.lifts, "unit to lift"))
        if number
    ]
    return NextView(
        what=f"{verb} {where} in {trial.mechanism}{over}{set_up}.",
        bits=f"{trial.expected_bits:.2f}",
        takes=f"about {max(1, round(trial.minutes))} min" + "".join(f", {change}" for change in changes),
        risk="" if trial.risk == "none" else f"It {trial.risk}.",
        caution=trial.caution,
        hidden=proposed_fields(trial),
        tried=sectors_expected(trial, trials) if trials else 0,
    )


def _decision(diagnosis: Diagnosis) -> str:
    advice = diagnosis.advice
    if advice is None:
        return ""
    done = sentence("; ".join(advice.do) or "nothing need be done")
    return f"{done} {percent(advice.probability)}: {plain(advice.why)}."


def trials_page(
    found: Trials, part: Stretch, drawn: Form, notices: tuple[str, ...], import_fault: str = ""
) -> TrialsPage:
    """The trial sheet or a page of a long one, the newest row last as on paper."""
    tried, failed = found.sectors_tried, found.sectors_failed
    return TrialsPage(
        title="Trial sheet",
        section="Fault-finding",
        notices=notices,
        rows=tuple(trial_row(trial) for trial in found.rows),
        stretch=part,
        outcome=f"{plural(found.total, 'trial')}: of {plural(tried, 'sector')} tried, {count(failed)} failed.",
        form=drawn,
        import_fault=import_fault,
    )
