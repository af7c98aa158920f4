"""Levelling networks: the adjustment with all its tests against one numpy least squares of the same matrix."""

from __future__ import annotations

import time

import numpy as np
import pytest
from benchmarks.floors import Table, best_s

from indexhole.levelling.blunders import checks
from indexhole.levelling.network import Tie, adjust
from indexhole.levelling.weakness import best_next

# other work on the machine must not count
pytestmark = pytest.mark.benchmark(timer=time.process_time)


def network(nodes: int, count: int) -> list[Tie]:
    """A connected network of drives tied at random."""
    rng = np.random.default_rng([nodes, count])
    ends = [(int(rng.integers(k)), k) for k in range(1, nodes)]
    ends += [tuple(rng.choice(nodes, 2, replace=False).tolist()) for _ in range(count - len(ends))]
    return [Tie(f"T{k}", f"D{a}.0", f"D{b}.0", float(rng.normal(0, 20)), 10.0) for k, (a, b) in enumerate(ends)]


def levelled(ties: list[Tie]) -> float:
    """Adjustment, every w-test, and the best next measurement."""
    parts = adjust(ties)
    told = checks(parts[0])
    wanted = best_next(parts, parts[0].nodes, lambda a, b: 10.0)
    assert wanted is not None
    return told[0].residual + wanted.after


@pytest.mark.parametrize(("nodes", "count"), [(10, 40), (40, 160), (40, 640), (160, 640)])
def test_levelling(benchmark, table: Table, measuring: bool, nodes: int, count: int) -> None:
    ties = network(nodes, count) if measuring else network(6, 12)
    benchmark.pedantic(levelled, (ties,), rounds=5, warmup_rounds=1 if measuring else 0)
    if not measuring:
        return
    names = sorted({t.start for t in ties} | {t.end for t in ties})
    matrix = np.zeros((len(ties), len(names)))
    for row, tie in enumerate(ties):
        matrix[row, names.index(tie.end)], matrix[row, names.index(tie.start)] = 1.0, -1.0
    observed = np.array([t.value for t in ties])
    # the minimum-norm solution of a free network, and nothing beside it
    floor = best_s(lambda: np.linalg.lstsq(matrix, observed, rcond=None), 9)
    what = f"levelling {nodes} drives by {count} ties, all tests, next measurement"
    table.add(what, benchmark.stats.stats.min * 1e3, "ms")
    table.add(f"{what}, over one lstsq", benchmark.stats.stats.min / floor, "times")
