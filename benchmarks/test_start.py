"""How long the command takes to say what it can do."""

from __future__ import annotations

import subprocess
import sys
import time

from benchmarks.floors import Table, best_s


def test_cold_start(benchmark, table: Table, measuring: bool) -> None:
    def start(*arguments: str) -> bytes:
        return subprocess.run([sys.executable, *arguments], check=True, capture_output=True).stdout

    shown = benchmark.pedantic(start, ("-m", "indexhole", "--help"), rounds=7, warmup_rounds=1)
    assert b"recover" in shown
    if measuring:
        took = benchmark.stats.stats.min
        table.add("indexhole --help, a process of its own", took, "s", most=0.4)
        table.add(
            "indexhole --help: time over starting Python",
            took / best_s(lambda: start("-c", "pass"), clock=time.perf_counter),
            "x",
        )
