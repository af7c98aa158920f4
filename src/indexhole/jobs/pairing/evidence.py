"""Evidence for pairings: what trials proved of a pairing, and what trials and gauges say of mechanisms and disks."""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace

from indexhole.jobs.faults.levelling import kept_measurements, shelf_evidence
from indexhole.jobs.faults.repairs import of_now
from indexhole.jobs.pairing.beliefs import keep_beliefs, kept_beliefs
from indexhole.jobs.pairing.stock import Stock
from indexhole.levelling.measurements import NOMINAL, OFFSET, SPEED, Measurements
from indexhole.levelling.network import Tie
from indexhole.levelling.ties import speed_ties
from indexhole.model.trials.counts import WORKING, log_beta_binomial
from indexhole.pairing.learning.evidence import OUTSIDE, GaugeReading, Observation, observations
from indexhole.pairing.learning.learning import learn
from indexhole.pairing.parts.answer import Verdict
from indexhole.pairing.parts.beliefs import Beliefs
from indexhole.shelf.records.dates import span_of
from indexhole.shelf.register.shelf import Shelf

SEED = 20260401
_LN2 = math.log(2.0)


@dataclass(frozen=True)
class Proof:
    """What trials showed of a pairing; of each track the latest trial counts.

    Attributes:
        verdict: `works` when nothing failed, `fails` when half or more did, else `doubtful`; both are our own choice.
        when: day of the latest trial.
        tried, failed: sectors.
        trials: their names, in order of time.
    """

    verdict: Verdict
    when: str
    tried: int
    failed: int
    trials: tuple[str, ...]


@dataclass(frozen=True)
class Evidence:
    """What the bench has shown: observations in order of time, gauges, and what follows for every unknown.

    `of_reader` holds the observations by the mechanism that read, for looking them up.
    """

    observed: tuple[Observation, ...]
    gauges: tuple[GaugeReading, ...]
    beliefs: Beliefs
    of_reader: Mapping[str, Sequence[Observation]]


def evidence_of(
    shelf: Shelf, stock: Stock, weighing: Callable[[int], None] | None = None, *, recordings: bool = False
) -> Evidence:
    """The evidence a shelf holds, weighed. Raises InputFault when the kept measurements cannot be read.

    Args:
        recordings: whether to gauge the recordings on the shelf for speeds too, which takes long.
        weighing: called with the number of trials before they are weighed, which takes a while; what came of it is
            kept for the next time.
    """
    observed = tuple(_told_writer(one, stock) for one in observations(stock.trials))
    # what was measured before a head was moved says nothing of the drive as it is
    gauges = gauge_readings(of_now(kept_measurements(shelf), stock.moves.why)[0], stock)
    if recordings:
        gauges += speed_readings(speed_ties(shelf_evidence(shelf).readings), stock)
    of_reader: dict[str, list[Observation]] = defaultdict(list)
    for one in observed:
        of_reader[one.reader].append(one)
    mechanisms = {**stock.mechanisms, **stock.past}
    made_from = (mechanisms, stock.disks, stock.layouts, observed, gauges, SEED)
    beliefs = kept_beliefs(made_from)
    if beliefs is None:
        if weighing is not None and stock.trials:
            weighing(len(stock.trials))
        beliefs = learn(mechanisms, stock.disks, stock.layouts, observed, gauges, SEED)
        keep_beliefs(made_from, beliefs)
    return Evidence(observed, gauges, beliefs, of_reader)


def _told_writer(seen: Observation, stock: Stock) -> Observation:
    """Where no trial says who recorded a disk, the disk's entry may."""
    disk = stock.disks.get(seen.disk)
    if seen.writer != OUTSIDE or disk is None or disk.recorded_by is None:
        return seen
    if disk.recorded_when and span_of(disk.recorded_when).earliest.isoformat() > seen.when[:10]:
        return seen
    return replace(seen, writer=disk.recorded_by.name)


def gauge_readings(measured: Measurements, stock: Stock) -> tuple[GaugeReading, ...]:
    """The keeper's own measurements of single mechanisms: offset from a standard track, speed from nominal.

    A difference between two mechanisms, or an offset without its direction, says nothing of one by itself.
    """
    readings: list[GaugeReading] = []
    for tie in measured.ties.get(OFFSET, ()):
        standard = tie.start == NOMINAL or (tie.start in measured.standards and tie.start not in stock.all_mechanisms)
        if standard and tie.end in stock.mechanisms and not tie.unsigned:
            readings.append(GaugeReading(tie.end, "radial_offset", tie.value, tie.uncertainty))
    return (*readings, *speed_readings(measured.ties.get(SPEED, ()), stock))


def speed_readings(ties: Iterable[Tie], stock: Stock) -> tuple[GaugeReading, ...]:
    """Speeds told against nominal, in per cent of it, as gauges of the mechanisms known."""
    readings: list[GaugeReading] = []
    for tie in ties:
        mechanism = stock.mechanisms.get(tie.end)
        if mechanism is not None and tie.start == NOMINAL:
            rpm = mechanism.drive.speeds_rpm[0].value * math.exp(tie.value / 100)
            readings.append(GaugeReading(tie.end, "spindle_speed", rpm, rpm * tie.uncertainty / 100))
    return tuple(readings)


def proof_of(observed: Iterable[Observation]) -> Proof | None:
    """What observations of one pairing, in order of time, showed; None when there are none."""
    latest: dict[tuple[str, int, int], tuple[float, float]] = {}
    names: dict[str, None] = {}
    when = ""
    for one in observed:
        tracks = range(one.first_cylinder, one.last_cylinder + 1)
        for cylinder in tracks:
            latest[one.disk, one.side, cylinder] = (one.tried / len(tracks), one.failed / len(tracks))
        names[one.trial] = None
        when = max(when, one.when[:10])
    if not latest:
        return None
    tried = round(sum(t for t, _ in latest.values()))
    failed = math.ceil(sum(f for _, f in latest.values()) - 1e-9)
    verdict: Verdict = "works" if failed == 0 else "fails" if failed * 2 >= tried else "doubtful"
    return Proof(verdict, when, tried, failed, tuple(names))


def surprise_bits(chance: float, proof: Proof) -> float:
    """How much the counts of the trials speak against a predicted chance, in bits; 0 where they fit it best.

    Counts of a pairing that works are beta-binomial about a share of nearly none lost, of one that does not about any
    share. The counts are weighed under the likelier of the two against the mixture that the chance makes of them.
    """
    sound = float(log_beta_binomial(proof.failed, proof.tried, *WORKING))
    bad = -math.log(proof.tried + 1)
    works = min(max(chance, 1e-12), 1 - 1e-12)
    one, other = math.log(works) + sound, math.log(1 - works) + bad
    told = max(one, other) + math.log1p(math.exp(-abs(one - other)))
    return max(0.0, max(sound, bad) - told) / _LN2
