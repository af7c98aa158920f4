"""What diagnosis hands on: ranked causes with their evidence, what is cleared, and the trial to make next."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from indexhole.causes.faults import Fault


@dataclass(frozen=True, slots=True)
class Cause:
    """One explanation of the trials.

    Attributes:
        faults: what is at fault, empty when nothing is.
        probability: of this explanation as told.
        kind_probability: of it and its twins that trials cannot tell from it (misaligned or off-speed).
        for_trials, against_trials: trials that speak for and against it, strongest first.
        why: the reasons in words.
    """

    faults: tuple[Fault, ...]
    probability: float
    kind_probability: float
    for_trials: tuple[str, ...]
    against_trials: tuple[str, ...]
    why: str

    def to_json_dict(self) -> dict[str, Any]:
        """The cause as `causes --json` gives it; no fault at all is told as the one fault `none` of the bench."""
        faults = [{"element": f.element, "fault": f.fault, "side": f.side} for f in self.faults]
        return {
            "faults": faults or [{"element": "bench", "fault": "none", "side": None}],
            "probability": self.probability,
            "kind_probability": self.kind_probability,
            "for": list(self.for_trials),
            "against": list(self.against_trials),
            "why": self.why,
        }


@dataclass(frozen=True, slots=True)
class NextTrial:
    """The trial that is expected to tell most.

    Attributes:
        expected_bits: information expected, bits.
        risk: what it costs: "none" for reading, what is overwritten for writing.
    """

    operation: str
    mechanism: str
    disk: str
    side: int
    lead: str
    first_cylinder: int
    last_cylinder: int
    expected_bits: float
    risk: str

    def to_json_dict(self) -> dict[str, Any]:
        """The trial as `causes --json` gives it."""
        return {field: getattr(self, field) for field in self.__slots__}


@dataclass(frozen=True, slots=True)
class Diagnosis:
    """The outcome of ranking.

    Attributes:
        causes: most probable first; their probabilities and `other_probability` sum to one.
        other_probability: of all explanations too improbable to list.
        sound: mechanisms the trials clear; unproven: those they neither clear nor accuse.
        unproven_why: for each unproven mechanism, what the trials leave open.
        next: the trial to make next, None when no trial is expected to tell anything.
        trials: number of rows weighed.
    """

    causes: tuple[Cause, ...]
    other_probability: float
    sound: tuple[str, ...]
    unproven: tuple[str, ...]
    unproven_why: dict[str, str]
    next: NextTrial | None
    trials: int

    def to_json_dict(self) -> dict[str, Any]:
        """The contents of `causes --json`."""
        return {
            "causes": [cause.to_json_dict() for cause in self.causes],
            "other_probability": self.other_probability,
            "sound": list(self.sound),
            "unproven": list(self.unproven),
            "unproven_why": dict(self.unproven_why),
            "next": self.next.to_json_dict() if self.next else None,
        }
