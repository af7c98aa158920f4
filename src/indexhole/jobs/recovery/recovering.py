"""The verb `recover`: capture files to a report, an image and files, for the command line and the page."""

from __future__ import annotations

import hashlib
import math
from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from typing import Any

from indexhole import __version__
from indexhole.errors import Do, InputFault
from indexhole.jobs.recovery.extracting import extract
from indexhole.jobs.recovery.outside_image import save_outside_image
from indexhole.jobs.recovery.reading import dwells_of
from indexhole.recover.layouts.identify import several_fit
from indexhole.recover.sectors.budget import FALSE_BUDGET, false_chance
from indexhole.recover.sectors.open_dwells import OpenDwells
from indexhole.recover.shapes.result import WORST_FIRST, Oddity, Sector, SectorState, Surface, Track
from indexhole.recover.surface import Progress, recover_dwells, recover_surface
from indexhole.shelf.files.writing import folder_in_the_making, take_place
from indexhole.signal.captures.capture import Capture
from indexhole.signal.dwells.flow import Flow
from indexhole.signal.formats.options import ReadOptions
from indexhole.standards.layouts import Layout, load_layouts
from indexhole.volumes import Volume, VolumeFile, file_state, read_volume, sector_states, worst_state
from indexhole.volumes.fat12.geometry import find_geometry

_NOT_SOUND = tuple(state for state in reversed(WORST_FIRST) if state is not SectorState.SOUND)


@dataclass(frozen=True)
class CaptureNote:
    """Which capture it was: name, SHA-256 of the file as it came, read pulses, seconds logged."""

    name: str
    sha256: str
    pulses: int
    duration_s: float


@dataclass(frozen=True)
class Recovered:
    """What came of a recovery.

    Attributes:
        captures: as read, in the order given.
        surface: tracks and sectors.
        image: sectors in order of cylinder, head, sector; None when the tracks are not one whole disk.
        volume: what the image holds, None when there is no image or nothing known on it.
    """

    captures: tuple[CaptureNote, ...]
    surface: Surface
    image: bytes | None
    volume: Volume | None

    def counts(self) -> dict[str, int]:
        """Sectors by state."""
        count = Counter(str(s.state) for t in self.surface.tracks for s in t.sectors)
        return {str(state): count.get(str(state), 0) for state in SectorState}


def recover_captures(
    captures: Sequence[Capture],
    layout: str | None = None,
    extra_layouts: Sequence[Path] = (),
    *,
    disk_class: str = "",
    quality_bins: int = 0,
    progress: Progress | None = None,
) -> Recovered:
    """Recover what a set of captures of one disk holds.

    The layout is the one given, else it is identified: among those of the disk's class, when that is known.
    """
    layouts = load_layouts(extra_layouts)
    if disk_class and layout is None:
        layouts = {name: found for name, found in layouts.items() if found.disk_class == disk_class}
    surface = recover_surface(captures, layouts, layout, quality_bins=quality_bins, progress=progress)
    notes = [CaptureNote(c.name, c.sha256, int(c.read_ticks.size), c.duration_s) for c in captures]
    return _recovered(notes, surface, layouts)


def recover_files(
    paths: Sequence[Path],
    options: ReadOptions,
    layout: str | None = None,
    extra_layouts: Sequence[Path] = (),
    *,
    quality_bins: int = 0,
    opened: OpenDwells | None = None,
    progress: Callable[[str, int, int], None] | None = None,
) -> Recovered:
    """Recover what capture files of one disk hold, each read once and dwell by dwell, so that size does not matter.

    Args:
        options: the keeper's choices of lines and rates.
        opened: takes the legible dwells with their pulses, for the report on writers.
        progress: called with (file, bytes read, bytes in all).

    Raises:
        InputFault: a file that cannot be read, or one given twice: its passes would count twice.
    """
    layouts = load_layouts(extra_layouts)

    def flow_of(path: Path) -> Flow:
        tell = None if progress is None else partial(progress, path.name)
        return Flow(path, options, tell)

    flows = [flow_of(path) for path in paths]
    surface = recover_dwells(dwells_of(paths, flows), layouts, layout, quality_bins=quality_bins, opened=opened)
    warnings = tuple(warning for flow in flows for warning in flow.warnings)
    surface = replace(surface, warnings=(*warnings, *surface.warnings))
    notes = [CaptureNote(f.name, f.sha256, f.pulses, f.duration_s) for f in flows]
    return _recovered(notes, surface, layouts)


def _recovered(notes: Sequence[CaptureNote], surface: Surface, layouts: Mapping[str, Layout]) -> Recovered:
    surface = _narrowed_by_descriptor(surface, layouts)
    image = surface.image() if _one_disk(surface) else None
    volume = _volume(surface, image) if image is not None else None
    return Recovered(tuple(notes), surface, image, volume)


def _volume(surface: Surface, image: bytes) -> Volume | None:
    """What the image holds, told which of its sectors to trust."""
    sectors = surface.image_sectors()
    return read_volume(
        image,
        [k for k, s in enumerate(sectors) if s.state not in (SectorState.SOUND, SectorState.MENDED)],
        sizes=[s.size for s in sectors],
        marked=[k for k, s in enumerate(sectors) if s.deleted],
    )


def warnings_of(surface: Surface) -> list[str]:
    """All there is to be borne in mind, and what settles the layout, as the command line says it."""
    undecided = several_fit(surface.candidates)
    return [*surface.warnings, *([f"{undecided}; {Do.SETTLE_LAYOUT.value}"] if undecided else [])]


def _states(surface: Surface) -> list[SectorState]:
    """States of the sectors in image order."""
    return [s.state for s in surface.image_sectors()]


def _narrowed_by_descriptor(surface: Surface, layouts: Mapping[str, Layout]) -> Surface:
    """Candidates narrowed to those with as many sides and sectors as the disk's own FDC descriptor says.

    Several layouts lay a track down alike; the descriptor (ISO/IEC 9293, clause 9) stands in the first sector and
    tells them apart. It is heeded only when some candidate agrees with it.
    """
    if (
        len(surface.candidates) < 2
        or not surface.tracks
        or (surface.tracks[0].cylinder, surface.tracks[0].head) != (0, 0)
    ):
        return surface
    geometry = find_geometry(replace(surface, tracks=surface.tracks[:1]).image())
    if geometry is None:
        return surface
    described = (geometry.sides, geometry.total_sectors)
    agreeing = [
        c
        for c in surface.candidates
        if c.layout and described == (layouts[c.layout].heads, layouts[c.layout].capacity_sectors)
    ]
    total = sum(c.probability for c in agreeing)
    if not agreeing or len(agreeing) == len(surface.candidates):
        return surface
    candidates = tuple(
        replace(
            c,
            probability=c.probability / total,
            why=f"{c.why}; its descriptor tells {described[0]} sides, {described[1]} sectors",
        )
        for c in agreeing
    )
    return replace(
        surface,
        layout=candidates[0].layout,
        layout_confidence=candidates[0].probability,
        candidates=candidates,
    )


def _one_disk(surface: Surface) -> bool:
    """Whether the tracks begin at cylinder 0 and follow one another, so that an image of them means something."""
    places = [(t.cylinder, t.head) for t in surface.tracks if t.sectors]
    heads = 1 + max((h for _, h in places), default=0)
    return bool(places) and places == [(k // heads, k % heads) for k in range(len(places))] and len(places) > heads


def sector_json(sector: Sector) -> dict[str, Any]:
    """One sector as in the report."""
    return {
        "id": sector.id,
        "size": sector.size,
        "state": str(sector.state),
        "sha256": sector.sha256,
        "passes_read": sector.passes_read,
        "how": sector.how,
        "deleted": sector.deleted,
        "angle": None if math.isnan(sector.angle) else round(sector.angle, 4),
        "in_image": sector.in_image,
        **_mending_json(sector),
    }


def _mending_json(sector: Sector) -> dict[str, Any]:
    """What a mended sector adds: the bits changed, what was given up, the chance of a false match."""
    if sector.state is not SectorState.MENDED:
        return {}
    return {
        "bits_changed": list(sector.changed),
        "log_likelihood_given_up": round(sector.given_up, 3),
        "false_match_chance": float(f"{sector.false_chance:.3g}"),
    }


def track_json(track: Track) -> dict[str, Any]:
    """One track as in the report."""
    return {
        "cylinder": track.cylinder,
        "head": track.head,
        "passes": track.passes,
        "speed_rpm": None if track.speed_rpm != track.speed_rpm else round(track.speed_rpm, 3),
        "code": track.code,
        "cell_us": None if math.isnan(track.cell_s) else round(track.cell_s * 1e6, 4),
        "captures": list(track.captures),
        "sectors": [sector_json(s) for s in track.sectors],
        "oddities": [oddity_json(o) for o in track.oddities],
    }


def oddity_json(oddity: Oddity) -> dict[str, Any]:
    """One oddity as in the report; a data field that belongs to no sector is told by its hash."""
    entry: dict[str, Any] = {
        "kind": oddity.kind,
        "sector": oddity.sector,
        "start": None if math.isnan(oddity.start) else round(oddity.start, 4),
        "end": None if math.isnan(oddity.end) else round(oddity.end, 4),
        "words": oddity.words,
    }
    if oddity.data:
        entry |= {"bytes": len(oddity.data), "sha256": hashlib.sha256(oddity.data).hexdigest()}
    return entry


def _file_json(file: VolumeFile, states: Mapping[int, SectorState]) -> dict[str, Any]:
    """One file as in the report, with the numbers in image order of its sectors that are not sound."""
    by_state = sector_states(file, states)
    return {
        "name": file.name,
        "bytes": len(file.data),
        "sha256": file.sha256,
        "state": str(file_state(file, states)),
        "kind": file.kind,
        "modified": file.modified,
        "deleted": file.deleted,
        "record_bytes": file.record_bytes or None,
        "sectors": {str(state): list(by_state[state]) for state in _NOT_SOUND if state in by_state},
        "problems": list(file.problems),
    }


def volume_json(recovered: Recovered) -> dict[str, Any] | None:
    """The volume as in the report, each file with the worst state of its sectors."""
    volume = recovered.volume
    if volume is None:
        return None
    states = dict(enumerate(_states(recovered.surface)))
    return {
        "kind": volume.kind,
        "title": volume.title,
        "free": volume.free,
        "files": [_file_json(file, states) for file in volume.files],
        "deleted_files": [_file_json(file, states) for file in volume.deleted_files],
        "state": str(worst_state(volume.system_sectors, states)),
        "problems": list(volume.problems),
    }


def report_json(recovered: Recovered, image_path: Path | None = None) -> dict[str, Any]:
    """The report of `recover --json`."""
    surface = recovered.surface
    image = None
    if recovered.image is not None:
        image = {
            "path": str(image_path) if image_path else None,
            "bytes": len(recovered.image),
            "sha256": hashlib.sha256(recovered.image).hexdigest(),
        }
    return {
        "version": __version__,
        "captures": [
            {
                "name": c.name,
                "sha256": c.sha256,
                "pulses": c.pulses,
                "duration_s": round(c.duration_s, 6),
            }
            for c in recovered.captures
        ],
        "layout": surface.layout or None,
        "layout_confidence": round(surface.layout_confidence, 4),
        "layout_candidates": [
            {"layout": c.layout or None, "probability": round(c.probability, 4), "why": c.why}
            for c in surface.candidates
        ],
        "counts": recovered.counts(),
        "mending": {"false_match_chance": false_chance(surface.tracks), "limit": FALSE_BUDGET},
        "tracks": [track_json(t) for t in surface.tracks],
        "image": image,
        "volume": volume_json(recovered),
        "warnings": warnings_of(surface),
    }


def save(recovered: Recovered, folder: Path, *, overwrite: bool = False, deleted: bool = False) -> Path | None:
    """Write image, report and files into a folder; the folder appears whole or not at all.

    Args:
        deleted: write what can be guessed of deleted files too, into a folder `deleted` of their own.

    Returns:
        Path of the image, None when there is none.

    Raises:
        InputFault: the folder exists and is not to be replaced, or cannot be written.
    """
    import json

    if folder.exists() and not overwrite:
        raise InputFault("exists already", where=str(folder), remedy=("choose another folder", Do.OVERWRITE))
    image_path = folder / "image.bin" if recovered.image is not None else None
    try:
        folder.parent.mkdir(parents=True, exist_ok=True)
        with folder_in_the_making(folder.parent) as partial:
            if recovered.image is not None:
                (partial / "image.bin").write_bytes(recovered.image)
            report = report_json(recovered, image_path)
            (partial / "report.json").write_text(json.dumps(report, indent=1), encoding="utf-8")
            if recovered.volume is not None:
                _save_files(recovered.volume, partial, deleted=deleted)
            if recovered.image is None:
                _save_tracks(recovered.surface, partial / "tracks")
            save_outside_image(recovered.surface, partial / "beside")
            take_place(partial, folder)
    except OSError as fault:
        raise InputFault(
            f"cannot be written ({fault.strerror})", where=str(folder), remedy="choose another folder"
        ) from fault
    return image_path


def _save_files(volume: Volume, folder: Path, *, deleted: bool) -> None:
    extract(volume.files, folder / "files")
    if deleted:
        extract(volume.deleted_files, folder / "deleted")


def _save_tracks(surface: Surface, folder: Path) -> None:
    """Without a whole disk, the sectors of each track one after the other."""
    folder.mkdir()
    for track in surface.tracks:
        one = replace(surface, tracks=(track,))
        (folder / f"cylinder-{track.cylinder:03d}-head-{track.head}.bin").write_bytes(one.image())
