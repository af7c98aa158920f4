"""What has been proven at the bench, when, and where it disagrees with what was predicted."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date

import numpy as np
from scipy.special import betaln

from indexhole.pairing.evidence import Observation
from indexhole.pairing.matrix import Matrix

Pair = tuple[str, str, str]
# The share of lost sectors in a pairing that works: nearly always none. Our own choice.
_SOUND = (0.05, 5.0)
_LN2 = 0.6931471805599453


@dataclass(frozen=True, slots=True)
class Proof:
    """The latest trial of a pairing (writer, disk, reader) and how all went.

    `went_well` tells of the latest; counts are of all its trials.
    """

    when: str
    trial: str
    went_well: bool
    tried: int
    failed: int


@dataclass(frozen=True, slots=True)
class Disagreement:
    """A pairing whose trials do not fit what was predicted.

    `surprise_bits` is the weight of evidence against the prediction: how much likelier the counts are under the better
    of "works" and "does not" than under the mixture the predicted chance makes of the two.
    """

    pair: Pair
    predicted: float
    observed: float
    surprise_bits: float
    when: str


def proofs(observed: Sequence[Observation]) -> dict[Pair, Proof]:
    """The proof of every pairing that was tried, in order of time (later rows win)."""
    found: dict[Pair, Proof] = {}
    for o in observed:
        pair = (o.writer, o.disk, o.reader)
        had = found.get(pair)
        same = had is not None and had.trial == o.trial
        tried = o.tried + (had.tried if had else 0)
        failed = o.failed + (had.failed if had else 0)
        well = o.failed == 0 and (had.went_well if same and had else True)
        found[pair] = Proof(o.when, o.trial, well, tried, failed)
    return found


def disagreements(matrix: Matrix, proven: Mapping[Pair, Proof], least_bits: float = 3.0) -> tuple[Disagreement, ...]:
    """Pairings whose trials contradict the matrix, the most surprising first: what to look into next."""
    writers, disks, readers = (set(n) for n in (matrix.writers, matrix.disks, matrix.readers))
    found = []
    for (writer, disk, reader), proof in proven.items():
        if writer not in writers or disk not in disks or reader not in readers or proof.tried == 0:
            continue
        _, chance, _ = matrix.cell(writer, disk, reader)
        # a disk that works loses hardly a sector, one that does not may lose any share of them
        k, n = proof.failed, proof.tried
        sound = float(betaln(k + _SOUND[0], n - k + _SOUND[1]) - betaln(*_SOUND)) / _LN2
        bad = float(betaln(k + 1.0, n - k + 1.0)) / _LN2
        told = float(np.logaddexp2(np.log2(max(chance, 1e-12)) + sound, np.log2(max(1 - chance, 1e-12)) + bad))
        best = max(sound, bad)
        if best - told >= least_bits:
            found.append(Disagreement((writer, disk, reader), chance, 1 - k / n, best - told, proof.when))
    return tuple(sorted(found, key=lambda d: -d.surprise_bits))


@dataclass(frozen=True, slots=True)
class PlanStep:
    """One step of a show plan: `reader` shows what `writer` recorded on `disk`."""

    writer: str
    disk: str
    reader: str
    words: str = ""


@dataclass(frozen=True, slots=True)
class Checked:
    """A step with its standing: "proven", "stale" (too long ago), "failed" (the last trial did) or "unproven"."""

    step: PlanStep
    standing: str
    proof: Proof | None


def check_plan(
    steps: Sequence[PlanStep], proven: Mapping[Pair, Proof], today: date, months: int = 12
) -> tuple[Checked, ...]:
    """Which pairings of a plan have not been proven in the last `months`.

    A proof whose date cannot be read counts as stale.
    """
    found = []
    for step in steps:
        proof = proven.get((step.writer, step.disk, step.reader))
        if proof is None:
            standing = "unproven"
        elif not proof.went_well:
            standing = "failed"
        else:
            standing = "proven" if months_since(proof.when, today) < months else "stale"
        found.append(Checked(step, standing, proof))
    return tuple(found)


def months_since(when: str, today: date) -> float:
    """Whole months between a date (YYYY, YYYY-MM or YYYY-MM-DD, from its end) and today; infinite when unreadable."""
    parts = when.strip()[:10].split("-")
    try:
        numbers = [int(p) for p in parts]
        year, month = numbers[0], numbers[1] if len(numbers) > 1 else 12
        day = numbers[2] if len(numbers) > 2 else 28
        then = date(year, month, day)
    except ValueError:
        return float("inf")
    whole = (today.year - then.year) * 12 + today.month - then.month
    return float(whole - (today.day < then.day))
