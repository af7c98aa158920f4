"""What diagnosis hands on: ranked causes with their evidence, what is cleared, and the trial to make next."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from indexhole.causes.faults.hypotheses import Fault
from indexhole.causes.ranking.decisions import Advice
from indexhole.causes.ranking.explain import DECIBELS_A_NAT, Group, Weight


@dataclass(frozen=True, slots=True)
class Cause:
    """One explanation of the trials.

    Attributes:
        faults: what is at fault, empty when nothing is.
        probability: of this explanation as told.
        kind_probability: of it and its twins that trials cannot tell from it (misaligned or off-speed).
        for_trials, against_trials: trials that speak for and against it, strongest first.
        reason: why, by the trials, in words; `gauge_notes`: what gauges say besides, or would.
        weights: what each trial says for it against its best rival, weightiest first; `over` names that rival.
        rival_needs: what would have to be true for the rival to be right.
        by_angle: where round the turn sectors failed, in words, with what it says against that rival in nats.
    """

    faults: tuple[Fault, ...]
    probability: float
    kind_probability: float
    for_trials: tuple[str, ...]
    against_trials: tuple[str, ...]
    reason: str
    gauge_notes: tuple[str, ...] = ()
    weights: tuple[Weight, ...] = ()
    over: str = ""
    rival_needs: str = ""
    by_angle: tuple[tuple[str, float], ...] = ()

    @property
    def why(self) -> str:
        """All reasons in words."""
        return " ".join((self.reason, *self.gauge_notes))

    def to_json_dict(self) -> dict[str, Any]:
        """The cause as `causes --json` gives it; no fault at all is told as the one fault `none` of the bench."""
        return {
            "faults": [_fault_json(f) for f in self.faults] or [{"element": "bench", "fault": "none", "side": None}],
            "probability": self.probability,
            "kind_probability": self.kind_probability,
            "for": list(self.for_trials),
            "against": list(self.against_trials),
            "why": self.why,
            "weights": [weight.to_json_dict() for weight in self.weights],
            "over": self.over,
            "rival_needs": self.rival_needs,
            "by_angle": [
                {"words": words, "decibels": round(nats * DECIBELS_A_NAT, 1)} for words, nats in self.by_angle
            ],
        }


def _fault_json(fault: Fault) -> dict[str, Any]:
    """One fault; when it came and went, and under which noted set-up, only where the trials say so."""
    told: dict[str, Any] = {"element": fault.element, "fault": fault.fault, "side": fault.side}
    return told | {k: str(v) for k in ("since", "until", "condition") if (v := getattr(fault, k))}


@dataclass(frozen=True, slots=True, kw_only=True)
class NextTrial:
    """A trial that is expected to tell much for its minutes.

    Attributes:
        expected_bits: information expected, beyond what the trials before it in a plan tell.
        risk: what it costs: "none" for reading, what is overwritten for writing.
        minutes: at the bench, with things as the trial before leaves them; swaps of disks, lifts of units.
        caution: what to mind, "" when there is nothing.
        set_up: how it is to be set up, in words, where a noted set-up is suspected; `note` is what the row then says.
    """

    operation: str
    mechanism: str
    disk: str
    side: int
    lead: str
    host: str
    first_cylinder: int
    last_cylinder: int
    expected_bits: float
    risk: str
    minutes: float
    swaps: int
    lifts: int
    caution: str
    set_up: str = ""
    note: str = ""

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
        advice: what to do as things stand, and whether further trials could change it.
        groups: causes that no trial on this bench could part, with the measurement that would.
        plan: the next few trials, the first of them `next`.
        gauged: what was weighed beside the trials, a line each.
        scope: which trials were left out, in words; "" when none were.
    """

    causes: tuple[Cause, ...]
    other_probability: float
    sound: tuple[str, ...]
    unproven: tuple[str, ...]
    unproven_why: dict[str, str]
    next: NextTrial | None
    trials: int
    advice: Advice | None = None
    groups: tuple[Group, ...] = ()
    plan: tuple[NextTrial, ...] = ()
    gauged: tuple[str, ...] = ()
    scope: str = ""

    @property
    def sure(self) -> bool:
        """Whether it is known what to do, so that no trial is needed."""
        return self.advice is not None and self.advice.sure

    def to_json_dict(self) -> dict[str, Any]:
        """The contents of `causes --json`."""
        return {
            "causes": [cause.to_json_dict() for cause in self.causes],
            "other_probability": self.other_probability,
            "sound": list(self.sound),
            "unproven": list(self.unproven),
            "unproven_why": dict(self.unproven_why),
            "next": self.next.to_json_dict() if self.next else None,
            "plan": [trial.to_json_dict() for trial in self.plan],
            "decision": self.advice.to_json_dict() if self.advice else None,
            "gauged": list(self.gauged),
            "scope": self.scope,
            "groups": [
                {
                    "causes": [[_fault_json(f) for f in sorted(faults)] for faults in group.causes],
                    "probability": group.probability,
                    "measure": group.measure,
                }
                for group in self.groups
            ],
        }
