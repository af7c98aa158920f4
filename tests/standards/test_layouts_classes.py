"""Disk classes and tolerances: transitions per revolution, radii and densities against published figures."""

from __future__ import annotations

import math

import pytest

from indexhole.errors import InputFault
from indexhole.standards.classes import load_classes, parse_classes
from indexhole.standards.tolerances import Tolerance, find_tolerance, load_tolerances

CLASSES = load_classes()

# ftprad: titles of the ISO parts and scope of ECMA-147; the rest is 2 pi f and 60 / rpm / (2 pi f)
FLUX = [
    ("200", 13262, 83_327.6, 2.0001e-6),
    ("130-48", 7958, 50_001.6, 3.9999e-6),
    ("130-96", 7958, 50_001.6, 3.9999e-6),
    ("130-dense", 13262, 83_327.6, 2.0001e-6),
    ("90", 7958, 50_001.6, 3.9999e-6),
    ("90-dense", 15916, 100_003.2, 1.9999e-6),
    ("90-extra", 31831, 200_000.1, 1.0000e-6),
]

# bits per inch on side 1 (encyclopaedia article on disk density) and the cylinder that gives it
DENSITIES = [
    ("130-48", 39, 5876, 1),
    ("130-dense", 76, 9646, 1),
    ("90", 79, 8717, 1),
    ("90-dense", 79, 17434, 1),
]


@pytest.mark.parametrize(("name", "ftprad", "transitions", "spacing_s"), FLUX)
def test_transitions_per_revolution(name: str, ftprad: float, transitions: float, spacing_s: float) -> None:
    item = CLASSES[name]
    assert item.ftprad is not None
    assert item.ftprad.value == ftprad
    assert item.ftprad.mark == "SEEN"
    assert item.transitions_per_revolution == pytest.approx(transitions, abs=0.1)
    assert item.shortest_spacing_s() == pytest.approx(spacing_s, abs=0.6e-10)
    spacing = item.shortest_spacing_s()
    assert spacing is not None
    assert 60 / item.speed_rpm.value / spacing == pytest.approx(2 * math.pi * ftprad)


def test_a_normal_disk_read_at_the_dense_speed() -> None:
    assert CLASSES["130-96"].shortest_spacing_s(360) == pytest.approx(3.3332e-6, abs=1e-10)


@pytest.mark.parametrize(("name", "cylinder", "density", "tolerance"), DENSITIES)
def test_radii_give_the_published_density(name: str, cylinder: int, density: int, tolerance: int) -> None:
    radius_mm = CLASSES[name].radius_mm(cylinder, 1)
    assert radius_mm is not None
    assert CLASSES[name].bits_per_inch(radius_mm) == pytest.approx(density, abs=tolerance)


def test_pitches() -> None:
    # 25.4 mm over the tracks per inch; 0.1875 mm is 135.467 tpi and not 135
    for name, per_inch in (("200", 48), ("130-48", 48), ("130-96", 96), ("130-dense", 96), ("130-100", 100)):
        assert CLASSES[name].pitch_um.value == pytest.approx(25_400 / per_inch, abs=1e-6)
    assert 25.4 / (CLASSES["90"].pitch_um.value * 1e-3) == pytest.approx(135.467, abs=1e-3)


def test_radius_of_the_innermost_48_tpi_track() -> None:
    # network-news posts on drive geometry: 2.25 in outermost, 1.4375 in by exact arithmetic at 39
    assert CLASSES["130-48"].radius_mm(0, 0) == 57.150
    assert CLASSES["130-48"].radius_mm(39, 0) == pytest.approx(25.4 * 1.4375, abs=1e-4)


def test_alternate_96_tpi_lines_lie_on_48_tpi_lines() -> None:
    for cylinder in range(40):
        assert CLASSES["130-96"].radius_mm(2 * cylinder, 0) == pytest.approx(
            CLASSES["130-48"].radius_mm(cylinder, 0), abs=1e-4
        )


def test_what_is_not_known_is_not_invented() -> None:
    assert CLASSES["130-100"].radius_mm(0, 0) is None
    assert CLASSES["130-100"].transitions_per_revolution is None
    assert CLASSES["130-100"].shortest_spacing_s() is None
    assert CLASSES["130-100"].bits_per_inch(40.0) is None


def test_a_broken_class_file_gets_one_clear_line() -> None:
    with pytest.raises(InputFault, match=r"mine\.toml: not TOML"):
        parse_classes("[[class", "mine.toml")
    with pytest.raises(InputFault, match=r"mine\.toml: title: Field required"):
        parse_classes('[[class]]\nid = "ab"\n', "mine.toml")


def test_tolerances_name_known_classes() -> None:
    for row in load_tolerances().values():
        assert set(row.classes) <= set(CLASSES), row.id


@pytest.mark.parametrize("name", CLASSES)
def test_every_class_has_one_speed_limit_that_holds_its_speed(name: str) -> None:
    row = find_tolerance("spindle_speed", name)
    assert row is not None
    assert row.nominal == CLASSES[name].speed_rpm.value
    # common maintenance practice: +/- 1.5 %
    assert row.low == pytest.approx(0.985 * row.nominal)
    assert row.high == pytest.approx(1.015 * row.nominal)


def test_radial_limit_of_90_mm_is_the_published_one() -> None:
    # alignment-service article, 2011: 600 millionths of an inch
    row = find_tolerance("radial_offset", "90")
    assert row is not None
    assert row.high == pytest.approx(600e-6 * 25.4e3)
    assert row.mark == "SEEN"


def test_the_row_that_names_the_class_wins_and_unknown_is_none() -> None:
    row = find_tolerance("transition_spacing_3", "90", "mfm")
    assert row is not None
    assert (row.low, row.high) == (1.30, 1.65)
    assert find_tolerance("transition_spacing_3", "90", "fm") is None
    assert find_tolerance("no_such_thing") is None


def test_limits_must_nest() -> None:
    with pytest.raises(ValueError, match="must be given and rise"):
        Tolerance(id="x1", quantity="xx", unit="s", low=2, high=1, source="test", mark="OWN")
