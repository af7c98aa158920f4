"""Drives on the shelf as known writers: what their own disks show, and which of them a writer may be.

A capture tells of a drive when its entry names the `writer`, or when the trials leave no doubt who formatted the disk.
All captures of one disk made with one mechanism are one occasion of the drive that formatted it.
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from indexhole.errors import InputFault
from indexhole.jobs.recovery.writers import WriterReport, report_writers
from indexhole.model.trials.trial import Trial
from indexhole.recover.writers.known_writers import Attribution, Known, Occasion, attribute
from indexhole.recover.writers.writers import Writer, Writers
from indexhole.shelf.care.captures import read_pulses
from indexhole.shelf.records.dates import span_of
from indexhole.shelf.records.records import CaptureRecord
from indexhole.shelf.register.shelf import Shelf

Progress = Callable[[int, int], None]


@dataclass(frozen=True)
class KnownWriters:
    """The shelf's known writers.

    Attributes:
        known: with their occasions, in order of name.
        readers: by SHA-256 of a capture, the mechanism that read it.
        warnings: captures that should have told but did not.
    """

    known: tuple[Known, ...]
    readers: Mapping[str, str]
    warnings: tuple[str, ...]


def formatter_of(record: CaptureRecord, trials: Sequence[Trial]) -> str | None:
    """The mechanism that formatted what a capture holds: as its entry says, else as the trials leave no doubt.

    Of the trials that formatted there, those count that may have been before it was taken, from the last one that was
    for certain (rows are in order of time). All of them must be of one mechanism.
    """
    if record.writer is not None:
        return record.writer
    taken = span_of(record.taken)
    possible = [
        t
        for t in trials
        if t.operation == "format"
        and t.disk == record.disk
        and record.head in (None, t.side)
        and (record.cylinder is None or t.first_cylinder <= record.cylinder <= t.last_cylinder)
        and span_of(t.when[:10]).earliest <= taken.latest
    ]
    certain = [n for n, t in enumerate(possible) if span_of(t.when[:10]).latest < taken.earliest]
    # A capture of a whole disk may hold parts of any age.
    if certain and record.cylinder is not None:
        possible = possible[certain[-1] :]
    makers = {t.mechanism for t in possible}
    return makers.pop() if len(makers) == 1 else None


def occasion_of(writers: Writers, writer: Writer, setting: str) -> Occasion:
    """What a writer showed here; its start behind the index from the tracks it formatted."""
    starts = [
        (t.format.index_s, t.format.index_u)
        for t in writers.tracks
        if t.place in writer.formatted and math.isfinite(t.format.index_s)
    ]
    known = math.isfinite(writer.speed_ratio)
    if not starts:
        return Occasion(math.log(writer.speed_ratio) if known else math.nan, writer.speed_u)
    values = np.array([s for s, _ in starts])
    # Tracks may be skewed against one another: then their spread says how little one start tells.
    spread = float(values.std(ddof=1)) if values.size > 1 else 0.0
    noise = float(np.mean([u for _, u in starts]))
    return Occasion(
        math.log(writer.speed_ratio) if known else math.nan,
        writer.speed_u,
        float(values.mean()),
        math.hypot(spread, noise),
        setting,
    )


def known_writers(shelf: Shelf, leave_out: Collection[str] = (), progress: Progress | None = None) -> KnownWriters:
    """Profile the shelf's known writers from their captures.

    Args:
        leave_out: SHA-256 of captures that are being asked about; the disks they are of are left out with them, since a
            disk must not speak for itself.
    """
    records, trials = shelf.all(CaptureRecord), shelf.trials()
    asked = {r.disk for r in records if r.sha256 in leave_out and r.disk is not None}
    groups: dict[tuple[str, str, str], list[CaptureRecord]] = defaultdict(list)
    for record in records:
        maker = formatter_of(record, trials)
        if maker is None or record.sha256 in leave_out or record.disk in asked:
            continue
        # A capture of no known disk stands for a disk of its own.
        groups[maker, record.disk or record.sha256, record.mechanism or ""].append(record)
    occasions: dict[str, list[Occasion]] = defaultdict(list)
    warnings: list[str] = []
    for number, ((maker, disk, reader), held) in enumerate(sorted(groups.items())):
        try:
            report = report_writers([read_pulses(shelf, record) for record in held])
        except (InputFault, OSError) as fault:
            warnings.append(f"{disk}: its captures tell nothing of {maker} ({fault})")
        else:
            if report.writers.writers:
                first = report.writers.writers[0]
                occasions[maker].append(occasion_of(report.writers, first, setting_of(reader, report.layout)))
        if progress is not None:
            progress(number + 1, len(groups))
    known = tuple(Known(name, tuple(found)) for name, found in sorted(occasions.items()))
    readers = {r.sha256: r.mechanism for r in records if r.mechanism is not None}
    return KnownWriters(known, readers, tuple(warnings))


def setting_of(reader: str, layout: str) -> str:
    """What must be the same for starts behind the index to compare; "" when the reader or layout is not known."""
    return f"{reader} {layout}" if reader and layout else ""


def attributed(report: WriterReport, captures: Collection[str], known: KnownWriters) -> WriterReport:
    """The report on captures, told by their SHA-256, with each writer weighed against the known ones."""
    readers = {known.readers.get(sha256, "") for sha256 in captures}
    setting = setting_of(readers.pop(), report.layout) if len(readers) == 1 else ""
    found: dict[str, Sequence[Attribution]] = {}
    for writer in report.writers.writers:
        found[writer.name] = attribute(occasion_of(report.writers, writer, setting), known.known)
    return replace(report, attributions=found if known.known else {})


def ask_shelf(
    report: WriterReport, captures: Collection[str], folder: Path | None, progress: Progress | None = None
) -> tuple[WriterReport, tuple[str, ...]]:
    """The report on captures, told by their SHA-256, weighed against the shelf in a folder, and warnings.

    Raises:
        ShelfFault: the shelf cannot be used.
    """
    known = known_writers(Shelf.open(folder), {sha256 for sha256 in captures if sha256}, progress)
    if not known.known:
        return report, (*known.warnings, "no drive on the shelf is known to have formatted a captured disk")
    return attributed(report, captures, known), known.warnings
