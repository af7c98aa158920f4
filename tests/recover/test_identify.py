"""Which layout, and which track: ranked answers with reasons, and tracks placed as recorded."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from indexhole.model.simulator.odd_tracks import DataField, Gap, IdField, InCode, IndexField, Part, compose
from indexhole.model.simulator.session import Travel, read_session
from indexhole.model.simulator.simulate import Reader, RecordedTrack, WeakStretch, format_track, read_track, weak_places
from indexhole.model.suited import sound_mechanism
from indexhole.recover.fields.coverage import Legible, whole_turn
from indexhole.recover.shapes.result import SectorState, Surface
from indexhole.recover.surface import open_tracks, recover_surface
from indexhole.signal.captures.capture import Capture
from indexhole.signal.simulated import capture_of
from indexhole.standards.layouts import Layout, load_layouts

LAYOUTS = load_layouts()
SHORT = LAYOUTS["130-48-mfm-9x512"]


def formatted(
    layout: Layout, places: Iterable[tuple[int, int]], seed: int, writer_ratio: float = 1.0
) -> list[RecordedTrack]:
    rng = np.random.default_rng(seed)
    writer = replace(sound_mechanism(layout), speed_ratio=writer_ratio)
    tracks = []
    for cylinder, head in places:
        zone = layout.zone(cylinder, head)
        assert zone is not None
        data = {number: rng.bytes(zone.sector_bytes) for number in zone.sector_ids}
        tracks.append(format_track(layout, cylinder, head, data, rng, writer))
    return tracks


def session(tracks: Sequence[RecordedTrack], seed: int, steps: int = 1) -> Capture:
    log = read_session(tracks, np.random.default_rng(seed), travel=Travel(steps_per_cylinder=steps))
    return capture_of(log, "log")


def states(surface: Surface) -> set[SectorState]:
    return {s.state for t in surface.tracks for s in t.sectors}


def moved(track: RecordedTrack, cylinder: int, head: int = 0) -> RecordedTrack:
    """The same recording under a head that stands somewhere else by the lines."""
    return replace(track, cylinder=cylinder, head=head)


def noise(track: RecordedTrack, seed: int) -> RecordedTrack:
    return replace(track, angles=np.sort(np.random.default_rng(seed).random(track.angles.size)))


@given(st.sampled_from(sorted(LAYOUTS)), st.floats(0.985, 1.015), st.floats(0.985, 1.015), st.integers(0, 2**32 - 1))
@settings(max_examples=30)
def test_the_layout_of_a_track_is_among_the_first(layout: str, writer: float, reader: float, seed: int) -> None:
    """Writer and reader off by what trade allows; layouts alike on the track share by weight."""
    rng = np.random.default_rng(seed)
    known = LAYOUTS[layout]
    place = (int(rng.integers(known.cylinders)), int(rng.integers(known.heads)))
    (track,) = formatted(known, [place], seed, writer)
    mechanism = replace(sound_mechanism(known), speed_ratio=reader)
    log = read_track(track, rng, Reader(mechanism), revolutions=2)
    surface = recover_surface([capture_of(log, "log")], LAYOUTS)
    like = {
        name
        for name, other in LAYOUTS.items()
        if (zone := other.zone(*place)) is not None
        and (own := known.zone(*place)) is not None
        and (zone.code, zone.sector_ids, zone.sector_bytes) == (own.code, own.sector_ids, own.sector_bytes)
        and abs(zone.cell_s * other.speed_rpm / own.cell_s / known.speed_rpm - 1) < 0.05
    }
    assert layout in like
    assert sum(c.probability for c in surface.candidates if c.layout in like) > 0.9
    assert all("seen " in c.why for c in surface.candidates)


@pytest.mark.parametrize(
    ("layout", "places", "share"),
    [
        ("130-48-mfm-9x512", [(c, h) for c in range(40) for h in range(2)], 0.8),
        # A log of side 0 alone may be half of a two-sided disk.
        ("130-48-mfm-9x512-1s", [(c, 0) for c in range(40)], 0.4),
    ],
)
def test_how_far_the_log_goes_tells_layouts_apart(layout: str, places: list[tuple[int, int]], share: float) -> None:
    tracks = formatted(LAYOUTS[layout], places[::4], 1)
    # Only the tracks at the ends need be there for the log to have gone so far.
    tracks += formatted(LAYOUTS[layout], places[-2:], 2)
    surface = recover_surface([session(tracks, 1)], LAYOUTS)
    assert surface.layout == layout
    assert surface.layout_confidence > share


def test_blank_tracks_speak_against_a_layout_that_has_them() -> None:
    """Cylinders 40 to 44 were read and hold nothing: no layout of 80 cylinders."""
    tracks = formatted(SHORT, [(c, h) for c in (0, 1, 2, 38, 39) for h in range(2)], 3)
    blank = [noise(moved(tracks[0], c, h), c) for c in range(40, 45) for h in range(2)]
    wide = LAYOUTS["130-96-mfm-9x512"]
    log = read_session([replace(t, layout=wide) for t in (*tracks, *blank)], np.random.default_rng(3))
    surface = recover_surface([capture_of(log, "log")], LAYOUTS)
    assert surface.layout == SHORT.id
    assert surface.layout_confidence > 0.99
    assert {t.cylinder for t in surface.tracks} == {0, 1, 2, 38, 39}
    assert "nothing legible on cylinder 40 to 44, which the layout has not" in surface.warnings


@given(st.integers(0, 2**32 - 1), st.booleans())
@settings(max_examples=3)
def test_double_stepping_is_recognised(seed: int, repeats: bool) -> None:
    """A 48-tpi disk under a 96-tpi mechanism, every position read: odd ones are empty or repeat a neighbour."""
    places = [(c, h) for c in range(6) for h in range(2)]
    tracks = formatted(SHORT, places, seed)
    at: list[RecordedTrack] = []
    for track in tracks:
        between = track if repeats else noise(track, seed % 1000 + track.cylinder)
        at += [moved(track, 2 * track.cylinder, track.head), moved(between, 2 * track.cylinder + 1, track.head)]
    at.sort(key=lambda t: (t.cylinder, t.head))
    surface = recover_surface([session(at, seed)], LAYOUTS)
    assert [(t.cylinder, t.head) for t in surface.tracks] == places
    assert states(surface) == {SectorState.SOUND}
    (told,) = [w for w in surface.warnings if "two steps from track to track" in w]
    assert f"{0 if repeats else 12} were empty and {12 if repeats else 0} repeated a neighbour" in told
    assert not any("no legible recording" in w for w in surface.warnings)
    assert surface.layout.startswith("130-48-mfm-9x512") or surface.layout in {"90-mfm-9x512", "130-96-mfm-9x512"}


def test_double_stepping_by_the_host_alone() -> None:
    """The host takes two steps and never reads in between."""
    tracks = formatted(SHORT, [(c, 0) for c in range(5)], 4)
    surface = recover_surface([session(tracks, 4, steps=2)], LAYOUTS)
    assert [t.cylinder for t in surface.tracks] == [0, 1, 2, 3, 4]
    assert states(surface) == {SectorState.SOUND}
    assert len([w for w in surface.warnings if "two steps" in w]) == 1
    assert not any(t.oddities for t in surface.tracks)


def test_gauges_see_the_recorded_cylinders_too() -> None:
    tracks = formatted(SHORT, [(c, 0) for c in range(4)], 18)
    opened, _, warnings = open_tracks([session(tracks, 18, steps=2)], LAYOUTS)
    assert [one.cylinder for one in opened] == [0, 1, 2, 3]
    assert any("two steps from track to track" in w for w in warnings)


def test_a_repeat_stands_in_for_a_track_that_gave_nothing() -> None:
    tracks = formatted(SHORT, [(c, 0) for c in range(5)], 5)
    at = [moved(t, 2 * t.cylinder) for t in tracks]
    at[3] = noise(at[3], 5)
    at.insert(4, moved(tracks[3], 7))
    surface = recover_surface([session(at, 5)], LAYOUTS)
    assert [t.cylinder for t in surface.tracks] == [0, 1, 2, 3, 4]
    assert states(surface) == {SectorState.SOUND}


def test_a_disk_of_twice_the_density_shows_every_other_track() -> None:
    dense = LAYOUTS["130-96-mfm-9x512"]
    tracks = [moved(t, t.cylinder // 2, t.head) for t in formatted(dense, [(c, 0) for c in range(0, 12, 2)], 6)]
    surface = recover_surface([session(tracks, 6)], LAYOUTS)
    assert [t.cylinder for t in surface.tracks] == [0, 2, 4, 6, 8, 10]
    assert any("passed over every other track" in w for w in surface.warnings)
    assert not any(t.oddities for t in surface.tracks)


def test_swapped_sides_are_placed_as_recorded() -> None:
    tracks = [moved(t, t.cylinder, 1 - t.head) for t in formatted(SHORT, [(c, h) for c in range(3) for h in (1, 0)], 7)]
    surface = recover_surface([session(tracks, 7)], LAYOUTS)
    assert [(t.cylinder, t.head) for t in surface.tracks] == [(c, h) for c in range(3) for h in range(2)]
    (told,) = [w for w in surface.warnings if "sides are swapped" in w]
    assert "ids say head 1 on side 0 and ids say head 0 on side 1" in told
    assert not any(t.oddities for t in surface.tracks)


def ids_saying(layout: Layout, cylinder: int, head: int, named: tuple[int, int], seed: int) -> RecordedTrack:
    rng = np.random.default_rng(seed)
    parts: list[Part] = [Gap(80), IndexField(), Gap(50)]
    for number in range(1, 10):
        parts += [IdField(*named, number, 2), Gap(22), DataField(rng.bytes(512)), Gap(80)]
    return compose(layout, cylinder, head, [InCode("mfm", tuple(parts))], rng).track


def test_a_disk_whose_ids_say_head_0_on_both_sides() -> None:
    tracks = [ids_saying(SHORT, c, h, (c, 0), 10 * c + h) for c in range(3) for h in range(2)]
    surface = recover_surface([session(tracks, 8)], LAYOUTS)
    assert [(t.cylinder, t.head) for t in surface.tracks] == [(c, h) for c in range(3) for h in range(2)]
    assert "ids say head 0 on both sides; tracks are placed by the side line" in surface.warnings
    assert not any(t.oddities for t in surface.tracks)


def test_ids_that_count_from_another_number_are_told_once() -> None:
    tracks = [ids_saying(SHORT, c, 0, (c + 1, 0), c) for c in range(5)]
    surface = recover_surface([session(tracks, 9)], LAYOUTS)
    assert [t.cylinder for t in surface.tracks] == [0, 1, 2, 3, 4]
    told = [w for w in surface.warnings if "1 higher than the step lines" in w]
    assert len(told) == 1
    assert not any(t.oddities for t in surface.tracks)
    assert surface.description is not None
    assert surface.description.offset == 1


def test_one_track_with_ids_of_another_is_odd_not_a_rule() -> None:
    tracks = [ids_saying(SHORT, c, 0, (c if c != 3 else 30, 0), c) for c in range(6)]
    surface = recover_surface([session(tracks, 10)], LAYOUTS)
    assert [t.cylinder for t in surface.tracks] == list(range(6))
    assert [t.cylinder for t in surface.tracks if t.oddities] == [3]
    assert "its ids say cylinder 30 head 0" in surface.tracks[3].oddities[0].words


def test_one_side_of_a_two_sided_disk() -> None:
    """Only side 1 was logged, without a side line to tell: the ids do."""
    tracks = formatted(LAYOUTS["90-mfm-9x512"], [(c, 1) for c in range(4)], 11)
    log = capture_of(read_session([moved(t, t.cylinder, 0) for t in tracks], np.random.default_rng(11)), "log")
    surface = recover_surface([replace(log, lines={k: v for k, v in log.lines.items() if k != "side"})], LAYOUTS)
    assert [(t.cylinder, t.head) for t in surface.tracks] == [(c, 1) for c in range(4)]
    assert states(surface) == {SectorState.SOUND}
    assert all(LAYOUTS[c.layout].heads == 2 for c in surface.candidates if c.layout)


def test_an_odd_track_does_not_drag_the_layout_down() -> None:
    tracks = formatted(SHORT, [(c, h) for c in range(6) for h in range(2)], 12)
    (odd,) = formatted(LAYOUTS["130-48-mfm-16x256"], [(3, 1)], 13)
    tracks[7] = replace(odd, layout=SHORT)
    surface = recover_surface([session(tracks, 12)], LAYOUTS)
    assert surface.layout in {"130-48-mfm-9x512", "90-mfm-9x512", "130-96-mfm-9x512"}
    assert sum(c.probability for c in surface.candidates if "9x512" in c.layout) > 0.99
    assert "1 track of other sectors" in surface.candidates[0].why


def test_a_disk_with_ten_sectors_a_track_is_none_of_those_known() -> None:
    layout = SHORT.model_copy(
        update={
            "zones": (
                SHORT.zones[0].model_copy(update={"sectors": 10, "gaps": SHORT.gaps.model_copy(update={"gap_3": 30})}),
            )
        }
    )
    tracks = formatted(layout, [(c, 0) for c in range(4)], 14)
    surface = recover_surface([session(tracks, 14)], LAYOUTS)
    assert surface.layout == ""
    assert surface.layout_confidence > 0.99
    assert "10 sectors of 512 bytes" in surface.candidates[0].why


def test_dirt_over_a_sector_leaves_the_layout_with_it_probable() -> None:
    """The last sector never shows, but dirt hides it: that is no proof of eight sectors."""
    (track,) = formatted(SHORT, [(5, 0)], 15)
    header, _, end = track.spans[9]
    dirty = Reader(weak=(WeakStretch(header - 0.004, end - header + 0.008),))
    surface = recover_surface([capture_of(read_track(track, np.random.default_rng(15), dirty), "log")], LAYOUTS)
    assert sum(c.probability for c in surface.candidates if "9x512" in c.layout) > 0.3
    clean, _ = formatted(LAYOUTS["130-48-mfm-8x512"], [(5, 0), (6, 0)], 16)
    surface = recover_surface([capture_of(read_track(clean, np.random.default_rng(16)), "log")], LAYOUTS)
    assert sum(c.probability for c in surface.candidates if "8x512" in c.layout) > 0.99


def test_a_reader_of_another_speed_is_one_surprise_however_many_tracks() -> None:
    """A 300-r/min disk of many tracks in a drive at 360."""
    tracks = formatted(SHORT, [(c, 0) for c in range(8)], 17)
    fast = Reader(replace(sound_mechanism(SHORT), speed_ratio=1.2))
    log = read_session(tracks, np.random.default_rng(17), fast)
    surface = recover_surface([capture_of(log, "log")], LAYOUTS)
    assert "9x512" in surface.layout
    assert sum(c.probability for c in surface.candidates if "9x512" in c.layout) > 0.99


@given(st.integers(0, 2**32 - 1))
@settings(max_examples=8)
def test_dirt_never_makes_a_layout_out_of_nothing(seed: int) -> None:
    """With dirt all over, what is said to be likely is likely: the true one keeps its share."""
    rng = np.random.default_rng(seed)
    (track,) = formatted(SHORT, [(7, 1)], seed)
    dirty = Reader(weak=weak_places(rng, int(rng.integers(5, 40)), 0.0008))
    surface = recover_surface([capture_of(read_track(track, rng, dirty), "log")], LAYOUTS)
    shares = {c.layout: c.probability for c in surface.candidates}
    if surface.tracks:
        assert sum(p for name, p in shares.items() if "x512" in name) > 0.9
        assert shares.get("", 0.0) < 0.2


def cells(*values: int) -> np.ndarray[tuple[int], np.dtype[np.int64]]:
    return np.array(values, dtype=np.int64)


def test_what_makes_a_turn_wholly_read() -> None:
    starts, ends, ids = cells(100, 1100, 2100), cells(900, 1900, 2900), cells(110, 1110, 2110)
    turns = [(0, 5000)]

    def read(doubtful: Sequence[int] = (), at: Sequence[int] = (), runs: Sequence[int] = ()) -> bool:
        return whole_turn(turns, Legible(starts, ends, ids, cells(*doubtful), cells(*at), cells(*runs)))

    assert read()
    assert not read(doubtful=[3500])
    assert read(doubtful=[1500])  # within a field that was read
    assert read(at=[3000, 3001, 4000, 4001], runs=[6, 6, 6, 6])
    assert not read(at=[3000, 3001, 3500, 4000, 4001], runs=[6, 6, 6, 6, 6])
    assert not read(at=[3500], runs=[200])
    assert read(at=[950], runs=[200])  # too short a stretch for a sector
    assert not whole_turn([], Legible(starts, ends, ids, cells(), cells(), cells()))
