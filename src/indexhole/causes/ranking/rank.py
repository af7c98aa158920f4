"""Rank what is at fault from trials. The maths and its limits stand in docs/causes.md."""

from __future__ import annotations

import math
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import product

import numpy as np
import numpy.typing as npt

from indexhole.causes.faults.costs import Standing, unit_of
from indexhole.causes.faults.hypotheses import (
    BY_NUMBER,
    KINDS,
    MECHANISM_FAULTS,
    NOTHING_TOLD,
    Fault,
    possible_faults,
    prior_of,
    told_apart,
)
from indexhole.causes.faults.magnitude import Band, WorstAt
from indexhole.causes.likelihood.angle_counts import noted_counts
from indexhole.causes.likelihood.angles import Arrangements
from indexhole.causes.likelihood.conditions import dual_units, set_ups
from indexhole.causes.likelihood.evidence import Close, Evidence
from indexhole.causes.likelihood.gauged import NO_GAUGES, Gauged
from indexhole.causes.likelihood.history import Bench, lay_out, split_aborted
from indexhole.causes.ranking.decisions import Advice, advise
from indexhole.causes.ranking.diagnosis import Cause, Diagnosis, NextTrial
from indexhole.causes.ranking.engine import explaining_posterior, log_prior, plain_posterior
from indexhole.causes.ranking.explain import groups, rival_needs, weights
from indexhole.causes.ranking.next_trial import Focus, candidate_trials, plan_trials
from indexhole.causes.ranking.reasons import gauge_notes, hypothesis_words, open_questions, reason
from indexhole.model.trials.series import joined
from indexhole.model.trials.trial import Trial

Floats = npt.NDArray[np.float64]
Hypothesis = frozenset[Fault]
Names = tuple[str, ...]

NONE: Hypothesis = frozenset()
# Which doubles are tried: all among the best singles, and the very best with every other fault.
_PAIRED, _PAIRED_WITH_ALL = 14, 4
_CAME, _WENT = 0.08, 0.03  # chance that a fault came, or went, while trials were made; our own choice
_SUSPECTED, _GLANCED = 10, 3  # singles that are weighed in every climate, and unknowns by which they are chosen
_REFUTED = -12.0  # nats below no fault at all
_WORTH_A_SUM = -1.0  # nats below which a second fault is not worth a full sum
_LISTED, _LEAST_LISTED = 12, 0.002
_CLOSELY = 14
_ALIKE = 1.1  # probabilities within this factor are told as alike
_AHEAD = 30  # hypotheses that trials ahead are weighed by: at first all faults are about alike likely
_SPEAKS = 1.0  # nats a row must differ by to count for or against
_CLEARED = 1 / 3  # a fault is cleared when the trials make it three times less likely than before


def rank_causes(
    trials: Sequence[Trial],
    irreplaceable: Collection[str] = (),
    *,
    propose: bool = True,
    plan: int = 1,
    gauged: Gauged = NO_GAUGES,
    scratch: Collection[str] = (),
    met: Mapping[str, float] = NOTHING_TOLD,
) -> Diagnosis:
    """Rank what is at fault from trials in order of time.

    Args:
        trials: rows of one bench. Rows without sectors tried say nothing, but still record.
        irreplaceable: disks no write may be proposed on.
        propose: whether to look for the next trial, which takes about as long as the ranking itself.
        plan: how many trials to plan.
        gauged: evidence of other kinds.
        scratch: disks on which a write risks nothing.
        met: by fault word, how often that kind is met on a bench as a whole, where the keeper knows better than
            `faults.py` supposes. Raises InputFault where that cannot be.
    """
    trials = [joined(trial) for trial in trials]
    bench = lay_out(split_aborted(trials))
    gauged = replace(gauged, angles=(*gauged.angles, *noted_counts(trials)))
    evidence = Evidence(bench, gauged)
    weighed = _by_angle(_weigh(evidence, met), gauged)
    hypotheses, likelihood = weighed.hypotheses, weighed.log_likelihood
    prior = log_prior(hypotheses, weighed.prior) + np.log([BY_NUMBER[len(h)] for h in hypotheses])
    explaining = explaining_posterior([_always(h) for h in hypotheses], prior, likelihood)
    order = _ranked(hypotheses, explaining)
    closely = {i: evidence.look(hypotheses[i]) for i in order[:_CLOSELY]}
    top = order[0]
    sound, unproven = _cleared(evidence, hypotheses[top], closely[top])
    causes = _causes(evidence, hypotheses, explaining, order, closely)
    plain = plain_posterior(prior, likelihood)
    ahead = _Ahead.of(weighed, explaining, plain, trials if propose else (), irreplaceable, gauged, closely)
    told = [(hypotheses[i], float(explaining[i])) for i in ahead.likely]
    accused = [f.element for cause in causes for f in cause.faults]
    outcomes = ahead.outcomes if propose else None
    advice = _advice(told, outcomes, closely, ahead.likely, gauged) if propose else None
    planned = ahead.planned(plan, scratch, sure=advice.sure) if advice else ()
    return Diagnosis(
        causes=causes,
        other_probability=max(0.0, 1.0 - sum(c.probability for c in causes)),
        sound=sound,
        unproven=tuple(unproven),
        unproven_why=unproven,
        next=planned[0] if planned else None,
        trials=len(trials),
        advice=advice,
        groups=groups(told, outcomes) if propose else (),
        plan=planned,
        gauged=_accused_first(gauged.words, accused),
    )


def _advice(
    told: list[tuple[Hypothesis, float]],
    outcomes: Floats | None,
    closely: dict[int, Close],
    likely: list[int],
    gauged: Gauged,
) -> Advice:
    """What to do; a drive out of step whose speed was gauged is told as what it most likely is."""
    known = {speed.mechanism for speed in gauged.speeds}

    def parted(fault: Fault, close: Close | None) -> Fault:
        fast = fault.element in known and close is not None and close.off_speed.get(fault, 0.0) > 0.5
        return replace(fault, fault="off-speed") if fast else fault

    hypotheses = [frozenset(parted(f, closely.get(i)) for f in h) for i, (h, _) in zip(likely, told, strict=True)]
    return advise(hypotheses, _scaled(np.array([weight for _, weight in told])), outcomes, known)


def _accused_first(lines: Names, accused: list[str]) -> Names:
    """Lines about the accused first, in the order in which they are accused."""
    return tuple(
        sorted(
            lines, key=lambda line: next((k for k, name in enumerate(accused) if name in line.split()), len(accused))
        )
    )


def _scaled(weight: Floats) -> Floats:
    scaled: Floats = weight / weight.sum()
    return scaled


def _always(hypothesis: Hypothesis) -> Hypothesis:
    """The hypothesis as if its faults had been there all the time, by which subsets are told."""
    return frozenset(f.always for f in hypothesis)


def _faults(bench: Bench) -> list[Fault]:
    return possible_faults(
        bench.mechanisms, bench.leads, bench.disks, (*bench.hosts, *dual_units(bench)), bench.sides, set_ups(bench)
    )


@dataclass(frozen=True)
class _Weighed:
    """Hypotheses with their log likelihoods, shape (hypotheses,), and the prior of every fault in them."""

    hypotheses: list[Hypothesis]
    log_likelihood: Floats
    prior: dict[Fault, float]


def _weigh(evidence: Evidence, met: Mapping[str, float] = NOTHING_TOLD, *, every_pair: bool = False) -> _Weighed:
    """Every single fault, the doubles worth trying, and their log likelihoods.

    A second fault that adds nothing to the first is told by a short sum in which the first keeps its unknowns;
    only the others need the full one. With `every_pair` all pairs get the full sum, which shows what the short way
    loses.
    """
    faults = _faults(evidence.bench)
    prior = prior_of(faults, met)
    likelihood = {NONE: evidence.log_likelihood(NONE)}
    # The most suspected tell which climates are possible. Of leads there is no short sum, so all are suspected.
    nothing = evidence.look(NONE)
    leads = [f for f in faults if f.fault == "bad-lead"]
    others = [f for f in faults if f.fault != "bad-lead"]
    faults = leads + sorted(others, key=lambda f: -evidence.added(nothing, f, _GLANCED))
    suspected = len(leads) + _SUSPECTED
    likelihood |= {frozenset({f}): evidence.log_likelihood(frozenset({f})) for f in faults[:suspected]}
    evidence.leave_out_impossible_noise_regimes()
    likelihood |= {frozenset({f}): evidence.log_likelihood(frozenset({f})) for f in faults[suspected:]}
    shift: dict[Fault, float] = {}
    for k, fault in enumerate(faults):
        changed = _changed(evidence, fault, likelihood[frozenset({fault})])
        if changed is not None:
            faults[k], single, shift[changed[0]] = changed[0], *changed[1:]
            likelihood[frozenset({faults[k]})] = single
            del likelihood[frozenset({fault})]
            prior[faults[k]] = prior[fault]
    faults.sort(key=lambda f: (-round(likelihood[frozenset({f})], 6), f))
    promising = [f for f in faults if likelihood[frozenset({f})] > likelihood[NONE] + _SPEAKS][:_PAIRED]
    if every_pair:
        promising = faults
    seen: set[Hypothesis] = set()
    for place, first in enumerate(promising):
        others = faults if place < _PAIRED_WITH_ALL else promising
        closely = [] if every_pair else [(evidence.look(frozenset({f})), s) for f, s in _ways(first, shift)]
        for second in others:
            both = frozenset({first, second})
            if both in seen or _same_trace(first, second):
                continue
            seen.add(both)
            alone = likelihood[frozenset({second})] - likelihood[NONE]
            if alone < _REFUTED and not every_pair:
                # It would make fail what did not, and no other fault mends that.
                likelihood[both] = likelihood[frozenset({first})] + alone
                continue
            short = -math.inf
            # These two change what became of writes, or act on whole rows, so there is no short way.
            if closely and not KINDS[second.fault].whole_rows:
                short = max(
                    close.log_likelihood + one + evidence.added(close, way) + other
                    for (close, one), (way, other) in product(closely, _ways(second, shift))
                )
            if -math.inf < short < likelihood[frozenset({first})] + _WORTH_A_SUM:
                likelihood[both] = short
                continue
            # What a fault's coming or going explained may be the other one's doing, there all the time.
            told, found = max(
                (
                    (evidence.log_likelihood(frozenset({one, other})) + by_one + by_other, frozenset({one, other}))
                    for (one, by_one), (other, by_other) in product(_ways(first, shift), _ways(second, shift))
                ),
                key=lambda way: way[0],
            )
            likelihood[found] = told
    hypotheses = sorted(likelihood, key=lambda h: (len(h), sorted(h)))
    return _Weighed(hypotheses, np.array([likelihood[h] for h in hypotheses]), prior)


def _ways(fault: Fault, shift: Mapping[Fault, float]) -> tuple[tuple[Fault, float], ...]:
    """A fault as it was told by itself and, if that was with a date, without one; what each shifts a likelihood by."""
    return ((fault, shift[fault]), (fault.always, 0.0)) if fault in shift else ((fault, 0.0),)


def _by_angle(weighed: _Weighed, gauged: Gauged) -> _Weighed:
    """The same with where round the turn sectors failed, which does not depend on how many did."""
    if not gauged.angles:
        return weighed
    arranged = Arrangements(gauged.angles)
    by_angle = np.array([arranged.log_ratio(h) for h in weighed.hypotheses])
    return replace(weighed, log_likelihood=weighed.log_likelihood + by_angle)


def _changed(evidence: Evidence, fault: Fault, steady: float) -> tuple[Fault, float, float] | None:
    """The fault at its likeliest time, where the trials say that it came or went, with its log likelihood.

    The third figure is what its likelihood at that time alone must be shifted by for its chance of coming just then.
    """
    # the coming of the first changes who wrote what ever since; when the other holds, the notes say
    if fault.fault == "dead-write" or fault.condition:
        return None
    best = max(
        (
            (ratio + math.log(chance), below + math.log(chance), changed)
            for chance, (ratio, below, changed) in zip((_CAME, _WENT), evidence.changes(fault), strict=False)
        ),
        default=None,
    )
    steadily = math.log1p(-_CAME - _WENT)
    if best is None or best[0] < steadily:
        return None
    # The ratio only says where to look: both ways are weighed in full, disks and all.
    _, shift, changed = best
    single = evidence.log_likelihood(frozenset({changed})) + shift
    return (changed, single, shift) if single > steady + steadily else None


def _same_trace(first: Fault, second: Fault) -> bool:
    """Whether two faults are one, or two names for much the same traces of one element."""
    alike = KINDS[first.fault].trace == KINDS[second.fault].trace != ""
    return first.always == second.always or (first.element == second.element and alike and first.side == second.side)


def _ranked(hypotheses: list[Hypothesis], weight: Floats) -> list[int]:
    """Indices, most probable first; equals in a fixed order, the simpler before the richer."""
    return sorted(
        range(len(hypotheses)),
        key=lambda i: (-round(float(weight[i]), 9), len(hypotheses[i]), sorted(hypotheses[i])),
    )


def _causes(
    evidence: Evidence,
    hypotheses: list[Hypothesis],
    weight: Floats,
    order: list[int],
    closely: dict[int, Close],
) -> tuple[Cause, ...]:
    nothing = evidence.look(NONE).rows
    arranged = Arrangements(evidence.book.gauged.angles)
    causes: list[Cause] = []
    for i in order[:_LISTED]:
        if weight[i] < _LEAST_LISTED and i != order[0]:
            break
        # One more fault beside these is no rival.
        rivals = (j for j in (*order, _place_of_none(hypotheses)) if j != i and not hypotheses[j] > hypotheses[i])
        rival = next((j for j in rivals if j in closely or not hypotheses[j]), i)
        rival_words = hypothesis_words(hypotheses[rival])
        of_rival = evidence.look(hypotheses[rival]).rows
        speaks_for, speaks_against = _speaking(evidence.bench, closely[i].rows, of_rival, nothing)
        trial_weights = weights(evidence.bench, closely[i].rows, of_rival)
        in_all = float((closely[i].rows - of_rival).sum())
        alike = bool(weight[i] < _ALIKE * weight[rival])
        needs = rival_needs(evidence.bench, trial_weights, in_all, hypotheses[rival], alike=alike)
        against = hypotheses[rival] if rival != i else NONE
        speaking = arranged.speaking(hypotheses[i], against)
        ways = told_apart(hypotheses[i])
        shares = [_share(way, closely[i], evidence) for way in ways]
        causes.extend(
            Cause(
                faults=way,
                probability=float(weight[i]) * share / sum(shares),
                kind_probability=float(weight[i]),
                for_trials=speaks_for,
                against_trials=speaks_against,
                reason=reason(evidence.bench, way, closely[i].magnitudes),
                gauge_notes=gauge_notes(way, evidence.book.gauged),
                weights=trial_weights,
                over=rival_words,
                rival_needs=needs if rival != i else "",
                by_angle=speaking,
            )
            for way, share in sorted(zip(ways, shares, strict=True), key=lambda told: -told[1])
            # Of two that a gauge has parted the less likely is seldom worth a line.
            if share == max(shares) or float(weight[i]) * share / sum(shares) >= _LEAST_LISTED
        )
    return tuple(causes)


def _place_of_none(hypotheses: list[Hypothesis]) -> int:
    return hypotheses.index(NONE)


def _share(way: tuple[Fault, ...], close: Close, evidence: Evidence) -> float:
    """How much of a hypothesis one way to tell it has: half each, unless a gauge parts them."""
    share = 1.0
    for fault in way:
        if fault.fault in ("misaligned", "off-speed"):
            fast = close.off_speed[replace(fault, fault="misaligned")]
            if not evidence.book.gauged.about(fault.element):
                fast = 0.5
            share *= fast if fault.fault == "off-speed" else 1 - fast
    return max(share, 1e-9)


def _speaking(bench: Bench, mine: Floats, rival: Floats, nothing: Floats) -> tuple[Names, Names]:
    """Trials for and against, strongest first: each row's log likelihood against the best rival and a sound bench."""
    better, worse = mine - np.minimum(rival, nothing), np.maximum(rival, nothing) - mine
    against = np.flatnonzero(worse > _SPEAKS)
    in_favour = np.flatnonzero((better > _SPEAKS) & (worse <= _SPEAKS))

    def names(rows: npt.NDArray[np.int64], strength: Floats) -> tuple[str, ...]:
        by_strength = sorted(rows.tolist(), key=lambda r: (-round(float(strength[r]), 1), r))
        return tuple(dict.fromkeys(bench.trials[r].trial for r in by_strength))

    rows_against = names(against, worse)
    return tuple(name for name in names(in_favour, better) if name not in rows_against), rows_against


def _cleared(evidence: Evidence, top: Hypothesis, close: Close) -> tuple[tuple[str, ...], dict[str, str]]:
    """Mechanisms that are cleared, and those that are not with what is left open; the accused are in neither."""
    bench = evidence.bench
    accused = {f.element for f in top}
    sound: list[str] = []
    unproven: dict[str, str] = {}
    for mechanism in bench.mechanisms:
        if mechanism in accused:
            continue
        possible = [
            Fault(mechanism, word, side)
            for word in MECHANISM_FAULTS
            for side in (bench.sides if word == "dirty-head" else (None,))
        ]
        left = [f for f in possible if evidence.added(close, f) > np.log(_CLEARED)]
        if left:
            unproven[mechanism] = open_questions(left)
        else:
            sound.append(mechanism)
    return tuple(sound), unproven


@dataclass(frozen=True)
class _Ahead:
    """What the likeliest causes say of trials that could be made.

    Attributes:
        likely: (kept,) places of the likeliest hypotheses.
        weight: (kept,) how much each counts, sums to one.
        outcomes: (kept, candidates, outcomes).
        standing: what stands on the bench.
    """

    likely: list[int]
    weight: Floats
    candidates: list[Trial]
    outcomes: Floats
    standing: Standing | None

    @classmethod
    def of(
        cls,
        weighed: _Weighed,
        explaining: Floats,
        plain: Floats,
        trials: Sequence[Trial],
        irreplaceable: Collection[str],
        gauged: Gauged,
        closely: dict[int, Close],
    ) -> _Ahead:
        """Look at each likely hypothesis once more, with the candidates beside the trials made."""
        # What explains the trials counts, and so do faults about which they are silent.
        weight = (explaining + plain) / 2
        likely = _ranked(weighed.hypotheses, weight)[:_AHEAD]
        told = [(i, closely[i]) for i in likely if i in closely and explaining[i] > _LEAST_LISTED]
        elements = {f.element for i, _ in told for f in weighed.hypotheses[i]}
        elements |= {t.mechanism for t in trials if unit_of(t.mechanism) in elements}
        magnitudes = {size for _, close in told for size in close.magnitudes.values()}
        bands = sorted((size.first, size.last) for size in magnitudes if isinstance(size, Band))
        noted = {(f.element, f.condition) for i, _ in told for f in weighed.hypotheses[i] if f.condition}
        by_radius = any(isinstance(size, WorstAt) for size in magnitudes)
        focus = Focus(frozenset(elements), tuple(bands[:2]), by_radius, tuple(sorted(noted)))
        candidates = candidate_trials(trials, irreplaceable, focus) if trials else []
        if not candidates:
            return cls(likely, _scaled(weight[likely]), [], np.zeros((len(likely), 0, 3)), None)
        ahead = Evidence(lay_out(split_aborted(trials), candidates), gauged)
        outcomes = np.stack([ahead.look(weighed.hypotheses[i]).outcomes for i in likely])
        return cls(likely, _scaled(weight[likely]), candidates, outcomes, Standing.after(trials[-1]))

    def planned(self, count: int, scratch: Collection[str], *, sure: bool) -> tuple[NextTrial, ...]:
        """The next few trials; where it is sure what to do, nothing that could be missed is written over for more."""
        kept = [k for k, t in enumerate(self.candidates) if not sure or not t.writes or t.disk in scratch]
        candidates = [self.candidates[k] for k in kept]
        return plan_trials(candidates, self.weight, self.outcomes[:, kept], self.standing, count, scratch)
