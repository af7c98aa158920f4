"""Tracks put together from their dwells: sectors of all codes, quality, oddities; and tracks nothing came from."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import replace

import numpy as np

from indexhole.codes.code import CodeName
from indexhole.codes.known import CODES
from indexhole.recover.fields.reads import IdRead, StreamReads
from indexhole.recover.layouts.draft import ranges
from indexhole.recover.sectors.dwells import Blank, Dwell
from indexhole.recover.sectors.quality import joined_quality
from indexhole.recover.shapes.description import Description
from indexhole.recover.shapes.result import Sector, SectorState, Track
from indexhole.recover.tracks.merge import Expected, merge_track
from indexhole.recover.tracks.oddities import OddTrack, blank_oddity, track_oddities
from indexhole.recover.tracks.placing import Placing
from indexhole.standards.layouts import Layout

# Tracks of a zone by which one of them can be called long or short.
_MANY_ALIKE = 4


def merged_track(
    place: tuple[int, int], group: Sequence[Dwell], layout: Layout | None, seen: Description, placing: Placing
) -> tuple[Track, list[str]]:
    """One track from all dwells on it, and warnings.

    Args:
        place: cylinder and head.
        group: the dwells.
        layout: that of the disk, None when it is not known.
        seen: how the tracks of the disk are laid out by themselves.
        placing: what ids on a place are expected to say.
    """
    cylinder, head = place
    code = Counter(one.code for one in group).most_common(1)[0][0]
    group = [one for one in group if one.code == code]
    reads = _each_once([one.capture for one in group], [_renumbered(one.reads, k) for k, one in enumerate(group)])
    broken = [replace(i, stream=k) for k, one in enumerate(group) for i in one.reads.broken_ids]
    zone = layout.zone(cylinder, head) if layout is not None else None
    expected = Expected(zone.sector_ids, zone.sector_bytes) if zone is not None and zone.code == code else None
    passes = sum(one.passes for one in group)
    merged = merge_track([one.indexed for one in group], reads, expected, broken, passes)
    second = _second_code(group, expected)
    speeds = [one.speed_rpm for one in group if one.speed_rpm]
    cell_s = float(np.median([one.cell_s for one in group]))
    odd = OddTrack(
        group,
        merged,
        second,
        expected.numbers if expected else (),
        expected.size if expected else 0,
        _named(placing, place, group, layout),
        _usual_cells(place, seen, layout, code),
    )
    track = Track(
        cylinder,
        head,
        passes,
        float(np.mean(speeds)) if speeds else float("nan"),
        code,
        cell_s,
        _together(merged.sectors, second),
        joined_quality([one.quality for one in group], zone.cell_s if expected and zone else cell_s),
        tuple(dict.fromkeys(one.capture for one in group)),
        track_oddities(odd),
    )
    return track, [f"cylinder {cylinder} head {head}: {w}" for w in merged.warnings]


def _second_code(group: Sequence[Dwell], expected: Expected | None) -> dict[CodeName, list[Sector]]:
    """Sectors in a second code, by code."""
    found: dict[CodeName, list[Sector]] = {}
    for code in sorted({one.other[0] for one in group if one.other}):
        own = [(one.indexed, one.other[1]) for one in group if one.other and one.other[0] == code]
        reads = [_renumbered(part, k) for k, (_, part) in enumerate(own)]
        sectors = merge_track([has for has, _ in own], reads, None).sectors
        numbers = expected.numbers if expected else None
        found[code] = [replace(s, in_image=s.in_image and (numbers is None or s.id in numbers)) for s in sectors]
    return found


def _together(sectors: Sequence[Sector], second: Mapping[CodeName, Sequence[Sector]]) -> tuple[Sector, ...]:
    """Sectors of all codes; one that was lost in the first gives way to what a second code has of its number."""
    others = [s for own in second.values() for s in own]
    elsewhere = {s.id for s in others}
    kept = [s for s in sectors if s.state is not SectorState.LOST or s.id not in elsewhere]
    taken = {s.id for s in kept if s.in_image}
    others = [replace(s, in_image=s.in_image and s.id not in taken) for s in others]
    return tuple(sorted([*kept, *others], key=lambda s: (s.id, not s.in_image)))


def _named(placing: Placing, place: tuple[int, int], group: Sequence[Dwell], layout: Layout | None) -> tuple[int, int]:
    """What ids on a track are expected to say."""
    cylinder, head = placing.named(*place)
    if (
        layout is not None
        and not CODES[group[0].code].track.numbered_through
        and not any(one.from_lines for one in group)
    ):
        cylinder = layout.track_number(*place)
    return cylinder, head


def _usual_cells(
    place: tuple[int, int], seen: Description, layout: Layout | None, code: CodeName
) -> tuple[float, bool] | None:
    """Cells a turn of tracks like one, and whether only the layout tells them."""
    like = seen.zone(*place)
    if like is not None and like.code == code and like.tracks >= _MANY_ALIKE and like.cells_a_turn:
        return like.cells_a_turn, False
    zone = layout.zone(*place) if layout is not None else None
    if layout is not None and zone is not None and zone.code == code:
        return 60 / layout.speed_rpm / zone.cell_s, True
    return None


def _each_once(captures: Sequence[str], reads: Sequence[StreamReads]) -> list[StreamReads]:
    """The reads without those two overlapping pieces of one log both hold: one field read once is one witness."""
    seen: set[tuple[str, int]] = set()
    once = []
    for capture, part in zip(captures, reads, strict=True):
        fresh = tuple(r for r in part.reads if r.cut or (capture, r.tick) not in seen)
        seen.update((capture, r.tick) for r in fresh if not r.cut)
        once.append(StreamReads(part.ids, fresh, part.broken_ids))
    return once


def _renumbered(reads: StreamReads, number: int) -> StreamReads:
    if number == 0:
        return reads
    ids = tuple(IdRead(number, i.id, i.at, i.turn) for i in reads.ids)
    return StreamReads(ids, tuple(r.rewritten(number, r.source) for r in reads.reads))


def blank_tracks(
    blank: Sequence[Blank], groups: Mapping[tuple[int, int], Sequence[Dwell]], layout: Layout | None
) -> tuple[list[Track], list[str]]:
    """Tracks nothing legible came from, and what to say of dwells that are none.

    Where the layout has a track its sectors are lost; without a layout there is a track without sectors; beyond the
    layout, or without a place, there is none.
    """
    by_place: dict[tuple[int, int], list[Blank]] = defaultdict(list)
    outside: list[tuple[int, int]] = []
    warnings: list[str] = []
    for one in blank:
        if one.cylinder is None or one.head is None or (one.cylinder, one.head) in groups:
            warnings.append(blank_warning(one))
        elif layout is None or layout.zone(one.cylinder, one.head) is not None:
            by_place[one.cylinder, one.head].append(one)
        else:
            outside.append((one.cylinder, one.head))
    tracks = [_lost_track(*place, own, layout) for place, own in sorted(by_place.items())]
    warnings += [blank_warning(own[0]) for own in by_place.values()]
    if outside:
        cylinders = ranges(sorted({c for c, _ in outside}))
        warnings.append(f"nothing legible on cylinder {cylinders}, which the layout has not")
    return tracks, warnings


def _lost_track(cylinder: int, head: int, blank: Sequence[Blank], layout: Layout | None) -> Track:
    zone = layout.zone(cylinder, head) if layout is not None else None
    speeds = [b.speed_rpm for b in blank if b.speed_rpm]
    how = "no legible recording on this track"
    lost = (
        [] if zone is None else [Sector(n, zone.sector_bytes, SectorState.LOST, b"", 0, how) for n in zone.sector_ids]
    )
    guess = blank[0].guess
    return Track(
        cylinder,
        head,
        0,
        float(np.mean(speeds)) if speeds else float("nan"),
        zone.code if zone is not None else guess.code if guess is not None else "",
        zone.cell_s if zone is not None else blank[0].cell_s or float("nan"),
        tuple(sorted(lost, key=lambda s: s.id)),
        captures=tuple(dict.fromkeys(b.capture for b in blank)),
        oddities=(blank_oddity(blank[0]),),
    )


def blank_warning(blank: Blank) -> str:
    """What to say of a dwell nothing legible came from."""
    where = blank.capture
    if blank.cylinder is not None:
        where += f" cylinder {blank.cylinder} head {blank.head}"
    return f"{where}: no legible recording in {blank.pulses} pulses; {blank_oddity(blank).words}"
