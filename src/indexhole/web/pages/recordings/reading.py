"""Captures read for the page: recovered, gauged, and thinned to what a chart can show.

Everything that takes time happens here, once for a set of captures and a layout; the pages only lay it out.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from indexhole.errors import InputFault, ShelfFault
from indexhole.jobs.faults.own_limits import kept_tolerances
from indexhole.jobs.recovery.gauging import gauge_captures
from indexhole.jobs.recovery.recovering import recover_captures, report_json
from indexhole.recover.shapes.result import Surface, Track
from indexhole.shelf.care.captures import read_pulses
from indexhole.shelf.records.records import CaptureRecord, Disk
from indexhole.shelf.register.shelf import Shelf
from indexhole.signal.captures.capture import Capture
from indexhole.signal.dwells.sessions import Segment, cut_session
from indexhole.signal.gauges.gauge import Gauge
from indexhole.standards.tolerances import LIBRARY, Tolerances
from indexhole.volumes import Volume
from indexhole.web.serving.job_queue import Progress

QUALITY_BINS = 360
_LONGEST_RUN, _BINS_A_CELL, _USUAL_RUN = 5.5, 16, 2

Floats = npt.NDArray[np.floating]


@dataclass(frozen=True)
class Histogram:
    """Intervals between pulses: (bins,) centres in microseconds and counts; those beyond the last bin are left out."""

    centres_us: Floats
    counts: npt.NDArray[np.int64]
    beyond: int


@dataclass(frozen=True)
class SpeedCurve:
    """Local speed over a turn against its mean, in percent, (bins,): mean, lowest and highest of the passes."""

    mean: Floats
    low: Floats
    high: Floats


@dataclass(frozen=True)
class TrackPicture:
    """What there is to draw of one track; None where it could not be measured."""

    histogram: Histogram | None
    speed: SpeedCurve | None


@dataclass(frozen=True)
class MechanismGauges:
    """What the captures one mechanism made say; without gauges, `fault` says why. `mechanism` may be unknown ("")."""

    mechanism: str
    gauges: tuple[Gauge, ...]
    warnings: tuple[str, ...]
    fault: str = ""


@dataclass(frozen=True)
class Reading:
    """Captures read.

    Attributes:
        surface, image, volume: as recovered.
        report: the report of `recover --json`.
        pictures: by (cylinder, head).
        stray: intervals of all captures together, where no track was found in them.
        gauged: one entry a mechanism, in the order of the captures.
        pulses, index_pulses, duration_s: of all captures together.
        lines: control lines the logs hold.
    """

    surface: Surface
    image: bytes | None
    volume: Volume | None
    report: dict[str, object]
    pictures: dict[tuple[int, int], TrackPicture]
    stray: Histogram | None
    gauged: tuple[MechanismGauges, ...]
    pulses: int
    index_pulses: int
    duration_s: float
    lines: tuple[str, ...]

    def track(self, cylinder: int, head: int) -> Track | None:
        """The track of that place, None when there is none."""
        return next((t for t in self.surface.tracks if (t.cylinder, t.head) == (cylinder, head)), None)


@dataclass(frozen=True)
class Asked:
    """What is to be read: registered captures of one disk, in the layout given or else one of the disk's class."""

    records: tuple[CaptureRecord, ...]
    layout: str = ""
    disk_class: str = ""


def asked_for(shelf: Shelf, records: Sequence[CaptureRecord], layout: str) -> Asked:
    """The reading of these captures; the class of the disk counts where they are all of one disk."""
    disks = {record.disk for record in records}
    disk = shelf.find(Disk, next(iter(disks)) or "") if len(disks) == 1 else None
    return Asked(tuple(records), layout, disk.disk_class if disk else "")


def read_records(shelf: Shelf, asked: Asked, progress: Progress) -> Reading:
    """Read registered captures together. Raises InputFault as recovery does."""
    captures = [read_pulses(shelf, record) for record in asked.records]
    made_by = [record.mechanism or "" for record in asked.records]
    return read_together(captures, made_by, asked.layout, asked.disk_class, progress, lambda: kept_tolerances(shelf))


def read_together(
    captures: Sequence[Capture],
    made_by: Sequence[str],
    layout: str,
    disk_class: str,
    progress: Progress,
    tolerances: Callable[[], Tolerances] = lambda: LIBRARY,
) -> Reading:
    """Recover captures of one disk and gauge them mechanism by mechanism.

    `made_by` names each one's. Where `tolerances` cannot be read, the fault stands in place of the gauges.
    """
    recovered = recover_captures(
        captures, layout or None, disk_class=disk_class, quality_bins=QUALITY_BINS, progress=progress
    )
    identified = recovered.surface.layout
    return Reading(
        surface=recovered.surface,
        image=recovered.image,
        volume=recovered.volume,
        report=report_json(recovered),
        pictures=_pictures(recovered.surface, captures),
        stray=None
        if recovered.surface.tracks
        else _histogram([s for c in captures for s in cut_session(c).segments], None),
        gauged=tuple(
            _gauged(
                name, [c for c, maker in zip(captures, made_by, strict=True) if maker == name], identified, tolerances
            )
            for name in dict.fromkeys(made_by)
        ),
        pulses=sum(int(c.read_ticks.size) for c in captures),
        index_pulses=sum(int(c.index_ticks.size) for c in captures),
        duration_s=sum(c.duration_s for c in captures),
        lines=tuple(sorted({name for c in captures for name in c.lines})),
    )


def _gauged(
    mechanism: str, captures: Sequence[Capture], layout: str, tolerances: Callable[[], Tolerances]
) -> MechanismGauges:
    try:
        held = tolerances()
    except (InputFault, ShelfFault) as fault:
        return MechanismGauges(mechanism, (), (), f"{fault.where}: {fault.what}")
    try:
        gauged = gauge_captures(captures, layout or None, tolerances=held)
    except InputFault as fault:
        return MechanismGauges(mechanism, (), (), fault.what)
    return MechanismGauges(mechanism, gauged.gauges, gauged.warnings)


def _pictures(surface: Surface, captures: Sequence[Capture]) -> dict[tuple[int, int], TrackPicture]:
    dwells = _dwells_by_track(surface, captures)
    return {
        (t.cylinder, t.head): TrackPicture(_histogram(dwells.get((t.cylinder, t.head), []), t.cell_s), _speed(t))
        for t in surface.tracks
    }


def _dwells_by_track(surface: Surface, captures: Sequence[Capture]) -> dict[tuple[int, int], list[Segment]]:
    """Dwells of the head by the track they belong to; one without a place belongs to its capture's only track."""
    tracks = surface.tracks
    found: dict[tuple[int, int], list[Segment]] = {}
    for capture in captures:
        of_capture = [(t.cylinder, t.head) for t in tracks if capture.name in t.captures]
        for segment in cut_session(capture).segments:
            if segment.cylinder is not None and segment.head is not None:
                found.setdefault((segment.cylinder, segment.head), []).append(segment)
            elif len(of_capture) == 1:
                found.setdefault(of_capture[0], []).append(segment)
    return found


def _histogram(dwells: Sequence[Segment], cell_s: float | None) -> Histogram | None:
    """Counts in sixteenths of a cell, up to five and a half; a cell not known is taken for half the usual interval."""
    if not dwells:
        return None
    # an interval is a whole number of ticks: bins that are not would show a comb that is not there
    tick_s = max(dwell.tick_s for dwell in dwells)
    if cell_s is None:
        cell_s = max(float(np.median(dwell.intervals())) * dwell.tick_s for dwell in dwells) / _USUAL_RUN
    step_s = max(1, round(cell_s / _BINS_A_CELL / tick_s)) * tick_s
    bins = max(2, round(_LONGEST_RUN * cell_s / step_s))
    counts = np.zeros(bins + 1, dtype=np.int64)
    for dwell in dwells:
        slot = np.minimum(np.rint(dwell.intervals() * (dwell.tick_s / step_s)).astype(np.int64), bins)
        counts += np.bincount(slot, minlength=bins + 1)
    return Histogram(np.arange(bins) * step_s * 1e6, counts[:bins], int(counts[bins]))


def _speed(track: Track) -> SpeedCurve | None:
    """From the local cell: a longer one means that the disk turned slower while it was read."""
    if track.quality is None or not np.isfinite(track.quality.cell_ratio).any():
        return None
    ratio = track.quality.cell_ratio.astype(np.float64)
    # far off the usual cell the clock was lost, and what is measured there is no speed
    usual = float(np.nanmedian(ratio))
    ratio = np.where(np.abs(ratio / usual - 1) < 0.2, ratio, np.nan)
    percent = 100 * (usual / ratio - 1)
    known = np.isfinite(percent)
    count = known.sum(axis=0)
    held = np.where(known, percent, 0.0)
    with np.errstate(invalid="ignore", divide="ignore"):
        mean = held.sum(axis=0) / count
    low = np.where(count > 0, np.where(known, percent, np.inf).min(axis=0), np.nan)
    high = np.where(count > 0, np.where(known, percent, -np.inf).max(axis=0), np.nan)
    return SpeedCurve(mean, low, high)
