"""The forward model against worked figures (facts table, DERIVED rows), closed forms and its own simulation."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from indexhole.model import geometry, timing
from indexhole.model.forward import (
    SOUND,
    DamagedBand,
    MechanismState,
    MediumState,
    Recording,
    TrackPlace,
    edge_failure_probability,
    read_out,
    recorded_by,
    sector_failure_probability,
)

NARROW = replace(SOUND, write_width_um=160.0, read_width_um=160.0)


def failure(recording: Recording, reader: MechanismState = SOUND, medium: MediumState | None = None) -> float:
    return sector_failure_probability(read_out(recording, reader, medium))


@pytest.mark.parametrize(
    ("outer_mm", "pitch_mm", "cylinder", "radius_mm"),
    [
        (57.150, 25.4 / 48, 39, 36.5125),
        (55.0333, 25.4 / 48, 39, 34.3958),
        (57.150, 25.4 / 96, 79, 36.2479),
        (38.000, 0.1875, 79, 23.1875),
    ],
)
def test_track_radius(outer_mm: float, pitch_mm: float, cylinder: int, radius_mm: float) -> None:
    assert geometry.track_radius_mm(cylinder, outer_mm, pitch_mm) == pytest.approx(radius_mm, abs=6e-5)


@pytest.mark.parametrize(
    ("flux_per_radian", "radius_mm", "density"),
    [(7958, 34.3958, 5876.7), (13262, 34.9250, 9645.1), (7958, 23.1875, 8717.3), (15916, 23.1875, 17434.7)],
)
def test_linear_density(flux_per_radian: float, radius_mm: float, density: float) -> None:
    assert geometry.linear_density_bpi(flux_per_radian, radius_mm) == pytest.approx(density, abs=0.06)
    assert geometry.linear_density_bpi(flux_per_radian, radius_mm, fm=True) == pytest.approx(density / 2, abs=0.03)


@pytest.mark.parametrize(
    ("width_um", "offset_um", "loss_db"),
    [(330, 25.4, -0.696), (160, 25.4, -1.501), (160, 12.7, -0.718), (115, 15.24, -1.235)],
)
def test_off_track_loss(width_um: float, offset_um: float, loss_db: float) -> None:
    assert geometry.off_track_db(width_um, offset_um) == pytest.approx(loss_db, abs=6e-4)
    both = replace(SOUND, write_width_um=width_um, read_width_um=width_um)
    aside = read_out(Recording(both), replace(both, offset_um=offset_um))
    assert geometry.ratio_db(aside.amplitude) == pytest.approx(loss_db, abs=6e-4)


@pytest.mark.parametrize(
    ("width_um", "radius_mm", "flux_per_radian", "at_18", "at_36"),
    [
        (330, 36.5125, 7958, -0.513, -2.130),
        (160, 36.2479, 7958, -0.121, -0.489),
        (115, 23.1875, 15916, -0.619, -2.595),
    ],
)
def test_azimuth_loss(width_um: float, radius_mm: float, flux_per_radian: float, at_18: float, at_36: float) -> None:
    spacing = geometry.transition_spacing_um(flux_per_radian, radius_mm)
    assert geometry.ratio_db(geometry.azimuth_ratio(width_um, 18, spacing)) == pytest.approx(at_18, abs=6e-4)
    assert geometry.ratio_db(geometry.azimuth_ratio(width_um, 36, spacing)) == pytest.approx(at_36, abs=6e-4)


def test_azimuth_enters_the_readout_as_a_difference_of_angles() -> None:
    turned = replace(SOUND, azimuth_arcmin=18.0)
    readout = read_out(Recording(SOUND), turned)
    # 2 cells of 2 us at 300 r/min span the 125.66 urad of 7958 transitions a radian.
    assert geometry.ratio_db(readout.amplitude) == pytest.approx(-0.513, abs=6e-4)
    assert read_out(Recording(turned), turned).amplitude == 1.0


@pytest.mark.parametrize(
    ("radius_mm", "warm_um", "damp_um"), [(91.7533, 46.8, 82.6), (57.15, 29.1, 51.4), (39.5, 20.1, 35.6)]
)
def test_expansion_of_the_disk(radius_mm: float, warm_um: float, damp_um: float) -> None:
    assert geometry.expansion_um(radius_mm, 17e-6, 30) == pytest.approx(warm_um, abs=0.06)
    assert geometry.expansion_um(radius_mm, 15e-6, 60) == pytest.approx(damp_um, abs=0.06)


@pytest.mark.parametrize(
    ("written", "read", "ratio"), [(1.0, 1.015, 0.98522), (0.985, 1.015, 0.97044), (1.015, 0.985, 1.03046)]
)
def test_cell_against_speed(written: float, read: float, ratio: float) -> None:
    readout = read_out(Recording(replace(SOUND, speed_ratio=written)), replace(SOUND, speed_ratio=read))
    assert readout.cell_ratio == pytest.approx(ratio, abs=6e-6)


@pytest.mark.parametrize(("old_um", "left_um", "new_over_old_db"), [(330, 170, -0.53), (300, 140, 1.16)])
def test_narrow_head_leaves_the_old_edges(old_um: float, left_um: float, new_over_old_db: float) -> None:
    wide = replace(SOUND, write_width_um=old_um)
    readout = read_out(Recording(NARROW, under=wide), wide)
    assert readout.interference * wide.read_width_um == pytest.approx(left_um)
    assert geometry.ratio_db(readout.amplitude / readout.interference) == pytest.approx(new_over_old_db, abs=6e-3)
    if old_um == 330:
        assert readout.interference == pytest.approx(0.515, abs=6e-4)


def test_rules_of_thumb_of_mixed_head_widths() -> None:
    """Section 4 of the facts: the wide head mixes old and new, the narrow one reads both, an erased disk helps."""
    over_old = Recording(NARROW, under=SOUND)
    assert failure(over_old, SOUND) > 0.99
    assert failure(over_old, NARROW) < 1e-6
    assert failure(Recording(NARROW), SOUND) < 1e-3
    assert failure(Recording(SOUND), NARROW) < 1e-6


def test_a_moved_head_reads_its_own_and_nobody_elses() -> None:
    moved = replace(SOUND, offset_um=250.0)
    assert failure(Recording(SOUND), moved) > 0.99
    assert failure(Recording(moved), SOUND) > 0.99
    assert failure(Recording(moved), moved) < 1e-6
    assert failure(Recording(moved, under=SOUND), moved) < 1e-6


def test_an_old_edge_makes_a_smaller_offset_fatal() -> None:
    moved = replace(SOUND, offset_um=80.0)
    assert failure(Recording(moved)) < 1e-6
    assert failure(Recording(moved, under=SOUND)) > 0.99
    trimmed = replace(moved, erase_trim_um=80.0)
    assert failure(Recording(trimmed, under=SOUND)) < 1e-6


def test_an_off_speed_drive_reads_its_own_and_nobody_elses() -> None:
    fast = replace(SOUND, speed_ratio=1.07)
    assert failure(Recording(SOUND), fast) > 0.99
    assert failure(Recording(fast), SOUND) > 0.99
    assert failure(Recording(fast), fast) < 1e-6


def test_dirt_wear_and_damage_stay_on_their_side_and_stretch() -> None:
    side_1 = TrackPlace(side=1)
    dirty = replace(SOUND, head_loss_db=(14.0, 0.0))
    worn = MediumState(worn_loss_db=(0.0, 14.0))
    banded = MediumState(bands=(DamagedBand(0, 30, 39, 14.0),))
    assert failure(Recording(SOUND), dirty) > 0.99
    assert sector_failure_probability(read_out(Recording(SOUND), dirty, place=side_1)) < 1e-6
    assert failure(Recording(SOUND), SOUND, worn) < 1e-6
    assert sector_failure_probability(read_out(Recording(SOUND), SOUND, worn, side_1)) > 0.99
    assert failure(Recording(SOUND), SOUND, banded) > 0.99
    outside = TrackPlace(radius_mm=41.8, cylinder=29)
    assert sector_failure_probability(read_out(Recording(SOUND), SOUND, banded, outside)) < 1e-6


def test_dead_paths() -> None:
    assert failure(Recording(SOUND), replace(SOUND, read_dead=True)) == 1.0
    old = Recording(SOUND)
    assert recorded_by(replace(SOUND, write_dead=True), old) is old
    assert recorded_by(NARROW, old) == Recording(NARROW, SOUND)
    assert recorded_by(NARROW, None) == Recording(NARROW, None)


def test_defects_of_the_medium_fail_sectors_of_a_sound_pair() -> None:
    assert failure(Recording(SOUND), SOUND, MediumState(defect_rate=0.004)) == pytest.approx(0.004, rel=1e-6)


def test_worked_numbers_of_the_forward_model_page() -> None:
    """The worked example of docs/forward-model.md: a centred sound pair, then 200 um aside."""
    centred = read_out(Recording())
    assert centred.pulse_width_s == pytest.approx(3.487e-6, rel=1e-3)
    assert centred.jitter_s == pytest.approx(82.7e-9, rel=2e-3)
    assert centred.peak_shift_s == pytest.approx(85.5e-9, rel=2e-3)
    aside = read_out(Recording(), replace(SOUND, offset_um=200.0))
    assert aside.amplitude == pytest.approx(130 / 330)
    assert aside.jitter_s == pytest.approx(210e-9, rel=3e-3)
    assert sector_failure_probability(aside) == pytest.approx(0.0215, rel=0.02)


def test_jitter_formula_against_detected_peaks() -> None:
    """A second road: add band-limited noise to sampled pulses, find their peaks, compare the spread."""
    rng = np.random.default_rng(7)
    step_s, width_s, bandwidth_hz, ratio = 5e-9, 3.487e-6, 500e3, 0.03
    time_s = (np.arange(4096) - 2048) * step_s
    pulse = 1 / (1 + (2 * time_s / width_s) ** 2)
    passed = np.fft.rfftfreq(len(time_s), step_s) <= bandwidth_hz
    peaks = []
    for _ in range(3000):
        noise = np.fft.irfft(np.fft.rfft(rng.normal(size=len(time_s))) * passed, len(time_s))
        wave = pulse + noise * ratio / math.sqrt(np.mean(passed))
        near = slice(2048 - 200, 2048 + 201)
        slope = np.gradient(wave, step_s)[near]
        crossing = np.flatnonzero((slope[:-1] > 0) & (slope[1:] <= 0))
        peaks.append(time_s[near][crossing[np.argmin(np.abs(crossing - 200))]])
    expected = timing.edge_jitter_s(ratio, width_s, bandwidth_hz)
    assert np.std(peaks) == pytest.approx(expected, rel=0.12)


def test_peak_shift_against_summed_pulses() -> None:
    width_s, near_s, far_s = 3.487e-6, 4e-6, 8e-6

    def pulse(t: np.ndarray) -> np.ndarray:
        return 1 / (1 + (2 * t / width_s) ** 2)

    time_s = np.linspace(-5e-7, 5e-7, 200001)
    wave = pulse(time_s) - pulse(time_s + near_s) - pulse(time_s - far_s)
    found = time_s[np.argmax(wave)]
    # First order in the slopes, so the true peak moves a little more or less.
    assert found == pytest.approx(timing.peak_shift_s(width_s, near_s, far_s), rel=0.25)


@pytest.mark.parametrize(("sigmas", "chance"), [(0.0, 0.5), (1.0, 0.158655), (3.0, 1.349898e-3), (6.0, 9.8659e-10)])
def test_normal_tail(sigmas: float, chance: float) -> None:
    assert timing.tail(sigmas) == pytest.approx(chance, rel=1e-4)


def test_sector_counts_every_transition_once() -> None:
    assert timing.sector_transitions(512) == 3156
    assert timing.any_of(1e-6, 3156) == pytest.approx(3.151e-3, rel=1e-3)
    assert timing.any_of(0.0, 3156) == 0.0
    assert timing.any_of(1.0, 3156) == 1.0


amounts = st.floats(0.0, 400.0)


@given(st.floats(-400, 400), st.floats(-400, 400))
def test_only_the_difference_of_two_offsets_counts(written: float, read: float) -> None:
    one = read_out(Recording(replace(SOUND, offset_um=written)), replace(SOUND, offset_um=read))
    other = read_out(Recording(), replace(SOUND, offset_um=read - written))
    assert one.amplitude == pytest.approx(other.amplitude, abs=1e-9)
    assert one.interference == pytest.approx(other.interference, abs=1e-9)


@given(amounts, amounts, st.booleans())
def test_further_aside_is_never_better(first: float, second: float, over_old: bool) -> None:
    near, far = sorted((first, second))
    under = SOUND if over_old else None
    chances = [failure(Recording(replace(SOUND, offset_um=d), under)) for d in (near, far)]
    assert 0.0 <= chances[0] <= chances[1] + 1e-12 <= 1.0 + 2e-12


@given(st.floats(0, 0.3), st.floats(0, 0.3))
def test_more_speed_error_is_never_better(first: float, second: float) -> None:
    small, large = sorted((first, second))
    chances = [failure(Recording(), replace(SOUND, speed_ratio=1 / (1 + e))) for e in (small, large)]
    assert chances[0] <= chances[1] + 1e-9


@given(
    st.builds(
        MechanismState,
        speed_ratio=st.floats(0.5, 2),
        offset_um=st.floats(-2000, 2000),
        write_width_um=st.floats(20, 500),
        read_width_um=st.floats(20, 500),
        azimuth_arcmin=st.floats(-60, 60),
        wow_peak=st.floats(0, 0.2),
        pulse_asymmetry_s=st.floats(-1e-6, 1e-6),
        noise=st.floats(1e-4, 2),
        head_loss_db=st.tuples(st.floats(0, 90), st.floats(0, 90)),
        write_dead=st.booleans(),
        read_dead=st.booleans(),
    ),
    st.floats(0, 90),
    st.booleans(),
)
def test_probabilities_stay_probabilities(state: MechanismState, loss_db: float, over_old: bool) -> None:
    medium = MediumState(worn_loss_db=(loss_db, 0.0))
    for recording, reader in ((Recording(state, SOUND if over_old else None), SOUND), (Recording(), state)):
        readout = read_out(recording, reader, medium)
        assert 0.0 <= readout.amplitude <= 1.0 + 1e-12
        assert 0.0 <= edge_failure_probability(readout) <= 1.0
        assert 0.0 <= sector_failure_probability(readout) <= 1.0
