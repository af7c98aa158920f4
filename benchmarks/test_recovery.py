"""Clock recovery and whole-track recovery, in transitions a second."""

from __future__ import annotations

import time
from dataclasses import replace

import numpy as np
import pytest
from benchmarks.floors import TICKS_A_CELL, Table, cumsum_s, intervals

from indexhole.model.simulator.simulate import format_track, read_track
from indexhole.recover.surface import recover_surface
from indexhole.signal.captures.capture import Capture
from indexhole.signal.clock.kernels import recover_clock
from indexhole.signal.simulated import capture_of
from indexhole.standards.layouts import load_layouts

# other work on the machine must not count
pytestmark = pytest.mark.benchmark(timer=time.process_time)

LAYOUT = "130-48-mfm-9x512"
# What the fastest double-density drive delivers: at most 50 000 transitions a turn, five turns a second.
DRIVE_A_SECOND = 250_000.0


def test_clock_recovery(benchmark, table: Table, measuring: bool) -> None:
    taken = intervals(20_000_000 if measuring else 100_000)
    runs, _ = benchmark.pedantic(recover_clock, (taken, TICKS_A_CELL), rounds=5, warmup_rounds=1)
    assert runs.size == taken.size
    if measuring:
        took = benchmark.stats.stats.min
        table.add("clock recovery, 20 M intervals: time over numpy.cumsum", took / cumsum_s(taken), "x", most=8)
        table.add("clock recovery: speed over a drive's", taken.size / took / DRIVE_A_SECOND, "x", least=100)


@pytest.fixture(scope="module")
def captures(measuring: bool) -> dict[str, Capture]:
    """One track read for three turns and for many."""
    layout = load_layouts()[LAYOUT]
    rng = np.random.default_rng(2)
    zone = layout.zone(20, 0)
    assert zone is not None
    track = format_track(layout, 20, 0, {n: rng.bytes(zone.sector_bytes) for n in zone.sector_ids}, rng)
    turns = {"3 turns": 3, "100 turns": 100 if measuring else 4}
    return {
        name: replace(capture_of(read_track(track, rng, revolutions=count), name), sha256=name)
        for name, count in turns.items()
    }


@pytest.mark.parametrize("given", ["layout given", "layout identified"])
@pytest.mark.parametrize("turns", ["3 turns", "100 turns"])
def test_whole_track_recovery(benchmark, table: Table, measuring: bool, captures, turns: str, given: str) -> None:
    capture, layouts = captures[turns], load_layouts()
    layout = LAYOUT if given == "layout given" else None
    surface = benchmark.pedantic(
        recover_surface, ([capture], layouts, layout), rounds=20 if turns == "3 turns" else 3, warmup_rounds=1
    )
    assert [str(s.state) for s in surface.tracks[0].sectors] == ["sound"] * 9
    if measuring:
        took, count = benchmark.stats.stats.min, capture.read_ticks.size
        floor = cumsum_s(np.diff(capture.read_ticks).astype(np.int32))
        what = f"track recovery, {turns}, {given}"
        table.add(f"{what}: time over numpy.cumsum", took / floor, "x", most=30)
        table.add(f"{what}: speed over a drive's", count / took / DRIVE_A_SECOND, "x", least=100)
