"""Captures of one disk to its surface: the whole way from pulses to sectors with states."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import replace

import numpy as np

from indexhole.errors import InputFault
from indexhole.recover.budget import FALSE_BUDGET, within_budget
from indexhole.recover.identify import TrackEvidence, identify, several_fit
from indexhole.recover.merge import Expected, merge_track
from indexhole.recover.quality import joined_quality
from indexhole.recover.reads import StreamReads
from indexhole.recover.result import Identification, Sector, SectorState, Surface, Track
from indexhole.recover.stays import OpenTrack, Stay, let_go, open_track
from indexhole.signal.capture import Capture
from indexhole.signal.cells import CellGuess
from indexhole.signal.sessions import Segment, cut_session
from indexhole.standards.layouts import Layout

__all__ = ["OpenTrack", "open_track", "open_tracks", "recover_stays", "recover_surface"]

Progress = Callable[[int, int], None]


def _evidence(opened: Sequence[Stay]) -> list[TrackEvidence]:
    by_place: dict[tuple[int, int], list[Stay]] = defaultdict(list)
    for one in opened:
        if one.cylinder is not None and one.head is not None and one.reads.ids:
            by_place[one.cylinder, one.head].append(one)
    evidence = []
    for (cylinder, head), group in sorted(by_place.items()):
        ids = [i.id for one in group for i in one.reads.ids]
        speeds = [one.speed_rpm for one in group if one.speed_rpm]
        evidence.append(
            TrackEvidence(
                cylinder,
                head,
                group[0].code,
                float(np.median([one.cell_s for one in group])),
                float(np.median(speeds)) if speeds else None,
                frozenset(i.number for i in ids),
                Counter(i.size for i in ids).most_common(1)[0][0],
            )
        )
    return evidence


def _merged(place: tuple[int, int], group: Sequence[Stay], layout: Layout | None) -> tuple[Track, list[str]]:
    cylinder, head = place
    code = Counter(one.code for one in group).most_common(1)[0][0]
    group = [one for one in group if one.code == code]
    reads = _each_once([one.capture for one in group], [_renumbered(one.reads, k) for k, one in enumerate(group)])
    zone = layout.zone(cylinder, head) if layout is not None else None
    expected = Expected(zone.sector_ids, zone.sector_bytes) if zone is not None and zone.code == code else None
    sectors, warnings = merge_track([one.indexed for one in group], reads, expected)
    speeds = [one.speed_rpm for one in group if one.speed_rpm]
    cell_s = float(np.median([one.cell_s for one in group]))
    track = Track(
        cylinder,
        head,
        sum(one.passes for one in group),
        float(np.mean(speeds)) if speeds else float("nan"),
        code,
        cell_s,
        tuple(sectors),
        joined_quality([one.quality for one in group], zone.cell_s if expected and zone else cell_s),
        tuple(dict.fromkeys(one.capture for one in group)),
    )
    warnings += _place_warnings(group, place)
    return track, [f"cylinder {cylinder} head {head}: {w}" for w in warnings]


def _each_once(captures: Sequence[str], reads: Sequence[StreamReads]) -> list[StreamReads]:
    """The reads without those two overlapping pieces of one log both hold: one field read once is one witness."""
    seen: set[tuple[str, int]] = set()
    once = []
    for capture, part in zip(captures, reads, strict=True):
        fresh = tuple(r for r in part.reads if r.cut or (capture, r.tick) not in seen)
        seen.update((capture, r.tick) for r in fresh if not r.cut)
        once.append(StreamReads(part.ids, fresh))
    return once


def _renumbered(reads: StreamReads, number: int) -> StreamReads:
    return StreamReads(
        tuple(replace(i, stream=number) for i in reads.ids), tuple(replace(r, stream=number) for r in reads.reads)
    )


def _place_warnings(group: Sequence[Stay], place: tuple[int, int]) -> list[str]:
    wrong = Counter(
        (i.id.cylinder, i.id.head)
        for one in group
        if one.from_lines
        for i in one.reads.ids
        if (i.id.cylinder, i.id.head) != place
    )
    return [f"its ids say cylinder {c} head {h}, the step lines say otherwise" for (c, h), _ in wrong.most_common(1)]


def _chosen_layout(layouts: Mapping[str, Layout], layout: str | None) -> Layout | None:
    if layout is not None and layout not in layouts:
        raise InputFault(f"there is no layout {layout!r}", remedy=f"known layouts: {', '.join(layouts)}")
    return layouts[layout] if layout else None


def _candidates(opened: Sequence[Stay], layouts: Mapping[str, Layout], layout: str | None) -> list[Identification]:
    return [Identification(layout, 1.0, "given")] if layout else identify(_evidence(opened), layouts)


def open_tracks(
    captures: Sequence[Capture], layouts: Mapping[str, Layout], layout: str | None = None
) -> tuple[list[OpenTrack], list[Identification], list[str]]:
    """Every legible stay with its clock recovered and its fields read, candidate layouts, and warnings.

    Raises:
        InputFault: an unknown layout id.
    """
    given = _chosen_layout(layouts, layout)
    opened: list[OpenTrack] = []
    warnings: list[str] = []
    recent: list[CellGuess] = []
    for capture in captures:
        session = cut_session(capture)
        warnings.extend(session.warnings)
        for segment in session.segments:
            one = open_track(segment, 0, given, recent)
            if one is None:
                warnings.append(_blank_warning(segment))
                continue
            opened.append(one)
            recent = _with_recent(recent, one.stream.code, one.stream.cell_ticks)
    return opened, _candidates([let_go(one, 0) for one in opened], layouts, layout), warnings


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
    blank: list[tuple[int | None, int | None]] = []
    for number, segment in enumerate(segments):
        one = open_track(segment, 0, given, recent)
        if one is not None:
            stays.append(let_go(one, quality_bins))
            recent = _with_recent(recent, stays[-1].code, stays[-1].cell_ticks)
        else:
            blank.append((segment.cylinder, segment.head))
            warnings.append(_blank_warning(segment))
        if progress is not None:
            progress(number + 1)
    candidates = _candidates(stays, layouts, layout)
    chosen = layouts.get(candidates[0].layout)
    groups: dict[tuple[int, int], list[Stay]] = defaultdict(list)
    for stay in stays:
        if stay.cylinder is None or stay.head is None:
            warnings.append(f"{stay.capture}: a stay with no legible id cannot be placed")
        else:
            groups[stay.cylinder, stay.head].append(stay)
    tracks = [_lost_track(*place, chosen) for place in _blank_places(blank, groups, chosen)]
    for place in sorted(groups):
        track, told = _merged(place, groups[place], chosen)
        tracks.append(track)
        warnings.extend(told)
    tracks.sort(key=lambda t: (t.cylinder, t.head))
    tracks, doubted = within_budget(tracks)
    if doubted:
        warnings.append(
            f"{doubted} mended sectors left as suspect, to keep the chance of any false one under {FALSE_BUDGET:g}"
        )
    warnings.extend(several_fit(candidates))
    return Surface(candidates[0].layout, candidates[0].probability, tuple(candidates), tuple(tracks), tuple(warnings))


def _blank_places(
    blank: Sequence[tuple[int | None, int | None]],
    groups: Mapping[tuple[int, int], Sequence[Stay]],
    layout: Layout | None,
) -> list[tuple[int, int]]:
    """Tracks the layout has, the head stood on, and nothing legible came from."""
    places = {(c, h) for c, h in blank if c is not None and h is not None}
    return sorted((c, h) for c, h in places if layout is not None and layout.zone(c, h) and (c, h) not in groups)


def _lost_track(cylinder: int, head: int, layout: Layout | None) -> Track:
    zone = layout.zone(cylinder, head) if layout is not None else None
    assert zone is not None
    how = "no legible recording on this track"
    lost = tuple(Sector(n, zone.sector_bytes, SectorState.LOST, b"", 0, how) for n in sorted(zone.sector_ids))
    return Track(cylinder, head, 0, float("nan"), zone.code, zone.cell_s, lost)


def _blank_warning(segment: Segment) -> str:
    where = segment.capture
    if segment.cylinder is not None:
        where += f" cylinder {segment.cylinder} head {segment.head}"
    return f"{where}: no legible recording in {segment.read_ticks.size} pulses"
