"""The Recordings pages as data: the list, and captures read together."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from markupsafe import Markup

from indexhole.errors import Do, InputFault
from indexhole.kinds import every
from indexhole.recover.layouts.draft import ranges
from indexhole.recover.layouts.identify import several_fit
from indexhole.recover.shapes.result import WORST_FIRST, SectorState, Surface, Track
from indexhole.shelf.records.records import CaptureRecord
from indexhole.shelf.register.shelf import Shelf
from indexhole.standards.layouts import load_layouts
from indexhole.volumes import Volume
from indexhole.volumes.volume import VolumeKind
from indexhole.web.drawing import charts
from indexhole.web.drawing.charts import Figure
from indexhole.web.drawing.links import KEY_LENGTH, capture_link
from indexhole.web.drawing.view import Page
from indexhole.web.drawing.words import count, percent, plural, query, size, speed
from indexhole.web.drawing.zoom import Zooms
from indexhole.web.forms.faults import here
from indexhole.web.forms.forms import Form
from indexhole.web.pages.recordings.gauge_view import GaugeRow, gauge_row
from indexhole.web.pages.recordings.reading import MechanismGauges, Reading
from indexhole.web.pages.recordings.track_view import TrackView, place_of, sector_boxes, stray_view, track_view
from indexhole.wording import listed


@dataclass(frozen=True)
class CaptureEntry:
    """A capture in the list."""

    key: str
    name: str
    size: str
    disk: str
    mechanism: str
    writer: str
    place: str
    taken: str
    note: str
    sha256: str
    link: str


@dataclass(frozen=True, kw_only=True)
class RecordingsPage(Page):
    """The list of captures and the form that adds one."""

    entries: tuple[CaptureEntry, ...]
    form: Form
    formats: str
    accept: str
    largest: str
    largest_bytes: int


@dataclass(frozen=True, kw_only=True)
class WorkingPage(Page):
    """What is shown while captures are read."""

    what: str
    done: int
    total: int


@dataclass(frozen=True)
class Overview:
    """All tracks of one side, unrolled one below the other."""

    title: str
    chart: Markup
    summary: str


@dataclass(frozen=True)
class TrackRow:
    """A track in the table of a capture that holds several."""

    place: str
    link: str
    passes: int
    speed: str
    quality: str
    counts: tuple[int, ...]
    worst: str


@dataclass(frozen=True)
class GaugeTable:
    """What one mechanism’s captures say. `title` is empty where there is but one, `fault` says why no rows."""

    title: str
    rows: tuple[GaugeRow, ...]
    fault: str


@dataclass(frozen=True)
class FileRow:
    """A file of the volume; `sectors` tells those of the image that hold it and are not sound, `problems` the rest."""

    name: str
    size: str
    state: str
    link: str
    sectors: str
    problems: tuple[str, ...]


@dataclass(frozen=True)
class VolumeView:
    """What the image holds; of deleted files what can be guessed, without a link."""

    kind: str
    title: str
    free: str
    files: tuple[FileRow, ...]
    deleted: tuple[FileRow, ...]
    problems: tuple[str, ...]


@dataclass(frozen=True, kw_only=True)
class ReadingPage(Page):
    """Captures read together. `track` is the only track, or the one asked for."""

    entries: tuple[CaptureEntry, ...]
    outcome: str
    facts: tuple[tuple[str, str], ...]
    candidates: tuple[tuple[str, str, str], ...]
    layout: str
    layouts: tuple[tuple[str, str], ...]
    counts: tuple[tuple[str, int], ...]
    overviews: tuple[Overview, ...]
    tracks: tuple[TrackRow, ...]
    track: TrackView | None
    stray: Figure | None
    gauged: tuple[GaugeTable, ...]
    volume: VolumeView | None
    warnings: tuple[str, ...]
    downloads: tuple[tuple[str, str], ...]


@dataclass(frozen=True, kw_only=True)
class TrackPage(Page):
    """One track out of several."""

    track: TrackView
    back: str
    back_word: str
    before: str
    after: str


def entry_of(record: CaptureRecord) -> CaptureEntry:
    """A capture as the list shows it."""
    key = record.sha256[:KEY_LENGTH]
    cylinder = "" if record.cylinder is None else f"cylinder {record.cylinder}"
    head = "" if record.head is None else f"side {record.head}"
    return CaptureEntry(
        key=key,
        name=record.name,
        size=size(record.size_bytes),
        disk=record.disk or "",
        mechanism=record.mechanism or "",
        writer=record.writer or "",
        place=", ".join(part for part in (cylinder, head) if part),
        taken=record.taken,
        note=record.note,
        sha256=record.sha256,
        link=capture_link(record.sha256),
    )


def chosen_records(shelf: Shelf, keys: Sequence[str]) -> list[CaptureRecord]:
    """The captures of these keys, each once. Raises InputFault when none is chosen, KeyError for an unknown one."""
    wanted = list(dict.fromkeys(keys))
    if not wanted:
        raise InputFault("no recording is chosen", remedy="tick the ones to read together")
    known = {record.sha256[:KEY_LENGTH]: record for record in shelf.all(CaptureRecord)}
    return [known[key] for key in wanted]


def reading_page(
    records: Sequence[CaptureRecord],
    reading: Reading,
    layout: str,
    notices: tuple[str, ...],
    zooms: Zooms | None = None,
) -> ReadingPage:
    """The page of captures read together."""
    surface = reading.surface
    keys = [record.sha256[:KEY_LENGTH] for record in records]
    only = surface.tracks[0] if len(surface.tracks) == 1 else None
    counts = Counter(str(s.state) for t in surface.tracks for s in t.sectors)
    layouts = load_layouts()
    undecided = several_fit(surface.candidates)
    settle = (f"{undecided}; {here(Do.SETTLE_LAYOUT)}",) if undecided else ()
    warnings = (*_mixed(records), *surface.warnings, *settle, *_gauge_warnings(reading))
    return ReadingPage(
        title=records[0].name if len(records) == 1 else f"{len(records)} recordings together",
        section="Recordings",
        notices=notices,
        entries=tuple(entry_of(record) for record in records),
        outcome=_outcome(surface, counts),
        facts=_facts(reading),
        candidates=tuple(
            (layouts[c.layout].title if c.layout in layouts else "none known", percent(c.probability), c.why)
            for c in surface.candidates[:5]
        ),
        layout=layout,
        layouts=tuple((found.id, found.title) for found in layouts.values()),
        counts=tuple((str(state), counts.get(str(state), 0)) for state in SectorState),
        overviews=_overviews(surface) if only is None else (),
        tracks=tuple(_track_row(track, keys, layout) for track in surface.tracks) if only is None else (),
        track=track_view(only, reading.pictures.get((only.cylinder, only.head)), zooms) if only is not None else None,
        stray=stray_view(reading.stray) if reading.stray else None,
        gauged=tuple(_gauge_table(found, len(reading.gauged) > 1) for found in reading.gauged),
        volume=_volume_view(reading, keys, layout),
        warnings=tuple(dict.fromkeys(warnings)),
        downloads=_downloads(reading, keys, layout),
    )


def track_page(
    records: Sequence[CaptureRecord], reading: Reading, layout: str, track: Track, zooms: Zooms | None = None
) -> TrackPage:
    """The page of one track out of several."""
    keys = [record.sha256[:KEY_LENGTH] for record in records]
    tracks = reading.surface.tracks
    at = tracks.index(track)
    view = track_view(track, reading.pictures.get((track.cylinder, track.head)), zooms)
    return TrackPage(
        title=view.title,
        section="Recordings",
        track=view,
        back=query("/recordings/read", capture=keys, layout=layout),
        back_word=records[0].name if len(records) == 1 else f"{len(records)} recordings together",
        before=_track_link(tracks[at - 1], keys, layout) if at > 0 else "",
        after=_track_link(tracks[at + 1], keys, layout) if at + 1 < len(tracks) else "",
    )


def _mixed(records: Sequence[CaptureRecord]) -> tuple[str, ...]:
    """A word of warning where recordings of several disks are read as if they were of one."""
    disks = sorted({record.disk for record in records if record.disk})
    if len(disks) < 2:
        return ()
    return (f"these recordings are of disks {listed(disks)}, yet were read as of one: what is shown may mix them",)


def _gauge_warnings(reading: Reading) -> tuple[str, ...]:
    return tuple(warning for found in reading.gauged for warning in found.warnings)


def _gauge_table(found: MechanismGauges, several: bool) -> GaugeTable:
    title = f"Read by {found.mechanism or 'a mechanism not written down'}" if several else ""
    return GaugeTable(title, tuple(gauge_row(gauge) for gauge in found.gauges), found.fault)


def _outcome(surface: Surface, counts: Counter[str]) -> str:
    if not surface.tracks:
        return "Nothing legible was found."
    sectors = sum(counts.values())
    parts = [f"{count(counts[str(state)])} {state}" for state in SectorState if counts[str(state)]]
    return f"{plural(len(surface.tracks), 'track')}, {plural(sectors, 'sector')}: {listed(parts)}."


def _facts(reading: Reading) -> tuple[tuple[str, str], ...]:
    surface = reading.surface
    layouts = load_layouts()
    named = layouts[surface.layout].title if surface.layout in layouts else "none known fits"
    return (
        ("Layout", f"{named} ({percent(surface.layout_confidence)})" if surface.layout else named),
        ("Pulses", count(reading.pulses)),
        ("Index pulses", count(reading.index_pulses)),
        ("Logged", f"{reading.duration_s:.3g} s"),
        ("Control lines", listed(line.replace("_", " ") for line in reading.lines) or "none"),
    )


def _overviews(surface: Surface) -> tuple[Overview, ...]:
    found = []
    for head in sorted({track.head for track in surface.tracks}):
        tracks = [t for t in surface.tracks if t.head == head]
        rows = np.stack([_best_of_passes(track) for track in tracks])
        lost = sum(s.state in (SectorState.LOST, SectorState.SUSPECT) for t in tracks for s in t.sectors)
        summary = (
            f"Side {head} unrolled, {plural(len(tracks), 'cylinder')} down, the best pass at each angle: "
            f"{plural(lost, 'sector') if lost else 'no sector'} {'are' if lost > 1 else 'is'} lost or suspect."
        )
        height = max(6, min(18, 640 // len(tracks)))
        boxes = [sector_boxes(t) for t in tracks]
        chart = charts.quality_chart(rows, [str(t.cylinder) for t in tracks], "cylinder", height, summary, boxes)
        found.append(Overview(f"Side {head}", chart, summary))
    return tuple(found)


def _best_of_passes(track: Track) -> charts.Floats:
    """Quality of the best pass at each angle, two bins in one; nan where nothing was logged."""
    if track.quality is None:
        return np.full(180, np.nan, dtype=np.float32)
    held = np.where(np.isfinite(track.quality.quality), track.quality.quality, -1.0).max(axis=0)
    best = held.reshape(-1, 2).min(axis=1)
    return np.where(best < 0, np.nan, best).astype(np.float32)


def _track_link(track: Track, keys: Sequence[str], layout: str) -> str:
    return query("/recordings/track", capture=keys, layout=layout, cylinder=track.cylinder, head=track.head)


def _track_row(track: Track, keys: Sequence[str], layout: str) -> TrackRow:
    states = Counter(s.state for s in track.sectors)
    held = _best_of_passes(track)
    known = held[np.isfinite(held)]
    return TrackRow(
        place=place_of(track.cylinder, track.head).capitalize(),
        link=_track_link(track, keys, layout),
        passes=track.passes,
        speed=speed(track.speed_rpm),
        quality=f"{float(known.mean()):.2f}" if known.size else "none",
        counts=tuple(states[state] for state in reversed(WORST_FIRST)),
        worst=str(next((state for state in WORST_FIRST if states[state]), SectorState.LOST)),
    )


def _volume_view(reading: Reading, keys: Sequence[str], layout: str) -> VolumeView | None:
    volume = reading.report["volume"]
    if reading.volume is None or not isinstance(volume, dict):
        return None
    return VolumeView(
        kind=_VOLUME_WORDS[reading.volume.kind].title,
        title=reading.volume.title,
        free=_free(reading.volume),
        files=tuple(
            _file_row(file, query("/recordings/file", capture=keys, layout=layout, number=k))
            for k, file in enumerate(volume["files"])
        ),
        deleted=tuple(_file_row(file) for file in volume["deleted_files"]),
        problems=reading.volume.problems,
    )


@dataclass(frozen=True)
class _VolumeWords:
    """What a kind of volume is called, and what it counts its room in."""

    title: str
    unit: str


_VOLUME_WORDS: Mapping[VolumeKind, _VolumeWords] = every(
    VolumeKind,
    {
        "fat12": _VolumeWords("FAT12 volume", "cluster"),
        "linked": _VolumeWords("volume of linked sectors", "block"),
        "labelled": _VolumeWords("labelled volume", "sector"),
    },
)


def _free(volume: Volume) -> str:
    """Free room in what the volume counts it in, and in bytes."""
    return f"{plural(volume.free, _VOLUME_WORDS[volume.kind].unit)} free ({size(volume.free * volume.unit_bytes)})"


def _file_row(file: Mapping[str, Any], link: str = "") -> FileRow:
    return FileRow(
        name=str(file["name"]),
        size=size(int(file["bytes"])),
        state=str(file["state"]),
        link=link,
        sectors="; ".join(f"{state} {ranges(numbers)}" for state, numbers in file["sectors"].items()),
        problems=tuple(file["problems"]),
    )


def _downloads(reading: Reading, keys: Sequence[str], layout: str) -> tuple[tuple[str, str], ...]:
    found = [("Report (JSON)", query("/recordings/report", capture=keys, layout=layout))]
    if reading.image is not None:
        words = f"Image ({size(len(reading.image))})"
        found.insert(0, (words, query("/recordings/image", capture=keys, layout=layout)))
    return tuple(found)
