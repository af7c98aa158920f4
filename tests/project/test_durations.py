"""The record of durations: what it calls slow, in which order files run, and that a part of a run keeps the rest."""

from __future__ import annotations

import subprocess
import sys
from dataclasses import dataclass
from pathlib import Path

from tests.support.durations import Durations, longest_first, read

ROOT = Path(__file__).parents[2]


@dataclass(frozen=True)
class Item:
    nodeid: str


def recorded() -> Durations:
    timed = Durations()
    for nodeid, when, seconds in (
        ("a.py::slow[1]", "call", 0.6),
        ("a.py::slow[2]", "call", 0.6),
        ("a.py::quick", "call", 0.3),
        ("b.py::any", "setup", 3.0),
        ("b.py::any", "call", 0.0),
        ("c.py::any", "call", 0.9),
    ):
        timed.add(nodeid, when, seconds)
    return timed


def test_parameters_count_together_and_a_long_set_up_makes_a_file_slow():
    timed = recorded()
    slow = [name for name in ("a.py::slow[1]", "a.py::quick", "b.py::other", "c.py::any", "new.py::never") if
            timed.slow(Item(name))]  # fmt: skip
    assert slow == ["a.py::slow[1]", "b.py::other"]


def test_the_files_that_take_longest_come_first_each_in_its_own_order():
    items = [Item(name) for name in ("new.py::x", "c.py::any", "a.py::quick", "a.py::slow[1]", "b.py::any")]
    order = [items[k].nodeid for k in longest_first(items, recorded())]
    assert order == ["b.py::any", "a.py::quick", "a.py::slow[1]", "c.py::any", "new.py::x"]


def test_a_part_of_a_run_keeps_what_is_recorded_of_other_files(tmp_path):
    path = tmp_path / "durations.json"
    recorded().write(path)
    again = Durations()
    again.add("a.py::slow[1]", "call", 5.0)
    again.write(path)
    kept = read(path)
    assert kept.tests == {"a.py::slow": 5.0, "c.py::any": 0.9}
    assert kept.set_ups == {"b.py": 3.0}


def test_quick_says_in_one_line_what_it_leaves_out(tmp_path):
    done = subprocess.run(
        [sys.executable, "-m", "pytest", "tests/causes/test_parts.py", "--quick", "--collect-only"],
        cwd=ROOT, capture_output=True, text=True, check=True,
    )  # fmt: skip
    told = [line for line in done.stdout.splitlines() if "slow tests left out" in line]
    assert len(told) == 1
    assert int(told[0].split()[0]) > 0
