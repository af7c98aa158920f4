"""How bad a fault may be: ladders of magnitudes, each with the sector failure it brings, out of the forward model.

How far aside, how fast, how dirty is unknown, so diagnosis sums over a ladder. Rungs are set where the forward
model gives chosen failure probabilities, from now-and-then to always.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import cache
from itertools import pairwise

from indexhole.model.forward import (
    SOUND,
    MechanismState,
    MediumState,
    Recording,
    read_out,
    sector_failure_probability,
)

# The largest speed error worth supposing, fraction.
_WORST_SPEED = 0.1
# Even in the angle whose sine squared is the probability: there counts of failures spread alike everywhere.
SEVERITY_LEVELS = tuple(math.sin(0.17 + i * 0.0932) ** 2 for i in range(16))


@dataclass(frozen=True, slots=True)
class Step:
    """One magnitude of a disagreement between a mechanism and the others.

    Attributes:
        magnitude: um aside, or speed error in fraction.
        reads_others: failure probability of a sector when it reads what others wrote.
        read_by_others: the same when others read what it wrote.
        weight: prior weight within its ladder.
    """

    magnitude: float
    reads_others: float
    read_by_others: float
    weight: float


def _failure(recording: Recording, reader: MechanismState = SOUND, medium: MediumState | None = None) -> float:
    return sector_failure_probability(read_out(recording, reader, medium))


def _where(curve: Callable[[float], float], target: float, low: float, high: float) -> float:
    """Magnitude at which a rising failure curve passes `target`, by halving."""
    for _ in range(60):
        middle = (low + high) / 2
        low, high = (middle, high) if curve(middle) < target else (low, middle)
    return high


def _aside(offset_um: float) -> MechanismState:
    return replace(SOUND, offset_um=offset_um)


def _paced(error: float) -> MechanismState:
    return replace(SOUND, speed_ratio=1.0 + error)


def _weights(places: list[float], worst: float) -> list[float]:
    """Prior weights of the rungs: half even, half by the stretch of magnitudes each stands for, up to `worst`.

    Failure sets in steeply, so most magnitudes that matter at all make everything fail; the even half keeps room
    for drives that differ from the forward model's defaults.
    """
    bounds = [places[0], *((a + b) / 2 for a, b in pairwise(places)), worst]
    total = worst - places[0]
    return [0.5 / len(places) + 0.5 * (high - low) / total for low, high in pairwise(bounds)]


@cache
def offset_grid() -> tuple[Step, ...]:
    """Offsets, um, of a head among heads that are in place; nothing older lies beside the tracks."""

    def reads(offset_um: float) -> float:
        return _failure(Recording(SOUND), _aside(offset_um))

    places = [_where(reads, severity_level, 0.0, SOUND.read_width_um) for severity_level in SEVERITY_LEVELS]
    weights = _weights(places, SOUND.read_width_um)
    return tuple(Step(d, reads(d), _failure(Recording(_aside(d))), w) for d, w in zip(places, weights, strict=True))


@cache
def speed_grid() -> tuple[Step, ...]:
    """Speed errors, fraction, fast and slow."""
    steps = []
    for sign in (1.0, -1.0):

        def reads(error: float, sign: float = sign) -> float:
            return _failure(Recording(), _paced(sign * error))

        places = [_where(reads, severity_level, 0.0, 0.5) for severity_level in SEVERITY_LEVELS]
        for error, weight in zip(places, _weights(places, _WORST_SPEED), strict=True):
            is_read = _failure(Recording(_paced(sign * error)))
            steps.append(Step(sign * error, reads(error), is_read, weight / 2))
    return tuple(steps)


@dataclass(frozen=True, slots=True)
class LossStep:
    """One loss of signal, dB, and the failure it brings once, and twice (at writing and again at reading)."""

    loss_db: float
    once: float
    twice: float
    weight: float


@cache
def loss_grid() -> tuple[LossStep, ...]:
    """Losses by dirt, wear or an unsuited medium, dB."""

    def fails(loss_db: float) -> float:
        return _failure(Recording(), SOUND, MediumState(worn_loss_db=(loss_db, 0.0)))

    places = [_where(fails, severity_level, 0.0, 40.0) for severity_level in SEVERITY_LEVELS]
    return tuple(LossStep(loss, fails(loss), fails(2 * loss), 1 / len(places)) for loss in places)
