"""Practice tracks: what a mechanism writes and another reads, pulse by pulse, drawn from the forward model."""

from __future__ import annotations

import math
from collections.abc import Collection, Mapping
from dataclasses import dataclass, field, replace

import numpy as np
import numpy.typing as npt

from indexhole.model.forward import MechanismState, MediumState, Readout, Recording, read_out
from indexhole.model.simulator.pulses import (
    Floats,
    Spindle,
    cells_per_revolution,
    detected,
    lay_down,
    peak_shifts,
    replace_stretch,
)
from indexhole.model.simulator.track_cells import SectorSpan, data_field_cells, track_cells
from indexhole.model.suited import bandwidth_hz, sound_mechanism, sound_medium, track_place
from indexhole.standards.layouts import Layout, Zone


@dataclass(frozen=True, slots=True)
class Stretch:
    """A stretch of a track, in revolutions from the index; it may pass the index."""

    start: float
    length: float

    def covers(self, angles: Floats) -> npt.NDArray[np.bool_]:
        """Which of the angles lie in it."""
        return np.less((angles - self.start) % 1.0, self.length)


@dataclass(frozen=True, slots=True)
class WeakStretch(Stretch):
    """Dirt, a scratch or wear: the signal is `loss_db` lower there; at 60 dB nothing is seen."""

    loss_db: float = 60.0


@dataclass(frozen=True, slots=True)
class WrittenStretch(Stretch):
    """A stretch laid down later, by this writer."""

    writer: MechanismState = field(default_factory=MechanismState)


@dataclass(frozen=True)
class RecordedTrack:
    """A track as it lies on the disk.

    Attributes:
        angles: (n,) flux transitions in revolutions from the true index, sorted, in [0, 1).
        spans: by sector number, start of header and data and end of data, in revolutions.
        writer: who wrote it as a whole; `later` who wrote stretches of it since, in order of time.
    """

    layout: Layout
    cylinder: int
    head: int
    angles: Floats
    spans: Mapping[int, tuple[float, float, float]]
    writer: MechanismState
    later: tuple[WrittenStretch, ...] = ()

    @property
    def zone(self) -> Zone:
        """The zone the track lies in."""
        return _zone(self.layout, self.cylinder, self.head)


@dataclass(frozen=True)
class SimulatedTrack:
    """What a logger would see of one track: times of read pulses and of index pulses, s from its start, sorted."""

    pulses_s: Floats
    index_s: Floats


def _zone(layout: Layout, cylinder: int, head: int) -> Zone:
    zone = layout.zone(cylinder, head)
    if zone is None:
        raise ValueError(f"layout {layout.id} has no cylinder {cylinder} head {head}")
    return zone


def spindle_of(mechanism: MechanismState, nominal_rpm: float, rng: np.random.Generator) -> Spindle:
    """The spindle of a mechanism, its wow at a drawn phase."""
    return Spindle(
        nominal_rpm * mechanism.speed_ratio, mechanism.wow_peak, mechanism.wow_order, rng.uniform(0, 2 * math.pi)
    )


def format_track(
    layout: Layout,
    cylinder: int,
    head: int,
    sectors: Mapping[int, bytes],
    rng: np.random.Generator,
    writer: MechanismState | None = None,
    *,
    deleted: Collection[int] = (),
    disk_id: bytes = b"A1",
) -> RecordedTrack:
    """A whole track written from one index to the next by `writer` (a sound one when None).

    A writer whose index sensor is late begins late. A fast one lays down fewer cells, and what does not fit
    its revolution is lost. Raises ValueError as `track_cells` does.
    """
    writer = writer or sound_mechanism(layout)
    zone = _zone(layout, cylinder, head)
    spindle = spindle_of(writer, layout.speed_rpm, rng)
    room = cells_per_revolution(spindle, zone.cell_s)
    track = track_cells(layout, cylinder, head, sectors, room, deleted=deleted, disk_id=disk_id)
    start = writer.index_delay_s * spindle.speed_rpm / 60
    angles = np.sort((lay_down(track.cells, zone.cell_s, spindle) + start) % 1.0)

    def angles_of(span: SectorSpan) -> tuple[float, float, float]:
        cells = np.array([span.header, span.data, span.end])
        header, data, end = (spindle.angle(cells * zone.cell_s) + start).tolist()
        return header, data, end

    spans = {number: angles_of(span) for number, span in track.spans.items()}
    return RecordedTrack(layout, cylinder, head, angles, spans, writer)


def rewrite_sector(
    track: RecordedTrack,
    sector: int,
    data: bytes,
    rng: np.random.Generator,
    writer: MechanismState,
    *,
    late_s: float = 0.0,
) -> RecordedTrack:
    """The track once `writer` has written the data field of one sector over the old one, beginning `late_s` later.

    Its own speed decides where the field ends; what it covers is gone. Raises KeyError for an unknown sector.
    """
    zone = track.zone
    header, start, _ = track.spans[sector]
    spindle = spindle_of(writer, track.layout.speed_rpm, rng)
    start += late_s * spindle.speed_rpm / 60
    cells = data_field_cells(zone, data)
    length = spindle.angle_at(cells.size * zone.cell_s)
    angles = replace_stretch(track.angles, start, lay_down(cells, zone.cell_s, spindle), length)
    return replace(
        track,
        angles=angles,
        spans={**track.spans, sector: (header, start, start + length)},
        later=(*track.later, WrittenStretch(start, length, writer)),
    )


def weak_places(rng: np.random.Generator, count: int, length: float, loss_db: float = 60.0) -> tuple[WeakStretch, ...]:
    """`count` weak stretches of `length` revolutions at drawn places."""
    return tuple(WeakStretch(float(start), length, loss_db) for start in rng.uniform(0, 1, count))


@dataclass(frozen=True)
class Reader:
    """Who reads, and under what conditions.

    Attributes:
        mechanism, medium: None for sound ones that suit the layout.
        weak: stretches with less signal.
        extra_rate: false pulses per true one.
        index_jitter_s: random part of the index pulse's time, standard deviation.
    """

    mechanism: MechanismState | None = None
    medium: MediumState | None = None
    weak: tuple[WeakStretch, ...] = ()
    extra_rate: float = 0.0
    index_jitter_s: float = 0.0


class HeadOnTrack:
    """One track under one reader: everything that is the same at each turn."""

    def __init__(self, track: RecordedTrack, reader: Reader) -> None:
        layout = track.layout
        mechanism = reader.mechanism or sound_mechanism(layout)
        medium = reader.medium or sound_medium(layout)
        place = track_place(layout, track.cylinder, track.head)
        loss_db = np.zeros(track.angles.size)
        for weak in reader.weak:
            loss_db[weak.covers(track.angles)] += weak.loss_db
        author = np.zeros(track.angles.size, dtype=np.int64)
        recordings = [Recording(track.writer)]
        for number, stretch in enumerate(track.later, start=1):
            author[stretch.covers(track.angles)] = number
            recordings.append(Recording(stretch.writer, track.writer))

        def readout(number: int, extra_db: float) -> Readout:
            worn = (medium.worn_loss_db[0] + extra_db, medium.worn_loss_db[1] + extra_db)
            return read_out(
                recordings[number],
                mechanism,
                replace(medium, worn_loss_db=worn),
                place,
                bandwidth_hz=bandwidth_hz(track.zone),
            )

        self.extra_rate = reader.extra_rate
        self.jitter_s = np.zeros(track.angles.size)
        self.dropout_rate = np.zeros(track.angles.size)
        self.amplitude = np.zeros(track.angles.size)
        for number, extra_db in set(zip(author.tolist(), loss_db.tolist(), strict=True)):
            here = (author == number) & (loss_db == extra_db)
            out = readout(number, extra_db)
            self.jitter_s[here] = 0.0 if out.dead else out.jitter_s
            self.dropout_rate[here] = out.dropout_rate
            self.amplitude[here] = 0.0 if out.dead else out.amplitude
        self.asymmetry_s = mechanism.pulse_asymmetry_s
        self.pulse_width = medium.pulse_width_um * 1e-3 / (2 * math.pi * place.radius_mm)
        self.peaks = track.angles + peak_shifts(track.angles, self.pulse_width)

    def read(self, first: float, last: float, spindle: Spindle, rng: np.random.Generator) -> Floats:
        """Times in s, (k,), of the pulses between two angles in revolutions, counted on from turn to turn."""
        turns = np.arange(math.floor(first) - 1, math.ceil(last) + 1)
        angles = (self.peaks + turns[:, None]).ravel()
        inside = (angles >= first) & (angles < last)
        jitter_s = np.tile(self.jitter_s, turns.size)[inside]
        seen = rng.random(jitter_s.size) >= np.tile(self.dropout_rate, turns.size)[inside]
        pulses = detected(angles[inside], spindle, jitter_s, self.asymmetry_s, seen, rng)
        if self.extra_rate == 0:
            return pulses
        false = spindle.time(rng.uniform(first, last, rng.poisson(self.extra_rate * jitter_s.size)))
        return np.sort(np.concatenate((pulses, false)))


def index_times(
    first: float, last: float, spindle: Spindle, mechanism: MechanismState, jitter_s: float, rng: np.random.Generator
) -> Floats:
    """Times in s, (k,), of the index pulses whose true index lies between two angles in revolutions."""
    turns = np.arange(math.ceil(first), math.floor(last) + 1, dtype=np.float64)
    return spindle.time(turns) + mechanism.index_delay_s + rng.standard_normal(turns.size) * jitter_s


def read_track(
    track: RecordedTrack,
    rng: np.random.Generator,
    reader: Reader | None = None,
    *,
    revolutions: float = 3,
    lead: float = 0.02,
) -> SimulatedTrack:
    """Log one track from `lead` revolutions before an index to as much behind the last one.

    Whole `revolutions` give one index pulse more. Time 0 is the start of the log.
    """
    reader = reader or Reader()
    mechanism = reader.mechanism or sound_mechanism(track.layout)
    spindle = spindle_of(mechanism, track.layout.speed_rpm, rng)
    first, last = -lead, revolutions + lead
    begin_s = spindle.time_at(first)
    end_s = spindle.time_at(last) - begin_s
    pulses = HeadOnTrack(track, reader).read(first, last, spindle, rng) - begin_s
    index = index_times(first, last, spindle, mechanism, reader.index_jitter_s, rng) - begin_s
    return SimulatedTrack(within(pulses, end_s), within(index, end_s))


def within(times_s: Floats, end_s: float) -> Floats:
    """Those of (n,) times in s that lie inside a log of this length."""
    return times_s[(times_s > 0) & (times_s < end_s)]
