"""A draft layout from a description, as a file a keeper can use and amend.

What the tracks do not give is filled in and said to be a guess: the disk class, from density and cylinders; how many
cylinders there are where the log shows only some; where a zone ends when nothing was logged in between.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from typing import assert_never

from indexhole.codes.code import Blocks, CodeName, MarkedFields
from indexhole.codes.known import CODES
from indexhole.kinds import every
from indexhole.recover.layouts.layout_text import printable
from indexhole.recover.shapes.description import Description, Zone
from indexhole.standards.classes import DiskClass, load_classes
from indexhole.standards.layouts import Gaps, Layout, load_layouts
from indexhole.standards.layouts import Zone as LayoutZone

_SPEEDS_RPM = (300.0, 360.0)
_NEAR_SPEED = 0.06
# A writer's speed may be off by so much: a cell this near a usual one is taken for it.
_NEAR_CELL = 0.015
_NEAR_DENSITY = 0.1
# Of the cylinders of a class so many must be seen, from 00 on, for the log to show the whole disk.
_WHOLE_DISK = 0.8
# Disk classes that tracks of blocks are met on, with the most cylinders of each.
_BLOCK_CLASSES = (("130-48", 42), ("130-100", 255))
# Gaps 4a, 1, 2 and 3 where none was measured.
_USUAL_GAPS: Mapping[CodeName, tuple[int, int, int, int]] = every(
    CodeName, {"fm": (40, 26, 11, 20), "mfm": (80, 50, 22, 40), "group45": (0, 0, 9, 8)}
)


@dataclass(frozen=True)
class DraftZone:
    """A zone of the draft beside the one it was seen as; `measured_us` its cell at nominal speed before rounding."""

    seen: Zone
    measured_us: float
    zone: LayoutZone


@dataclass(frozen=True)
class Draft:
    """A draft layout, valid as it is.

    Attributes:
        layout: its `note` holds what a layout cannot say.
        zones: each with what it stands on.
        guesses: what was filled in, in words.
    """

    layout: Layout
    zones: tuple[DraftZone, ...]
    guesses: tuple[str, ...]


def draft_layout(seen: Description) -> Draft | None:
    """A layout that fits what was seen, None when there was no zone.

    Its text (`layout_text.layout_toml`) reads back as the same layout with standards.layouts.parse_layout.
    """
    zones = [z for z in seen.zones if z.numbers]
    if not zones:
        return None
    guesses: list[str] = []
    speed_rpm = _nominal_speed(seen, zones, guesses)
    measured = [_measured_us(z, speed_rpm) for z in zones]
    disk_class, cylinders = _extent(seen, zones, measured, speed_rpm, guesses)
    drafted: list[DraftZone] = []
    for part in _spread(zones, measured, cylinders, guesses):
        drafted.append(DraftZone(part.seen, part.measured_us, _layout_zone(part, speed_rpm, guesses)))
    largest = max(drafted, key=lambda d: d.seen.tracks)
    common = largest.zone.gaps or Gaps()
    sides = 1 + max(h for d in drafted for h in d.zone.heads)
    blocks = next((c.track for c in (d.zone.recording for d in drafted) if isinstance(c.track, Blocks)), None)
    layout = Layout(
        id=_layout_id(seen.captures),
        title=f"{disk_class.title}, {zone_title(largest.zone, sides)}",
        disk_class=disk_class.id,
        speed_rpm=speed_rpm,
        cylinders=cylinders,
        heads=sides,
        track_number_base=1 if blocks is not None or seen.offset == 1 else 0,
        second_side_track_offset=blocks.tracks_a_side if blocks is not None and sides == 2 else 0,
        zones=tuple(d.zone if d.zone.gaps != common else d.zone.model_copy(update={"gaps": None}) for d in drafted),
        gaps=common,
        source=f"drafted from {printable(', '.join(seen.captures)) or 'unnamed captures'} on this recovery",
        mark="OWN",
        note="; ".join(skew_words(z) for z in zones if skew_words(z)),
    )
    return Draft(layout, tuple(drafted), tuple(dict.fromkeys(guesses)))


def zone_title(zone: LayoutZone, sides: int) -> str:
    """`MFM, both sides, 9 sectors of 512 bytes`."""
    side = "both sides" if sides == 2 else "one side"
    return f"{zone.recording.title}, {side}, {zone.sectors} sectors of {zone.sector_bytes} bytes"


def skew_words(zone: Zone) -> str:
    """How the numbers shift from track to track, "" when they do not or nothing tells."""
    parts = []
    if zone.skew_cylinder:
        parts.append(f"{zone.skew_cylinder} places from one cylinder to the next")
    if zone.skew_head:
        parts.append(f"{zone.skew_head} places from side 0 to side 1")
    return f"the sector numbers shift {' and '.join(parts)}" if parts else ""


def _layout_id(captures: Sequence[str]) -> str:
    stem = captures[0].split(".")[0].lower() if captures else ""
    slug = re.sub(r"[^a-z0-9]+", "-", stem).strip("-")[:32].strip("-")
    return f"drafted-{slug}" if slug else "drafted"


@cache
def _usual_cells_us() -> tuple[float, ...]:
    return tuple(sorted({z.cell_us for layout in load_layouts().values() for z in layout.zones}))


def usual_cell_us(cell_us: float) -> float | None:
    """The usual cell a measured one is taken for, None when it is near none."""
    nearest = min(_usual_cells_us(), key=lambda usual: abs(cell_us / usual - 1))
    return nearest if abs(cell_us / nearest - 1) < _NEAR_CELL else None


def _measured_us(zone: Zone, speed_rpm: float) -> float:
    """Cell of a zone at nominal speed."""
    turn_s = zone.turn_s or 60 / speed_rpm
    return zone.cell_s * 1e6 * (60 / speed_rpm) / turn_s


def _nominal_speed(seen: Description, zones: Sequence[Zone], guesses: list[str]) -> float:
    """The nominal speed the recording was made for: the reader's, unless its cells are usual ones at the other only."""
    if seen.speed_rpm is None:
        guesses.append("there was no index to tell the speed by: 300 r/min is a guess")
        return _SPEEDS_RPM[0]
    near = [rpm for rpm in _SPEEDS_RPM if abs(seen.speed_rpm / rpm - 1) < _NEAR_SPEED]
    if not near:
        return float(round(seen.speed_rpm))
    other = next(rpm for rpm in _SPEEDS_RPM if rpm != near[0])

    def usual(rpm: float) -> int:
        return sum(usual_cell_us(_measured_us(z, rpm)) is not None for z in zones)

    if usual(other) > usual(near[0]):
        guesses.append(f"read at {near[0]:g} r/min, but its cells are usual ones for {other:g} r/min")
        return other
    return near[0]


def _extent(
    seen: Description, zones: Sequence[Zone], measured_us: Sequence[float], speed_rpm: float, guesses: list[str]
) -> tuple[DiskClass, int]:
    """Class and number of cylinders."""
    shown = sorted({c for own in seen.cylinders.values() for c in own})
    needed = 1 + max(z.last_cylinder for z in zones)
    fitting = _classes(zones, measured_us, speed_rpm, needed)
    chosen = fitting[0]
    others = ", ".join(c.id for c in fitting[1:])
    guesses.append(f"the disk class {chosen.id} is a guess" + (f" ({others} would fit too)" if others else ""))
    tracks = int(chosen.tracks_per_side.value)
    gaps = set(range(needed)) - set(shown)
    if needed >= _WHOLE_DISK * tracks and len(gaps) <= (1 - _WHOLE_DISK) * needed:
        return chosen, needed
    guesses.append(f"cylinders seen: {ranges(shown)}; that there are {max(tracks, needed)} alike is a guess")
    return chosen, max(tracks, needed)


def _classes(zones: Sequence[Zone], measured_us: Sequence[float], speed_rpm: float, needed: int) -> list[DiskClass]:
    """Classes these tracks may be of, the one with fewest cylinders first; at least one."""
    classes = load_classes()
    if any(isinstance(CODES[z.code].track, Blocks) for z in zones):
        return [classes[next(name for name, most in _BLOCK_CLASSES if needed <= most)]]
    shortest_s = min(us * 1e-6 * CODES[z.code].run_limits[0] for z, us in zip(zones, measured_us, strict=True))

    def off(item: DiskClass) -> float:
        own = item.shortest_spacing_s(speed_rpm)
        return abs(shortest_s / own - 1) if own else 1.0

    def wrong(item: DiskClass) -> tuple[bool, bool, bool]:
        tracks = item.tracks_per_side.value
        return off(item) > _NEAR_DENSITY, item.speed_rpm.value != speed_rpm, needed > tracks + 3

    best = min(wrong(item) for item in classes.values())
    fitting = [item for item in classes.values() if wrong(item) == best]
    return sorted(fitting, key=lambda item: (off(item) > _NEAR_DENSITY and off(item), item.tracks_per_side.value))


@dataclass(frozen=True, slots=True)
class _Extent:
    """A zone as seen with its cell at nominal speed, and the tracks it is taken to hold."""

    seen: Zone
    measured_us: float
    first: int
    last: int
    heads: tuple[int, ...]


def _spread(zones: Sequence[Zone], measured_us: Sequence[float], cylinders: int, guesses: list[str]) -> list[_Extent]:
    """Zones widened until they hold every track."""
    sides = range(1 + max(h for z in zones for h in z.heads))
    found: dict[tuple[int, int, int], list[int]] = {}
    for head in sides:
        own = [k for k, z in enumerate(zones) if head in z.heads]
        if not own:
            own = [k for k, z in enumerate(zones) if 1 - head in z.heads]
            guesses.append(f"side {head} was not seen: that it is like side {1 - head} is a guess")
        start = 0
        for place, k in enumerate(own):
            last = cylinders - 1
            if place + 1 < len(own):
                behind, ahead = zones[k].last_cylinder, zones[own[place + 1]].first_cylinder
                last = (behind + ahead - 1) // 2 if ahead > behind else behind
                if ahead - behind > 1:
                    guesses.append(f"between cylinders {behind} and {ahead} nothing tells where the zone ends")
            found.setdefault((k, start, last), []).append(head)
            start = last + 1
    return [
        _Extent(zones[k], measured_us[k], first, last, tuple(heads))
        for (k, first, last), heads in sorted(found.items(), key=lambda item: (item[0][1], item[1]))
        if first <= last
    ]


def _layout_zone(part: _Extent, speed_rpm: float, guesses: list[str]) -> LayoutZone:
    """The zone of a layout, with gaps that leave something of the turn."""
    zone, measured_us = part.seen, part.measured_us
    numbers = _in_a_row(zone.numbers)
    if len(numbers) < len(zone.numbers):
        rest = sorted(set(zone.numbers) - set(numbers))
        guesses.append(f"numbers {ranges(rest)} do not follow the others and are left out of the draft")
    if zone.interleave is None:
        guesses.append("no interleave gives the order of the sectors; the draft has them in order of number")

    def made(cell_us: float, gaps: Gaps) -> LayoutZone:
        return LayoutZone(
            first_cylinder=part.first,
            last_cylinder=part.last,
            heads=part.heads,
            code=zone.code,
            cell_us=cell_us,
            sectors=len(numbers),
            sector_bytes=zone.size,
            first_sector=numbers[0],
            interleave=zone.interleave or 1,
            gaps=gaps,
        )

    gaps = _gaps(zone)
    exact_us = round(measured_us, 4)
    for cell_us in (usual_cell_us(measured_us) or round(measured_us, 3), exact_us):
        over = 1 - _spare(made(cell_us, gaps), speed_rpm)
        if over <= 0:
            return made(cell_us, gaps)
        shorter = gaps.gap_3 - int(over / len(numbers)) - 1
        if shorter >= gaps.gap_3 // 2:
            guesses.append(f"gap 3 was {gaps.gap_3}, {shorter} is what a turn at nominal speed has room for")
            return made(cell_us, gaps.model_copy(update={"gap_3": shorter}))
    none = gaps.model_copy(update={"gap_4a": 0, "gap_1": 0, "gap_2": 0, "gap_3": 0, "index_mark": False})
    fitting_us = exact_us
    while _spare(made(fitting_us, none), speed_rpm) < 1:
        fitting_us = round(fitting_us * 0.99, 4)
    guesses.append("the track holds more than a turn at nominal speed: gaps and cell are shortened to fit")
    return made(fitting_us, none)


def _spare(zone: LayoutZone, speed_rpm: float) -> float:
    probe = Layout.model_construct(speed_rpm=speed_rpm, gaps=zone.gaps or Gaps(), zones=(zone,))
    return probe.spare_bytes(zone)


def _in_a_row(numbers: Sequence[int]) -> list[int]:
    """The longest run of numbers that follow one another."""
    runs: list[list[int]] = []
    for number in numbers:
        if runs and runs[-1][-1] == number - 1:
            runs[-1].append(number)
        else:
            runs.append([number])
    return max(runs, key=len)


def _gaps(zone: Zone) -> Gaps:
    """Measured gaps in whole bytes, the usual ones where nothing was measured."""
    usual_4a, usual_1, usual_2, usual_3 = _USUAL_GAPS[zone.code]

    def whole(name: str, usual: int, most: int) -> int:
        return min(max(round(zone.gaps.get(name, usual)), 0), most)

    gap_2, gap_3 = whole("gap_2", usual_2, 400), whole("gap_3", usual_3, 4000)
    track = CODES[zone.code].track
    match track:
        case Blocks():
            return Gaps(index_mark=False, gap_4a=0, gap_1=0, gap_2=gap_2, gap_3=gap_3)
        case MarkedFields() if "gap_1" in zone.gaps:
            gap_4a, gap_1 = whole("index_mark", usual_4a, 4000), whole("gap_1", usual_1, 4000)
            return Gaps(index_mark=True, gap_4a=gap_4a, gap_1=gap_1, gap_2=gap_2, gap_3=gap_3)
        case MarkedFields():
            return Gaps(index_mark=False, gap_4a=0, gap_1=whole("lead_in", usual_1, 4000), gap_2=gap_2, gap_3=gap_3)
        case _:
            assert_never(track)


def ranges(numbers: Sequence[int]) -> str:
    """`0 to 3, 7, 9 to 12`."""
    parts: list[str] = []
    start = 0
    for k in range(1, len(numbers) + 1):
        if k == len(numbers) or numbers[k] != numbers[k - 1] + 1:
            low, high = numbers[start], numbers[k - 1]
            parts.append(str(low) if low == high else f"{low} to {high}")
            start = k
    return ", ".join(parts)
