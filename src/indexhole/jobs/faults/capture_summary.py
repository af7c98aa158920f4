"""What one capture tells by itself: speeds, who laid it down, where round the turn sectors failed. Kept once made."""

from __future__ import annotations

import json
import math
from collections.abc import Callable, Sequence
from dataclasses import asdict, dataclass
from typing import Any

from indexhole.errors import IndexholeError, InputFault
from indexhole.jobs.recovery.gauging import Gauged, gauge_captures
from indexhole.jobs.recovery.known_writers import occasion_of
from indexhole.jobs.recovery.recovering import recover_captures
from indexhole.jobs.result_cache import keep, place_of
from indexhole.levelling.ties import Reading
from indexhole.recover.shapes.result import SectorState
from indexhole.recover.writers.known_writers import Occasion
from indexhole.shelf.care.captures import read_pulses
from indexhole.shelf.records.records import CaptureRecord
from indexhole.shelf.register.shelf import Shelf
from indexhole.signal.captures.capture import Capture
from indexhole.standards.layouts import load_layouts

_KEPT = 4000
# Another way of keeping or of gauging gets another number, so that what was kept before is made anew.
_FORM = 1


@dataclass(frozen=True)
class WriterSeen:
    """A drive that laid down part of a capture: how it showed itself, and the (cylinder, head) it formatted.

    Its setting is the layout alone; who read the capture is for the entry to say.
    """

    occasion: Occasion
    formatted: tuple[tuple[int, int], ...]


@dataclass(frozen=True)
class SectorTried:
    """A sector the head went over; it failed when no pass read it with a passing check. `angle` nan when not known."""

    cylinder: int
    head: int
    number: int
    angle: float
    failed: bool


@dataclass(frozen=True)
class CaptureSummary:
    """What one capture tells.

    Attributes:
        reading: speeds and index, without who read or wrote it; None when nothing was legible, and `why` says so.
        writers: the formatter of most first.
        sectors: in order of track and number.
    """

    reading: Reading | None
    why: str = ""
    writers: tuple[WriterSeen, ...] = ()
    sectors: tuple[SectorTried, ...] = ()


def capture_summaries(
    shelf: Shelf, records: Sequence[CaptureRecord], progress: Callable[[int, int], None] | None = None
) -> dict[str, CaptureSummary]:
    """What captures on the shelf tell, by SHA-256."""
    found: dict[str, CaptureSummary] = {}
    for number, record in enumerate(records):
        found[record.sha256] = capture_summary_of(shelf, record)
        if progress is not None:
            progress(number + 1, len(records))
    return found


def capture_summary_of(shelf: Shelf, record: CaptureRecord) -> CaptureSummary:
    """What a capture on the shelf tells: as kept by this version, else made now, which takes some seconds.

    A capture never changes, so its SHA-256 says what the result was made from.
    """
    place = place_of("capture", _FORM, record.sha256, ".json")
    try:
        return _from_json(json.loads(place.read_bytes()))
    except (OSError, ValueError, KeyError, TypeError, AttributeError):
        pass
    try:
        capture = read_pulses(shelf, record)
    except (IndexholeError, OSError) as fault:
        return CaptureSummary(None, str(fault))
    told = _tell(capture)
    keep(place, json.dumps(asdict(told)).encode(), _KEPT)
    return told


def _tell(capture: Capture) -> CaptureSummary:
    try:
        found = gauge_captures([capture])
    except InputFault as fault:
        return CaptureSummary(None, str(fault))
    surface = recover_captures([capture], found.layout or None).surface
    sectors = tuple(
        SectorTried(track.cylinder, track.head, sector.id, sector.angle, sector.state is not SectorState.SOUND)
        for track in surface.tracks
        for sector in track.sectors
        if sector.in_image
    )
    writers = tuple(
        WriterSeen(occasion_of(found.writers, writer, found.layout), tuple((int(c), int(h)) for c, h in places))
        for writer in found.writers.writers
        if (places := [(c, h) for c, h in writer.formatted if c is not None and h is not None])
    )
    return CaptureSummary(_reading(found), "", writers, sectors)


def _reading(found: Gauged) -> Reading:
    gauges = {g.name: g for g in found.gauges}
    layout = load_layouts().get(found.layout)
    rpm = layout.speed_rpm if layout is not None else math.nan
    speed, index, wrote = gauges["spindle_speed"], gauges["index_to_data"], gauges["writer_speed_ratio"]
    return Reading(
        disk="",
        reader="",
        writer="",
        reader_ratio=speed.value / rpm,
        reader_u=speed.uncertainty / rpm,
        writer_ratio=wrote.value,
        writer_u=wrote.uncertainty,
        index_to_data_s=index.value,
        # one turn shows no spread; what a drive differs by between occasions is added in any case
        index_u_s=index.uncertainty if math.isfinite(index.uncertainty) else 0.0,
    )


def _from_json(held: dict[str, Any]) -> CaptureSummary:
    reading = held["reading"]
    return CaptureSummary(
        Reading(**reading) if reading is not None else None,
        str(held["why"]),
        tuple(WriterSeen(Occasion(**w["occasion"]), _places(w["formatted"])) for w in held["writers"]),
        tuple(SectorTried(**sector) for sector in held["sectors"]),
    )


def _places(held: Sequence[Sequence[int]]) -> tuple[tuple[int, int], ...]:
    return tuple((int(cylinder), int(head)) for cylinder, head in held)
