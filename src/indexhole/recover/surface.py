"""Captures of one disk to its surface: the whole way from pulses to sectors with states."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import replace

from indexhole.codes.code import CodeName
from indexhole.codes.known import CODES
from indexhole.errors import InputFault
from indexhole.recover.layouts.describe import describe
from indexhole.recover.layouts.identify import Log, identify
from indexhole.recover.sectors.budget import FALSE_BUDGET, within_budget
from indexhole.recover.sectors.dwells import Blank, Dwell, OpenTrack, blank_of, discard_pulses, open_track
from indexhole.recover.sectors.open_dwells import MOST_HELD_PULSES, OpenDwells
from indexhole.recover.sectors.seen import TrackSeen, tracks_seen
from indexhole.recover.shapes.description import Description
from indexhole.recover.shapes.result import Identification, Surface
from indexhole.recover.tracks.assemble import blank_tracks, blank_warning, merged_track
from indexhole.recover.tracks.placing import Placing, place_dwells
from indexhole.signal.captures.capture import Capture
from indexhole.signal.clock.cells import CellGuess
from indexhole.signal.dwells.sessions import Segment, cut_session
from indexhole.standards.layouts import Layout

__all__ = ["OpenTrack", "open_dwells", "open_track", "open_tracks", "recover_dwells", "recover_surface"]

Progress = Callable[[int, int], None]


def _chosen_layout(layouts: Mapping[str, Layout], layout: str | None) -> Layout | None:
    if layout is not None and layout not in layouts:
        raise InputFault(f"there is no layout {layout!r}", remedy=f"known layouts: {', '.join(layouts)}")
    return layouts[layout] if layout else None


def _describe(placing: Placing) -> tuple[list[TrackSeen], Description]:
    """What was seen of each track, and how they are laid out."""
    tracks = tracks_seen(placing.dwells)
    holes = Counter([s.holes for s in placing.dwells] + [b.holes for b in placing.blank]).most_common(1)
    captures = dict.fromkeys(one.capture for one in placing.dwells)
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
    stood = [one for one in placing.dwells if one.from_lines]
    blank = {(b.cylinder, b.head) for b in placing.blank if b.cylinder is not None and b.head is not None}
    log = Log(
        frozenset(s.cylinder for s in stood if s.cylinder is not None) | {c for c, _ in blank},
        frozenset(s.head for s in stood if s.head is not None) | {h for _, h in blank},
        frozenset(blank) - {(t.cylinder, t.head) for t in tracks},
    )
    return identify(tracks, layouts, log, seen)


def open_tracks(
    captures: Sequence[Capture], layouts: Mapping[str, Layout], layout: str | None = None
) -> tuple[OpenDwells, list[Identification], list[str]]:
    """Every legible dwell with its clock recovered and its fields read, candidate layouts, and warnings.

    Raises:
        InputFault: an unknown layout id.
    """
    sessions = [cut_session(capture) for capture in captures]
    segments = (segment for session in sessions for segment in session.segments)
    opened, candidates, warnings = open_dwells(segments, layouts, layout)
    return opened, candidates, [*(w for session in sessions for w in session.warnings), *warnings]


def open_dwells(
    segments: Iterable[Segment],
    layouts: Mapping[str, Layout],
    layout: str | None = None,
    *,
    most_held: int = MOST_HELD_PULSES,
) -> tuple[OpenDwells, list[Identification], list[str]]:
    """The same from dwells as they come, in memory while they have no more than `most_held` pulses in all."""
    opened = OpenDwells(most_held)
    dwells, blank = _discard_pulses(segments, _chosen_layout(layouts, layout), 0, opened)
    placing = place_dwells(dwells, blank)
    _place(opened, dwells, placing)
    tracks, seen = _describe(placing)
    warnings = [*map(blank_warning, blank), *placing.warnings]
    return opened, _candidates(placing, tracks, seen, layouts, layout), warnings


def _discard_pulses(
    segments: Iterable[Segment],
    layout: Layout | None,
    quality_bins: int,
    opened: OpenDwells | None = None,
    progress: Callable[[int], None] | None = None,
) -> tuple[list[Dwell], list[Blank]]:
    """Dwells as they come, each opened and discarded before the next is asked for; legible ones into `opened` too."""
    dwells: list[Dwell] = []
    blank: list[Blank] = []
    recent: list[CellGuess] = []
    for number, segment in enumerate(segments):
        one = open_track(segment, 0, layout, recent)
        if one is None:
            blank.append(blank_of(segment))
        else:
            dwells.append(discard_pulses(one, quality_bins))
            recent = _with_recent(recent, one.stream.code, one.stream.cell_ticks)
            if opened is not None:
                opened.append(one)
        if progress is not None:
            progress(number + 1)
    return dwells, blank


def _place(opened: OpenDwells, dwells: Sequence[Dwell], placing: Placing) -> None:
    """Put open dwells where the same dwells, discarded since, were found to be."""
    # Replacing a dwell's place leaves its reads the same object.
    placed = {id(dwell.reads): dwell for dwell in placing.dwells}
    found = ((k, placed.get(id(dwell.reads))) for k, dwell in enumerate(dwells))
    opened.place([(k, dwell.cylinder, dwell.head) for k, dwell in found if dwell is not None])


def _with_recent(recent: Sequence[CellGuess], code: CodeName, cell_ticks: float) -> list[CellGuess]:
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
        progress: called with (dwells done, dwells in all).

    Raises:
        InputFault: an unknown layout id.
    """
    sessions = [cut_session(capture) for capture in captures]
    count = sum(len(session.segments) for session in sessions)
    segments = (segment for session in sessions for segment in session.segments)
    found_warnings = [warning for session in sessions for warning in session.warnings]
    report = None if progress is None else lambda done: progress(done, count)
    surface = recover_dwells(segments, layouts, layout, quality_bins=quality_bins, progress=report)
    return replace(surface, warnings=(*found_warnings, *surface.warnings))


def recover_dwells(
    segments: Iterable[Segment],
    layouts: Mapping[str, Layout],
    layout: str | None = None,
    *,
    quality_bins: int = 0,
    opened: OpenDwells | None = None,
    progress: Callable[[int], None] | None = None,
) -> Surface:
    """Recover from dwells as they come: each is discarded before the next is asked for, so a log may be of any length.

    Arguments and faults as of recover_surface; `progress` is called with the number of dwells done. The legible dwells
    go into `opened` for whoever needs their pulses again.
    """
    dwells, blank = _discard_pulses(segments, _chosen_layout(layouts, layout), quality_bins, opened, progress)
    placing = place_dwells(dwells, blank)
    if opened is not None:
        _place(opened, dwells, placing)
    shown, seen = _describe(placing)
    candidates = _candidates(placing, shown, seen, layouts, layout)
    chosen = layouts.get(candidates[0].layout)
    warnings = list(placing.warnings)
    groups: dict[tuple[int, int], list[Dwell]] = defaultdict(list)
    for dwell in _as_numbered(placing, chosen):
        if dwell.cylinder is None or dwell.head is None:
            warnings.append(f"{dwell.capture}: a dwell with no legible id cannot be placed")
        else:
            groups[dwell.cylinder, dwell.head].append(dwell)
    tracks, found_warnings = blank_tracks(placing.blank, groups, chosen)
    warnings.extend(found_warnings)
    for place in sorted(groups):
        track, found_warnings = merged_track(place, groups[place], chosen, seen, placing)
        tracks.append(track)
        warnings.extend(found_warnings)
    tracks.sort(key=lambda t: (t.cylinder, t.head))
    tracks, doubted = within_budget(tracks)
    if doubted:
        warnings.append(
            f"{doubted} mended sectors left as suspect, to keep the chance of any false one under {FALSE_BUDGET:g}"
        )
    return Surface(
        candidates[0].layout, candidates[0].probability, tuple(candidates), tuple(tracks), tuple(warnings), seen
    )


def _as_numbered(placing: Placing, layout: Layout | None) -> list[Dwell]:
    """Dwells placed by their ids where no lines told, which may count from another number by the layout."""
    if layout is None or (layout.track_number(0, 0), layout.track_number(0, 1)) == (0, 0):
        return list(placing.dwells)
    return [
        replace(s, cylinder=s.cylinder - layout.track_number(0, s.head))
        if not s.from_lines
        and not CODES[s.code].track.numbered_through
        and s.cylinder is not None
        and s.head is not None
        else s
        for s in placing.dwells
    ]
