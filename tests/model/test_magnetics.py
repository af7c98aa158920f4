"""Magnetics, growth of disks, and the index: worked figures, closed forms and second roads."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import norm

from indexhole.model import expansion, index_to_data, magnetics
from indexhole.pairing.parts.rates import disk_spacing_um, head_spacing_um
from indexhole.standards.classes import load_classes
from indexhole.standards.drives import load_drives

A = np.array


@pytest.mark.parametrize(
    ("radius_mm", "warm_um", "damp_um"), [(91.7533, 46.8, 82.6), (57.15, 29.1, 51.4), (39.5, 20.1, 35.6)]
)
def test_growth_of_a_disk_alone(radius_mm: float, warm_um: float, damp_um: float) -> None:
    warm = expansion.disk_strain(A(17e-6), A(0.0), A(30.0), A(0.0))
    damp = expansion.disk_strain(A(0.0), A(15e-6), A(0.0), A(60.0))
    assert radius_mm * 1e3 * warm == pytest.approx(warm_um, abs=0.06)
    assert radius_mm * 1e3 * damp == pytest.approx(damp_um, abs=0.06)


def test_a_film_that_grows_unevenly_makes_ovals() -> None:
    """Second road: grow a circle along x and y, measure its radius round the turn."""
    along, across, radius = 3e-4, 1e-4, 57_150.0
    mean, oval = expansion.mean_and_oval(A(along), A(across))
    angle = np.linspace(0, 2 * math.pi, 721)
    x, y = radius * np.cos(angle) * (1 + along), radius * np.sin(angle) * (1 + across)
    grown = np.hypot(x, y) - radius
    told = expansion.aside_um(angle, A(radius * mean), A(radius * oval), A(0.0), A(0.0), A(0.0))
    assert np.abs(grown - told).max() < 0.01


def test_alike_drives_at_the_same_warmth_cancel_and_a_frame_like_the_disk_saves_all() -> None:
    same = expansion.frame_strain(A(15e-6), A(15e-6), A(30.0), A(30.0))
    assert same == 0.0
    disk = expansion.disk_strain(A(17e-6), A(0.0), A(10.0), A(0.0))
    frame = expansion.frame_strain(A(17e-6), A(17e-6), A(20.0), A(30.0))
    assert disk + frame == pytest.approx(0.0, abs=1e-12)


@given(st.floats(0, 50), st.floats(0, 50), st.floats(0, 6.28))
def test_two_clampings_add_as_arrows(first: float, second: float, between: float) -> None:
    arrow = second * complex(math.cos(between), math.sin(between)) - first
    swing = expansion.two_clampings_um(A(first), A(second), A(between))
    assert swing == pytest.approx(abs(arrow), abs=1e-5)
    assert abs(first - second) - 1e-5 <= swing <= first + second + 1e-5


def test_play_counts_only_between_different_sides() -> None:
    assert expansion.hysteresis_um(A(6.0), True, True) == 0.0
    assert expansion.hysteresis_um(A(6.0), True, False) == 6.0
    assert expansion.hysteresis_um(A(6.0), False, True) == -6.0


@given(st.floats(100, 1000), st.floats(100, 1000))
def test_what_is_written_and_what_is_left_is_everything(drive: float, disk: float) -> None:
    share = float(magnetics.written_share(A(drive), A(disk)))
    assert share == pytest.approx(norm.cdf((magnetics.REACH * drive / disk - 1) / magnetics.SPREAD), abs=1e-12)
    left = 10 ** (float(magnetics.overwrite_db(A(drive), A(disk))) / 20)
    assert share + left == pytest.approx(1.0, abs=1e-9)
    assert 0.0 <= float(magnetics.hardly_written_share(A(drive), A(disk))) <= share + 1e-12


def test_a_native_pair_overwrites_well_and_a_weak_field_does_not() -> None:
    assert float(magnetics.overwrite_db(A(300.0), A(300.0))) < -30
    assert -30 < float(magnetics.overwrite_db(A(0.9 * 300), A(300.0))) < -26
    assert float(magnetics.overwrite_db(A(300.0), A(600.0))) > -6


def test_a_field_that_suits_writes_the_shortest_transitions() -> None:
    ratios = np.linspace(0.5, 4.0, 200)
    lengths = magnetics.broadening(ratios * 300.0, np.full_like(ratios, 300.0))
    assert lengths.min() == pytest.approx(1.0, abs=1e-3)
    assert ratios[lengths.argmin()] == pytest.approx(1.0, abs=0.05)
    assert (np.diff(lengths[ratios > 1.05]) > 0).all()
    assert (np.diff(lengths[(ratios < 0.95)]) <= 0).all()


def test_the_head_field_is_the_field_of_two_charged_edges() -> None:
    """Second road: integrate the field of a gap with even potential drop numerically (Karlqvist's assumption)."""
    depth = 0.5
    for x in (0.0, 0.4, 1.0, 2.5):
        across = np.linspace(-0.5, 0.5, 20001)
        line = depth / ((x - across) ** 2 + depth**2) / math.pi
        integral = float(((line[:-1] + line[1:]) / 2 * np.diff(across)).sum())
        assert float(magnetics.head_field(A(x), depth)) == pytest.approx(integral, rel=1e-6)


@pytest.mark.parametrize("share", [0.3, 0.9, 1.8])
def test_density_ratio_is_the_sum_of_alternating_pulses(share: float) -> None:
    """Second road: add up Lorentzian pulses of alternating sign."""
    place = np.arange(-4000, 4001)
    height = float(np.sum((-1.0) ** np.abs(place) / (1 + (2 * place / share) ** 2)))
    assert float(magnetics.density_ratio(A(share), A(1.0))) == pytest.approx(height, rel=1e-5)


def test_native_pairs_have_the_pulse_the_forward_model_assumes() -> None:
    drives, classes = load_drives(), load_classes()
    for drive, disk in (("130-48", "130-48"), ("130-dense", "130-dense"), ("90", "90"), ("90-dense", "90-dense")):
        head, coating = head_spacing_um(drives[drive]), disk_spacing_um(classes[disk])
        assert head is not None and coating is not None
        width = magnetics.pulse_width_um(A(head), A(coating), A(1.0))
        assert float(width) == pytest.approx(0.9 * coating, rel=0.01)
        # resolution of 2f over 1f as good heads have it
        assert 0.7 < float(magnetics.resolution(width, A(coating))) < 0.9


def test_a_coating_of_low_coercivity_blurs_a_dense_recording() -> None:
    drives, classes = load_drives(), load_classes()
    head, dense = head_spacing_um(drives["90-dense"]), disk_spacing_um(classes["90-dense"])
    normal = disk_spacing_um(classes["90"])
    assert head and dense and normal
    own = magnetics.resolution(magnetics.pulse_width_um(A(head), A(dense), A(1.0)), A(dense))
    other = magnetics.resolution(magnetics.pulse_width_um(A(head), A(normal), A(1.0)), A(dense))
    assert other < 0.8 * own


def test_spacings_come_from_the_geometry_of_the_classes() -> None:
    classes = load_classes()
    # R of the innermost track over the transitions per radian
    assert disk_spacing_um(classes["130-48"]) == pytest.approx(34_395.8 / 7958, rel=1e-4)
    assert disk_spacing_um(classes["90-dense"]) == pytest.approx(23_187.5 / 15916, rel=1e-4)
    assert disk_spacing_um(classes["130-100"]) is None


@pytest.mark.parametrize(("speed_rpm", "angle"), [(300, 0.360), (360, 0.432)])
def test_index_to_data_as_an_angle(speed_rpm: float, angle: float) -> None:
    assert index_to_data.angle_deg(200e-6, speed_rpm) == pytest.approx(angle, abs=1e-9)


def test_a_late_index_eats_the_room_before_the_first_header() -> None:
    # 146 bytes of gaps and index mark, MFM of 2 us cells
    first = index_to_data.first_header_s(146, 16, 2e-6)
    assert first == pytest.approx(4.672e-3)
    assert index_to_data.room_s(first, 200e-6, 400e-6) == pytest.approx(first - 200e-6)
    assert index_to_data.room_s(index_to_data.first_header_s(32, 16, 2e-6), 0.0, 1.5e-3) < 0
