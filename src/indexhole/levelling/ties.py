"""Ties between mechanisms out of gauges: who turns how fast, whose index pulse comes when.

Offsets out of trials are in cross_reads.py, what the keeper measured by hand in measurements.py.
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass

from indexhole.levelling.measurements import NOMINAL
from indexhole.levelling.network import Tie
from indexhole.recover.writers.known_writers import OCCASION_INDEX_S, OCCASION_SPEED


@dataclass(frozen=True, slots=True)
class Reading:
    """What the gauges of one capture say; nan where they do not.

    Attributes:
        disk, reader, writer: of the capture, "" when not known.
        reader_ratio: the reader's speed over nominal.
        writer_ratio: the writer's.
        index_to_data_s: from the reader's index pulse to the data.
        *_u: standard uncertainties.
    """

    disk: str
    reader: str
    writer: str
    reader_ratio: float = math.nan
    reader_u: float = math.nan
    writer_ratio: float = math.nan
    writer_u: float = math.nan
    index_to_data_s: float = math.nan
    index_u_s: float = math.nan


def _mean(values: Sequence[tuple[float, float]]) -> tuple[float, float]:
    """Mean of a few (value, uncertainty), and its uncertainty by what was stated and by how they spread."""
    count = len(values)
    mean = sum(v for v, _ in values) / count
    stated = math.sqrt(sum(u**2 for _, u in values)) / count
    spread = math.sqrt(sum((v - mean) ** 2 for v, _ in values) / (count - 1) / count) if count > 1 else 0.0
    return mean, max(stated, spread)


def _usable(value: float, u: float) -> bool:
    return math.isfinite(value) and math.isfinite(u) and u >= 0


def speed_ties(readings: Iterable[Reading]) -> tuple[Tie, ...]:
    """Ties from `nominal` to each reader and writer, in percent (100 times the log of the speed ratio).

    All captures of one disk count as one occasion; a drive differs by 0.15 % from occasion to occasion
    (docs/writers.md, our own choice), which is in the uncertainty.
    """
    held: dict[tuple[str, str, str], list[tuple[float, float]]] = defaultdict(list)
    for one in readings:
        for role, drive, ratio, u in (
            ("read", one.reader, one.reader_ratio, one.reader_u),
            ("wrote", one.writer, one.writer_ratio, one.writer_u),
        ):
            if drive and _usable(ratio, u) and ratio > 0:
                held[drive, role, one.disk].append((100 * math.log(ratio), 100 * u / ratio))
    ties = []
    for (drive, role, disk), values in sorted(held.items()):
        value, u = _mean(values)
        what = "spindle speed as it read" if role == "read" else "speed at which it wrote"
        name = f"{drive} {role} {disk or 'a disk'}"
        ties.append(Tie(name, NOMINAL, drive, value, math.hypot(u, 100 * OCCASION_SPEED), f"{what} {disk}".rstrip()))
    return tuple(ties)


def index_ties(readings: Iterable[Reading], labelled: Collection[str] = ()) -> tuple[Tie, ...]:
    """Ties from each disk to the mechanisms that read it, us; a late sensor makes the data come that much sooner.

    Where on its turn a disk begins is not known, so one read by one mechanism alone tells nothing and is left out,
    unless it is `labelled`.
    """
    held: dict[tuple[str, str], list[tuple[float, float]]] = defaultdict(list)
    for one in readings:
        if one.disk and one.reader and _usable(one.index_to_data_s, one.index_u_s):
            held[one.disk, one.reader].append((-1e6 * one.index_to_data_s, 1e6 * one.index_u_s))
    readers = defaultdict(set)
    for disk, reader in held:
        readers[disk].add(reader)
    ties = []
    for (disk, reader), values in sorted(held.items()):
        if len(readers[disk]) > 1 or disk in labelled:
            value, u = _mean(values)
            u = math.hypot(u, 1e6 * OCCASION_INDEX_S)
            ties.append(Tie(f"index {reader} on {disk}", disk, reader, value, u, f"index to data of {disk}"))
    return tuple(ties)
