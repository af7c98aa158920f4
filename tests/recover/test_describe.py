"""Made-up layouts described from their captures alone, and found again by what was drafted."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, assume, given, settings
from hypothesis import strategies as st
from typer.testing import CliRunner

from indexhole.cli.main import app
from indexhole.errors import InputFault
from indexhole.jobs.recovery.describing import description_json, description_text
from indexhole.model.simulator.odd_tracks import DataField, Gap, IdField, InCode, IndexField, Part, compose
from indexhole.model.simulator.session import read_session
from indexhole.model.simulator.simulate import Reader, RecordedTrack, format_track, read_track
from indexhole.model.suited import sound_mechanism
from indexhole.recover.layouts.describe import interleave_of, interleaved, turned
from indexhole.recover.layouts.draft import draft_layout, ranges
from indexhole.recover.layouts.layout_text import layout_toml, printable
from indexhole.recover.shapes.result import Surface
from indexhole.recover.surface import recover_surface
from indexhole.signal.captures.capture import Capture
from indexhole.signal.formats.write_vcd import write_capture
from indexhole.signal.simulated import capture_of
from indexhole.standards.layouts import Gaps, Layout, Zone, load_layouts, parse_layout

LAYOUTS = load_layouts()
CELLS_US = {"mfm": (2.0, 1.0), "fm": (4.0, 2.0), "group45": (3.25, 2.5)}
SPARE = 0.04


def spare(zone: Zone, speed_rpm: float) -> float:
    probe = Layout.model_construct(speed_rpm=speed_rpm, gaps=zone.gaps or Gaps(), zones=(zone,))
    return probe.spare_bytes(zone) / probe.bytes_per_revolution(zone)


@st.composite
def zones(draw: st.DrawFn, first: int, last: int, heads: tuple[int, ...], speed_rpm: float) -> Zone:
    code = draw(st.sampled_from(sorted(CELLS_US)))
    size = 256 if code == "group45" else draw(st.sampled_from([128, 256, 512, 1024]))
    gaps = Gaps(
        index_mark=code != "group45" and draw(st.booleans()),
        gap_4a=0 if code == "group45" else draw(st.integers(10, 90)),
        gap_1=0 if code == "group45" else draw(st.integers(12, 90)),
        gap_2=9 if code == "group45" else draw(st.integers(11, 22) if code == "fm" else st.integers(18, 41)),
        gap_3=draw(st.integers(8, 30) if code == "group45" else st.integers(10, 90)),
    )
    sectors = draw(st.integers(2, 30))
    made = Zone(
        first_cylinder=first,
        last_cylinder=last,
        heads=heads,
        code=code,  # type: ignore[arg-type]
        cell_us=draw(st.sampled_from(CELLS_US[code])),
        sectors=sectors,
        sector_bytes=size,
        first_sector=draw(st.integers(0, 1) if code == "group45" else st.sampled_from([0, 1, 2, 17, 65, 193])),
        interleave=draw(st.integers(1, max(1, sectors - 1))),
        gaps=gaps,
    )
    assume(spare(made, speed_rpm) > SPARE)
    return made


@st.composite
def layouts(draw: st.DrawFn) -> Layout:
    """Layouts nobody has: one or two zones that fit their turn."""
    speed_rpm = draw(st.sampled_from([300.0, 360.0]))
    heads = draw(st.integers(1, 2))
    both = tuple(range(heads))
    split = draw(st.sampled_from([0, 1, 20]))
    parts = [draw(zones(0, split - 1, both, speed_rpm))] if split else []
    parts.append(draw(zones(split, 39, both, speed_rpm)))
    # Zones that differ in their gaps alone are one to the reader, who never relies on gaps.
    assume(len({(z.code, z.cell_us, z.sector_bytes, z.sector_ids) for z in parts}) == len(parts))
    group = [z for z in parts if z.code == "group45"]
    assume(len(group) in (0, len(parts)))
    return Layout(
        id="made-up",
        title="made up",
        disk_class="130-48",
        speed_rpm=speed_rpm,
        cylinders=40,
        heads=heads,
        track_number_base=1 if group else 0,
        second_side_track_offset=77 if group and heads == 2 else 0,
        zones=tuple(parts),
        source="made up for a test",
        mark="OWN",
    )


def unlike_any_known(layout: Layout) -> bool:
    """Whether no layout of the library lays its tracks down nearly so."""
    return not any(
        own.code == zone.code
        and own.sector_bytes == zone.sector_bytes
        and set(own.sector_ids) == set(zone.sector_ids)
        and abs(own.cell_us * known.speed_rpm / zone.cell_us / layout.speed_rpm - 1) < 0.08
        for known in LAYOUTS.values()
        for own in known.zones
        for zone in layout.zones
    )


def tracks_of(layout: Layout, places: Sequence[tuple[int, int]], rng: np.random.Generator) -> list[RecordedTrack]:
    writer = replace(sound_mechanism(layout), speed_ratio=1 + rng.uniform(-0.01, 0.01))
    tracks = []
    for cylinder, head in places:
        zone = layout.zone(cylinder, head)
        assert zone is not None
        data = {number: rng.bytes(zone.sector_bytes) for number in zone.sector_ids}
        tracks.append(format_track(layout, cylinder, head, data, rng, writer))
    return tracks


def sessions_of(layout: Layout, places: Sequence[tuple[int, int]], seed: int) -> Capture:
    rng = np.random.default_rng(seed)
    reader = Reader(replace(sound_mechanism(layout), speed_ratio=1 + rng.uniform(-0.01, 0.01)))
    tracks = tracks_of(layout, places, rng)
    if len(places) == 1:
        return capture_of(read_track(tracks[0], rng, reader, revolutions=2), "made up.vcd")
    return capture_of(read_session(tracks, rng, reader), "made up.vcd")


@given(layouts(), st.booleans(), st.integers(0, 2**32 - 1))
# many a made-up layout is much like a known one, and such are passed over
@settings(max_examples=25, suppress_health_check=[HealthCheck.filter_too_much, HealthCheck.too_slow])
def test_a_made_up_layout_comes_back_from_its_captures(layout: Layout, session: bool, seed: int) -> None:
    assume(unlike_any_known(layout))
    places = [(c, h) for c in (0, 1, 19, 20, 21) for h in range(layout.heads)] if session else [(21, layout.heads - 1)]
    capture = sessions_of(layout, places, seed)
    before = recover_surface([capture], LAYOUTS)
    assert before.layout == "", before.candidates
    assert "none of the known layouts fits" in before.candidates[0].why
    assert before.description is not None
    draft = draft_layout(before.description)
    assert draft is not None
    text = description_text(before)
    drafted = parse_layout(text, "draft")
    assert drafted == draft.layout
    for cylinder, head in places:
        true, found = layout.zone(cylinder, head), drafted.zone(cylinder, head)
        assert true is not None and found is not None
        assert_same_zone(true, found, drafted)
    after = recover_surface([capture], {**LAYOUTS, drafted.id: drafted})
    assert after.layout == drafted.id
    assert after.layout_confidence > 0.9
    assert {str(s.state) for t in after.tracks for s in t.sectors} == {"sound"}


def assert_same_zone(true: Zone, found: Zone, drafted: Layout) -> None:
    assert (found.code, found.sectors, found.sector_bytes) == (true.code, true.sectors, true.sector_bytes)
    assert set(found.sector_ids) == set(true.sector_ids)
    assert turned(found.sector_ids) == turned(true.sector_ids)
    # A disk made for one speed may have the cells of another: what counts is the share of a turn.
    assert found.cell_us == pytest.approx(true.cell_us, rel=0.02)
    gaps, expected = drafted.gaps_of(found), true.gaps
    assert expected is not None
    assert gaps.gap_2 == pytest.approx(expected.gap_2, abs=1)
    assert gaps.gap_3 == pytest.approx(expected.gap_3, abs=1)
    if true.code != "group45":
        assert gaps.index_mark is expected.index_mark
        lead_in = expected.gap_1 if expected.index_mark else expected.gap_4a + expected.gap_1
        assert gaps.gap_1 == pytest.approx(lead_in, abs=3)


@given(st.integers(1, 40), st.data())
def test_interleave_is_found_from_the_order(count: int, data: st.DataObject) -> None:
    step = data.draw(st.integers(1, max(1, count - 1)))
    order = interleaved(count, step)
    found = interleave_of([number + 17 for number in order])
    assert found is not None
    assert interleaved(count, found) == order
    zone = Zone(
        first_cylinder=0, last_cylinder=0, code="fm", cell_us=4, sectors=count, sector_bytes=128, interleave=step
    )
    assert [number - 1 for number in zone.sector_ids] == order


def test_no_step_gives_an_order_without_rule() -> None:
    assert interleave_of([1, 2, 3, 5, 4, 7, 6]) is None


def skewed(shift: int, side_shift: int, seed: int) -> Surface:
    """A disk whose numbers shift by `shift` places from cylinder to cylinder and `side_shift` from side 0 to side 1."""
    layout = LAYOUTS["90-mfm-9x512"]
    rng = np.random.default_rng(seed)
    tracks = []
    for cylinder in range(5):
        for head in range(2):
            turn = (cylinder * shift + head * side_shift) % 9
            parts: list[Part] = [Gap(80), IndexField(), Gap(50)]
            for k in range(9):
                parts += [IdField(cylinder, head, 1 + (k - turn) % 9, 2), Gap(22), DataField(rng.bytes(512)), Gap(84)]
            tracks.append(compose(layout, cylinder, head, [InCode("mfm", tuple(parts))], rng).track)
    return recover_surface([capture_of(read_session(tracks, rng), "skewed")], LAYOUTS)


@pytest.mark.parametrize(("shift", "side_shift"), [(0, 0), (2, 0), (3, 1)])
def test_skew_is_told_from_track_to_track(shift: int, side_shift: int) -> None:
    surface = skewed(shift, side_shift, 5)
    assert surface.description is not None
    (zone,) = surface.description.zones
    assert (zone.skew_cylinder, zone.skew_head) == (shift, side_shift)
    assert ("the sector numbers shift" in description_text(surface)) == bool(shift or side_shift)
    report = description_json(surface)
    assert report is not None
    assert report["zones"][0]["skew_cylinder"] == shift


def test_an_odd_track_is_no_zone() -> None:
    layout, other = LAYOUTS["90-mfm-9x512"], LAYOUTS["90-mfm-5x1024"]
    rng = np.random.default_rng(6)
    tracks = tracks_of(layout, [(c, 0) for c in range(8)], rng)
    (odd,) = tracks_of(other, [(4, 0)], rng)
    tracks[4] = replace(odd, layout=layout)
    surface = recover_surface([capture_of(read_session(tracks, rng), "odd")], LAYOUTS)
    assert surface.description is not None
    assert surface.description.odd == ((4, 0),)
    assert len(surface.description.zones) == 1
    assert surface.layout in {"90-mfm-9x512", "130-96-mfm-9x512", "130-48-mfm-9x512"}
    assert "cylinder.head) are laid out otherwise than their neighbours: 4.0" in description_text(surface)


def test_words_say_what_a_keeper_needs() -> None:
    layout = LAYOUTS["200-mfm-8x1024"]
    places = [(c, h) for c in (0, 1, 2, 3) for h in range(2)]
    text = description_text(recover_surface([sessions_of(layout, places, 7)], LAYOUTS))
    assert "Cylinder 0, side 0 (1 track seen): FM, cell 2 us" in text
    assert "26 sectors of 128 bytes, numbers 1 to 26, interleave 1." in text
    assert "Cylinders 1 to 76, both sides (6 tracks seen): MFM, cell 1 us" in text
    assert "Gaps in bytes: 4a 80, index mark, 1 50, 2 22, 3 116," in text
    assert "Gaps are filled with 4E." in text
    assert "The disk class 200 is a guess" in text
    assert "that there are 77 alike is a guess" in text


def test_nothing_legible_gives_no_layout_but_words() -> None:
    rng = np.random.default_rng(8)
    pulses = np.cumsum(rng.integers(20, 200, 60_000)).astype(np.int64)
    surface = recover_surface([Capture("noise", 1 / 24e6, pulses, np.arange(2, dtype=np.int64) * 4_800_000)], LAYOUTS)
    text = description_text(surface)
    assert all(line.startswith("#") for line in text.splitlines())
    assert "no layout to draft" in text
    report = description_json(surface)
    assert report is not None
    assert report["layout_file"] is None


@given(st.lists(st.integers(0, 90), unique=True))
def test_ranges_name_every_number_once(numbers: list[int]) -> None:
    told = ranges(sorted(numbers))
    named: list[int] = []
    for part in told.split(", ") if told else []:
        low, _, high = part.partition(" to ")
        named += range(int(low), int(high or low) + 1)
    assert named == sorted(numbers)


@given(st.text(max_size=60), st.sampled_from(sorted(LAYOUTS)))
@settings(max_examples=60)
def test_any_layout_survives_its_text_whatever_the_capture_was_called(name: str, layout: str) -> None:
    own = LAYOUTS[layout].model_copy(update={"source": "from " + printable(name), "note": printable(name[::-1])})
    assert parse_layout(f"# {printable(name)}\n" + layout_toml(own), "text") == own


@pytest.fixture(scope="module")
def made_up() -> tuple[Layout, Capture]:
    layout = Layout(
        id="made-up",
        title="made up",
        disk_class="130-48",
        speed_rpm=300,
        cylinders=40,
        heads=1,
        zones=(
            Zone(
                first_cylinder=0, last_cylinder=39, heads=(0,), code="mfm", cell_us=2.0, sectors=7, sector_bytes=512,
                first_sector=65, interleave=3, gaps=Gaps(gap_3=100),
            ),
        ),
        source="made up for a test",
        mark="OWN",
    )  # fmt: skip
    return layout, sessions_of(layout, [(c, 0) for c in range(3)], 9)


def test_the_command_drafts_a_file_that_the_command_reads(made_up: tuple[Layout, Capture], tmp_path: Path) -> None:
    log = tmp_path / 'K14 "harbour".vcd'
    write_capture(log, made_up[1])
    run = CliRunner()
    described = run.invoke(app, ["recover", "--describe", str(log)])
    assert described.exit_code == 0, described.output
    file = tmp_path / "quay.toml"
    file.write_text(described.stdout, encoding="utf-8")
    assert parse_layout(described.stdout, "stdout").zones[0].interleave == 3
    found = run.invoke(app, ["recover", "--json", "--describe", "--layout-file", str(file), str(log)])
    report = json.loads(found.stdout)
    assert report["layout"] == "drafted-k14-harbour"
    assert report["layout_confidence"] > 0.9
    assert report["description"]["zones"][0]["numbers"] == [65, 66, 67, 68, 69, 70, 71]
    assert report["description"]["zones"][0]["order"] == [65, 70, 68, 66, 71, 69, 67]
    assert 'drafted from K14 "harbour".vcd on this recovery' in parse_layout(described.stdout, "stdout").source


def test_describing_and_comparing_do_not_mix(made_up: tuple[Layout, Capture], tmp_path: Path) -> None:
    log = tmp_path / "log.vcd"
    write_capture(log, made_up[1])
    refused = CliRunner().invoke(app, ["recover", "--describe", "--writers", str(log)])
    assert isinstance(refused.exception, InputFault)
    assert "prints a layout file and nothing else" in str(refused.exception)
