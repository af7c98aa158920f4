"""Drives and controllers as data: geometry against the disk classes, sources and marks, and any text as input."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from indexhole.errors import InputFault
from indexhole.pairing.parts.parts import mechanism, medium
from indexhole.pairing.parts.rates import choose_rate
from indexhole.pairing.parts.tracks import head_places_um, layout_tracks, reached
from indexhole.standards.classes import load_classes
from indexhole.standards.controllers import load_controllers, parse_controllers
from indexhole.standards.drives import default_drive, load_drives, parse_drives
from indexhole.standards.figures import Figure
from indexhole.standards.layouts import load_layouts

DRIVES, CONTROLLERS, CLASSES = load_drives(), load_controllers(), load_classes()
# radius of the last track, mm (facts of the standards' geometry: SEEN, CHECKED or arithmetic on such)
LAST_TRACKS = [
    ("130-48", 0, 39, 36.5125),
    ("130-48", 0, 34, 39.1583),
    ("130-48", 1, 39, 34.3958),
    ("130-96", 0, 79, 36.2479),
    ("130-96", 1, 76, 34.9250),
    ("130-96", 1, 79, 34.1312),
    ("90", 1, 79, 23.1875),
]


@pytest.mark.parametrize(("drive", "side", "cylinder", "radius_mm"), LAST_TRACKS)
def test_heads_stand_where_the_standards_put_the_tracks(drive: str, side: int, cylinder: int, radius_mm: float) -> None:
    item = DRIVES[drive]
    start = item.radius_side_1_mm if side else item.radius_side_0_mm
    assert start is not None
    assert start.value - item.pitch_um.value * 1e-3 * cylinder == pytest.approx(radius_mm, abs=6e-5)


@pytest.mark.parametrize(
    ("drive", "cylinder", "density"),
    [("130-48", 39, 5876.7), ("130-dense", 76, 9645.1), ("90", 79, 8717.3), ("90-dense", 79, 17434.7)],
)
def test_density_on_the_innermost_track(drive: str, cylinder: int, density: float) -> None:
    item = DRIVES[drive]
    assert item.radius_side_1_mm is not None and item.design_ftprad is not None
    radius_mm = item.radius_side_1_mm.value - item.pitch_um.value * 1e-3 * cylinder
    assert item.design_ftprad.value / radius_mm * 25.4 == pytest.approx(density, abs=0.06)


def test_alternate_96_tpi_tracks_are_48_tpi_tracks() -> None:
    tracks = layout_tracks(load_layouts()["130-48-mfm-9x512"])
    assert abs(head_places_um(mechanism("", "130-96"), tracks)).max() < 0.01
    assert abs(head_places_um(mechanism("", "130-48"), tracks)).max() < 0.01


@pytest.mark.parametrize("disk_class", list(CLASSES))
def test_every_disk_class_has_a_drive_of_its_geometry(disk_class: str) -> None:
    drive, item = DRIVES[default_drive(disk_class)], CLASSES[disk_class]
    assert drive.diameter_mm == item.diameter_mm
    assert drive.pitch_um.value == item.pitch_um.value
    assert item.speed_rpm.value in [s.value for s in drive.speeds_rpm]
    assert drive.cylinders.value >= item.tracks_per_side.value
    for name in ("radius_side_0_mm", "radius_side_1_mm"):
        mine, theirs = getattr(drive, name), getattr(item, name)
        assert (mine is None) == (theirs is None)
        assert mine is None or mine.value == theirs.value


@pytest.mark.parametrize("name", list(load_layouts()))
def test_every_layout_can_be_had_on_some_drive_with_some_controller(name: str) -> None:
    layout = load_layouts()[name]
    tracks = layout_tracks(layout)
    drive = default_drive(layout.disk_class, 1 if layout.disk_class == "200" and layout.heads == 1 else 2)
    able = []
    for key, controller in CONTROLLERS.items():
        m = mechanism("", drive, key)
        known = set(tracks.code.tolist()) <= set(controller.codes) and all(
            choose_rate(m, z.code, z.cell_s, layout.speed_rpm).suits for z in layout.zones if z.code in controller.codes
        )
        if known and reached(m, tracks).all():
            able.append(key)
    assert able


def test_figures_that_no_source_gives_are_left_out() -> None:
    """Start radius and head width of 100 tpi."""
    item = DRIVES["130-100"]
    assert (item.radius_side_0_mm, item.write_width_um, item.read_width_um, item.design_ftprad) == (None,) * 4


def figures(model: object) -> list[Figure]:
    found = []
    for value in dict(model).values():  # type: ignore[call-overload]
        items = value if isinstance(value, tuple) else list(value.values()) if isinstance(value, dict) else [value]
        found += [v for v in items if isinstance(v, Figure)]
    return found


def test_every_figure_has_a_source_and_weak_ones_say_so() -> None:
    for item in (*DRIVES.values(), *CONTROLLERS.values()):
        assert figures(item)
        for figure in figures(item):
            assert len(figure.source) > 5
            if "no source" in figure.source or "remembered" in figure.source.split(";")[0]:
                assert figure.mark.startswith(("MEMORY", "CHECKED")), (item.id, figure)
            if "our own" in figure.source:
                assert figure.mark == "OWN"


def test_gaps_of_controllers_are_those_of_the_data_sheets() -> None:
    assert CONTROLLERS["mfm-two-rate"].gap_2["mfm"].value == 22
    assert CONTROLLERS["fm"].gap_2["fm"].value == 11
    assert (
        CONTROLLERS["zoned-35"].gap_2["group45"].value - CONTROLLERS["zoned-35-short-gap"].gap_2["group45"].value == 1
    )


@pytest.mark.parametrize(
    ("text", "fault"),
    [
        ("[[drive]\n", "not TOML"),
        ("drive = 3", "drive is not a list of tables; begin each row with [[drive]]"),
        ('[[drive]]\nlike = "nothing"\nid = "a"', "a drive is like nothing, which no row above it is"),
        ('[[drive]]\nid = "ab"', "mine.toml: title: Field required"),
    ],
)
def test_a_wrong_file_is_told_in_one_line(text: str, fault: str) -> None:
    with pytest.raises(InputFault) as caught:
        parse_drives(text, "mine.toml")
    assert fault in caught.value.line
    assert "\n" not in caught.value.line


def test_a_controller_without_a_rate_for_its_code_is_refused() -> None:
    text = """[[controller]]
id = "odd"
title = "odd"
codes = ["fm"]
cells_us = {}
sector_bytes = [128]
gap_2 = {}
uses_index = false
double_step = false
density_line = false
"""
    with pytest.raises(InputFault, match="cells_us and gap_2 must be given for fm"):
        parse_controllers(text, "mine.toml")


@given(st.text(max_size=300) | st.binary(max_size=200).map(lambda b: b.decode("latin-1")))
def test_any_text_is_read_or_refused(text: str) -> None:
    for parse in (parse_drives, parse_controllers):
        try:
            assert parse(text, "x") is not None
        except InputFault as fault:
            assert "\n" not in fault.line


VALUES = st.one_of(st.none(), st.integers(-5, 500), st.text('abc"=[]{}\n', max_size=6), st.booleans())


@given(st.dictionaries(st.sampled_from(["id", "like", "title", "heads", "pitch_um", "codes"]), VALUES, max_size=6))
def test_rows_of_any_kind_are_read_or_refused(row: dict[str, object]) -> None:
    lines = [
        f"{key} = {value!r}".replace("'", '"').replace("True", "true").replace("False", "false")
        for key, value in row.items()
    ]
    for table, parse in (("drive", parse_drives), ("controller", parse_controllers)):
        try:
            parse("\n".join([f"[[{table}]]", *lines]), "x")
        except InputFault as fault:
            assert fault.line.startswith("x: ")


def test_unknown_keys_are_refused_with_what_there_is() -> None:
    for call, word in ((lambda: mechanism("D1", "131-48"), "drive class"), (lambda: medium("K1", "131"), "disk class")):
        with pytest.raises(InputFault, match=word):
            call()
    with pytest.raises(InputFault, match="controller what is none of fm"):
        mechanism("D1", "130-48", "what")
