"""Stays that do not fit in memory: what is measured of them is the same, and nothing of them is held."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from indexhole.errors import InputFault
from indexhole.jobs.recovery import gauging
from indexhole.jobs.recovery.writers import WriterReport, report_json, writers_of
from indexhole.model.simulator.session import read_session
from indexhole.model.simulator.simulate import RecordedTrack, format_track, rewrite_sector
from indexhole.model.suited import sound_mechanism
from indexhole.recover.sectors import open_dwells as module
from indexhole.recover.sectors.open_dwells import OpenDwells
from indexhole.recover.surface import open_dwells
from indexhole.signal.captures.capture import Capture
from indexhole.signal.dwells.sessions import cut_session
from indexhole.signal.formats.options import ReadOptions
from indexhole.signal.formats.write_vcd import write_capture
from indexhole.signal.simulated import capture_of
from indexhole.standards.layouts import load_layouts

LAYOUTS = load_layouts()
LAYOUT = LAYOUTS["130-48-mfm-9x512"]


@pytest.fixture(scope="module")
def session() -> Capture:
    rng = np.random.default_rng(1)
    tracks: list[RecordedTrack] = []
    for cylinder in range(3):
        track = format_track(LAYOUT, cylinder, 0, {n: rng.bytes(512) for n in range(1, 10)}, rng)
        other = replace(sound_mechanism(LAYOUT), speed_ratio=1.012)
        tracks.append(rewrite_sector(track, 4, rng.bytes(512), rng, other) if cylinder == 1 else track)
    return capture_of(read_session(tracks, rng, revolutions=4), "session")


def opened(session: Capture, most_held: int) -> OpenDwells:
    return open_dwells(cut_session(session).segments, LAYOUTS, LAYOUT.id, most_held=most_held)[0]


def test_stays_come_back_from_the_file_as_they_were(session: Capture) -> None:
    held, filed = opened(session, 10**9), opened(session, 200_000)
    assert len(held) == len(filed) == 3
    assert [one.stream.runs.size > 0 for one in filed.outlines] == [True, False, False]
    for number in (2, 0, 1, 1, -1):
        a, b = held[number].stream, filed[number].stream
        assert (a.code, a.cell_ticks, a.turn_ticks) == (b.code, b.cell_ticks, b.turn_ticks)
        for name in ("intervals", "runs", "errors"):
            assert np.array_equal(getattr(a, name), getattr(b, name)), name
            assert getattr(a, name).dtype == getattr(b, name).dtype
        assert np.array_equal(a.segment.read_ticks, b.segment.read_ticks)
        assert np.array_equal(a.segment.index_ticks, b.segment.index_ticks)
        assert [r.data for r in held[number].reads.reads] == [r.data for r in filed[number].reads.reads]
    assert [s.runs.size for s in filed.streams[1:]] == [one.stream.runs.size for one in held[1:]]
    assert [filed.pulses(k) for k in range(3)] == [held.pulses(k) for k in range(3)]


def test_gauges_and_writers_are_the_same_from_the_file(
    session: Capture, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "session.vcd"
    write_capture(path, session)
    told = [report_json(WriterReport(LAYOUT.id, writers_of(opened(session, n), LAYOUT), {})) for n in (10**9, 0)]
    assert told[0] == told[1]
    assert [r["sector"] for t in told[0]["tracks"] for r in t["rewritten"]] == [4]
    held = gauging.report_json(gauging.gauge_files([path], ReadOptions(), LAYOUT.id))
    monkeypatch.setattr("indexhole.jobs.recovery.gauging.open_dwells", lambda *a: open_dwells(*a, most_held=0))
    assert gauging.report_json(gauging.gauge_files([path], ReadOptions(), LAYOUT.id)) == held
    # As from the capture itself, but for the nanoseconds a dump counts in.
    whole = gauging.report_json(gauging.gauge_captures([session], LAYOUT.id))
    for a, b in zip(whole["gauges"], held["gauges"], strict=True):
        assert b["value"] == pytest.approx(a["value"], rel=0.02, nan_ok=True), a["name"]
        assert a["verdict"] == b["verdict"]


def test_a_full_temporary_folder_is_told_in_one_line(session: Capture, monkeypatch: pytest.MonkeyPatch) -> None:
    def full(**_: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(module.tempfile, "TemporaryFile", full)
    with pytest.raises(InputFault, match="no room for what is kept meanwhile \\(No space left on device\\)"):
        opened(session, 0)
