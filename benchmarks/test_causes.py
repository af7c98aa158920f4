"""Ranking what is at fault, a sheet at a time: how cost grows with trials and with elements."""

from __future__ import annotations

import time

import numpy as np
import pytest
from benchmarks.floors import Table, best_s
from studies.benches import Bench, Plan, World, draw_faults, draw_operation

from indexhole.causes.ranking.rank import rank_causes
from indexhole.jobs.demo.shelf import demo_trials

# other work on the machine must not count
pytestmark = pytest.mark.benchmark(timer=time.process_time)


def bench_of(mechanisms: int, disks: int, rows: int) -> Bench:
    """A bench of that size with two faults, four leads and two hosts."""
    rng = np.random.default_rng([mechanisms, disks, rows])
    plan = Plan(
        [f"D{i + 1}.0" for i in range(mechanisms)],
        [f"K{i + 1}" for i in range(disks)],
        [f"L{i + 1}" for i in range(4)],
        ["H1", "H2"],
    )
    operation = 0
    while len(plan.rows) < rows:
        plan.rows += draw_operation(rng, plan, operation, 1 + operation // 50, operation % 50 == 0, 0.35)
        operation += 1
    plan.rows = plan.rows[:rows]
    world = World(rng, plan, draw_faults(rng, plan, 2))
    return Bench(plan, [world.outcome(row) for row in plan.rows], frozenset(world.planted))


def floor_s(rows: int) -> float:
    """The machine's floor for weighing rows: as many logarithms as rows times nodes of the table."""
    hazards = np.linspace(1e-4, 10.0, rows * 96)
    return best_s(lambda: np.log(hazards))


@pytest.mark.parametrize("operations", [23, 44])
def test_ranking(benchmark, table: Table, measuring: bool, operations: int) -> None:
    trials = demo_trials(operations=operations if measuring else 12)
    told = benchmark.pedantic(rank_causes, (trials,), rounds=3, warmup_rounds=1 if measuring else 0)
    assert told.causes[0].faults[0].element == "D3.1"
    if measuring:
        table.add(f"ranking causes, a sheet of {len(trials)} trials", benchmark.stats.stats.min, "s")


@pytest.mark.parametrize(
    ("mechanisms", "disks", "rows"), [(5, 6, 250), (5, 6, 1000), (10, 12, 1000), (16, 18, 1000), (16, 18, 2000)]
)
def test_cost_as_benches_grow(benchmark, table: Table, measuring: bool, mechanisms: int, disks: int, rows: int) -> None:
    """40 elements and 2,000 trials are to be ranked in 2 s, and the next trial found in 3 s, on one core."""
    trials = bench_of(mechanisms, disks, rows if measuring else 60).trials
    rank_causes(trials[:9])
    begun = time.process_time()
    rank_causes(trials, propose=False)
    ranked = time.process_time() - begun
    told = benchmark.pedantic(rank_causes, (trials,), rounds=1)
    assert told.trials == len(trials)
    if measuring:
        size = f"{mechanisms + disks + 6} elements, {rows} trials"
        largest = (mechanisms, rows) == (16, 2000)
        table.add(f"ranking causes, {size}", ranked, "s", most=2.0 if largest else None)
        table.add(f"... and the next trial, {size}", benchmark.stats.stats.min, "s", most=3.0 if largest else None)
        table.add(f"... ranking over the floor of {rows} rows' logarithms", ranked / floor_s(rows), "times")
