"""Recovery against the simulator: the same bytes come back, and nothing false is ever called sound."""

from __future__ import annotations

import hashlib
import json
import os
import stat
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from indexhole import __version__
from indexhole.cli.recover import _tell_recovered
from indexhole.errors import InputFault
from indexhole.jobs.recovery.recovering import Recovered, recover_captures, save
from indexhole.model.simulator.session import Travel, read_session
from indexhole.model.simulator.simulate import (
    Reader,
    RecordedTrack,
    WeakStretch,
    format_track,
    read_track,
    rewrite_sector,
    weak_places,
)
from indexhole.model.suited import sound_mechanism
from indexhole.recover.shapes.result import Identification, Sector, SectorState, Surface, Track
from indexhole.recover.surface import recover_surface
from indexhole.signal.captures.capture import Capture
from indexhole.signal.simulated import capture_of
from indexhole.standards.layouts import load_layouts
from indexhole.volumes import Volume, VolumeFile

LAYOUTS = load_layouts()


def filled(layout: str, cylinder: int, head: int, seed: int) -> dict[int, bytes]:
    zone = LAYOUTS[layout].zone(cylinder, head)
    assert zone is not None
    rng = np.random.default_rng(seed)
    return {number: rng.bytes(zone.sector_bytes) for number in zone.sector_ids}


def written(layout: str, cylinder: int, head: int, seed: int) -> tuple[dict[int, bytes], RecordedTrack]:
    data = filled(layout, cylinder, head, seed)
    return data, format_track(LAYOUTS[layout], cylinder, head, data, np.random.default_rng(seed))


def logged(track: RecordedTrack, seed: int, reader: Reader | None = None, **options: float) -> Capture:
    name = f"pass-{seed}"
    return replace(capture_of(read_track(track, np.random.default_rng(seed), reader, **options), name), sha256=name)


def held(surface: Surface) -> Mapping[int, tuple[str, bytes]]:
    return {s.id: (str(s.state), s.data) for t in surface.tracks for s in t.sectors}


def assert_never_false(surface: Surface, data: Mapping[int, bytes]) -> None:
    for track in surface.tracks:
        for sector in track.sectors:
            if sector.state in (SectorState.SOUND, SectorState.MENDED):
                assert sector.data == data[sector.id], sector


@given(st.sampled_from(sorted(LAYOUTS)), st.data(), st.integers(0, 2**32 - 1))
@settings(max_examples=60)
def test_any_layout_and_any_bytes_come_back(layout: str, data: st.DataObject, seed: int) -> None:
    cylinder = data.draw(st.integers(0, LAYOUTS[layout].cylinders - 1))
    head = data.draw(st.integers(0, LAYOUTS[layout].heads - 1))
    zone = LAYOUTS[layout].zone(cylinder, head)
    assert zone is not None
    plain = data.draw(st.sampled_from([b"\0", b"\xff", b"\xe5", b"\xa1", b"\x4e", b"\xc2", b""]))
    contents = filled(layout, cylinder, head, seed)
    if plain:
        # The fills that come nearest to marks and syncs.
        contents[zone.sector_ids[0]] = plain * zone.sector_bytes
    track = format_track(LAYOUTS[layout], cylinder, head, contents, np.random.default_rng(seed))
    surface = recover_surface([logged(track, seed, revolutions=1.3)], LAYOUTS)
    assert held(surface) == {number: ("sound", bytes_) for number, bytes_ in contents.items()}
    assert [(t.cylinder, t.head) for t in surface.tracks] == [(cylinder, head)]
    # Layouts alike on this track share the probability by weight; the true one is always among them.
    top = surface.candidates[0].probability
    assert any(c.layout == layout and c.probability > 0.3 * top for c in surface.candidates)


def test_layout_unlike_any_known_is_said_to_be_none_of_them() -> None:
    known = {k: v for k, v in LAYOUTS.items() if k != "90-dense-mfm-18x512"}
    data, track = written("90-dense-mfm-18x512", 3, 0, seed=1)
    surface = recover_surface([logged(track, 1)], known)
    assert surface.layout == ""
    assert surface.layout_confidence > 0.5
    assert held(surface) == {n: ("sound", b) for n, b in data.items()}


def test_unknown_layout_id_is_refused() -> None:
    _, track = written("90-mfm-9x512", 0, 0, seed=1)
    with pytest.raises(InputFault, match="there is no layout 'nine'; known layouts"):
        recover_surface([logged(track, 1)], LAYOUTS, "nine")


def test_a_reader_of_another_speed_and_a_slow_writer() -> None:
    layout = LAYOUTS["130-48-mfm-9x512"]
    slow = replace(sound_mechanism(layout), speed_ratio=0.975)
    fast = replace(sound_mechanism(layout), speed_ratio=1.2, wow_peak=0.01, wow_order=2.6)
    data = filled(layout.id, 20, 1, seed=4)
    track = format_track(layout, 20, 1, data, np.random.default_rng(4), slow)
    surface = recover_surface([logged(track, 4, Reader(mechanism=fast))], LAYOUTS)
    # A slow writer fits more on a turn, so nothing is cut off.
    assert held(surface) == {n: ("sound", b) for n, b in data.items()}
    assert surface.tracks[0].speed_rpm == pytest.approx(360, abs=3)


def test_a_capture_without_index_still_reads() -> None:
    data, track = written("90-mfm-9x512", 5, 1, seed=6)
    capture = replace(logged(track, 6), index_ticks=np.empty(0, dtype=np.int64))
    surface = recover_surface([capture], LAYOUTS)
    assert held(surface) == {n: ("sound", b) for n, b in data.items()}
    assert surface.tracks[0].passes == 3
    assert np.isnan(surface.tracks[0].speed_rpm)


@pytest.mark.parametrize("layout", ["90-mfm-9x512", "130-fm-16x128", "zoned-35-1s"])
def test_passes_with_dirt_in_other_places_join(layout: str) -> None:
    """No pass is whole; dirt moves, so together they are (for the group code its short check asks for more)."""
    data, track = written(layout, 10, 0, seed=8)
    passes = []
    for k in range(6):
        reader = Reader(weak=weak_places(np.random.default_rng(100 + k), 14, 0.0008))
        passes.append(logged(track, 200 + k, reader, revolutions=1.1))
    alone = [sum(s == "sound" for s, _ in held(recover_surface([p], LAYOUTS, layout)).values()) for p in passes]
    surface = recover_surface(passes, LAYOUTS, layout)
    assert_never_false(surface, data)
    states = [state for state, _ in held(surface).values()]
    assert max(alone) < len(data)
    assert sum(state in ("sound", "mended") for state in states) == len(data)


def test_a_sector_no_pass_holds_whole_is_mended_pulse_by_pulse() -> None:
    """Two dropouts in each of three passes, never at the same place: every pass fails, their sum does not."""
    data, track = written("90-mfm-9x512", 10, 0, seed=9)
    _, start, end = track.spans[5]
    passes = []
    for k in range(3):
        weak = tuple(WeakStretch(start + (end - start) * f, 0.0003) for f in (0.1 + 0.2 * k, 0.2 + 0.2 * k))
        passes.append(logged(track, 300 + k, Reader(weak=weak), revolutions=1.0))
    for one in passes:
        assert held(recover_surface([one], LAYOUTS))[5][0] == "suspect"
    surface = recover_surface(passes, LAYOUTS)
    sector = next(s for s in surface.tracks[0].sectors if s.id == 5)
    assert (sector.state, sector.data, sector.passes_read) == (SectorState.MENDED, data[5], 0)
    assert "3 passes combined pulse by pulse" in sector.how


def test_a_scratch_stays_suspect_and_its_bytes_are_handed_over() -> None:
    data, track = written("90-mfm-9x512", 10, 0, seed=10)
    _, start, end = track.spans[3]
    scratch = (WeakStretch(start + (end - start) * 0.5, 0.002),)
    passes = [logged(track, 400 + k, Reader(weak=scratch)) for k in range(2)]
    sector = next(s for s in recover_surface(passes, LAYOUTS).tracks[0].sectors if s.id == 3)
    assert sector.state is SectorState.SUSPECT
    assert len(sector.data) == 512
    assert sector.data[:200] == data[3][:200]


def test_a_lost_id_field_is_made_good_from_another_pass() -> None:
    """Pass 1 holds the id but no data, pass 2 the data but no id: the place on the turn joins them."""
    data, track = written("90-mfm-9x512", 10, 0, seed=11)
    header, start, end = track.spans[6]
    no_data = Reader(weak=(WeakStretch(start + (end - start) * 0.3, (end - start) * 0.4),))
    no_id = Reader(weak=(WeakStretch(header, 0.0035),))
    surface = recover_surface([logged(track, 1, no_data), logged(track, 2, no_id)], LAYOUTS)
    sector = next(s for s in surface.tracks[0].sectors if s.id == 6)
    assert (sector.state, sector.data) == (SectorState.MENDED, data[6])
    assert "place on the turn" in sector.how


def test_a_sector_that_never_shows_is_lost_when_the_layout_has_it() -> None:
    _, track = written("90-mfm-9x512", 10, 0, seed=12)
    header, _, end = track.spans[7]
    gone = Reader(weak=(WeakStretch(header - 0.003, end - header + 0.004),))
    surface = recover_surface([logged(track, 1, gone)], LAYOUTS, "90-mfm-9x512")
    sector = next(s for s in surface.tracks[0].sectors if s.id == 7)
    assert (sector.state, sector.data, sector.sha256) == (SectorState.LOST, b"", "")
    assert surface.image()[6 * 512 : 7 * 512] == b"\0" * 512


def test_captures_that_disagree_are_not_called_sound() -> None:
    """The sector was rewritten between the two captures: both checks pass, and neither may win."""
    data, track = written("90-mfm-9x512", 10, 0, seed=13)
    rng = np.random.default_rng(13)
    later = rewrite_sector(track, 4, rng.bytes(512), rng, sound_mechanism(LAYOUTS["90-mfm-9x512"]))
    surface = recover_surface([logged(track, 1), logged(later, 2)], LAYOUTS)
    states = {number: state for number, (state, _) in held(surface).items()}
    assert states == {n: "suspect" if n == 4 else "sound" for n in data}
    assert any("sector 4: passes with a passing check disagree" in w for w in surface.warnings)


@pytest.mark.parametrize("layout", ["90-mfm-9x512", "130-fm-16x128", "zoned-35-1s", "130-dense-mfm-15x512"])
def test_nothing_false_is_called_sound_however_bad_the_signal(layout: str) -> None:
    data, track = written(layout, 10, 0, seed=14)
    judged = 0
    for k in range(12):
        rng = np.random.default_rng(500 + k)
        noisy = replace(sound_mechanism(LAYOUTS[layout]), noise=0.04 + 0.02 * k)
        reader = Reader(noisy, weak=weak_places(rng, 10 * k, 0.0005, 30.0), extra_rate=0.0004 * k)
        surface = recover_surface([logged(track, 600 + k, reader)], LAYOUTS, layout)
        assert_never_false(surface, data)
        judged += sum(s != "lost" for s, _ in held(surface).values())
    assert judged > 40


def test_noise_alone_gives_no_tracks() -> None:
    rng = np.random.default_rng(15)
    pulses = np.cumsum(rng.integers(20, 200, 60_000)).astype(np.int64)
    surface = recover_surface([Capture("noise", 1 / 24e6, pulses, np.arange(2, dtype=np.int64) * 4_800_000)], LAYOUTS)
    assert surface.tracks == ()
    assert "no legible recording" in surface.warnings[0]


def test_a_session_is_cut_and_put_in_order() -> None:
    layout = LAYOUTS["90-mfm-9x512"]
    contents = {(c, h): filled(layout.id, c, h, 40 + 2 * c + h) for c in range(3) for h in range(2)}
    rng = np.random.default_rng(16)
    tracks = [format_track(layout, c, h, data, rng) for (c, h), data in contents.items()]
    surface = recover_surface([capture_of(read_session(tracks, rng, travel=Travel(start_cylinder=2)), "log")], LAYOUTS)
    assert [(t.cylinder, t.head) for t in surface.tracks] == sorted(contents)
    expected = b"".join(contents[place][n] for place in sorted(contents) for n in sorted(contents[place]))
    assert surface.image() == expected


def test_a_blank_track_in_a_session_is_lost_in_its_place() -> None:
    layout = LAYOUTS["90-mfm-9x512"]
    contents = {c: filled(layout.id, c, 0, 60 + c) for c in range(3)}
    rng = np.random.default_rng(17)
    tracks = [format_track(layout, c, 0, data, rng) for c, data in contents.items()]
    blank = replace(tracks[1], angles=np.sort(rng.random(tracks[1].angles.size)))
    surface = recover_surface([capture_of(read_session([tracks[0], blank, tracks[2]], rng), "log")], LAYOUTS)
    assert [t.cylinder for t in surface.tracks] == [0, 1, 2]
    assert {str(s.state) for s in surface.tracks[1].sectors} == {"lost"}
    assert len(surface.image()) == 27 * 512


def test_quality_map_shows_where_the_signal_is_bad() -> None:
    _, track = written("90-mfm-9x512", 10, 0, seed=18)
    dirt = (WeakStretch(0.40, 0.02, 25.0),)
    surface = recover_surface([logged(track, 1, Reader(weak=dirt), revolutions=2)], LAYOUTS, quality_bins=200)
    quality = surface.tracks[0].quality
    assert quality is not None
    turn = quality.quality[1]
    assert turn.shape == (200,)
    assert np.nanmin(turn[81:83]) < 0.5
    assert np.nanmedian(turn) > 0.7
    assert np.nanmedian(quality.cell_ratio) == pytest.approx(1.0, abs=0.01)


def test_what_is_saved_says_what_made_it_and_is_the_users_to_share(tmp_path: Path) -> None:
    layout = LAYOUTS["zoned-35-1s"]
    rng = np.random.default_rng(40)
    tracks = []
    for cylinder, head, zone in list(layout.tracks())[:3]:
        data = {n: rng.bytes(zone.sector_bytes) for n in zone.sector_ids}
        tracks.append(format_track(layout, cylinder, head, data, rng))
    recovered = recover_captures([capture_of(read_session(tracks, rng), "session")], layout.id)
    before = os.umask(0o027)
    try:
        image = save(recovered, tmp_path / "out")
    finally:
        os.umask(before)
    assert image is not None
    assert stat.S_IMODE((tmp_path / "out").stat().st_mode) == 0o750
    report = json.loads((tmp_path / "out" / "report.json").read_text(encoding="utf-8"))
    assert report["version"] == __version__
    assert report["image"]["sha256"] == hashlib.sha256(image.read_bytes()).hexdigest()


def test_a_file_tells_which_of_its_sectors_are_not_sound(capsys: pytest.CaptureFixture[str]) -> None:
    files = [
        VolumeFile("LAMPS", b"x" * 512, 512, (4, 5, 6, 7), "program"),
        VolumeFile("TIDES", b"x" * 512, 512, (9,), "program"),
    ]
    sectors = tuple(
        Sector(k, 256, SectorState.LOST if k in (5, 6, 7) else SectorState.SOUND, b"x" * 256, 1, "") for k in range(12)
    )
    surface = Surface("zoned-35-1s", 1.0, (Identification("zoned-35-1s", 1.0, "given"),), ())
    surface = replace(surface, tracks=(Track(0, 0, 1, 300.0, "group45", 3e-6, sectors),))
    volume = Volume("linked", "QUAY", 1, 254, 256, tuple(files), ())
    _tell_recovered(Recovered((), surface, None, volume), None)
    shown = capsys.readouterr().out.splitlines()
    (lamps,), (tides,) = ([line.split("  ") for line in shown if line.startswith(n)] for n in ("LAMPS", "TIDES"))
    assert [w.strip() for w in lamps if w] == ["LAMPS", "512", "lost", "lost 5 to 7"]
    assert [w.strip() for w in tides if w][:3] == ["TIDES", "512", "sound"]
