"""Captures of one disk to its surface: the whole way from pulses to sectors with states."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from indexhole.errors import InputFault
from indexhole.recover.budget import FALSE_BUDGET, within_budget
from indexhole.recover.identify import TrackEvidence, identify, several_fit
from indexhole.recover.merge import Expected, merge_track
from indexhole.recover.quality import quality_map
from indexhole.recover.reads import StreamReads, read_stream
from indexhole.recover.result import Identification, Sector, SectorState, Surface, Track
from indexhole.signal.capture import Capture
from indexhole.signal.cells import CellGuess, guess_cells
from indexhole.signal.sessions import Segment, cut_session
from indexhole.signal.streams import Stream, open_stream
from indexhole.standards.layouts import Layout

Progress = Callable[[int, int], None]
_NOMINAL_TURN_S = 0.2


@dataclass(frozen=True)
class OpenTrack:
    """One stay with its clock recovered and its fields read.

    Attributes:
        cylinder, head: from the step lines, else as most ids say; None when neither tells.
        speed_rpm: from the index, None without two index pulses.
        from_lines: whether the place comes from the step lines.
    """

    stream: Stream
    reads: StreamReads
    cylinder: int | None
    head: int | None
    speed_rpm: float | None
    from_lines: bool

    def mean_cell_s(self) -> float:
        """Mean recorded cell as read, over the runs a code can hold."""
        runs = self.stream.runs
        used = (runs > 0) & (runs < 6)
        total = self.stream.intervals[used].sum(dtype=np.int64)
        return float(total / runs[used].sum(dtype=np.int64) * self.stream.segment.tick_s)


def turn_ticks(segment: Segment) -> float | None:
    """Ticks of one revolution from the index pulses, None with fewer than two."""
    if segment.index_ticks.size < 2:
        return None
    gaps = np.diff(segment.index_ticks)
    # Missed or doubled index pulses must not set the speed.
    usual = float(np.median(gaps))
    kept = gaps[np.abs(gaps - usual) < 0.2 * usual]
    return float(kept.mean()) if usual > 0 else None


def _attempts(segment: Segment, layout: Layout | None, recent: Sequence[CellGuess]) -> list[CellGuess]:
    """Codes and cell lengths worth trying on a stay, most promising first.

    What the stay's own intervals say comes first; then what its neighbours were in, and what the layout
    asks for, since a badly worn stretch may not speak for itself.
    """
    own = guess_cells(segment.intervals())
    asked: list[CellGuess] = []
    if layout is not None:
        turn = turn_ticks(segment)
        ratio = 1.0 if turn is None else turn * segment.tick_s * layout.speed_rpm / 60
        asked = [CellGuess(z.code, z.cell_s * ratio / segment.tick_s, 0.5) for z in layout.zones]
        own = [g for g in own if any(g.code == a.code and abs(g.cell_ticks / a.cell_ticks - 1) < 0.12 for a in asked)]
    distinct: list[CellGuess] = []
    for guess in (*own[:3], *recent, *asked):
        if not any(d.code == guess.code and abs(d.cell_ticks / guess.cell_ticks - 1) < 0.01 for d in distinct):
            distinct.append(guess)
    return distinct


def open_track(
    segment: Segment, number: int, layout: Layout | None, recent: Sequence[CellGuess] = ()
) -> OpenTrack | None:
    """Recover the clock of a stay in the code that gives most; None when nothing legible is on it."""
    turn = turn_ticks(segment)
    best: tuple[int, Stream, StreamReads] | None = None
    for guess in _attempts(segment, layout, recent):
        stream = open_stream(segment, guess.code, guess.cell_ticks, turn or _NOMINAL_TURN_S / segment.tick_s)
        reads = read_stream(stream, number)
        worth = 2 * sum(r.passed for r in reads.reads) + len(reads.ids)
        if best is None or worth > best[0]:
            best = (worth, stream, reads)
        if reads.ids and 2 * sum(r.passed for r in reads.reads) >= len(reads.reads):
            break
    if best is None or best[0] == 0:
        return None
    _, stream, reads = best
    places = Counter((one.id.cylinder, one.id.head) for one in reads.ids).most_common(1)
    cylinder, head = places[0][0] if places else (None, None)
    from_lines = segment.cylinder is not None
    if from_lines:
        cylinder, head = segment.cylinder, segment.head
    elif segment.head is not None:
        head = segment.head
    rpm = None if turn is None else 60 / (turn * segment.tick_s)
    return OpenTrack(stream, reads, cylinder, head, rpm, from_lines)


def _evidence(opened: Sequence[OpenTrack]) -> list[TrackEvidence]:
    by_place: dict[tuple[int, int], list[OpenTrack]] = defaultdict(list)
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
                group[0].stream.code,
                float(np.median([one.mean_cell_s() for one in group])),
                float(np.median(speeds)) if speeds else None,
                frozenset(i.number for i in ids),
                Counter(i.size for i in ids).most_common(1)[0][0],
            )
        )
    return evidence


def _passes(segment: Segment, turn: float) -> int:
    """Whole turns in a stay, at least one."""
    return max(1, int((segment.read_ticks[-1] - segment.read_ticks[0]) / turn + 0.02))


def _merged(
    place: tuple[int, int], group: Sequence[OpenTrack], layout: Layout | None, bins: int
) -> tuple[Track, list[str]]:
    cylinder, head = place
    code = Counter(one.stream.code for one in group).most_common(1)[0][0]
    group = [one for one in group if one.stream.code == code]
    streams = [one.stream for one in group]
    reads = [_renumbered(one.reads, k) for k, one in enumerate(group)]
    zone = layout.zone(cylinder, head) if layout is not None else None
    expected = Expected(zone.sector_ids, zone.sector_bytes) if zone is not None and zone.code == code else None
    sectors, warnings = merge_track(streams, reads, expected)
    speeds = [one.speed_rpm for one in group if one.speed_rpm]
    nominal = zone.cell_s if expected and zone else None
    track = Track(
        cylinder,
        head,
        sum(_passes(s.segment, s.turn_ticks) for s in streams),
        float(np.mean(speeds)) if speeds else float("nan"),
        code,
        float(np.median([one.mean_cell_s() for one in group])),
        tuple(sectors),
        quality_map(streams, bins, nominal) if bins else None,
        tuple(dict.fromkeys(s.segment.capture for s in streams)),
    )
    warnings += _place_warnings(group, place)
    return track, [f"cylinder {cylinder} head {head}: {w}" for w in warnings]


def _renumbered(reads: StreamReads, number: int) -> StreamReads:
    return StreamReads(
        tuple(replace(i, stream=number) for i in reads.ids), tuple(replace(r, stream=number) for r in reads.reads)
    )


def _place_warnings(group: Sequence[OpenTrack], place: tuple[int, int]) -> list[str]:
    wrong = Counter(
        (i.id.cylinder, i.id.head)
        for one in group
        if one.from_lines
        for i in one.reads.ids
        if (i.id.cylinder, i.id.head) != place
    )
    return [f"its ids say cylinder {c} head {h}, the step lines say otherwise" for (c, h), _ in wrong.most_common(1)]


def _open_all(
    captures: Sequence[Capture], layouts: Mapping[str, Layout], layout: str | None, progress: Progress | None
) -> tuple[list[OpenTrack], list[Identification], list[str], list[Segment]]:
    """Stays read, candidate layouts, warnings, and the stays nothing legible came from."""
    if layout is not None and layout not in layouts:
        raise InputFault(f"there is no layout {layout!r}", remedy=f"known layouts: {', '.join(layouts)}")
    given = layouts[layout] if layout else None
    warnings: list[str] = []
    segments: list[Segment] = []
    for capture in captures:
        session = cut_session(capture)
        segments.extend(session.segments)
        warnings.extend(session.warnings)
    opened: list[OpenTrack] = []
    recent: list[CellGuess] = []
    blank: list[Segment] = []
    for number, segment in enumerate(segments):
        one = open_track(segment, 0, given, recent)
        if one is not None:
            opened.append(one)
            recent = [CellGuess(one.stream.code, one.stream.cell_ticks, 0.5), *recent][:2]
        else:
            blank.append(segment)
            warnings.append(_blank_warning(segment))
        if progress is not None:
            progress(number + 1, len(segments))
    candidates = [Identification(layout, 1.0, "given")] if layout else identify(_evidence(opened), layouts)
    return opened, candidates, warnings, blank


def open_tracks(
    captures: Sequence[Capture], layouts: Mapping[str, Layout], layout: str | None = None
) -> tuple[list[OpenTrack], list[Identification], list[str]]:
    """Every legible stay with its clock recovered and its fields read, candidate layouts, and warnings.

    Raises:
        InputFault: an unknown layout id.
    """
    return _open_all(captures, layouts, layout, None)[:3]


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
    opened, candidates, warnings, blank = _open_all(captures, layouts, layout, progress)
    chosen = layouts.get(candidates[0].layout)
    groups: dict[tuple[int, int], list[OpenTrack]] = defaultdict(list)
    for one in opened:
        if one.cylinder is None or one.head is None:
            warnings.append(f"{one.stream.segment.capture}: a stay with no legible id cannot be placed")
        else:
            groups[one.cylinder, one.head].append(one)
    tracks = [_lost_track(*place, chosen) for place in _blank_places(blank, groups, chosen)]
    for place in sorted(groups):
        track, told = _merged(place, groups[place], chosen, quality_bins)
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
    blank: Sequence[Segment], groups: Mapping[tuple[int, int], Sequence[OpenTrack]], layout: Layout | None
) -> list[tuple[int, int]]:
    """Tracks the layout has, the head stood on, and nothing legible came from."""
    places = {(s.cylinder, s.head) for s in blank if s.cylinder is not None and s.head is not None}
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
