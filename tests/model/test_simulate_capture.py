"""Practice sessions and files: cut by their step lines, written, read back by two readers, and recovered whole."""

from __future__ import annotations

import csv
import gzip
import io
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from vcd.reader import TokenKind, tokenize

from indexhole.errors import InputFault
from indexhole.model.simulator.session import SimulatedSession, StepTimes, Travel, read_session
from indexhole.model.simulator.simulate import Reader, RecordedTrack, SimulatedTrack, format_track, read_track
from indexhole.model.suited import sound_mechanism
from indexhole.recover.surface import recover_surface
from indexhole.signal.captures.capture import Capture, LineTrace
from indexhole.signal.dwells.sessions import cut_session
from indexhole.signal.formats.readers import read_capture
from indexhole.signal.formats.write_vcd import INDEX_LOW_S, PULSE_LOW_S, csv_bytes, vcd_bytes, write_capture
from indexhole.signal.simulated import capture_of
from indexhole.standards.layouts import load_layouts

LIBRARY = load_layouts()


def some_tracks(name: str, places: list[tuple[int, int]], seed: int = 1) -> list[RecordedTrack]:
    layout = LIBRARY[name]
    rng = np.random.default_rng(seed)
    tracks = []
    for cylinder, head in places:
        zone = layout.zone(cylinder, head)
        assert zone is not None
        sectors = {number: rng.bytes(zone.sector_bytes) for number in zone.sector_ids}
        tracks.append(format_track(layout, cylinder, head, sectors, rng))
    return tracks


def vcd_changes(data: bytes) -> dict[str, list[tuple[int, int]]]:
    """Changes by line as another reader of value change dumps sees them."""
    names: dict[str, str] = {}
    found: dict[str, list[tuple[int, int]]] = {}
    now = 0
    for token in tokenize(io.BytesIO(data)):
        if token.kind is TokenKind.VAR:
            names[token.var.id_code] = token.var.reference
            found[token.var.reference] = []
        elif token.kind is TokenKind.CHANGE_TIME:
            now = token.time_change
        elif token.kind is TokenKind.CHANGE_SCALAR:
            found[names[token.scalar_change.id_code]].append((now, int(token.scalar_change.value)))
    return found


def test_a_session_is_cut_where_its_lines_say() -> None:
    places = [(0, 0), (0, 1), (1, 0), (1, 1), (4, 0), (2, 1)]
    log = read_session(some_tracks("90-mfm-9x512", places), np.random.default_rng(2), revolutions=2)
    capture = capture_of(log, "session", sample_rate_hz=16e6)
    session = cut_session(capture)
    assert [(s.cylinder, s.head) for s in session.segments] == places
    assert session.warnings == ()
    for segment in session.segments:
        assert segment.index_ticks.size >= 3
        dwell_s = np.ptp(segment.read_ticks) * segment.tick_s
        assert 2 * 0.2 < dwell_s < 3.1 * 0.2
    assert log.lines["track_zero"].initial == 0
    # steps 0 > 1 > 4 > 2
    assert (log.lines["step"].levels == 0).sum() == 1 + 3 + 2
    assert log.lines["direction"].levels.tolist() == [0, 1]


def test_the_spindle_turns_on_through_a_session() -> None:
    log = read_session(some_tracks("zoned-35-1s", [(0, 0), (9, 0), (34, 0)]), np.random.default_rng(2), revolutions=1)
    assert np.diff(log.index_s) == pytest.approx(0.2)
    assert log.pulses_s.min() > StepTimes().motor_start_s


def test_a_head_found_elsewhere_is_brought_to_track_zero() -> None:
    tracks = some_tracks("zoned-35-1s", [(0, 0), (1, 0)])
    log = read_session(tracks, np.random.default_rng(2), revolutions=1, travel=Travel(start_cylinder=7))
    session = cut_session(capture_of(log, "session"))
    assert [s.cylinder for s in session.segments] == [0, 1]
    assert log.lines["track_zero"].initial == 1
    assert (log.lines["step"].levels == 0).sum() == 8


def test_a_mechanism_of_twice_the_density_steps_twice() -> None:
    tracks = some_tracks("130-48-mfm-9x512", [(0, 0), (3, 1)])
    log = read_session(tracks, np.random.default_rng(2), revolutions=1, travel=Travel(steps_per_cylinder=2))
    assert (log.lines["step"].levels == 0).sum() == 6


def test_a_session_needs_tracks_of_one_layout() -> None:
    mixed = some_tracks("zoned-35-1s", [(0, 0)]) + some_tracks("90-mfm-9x512", [(0, 0)])
    for tracks in ([], mixed):
        with pytest.raises(ValueError, match="tracks of one layout"):
            read_session(tracks, np.random.default_rng(2))


def test_sampling_rounds_up_and_a_fast_clock_counts_more() -> None:
    log = SimulatedTrack(np.array([1.01e-6, 2.0e-6, 2.0001e-6]), np.array([1e-3]))
    capture = capture_of(log, "one", sample_rate_hz=10e6)
    assert capture.read_ticks.tolist() == [11, 20, 21]
    assert capture.index_ticks.tolist() == [10_000]
    assert capture_of(log, "one", sample_rate_hz=10e6, clock_error=1e-3).index_ticks.tolist() == [10_010]


@pytest.mark.parametrize(("rate_hz", "timescale"), [(24e6, "1 ns"), (16e6, "100 ps"), (8e6, "1 ns"), (100e6, "1 ns")])
def test_timescale_is_the_coarsest_that_holds_a_sample(rate_hz: float, timescale: str) -> None:
    capture = Capture("one", 1 / rate_hz, np.array([3, 90]), np.array([50]))
    assert f"$timescale {timescale} $end" in vcd_bytes(capture).decode()


def test_dump_as_another_reader_sees_it() -> None:
    lines = {"step": LineTrace(1, np.array([40, 44]), np.array([0, 1], dtype=np.uint8))}
    capture = Capture("one", 1e-6, np.array([3, 4, 10, 40]), np.array([10]), lines)
    found = vcd_changes(vcd_bytes(capture, {"read_data": "rd"}))
    low = round(PULSE_LOW_S / 1e-9)
    assert found["rd"] == [
        (0, 1),
        *[(1000 * t + after, level) for t in (3, 4, 10, 40) for after, level in ((0, 0), (low, 1))],
    ]
    assert found["INDEX"] == [(0, 1), (10_000, 0), (10_000 + round(INDEX_LOW_S / 1e-9), 1)]
    assert found["STEP"] == [(0, 1), (40_000, 0), (44_000, 1)]


@settings(max_examples=60)
@given(
    st.lists(st.integers(1, 10_000_000), max_size=60, unique=True),
    st.lists(st.integers(1, 10_000_000), max_size=4, unique=True),
    st.sampled_from([1e-9, 62.5e-9, 1 / 24e6, 1e-6]),
)
def test_both_forms_hold_every_pulse(pulses: list[int], index: list[int], tick_s: float) -> None:
    capture = Capture(
        "one", tick_s, np.sort(np.array(pulses, dtype=np.int64)), np.sort(np.array(index, dtype=np.int64))
    )
    text = vcd_bytes(capture)
    unit_s = 1e-10 if b"100 ps" in text else 1e-9
    dump = vcd_changes(text)
    falls = np.array([t for t, level in dump["RDATA"] if level == 0], dtype=np.int64)
    expected = np.rint(capture.read_ticks * (tick_s / unit_s)).astype(np.int64)
    # a pulse right behind another cannot be told from it
    apart = np.concatenate((np.diff(expected) > 1, np.ones(min(1, expected.size), dtype=bool)))
    assert falls.tolist() == expected[apart].tolist()
    table = list(csv.DictReader(io.StringIO(csv_bytes(capture).decode())))
    assert list(table[0]) == ["time_s", "rdata", "index"]
    level = 1
    seen = []
    for row in table:
        if row["rdata"] == "0" and level == 1:
            seen.append(round(float(row["time_s"]) * 1e9))
        level = int(row["rdata"])
    in_ns = np.rint(capture.read_ticks * (tick_s / 1e-9)).astype(np.int64)
    apart = np.concatenate((np.diff(in_ns) > 1, np.ones(min(1, in_ns.size), dtype=bool)))
    assert seen == in_ns[apart].tolist()
    times = [float(row["time_s"]) for row in table]
    assert times == sorted(set(times))


@pytest.mark.parametrize("ending", [".vcd", ".vcd.gz", ".csv", ".csv.gz"])
def test_a_file_is_read_back(tmp_path: Path, ending: str) -> None:
    (track,) = some_tracks("130-48-mfm-9x512", [(5, 1)])
    capture = capture_of(read_track(track, np.random.default_rng(8)), "one", sample_rate_hz=8e6)
    path = tmp_path / f"one{ending}"
    write_capture(path, capture)
    again = read_capture(path)
    assert np.array_equal(np.rint(again.read_ticks * again.tick_s * 8e6), capture.read_ticks)
    assert np.array_equal(np.rint(again.index_ticks * again.tick_s * 8e6), capture.index_ticks)
    first = path.read_bytes()
    write_capture(path, capture)
    assert path.read_bytes() == first
    assert [p.name for p in tmp_path.iterdir()] == [path.name]


def test_a_session_is_read_back_with_its_lines(tmp_path: Path) -> None:
    log = read_session(some_tracks("90-mfm-9x512", [(0, 0), (1, 1)]), np.random.default_rng(2), revolutions=1)
    capture = capture_of(log, "session", sample_rate_hz=16e6)
    write_capture(tmp_path / "session.vcd.gz", capture)
    assert gzip.decompress((tmp_path / "session.vcd.gz").read_bytes()).startswith(b"$version")
    again = read_capture(tmp_path / "session.vcd.gz")
    assert [(s.cylinder, s.head) for s in cut_session(again).segments] == [(0, 0), (1, 1)]
    assert set(again.lines) == set(capture.lines)


def test_a_place_that_cannot_be_written_is_one_line(tmp_path: Path) -> None:
    capture = Capture("one", 1e-9, np.array([3]), np.array([5]))
    with pytest.raises(InputFault, match=r"cannot write \.wav.*end it in \.vcd or \.csv"):
        write_capture(tmp_path / "one.wav", capture)
    with pytest.raises(InputFault, match="cannot be written"):
        write_capture(tmp_path / "absent" / "one.vcd", capture)
    assert list(tmp_path.iterdir()) == []


def test_an_empty_capture_is_written() -> None:
    nothing = np.array([], dtype=np.int64)
    assert b"$enddefinitions" in vcd_bytes(Capture("one", 1e-9, nothing, nothing))
    assert csv_bytes(Capture("one", 1e-9, nothing, nothing)) == b"time_s,rdata,index\n0.000000000,1,1\n"


# one of each code, and both speeds of one disk
RECOVERED = ["130-fm-16x128", "130-48-mfm-9x512", "200-mfm-26x256", "90-extra-mfm-36x512", "zoned-35-1s", "zoned-77-2s"]


@pytest.mark.parametrize("name", RECOVERED)
def test_what_is_practised_is_recovered(name: str) -> None:
    layout = LIBRARY[name]
    cylinder, head = layout.cylinders - 1, layout.heads - 1
    zone = layout.zone(cylinder, head)
    assert zone is not None
    rng = np.random.default_rng(21)
    sectors = {number: rng.bytes(zone.sector_bytes) for number in zone.sector_ids}
    track = format_track(layout, cylinder, head, sectors, rng, replace(sound_mechanism(layout), speed_ratio=1.008))
    reader = Reader(replace(sound_mechanism(layout), speed_ratio=0.993, wow_peak=0.004, wow_order=2.6))
    log: SimulatedTrack | SimulatedSession = read_track(track, rng, reader)
    surface = recover_surface([capture_of(log, "one", sample_rate_hz=48e6)], LIBRARY, name)
    (found,) = surface.tracks
    assert (found.cylinder, found.head) == (cylinder, head)
    assert {s.id: s.data for s in found.sectors} == sectors
    assert {str(s.state) for s in found.sectors} == {"sound"}
    assert found.speed_rpm == pytest.approx(layout.speed_rpm * 0.993, rel=1e-3)
