"""The layout library: capacities that are plain arithmetic, gap budgets, and refusals a keeper can act on."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from indexhole.errors import InputFault
from indexhole.standards.classes import load_classes
from indexhole.standards.layouts import Layout, Zone, load_layouts, parse_layout

LIBRARY = load_layouts()

# (layout, sectors on the disk, bytes on the disk); each is sectors x bytes x tracks, worked by hand
CAPACITIES = [
    ("200-fm-26x128", 2002, 256_256),
    ("200-mfm-8x1024-all", 1232, 1_261_568),
    ("130-dense-mfm-8x1024", 1232, 1_261_568),
    ("130-48-mfm-9x512", 720, 368_640),
    ("130-96-mfm-9x512", 1440, 737_280),
    ("90-mfm-9x512", 1440, 737_280),
    ("130-dense-mfm-15x512", 2400, 1_228_800),
    ("90-dense-mfm-18x512", 2880, 1_474_560),
    ("90-extra-mfm-36x512", 5760, 2_949_120),
    ("zoned-35-1s", 683, 174_848),
    ("zoned-77-1s", 2083, 533_248),
    ("zoned-77-2s", 4166, 1_066_496),
]

# (layout, cylinder, spare bytes of a revolution); arithmetic on the format tables of controller data sheets
BUDGETS = [
    ("130-48-mfm-9x512", 0, 218),
    ("90-mfm-9x512", 0, 182),
    ("90-dense-mfm-18x512", 0, 78),
    ("130-48-mfm-16x256", 1, 216),
    ("200-fm-26x128", 0, 247),
    ("200-mfm-26x256", 1, 598),
]

# (layout, first track counted from 1, last, sectors, thousand cells a second); common practice, no source
ZONES = [
    ("zoned-35-1s", 1, 17, 21, 307.7),
    ("zoned-35-1s", 18, 24, 19, 285.7),
    ("zoned-35-1s", 25, 30, 18, 266.7),
    ("zoned-35-1s", 31, 35, 17, 250.0),
    ("zoned-77-1s", 1, 39, 29, 461.5),
    ("zoned-77-1s", 40, 53, 27, 428.6),
    ("zoned-77-1s", 54, 64, 25, 400.0),
    ("zoned-77-1s", 65, 77, 23, 375.0),
]

WORKED = """
id = "my-own"
title = "a layout of one's own"
disk_class = "130-48"
speed_rpm = 300
cylinders = 40
heads = 1
source = "measured on a disk of ours"
mark = "OWN"

[[zones]]
first_cylinder = 0
last_cylinder = 39
heads = [0]
code = "mfm"
cell_us = 2.0
sectors = 5
sector_bytes = 1024
interleave = 2
"""


@pytest.mark.parametrize(("name", "sectors", "size"), CAPACITIES)
def test_capacity_is_the_product_of_its_parts(name: str, sectors: int, size: int) -> None:
    assert LIBRARY[name].capacity_sectors == sectors
    assert LIBRARY[name].capacity_bytes == size


@pytest.mark.parametrize(("name", "cylinder", "spare"), BUDGETS)
def test_gap_budget_agrees_with_the_tables(name: str, cylinder: int, spare: int) -> None:
    layout = LIBRARY[name]
    zone = layout.zone(cylinder, 0)
    assert zone is not None
    assert int(layout.spare_bytes(zone)) == spare


@pytest.mark.parametrize(("name", "first", "last", "sectors", "rate"), ZONES)
def test_zones_of_the_group_code_layouts(name: str, first: int, last: int, sectors: int, rate: float) -> None:
    layout = LIBRARY[name]
    for track in range(first, last + 1):
        zone = layout.zone(track - 1, 0)
        assert zone is not None
        assert zone.sectors == sectors
        assert 1e-3 / zone.cell_s == pytest.approx(rate, abs=0.05)
        assert layout.track_number(track - 1, 0) == track


def test_free_blocks_are_what_common_practice_says() -> None:
    # common practice, no source: free blocks once the directory and map tracks are taken
    assert LIBRARY["zoned-35-1s"].capacity_sectors - 19 == 664
    assert LIBRARY["zoned-77-1s"].capacity_sectors - 29 - 2 == 2052
    assert LIBRARY["zoned-77-2s"].capacity_sectors - 29 - 4 == 4133
    assert 2083 * 256 == 533_248


def test_second_side_of_the_zoned_layout_counts_on() -> None:
    layout = LIBRARY["zoned-77-2s"]
    assert [layout.track_number(0, 1), layout.track_number(76, 1)] == [78, 154]


@pytest.mark.parametrize("layout", LIBRARY.values(), ids=str)
def test_every_layout_is_whole(layout: Layout) -> None:
    disk_class = load_classes()[layout.disk_class]
    assert layout.speed_rpm == disk_class.speed_rpm.value
    fewest = disk_class.tracks_per_side.low or disk_class.tracks_per_side.value
    assert fewest <= layout.cylinders <= disk_class.tracks_per_side.value
    for zone in layout.zones:
        assert layout.spare_bytes(zone) > 0
        spacing_s = disk_class.shortest_spacing_s()
        if spacing_s is not None and zone.code != "group45":
            # the shortest step between transitions is one FM half cell or one whole MFM cell
            step_s = zone.cell_s * (1 if zone.code == "fm" else 2)
            # some classes carry FM at the spacing of their MFM, none packs transitions closer
            assert step_s == pytest.approx(spacing_s, rel=2e-4)


def test_library_marks_sources() -> None:
    for layout in LIBRARY.values():
        assert layout.source
        assert "MEMORY" in layout.mark, "no full text of a track standard was seen"


@given(st.integers(1, 60), st.integers(1, 60), st.integers(0, 1))
def test_interleave_only_reorders(sectors: int, interleave: int, first: int) -> None:
    zone = Zone(
        first_cylinder=0,
        last_cylinder=0,
        code="fm",
        cell_us=4.0,
        sectors=sectors,
        sector_bytes=128,
        first_sector=first,
        interleave=interleave,
    )
    assert sorted(zone.sector_ids) == list(range(first, first + sectors))
    if interleave == 1:
        assert list(zone.sector_ids) == sorted(zone.sector_ids)


def test_interleave_of_two() -> None:
    zone = parse_layout(WORKED, "worked.toml").zones[0]
    assert zone.sector_ids == (1, 4, 2, 5, 3)


# (what to change in the worked file, words the refusal must hold)
BROKEN = [
    ("sectors = 5", "sectors = 50", "a revolution holds 6250"),
    ("last_cylinder = 39", "last_cylinder = 30", "cylinder 31 head 0 must lie in exactly one zone"),
    ("sector_bytes = 1024", "sector_bytes = 1000", "in the code mfm a sector holds 128, 256, 512"),
    ('code = "mfm"', 'code = "group45"', "holds 256 bytes"),
    ("last_cylinder = 39", "last_cylinder = 255", "less than or equal to 254"),
    ("first_cylinder = 0", "first_cylinder = 50", "lies before"),
    ("heads = 1", "head = 1", "heads"),
    ("cylinders = 40", "cylinders = ", "not TOML"),
    ("130-48", "131-48", "disk_class 131-48 is none of 200, 130-48"),
    ("speed_rpm = 300", "speed_rpm = nan", "speed_rpm"),
]


@pytest.mark.parametrize(("old", "new", "words"), BROKEN)
def test_a_broken_file_gets_one_clear_line(old: str, new: str, words: str) -> None:
    with pytest.raises(InputFault) as caught:
        parse_layout(WORKED.replace(old, new), "mine.toml")
    assert words in caught.value.line
    assert caught.value.line.startswith("mine.toml: ")
    assert "docs/layouts.md" in caught.value.line


@given(st.text())
def test_any_text_is_read_or_refused(text: str) -> None:
    try:
        parse_layout(text, "mine.toml")
    except InputFault as fault:
        assert "\n" not in fault.line


def test_a_keepers_own_file_joins_the_library(tmp_path: Path) -> None:
    path = tmp_path / "mine.toml"
    path.write_text(WORKED, encoding="utf-8")
    assert load_layouts([path])["my-own"].capacity_bytes == 40 * 5 * 1024
    assert "my-own" not in load_layouts()


def test_a_keepers_own_file_may_not_take_a_known_id(tmp_path: Path) -> None:
    path = tmp_path / "mine.toml"
    path.write_text(WORKED.replace("my-own", "90-mfm-9x512"), encoding="utf-8")
    with pytest.raises(InputFault, match="is taken"):
        load_layouts([path])
    with pytest.raises(InputFault, match="cannot be read"):
        load_layouts([tmp_path / "absent.toml"])
