"""Ranking what is at fault, a sheet at a time."""

from __future__ import annotations

import time

import pytest
from benchmarks.floors import Table

from indexhole.causes.trials import rank_causes
from indexhole.jobs.demo_shelf import demo_trials

# other work on the machine must not count
pytestmark = pytest.mark.benchmark(timer=time.process_time)


@pytest.mark.parametrize("operations", [23, 44])
def test_ranking(benchmark, table: Table, measuring: bool, operations: int) -> None:
    trials = demo_trials(operations=operations if measuring else 12)
    told = benchmark.pedantic(rank_causes, (trials,), rounds=3, warmup_rounds=1 if measuring else 0)
    assert told.causes[0].faults[0].element == "D3.1"
    if measuring:
        table.add(f"ranking causes, a sheet of {len(trials)} trials", benchmark.stats.stats.min, "s")
