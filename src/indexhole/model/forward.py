"""One mechanism writes, another reads: what comes off the disk, and how likely a sector fails.

The simulator draws pulses from a `Readout`; diagnosis and pairing take the failure probability from the same
one. Formulas, sources and worked numbers stand in docs/forward-model.md.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from indexhole.model import geometry, timing

# Rms of a stream of foreign pulses against their height: they come at random times under the wanted ones.
_FOREIGN_RMS = 0.5
# A chain said to be without noise is given next to none, so that signal over noise stays a number.
_LEAST_DISTURBANCE = 1e-12


@dataclass(frozen=True, slots=True)
class MechanismState:
    """State of one mechanism. The defaults are a sound 48-tpi one.

    Attributes:
        speed_ratio: spindle speed over nominal.
        offset_um: head position against the true centre line, outward positive.
        write_width_um, read_width_um: width of the recorded track and of the reading head.
        erase_trim_um: width wiped clean beyond each edge of the written track.
        azimuth_arcmin: turn of the gap against the radius, minutes of arc.
        wow_peak: peak speed variation, fraction; `wow_order` its cycles per revolution.
        index_delay_s: index pulse late by this much.
        pulse_asymmetry_s: read pulses of one polarity late by this much against the other.
        noise: rms noise over the height of a full-width pulse.
        head_loss_db: loss by dirt on the head of side 0 and side 1, at writing and at reading alike.
        write_dead, read_dead: the path does not work at all.
        loop_cells: cells the clock follower averages over; capture_range: largest cell error it locks to.
    """

    speed_ratio: float = 1.0
    offset_um: float = 0.0
    write_width_um: float = 330.0
    read_width_um: float = 330.0
    erase_trim_um: float = 0.0
    azimuth_arcmin: float = 0.0
    wow_peak: float = 0.0
    wow_order: float = 1.0
    index_delay_s: float = 0.0
    pulse_asymmetry_s: float = 0.0
    noise: float = 0.03
    head_loss_db: tuple[float, float] = (0.0, 0.0)
    write_dead: bool = False
    read_dead: bool = False
    loop_cells: float = 8.0
    capture_range: float = 0.06


SOUND = MechanismState()


@dataclass(frozen=True, slots=True)
class DamagedBand:
    """A stretch of cylinders on one side that lost signal; cylinders are inclusive."""

    side: int
    first_cylinder: int
    last_cylinder: int
    loss_db: float

    def covers(self, side: int, cylinder: int) -> bool:
        """Whether a track lies in the band."""
        return side == self.side and self.first_cylinder <= cylinder <= self.last_cylinder


@dataclass(frozen=True, slots=True)
class MediumState:
    """State of one disk.

    Attributes:
        pulse_width_um: width of a read pulse at half height, along the track.
        worn_loss_db: loss by wear on side 0 and side 1.
        record_loss_db: loss of everything recorded on it by an unsuited head (wrong coercivity).
        bands: damaged stretches.
        defect_rate: chance of a sector to fail by a pinhole of its own.
    """

    pulse_width_um: float = 4.0
    worn_loss_db: tuple[float, float] = (0.0, 0.0)
    record_loss_db: float = 0.0
    bands: tuple[DamagedBand, ...] = ()
    defect_rate: float = 0.0

    def loss_db(self, side: int, cylinder: int) -> float:
        """Loss by wear and damage at a track, dB."""
        return self.worn_loss_db[side] + sum(b.loss_db for b in self.bands if b.covers(side, cylinder))


@dataclass(frozen=True, slots=True)
class TrackPlace:
    """Which track, and how it is laid out. The defaults are the innermost of a 130 mm 48-tpi disk, MFM.

    `cell_s` is the shortest step the code counts in (half a bit cell in MFM); intervals are 2 to 4 of them.
    """

    radius_mm: float = 36.5125
    cylinder: int = 39
    side: int = 0
    pitch_um: float = 25400.0 / 48
    cell_s: float = 2e-6
    speed_rpm: float = 300.0
    sector_bytes: int = 512
    shortest_cells: int = 2
    longest_cells: int = 4


@dataclass(frozen=True, slots=True)
class Recording:
    """What lies on a track: who wrote it last, and who wrote what lay there before (None: bulk-erased)."""

    writer: MechanismState = SOUND
    under: MechanismState | None = None


@dataclass(frozen=True, slots=True)
class Readout:
    """What the reading head and the read chain give.

    Attributes:
        amplitude: height of the wanted pulses over a full-width one.
        interference: height of pulses of an old recording or a neighbour track, same scale.
        noise: rms noise, same scale.
        pulse_width_s: width of a pulse at half height.
        jitter_s: random part of an edge's time, standard deviation.
        peak_shift_s: largest standing shift by the neighbouring pulses (shortest on one side, longest on the other).
        asymmetry_s: pulses of one polarity late by this much.
        cell_s: nominal cell; cell_ratio: cell read over nominal.
        wow_peak: peak variation of the cell ratio along the track, writer's and reader's added.
        loop_cells, capture_range: the reader's clock follower.
        dropout_rate: chance that a pulse is too low to be seen.
        defect_rate: chance of a sector to fail by a defect of its own.
        dead: nothing is read at all.
    """

    amplitude: float
    interference: float
    noise: float
    pulse_width_s: float
    jitter_s: float
    peak_shift_s: float
    asymmetry_s: float
    cell_s: float
    cell_ratio: float
    wow_peak: float
    loop_cells: float
    capture_range: float
    dropout_rate: float
    defect_rate: float
    dead: bool


def recorded_by(writer: MechanismState, before: Recording | None) -> Recording | None:
    """What lies on a track after `writer` had a go at it; a dead writer leaves what was there (None: nothing)."""
    if writer.write_dead:
        return before
    return Recording(writer, before.writer if before else None)


def cell_ratio(writer: MechanismState, reader: MechanismState) -> float:
    """Cell time read over nominal: a fast writer stretches cells on the disk, a fast reader shortens them."""
    return writer.speed_ratio / reader.speed_ratio


def _interference_um(recording: Recording, reader: MechanismState, place: TrackPlace) -> float:
    """Width of foreign recordings under the reading head, um: the old one's edge, and the next tracks."""
    writer = recording.writer
    reading = geometry.band(reader.offset_um, reader.read_width_um)
    written = geometry.band(writer.offset_um, writer.write_width_um)
    erased = (written[0] - writer.erase_trim_um, written[1] + writer.erase_trim_um)
    foreign = 0.0
    if recording.under is not None:
        old = geometry.band(recording.under.offset_um, recording.under.write_width_um)
        foreign += geometry.left_beside_um(old, erased, reading)
    for step in (-place.pitch_um, place.pitch_um):
        foreign += geometry.overlap_um((written[0] + step, written[1] + step), reading)
    return foreign


def read_out(
    recording: Recording,
    reader: MechanismState = SOUND,
    medium: MediumState | None = None,
    place: TrackPlace | None = None,
    *,
    bandwidth_hz: float = 500e3,
    threshold: float = 0.12,
) -> Readout:
    """What `reader` gets from a track of `medium` that bears `recording`.

    Args:
        bandwidth_hz: bandwidth of the read chain.
        threshold: height below which a pulse is not seen, over a full-width one.
    """
    medium = medium or MediumState()
    place = place or TrackPlace()
    writer = recording.writer
    reading = geometry.band(reader.offset_um, reader.read_width_um)
    written = geometry.band(writer.offset_um, writer.write_width_um)
    cells_s = place.cell_s * place.shortest_cells
    speed_m_s = geometry.head_speed_m_s(place.radius_mm, place.speed_rpm * reader.speed_ratio)
    ratio = cell_ratio(writer, reader)
    spacing_um = cells_s * ratio * speed_m_s * 1e6
    turned = geometry.azimuth_ratio(reader.read_width_um, reader.azimuth_arcmin - writer.azimuth_arcmin, spacing_um)
    seen = geometry.db_ratio(-(reader.head_loss_db[place.side] + medium.loss_db(place.side, place.cylinder)))
    laid = geometry.db_ratio(-(writer.head_loss_db[place.side] + medium.record_loss_db))
    share = geometry.overlap_um(written, reading) / reader.read_width_um
    amplitude = share * turned * seen * laid
    interference = _interference_um(recording, reader, place) / reader.read_width_um * seen
    dead = reader.read_dead or amplitude <= 0.0
    disturbance = max(math.hypot(reader.noise, _FOREIGN_RMS * interference), _LEAST_DISTURBANCE)
    width_s = medium.pulse_width_um * 1e-6 / speed_m_s
    near_s, far_s = cells_s * ratio, place.cell_s * place.longest_cells * ratio
    return Readout(
        amplitude=amplitude,
        interference=interference,
        noise=reader.noise,
        pulse_width_s=width_s,
        jitter_s=math.inf if dead else timing.edge_jitter_s(disturbance / amplitude, width_s, bandwidth_hz),
        peak_shift_s=timing.peak_shift_s(width_s, near_s, far_s),
        asymmetry_s=reader.pulse_asymmetry_s,
        cell_s=place.cell_s,
        cell_ratio=ratio,
        wow_peak=writer.wow_peak + reader.wow_peak,
        loop_cells=reader.loop_cells,
        capture_range=reader.capture_range,
        dropout_rate=1.0 if dead else timing.tail((amplitude - threshold) / disturbance),
        defect_rate=medium.defect_rate,
        dead=dead,
    )


def edge_failure_probability(readout: Readout) -> float:
    """Chance that one transition is read wrong: outside its window, or not seen."""
    if readout.dead:
        return 1.0
    error = abs(readout.cell_ratio - 1.0) + readout.wow_peak
    bias_s = (
        timing.loop_lag_s(readout.cell_s, error, readout.loop_cells)
        + abs(readout.peak_shift_s)
        + abs(readout.asymmetry_s) / 2
    )
    outside = timing.edge_error_probability(readout.cell_s / 2, bias_s, readout.jitter_s)
    return 1.0 - (1.0 - outside) * (1.0 - readout.dropout_rate)


def sector_failure_probability(readout: Readout, sector_bytes: int = 512, *, softness: float = 0.005) -> float:
    """Chance that one sector fails: an edge read wrong, the clock not caught, or a defect of its own.

    Args:
        softness: standard deviation of the clock follower's capture range, fraction.
    """
    edges = timing.any_of(edge_failure_probability(readout), timing.sector_transitions(sector_bytes))
    lock = timing.lock_failure_probability(
        abs(readout.cell_ratio - 1.0) + readout.wow_peak, readout.capture_range, softness
    )
    return 1.0 - (1.0 - edges) * (1.0 - lock) * (1.0 - readout.defect_rate)
