"""Practice tracks: every physical effect checked by a second road, and every layout of the library simulated."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import minimize_scalar

from indexhole.model.forward import MechanismState, MediumState, Recording, read_out
from indexhole.model.simulator.pulses import Floats, Spindle, cells_per_revolution, peak_shifts, replace_stretch
from indexhole.model.simulator.simulate import (
    Reader,
    RecordedTrack,
    SimulatedTrack,
    WeakStretch,
    format_track,
    read_track,
    rewrite_sector,
    weak_places,
)
from indexhole.model.suited import bandwidth_hz, sound_mechanism, sound_medium, track_place
from indexhole.model.timing import peak_shift_s
from indexhole.standards.layouts import Layout, Zone, load_layouts

LIBRARY = load_layouts()
EACH_ZONE = [(layout, zone) for layout in LIBRARY.values() for zone in layout.zones]
QUIET = Reader(MechanismState(noise=0.0), MediumState(pulse_width_um=0.01))


def fresh(name: str = "130-48-mfm-9x512", cylinder: int = 0, seed: int = 3, **writer: float) -> RecordedTrack:
    layout = LIBRARY[name]
    zone = layout.zone(cylinder, 0)
    assert zone is not None
    rng = np.random.default_rng(seed)
    sectors = {number: rng.bytes(zone.sector_bytes) for number in zone.sector_ids}
    return format_track(layout, cylinder, 0, sectors, rng, replace(sound_mechanism(layout), **writer))


def read(track: RecordedTrack, reader: Reader = QUIET, seed: int = 5, revolutions: float = 3) -> SimulatedTrack:
    return read_track(track, np.random.default_rng(seed), reader, revolutions=revolutions)


def cells_between(log: SimulatedTrack, cell_s: float) -> Floats:
    """Intervals in cells, those across the writer's own start and end left out."""
    intervals = np.diff(log.pulses_s) / cell_s
    return intervals[np.abs(intervals - np.rint(intervals)) < 0.2]


@given(
    st.floats(250, 400),
    st.floats(0, 0.05),
    st.floats(0.3, 8),
    st.floats(0, 6.2),
    st.lists(st.floats(-3, 20), max_size=20),
)
def test_time_is_the_inverse_of_angle(
    speed: float, peak: float, order: float, phase: float, angles: list[float]
) -> None:
    spindle = Spindle(speed, peak, order, phase)
    there = np.array(angles)
    assert np.allclose(spindle.angle(spindle.time(there)), there, atol=1e-12)


def test_wow_changes_the_speed_by_its_peak() -> None:
    spindle = Spindle(300, 0.012, 2.6, 0.4)
    time_s = np.linspace(0, 1, 100_001)
    speed = np.diff(spindle.angle(time_s)) / np.diff(time_s) * 60
    assert speed.max() == pytest.approx(300 * 1.012, rel=1e-5)
    assert speed.min() == pytest.approx(300 * 0.988, rel=1e-5)


def test_a_fast_writer_lays_down_fewer_cells() -> None:
    assert cells_per_revolution(Spindle(300), 2e-6) == 100_000
    assert cells_per_revolution(Spindle(303), 2e-6) == 99_009


def test_peaks_stand_where_the_summed_pulses_have_theirs() -> None:
    """Against a numerical search on the sum of all pulses of a closed track."""
    rng = np.random.default_rng(11)
    angles = np.cumsum(rng.choice([2, 3, 4], 60))
    turn = float(angles[-1])
    # pulses 1.8 cells wide, the shortest spacing being 2
    shifts = peak_shifts((angles - angles[0]) / turn, 1.8 / turn) * turn
    closed = np.concatenate((angles - turn, angles, angles + turn)).astype(float)
    signs = np.where(np.arange(closed.size) % 2, -1.0, 1.0)

    def height(at: float) -> float:
        return float(np.sum(signs / (1 + ((at - closed) / 0.9) ** 2)))

    for number, place in enumerate(angles):
        sign = signs[angles.size + number]
        found = minimize_scalar(lambda at, s=sign: -s * height(at), bounds=(place - 0.6, place + 0.6), method="bounded")
        # only the nearest neighbours are counted in the fast search
        assert shifts[number] == pytest.approx(found.x - place, abs=4e-3)


def test_first_order_shift_agrees_with_the_forward_model() -> None:
    # narrow pulses, a near neighbour on one side and a far one on the other, again and again
    near, far = 2.0, 4.0
    angles = np.cumsum(np.tile([near, far], 40)) / (40 * (near + far)) % 1.0
    angles.sort()
    cell = 1 / (40 * (near + far))
    shifts = peak_shifts(angles, 1.0 * cell) / cell
    expected = peak_shift_s(1.0, near, far)
    assert np.abs(shifts) == pytest.approx(expected, rel=0.05)
    intervals = np.diff(angles + shifts * cell) / cell
    assert intervals.max() < far
    assert intervals.min() > near


def test_even_spacing_shifts_nothing_and_few_transitions_are_borne() -> None:
    assert np.allclose(peak_shifts(np.arange(50) / 50, 0.03), 0)
    assert peak_shifts(np.array([]), 0.1).size == 0
    assert peak_shifts(np.array([0.3]), 0.1).tolist() == [0.0]
    assert peak_shifts(np.array([0.3, 0.4]), 0.1).size == 2


@given(st.lists(st.floats(0, 0.999), min_size=2, max_size=40, unique=True), st.floats(1e-4, 0.5))
def test_peaks_keep_their_order(places: list[float], width: float) -> None:
    angles = np.sort(np.array(places))
    moved = angles + peak_shifts(angles, width)
    assert (np.diff(moved) >= 0).all()


@pytest.mark.parametrize(("layout", "zone"), EACH_ZONE, ids=lambda v: getattr(v, "id", ""))
def test_every_layout_can_be_practised(layout: Layout, zone: Zone) -> None:
    cylinder, head = zone.first_cylinder, zone.heads[0]
    rng = np.random.default_rng(1)
    track = format_track(layout, cylinder, head, {}, rng)
    log = read_track(track, rng, revolutions=1)
    assert log.index_s.size == 2
    assert np.diff(log.index_s)[0] == pytest.approx(60 / layout.speed_rpm)
    per_turn = np.count_nonzero((log.pulses_s >= log.index_s[0]) & (log.pulses_s < log.index_s[1]))
    assert per_turn == pytest.approx(track.angles.size, abs=2)
    # within the half window of the code, but for the place where the write began and ended
    intervals = np.diff(log.pulses_s) / zone.cell_s
    shortest, longest = {"fm": (1, 2), "mfm": (2, 4), "group45": (1, 3)}[zone.code]
    odd = (intervals < shortest - 0.5) | (intervals > longest + 0.5)
    assert odd.sum() <= 2


@settings(max_examples=25)
@given(st.floats(0.97, 1.03), st.floats(0.97, 1.03))
def test_cells_read_are_the_writers_speed_over_the_readers(writer: float, reader: float) -> None:
    track = fresh(speed_ratio=writer)
    log = read(
        track, Reader(replace(QUIET.mechanism or MechanismState(), speed_ratio=reader), QUIET.medium), revolutions=1
    )
    intervals = np.diff(log.pulses_s) / (2e-6 * writer / reader)
    whole = np.rint(intervals)
    # two exceptions: the ends of the write
    assert np.sum(np.abs(intervals - whole) > 1e-3) <= 2
    assert set(whole.tolist()) - {2.0, 3.0, 4.0} == set() or np.sum((whole < 2) | (whole > 4)) <= 2
    assert np.diff(log.index_s)[0] == pytest.approx(0.2 / reader)


def test_worked_speed_extremes() -> None:
    # arithmetic on the maintenance limits: written 1.5 % slow and read 1.5 % fast, and the reverse
    for writer, reader, ratio in ((1.0, 1.015, 0.98522), (0.985, 1.015, 0.97044), (1.015, 0.985, 1.03046)):
        log = read(fresh(speed_ratio=writer), Reader(MechanismState(noise=0, speed_ratio=reader), QUIET.medium))
        cells = cells_between(log, 2e-6 * ratio)
        assert np.median(cells / np.rint(cells)) == pytest.approx(1, abs=1e-5)


def test_jitter_is_what_the_forward_model_says() -> None:
    track = fresh(cylinder=39)
    mechanism = MechanismState(noise=0.05)
    medium = MediumState(pulse_width_um=3.0)
    noisy = read(track, Reader(mechanism, medium), revolutions=1)
    quiet = read(track, Reader(replace(mechanism, noise=0.0), medium), revolutions=1)
    expected = read_out(
        Recording(track.writer),
        mechanism,
        medium,
        track_place(track.layout, 39, 0),
        bandwidth_hz=bandwidth_hz(track.zone),
    )
    assert noisy.pulses_s.size == quiet.pulses_s.size
    error_s = noisy.pulses_s - quiet.pulses_s
    assert error_s.std() == pytest.approx(expected.jitter_s, rel=0.03)
    assert abs(error_s.mean()) < expected.jitter_s / 50


def test_an_off_track_reader_jitters_more() -> None:
    track = fresh(cylinder=39)
    medium = MediumState(pulse_width_um=3.0)

    def spread(offset_um: float) -> float:
        log = read(track, Reader(MechanismState(offset_um=offset_um), medium), revolutions=1)
        cells = cells_between(log, 2e-6)
        return float((cells - np.rint(cells)).std())

    assert spread(0) < spread(100) < spread(165)


def test_asymmetry_parts_odd_and_even_pulses() -> None:
    track = fresh()
    plain = read(track, revolutions=1)
    skewed = read(track, Reader(MechanismState(noise=0, pulse_asymmetry_s=200e-9), QUIET.medium), revolutions=1)
    late = (skewed.pulses_s - plain.pulses_s)[1:-1]
    assert np.abs(np.diff(late)) == pytest.approx(200e-9, abs=1e-12)


def test_wow_of_the_reader_shows_in_the_intervals_and_goes_on_over_the_turns() -> None:
    reader = Reader(MechanismState(noise=0, wow_peak=0.02, wow_order=2.6), QUIET.medium)
    log = read(fresh("130-fm-16x128", 20), reader, revolutions=5)
    intervals = np.diff(log.pulses_s)
    ratio = intervals / np.rint(intervals / 4e-6) / 4e-6
    good = np.abs(ratio - 1) < 0.03
    assert ratio[good].max() == pytest.approx(1 / 0.98, abs=1e-3)
    assert ratio[good].min() == pytest.approx(1 / 1.02, abs=1e-3)
    at = log.pulses_s[1:][good] / 0.2
    wave = np.column_stack((np.cos(2 * np.pi * 2.6 * at), np.sin(2 * np.pi * 2.6 * at), np.ones(at.size)))
    _, residue, _, _ = np.linalg.lstsq(wave, ratio[good], rcond=None)
    # one unbroken wave explains it all over five turns
    assert math.sqrt(residue[0] / at.size) < 1e-3


def test_index_sensor_errors() -> None:
    # a late reader sees its index late against the data, a late writer lays its data down late
    plain = read(fresh())
    late = read(fresh(), Reader(MechanismState(noise=0, index_delay_s=310e-6), QUIET.medium))
    assert late.index_s - plain.index_s == pytest.approx(310e-6)
    assert np.allclose(late.pulses_s, plain.pulses_s)
    on_time, shifted = fresh(), fresh(index_delay_s=1e-3)
    assert shifted.spans[1][0] - on_time.spans[1][0] == pytest.approx(1e-3 / 0.2)
    jumpy = read(fresh(), replace(QUIET, index_jitter_s=5e-6), revolutions=40)
    assert np.diff(jumpy.index_s).std() == pytest.approx(5e-6 * math.sqrt(2), rel=0.5)


def test_weak_stretches_lose_pulses_and_nothing_else_does() -> None:
    track = fresh()
    reader = Reader(
        MechanismState(), sound_medium(track.layout), weak=(WeakStretch(0.5, 0.002), WeakStretch(0.999, 0.003))
    )
    log = read(track, reader)
    turn = (log.pulses_s - log.index_s[0]) / 0.2
    gaps = np.flatnonzero(np.diff(turn) > 1e-4)
    starts = turn[gaps] % 1.0
    assert np.all((np.abs(starts - 0.5) < 5e-5) | (np.abs(starts - 0.999) < 5e-5))
    assert np.count_nonzero(np.abs(starts - 0.5) < 5e-5) == 3
    assert np.diff(turn)[gaps] == pytest.approx(np.where(np.abs(starts - 0.5) < 0.1, 0.002, 0.003), abs=5e-5)


def test_a_faint_stretch_is_noisier_before_it_is_gone() -> None:
    track = fresh(cylinder=39)
    medium = sound_medium(track.layout)
    quarter = Reader(MechanismState(), medium, weak=(WeakStretch(0.25, 0.25, 12.0),))
    log = read(track, quarter)
    cells = np.diff(log.pulses_s) / 2e-6
    turn = (log.pulses_s[1:] - log.index_s[0]) / 0.2 % 1.0
    faint, sound = (turn > 0.26) & (turn < 0.49), (turn > 0.51) & (turn < 0.97)
    off = np.abs(cells - np.rint(cells))
    assert off[faint].std() > 1.5 * off[sound].std()


def test_extra_pulses_come_at_their_rate() -> None:
    track = fresh()
    plain = read(track)
    more = read(track, replace(QUIET, extra_rate=0.01))
    extra = more.pulses_s.size - plain.pulses_s.size
    assert extra == pytest.approx(0.01 * plain.pulses_s.size, rel=0.15)


def test_a_dead_head_reads_nothing() -> None:
    log = read(fresh(), Reader(MechanismState(read_dead=True)))
    assert log.pulses_s.size == 0
    assert log.index_s.size == 4


def test_a_rewritten_sector_has_its_writers_cells() -> None:
    track = fresh()
    slow = replace(track.writer, speed_ratio=0.9693)
    data = bytes(range(256)) * 2
    again = rewrite_sector(track, 4, data, np.random.default_rng(2), slow, late_s=8e-6)
    _, start, end = again.spans[4]
    assert start == pytest.approx(track.spans[4][1] + 8e-6 * 300 * 0.9693 / 60)
    # a slow writer's field is shorter on the disk
    assert end - start == pytest.approx((track.spans[4][2] - track.spans[4][1]) * 0.9693, rel=1e-6)
    outside_old = track.angles[(track.angles < start) | (track.angles >= end)]
    outside_new = again.angles[(again.angles < start) | (again.angles >= end)]
    assert np.allclose(outside_old, outside_new)
    log = read(again, revolutions=1)
    turn = (log.pulses_s[1:] - log.index_s[0]) / 0.2
    inside = (turn > start + 1e-4) & (turn < end - 1e-4)
    cells = np.diff(log.pulses_s)[inside] / (2e-6 * 0.9693)
    assert np.abs(cells - np.rint(cells)).max() < 1e-3
    assert again.later[0].writer is slow
    with pytest.raises(KeyError):
        rewrite_sector(track, 99, data, np.random.default_rng(2), slow)


def test_a_misplaced_writers_sector_is_fainter() -> None:
    track = fresh(cylinder=39)
    aside = replace(track.writer, offset_um=300.0)
    again = rewrite_sector(track, 4, bytes(512), np.random.default_rng(2), aside)
    log = read(again, Reader(MechanismState(), sound_medium(track.layout)), revolutions=1)
    whole = read(track, Reader(MechanismState(), sound_medium(track.layout)), revolutions=1)
    assert log.pulses_s.size < whole.pulses_s.size - 1000


def test_a_stretch_may_pass_the_index() -> None:
    angles = np.arange(100) / 100
    new = replace_stretch(angles, 0.955, np.array([0.0, 0.05]), 0.1)
    assert new.tolist() == pytest.approx([0.005, *(np.arange(6, 96) / 100).tolist(), 0.955])
    assert WeakStretch(0.95, 0.1).covers(np.array([0.94, 0.96, 0.04, 0.06])).tolist() == [False, True, True, False]


def test_the_same_seed_gives_the_same_log() -> None:
    reader = Reader(weak=weak_places(np.random.default_rng(4), 3, 0.001), extra_rate=0.001)
    first, again, other = (read(fresh(), reader, seed=seed) for seed in (9, 9, 10))
    assert np.array_equal(first.pulses_s, again.pulses_s)
    assert not np.array_equal(first.pulses_s[:100], other.pulses_s[:100])


@settings(max_examples=25)
@given(st.integers(0, 2**32 - 1), st.floats(0.97, 1.03), st.floats(0, 0.03), st.floats(0, 0.1))
def test_logs_are_in_order_and_finite(seed: int, speed: float, wow: float, noise: float) -> None:
    rng = np.random.default_rng(seed)
    layout = LIBRARY[sorted(LIBRARY)[seed % len(LIBRARY)]]
    cylinder = seed % layout.cylinders
    track = format_track(layout, cylinder, 0, {}, rng)
    mechanism = replace(sound_mechanism(layout), speed_ratio=speed, wow_peak=wow, noise=noise)
    log = read_track(track, rng, Reader(mechanism, weak=weak_places(rng, 5, 0.002, 20.0)), revolutions=1.5)
    assert np.isfinite(log.pulses_s).all()
    assert (np.diff(log.pulses_s) >= 0).all()
    assert log.pulses_s.min() > 0
    assert log.index_s.size == 2


def test_no_such_track_is_refused() -> None:
    with pytest.raises(ValueError, match="no cylinder 40 head 0"):
        format_track(LIBRARY["130-48-mfm-9x512"], 40, 0, {}, np.random.default_rng(0))
    with pytest.raises(ValueError, match="no cylinder 0 head 1"):
        track_place(LIBRARY["130-fm-16x128"], 0, 1)
