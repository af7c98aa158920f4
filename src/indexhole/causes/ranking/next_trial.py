"""Which trials to make next: those expected to tell most for their minutes and risk, never a write over what must stay.

All trials possible on the bench are weighed: which mechanism, disk, side and lead, read or write, the whole side or its
outer or inner half or a suspected band. Elements the trials have cleared, or never failed, are left out beyond a few
partners. A plan is made by greedy choice with a look one trial ahead: what the second trial tells counts as what it
adds to the first, and it costs what it costs with things as the first leaves them.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Collection, Sequence
from dataclasses import dataclass
from itertools import product

import numpy as np
import numpy.typing as npt

from indexhole.causes.faults.condition import Condition
from indexhole.causes.faults.costs import LIFTING, Cost, Standing, cost_of, unit_of
from indexhole.causes.likelihood.conditions import conditions_of, note_for
from indexhole.causes.likelihood.history import typical_counts
from indexhole.causes.ranking.diagnosis import NextTrial
from indexhole.causes.ranking.engine import expected_bits
from indexhole.model.trials.trial import Operation, Trial

Floats = npt.NDArray[np.float64]

_MOST_ELEMENTS, _MOST_LEADS = 6, 2  # so that a long register does not make a long wait
_WORTH_BITS = 0.01  # below this a trial tells nothing worth the trouble
_AHEAD = 8  # first trials for which the second is looked at
_MOST_OUTCOMES = 729  # of a plan, kept apart


@dataclass(frozen=True, slots=True)
class Focus:
    """What the likeliest causes name, so that trials are made of these and a few partners.

    Attributes:
        elements: names at fault by some likely cause.
        bands: stretches of cylinders some likely cause points at.
        by_radius: whether some likely cause is worse on a part of the radius.
        noted: elements with set-ups, named in notes, that some likely cause blames.
    """

    elements: frozenset[str] = frozenset()
    bands: tuple[tuple[int, int], ...] = ()
    by_radius: bool = False
    noted: tuple[tuple[str, Condition], ...] = ()

    def conditions_of(self, mechanism: str) -> list[Condition]:
        """Suspected set-ups of a mechanism."""
        return [condition for name, condition in self.noted if name in (mechanism, unit_of(mechanism))]


def _most_telling(trials: Sequence[Trial], field: str, named: frozenset[str]) -> list[str]:
    """Names of the elements under suspicion, then with most failed sectors, then most used, at most a handful.

    With suspects, the partners are the ones that failed least: they tell most.
    """
    failed: Counter[str] = Counter()
    used: Counter[str] = Counter()
    for trial in trials:
        name = str(getattr(trial, field))
        failed[name] += trial.sectors_failed
        used[name] += 1
    sign = 1 if named & used.keys() else -1
    return sorted(used, key=lambda n: (n not in named, sign * failed[n] / used[n], -used[n], n))[:_MOST_ELEMENTS]


def _families(trials: Sequence[Trial]) -> list[list[Trial]]:
    """Trials parted where no disk and no mechanism joins them: what was never tried together may not even fit."""
    family = {name: name for t in trials for name in (("m", t.mechanism), ("d", t.disk))}

    def head(name: tuple[str, str]) -> tuple[str, str]:
        while family[name] != name:
            name = family[name]
        return name

    for trial in trials:
        family[head(("m", trial.mechanism))] = head(("d", trial.disk))
    parted: dict[tuple[str, str], list[Trial]] = {}
    for trial in trials:
        parted.setdefault(head(("d", trial.disk)), []).append(trial)
    return list(parted.values())


def candidate_trials(
    trials: Sequence[Trial], irreplaceable: Collection[str] = (), focus: Focus | None = None
) -> list[Trial]:
    """Trials that could be made next with what is on the bench; no write on an irreplaceable disk."""
    focus = focus or Focus()
    return [candidate for family in _families(trials) for candidate in _candidates(family, irreplaceable, focus)]


def _ranges(first: int, last: int, focus: Focus) -> list[tuple[int, int]]:
    """The whole side, and parts of it where some likely cause is worse on a part."""
    found = [(first, last)]
    if focus.by_radius or focus.bands:
        middle = (first + last) // 2
        found += [(first, middle), (middle + 1, last)]
    found += [(max(a, first), min(b, last)) for a, b in focus.bands]
    return [span for span in dict.fromkeys(found) if span[0] <= span[1]]


def _candidates(trials: Sequence[Trial], irreplaceable: Collection[str], focus: Focus) -> list[Trial]:
    first = min(t.first_cylinder for t in trials)
    last = max(t.last_cylinder for t in trials)
    tried = typical_counts(trials)[0]
    hosts = [h for h, _ in Counter(t.host for t in trials).most_common()]
    hosts = hosts if focus.elements & set(hosts) else hosts[:1]
    sides = sorted({t.side for t in trials})
    operations: tuple[Operation, ...] = ("read", "write")
    return [
        Trial("next", "", operation, host, lead, mechanism, disk, side, *span, tried, 0, note)
        for operation, mechanism, disk, side, lead, host in product(
            operations,
            _most_telling(trials, "mechanism", focus.elements),
            _most_telling(trials, "disk", focus.elements),
            sides,
            _most_telling(trials, "lead", focus.elements)[:_MOST_LEADS],
            hosts[:2],
        )
        if operation == "read" or disk not in irreplaceable
        for span in _ranges(first, last, focus)
        if operation == "read" or span == (first, last)
        # A write under a set-up that may be at fault would leave worse behind than it tells.
        for note in ("", *map(note_for, focus.conditions_of(mechanism) if operation == "read" else ()))
    ]


def _set_up_words(trial: Trial, candidates: Sequence[Trial]) -> str:
    """How a trial is to be set up, where set-ups of its mechanism are suspected."""
    if trial.note:
        return " and ".join(f"as when it {condition.text}" for condition in conditions_of(trial.note))
    suspected = {c for t in candidates if t.note and t.mechanism == trial.mechanism for c in conditions_of(t.note)}
    return " and ".join(sorted(condition.otherwise for condition in suspected))


def _told(candidates: Sequence[Trial], cost: Sequence[Cost], c: int, bits: float) -> NextTrial:
    trial = candidates[c]
    risk = "none"
    if trial.writes:
        risk = f"overwrites side {trial.side} of {trial.disk}: use it only if nothing on it is wanted"
    return NextTrial(
        operation=trial.operation,
        mechanism=trial.mechanism,
        disk=trial.disk,
        side=trial.side,
        lead=trial.lead,
        host=trial.host,
        first_cylinder=trial.first_cylinder,
        last_cylinder=trial.last_cylinder,
        expected_bits=round(bits, 6),
        risk=risk,
        minutes=round(cost[c].minutes, 1),
        swaps=cost[c].swaps,
        lifts=cost[c].lifts,
        caution=LIFTING if cost[c].lifts else "",
        set_up=_set_up_words(trial, candidates),
        note=trial.note,
    )


def _with_known(posterior: Floats, known: Floats, outcomes: Floats) -> Floats:
    """Bits of the outcomes known and of each candidate together, (candidates,)."""
    joint = known[:, None, :, None] * outcomes[:, :, None, :]
    return expected_bits(posterior, joint.reshape(*joint.shape[:2], -1))


def plan_trials(
    candidates: Sequence[Trial],
    posterior: Floats,
    outcomes: Floats,
    standing: Standing | None,
    count: int = 1,
    scratch: Collection[str] = (),
) -> tuple[NextTrial, ...]:
    """The next `count` trials, each the best for its minutes and risk after the ones before it.

    Args:
        posterior: (hypotheses,), sums to one.
        outcomes: (hypotheses, candidates, outcomes), the chance of each outcome.
        standing: what stands on the bench now.
        scratch: disks on which a write risks nothing.
    """
    plan: list[NextTrial] = []
    known = np.ones((len(posterior), 1))
    so_far = 0.0
    while len(plan) < count and candidates:
        cost = [cost_of(t, standing, scratch) for t in candidates]
        bits = _with_known(posterior, known, outcomes) - so_far
        minutes = np.array([c.weighed for c in cost])
        rate = np.where(bits >= _WORTH_BITS, bits / minutes, 0.0)
        if rate.max(initial=0.0) <= 0:
            break
        # Rounded, so that equals are settled by order and not by the last digit.
        firsts = np.lexsort((np.arange(len(rate)), -rate.round(6)))[:_AHEAD]
        chosen = max(
            (int(c) for c in firsts if rate[c] > 0),
            key=lambda c: (
                round(_looking_ahead(candidates, posterior, known, outcomes, cost, c, so_far, scratch), 6),
                -c,
            ),
        )
        plan.append(_told(candidates, cost, chosen, float(bits[chosen])))
        known = (known[:, :, None] * outcomes[:, chosen, None, :]).reshape(len(posterior), -1)
        if known.shape[1] > _MOST_OUTCOMES:
            # The rarest histories are told as one.
            order = np.argsort(-(posterior @ known))
            rest = known[:, order[_MOST_OUTCOMES // 3 :]].sum(axis=1, keepdims=True)
            known = np.hstack([known[:, order[: _MOST_OUTCOMES // 3]], rest])
        so_far = float(expected_bits(posterior, known))
        standing = Standing.after(candidates[chosen])
    return tuple(plan)


def _looking_ahead(
    candidates: Sequence[Trial],
    posterior: Floats,
    known: Floats,
    outcomes: Floats,
    cost: Sequence[Cost],
    c: int,
    so_far: float,
    scratch: Collection[str],
) -> float:
    """Bits a minute of a trial and the best one after it, or of it alone where that is better."""
    with_it = (known[:, :, None] * outcomes[:, c, None, :]).reshape(len(posterior), -1)
    after = Standing.after(candidates[c])
    then = np.array([cost_of(t, after, scratch).weighed for t in candidates])
    alone = (float(expected_bits(posterior, with_it)) - so_far) / cost[c].weighed
    if with_it.shape[1] > 9:  # a look ahead is worth its while for the first trials alone
        return alone
    both = (_with_known(posterior, with_it, outcomes) - so_far) / (cost[c].weighed + then)
    return max(alone, float(both.max()))
