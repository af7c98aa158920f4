"""Which trial to make next: the one expected to tell most, reading before writing, never over an irreplaceable disk."""

from __future__ import annotations

from collections import Counter
from collections.abc import Collection, Sequence
from itertools import product

import numpy as np
import numpy.typing as npt

from indexhole.causes.diagnosis import NextTrial
from indexhole.causes.engine import expected_bits
from indexhole.causes.history import typical_count
from indexhole.model.trial import Operation, Trial

Floats = npt.NDArray[np.float64]

_MOST_ELEMENTS, _MOST_LEADS = 6, 2  # so that a long register does not make a long wait
_WORTH_BITS = 0.01  # below this a trial tells nothing worth the trouble
# A write must tell clearly more than the best read, for it costs a recording. Our own choice.
_WRITE_GAIN, _WRITE_EXTRA_BITS = 1.5, 0.1


def _most_telling(trials: Sequence[Trial], field: str) -> list[str]:
    """Names of the elements with most failed sectors, then most used, at most a handful."""
    failed: Counter[str] = Counter()
    used: Counter[str] = Counter()
    for trial in trials:
        name = str(getattr(trial, field))
        failed[name] += trial.sectors_failed
        used[name] += 1
    return sorted(used, key=lambda n: (-failed[n], -used[n], n))[:_MOST_ELEMENTS]


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


def candidate_trials(trials: Sequence[Trial], irreplaceable: Collection[str] = ()) -> list[Trial]:
    """Trials that could be made next with what is on the bench; no write on an irreplaceable disk."""
    return [candidate for family in _families(trials) for candidate in _candidates(family, irreplaceable)]


def _candidates(trials: Sequence[Trial], irreplaceable: Collection[str]) -> list[Trial]:
    first = min(t.first_cylinder for t in trials)
    last = max(t.last_cylinder for t in trials)
    tried = typical_count(trials)
    host = Counter(t.host for t in trials).most_common(1)[0][0]
    sides = sorted({t.side for t in trials})
    operations: tuple[Operation, ...] = ("read", "write")
    return [
        Trial("next", "", operation, host, lead, mechanism, disk, side, first, last, tried, 0)
        for operation, mechanism, disk, side, lead in product(
            operations,
            _most_telling(trials, "mechanism"),
            _most_telling(trials, "disk"),
            sides,
            _most_telling(trials, "lead")[:_MOST_LEADS],
        )
        if operation == "read" or disk not in irreplaceable
    ]


def best_next_trial(candidates: Sequence[Trial], posterior: Floats, outcomes: Floats) -> NextTrial | None:
    """The candidate with most expected information.

    Args:
        posterior: (hypotheses,), sums to one.
        outcomes: (hypotheses, candidates, outcomes).
    """
    bits = [expected_bits(posterior, outcomes[:, c]) for c in range(len(candidates))]

    def best(operation: str) -> tuple[float, int] | None:
        # Rounded, so that equals are settled by order and not by the last digit.
        found = [(round(bits[c], 6), -c) for c, t in enumerate(candidates) if t.operation == operation]
        return max(found, default=None)

    read, write = best("read"), best("write")
    chosen = read
    if write and (read is None or write[0] > max(_WRITE_GAIN * read[0], read[0] + _WRITE_EXTRA_BITS)):
        chosen = write
    if chosen is None or chosen[0] < _WORTH_BITS:
        return None
    trial = candidates[-chosen[1]]
    risk = "none"
    if trial.operation != "read":
        risk = f"overwrites side {trial.side} of {trial.disk}: use it only if nothing on it is wanted"
    return NextTrial(
        trial.operation,
        trial.mechanism,
        trial.disk,
        trial.side,
        trial.lead,
        trial.first_cylinder,
        trial.last_cylinder,
        chosen[0],
        risk,
    )
