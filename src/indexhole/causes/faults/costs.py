"""What a trial costs at the bench, in minutes, and what it puts at risk.

All figures are our OWN choice: a keeper with the things within reach. Only their proportions matter, and they are few
on purpose: time to do it, to change disks, to change leads, to lift a unit, and to write it down.
"""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass

from indexhole.model.trials.trial import Trial

READ_MIN_PER_CYLINDER = 0.02  # OWN: a few turns and a retry now and then
WRITE_MIN_PER_CYLINDER = 0.04  # OWN: the same, and the verifying
SWAP_DISK_MIN = 1.0  # OWN: out, into its sleeve, the next one in
CHANGE_LEAD_MIN = 4.0  # OWN: everything off, plugs, on again
LIFT_UNIT_MIN = 5.0  # OWN: another unit on the bench
CHANGE_HOST_MIN = 5.0  # OWN
NOTE_MIN = 3.0  # OWN: start it, watch it, write it down
# A write costs a recording: worth so many minutes of other work to avoid. OWN.
WRITE_RISK_MIN = 6.0

LIFTING = (
    "Cabinets with several full-height drives are heavy: two persons or a trolley. "
    "Local codes and licensed practice decide."
)


@dataclass(frozen=True, slots=True)
class Standing:
    """What stands on the bench: the last trial's unit, lead, host, and the disk that is in."""

    host: str
    lead: str
    unit: str
    mechanism: str
    disk: str

    @classmethod
    def after(cls, trial: Trial) -> Standing:
        """As a trial leaves it."""
        return cls(trial.host, trial.lead, unit_of(trial.mechanism), trial.mechanism, trial.disk)


def unit_of(mechanism: str) -> str:
    """The unit a mechanism sits in."""
    return mechanism.rpartition(".")[0] or mechanism


@dataclass(frozen=True, slots=True)
class Cost:
    """Minutes a trial takes, the changes it needs, and the minutes its risk is held worth."""

    minutes: float
    swaps: int
    lifts: int
    risk_minutes: float

    @property
    def weighed(self) -> float:
        """Minutes and risk together."""
        return self.minutes + self.risk_minutes


def cost_of(trial: Trial, standing: Standing | None, scratch: Collection[str] = ()) -> Cost:
    """What a trial costs as things stand; on scratch disks a write risks nothing."""
    cylinders = trial.last_cylinder - trial.first_cylinder + 1
    reads = not trial.writes
    minutes = NOTE_MIN + cylinders * (READ_MIN_PER_CYLINDER if reads else WRITE_MIN_PER_CYLINDER)
    lifts = int(standing is None or standing.unit != unit_of(trial.mechanism))
    swaps = int(standing is None or (standing.mechanism, standing.disk) != (trial.mechanism, trial.disk))
    minutes += LIFT_UNIT_MIN * lifts + SWAP_DISK_MIN * swaps
    if standing is not None:
        minutes += CHANGE_LEAD_MIN * (standing.lead != trial.lead) + CHANGE_HOST_MIN * (standing.host != trial.host)
    return Cost(minutes, swaps, lifts, 0.0 if reads or trial.disk in scratch else WRITE_RISK_MIN)
