"""Sectors counted by place on the turn: from captures, and from notes that say which sectors failed."""

from __future__ import annotations

import math
import re
from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from statistics import median

import numpy as np

from indexhole.model.trials.series import parts_of
from indexhole.model.trials.trial import Trial

# Failed cylinders no further apart than this are neighbours. Our own choice, as all figures here.
_NEIGHBOURS = 3
_FEWEST = 2  # failed sectors below which an arrangement says nothing


@dataclass(frozen=True, slots=True)
class SectorSeen:
    """A sector that was tried: `angle` in revolutions from the index, nan when not known; `by` had a part in it."""

    disk: str
    side: int
    cylinder: int
    number: int
    angle: float
    failed: bool
    by: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class AngleCount:
    """Sectors of neighbouring cylinders by place on the turn.

    Attributes:
        by: mechanisms, leads and hosts that had a part in a failed one.
        tried, failed: by bin.
        angles: middle of each bin, revolutions from the index.
        source: in words.
    """

    disk: str
    side: int
    first_cylinder: int
    last_cylinder: int
    by: frozenset[str]
    tried: tuple[int, ...]
    failed: tuple[int, ...]
    angles: tuple[float, ...]
    source: str = ""


def angle_counts(seen: Iterable[SectorSeen], source: str = "") -> tuple[AngleCount, ...]:
    """Sectors by place on the turn, for each group of neighbouring cylinders in which enough failed.

    A sector that one drive tried several times is one, failed when it failed each time.
    """
    tries: dict[tuple[str, int, int, int, tuple[str, ...]], list[SectorSeen]] = defaultdict(list)
    for one in seen:
        tries[one.disk, one.side, one.cylinder, one.number, one.by].append(one)
    sides: dict[tuple[str, int], list[SectorSeen]] = defaultdict(list)
    for (disk, side, cylinder, number, by), held in sorted(tries.items()):
        known = [s.angle for s in held if math.isfinite(s.angle)]
        angle = median(known) if known else math.nan
        sides[disk, side].append(SectorSeen(disk, side, cylinder, number, angle, all(s.failed for s in held), by))
    found = [
        count
        for whole in sides.values()
        for first, last in _neighbours((s.cylinder, s.cylinder) for s in whole if s.failed)
        if (count := _binned([s for s in _placed(whole) if first <= s.cylinder <= last], source)) is not None
    ]
    return tuple(found)


def _neighbours(stretches: Iterable[tuple[int, int]]) -> list[tuple[int, int]]:
    """Stretches of cylinders, those that overlap or lie next to each other as one."""
    found: list[tuple[int, int]] = []
    for first, last in sorted(set(stretches)):
        if found and first - found[-1][1] <= _NEIGHBOURS:
            found[-1] = (found[-1][0], max(found[-1][1], last))
        else:
            found.append((first, last))
    return found


def _placed(seen: Sequence[SectorSeen]) -> list[SectorSeen]:
    """Sectors with an angle: their own, else that of the same number on the nearest cylinder where it is known."""
    known: dict[int, list[SectorSeen]] = defaultdict(list)
    for one in seen:
        if math.isfinite(one.angle):
            known[one.number].append(one)
    found = []
    for one in seen:
        if math.isfinite(one.angle):
            found.append(one)
        elif others := known.get(one.number):
            nearest = min(others, key=lambda s: abs(s.cylinder - one.cylinder))
            found.append(replace(one, angle=nearest.angle))
    return found


def _binned(seen: Sequence[SectorSeen], source: str) -> AngleCount | None:
    failed = [s for s in seen if s.failed]
    if len(failed) < _FEWEST:
        return None
    tracks: dict[tuple[int, tuple[str, ...]], int] = defaultdict(int)
    for one in seen:
        tracks[one.cylinder, one.by] += 1
    count = max(tracks.values())
    angles = np.array([s.angle for s in seen])
    # Bins as wide as a sector, laid so that sectors fall in their middle.
    phase = float(np.angle(np.exp(2j * np.pi * count * angles).mean())) / (2 * np.pi * count)
    places = np.round((angles - phase) * count).astype(np.int64) % count
    lost = np.array([s.failed for s in seen])
    return AngleCount(
        disk=seen[0].disk,
        side=seen[0].side,
        first_cylinder=min(s.cylinder for s in seen),
        last_cylinder=max(s.cylinder for s in seen),
        by=frozenset(name for s in failed for name in s.by),
        tried=tuple(np.bincount(places, minlength=count).tolist()),
        failed=tuple(np.bincount(places[lost], minlength=count).tolist()),
        angles=tuple((np.arange(count) / count + phase) % 1.0),
        source=source,
    )


_SECTORS = r"sectors?\s+(\d+(?:\s*(?:,|;|&|\band\b|\bto\b|-)?\s*\d+)*)"
_FAILING = r"(?:failed|fail|fails|bad|lost|unread(?:able)?|(?:read )?errors?)"
_NOTED = re.compile(
    rf"\b{_SECTORS}\s+(?:(?:all|both|always|still|again|were|was|are|is)\s+)?{_FAILING}\b|\b{_FAILING}\s*(?:in|on|:)?\s+{_SECTORS}",
    re.IGNORECASE,
)
_MOST_SECTORS = 64


def sectors_noted(note: str) -> tuple[int, ...]:
    """Numbers of the sectors a note says failed, as in "sectors 3, 4 failed" or "errors in sectors 7 to 9"."""
    found: set[int] = set()
    for match in _NOTED.finditer(note):
        parts = re.findall(r"\d+|to|-", match[1] or match[2])
        for place, part in enumerate(parts):
            if part.isdecimal():
                found.add(int(part[:4]))
            elif 0 < place < len(parts) - 1 and parts[place - 1].isdecimal() and parts[place + 1].isdecimal():
                found.update(range(int(parts[place - 1][:4]), min(int(parts[place + 1][:4]), _MOST_SECTORS) + 1))
    return tuple(sorted(n for n in found if n <= _MOST_SECTORS))


@dataclass(frozen=True, slots=True)
class _Noted:
    """A row whose note says which sectors failed: `failed` by number, over all its cylinders."""

    disk: str
    side: int
    by: tuple[str, ...]
    first: int
    last: int
    failed: tuple[int, ...]

    @property
    def tracks(self) -> int:
        return self.last - self.first + 1


def _noted_row(trial: Trial) -> _Noted | None:
    """The row, where its sectors come out even over its cylinders and those named account for all that failed."""
    numbers = sectors_noted(trial.note) if trial.note and trial.sectors_failed else ()
    cylinders = trial.last_cylinder - trial.first_cylinder + 1
    count, left_over = divmod(trial.sectors_tried, cylinders)
    lowest = 0 if 0 in numbers else 1
    if not numbers or left_over or not set(numbers) <= set(range(lowest, lowest + count)):
        return None
    if not len(numbers) <= trial.sectors_failed <= len(numbers) * cylinders:
        return None
    each, more = divmod(trial.sectors_failed, len(numbers))
    lost = {n: each + (k < more) for k, n in enumerate(numbers)}
    by = tuple(name for name in (trial.mechanism, *parts_of(trial.lead), trial.host) if name)
    failed = tuple(lost.get(n, 0) for n in range(lowest, lowest + count))
    return _Noted(trial.disk, trial.side, by, trial.first_cylinder, trial.last_cylinder, failed)


def _once_each(rows: Iterable[_Noted]) -> list[_Noted]:
    """Rows of one drive, each stretch once: tried again it failed where it did each time; parts of one are left out."""
    kept: list[_Noted] = []
    for row in sorted(rows, key=lambda r: -r.tracks):
        over = next((k for k, other in enumerate(kept) if row.first <= other.last and other.first <= row.last), None)
        if over is None:
            kept.append(row)
        elif (kept[over].first, kept[over].last) == (row.first, row.last):
            kept[over] = replace(row, failed=tuple(map(min, kept[over].failed, row.failed)))
    return kept


def noted_counts(trials: Iterable[Trial]) -> tuple[AngleCount, ...]:
    """Rows whose notes say which sectors failed, by place on the turn; the number of a sector stands for its angle.

    On which cylinders of the row they failed nobody noted, so a count is of whole rows, neighbouring ones together.
    """
    of_drive: dict[tuple[str, int, int, tuple[str, ...]], list[_Noted]] = defaultdict(list)
    for trial in trials:
        if (row := _noted_row(trial)) is not None:
            of_drive[row.disk, row.side, len(row.failed), row.by].append(row)
    sides: dict[tuple[str, int, int], list[_Noted]] = defaultdict(list)
    for (disk, side, count, _), rows in of_drive.items():
        sides[disk, side, count] += _once_each(rows)
    found = [
        (first, last, [row for row in rows if first <= row.first <= last], *side)
        for side, rows in sorted(sides.items())
        for first, last in _neighbours((row.first, row.last) for row in rows)
    ]
    return tuple(
        AngleCount(
            disk=disk,
            side=side,
            first_cylinder=first,
            last_cylinder=last,
            by=frozenset(name for row in group for name in row.by),
            tried=(sum(row.tracks for row in group),) * count,
            failed=tuple(sum(lost) for lost in zip(*(row.failed for row in group), strict=True)),
            angles=tuple(k / count for k in range(count)),
            source="as the notes say",
        )
        for first, last, group, disk, side, count in found
        if sum(sum(row.failed) for row in group) >= _FEWEST
    )
