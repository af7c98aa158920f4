"""Who wrote it, on simulated tracks with hidden truth: rewritings found and none feigned, drives told apart."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import replace
from functools import cache
from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from scipy.stats import chi2

from indexhole.jobs.recovery.gauging import gauge_captures, gauge_json
from indexhole.jobs.recovery.writer_words import writer_sentences
from indexhole.jobs.recovery.writers import WriterReport, nominal_of, report_json, writers_gauge
from indexhole.model.forward import MechanismState
from indexhole.model.simulator.simulate import Reader, RecordedTrack, format_track, read_track, rewrite_sector
from indexhole.model.suited import sound_mechanism
from indexhole.recover.surface import open_tracks
from indexhole.recover.writers import rewritten as rules
from indexhole.recover.writers.field_places import GEOMETRY, track_grids
from indexhole.recover.writers.grids import Pulses, fit_lines, learn_shifts, measure_steps, no_shifts
from indexhole.recover.writers.known_writers import (
    DRIVES_INDEX_S,
    DRIVES_SPEED,
    OCCASION_INDEX_S,
    OCCASION_SPEED,
    PRIOR_NONE,
)
from indexhole.recover.writers.rewrites import Rewrite
from indexhole.recover.writers.rewritten import FieldVerdict, Step, Strays, TrackSteps, field_test, without_seams
from indexhole.recover.writers.steps import strays, track_steps
from indexhole.recover.writers.writers import (
    ASYMMETRY_SCATTER_S,
    GAP_SCATTER,
    SPEED_SCATTER,
    Writers,
    find_writers,
)
from indexhole.signal.captures.capture import Capture
from indexhole.signal.simulated import capture_of
from indexhole.standards.layouts import Layout, load_layouts

MFM, FM, GROUP = (load_layouts()[name] for name in ("130-48-mfm-9x512", "130-fm-16x128", "zoned-35-1s"))
LAYOUTS = pytest.mark.parametrize("layout", [MFM, FM, GROUP], ids=["mfm", "fm", "group45"])
Rng = np.random.Generator


def drive(layout: Layout, **state: float) -> MechanismState:
    return replace(sound_mechanism(layout), **state)  # type: ignore[arg-type]


def formatted(layout: Layout, rng: Rng, writer: MechanismState | None = None, cylinder: int = 20) -> RecordedTrack:
    zone = layout.zone(cylinder, 0)
    assert zone is not None
    data = {n: rng.bytes(zone.sector_bytes) for n in zone.sector_ids}
    return format_track(layout, cylinder, 0, data, rng, writer or drive(layout))


def rewritten(track: RecordedTrack, sector: int, rng: Rng, writer: MechanismState, late_cells: float) -> RecordedTrack:
    data = rng.bytes(track.zone.sector_bytes)
    return rewrite_sector(track, sector, data, rng, writer, late_s=late_cells * track.zone.cell_s)


def read(track: RecordedTrack, rng: Rng, turns: float = 2, **reader: float) -> Capture:
    mechanism = drive(track.layout, **reader)
    return capture_of(read_track(track, rng, Reader(mechanism), revolutions=turns), f"{track.cylinder}")


def found(layout: Layout, *captures: Capture) -> Writers:
    opened, _, _ = open_tracks(captures, {layout.id: layout}, layout.id)
    return find_writers(opened, nominal_of(layout))


def own_gap(layout: Layout) -> float:
    """Cells of gap 2 as formatted."""
    zone = layout.zone(20, 0)
    assert zone is not None
    return float(layout.gaps_of(zone).gap_2 * zone.cells_per_byte)


# the statistics by themselves


def grid(rng: Rng, count: int, *, jitter: float, curve: float = 0.0, runs: Sequence[int] = (2, 3, 4)) -> Pulses:
    """Pulses of one grid of 40 ticks a cell; `curve` is the change of the cell over it all, as a fraction."""
    run = rng.choice(np.array(runs), count - 1)
    cell = np.concatenate((np.zeros(1, dtype=np.int64), np.cumsum(run)))
    time = 40.0 * cell * (1 + curve * cell / (2 * cell[-1])) + 40 * jitter * rng.standard_normal(count)
    before = np.concatenate((np.zeros(1, dtype=np.int64), run))
    return Pulses(time, cell, before, np.append(run, 0), np.zeros(count + 1, dtype=np.int64))


@given(
    st.floats(-7, 7),
    st.floats(-0.003, 0.003),
    st.floats(0.005, 0.05),
    st.floats(-0.1, 0.1),
    st.integers(0, 2**32 - 1),
)
@settings(max_examples=40)
def test_a_planted_step_is_measured_within_its_uncertainty(step, curve, jitter, asymmetry, seed) -> None:
    """Whatever the drift of speed and the alternation of the pulses beside it."""
    pulses = grid(np.random.default_rng(seed), 600, jitter=jitter, curve=curve)
    edge = float(pulses.cell[300])
    lifted = pulses.time + 40 * step * (pulses.cell >= edge)
    lifted += 40 * asymmetry * np.where(np.arange(600) % 2, -0.5, 0.5)
    ranges = np.array([[edge - 500, edge - 100, edge + 60, edge + 500]])
    told = measure_steps(replace(pulses, time=lifted), ranges, no_shifts())
    assert told.good.all()
    # 40 ticks are the cell at the start; the step is told in cells of where it lies.
    assert abs(told.step[0] - step) < 6 * math.sqrt(told.variance[0]) + 0.004 * abs(step)


def test_the_stated_uncertainty_is_the_scatter() -> None:
    rng = np.random.default_rng(1)
    z = []
    for _ in range(200):
        pulses = grid(rng, 400, jitter=0.03)
        edge = float(pulses.cell[200])
        told = measure_steps(pulses, np.array([[edge - 400, edge - 50, edge + 50, edge + 400]]), no_shifts())
        z.append(told.step[0] / math.sqrt(told.variance[0]))
    # Chi-square of 200: within 0.85 and 1.15 but once in a thousand runs.
    assert 0.83 < float(np.std(z)) < 1.17


def test_a_false_or_lost_pulse_makes_a_window_say_nothing() -> None:
    pulses = grid(np.random.default_rng(2), 400, jitter=0.02)
    edge = float(pulses.cell[200])
    ranges = np.array([[edge - 400, edge - 50, edge + 50, edge + 400]])
    marked = pulses.odd.copy()
    marked[320:] = 1
    assert measure_steps(pulses, ranges, no_shifts()).good.all()
    assert not measure_steps(replace(pulses, odd=marked), ranges, no_shifts()).good.any()
    between = pulses.odd.copy()
    between[201:] = 1
    assert measure_steps(replace(pulses, odd=between), ranges, no_shifts()).good.all()


def test_shifts_by_neighbours_are_learned_and_taken_out() -> None:
    rng = np.random.default_rng(3)
    pulses = grid(rng, 4000, jitter=0.005)
    shifted = replace(pulses, time=pulses.time + 40 * 0.05 * (pulses.after - pulses.before))
    edges = np.arange(0, pulses.cell[-1] - 500, 1000)
    lines = fit_lines(shifted, np.stack((edges, edges + 1000), axis=1).astype(np.float64))
    table = learn_shifts(lines).reshape(8, 8)
    assert table[2, 4] == pytest.approx(0.1, abs=0.01)
    assert table[4, 2] == pytest.approx(-0.1, abs=0.01)
    assert table[7, 7] == 0
    edge = float(pulses.cell[2000])
    ranges = np.array([[edge - 400, edge - 50, edge + 50, edge + 400]])
    raw, cleaned = (measure_steps(shifted, ranges, t).scatter[0] for t in (no_shifts(), learn_shifts(lines)))
    assert cleaned < 0.2 * raw


def steps_of(rng: Rng, standing: float, passing: float, passes: int, count: int) -> list[Step]:
    """Means of steps that are 0 but for a part that stands and one that is new at each pass; variance 1e-4."""
    still = 0.01 * math.sqrt(standing) * rng.standard_normal(count)
    new = 0.01 * math.sqrt(passing / passes) * rng.standard_normal(count)
    return [Step(float(s), 1e-4, passes) for s in still + new]


@pytest.mark.parametrize(("standing", "passing"), [(0.0, 1.0), (3.0, 1.0), (2.0, 6.0)])
def test_false_alarms_come_as_often_as_stated(monkeypatch, standing: float, passing: float) -> None:
    monkeypatch.setattr(rules, "FALSE_ALARM", 0.02)
    monkeypatch.setattr(rules, "LEAST_SIGMA", 0.0)
    rng = np.random.default_rng(4)
    alarms = fields = 0
    for _ in range(60):
        plain = steps_of(rng, standing, passing, 3, 60)
        within = tuple(float(passing * rng.chisquare(2) / 2) for _ in range(60))
        start, end = (dict(enumerate(steps_of(rng, standing, passing, 3, 20))) for _ in range(2))
        steps = TrackSteps("mfm", start, end, tuple(plain), within)
        told = [field_test(n, steps, strays([steps])) for n in range(20)]
        alarms += sum(t.verdict is FieldVerdict.REWRITTEN for t in told)
        fields += len(told)
    # Binomial, three standard deviations, and half as much again for the estimated uncertainties.
    assert alarms < 0.03 * fields + 3 * math.sqrt(0.02 * fields)
    assert alarms > 0.005 * fields


def test_power_is_the_share_of_phases_that_would_show() -> None:
    steady = Strays(0.0, 1.0, 200.0)
    for sigma in (0.004, 0.02, 0.05):
        at = np.linspace(-0.5, 0.5, 2001)
        told = []
        for phase in at.tolist():
            start, end = ({1: Step(p, sigma**2, 1)} for p in (phase, -phase))
            told.append(field_test(1, TrackSteps("mfm", start, end, (), ()), steady))
        shown = sum(t.verdict is FieldVerdict.REWRITTEN for t in told) / at.size
        assert shown == pytest.approx(told[0].power, abs=0.002)


def test_without_anything_to_go_by_nothing_is_claimed() -> None:
    nothing = TrackSteps("fm", {}, {}, (), ())
    assert strays([nothing]) is None
    assert field_test(3, nothing, None).verdict is FieldVerdict.CANNOT_TELL
    wide = TrackSteps("fm", {3: Step(0.3, 0.04, 1)}, {}, (), ())
    told = field_test(3, wide, Strays(0.0, 1.0, 50.0))
    assert told.verdict is FieldVerdict.CANNOT_TELL
    assert told.power == 0


def test_the_formatters_own_seams_are_not_taken_for_rewritings() -> None:
    steady = Strays(0.0, 1.0, 100.0)
    still, off = Step(0.002, 1e-4, 2), Step(0.31, 1e-4, 2)

    def told(ends: Mapping[int, Step], *, free_start: bool, starts: Step = still) -> list[int]:
        steps = TrackSteps("group45", dict.fromkeys(range(8), starts), dict(ends), (), ())
        cleaned = without_seams(steps, steady, free_start)
        return [n for n in range(8) if field_test(n, cleaned, steady).verdict is FieldVerdict.REWRITTEN]

    plain = dict.fromkeys(range(8), still)
    # Sector by sector: a step behind every one.
    assert told(dict.fromkeys(range(8), off), free_start=False) == []
    # One seam anywhere; where the start is known, or there are two, it is a rewriting.
    assert told(plain | {3: off}, free_start=True) == []
    assert told(plain | {3: off}, free_start=False) == [3]
    assert told(plain | {3: off, 5: off}, free_start=True) == [3, 5]
    # With steps at both ends nothing is let off.
    assert told(plain | {3: off}, free_start=True, starts=off) == list(range(8))


# one-go formats


@cache
def two_hundred() -> tuple[int, int, int, list[str]]:
    """200 formats in one go: fields called rewritten, fields that could be told, tracks with several writers, which."""
    alarms = told = several = 0
    which: list[str] = []
    for seed in range(200):
        rng = np.random.default_rng(seed)
        layout = (FM, GROUP, MFM, FM)[seed % 4]
        writer = drive(layout, speed_ratio=rng.uniform(0.99, 1.01), wow_peak=rng.uniform(0, 0.004), wow_order=1.0)
        track = formatted(layout, rng, writer, cylinder=int(rng.integers(0, 35)))
        wow = {"wow_peak": rng.uniform(0, 0.012), "wow_order": rng.uniform(0.5, 4)}
        noise = sound_mechanism(layout).noise * rng.uniform(0.5, 1.7)
        capture = read(track, rng, turns=1, speed_ratio=rng.uniform(0.985, 1.015), noise=noise, **wow)
        writers = found(layout, capture)
        alarms += writers.count(FieldVerdict.REWRITTEN)
        told += writers.count(FieldVerdict.AS_FORMATTED)
        several += len(writers.writers) > 1
        which += [f"seed {seed} sector {r.sector}" for t in writers.tracks for r in t.rewrites]
    return alarms, told, several, which


def test_two_hundred_formats_in_one_go_raise_no_alarm() -> None:
    alarms, told, several, which = two_hundred()
    assert (alarms, several) == (0, 0), which
    # And not by telling nothing.
    assert told > 2400


# rewritings


@LAYOUTS
def test_rewritings_at_the_same_speed_are_found_as_often_as_stated(layout: Layout) -> None:
    power: list[float] = []
    hits: list[bool] = []
    for seed in range(4):
        rng = np.random.default_rng(100 + seed)
        track = formatted(layout, rng)
        sectors = rng.choice(track.zone.sector_ids, 4, replace=False).tolist()
        for sector in sectors:
            track = rewritten(track, sector, rng, drive(layout), rng.uniform(0, 3))
        writers = found(layout, read(track, rng, turns=1.2, wow_peak=0.004, wow_order=1.7, speed_ratio=0.994))
        tests = {t.sector: t for t in writers.tracks[0].tests}
        assert {r.sector for r in writers.tracks[0].rewrites} <= set(sectors)
        assert len(writers.writers) == 1
        power += [tests[s].power for s in sectors if s in tests]
        hits += [tests[s].verdict is FieldVerdict.REWRITTEN for s in sectors if s in tests]
    expected = sum(power)
    assert expected > 0.8 * len(power)
    assert sum(hits) >= expected - 3 * math.sqrt(sum(p * (1 - p) for p in power))


def only(writers: Writers) -> Mapping[int, Rewrite]:
    assert len(writers.tracks) == 1
    return {r.sector: r for r in writers.tracks[0].rewrites}


@LAYOUTS
def test_a_rewriting_comes_back_with_speed_place_and_phase(layout: Layout) -> None:
    rng = np.random.default_rng(7)
    late = 2.3
    track = rewritten(formatted(layout, rng), 5, rng, drive(layout, speed_ratio=0.988), late)
    rewrite = only(found(layout, read(track, rng, wow_peak=0.003, wow_order=1.3)))[5]
    assert abs(rewrite.ratio.log - math.log(0.988)) < 4 * rewrite.ratio.u
    assert rewrite.ratio.u < 0.002
    (stretch,) = track.later
    assert rewrite.start.turn == pytest.approx(stretch.start % 1, abs=2e-4)
    assert rewrite.end.turn == pytest.approx((stretch.start + stretch.length) % 1, abs=2e-4)
    # The slow drive's clock runs on while less of the disk goes by, so its delay is that much shorter on the disk.
    assert rewrite.start.gap - own_gap(layout) == pytest.approx(0.988 * late, abs=4 * rewrite.start.phase_u)
    assert rewrite.start.phase == pytest.approx(0.988 * late - 2, abs=4 * rewrite.start.phase_u)
    assert 0 < rewrite.start.disturbed < 8
    assert rewrite.jitter_s > 0


def test_two_drives_that_rewrote_are_told_apart() -> None:
    rng = np.random.default_rng(8)
    track = formatted(MFM, rng, drive(MFM, speed_ratio=1.002))
    fast, slow = drive(MFM, speed_ratio=1.012), drive(MFM, speed_ratio=0.991)
    for sector, writer in ((2, fast), (7, fast), (4, slow)):
        track = rewritten(track, sector, rng, writer, rng.uniform(0, 3))
    writers = found(MFM, read(track, rng, wow_peak=0.006, wow_order=2.6))
    assert [w.name for w in writers.writers] == ["W1", "W2", "W3"]
    by_sector = {s: name for (_, _, s), name in writers.rewrite_by.items()}
    assert by_sector == {2: "W2", 7: "W2", 4: "W3"}
    w1, w2, w3 = writers.writers
    assert w1.formatted == ((20, 0),)
    assert w1.speed_ratio == pytest.approx(1.002, abs=max(4 * w1.speed_u, 2e-4))
    assert w2.against_first == pytest.approx(1.012 / 1.002, abs=4 * w2.against_u)
    assert w3.against_first == pytest.approx(0.991 / 1.002, abs=4 * w3.against_u)
    told = writer_sentences(writers)
    assert told[0].startswith("formatted by W1 (speed +0.2")
    assert told[1].startswith("sectors 2 and 7 rewritten by W2 (speed +")
    assert "against W1), splices at 0." in told[1]
    assert told[2].startswith("sector 4 rewritten by W3 (speed -1.")
    assert told[3].startswith("6 data fields lie on the grid of the ids")


def test_all_sectors_rewritten_by_the_same_drive_are_told_as_such() -> None:
    rng = np.random.default_rng(9)
    track = formatted(MFM, rng)
    for sector in range(1, 10):
        track = rewritten(track, sector, rng, drive(MFM), rng.uniform(0.1, 0.9))
    writers = found(MFM, read(track, rng))
    assert [len(writers.writers), writers.count(FieldVerdict.REWRITTEN)] == [1, 9]
    told = writer_sentences(writers)
    assert told[1].startswith("all 9 sectors rewritten later by W1 or a drive not told apart from it (speed ")
    assert not any("as formatted" in line for line in told)


def test_tracks_formatted_by_another_drive_are_told_apart() -> None:
    rng = np.random.default_rng(10)
    captures = []
    for cylinder in range(6):
        writer = drive(FM, speed_ratio=1.009 if cylinder in (2, 3) else 0.999)
        captures.append(read(formatted(FM, rng, writer, cylinder), rng, turns=1))
    writers = found(FM, *captures)
    assert writers.format_by == {(c, 0): "W2" if c in (2, 3) else "W1" for c in range(6)}
    told = writer_sentences(writers)
    assert told[0] == "4 of 6 tracks formatted by W1 (speed -0.10 %): cylinders 0, 1, 4, 5 head 0"
    assert told[1] == "2 of 6 tracks formatted by W2 (speed +0.90 %): cylinders 2, 3 head 0"


def test_a_formatter_that_leaves_other_gaps_is_another_writer() -> None:
    """Speed alone would not tell: both are within 0.1 %."""
    rng = np.random.default_rng(11)
    wide = MFM.model_copy(update={"gaps": MFM.gaps.model_copy(update={"gap_3": 84})})
    captures = [read(formatted(layout, rng, cylinder=c), rng, turns=1) for c, layout in ((1, MFM), (2, MFM), (3, wide))]
    writers = found(MFM, *captures)
    assert writers.format_by == {(1, 0): "W1", (2, 0): "W1", (3, 0): "W2"}
    assert [t.format.gap_3 for t in writers.tracks] == [80, 80, 84]


@LAYOUTS
def test_the_format_comes_back(layout: Layout) -> None:
    rng = np.random.default_rng(12)
    writer = drive(layout, speed_ratio=1.006, index_delay_s=120e-6)
    track = formatted(layout, rng, writer)
    told = found(layout, read(track, rng, turns=3, index_delay_s=50e-6, wow_peak=0.003, wow_order=1.7)).tracks[0].format
    gaps = layout.gaps_of(track.zone)
    assert told.gap_2 == gaps.gap_2
    assert layout is GROUP or told.gap_3 == gaps.gap_3
    assert told.fill == {"mfm": 0x4E, "fm": 0xFF, "group45": -1}[told.code]
    assert told.speed_ratio == pytest.approx(1.006, abs=4 * told.speed_u)
    header, _, _ = track.spans[track.zone.sector_ids[0]]
    seen_s = 0.2 * header / 1.006 - 50e-6 + GEOMETRY[told.code].lead * track.zone.cell_s
    # The reader's delay is told on its own clock.
    assert told.index_s == pytest.approx(seen_s, abs=4 * told.index_u + 1e-6)


# doubt


def test_too_much_noise_is_told_as_doubt_not_as_another_writer() -> None:
    rng = np.random.default_rng(13)
    writers = found(FM, read(formatted(FM, rng, cylinder=39), rng, turns=1, noise=0.16))
    assert writers.count(FieldVerdict.REWRITTEN) == 0
    assert writers.count(FieldVerdict.CANNOT_TELL) > 5
    assert any(line.startswith("cannot tell for ") for line in writer_sentences(writers))
    worse = found(MFM, read(formatted(MFM, rng, cylinder=39), rng, turns=1, noise=0.12))
    assert [t.tests for t in worse.tracks] == [()]
    assert "no data field was read with a passing check" in writer_sentences(worse)[-1]
    assert math.isnan(writers_gauge(worse).value)


def test_a_gauge_that_cannot_tell_has_no_value() -> None:
    nobody = Writers((), (), {}, {})
    gauge = writers_gauge(nobody)
    assert math.isnan(gauge.value)
    assert gauge.note.startswith("cannot tell: ")
    assert writer_sentences(nobody) == ["cannot tell who wrote it: no legible track"]


def test_without_index_and_layout_speeds_are_told_against_each_other_only() -> None:
    rng = np.random.default_rng(14)
    track = rewritten(formatted(MFM, rng), 3, rng, drive(MFM, speed_ratio=0.98), 1.4)
    capture = replace(read(track, rng), index_ticks=np.empty(0, dtype=np.int64))
    opened, _, _ = open_tracks([capture], {MFM.id: MFM}, MFM.id)
    writers = find_writers(opened, nominal_of(None))
    assert [math.isnan(w.speed_ratio) for w in writers.writers] == [True, True]
    assert writers.writers[1].against_first == pytest.approx(0.98, abs=0.001)
    told = writer_sentences(writers)
    assert told[0] == "formatted by W1 (speed against nominal not known)"
    assert told[1].startswith("sector 3 rewritten by W2 (speed -2.0")


@cache
def plain_capture() -> Capture:
    rng = np.random.default_rng(15)
    return read(formatted(FM, rng), rng, turns=1.3)


@given(st.data())
@settings(max_examples=12, suppress_health_check=[HealthCheck.data_too_large])
def test_lost_and_false_pulses_feign_no_writer(data) -> None:
    capture = plain_capture()
    size = capture.read_ticks.size
    lost = data.draw(st.lists(st.integers(0, size - 1), max_size=60))
    false = data.draw(st.lists(st.integers(0, int(capture.read_ticks[-1])), max_size=25))
    ticks = np.union1d(np.delete(capture.read_ticks, lost), np.array(false, dtype=np.int64))
    writers = found(FM, replace(capture, read_ticks=ticks))
    assert [(t.sector, t.verdict) for x in writers.tracks for t in x.tests if t.verdict == "rewritten"] == []
    assert len(writers.writers) <= 1


# how it is told


def test_the_gauge_keeps_its_keys_and_counts_writers() -> None:
    rng = np.random.default_rng(16)
    track = rewritten(formatted(MFM, rng), 6, rng, drive(MFM, speed_ratio=1.011), 3.4)
    gauged = gauge_captures([read(track, rng)], MFM.id)
    told = gauge_json(gauged.gauges[-1])
    assert told["name"] == "writers"
    assert told["value"] == 2
    (part,) = told["detail"]
    assert part["sector"] == 6
    assert part["writer"] == 2
    assert part["speed_ratio"] == pytest.approx(1.011, abs=max(4 * part["uncertainty"], 1e-4))
    assert 0 <= part["from_turn"] < part["to_turn"] <= 1
    assert abs(part["splice"]) <= 0.5
    assert part["log_likelihood_ratio"] > math.log(1 / rules.FALSE_ALARM) / 2
    assert told["note"].startswith("sector 6 rewritten by W2 (speed +1.1")
    by_name = {g.name: g for g in gauged.gauges}
    # What another drive laid over is set right before the cells of the turn are counted.
    assert by_name["writer_speed_ratio"].value == pytest.approx(1.0, abs=2e-4)


def test_the_report_is_whole_and_plain() -> None:
    rng = np.random.default_rng(17)
    track = rewritten(formatted(GROUP, rng), 6, rng, drive(GROUP), 0.4)
    writers = found(GROUP, read(track, rng))
    report = report_json(WriterReport(GROUP.id, writers, {}))
    assert report["false_alarm"] == rules.FALSE_ALARM
    (one,) = report["tracks"]
    assert {s["id"]: s["verdict"] for s in one["sectors"]} == {
        n: "rewritten" if n == 6 else "as formatted" for n in track.zone.sector_ids
    }
    (stretch,) = one["rewritten"]
    assert stretch["writer"] == "W1"
    assert stretch["splice_start"]["phase_cells"] == pytest.approx(0.4, abs=0.05)
    assert report["writers"][0]["sectors_rewritten"] == [{"cylinder": 20, "head": 0, "sector": 6}]
    assert report["told"][1].startswith("sector 6 rewritten later by W1 or a drive not told apart from it")


def test_steps_are_measured_where_there_are_none() -> None:
    """The places inside data fields that calibrate the test are many, and their steps are nothing but noise."""
    rng = np.random.default_rng(18)
    opened, _, _ = open_tracks([read(formatted(FM, rng), rng)], {FM.id: FM}, FM.id)
    steps = track_steps(track_grids([o.stream for o in opened], [o.reads for o in opened]))
    assert len(steps.plain) >= rules.FEWEST_PLACES
    assert max(abs(s.mean) for s in steps.plain) < 0.05
    assert set(steps.start) == set(range(1, 17))


def test_the_page_names_the_figures_the_code_uses() -> None:
    page = (Path(__file__).parents[2] / "docs" / "writers.md").read_text()
    assert rules.FALSE_ALARM == 1e-6
    assert "**false alarm of one in a million fields**" in page
    for figure in (
        f"| {100 * SPEED_SCATTER:.2f} %, more when",
        f"| {GAP_SCATTER:.0f} cells |",
        f"| {1e9 * ASYMMETRY_SCATTER_S:.0f} ns |",
        f"{100 * OCCASION_SPEED:.2f} % of speed, {1e6 * OCCASION_INDEX_S:.0f} us of start",
        f"{100 * DRIVES_SPEED:.2f} % of speed, {1e6 * DRIVES_INDEX_S:.0f} us of start",
        f"fewer than {rules.FEWEST_PLACES} such places",
    ):
        assert figure in page, figure
    # Two drives differ by so much when their distance is just the bound, by speed alone.
    apart = SPEED_SCATTER * math.sqrt(2 * float(chi2.isf(1e-3, 2)))
    assert f"a difference of about {100 * apart:.2f} %" in page
    assert PRIOR_NONE == 1 / 3
