"""How bad a fault most probably is, by kind of fault, rounded to what a report shows."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Aside:
    """A head out of place by so many um."""

    um: int


@dataclass(frozen=True, slots=True)
class OffSpeed:
    """A spindle fast or slow by so many percent, to a tenth."""

    percent: float


@dataclass(frozen=True, slots=True)
class Loss:
    """Signal lost, dB."""

    db: int


@dataclass(frozen=True, slots=True)
class Band:
    """A damaged stretch of cylinders, both inclusive."""

    first: int
    last: int


@dataclass(frozen=True, slots=True)
class WorstAt:
    """Worse towards one end of the head's travel."""

    inner: bool


Magnitude = Aside | OffSpeed | Loss | Band | WorstAt
