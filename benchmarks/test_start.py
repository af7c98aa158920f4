"""How long a whole process of the command takes, from its start to its end, on little work."""

from __future__ import annotations

import os
import resource
import subprocess
import sys
import time
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pytest
from benchmarks.floors import Table

from indexhole.jobs.demo.shelf import demo_trials
from indexhole.jobs.demo.things import demo_records
from indexhole.model.simulator.simulate import Reader, format_track, read_track
from indexhole.shelf.register.shelf import Shelf
from indexhole.shelf.sheets.sheet import write_sheet
from indexhole.signal.formats.write_vcd import vcd_bytes
from indexhole.signal.simulated import capture_of
from indexhole.standards.layouts import load_layouts


@dataclass(frozen=True)
class Start:
    """A command, the seconds on the clock it may take on a quiet machine, and exit statuses that are no fault."""

    name: str
    arguments: tuple[str, ...]
    most_s: float
    good: tuple[int, ...] = (0,)


@dataclass(frozen=True)
class Took:
    """Seconds of one process: on the clock, and of the processor in its own code and the system's."""

    wall: float
    cpu: float


@pytest.fixture(scope="module")
def starts(tmp_path_factory: pytest.TempPathFactory) -> list[Start]:
    """The commands, on the things of the demonstration shelf, 30 of its trials, and one track of three turns."""
    folder = tmp_path_factory.mktemp("starts")
    shelf = Shelf.open(folder / "shelf", create=True)
    shelf.add_together(demo_records(), "the demonstration")
    trials = demo_trials()[:30]
    shelf.add_trials(trials)
    sheet, capture = folder / "trials.csv", folder / "track.vcd"
    write_sheet(trials, sheet)
    rng = np.random.default_rng(1)
    layout = load_layouts()["130-48-mfm-9x512"]
    data = {number: rng.bytes(512) for number in range(1, 10)}
    pulses = read_track(format_track(layout, 12, 0, data, rng), rng, Reader(), revolutions=3)
    capture.write_bytes(vcd_bytes(capture_of(pulses, "track")))
    layout_given = ("--layout", layout.id)
    on_shelf = ("--shelf", str(folder / "shelf"))
    return [
        Start("--help", ("--help",), 0.4),
        Start("recover, one track", ("recover", str(capture), *layout_given), 0.8, (0, 1)),
        Start("gauge, one track", ("gauge", str(capture), *layout_given), 0.8, (0, 1)),
        Start("causes, 30 trials", ("causes", str(sheet)), 1.2),
        Start("pair, one pairing", ("pair", "--disk", "K3", "--reader", "D2.0", *on_shelf), 1.0),
        Start("shelf list", ("shelf", "list", *on_shelf), 0.3),
    ]


def run(arguments: Sequence[str], good: tuple[int, ...] = (0,)) -> Took:
    """Run Python so; bytecode is kept as on a keeper's machine, whatever the environment of the tests says."""
    environment = {name: value for name, value in os.environ.items() if name != "PYTHONDONTWRITEBYTECODE"}
    before, begun = resource.getrusage(resource.RUSAGE_CHILDREN), time.perf_counter()
    done = subprocess.run([sys.executable, *arguments], check=False, capture_output=True, env=environment)
    wall, after = time.perf_counter() - begun, resource.getrusage(resource.RUSAGE_CHILDREN)
    assert done.returncode in good, done.stderr.decode(errors="replace")
    return Took(wall, after.ru_utime - before.ru_utime + after.ru_stime - before.ru_stime)


def best(arguments: Sequence[str], good: tuple[int, ...], rounds: int) -> Took:
    """The shortest of several goes, clock and processor each by itself: longer ones were disturbed."""
    took = [run(arguments, good) for _ in range(rounds)]
    return Took(min(t.wall for t in took), min(t.cpu for t in took))


def test_whole_processes(starts: list[Start], table: Table, measuring: bool) -> None:
    rounds = 5 if measuring else 1
    bare, floor = (best(("-c", line), (0,), rounds).cpu for line in ("pass", "import numpy"))
    for start in starts:
        if measuring:
            run(("-m", "indexhole", *start.arguments), start.good)
        took = best(("-m", "indexhole", *start.arguments), start.good, rounds)
        if measuring:
            table.add(f"{start.name}: a process of its own", took.wall, "s", most=start.most_s)
            table.add("... processor time", took.cpu, "s")
            table.add("... processor time over starting Python", took.cpu / bare, "x")
            table.add("... processor time over importing numpy", took.cpu / floor, "x")
