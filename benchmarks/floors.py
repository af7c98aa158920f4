"""Floors measured in the same run, and the table of what was measured.

A floor is what the machine can do at best with the same data, so a ratio to it means the same on every machine.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

TICKS_A_CELL = 48.0


@dataclass(frozen=True)
class Row:
    """A line of the table: what was measured, how much, the goal, and whether it is met."""

    what: str
    measured: str
    goal: str
    met: str


class Table:
    """Collects lines; without measuring (`--benchmark-disable`) it stays empty."""

    def __init__(self, rows: list[Row]) -> None:
        self._rows = rows

    def add(self, what: str, value: float, unit: str, *, most: float | None = None, least: float | None = None) -> None:
        """A measured value with the goal it is held against."""
        met = (most is None or value <= most) and (least is None or value >= least)
        goal = f"at most {most:g}" if most is not None else f"at least {least:g}" if least is not None else "-"
        self._rows.append(
            Row(
                what,
                f"{value:{'.0f' if value >= 100 else '.3g'}} {unit}",
                goal,
                "-" if goal == "-" else "yes" if met else "NO",
            )
        )


def best_s(work: Callable[[], object], rounds: int = 7, clock: Callable[[], float] = time.process_time) -> float:
    """Shortest time of several goes, in seconds of processor time unless told otherwise: longer ones were disturbed."""
    took = []
    for _ in range(rounds):
        begun = clock()
        work()
        took.append(clock() - begun)
    return min(took)


def cumsum_s(intervals: np.ndarray) -> float:
    """The floor for work on intervals: numpy adds them up, int32 to int64."""
    return best_s(lambda: np.cumsum(intervals, dtype=np.int64), 15)


def intervals(count: int) -> np.ndarray:
    """MFM-like intervals at 24 MHz: two, three or four cells of 2 us, edges spread by 88 ns, speed wandering 1 %."""
    rng = np.random.default_rng(1)
    cells = rng.choice(np.array([2, 3, 4]), size=count, p=[0.5, 0.33, 0.17])
    wander = 1 + 0.01 * np.sin(np.arange(count) * (2 * np.pi / 40_000))
    edges = np.cumsum(cells * wander) * TICKS_A_CELL + rng.normal(0, 2.1, count)
    return np.diff(np.rint(edges), prepend=0.0).astype(np.int32)
