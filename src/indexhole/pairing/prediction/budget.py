"""The margin budget of a writer, a disk and a reader.

What others call, here and in the modules beside it:

    parts      mechanism(name, drive_class, controller, ...) -> Mechanism; medium(name, disk_class, ...) -> Medium;
               Host, Climate, Conditions, WhatIf, OPERATIONS
    answer     Budget, Term, Fact, Curve, Remedy, Risk, GROUPS
    budget     budget(writer, disk, reader, layout, operation, conditions, beliefs, rng_seed, ...) -> Budget
    passages   outside_drive(disk) -> Mechanism, for a disk that some good drive elsewhere recorded
    evidence   observations(trials) -> Observation...; GaugeReading
    beliefs    Beliefs, NO_BELIEFS
    learning   learn(mechanisms, disks, layouts, observed, gauges, rng_seed) -> Beliefs
    matrix     matrix(writers, disks, readers, layouts, operation, conditions, beliefs, rng_seed) -> Matrix

`layout` is a Layout of standards/layouts.py. Everything is pure: the same arguments give the same answer.
"""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

from indexhole.pairing.parts.answer import Budget, Curve, Group, Remedy, Term, Verdict
from indexhole.pairing.parts.beliefs import NO_BELIEFS, Beliefs
from indexhole.pairing.parts.draws import Streams
from indexhole.pairing.parts.parts import Conditions, Mechanism, Medium, Operation
from indexhole.pairing.prediction import terms
from indexhole.pairing.prediction.compute import FAILS, WORKS, Computation, compute
from indexhole.pairing.prediction.margins import asides_um, farthest_um, room, timing_left
from indexhole.pairing.prediction.outcome import costs
from indexhole.pairing.prediction.passages import Case, Passage, layout_spacing_um
from indexhole.pairing.prediction.remedies import find_remedies
from indexhole.pairing.prediction.risk import risk_of
from indexhole.standards.layouts import Layout

Floats = npt.NDArray[np.float64]

# A thing nobody looked up decides when it moves the chance by more than this.
_DECIDES = 0.5
_MARGIN_DRAWS = 150
SAMPLES = 300


def budget(
    writer: Mechanism,
    disk: Medium,
    reader: Mechanism,
    layout: Layout,
    operation: Operation = "exchange",
    conditions: Conditions | None = None,
    beliefs: Beliefs = NO_BELIEFS,
    rng_seed: int = 0,
    *,
    samples: int = SAMPLES,
    remedies: bool = True,
    alternatives: tuple[Mechanism, ...] = (),
) -> Budget:
    """Will it work, and by what margin?

    Args:
        alternatives: other mechanisms that a remedy may propose as the reader.
        remedies: leave them out for answers in a hurry.
    """
    streams = Streams(rng_seed, samples)
    case = Case(writer, disk, reader, layout, operation, conditions or Conditions(), beliefs, streams)
    computed = compute(case)
    told, curve = _tell(computed)
    chance, error = computed.chance_and_error
    # what fails whether or not a supposition holds is limited by something else
    beside = ("fit", "code and format") if computed.possible and computed.whole.mean() <= FAILS else ()
    limiting = limiting_group(tuple(t for t in told if t.group not in beside))
    verdict, why = _verdict(computed, told, chance, limiting)
    better: tuple[Remedy, ...] = ()
    if remedies:
        better = find_remedies(computed, alternatives)
    names = dict.fromkeys(n for n in (writer.name, reader.name, disk.name) if n)
    return Budget(
        operation=operation,
        verdict=verdict,
        why=why,
        chance=chance,
        chance_error=error,
        samples=samples,
        limiting=limiting,
        terms=told,
        curve=curve,
        remedies=better,
        risk=risk_of(case),
        notes=computed.form.notes,
        evidence=tuple(word for name in names for word in beliefs.words.get(name, ())),
    )


def _tell(computed: Computation) -> tuple[tuple[Term, ...], Curve]:
    case, tracks, form = computed.case, computed.tracks, computed.form
    spacing = layout_spacing_um(tracks)
    rewritten = form.hazard if case.operation == "update" else None
    cost = costs(computed.passages, tracks.sectors, computed.chance, computed.factors, rewritten, spacing)
    # the last passage is the hardest: after a rewrite it is the other one's turn to read
    last = computed.passages[-1]
    few = Passage(last.words, last.draws[:_MARGIN_DRAWS], last.tracks)
    farthest = farthest_um(few, spacing)
    left = room(few, spacing, farthest)
    told = (
        terms.fit_term(computed.fit, cost["fit"]),
        terms.position_term(case, few, left, cost["position"]),
        terms.old_term(computed.assembly, left, cost["old recording"]),
        terms.magnetics_term(case, few, left, cost["magnetics"]),
        terms.timing_term(case, few, left, cost["timing"]),
        terms.format_term(form, cost["code and format"]),
        terms.volume_term(case),
    )
    return told, _curve(computed, few, farthest, timing_left(few, spacing))


def _curve(computed: Computation, few: Passage, farthest: Floats, timing: Floats) -> Curve:
    tracks = computed.tracks
    lost = -np.expm1(-computed.hazards).mean(axis=0)
    if not computed.fit.goes_in:
        tracks, none = tracks.only(np.zeros(len(tracks), bool)), np.zeros(0)
        return Curve(tracks.cylinder, tracks.side, none, none, none, none, none)
    aside = farthest - asides_um(few)
    return Curve(
        tracks.cylinder,
        tracks.side,
        lost,
        aside.mean(axis=0),
        aside.std(axis=0),
        timing.mean(axis=0),
        timing.std(axis=0),
    )


def limiting_group(told: tuple[Term, ...]) -> Group | None:
    """The group that takes most; where none takes anything, the one with least room for its uncertainty."""
    dearest = max(told, key=lambda t: t.cost)
    if dearest.cost > 0.01:
        return dearest.group
    measured = [t for t in told if t.margin is not None and t.uncertainty]
    if not measured:
        return None
    return min(measured, key=lambda t: (t.margin or 0.0) / (t.uncertainty or math.inf)).group


def _verdict(
    computed: Computation, told: tuple[Term, ...], chance: float, limiting: Group | None
) -> tuple[Verdict, str]:
    by_group = {t.group: t for t in told}
    limit = by_group[limiting].words if limiting else ""
    if limiting == "magnetics":
        # the group holds the disk's bad places too: where they take most of it, they are the reason
        takes, spots = terms.bad_places(computed.case, computed.passages[-1])
        limit = spots if spots and takes > by_group["magnetics"].cost / 2 else limit
    if not computed.possible:
        return "fails", "; ".join([*computed.fit.hindrances, *computed.form.hindrances])
    if computed.supposed and computed.whole.mean() > FAILS:
        otherwise = f"else {computed.whole.mean():.0%} of whole disks would come through"
        return "unproven", f"it depends on what is not noted: {'; '.join(computed.supposed)}; {otherwise}"
    if chance <= FAILS:
        return "fails", f"{limiting}: {limit}"
    if chance < WORKS:
        unknown = _what_is_not_known(computed)
        if unknown:
            return "unproven", f"it depends on what is not known: {unknown}"
        return "doubtful", f"{limiting}: {limit}"
    if by_group["volume"].verdict == "fails":
        return "doubtful", by_group["volume"].words
    return "works", f"{limiting} has least room: {limit}" if limiting else "there is room everywhere"


def _what_is_not_known(computed: Computation) -> str:
    """The thing that decides and that nobody has looked up, in words; empty when chance decides."""
    case, under = computed.case, computed.assembly.under
    if under is not None and under.chance < 1:
        there = computed.assembly.case.streams.even("under") < under.chance
        if there.any() and not there.all():
            apart = float(computed.whole[~there].mean() - computed.whole[there].mean())
            if apart > _DECIDES:
                return "whether the disk was bulk-erased before it was recorded"
    missing = [
        m.name or m.drive.title
        for m in case.everyone
        if m.drive.radius_side_0_mm is None or m.drive.read_width_um is None
    ]
    if missing and case.writer.drive.pitch_um != case.reader.drive.pitch_um:
        return f"start radius and head width of {', '.join(missing)}"
    return ""
