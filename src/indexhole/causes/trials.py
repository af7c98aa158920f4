"""Rank what is at fault from trials. The maths and its limits stand in docs/causes.md."""

from __future__ import annotations

from collections.abc import Collection, Sequence

import numpy as np
import numpy.typing as npt

from indexhole.causes.diagnosis import Cause, Diagnosis, NextTrial
from indexhole.causes.engine import explaining_posterior, log_prior, plain_posterior
from indexhole.causes.evidence import Close, Evidence
from indexhole.causes.faults import MECHANISM_FAULTS, Fault, possible_faults, prior_of, told_apart
from indexhole.causes.history import Bench, lay_out
from indexhole.causes.next_trial import best_next_trial, candidate_trials
from indexhole.causes.words import open_questions, why
from indexhole.model.trial import Trial

Floats = npt.NDArray[np.float64]
Hypothesis = frozenset[Fault]
Names = tuple[str, ...]

NONE: Hypothesis = frozenset()
# Which doubles are tried: all among the best singles, and the very best with every other fault.
_PAIRED, _PAIRED_WITH_ALL = 14, 4
_WORTH_A_SUM = -1.0  # nats below which a second fault is not worth a full sum
_LISTED, _LEAST_LISTED = 12, 0.002
_CLOSELY = 14
_SPEAKS = 1.0  # nats a row must differ by to count for or against
_CLEARED = 1 / 3  # a fault is cleared when the trials make it three times less likely than before


def rank_causes(trials: Sequence[Trial], irreplaceable: Collection[str] = (), *, propose: bool = True) -> Diagnosis:
    """Rank what is at fault from trials in order of time.

    Args:
        trials: rows of one bench. Rows without sectors tried say nothing, but still record.
        irreplaceable: disks no write may be proposed on.
        propose: whether to look for the next trial, which takes about as long as the ranking itself.
    """
    candidates = candidate_trials(trials, irreplaceable) if propose else []
    evidence = Evidence(lay_out(trials, candidates))
    hypotheses, likelihood = _weigh(evidence)
    prior = log_prior(hypotheses, prior_of(_faults(evidence.bench)))
    explaining = explaining_posterior(hypotheses, prior, likelihood)
    order = _ranked(hypotheses, explaining)
    closely = {i: evidence.look(hypotheses[i]) for i in order[:_CLOSELY]}
    top = order[0]
    sound, unproven = _cleared(evidence, hypotheses[top], closely[top])
    causes = _causes(evidence, hypotheses, explaining, order, closely)
    return Diagnosis(
        causes=causes,
        other_probability=max(0.0, 1.0 - sum(c.probability for c in causes)),
        sound=sound,
        unproven=tuple(unproven),
        unproven_why=unproven,
        next=_next(evidence, candidates, hypotheses, plain_posterior(prior, likelihood)),
        trials=len(trials),
    )


def _faults(bench: Bench) -> list[Fault]:
    return possible_faults(bench.mechanisms, bench.leads, bench.disks, bench.hosts, bench.sides)


def _weigh(evidence: Evidence) -> tuple[list[Hypothesis], Floats]:
    """Every single fault, the doubles worth trying, and their log likelihoods.

    A second fault that adds nothing to the first is told by a short sum in which the first keeps its unknowns;
    only the others need the full one.
    """
    faults = _faults(evidence.bench)
    likelihood = {NONE: evidence.log_likelihood(NONE)}
    likelihood |= {frozenset({f}): evidence.log_likelihood(frozenset({f})) for f in faults}
    evidence.leave_out_impossible_climates()
    faults.sort(key=lambda f: (-round(likelihood[frozenset({f})], 6), f))
    promising = [f for f in faults if likelihood[frozenset({f})] > likelihood[NONE] + _SPEAKS][:_PAIRED]
    for place, first in enumerate(promising):
        others = faults if place < _PAIRED_WITH_ALL else promising
        close = evidence.look(frozenset({first}))
        for second in others:
            both = frozenset({first, second})
            if both in likelihood or _same_trace(first, second):
                continue
            # These two change what became of writes, or act on whole rows, so there is no short way.
            entangled = second.fault in ("dead-write", "bad-lead")
            added = _WORTH_A_SUM if entangled else evidence.added(close, second)
            if added < _WORTH_A_SUM:
                likelihood[both] = close.log_likelihood + added
            else:
                likelihood[both] = evidence.log_likelihood(both)
    hypotheses = sorted(likelihood, key=lambda h: (len(h), sorted(h)))
    return hypotheses, np.array([likelihood[h] for h in hypotheses])


def _same_trace(first: Fault, second: Fault) -> bool:
    """Whether two faults are one, or two names for much the same traces of one element."""
    alike = {"misaligned", "old-recording-underneath"}, {"worn-surface", "damaged-band", "wrong-medium"}
    same_names = any({first.fault, second.fault} <= names for names in alike)
    return first == second or (first.element == second.element and same_names and first.side == second.side)


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
    causes: list[Cause] = []
    for i in order[:_LISTED]:
        if weight[i] < _LEAST_LISTED and i != order[0]:
            break
        rival = next((j for j in order if j != i and j in closely), i)
        speaks_for, speaks_against = _speaking(evidence.bench, closely[i].rows, closely[rival].rows, nothing)
        ways = told_apart(hypotheses[i])
        causes.extend(
            Cause(
                faults=way,
                probability=float(weight[i]) / len(ways),
                kind_probability=float(weight[i]),
                for_trials=speaks_for,
                against_trials=speaks_against,
                why=why(evidence.bench, way, closely[i].magnitudes),
            )
            for way in ways
        )
    return tuple(causes)


def _speaking(bench: Bench, mine: Floats, rival: Floats, nothing: Floats) -> tuple[Names, Names]:
    """Trials for and against, strongest first: each row's log likelihood against the best rival and a sound bench."""
    better, worse = mine - np.minimum(rival, nothing), np.maximum(rival, nothing) - mine
    against = np.flatnonzero(worse > _SPEAKS)
    in_favour = np.flatnonzero((better > _SPEAKS) & (worse <= _SPEAKS))

    def names(rows: npt.NDArray[np.int64], strength: Floats) -> tuple[str, ...]:
        by_strength = sorted(rows.tolist(), key=lambda r: (-round(float(strength[r]), 1), r))
        return tuple(bench.trials[r].trial for r in by_strength)

    return names(in_favour, better), names(against, worse)


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


def _next(
    evidence: Evidence, candidates: list[Trial], hypotheses: list[Hypothesis], posterior: Floats
) -> NextTrial | None:
    if not candidates:
        return None
    likely = _ranked(hypotheses, posterior)[:_CLOSELY]
    outcomes = np.stack([evidence.look(hypotheses[i]).outcomes for i in likely])
    weight = posterior[likely]
    return best_next_trial(candidates, weight / weight.sum(), outcomes)
