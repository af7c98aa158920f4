"""Evidence for pairings: what trials proved of a pairing, and what trials and gauges say of mechanisms and disks."""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace

from indexhole.causes.measurements import NOMINAL, OFFSET, SPEED, Measurements
from indexhole.jobs.networking import kept_measurements
from indexhole.jobs.pairing_stock import Stock
from indexhole.pairing.answer import Verdict
from indexhole.pairing.beliefs import NO_BELIEFS, Beliefs
from indexhole.pairing.evidence import OUTSIDE, GaugeReading, Observation, observations
from indexhole.shelf.dates import span_of
from indexhole.shelf.register import Shelf


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


def evidence_of(shelf: Shelf, stock: Stock) -> Evidence:
    """All the evidence a shelf holds. Raises InputFault when the kept measurements cannot be read."""
    observed = tuple(_told_writer(one, stock) for one in observations(stock.trials))
    gauges = gauge_readings(kept_measurements(shelf), stock)
    of_reader: dict[str, list[Observation]] = defaultdict(list)
    for one in observed:
        of_reader[one.reader].append(one)
    return Evidence(observed, gauges, NO_BELIEFS, of_reader)


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
    for tie in measured.ties.get(SPEED, ()):
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
