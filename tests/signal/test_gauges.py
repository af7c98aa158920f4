"""Gauges against the simulator: what was put in comes back within the stated uncertainty."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pytest

from indexhole.errors import InputFault
from indexhole.jobs.recovery.gauging import gauge_captures, gauge_json, report_json
from indexhole.model.forward import MechanismState
from indexhole.model.simulator.session import StepTimes, read_session
from indexhole.model.simulator.simulate import (
    Reader,
    RecordedTrack,
    format_track,
    read_track,
    rewrite_sector,
    weak_places,
)
from indexhole.model.suited import sound_mechanism
from indexhole.signal.captures.capture import Capture
from indexhole.signal.gauges.gauge import Gauge
from indexhole.signal.simulated import capture_of
from indexhole.standards.layouts import load_layouts
from indexhole.standards.tolerances import parse_own
from indexhole.standards.verdicts import NO_LIMITS, Limits, Verdict

LAYOUT = load_layouts()["130-48-mfm-9x512"]
SOUND = sound_mechanism(LAYOUT)


def track(seed: int, writer: MechanismState = SOUND) -> RecordedTrack:
    rng = np.random.default_rng(seed)
    zone = LAYOUT.zone(20, 0)
    assert zone is not None
    return format_track(LAYOUT, 20, 0, {n: rng.bytes(512) for n in zone.sector_ids}, rng, writer)


def read(
    recorded: RecordedTrack, seed: int, mechanism: MechanismState = SOUND, turns: float = 4, **more: object
) -> Capture:
    reader = Reader(mechanism, **more)  # type: ignore[arg-type]
    return capture_of(read_track(recorded, np.random.default_rng(seed), reader, revolutions=turns), f"c{seed}")


def gauged(captures: Sequence[Capture]) -> dict[str, Gauge]:
    return {g.name: g for g in gauge_captures(captures, LAYOUT.id).gauges}


@pytest.mark.parametrize("ratio", [0.96, 0.991, 1.0, 1.013])
def test_reader_and_writer_speed_are_told_apart(ratio: float) -> None:
    slow_writer = replace(SOUND, speed_ratio=0.985)
    found = gauged([read(track(1, slow_writer), 1, replace(SOUND, speed_ratio=ratio))])
    assert found["spindle_speed"].value == pytest.approx(300 * ratio, abs=2.5 * found["spindle_speed"].uncertainty)
    writer = found["writer_speed_ratio"]
    assert writer.value == pytest.approx(0.985, abs=max(3 * writer.uncertainty, 3e-4))


def test_an_index_pulse_before_the_first_read_pulse_counts_no_cells() -> None:
    """While the head settles the index goes by, but no pulse is logged."""
    rng = np.random.default_rng(3)
    tracks = [format_track(LAYOUT, c, 0, {n: rng.bytes(512) for n in range(1, 10)}, rng) for c in (0, 1)]
    session = read_session(tracks, rng, Reader(SOUND), revolutions=4, times=StepTimes(settle_s=0.55))
    silent = session.pulses_s[np.argmax(np.diff(session.pulses_s)) :][:2]
    assert np.count_nonzero((session.index_s > silent[0]) & (session.index_s < silent[1])) >= 2
    found = gauged([capture_of(session, "session")])
    assert found["writer_speed_ratio"].value == pytest.approx(1.0, abs=1e-4)
    assert found["writer_speed_ratio"].verdict is Verdict.WORKS
    assert found["index_jitter"].value < 1e-7
    # One that goes by just before the first pulse, as in a log that begins with it, counts.
    whole = read(track(3), 3)
    begun = replace(whole, read_ticks=whole.read_ticks[np.searchsorted(whole.read_ticks, whole.index_ticks[0]) :])
    assert gauged([begun])["writer_speed_ratio"].value == pytest.approx(1.0, abs=1e-4)


def test_speed_verdict_needs_the_whole_interval_inside() -> None:
    assert gauged([read(track(2), 2)])["spindle_speed"].verdict is Verdict.WORKS
    assert gauged([read(track(2), 2, replace(SOUND, speed_ratio=0.97))])["spindle_speed"].verdict is Verdict.FAILS
    edge = Gauge("x", 10.0, "s", 0.4, Limits(low=9.5))
    assert edge.verdict is Verdict.DOUBTFUL
    assert replace(edge, uncertainty=0.2).verdict is Verdict.WORKS
    assert replace(edge, limits=NO_LIMITS).verdict is Verdict.UNPROVEN
    assert replace(edge, value=float("nan")).verdict is Verdict.UNPROVEN


def test_gauges_are_judged_by_own_limits() -> None:
    own = parse_own(
        '[[tolerance]]\nid = "mine"\nquantity = "spindle_speed"\nunit = "rpm"\nlow = 301\nhigh = 303\n', "mine.toml"
    )
    found = {g.name: g for g in gauge_captures([read(track(2), 2)], tolerances=own).gauges}
    assert found["spindle_speed"].verdict is Verdict.FAILS
    assert gauge_json(found["spindle_speed"])["limit_low"] == 301
    assert found["timing_margin"].verdict is gauged([read(track(2), 2)])["timing_margin"].verdict is Verdict.WORKS


def test_an_uncertainty_that_is_no_number_proves_nothing() -> None:
    gauge = Gauge("x", 300.0, "rpm", float("nan"), Limits(295.5, 304.5))
    assert gauge.verdict is Verdict.UNPROVEN
    assert replace(gauge, uncertainty=float("inf")).verdict is Verdict.UNPROVEN


@pytest.mark.parametrize(("peak", "order"), [(0.004, 1.0), (0.012, 2.6), (0.008, 7.3)])
def test_wow_comes_back_with_peak_and_order(peak: float, order: float) -> None:
    found = gauged([read(track(3), 3, replace(SOUND, wow_peak=peak, wow_order=order))])
    # A bin is 1/64 turn: at higher orders it flattens the peak by sinc(order / 64) and three-bin smoothing.
    assert found["speed_variation"].value == pytest.approx(100 * peak, rel=0.12)
    assert found["speed_wander_orders"].value == pytest.approx(order, abs=0.1)


def test_asymmetry_comes_back() -> None:
    for asymmetry_s in (0.0, 60e-9, 250e-9):
        gauge = gauged([read(track(4), 4, replace(SOUND, pulse_asymmetry_s=asymmetry_s))])["pulse_asymmetry"]
        assert gauge.value == pytest.approx(asymmetry_s, abs=6e-9)


def test_jitter_follows_the_noise_and_eats_the_margin() -> None:
    quiet = gauged([read(track(5), 5)])
    loud = gauged([read(track(5), 5, replace(SOUND, noise=2 * SOUND.noise))])
    # The logger's clock adds its own part, so the ratio stays a little under two.
    assert 1.6 < loud["noise_jitter"].value / quiet["noise_jitter"].value < 2.05
    assert loud["timing_margin"].value < quiet["timing_margin"].value


def test_index_jitter_comes_back() -> None:
    gauge = gauged([read(track(6), 6, turns=30, index_jitter_s=3e-6)])["index_jitter"]
    assert gauge.value == pytest.approx(3e-6, abs=3 * gauge.uncertainty)
    assert gauge.uncertainty < 1e-6


def test_dropouts_are_counted_a_turn() -> None:
    weak = weak_places(np.random.default_rng(7), 10, 0.0003)
    assert gauged([read(track(7), 7, weak=weak)])["dropouts"].value == pytest.approx(10, abs=2.5)


def test_only_the_rewritten_sector_is_another_writers() -> None:
    rng = np.random.default_rng(8)
    later = rewrite_sector(track(8), 6, rng.bytes(512), rng, replace(SOUND, speed_ratio=1.018))
    writers = gauged([read(later, 8, replace(SOUND, wow_peak=0.01, wow_order=2.6))])["writers"]
    assert writers.value == 2
    assert [p["sector"] for p in writers.detail] == [6]
    assert writers.detail[0]["speed_ratio"] == pytest.approx(1.018, abs=0.001)
    assert gauged([read(track(8), 8, replace(SOUND, wow_peak=0.01, wow_order=2.6))])["writers"].value == 1


def test_a_capture_without_index_is_gauged_from_its_sectors() -> None:
    capture = replace(read(track(9), 9, replace(SOUND, speed_ratio=1.01)), index_ticks=np.empty(0, dtype=np.int64))
    found = gauged([capture])
    assert found["spindle_speed"].value == pytest.approx(303, abs=0.05)
    assert "from each sector to itself" in found["spindle_speed"].note
    assert found["index_to_data"].verdict is Verdict.UNPROVEN
    assert found["writer_speed_ratio"].verdict is Verdict.UNPROVEN


def test_noise_alone_is_refused() -> None:
    pulses = np.cumsum(np.random.default_rng(10).integers(20, 200, 60_000)).astype(np.int64)
    with pytest.raises(InputFault, match="no legible recording to gauge by"):
        gauge_captures([Capture("noise", 1 / 24e6, pulses, pulses[:1])])


def test_report_has_every_gauge_of_the_design() -> None:
    report = report_json(gauge_captures([read(track(11), 11)], LAYOUT.id))
    assert [g["name"] for g in report["gauges"]] == [
        "spindle_speed",
        "speed_variation",
        "speed_wander_orders",
        "index_to_data",
        "index_jitter",
        "writer_speed_ratio",
        "timing_margin",
        "peak_shift",
        "pulse_asymmetry",
        "noise_jitter",
        "dropouts",
        "writers",
    ]
    assert all(
        {"value", "unit", "uncertainty", "limit_low", "limit_high", "verdict", "source"} <= g.keys()
        for g in report["gauges"]
    )
