"""What a shelf's captures and measurements say of its drives, as evidence that ranking weighs beside the trials."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import replace

from indexhole.causes.likelihood.angle_counts import AngleCount, SectorSeen, angle_counts
from indexhole.causes.likelihood.gauged import Attribution, Gauged, OffsetGauge, SpeedGauge
from indexhole.jobs.faults.capture_summary import CaptureSummary, WriterSeen, capture_summaries
from indexhole.jobs.faults.levelling import Progress, kept_measurements, readings_of
from indexhole.jobs.faults.repairs import Repairs, of_now
from indexhole.jobs.recovery.known_writers import setting_of
from indexhole.levelling.measurements import NOMINAL, OFFSET, SPEED, Measurements
from indexhole.levelling.network import Tie
from indexhole.levelling.quantity import level
from indexhole.levelling.ties import speed_ties
from indexhole.model.trials.recorders import Recorders
from indexhole.model.trials.trial import Trial
from indexhole.recover.writers.known_writers import PRIOR_NONE, Known, Occasion, attribute
from indexhole.shelf.records.dates import span_of
from indexhole.shelf.records.records import CaptureRecord, Event
from indexhole.shelf.register.shelf import Shelf

# Nothing a signal shows of its writer is held surer than this, either way: other things are alike too. Our own choice.
_SUREST = 0.98
# Two ends of a measurement whose direction is open are alike when they differ by less than so many uncertainties.
_MIRRORED = 1.0


def gauged_on(shelf: Shelf, trials: Sequence[Trial], progress: Progress | None = None) -> Gauged:
    """What captures and measurements of a shelf say of the mechanisms and disks that trials name.

    Captures are gauged once and kept (`capture_summary.py`). Counts of trials are not in it, so nothing counts twice.
    Raises InputFault when the kept measurements cannot be read.
    """
    # before the captures, which take long: a sheet that cannot be read is told at once
    repairs = Repairs(trials, shelf.all(Event))
    measured, stale = of_now(kept_measurements(shelf), repairs.left_out)
    records = shelf.all(CaptureRecord)
    held = capture_summaries(shelf, records, progress)
    fresh = []
    for record in records:
        if why := repairs.left_out(f"capture {record.name}", record.mechanism or "", record.taken, "taken"):
            stale.append(why)
        else:
            fresh.append(record)
    readings, _ = readings_of(fresh, held, trials)
    mechanisms = frozenset(t.mechanism for t in trials)
    return Gauged(
        speeds=_speeds([*measured.ties.get(SPEED, ()), *speed_ties(readings)], mechanisms),
        offsets=_offsets(measured, mechanisms),
        attributions=tuple(_attributions(records, held, trials)),
        angles=_angles(fresh, held),
        left_out=tuple(stale),
    )


def _angles(records: Sequence[CaptureRecord], held: Mapping[str, CaptureSummary]) -> tuple[AngleCount, ...]:
    """Where round the turn sectors failed, of all captures of known disks together."""
    return angle_counts(
        (
            SectorSeen(record.disk, s.head, s.cylinder, s.number, s.angle, s.failed, (record.mechanism,))
            for record in records
            if record.disk and record.mechanism
            for s in held[record.sha256].sectors
        ),
        "as captures show",
    )


def _speeds(ties: Sequence[Tie], mechanisms: frozenset[str]) -> tuple[SpeedGauge, ...]:
    """One speed for each mechanism that is tied to nominal, all its ties adjusted together."""
    levelled = level(SPEED, ties, mechanisms)
    return tuple(
        SpeedGauge(
            one.node, math.expm1(one.value / 100), one.uncertainty / 100 * math.exp(one.value / 100),
            _sources(ties, one.node),
        )
        for one in (levelled.positions if levelled else ())
        if one.against == NOMINAL and one.node in mechanisms
    )  # fmt: skip


def _offsets(measured: Measurements, mechanisms: frozenset[str]) -> tuple[OffsetGauge, ...]:
    """One place for each head measured against the true track or a disk that stands for it.

    What trials say of distances is left out: they are weighed themselves.
    """
    ties = measured.ties.get(OFFSET, ())
    levelled = level(OFFSET, ties, mechanisms, standards=measured.standards)
    standards = {NOMINAL, *measured.standards}
    return tuple(
        OffsetGauge(one.node, one.value, one.uncertainty, _sources(ties, one.node))
        for one in (levelled.positions if levelled else ())
        if one.against in standards and one.node in mechanisms
        # of a distance whose side is not known only the size counts, which is the same both ways or not known either
        if one.other is None or abs(abs(one.other) - abs(one.value)) < _MIRRORED * one.uncertainty
    )


def _sources(ties: Sequence[Tie], mechanism: str) -> str:
    told = dict.fromkeys(t.source for t in ties if mechanism in (t.start, t.end) and t.source)
    return ", ".join(told)


def _attributions(
    records: Sequence[CaptureRecord], held: Mapping[str, CaptureSummary], trials: Sequence[Trial]
) -> list[Attribution]:
    """For stretches the trials wrote on: whether their signal is that of the drive the trials say wrote last.

    Drives are known by captures whose entry names who formatted them, of other disks: what trials say of who wrote is
    what is to be found out. A capture that may be older than the last write says nothing of it.
    """
    known = _occasions(records, held)
    last = Recorders(trials).last
    found: dict[tuple[str, int, int, int, str], Attribution] = {}
    for record in records:
        for writer in held[record.sha256].writers:
            for side, first, end in _stretches(writer):
                if not record.disk or not _after_all(record, trials, (record.disk, side, first, end)):
                    continue
                wrote = {last.get((record.disk, side), {}).get(c, "") for c in range(first, end + 1)}
                name = wrote.pop() if len(wrote) == 1 else ""
                told = _chance(name, record, writer, known) if name else None
                if told is not None:
                    stretch = (record.disk, side, first, end)
                    found[(*stretch, name)] = Attribution(*stretch, name, told, f"capture {record.name}")
    return list(found.values())


def _occasions(
    records: Sequence[CaptureRecord], held: Mapping[str, CaptureSummary]
) -> dict[str, dict[str, tuple[int, Occasion]]]:
    """By drive and disk, what the capture with most tracks showed; captures of one disk are one occasion."""
    found: dict[str, dict[str, tuple[int, Occasion]]] = {}
    for record in records:
        writers = held[record.sha256].writers
        if record.writer is None or not writers:
            continue
        of_disk = found.setdefault(record.writer, {})
        disk, seen = record.disk or record.sha256, (len(writers[0].formatted), _occasion(record, writers[0]))
        if disk not in of_disk or of_disk[disk][0] < seen[0]:
            of_disk[disk] = seen
    return found


def _occasion(record: CaptureRecord, writer: WriterSeen) -> Occasion:
    return replace(writer.occasion, setting=setting_of(record.mechanism or "", writer.occasion.setting))


def _stretches(writer: WriterSeen) -> list[tuple[int, int, int]]:
    """Side, first and last cylinder of what a drive formatted without a gap."""
    found: list[tuple[int, int, int]] = []
    for head, cylinder in sorted({(h, c) for c, h in writer.formatted}):
        if found and found[-1][0] == head and found[-1][2] == cylinder - 1:
            found[-1] = (head, found[-1][1], cylinder)
        else:
            found.append((head, cylinder, cylinder))
    return found


def _after_all(record: CaptureRecord, trials: Sequence[Trial], stretch: tuple[str, int, int, int]) -> bool:
    """Whether a capture is for certain later than every write on a stretch."""
    disk, side, first, last = stretch
    taken = span_of(record.taken).earliest
    return all(
        span_of(t.when[:10]).latest < taken
        for t in trials
        if t.writes and (t.disk, t.side) == (disk, side) and t.first_cylinder <= last and t.last_cylinder >= first
    )


def _chance(
    name: str, record: CaptureRecord, writer: WriterSeen, known: Mapping[str, Mapping[str, tuple[int, Occasion]]]
) -> float | None:
    """Chance that a drive wrote what a capture shows, at even odds beforehand; None where nothing can be compared."""
    others = {
        drive: tuple(occasion for disk, (_, occasion) in of_disk.items() if disk != record.disk)
        for drive, of_disk in known.items()
    }
    drives = [Known(drive, occasions) for drive, occasions in sorted(others.items()) if occasions]
    told = {a.name: a for a in attribute(_occasion(record, writer), drives)}
    if name not in told or told[name].compared == "nothing":
        return None
    # Ranking has its own odds of who wrote, so those of the comparison are taken out again.
    before = (1 - PRIOR_NONE) / (len(told) - 1)
    p = min(max(told[name].probability, 1e-12), 1 - 1e-12)
    odds = p / (1 - p) * (1 - before) / before
    return min(max(odds / (1 + odds), 1 - _SUREST), _SUREST)
