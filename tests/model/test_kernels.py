"""The compiled model against forward.py, draw by draw: they are one model."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from indexhole.model import kernels as k
from indexhole.model import magnetics
from indexhole.model.forward import (
    MechanismState,
    MediumState,
    Recording,
    TrackPlace,
    read_out,
    sector_failure_probability,
)
from indexhole.model.timing import sector_transitions


def rows(
    writer: MechanismState, reader: MechanismState, under: MechanismState | None, medium: MediumState, place: TrackPlace
) -> tuple[np.ndarray, np.ndarray]:
    """The same case as a draw and a track."""
    d, t = np.zeros((1, k.DRAW_COLUMNS)), np.zeros((1, k.TRACK_COLUMNS))
    gain = 10 ** (-(reader.head_loss_db[place.side] + medium.loss_db(place.side, place.cylinder)) / 20)
    laid = 10 ** (-(writer.head_loss_db[place.side] + medium.record_loss_db) / 20)
    d[0, [k.W_OFFSET, k.R_OFFSET, k.W_WIDTH, k.R_WIDTH]] = (
        writer.offset_um,
        reader.offset_um,
        writer.write_width_um,
        reader.read_width_um,
    )
    d[0, [k.TRIM, k.AZIMUTH]] = writer.erase_trim_um, reader.azimuth_arcmin - writer.azimuth_arcmin
    d[0, [k.RATIO, k.R_SPEED]] = writer.speed_ratio / reader.speed_ratio, reader.speed_ratio
    d[0, [k.WOW, k.NOISE]] = writer.wow_peak + reader.wow_peak, reader.noise
    d[0, k.ASYMMETRY] = reader.pulse_asymmetry_s / (place.cell_s * place.shortest_cells)
    d[0, [k.LOOP, k.CAPTURE, k.SEEN, k.LAID]] = reader.loop_cells, reader.capture_range, gain, laid
    d[0, [k.PULSE, k.SHIFT, k.DEFECT]] = medium.pulse_width_um, 1.0, medium.defect_rate
    if under is not None:
        d[0, [k.UNDER, k.U_OFFSET, k.U_WIDTH]] = 1.0, under.offset_um, under.write_width_um
    t[0, [k.RADIUS, k.RPM, k.CELL, k.RATE]] = place.radius_mm, place.speed_rpm, place.cell_s, 1.0
    t[0, [k.SHORTEST, k.LONGEST]] = place.shortest_cells, place.longest_cells
    t[0, [k.TRANSITIONS, k.SECTORS]] = sector_transitions(place.sector_bytes), 9
    t[0, [k.STEP, k.U_STEP]] = place.pitch_um, 1e9
    return d, t


STATES = st.builds(
    MechanismState,
    speed_ratio=st.floats(0.97, 1.03),
    offset_um=st.floats(-300, 300),
    write_width_um=st.floats(80, 400),
    read_width_um=st.floats(80, 400),
    erase_trim_um=st.floats(0, 80),
    azimuth_arcmin=st.floats(-40, 40),
    wow_peak=st.floats(0, 0.02),
    pulse_asymmetry_s=st.floats(-3e-7, 3e-7),
    noise=st.floats(1e-3, 0.3),
    head_loss_db=st.tuples(st.floats(0, 20), st.floats(0, 20)),
)


@settings(max_examples=300)
@given(STATES, STATES, st.none() | STATES, st.floats(2.0, 3.6), st.floats(0, 0.01), st.sampled_from([0, 1]))
def test_the_compiled_model_is_the_forward_model(writer, reader, under, pulse_um, defects, side):
    place = TrackPlace(side=side)
    medium = MediumState(pulse_width_um=pulse_um, defect_rate=defects)
    expected = read_out(Recording(writer, under), reader, medium, place)
    d, t = rows(writer, reader, under, medium, place)
    failure = -math.expm1(-k.sector_hazards(d, t, k.whole_turn(6))[0, 0])
    assert failure == pytest.approx(
        sector_failure_probability(expected), rel=1e-9, abs=1e-11
    )  # its 1 - (1 - p) loses digits
    wanted, foreign = k.signals(d, t)
    assert wanted[0, 0] == pytest.approx(expected.amplitude, rel=1e-12, abs=1e-15)
    assert foreign[0, 0] == pytest.approx(expected.interference, rel=1e-9, abs=1e-12)


def test_density_lowers_what_is_denser_than_native_and_nothing_else():
    spacing = 1e6 * 2 * math.pi * 0.0365125 * 5 * 4e-6
    d, t = rows(MechanismState(), MechanismState(), None, MediumState(pulse_width_um=0.85 * spacing), TrackPlace())
    assert k.signals(d, t)[0][0, 0] == 1.0
    d[0, k.PULSE] = 1.8 * spacing
    native = magnetics.density_ratio(np.array(magnetics.NATIVE_SHARE), np.array(1.0))
    dense = magnetics.density_ratio(np.array(1.8), np.array(1.0))
    assert k.signals(d, t)[0][0, 0] == pytest.approx(float(dense / native), rel=1e-9)


def test_an_oval_and_a_swing_are_a_mean_over_the_turn():
    """Against the forward model at each angle by itself."""
    writer, reader = MechanismState(), MechanismState(noise=0.11)
    place, medium = TrackPlace(), MediumState(pulse_width_um=3.5)
    d, t = rows(writer, reader, None, medium, place)
    d[0, [k.OVAL, k.OVAL_RAD, k.SWING, k.SWING_RAD]] = 5e-4, 0.4, 30.0, 1.1
    angles = k.whole_turn(8)
    alone = []
    for angle in angles:
        aside = 36512.5 * 5e-4 * math.cos(2 * angle + 0.4) + 30 * math.cos(angle + 1.1)
        readout = read_out(Recording(MechanismState(offset_um=aside)), reader, medium, place)
        alone.append(-math.log1p(-sector_failure_probability(readout)))
    # the neighbours move with the track, so only the wanted strip differs here and none is reached
    assert k.sector_hazards(d, t, angles)[0, 0] == pytest.approx(float(np.mean(alone)), rel=1e-6)


def test_timing_margin_is_where_one_in_a_thousand_million_is_reached():
    d, t = rows(MechanismState(), MechanismState(noise=0.05), None, MediumState(pulse_width_um=3.5), TrackPlace())
    margin = k.timing_margins(d, t)[0, 0]
    readout = read_out(Recording(), MechanismState(noise=0.05), MediumState(pulse_width_um=3.5))
    bias = readout.peak_shift_s
    assert margin == pytest.approx(1 - (bias + 5.9978 * readout.jitter_s) / (readout.cell_s / 2), rel=1e-9)
    assert k._tail.py_func(5.9978) == pytest.approx(1e-9, rel=2e-3)
