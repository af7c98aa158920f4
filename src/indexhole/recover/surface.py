"""Captures of one disk to its surface: the whole way from pulses to sectors with states."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import replace

import numpy as np

from indexhole.errors import InputFault
from indexhole.recover.budget import FALSE_BUDGET, within_budget
from indexhole.recover.describe import Description, describe
from indexhole.recover.draft import ranges
from indexhole.recover.identify import Log, identify, several_fit
from indexhole.recover.merge import Expected, merge_track
from indexhole.recover.oddities import OddTrack, blank_oddity, track_oddities
from indexhole.recover.placing import Placing, place_stays
from indexhole.recover.quality import joined_quality
from indexhole.recover.reads import IdRead, StreamReads
from indexhole.recover.result import Identification, Sector, SectorState, Surface, Track
from indexhole.recover.seen import TrackSeen, tracks_seen
from indexhole.recover.stays import Blank, OpenTrack, Stay, blank_of, let_go, open_track
from indexhole.signal.capture import Capture
from indexhole.signal.cells import CellGuess
from indexhole.signal.sessions import Segment, cut_session
from indexhole.standards.layouts import Layout

__all__ = ["OpenTrack", "open_track", "open_tracks", "recover_stays", "recover_surface"]

Progress = Callable[[int, int], None]
# Tracks of a zone by which one of them can be called long or short.
_MANY_ALIKE = 4


def _merged(
    place: tuple[int, int], group: Sequence[Stay], layout: Layout | None, seen: Description, placing: Placing
) -> tuple[Track, list[str]]:
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


def _second_code(group: Sequence[Stay], expected: Expected | None) -> dict[str, list[Sector]]:
    """Sectors in a second code, by code."""
    found: dict[str, list[Sector]] = {}
    for code in sorted({one.other[0] for one in group if one.other}):
        own = [(one.indexed, one.other[1]) for one in group if one.other and one.other[0] == code]
        reads = [_renumbered(part, k) for k, (_, part) in enumerate(own)]
        sectors = merge_track([has for has, _ in own], reads, None).sectors
        numbers = expected.numbers if expected else None
        found[code] = [replace(s, in_image=s.in_image and (numbers is None or s.id in numbers)) for s in sectors]
    return found


def _together(sectors: Sequence[Sector], second: Mapping[str, Sequence[Sector]]) -> tuple[Sector, ...]:
    """Sectors of all codes; one that was lost in the first gives way to what a second code has of its number."""
    others = [s for own in second.values() for s in own]
    elsewhere = {s.id for s in others}
    kept = [s for s in sectors if s.state is not SectorState.LOST or s.id not in elsewhere]
    taken = {s.id for s in kept if s.in_image}
    others = [replace(s, in_image=s.in_image and s.id not in taken) for s in others]
    return tuple(sorted([*kept, *others], key=lambda s: (s.id, not s.in_image)))


def _named(placing: Placing, place: tuple[int, int], group: Sequence[Stay], layout: Layout | None) -> tuple[int, int]:
    """What ids on a track are expected to say."""
    cylinder, head = placing.named(*place)
    if layout is not None and group[0].code != "group45" and not any(one.from_lines for one in group):
        cylinder = layout.track_number(*place)
    return cylinder, head


def _usual_cells(
    place: tuple[int, int], seen: Description, layout: Layout | None, code: str
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


def _chosen_layout(layouts: Mapping[str, Layout], layout: str | None) -> Layout | None:
    if layout is not None and layout not in layouts:
        raise InputFault(f"there is no layout {layout!r}", remedy=f"known layouts: {', '.join(layouts)}")
    return layouts[layout] if layout else None


def _describe(placing: Placing) -> tuple[list[TrackSeen], Description]:
    """What was seen of each track, and how they are laid out."""
    tracks = tracks_seen(placing.stays)
    holes = Counter([s.holes for s in placing.stays] + [b.holes for b in placing.blank]).most_common(1)
    captures = dict.fromkeys(one.capture for one in placing.stays)
    return tracks, describe(
        tracks, holes=holes[0][0] if holes else 0, offset=placing.offset, captures=captures, notes=placing.warnings
    )


def _candidates(
    placing: Placing,
    tracks: Sequence[TrackSeen],
    seen: Description,
    layouts: Mapping[str, Layout],
    layout: str | None,
) -> list[Identification]:
    if layout:
        return [Identification(layout, 1.0, "given")]
    stood = [one for one in placing.stays if one.from_lines]
    blank = {(b.cylinder, b.head) for b in placing.blank if b.cylinder is not None and b.head is not None}
    log = Log(
        frozenset(s.cylinder for s in stood if s.cylinder is not None) | {c for c, _ in blank},
        frozenset(s.head for s in stood if s.head is not None) | {h for _, h in blank},
        frozenset(blank) - {(t.cylinder, t.head) for t in tracks},
    )
    return identify(tracks, layouts, log, seen)


def open_tracks(
    captures: Sequence[Capture], layouts: Mapping[str, Layout], layout: str | None = None
) -> tuple[list[OpenTrack], list[Identification], list[str]]:
    """Every legible stay with its clock recovered and its fields read, candidate layouts, and warnings.

    Raises:
        InputFault: an unknown layout id.
    """
    given = _chosen_layout(layouts, layout)
    opened: list[OpenTrack] = []
    blank: list[Blank] = []
    warnings: list[str] = []
    recent: list[CellGuess] = []
    for capture in captures:
        session = cut_session(capture)
        warnings.extend(session.warnings)
        for segment in session.segments:
            one = open_track(segment, 0, given, recent)
            if one is None:
                blank.append(blank_of(segment))
                warnings.append(_blank_warning(blank[-1]))
                continue
            opened.append(one)
            recent = _with_recent(recent, one.stream.code, one.stream.cell_ticks)
    placing = place_stays([let_go(one, 0) for one in opened], blank)
    tracks, seen = _describe(placing)
    return opened, _candidates(placing, tracks, seen, layouts, layout), warnings


def _with_recent(recent: Sequence[CellGuess], code: str, cell_ticks: float) -> list[CellGuess]:
    return [CellGuess(code, cell_ticks, 0.5), *recent][:2]


def recover_surface(
    captures: Sequence[Capture],
    layouts: Mapping[str, Layout],
    layout: str | None = None,
    *,
    quality_bins: int = 0,
    progress: Progress | None = None,
) -> Surface:
    """Recover everything a set of captures of one disk holds.

    Args:
        captures: any number of files; passes and files of one track are combined.
        layouts: the library, keeper's own layouts included.
        layout: id of the layout when it is known, else it is identified.
        quality_bins: bins a turn of the quality map; 0 leaves it out.
        progress: called with (stays done, stays in all).

    Raises:
        InputFault: an unknown layout id.
    """
    sessions = [cut_session(capture) for capture in captures]
    count = sum(len(session.segments) for session in sessions)
    segments = (segment for session in sessions for segment in session.segments)
    told = [warning for session in sessions for warning in session.warnings]
    report = None if progress is None else lambda done: progress(done, count)
    surface = recover_stays(segments, layouts, layout, quality_bins=quality_bins, progress=report)
    return replace(surface, warnings=(*told, *surface.warnings))


def recover_stays(
    segments: Iterable[Segment],
    layouts: Mapping[str, Layout],
    layout: str | None = None,
    *,
    quality_bins: int = 0,
    progress: Callable[[int], None] | None = None,
) -> Surface:
    """Recover from stays as they come: each is let go before the next is asked for, so a log may be of any length.

    Arguments and faults as of recover_surface; `progress` is called with the number of stays done.
    """
    given = _chosen_layout(layouts, layout)
    warnings: list[str] = []
    stays: list[Stay] = []
    recent: list[CellGuess] = []
    blank: list[Blank] = []
    for number, segment in enumerate(segments):
        one = open_track(segment, 0, given, recent)
        if one is not None:
            stays.append(let_go(one, quality_bins))
            recent = _with_recent(recent, stays[-1].code, stays[-1].cell_ticks)
        else:
            blank.append(blank_of(segment))
        if progress is not None:
            progress(number + 1)
    placing = place_stays(stays, blank)
    shown, seen = _describe(placing)
    candidates = _candidates(placing, shown, seen, layouts, layout)
    chosen = layouts.get(candidates[0].layout)
    warnings += placing.warnings
    groups: dict[tuple[int, int], list[Stay]] = defaultdict(list)
    for stay in _as_numbered(placing, chosen):
        if stay.cylinder is None or stay.head is None:
            warnings.append(f"{stay.capture}: a stay with no legible id cannot be placed")
        else:
            groups[stay.cylinder, stay.head].append(stay)
    tracks, told = _blank_tracks(placing.blank, groups, chosen)
    warnings.extend(told)
    for place in sorted(groups):
        track, told = _merged(place, groups[place], chosen, seen, placing)
        tracks.append(track)
        warnings.extend(told)
    tracks.sort(key=lambda t: (t.cylinder, t.head))
    tracks, doubted = within_budget(tracks)
    if doubted:
        warnings.append(
            f"{doubted} mended sectors left as suspect, to keep the chance of any false one under {FALSE_BUDGET:g}"
        )
    warnings.extend(several_fit(candidates))
    return Surface(
        candidates[0].layout, candidates[0].probability, tuple(candidates), tuple(tracks), tuple(warnings), seen
    )


def _as_numbered(placing: Placing, layout: Layout | None) -> list[Stay]:
    """Stays placed by their ids where no lines told, which may count from another number by the layout."""
    if layout is None or (layout.track_number(0, 0), layout.track_number(0, 1)) == (0, 0):
        return list(placing.stays)
    return [
        replace(s, cylinder=s.cylinder - layout.track_number(0, s.head))
        if not s.from_lines and s.code != "group45" and s.cylinder is not None and s.head is not None
        else s
        for s in placing.stays
    ]


def _blank_tracks(
    blank: Sequence[Blank], groups: Mapping[tuple[int, int], Sequence[Stay]], layout: Layout | None
) -> tuple[list[Track], list[str]]:
    """Tracks nothing legible came from, and what to say of stays that are none.

    Where the layout has a track its sectors are lost; without a layout there is a track without sectors; beyond the
    layout, or without a place, there is none.
    """
    by_place: dict[tuple[int, int], list[Blank]] = defaultdict(list)
    outside: list[tuple[int, int]] = []
    warnings: list[str] = []
    for one in blank:
        if one.cylinder is None or one.head is None or (one.cylinder, one.head) in groups:
            warnings.append(_blank_warning(one))
        elif layout is None or layout.zone(one.cylinder, one.head) is not None:
            by_place[one.cylinder, one.head].append(one)
        else:
            outside.append((one.cylinder, one.head))
    tracks = [_lost_track(*place, own, layout) for place, own in sorted(by_place.items())]
    warnings += [_blank_warning(own[0]) for own in by_place.values()]
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


def _blank_warning(blank: Blank) -> str:
    where = blank.capture
    if blank.cylinder is not None:
        where += f" cylinder {blank.cylinder} head {blank.head}"
    return f"{where}: no legible recording in {blank.pulses} pulses; {blank_oddity(blank).words}"
