"""Odd tracks with hidden truth: each comes out described, nothing odd passes for data, nothing sound is lost."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from indexhole.cli.oddities import tell_oddities
from indexhole.jobs.recovery.earlier import read_earlier
from indexhole.jobs.recovery.recovering import recover_files, save, track_json
from indexhole.model.simulator.odd_tracks import (
    ComposedTrack,
    DataField,
    Gap,
    IdField,
    InCode,
    IndexField,
    Part,
    compose,
    with_copied_turn,
    with_holes,
    with_weak_stretch,
)
from indexhole.model.simulator.session import read_session
from indexhole.model.simulator.simulate import (
    Reader,
    SimulatedTrack,
    WeakStretch,
    format_track,
    read_track,
    weak_places,
)
from indexhole.model.suited import sound_mechanism
from indexhole.recover.shapes.result import Oddity, Sector, SectorState, Surface
from indexhole.recover.surface import recover_surface
from indexhole.signal.captures.capture import Capture
from indexhole.signal.formats.options import ReadOptions
from indexhole.signal.formats.write_vcd import write_capture
from indexhole.signal.simulated import capture_of
from indexhole.standards.layouts import load_layouts

LAYOUTS = load_layouts()
LAYOUT = LAYOUTS["90-mfm-9x512"]
CYLINDER, HEAD = 10, 1
SIZES = {128: 0, 256: 1, 512: 2, 1024: 3}


def contents(numbers: Iterable[int], seed: int, size: int = 512) -> dict[int, bytes]:
    rng = np.random.default_rng(seed)
    return {number: rng.bytes(size) for number in numbers}


def sector(number: int, data: bytes, *, place: tuple[int, int] = (CYLINDER, HEAD)) -> list[Part]:
    return [IdField(*place, number, SIZES[len(data)]), Gap(22), DataField(data), Gap(40)]


def composed(parts: Sequence[Part], seed: int, code: str = "mfm") -> ComposedTrack:
    lead: tuple[Part, ...] = (Gap(80), IndexField(), Gap(50))
    return compose(LAYOUT, CYLINDER, HEAD, [InCode(code, (*lead, *parts))], np.random.default_rng(seed))


def plain(data: dict[int, bytes]) -> list[Part]:
    return [part for number, held in data.items() for part in sector(number, held)]


def logged(simulated: SimulatedTrack, name: str = "log") -> Capture:
    return replace(capture_of(simulated, name), sha256=name)


def recovered(track: ComposedTrack, seed: int, layout: str | None = LAYOUT.id, **options: float) -> Surface:
    log = read_track(track.track, np.random.default_rng(seed), **options)
    return recover_surface([logged(log)], LAYOUTS, layout)


def odd(surface: Surface, kind: str) -> list[Oddity]:
    return [o for t in surface.tracks for o in t.oddities if o.kind == kind]


def one(surface: Surface, number: int) -> Sector:
    found = [s for t in surface.tracks for s in t.sectors if s.id == number]
    assert len(found) == 1, found
    return found[0]


def assert_sound(surface: Surface, data: dict[int, bytes], but: Iterable[int] = ()) -> None:
    for number, held in data.items():
        if number not in set(but):
            assert (one(surface, number).state, one(surface, number).data) == (SectorState.SOUND, held)


def kinds(surface: Surface) -> set[str]:
    return {o.kind for t in surface.tracks for o in t.oddities}


@given(st.sampled_from(["90-mfm-9x512", "130-fm-16x128", "zoned-35-1s", "200-mfm-26x256"]), st.integers(0, 2**32 - 1))
@settings(max_examples=12)
def test_a_plain_track_has_no_oddities(layout: str, seed: int) -> None:
    rng = np.random.default_rng(seed)
    zone = LAYOUTS[layout].zone(10, 0)
    assert zone is not None
    track = format_track(LAYOUTS[layout], 10, 0, contents(zone.sector_ids, seed, zone.sector_bytes), rng)
    surface = recover_surface([logged(read_track(track, rng))], LAYOUTS, layout)
    assert surface.tracks[0].oddities == ()


@pytest.mark.parametrize("layout", ["90-mfm-9x512", "130-fm-16x128", "zoned-35-1s"])
def test_dirt_is_wear_and_nothing_odd(layout: str) -> None:
    """Twenty-five dirty places on a turn take ids, marks and data of a plain track; the sectors say so, no oddity."""
    rng = np.random.default_rng(30)
    zone = LAYOUTS[layout].zone(10, 0)
    assert zone is not None
    worn = 0
    for seed in range(12):
        track = format_track(LAYOUTS[layout], 10, 0, contents(zone.sector_ids, seed, zone.sector_bytes), rng)
        dirty = Reader(weak=weak_places(rng, 25, 0.002))
        (found,) = recover_surface([logged(read_track(track, rng, dirty, revolutions=2.2))], LAYOUTS, layout).tracks
        worn += sum(s.state in (SectorState.SUSPECT, SectorState.LOST) for s in found.sectors)
        assert found.oddities == ()
    assert worn > 24


def test_an_id_the_log_ends_behind_is_not_alone() -> None:
    """Its data field may have come a little later."""
    data = contents(range(1, 10), 31)
    track = composed(plain(data), 31)
    log = read_track(track.track, np.random.default_rng(31), revolutions=1)
    places = (Gap(80), IndexField(), Gap(50), *plain(data))
    end = next(
        stop for p, (_, stop) in zip(places, track.places, strict=True) if isinstance(p, IdField) and p.number == 6
    )
    cut = replace(log, pulses_s=log.pulses_s[log.pulses_s < log.index_s[0] + (end + 0.003) * 0.2])
    surface = recover_surface([logged(cut)], LAYOUTS, LAYOUT.id)
    assert one(surface, 6).state is SectorState.LOST
    assert surface.tracks[0].oddities == ()


def test_an_extra_sector_is_kept_beside_the_image() -> None:
    data = contents(range(1, 10), 1)
    extra = contents([247], 2, 128)
    surface = recovered(composed(plain({**data, **extra}), 1), 1)
    assert_sound(surface, {**data, **extra})
    assert surface.image() == b"".join(data[n] for n in sorted(data))
    assert not one(surface, 247).in_image
    (told,) = odd(surface, "extra sector")
    assert told.sector == 247
    assert "kept beside the image" in told.words


def test_a_sector_of_another_length() -> None:
    data = contents(range(1, 9), 3)
    longer = contents([9], 3, 1024)
    surface = recovered(composed(plain({**data, **longer}), 2), 2)
    assert_sound(surface, {**data, **longer})
    (told,) = odd(surface, "other size")
    assert told.words == "sector 9 holds 1024 bytes, the others 512"


def test_an_id_that_lies_about_the_length() -> None:
    data = contents(range(1, 10), 4)
    parts = [replace(p, size_code=3) if isinstance(p, IdField) and p.number == 4 else p for p in plain(data)]
    surface = recovered(composed(parts, 3), 3)
    assert_sound(surface, data)
    (told,) = odd(surface, "other size")
    assert told.words == "the id of sector 4 says 1024 bytes, its data field has 512"
    assert len(surface.image()) == 9 * 512


def test_deleted_marks() -> None:
    data = contents(range(1, 10), 5)
    parts = [
        replace(p, deleted=True) if isinstance(p, DataField) and p.data in (data[2], data[7]) else p
        for p in plain(data)
    ]
    surface = recovered(composed(parts, 4), 4)
    assert_sound(surface, data)
    assert [o.sector for o in odd(surface, "deleted mark")] == [2, 7]


@given(st.integers(1, 8), st.integers(1, 8), st.booleans(), st.integers(0, 2**32 - 1))
@settings(max_examples=10)
def test_a_number_that_stands_twice(number: int, behind: int, with_index: bool, seed: int) -> None:
    """Both are kept and told apart by their place; the image holds the first behind the index."""
    data = contents(range(1, 9), seed)
    second = contents([number], seed + 1)
    parts: list[Part] = []
    for n, held in data.items():
        parts += sector(n, held)
        if n == behind:
            parts += sector(number, second[number])
    track = composed(parts, seed)
    log = logged(read_track(track.track, np.random.default_rng(seed), revolutions=2.2))
    if not with_index:
        log = replace(log, index_ticks=np.empty(0, dtype=np.int64))
    surface = recover_surface([log], LAYOUTS, LAYOUT.id)
    own = [s for s in surface.tracks[0].sectors if s.id == number]
    first, other = (data[number], second[number]) if number <= behind else (second[number], data[number])
    assert {s.state for s in own} == {SectorState.SOUND}
    assert {s.data for s in own} == {first, other}
    assert [s.in_image for s in own] == [True, False]
    if with_index:
        assert [s.data for s in own] == [first, other]
        found = {round(o.start, 2) for o in odd(surface, "repeated number")}
        places = [
            start
            for part, (start, _) in zip((Gap(80), IndexField(), Gap(50), *parts), track.places, strict=True)
            if isinstance(part, DataField) and part.data in (first, other)
        ]
        assert found == {round(p + 15 / 6250, 2) for p in places}
    assert len(odd(surface, "repeated number")) == 2
    assert len(surface.image()) == 9 * 512  # sector 9 is lost, its room is kept
    assert_sound(surface, data, but=[number])


def test_sectors_of_one_number_in_two_captures_at_other_places_are_not_two() -> None:
    """The track was formatted anew in between, begun elsewhere: no stay shows the number twice."""
    data = contents(range(1, 10), 6)
    turned = composed([Gap(200), *plain(data)], 6)
    logs = [
        logged(read_track(track.track, np.random.default_rng(k), revolutions=2), f"log-{k}")
        for k, track in enumerate((composed(plain(data), 6), turned))
    ]
    surface = recover_surface(logs, LAYOUTS, LAYOUT.id)
    assert_sound(surface, data)
    assert not odd(surface, "repeated number")


def test_an_id_whose_check_is_wrong_still_names_its_sector() -> None:
    data = contents(range(1, 10), 7)
    parts = [replace(p, broken=True) if isinstance(p, IdField) and p.number == 5 else p for p in plain(data)]
    surface = recovered(composed(parts, 7), 7)
    assert_sound(surface, data, but=[5])
    found = one(surface, 5)
    assert (found.state, found.data) == (SectorState.MENDED, data[5])
    assert "the id in front of it reads sector 5, but its check fails" in found.how
    assert [o.sector for o in odd(surface, "broken id")] == [5]


@pytest.mark.parametrize("misread", [0, 3, 200])
def test_a_broken_id_names_no_sector_that_does_not_belong_there(misread: int) -> None:
    """What broke the id may have changed its number: then its place in the row counts."""
    data = contents(range(1, 10), 27)
    parts = [
        replace(p, broken=True, number=misread) if isinstance(p, IdField) and p.number == 5 else p for p in plain(data)
    ]
    surface = recovered(composed(parts, 27), 27)
    assert_sound(surface, data, but=[5])
    assert (one(surface, 5).state, one(surface, 5).data) == (SectorState.MENDED, data[5])
    assert "only 5 belongs where it stands" in one(surface, 5).how
    # Without a layout nothing says what the row should be: the bytes stay without a name.
    rest = {n: d for n, d in data.items() if n not in (5, 7)}
    parts = [p for n, d in data.items() if n != 7 for p in sector(n, d)]
    parts = [replace(p, broken=True, number=misread) if isinstance(p, IdField) and p.number == 5 else p for p in parts]
    log = read_track(composed(parts, 28).track, np.random.default_rng(28))
    surface = recover_surface([logged(log)], {"130-fm-16x128": LAYOUTS["130-fm-16x128"]})
    assert_sound(surface, rest)
    assert [o.data for o in odd(surface, "broken id")] == [data[5]]


def test_a_missing_id_is_told_by_its_place_in_the_row() -> None:
    data = contents(range(1, 10), 8)
    parts = [Gap(22 + 22) if isinstance(p, IdField) and p.number == 6 else p for p in plain(data)]
    surface = recovered(composed(parts, 8), 8)
    found = one(surface, 6)
    assert (found.state, found.data) == (SectorState.MENDED, data[6])
    assert "only 6 belongs where it stands" in found.how
    assert [o.sector for o in odd(surface, "missing id")] == [6]


def test_a_data_field_nothing_names_is_kept_without_a_name() -> None:
    data = contents(range(1, 10), 9)
    extra = contents([0], 10)[0]
    parts = [*plain(data)[: 4 * 5], DataField(extra), Gap(40), *plain(data)[4 * 5 :]]
    surface = recovered(composed(parts, 9), 9)
    assert_sound(surface, data)
    (told,) = odd(surface, "missing id")
    assert (told.sector, told.data) == (None, extra)
    assert "512 bytes whose check passes, with no id in front" in told.words
    report = track_json(surface.tracks[0])["oddities"]
    assert [o["bytes"] for o in report] == [512]


def test_an_id_without_data() -> None:
    data = contents(range(1, 9), 11)
    surface = recovered(composed([*plain(data), IdField(CYLINDER, HEAD, 9, 2), Gap(600)], 11), 11)
    assert_sound(surface, data)
    assert one(surface, 9).state is SectorState.LOST
    assert [o.sector for o in odd(surface, "id alone")] == [9]


def test_a_check_written_wrong_on_purpose() -> None:
    data = contents(range(1, 10), 12)
    parts = [replace(p, broken=True) if isinstance(p, DataField) and p.data == data[3] else p for p in plain(data)]
    surface = recovered(composed(parts, 12), 12)
    found = one(surface, 3)
    assert (found.state, found.data) == (SectorState.SUSPECT, data[3])
    assert [o.sector for o in odd(surface, "wrong check")] == [3]
    assert_sound(surface, data, but=[3])


def test_ids_that_name_another_place() -> None:
    data = contents(range(1, 10), 13)
    parts = [replace(p, cylinder=77) if isinstance(p, IdField) and p.number == 2 else p for p in plain(data)]
    surface = recovered(composed(parts, 13), 13)
    assert_sound(surface, data)
    (told,) = odd(surface, "other place")
    assert told.sector == 2
    assert "names cylinder 77 head 1, the others cylinder 10 head 1" in told.words


def test_a_long_track_is_told_by_its_like() -> None:
    """One of six tracks was written by a slower spindle and holds more cells."""
    rng = np.random.default_rng(14)
    slow = replace(sound_mechanism(LAYOUT), speed_ratio=0.96)
    tracks = [
        format_track(LAYOUT, c, 0, contents(range(1, 10), c), rng, slow if c == 3 else sound_mechanism(LAYOUT))
        for c in range(6)
    ]
    surface = recover_surface([logged(read_session(tracks, rng))], LAYOUTS)
    (told,) = odd(surface, "long track")
    assert "4.2% more than the" in told.words
    assert [t.cylinder for t in surface.tracks if t.oddities] == [3]
    assert surface.layout.startswith(("90-", "130-"))


def test_two_codes_on_one_track() -> None:
    mfm, fm = contents(range(1, 6), 15), contents(range(6, 10), 16, 256)
    lead: tuple[Part, ...] = (Gap(80), IndexField(), Gap(50))
    stretches = [InCode("mfm", (*lead, *plain(mfm))), InCode("fm", (Gap(20), *plain(fm)))]
    track = compose(LAYOUT, CYLINDER, HEAD, stretches, np.random.default_rng(15))
    surface = recovered(track, 15, None)
    assert_sound(surface, {**mfm, **fm})
    (told,) = odd(surface, "two codes")
    assert told.words == "sectors 6 to 9 are in FM, the others in MFM"


@pytest.mark.parametrize("holes", [10, 16])
def test_a_hard_sectored_disk_gives_its_speed_a_turn(holes: int) -> None:
    data = contents(range(1, 10), 17)
    log = with_holes(read_track(composed(plain(data), 17).track, np.random.default_rng(17)), holes)
    surface = recover_surface([logged(log)], LAYOUTS)
    assert_sound(surface, data)
    assert surface.tracks[0].speed_rpm == pytest.approx(300, abs=1)
    assert surface.tracks[0].passes == 3
    (told,) = odd(surface, "hard sectored")
    assert told.words == f"hard sectored, {holes} holes"
    # Angles count from the true index.
    soft = recover_surface([logged(read_track(composed(plain(data), 17).track, np.random.default_rng(17)))], LAYOUTS)
    assert [s.angle for s in surface.tracks[0].sectors] == pytest.approx([s.angle for s in soft.tracks[0].sectors])


def test_a_hard_sectored_disk_in_an_unknown_format_is_described() -> None:
    """Cells without any known mark, as nobody's format has them."""
    rng = np.random.default_rng(18)
    parts = [Gap(1, int(b)) for b in rng.integers(0, 256, 6200)]
    track = compose(LAYOUT, CYLINDER, HEAD, [InCode("mfm", tuple(parts))], rng)
    log = with_holes(read_track(track.track, rng), 10)
    surface = recover_surface([logged(log)], LAYOUTS)
    assert surface.tracks == ()
    assert any("hard sectored, 10 holes, in a format that is not known" in w for w in surface.warnings)
    assert any(re.search(r"multiples of (1\.99|2\.00)\d us, as MFM", w) for w in surface.warnings)


def test_an_unformatted_track_in_a_session() -> None:
    rng = np.random.default_rng(19)
    tracks = [format_track(LAYOUT, c, 0, contents(range(1, 10), c), rng) for c in range(4)]
    noise = np.sort(rng.random(tracks[2].angles.size))
    blank = replace(tracks[2], angles=noise)
    surface = recover_surface([logged(read_session([*tracks[:2], blank, tracks[3]], rng))], LAYOUTS)
    assert [t.cylinder for t in surface.tracks] == [0, 1, 2, 3]
    (told,) = odd(surface, "unformatted")
    assert "noise of an unformatted track" in told.words
    assert {s.state for s in surface.tracks[2].sectors} == {SectorState.LOST}


@given(st.integers(1, 9), st.floats(0.1, 0.5), st.floats(0.1, 0.4), st.integers(0, 2**32 - 1))
@settings(max_examples=15)
def test_weak_recording_is_never_data(number: int, start: float, length: float, seed: int) -> None:
    data = contents(range(1, 10), seed)
    track = composed(plain(data), seed)
    at = [
        a
        for p, a in zip((Gap(80), IndexField(), Gap(50), *plain(data)), track.places, strict=True)
        if isinstance(p, DataField) and p.data == data[number]
    ]
    first, end = at[0]
    rng = np.random.default_rng(seed)
    log = with_weak_stretch(
        read_track(track.track, rng, revolutions=4), first + (end - first) * start, (end - first) * length, 5.5e-6, rng
    )
    surface = recover_surface([logged(log)], LAYOUTS, LAYOUT.id)
    assert_sound(surface, data, but=[number])
    found = one(surface, number)
    assert found.state is SectorState.SUSPECT
    (told,) = odd(surface, "weak recording")
    assert told.sector == number
    # Where the stretch is, to a few bytes; what lies before it is the recording.
    assert told.start == pytest.approx(first + (end - first) * start, abs=0.004)
    assert told.end == pytest.approx(first + (end - first) * (start + length), abs=0.004)
    # Sync and mark take 16 of the 530 bytes of the field.
    weak_from, weak_to = (int(530 * share) - 16 for share in (start, start + length))
    assert not any(found.data[max(weak_from + 16, 0) : weak_to - 16])
    assert found.data[: max(weak_from - 16, 0)] == data[number][: max(weak_from - 16, 0)]
    assert "differ from pass to pass" in found.how


def test_a_scratch_is_not_weak_recording() -> None:
    """Pulses are missing, alike in every pass: lost, but nothing false."""
    data = contents(range(1, 10), 20)
    track = composed(plain(data), 20)
    scratch = Reader(weak=(WeakStretch(track.places[3 + 4 * 4 + 2][0] + 0.03, 0.004),))
    log = read_track(track.track, np.random.default_rng(20), scratch, revolutions=4)
    surface = recover_surface([logged(log)], LAYOUTS, LAYOUT.id)
    assert one(surface, 5).state is not SectorState.SOUND
    assert not odd(surface, "weak recording")


def test_a_copied_turn_is_no_second_witness() -> None:
    data = contents(range(1, 10), 21)
    log = read_track(composed(plain(data), 21).track, np.random.default_rng(21), revolutions=4)
    plainly = recover_surface([logged(log)], LAYOUTS)
    copied = recover_surface([logged(with_copied_turn(log, 2))], LAYOUTS)
    assert_sound(copied, data)
    assert copied.tracks[0].passes == plainly.tracks[0].passes - 1
    assert one(copied, 5).passes_read == one(plainly, 5).passes_read - 1
    (told,) = odd(copied, "copied turn")
    assert told.words.startswith("turn 3 of the log repeats an earlier one pulse for pulse")
    assert not odd(plainly, "copied turn")


def test_what_the_image_cannot_hold_is_saved_beside_it(tmp_path: Path) -> None:
    data, second, extra = contents(range(1, 9), 22), contents([4], 23, 128), contents([247], 24, 128)
    without_id = contents([0], 25)[0]
    parts = [*plain(data), *plain(second), *plain(extra), DataField(without_id)]
    log = tmp_path / "log.vcd"
    write_capture(log, capture_of(read_track(composed(parts, 22).track, np.random.default_rng(22)), "log"))
    result = recover_files([log], ReadOptions(), "130-48-mfm-8x512")
    save(result, tmp_path / "out")
    held = {path.name.split("-at-")[0]: path.read_bytes() for path in (tmp_path / "out" / "beside").iterdir()}
    place = f"cylinder-{CYLINDER:03d}-head-{HEAD}"
    assert held == {
        f"{place}-sector-004": second[4],
        f"{place}-sector-247": extra[247],
        f"{place}-nameless": without_id,
    }
    assert (tmp_path / "out" / "tracks" / f"{place}.bin").read_bytes() == b"".join(data[n] for n in sorted(data))
    again = read_earlier(tmp_path / "out")
    assert again.report is not None
    assert [place[2] for place, _ in again.report.sectors()] == sorted(data)


def test_the_table_of_odd_tracks(capsys: pytest.CaptureFixture[str]) -> None:
    data = contents(range(1, 10), 26)
    log = with_holes(read_track(composed(plain(data), 26).track, np.random.default_rng(26)), 10)
    surface = recover_surface([logged(log)], LAYOUTS)
    alike = [replace(surface.tracks[0], cylinder=c) for c in (3, 4, 5)]
    tell_oddities(alike)
    shown = capsys.readouterr().out.splitlines()
    assert shown[0] == "Odd tracks"
    assert shown[2].split("  ")[0] == "3 to 5"
    assert "hard sectored, 10 holes" in shown[2]
    tell_oddities([replace(surface.tracks[0], oddities=())])
    assert capsys.readouterr().out == ""
