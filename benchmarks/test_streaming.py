"""Captures larger than memory: speed stay by stay, and the peak of processes that are given 4 GB through a pipe."""

from __future__ import annotations

import importlib.util
import json
import os
import struct
import subprocess
import sys
import threading
import time
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from benchmarks.floors import Table, best_s

from indexhole.model.simulator.simulate import format_track
from indexhole.model.simulator.waveform import Probe, probe_track
from indexhole.signal.dwells.flow import iter_dwells
from indexhole.signal.formats.peaks import PeakFinder
from indexhole.standards.layouts import load_layouts

# other work on the machine must not count
pytestmark = pytest.mark.benchmark(timer=time.process_time)

LONG_SESSION = Path(__file__).parents[1] / "tests" / "support" / "long_session.py"
spec = importlib.util.spec_from_file_location(
    "long_session", Path(__file__).parents[1] / "tests" / "support" / "long_session.py"
)
assert spec is not None and spec.loader is not None
long_session = importlib.util.module_from_spec(spec)
spec.loader.exec_module(long_session)

WAVE_HZ = 10e6
# The peak and the processor time of a process that reads and does nothing else. The peak is the kernel's account of
# this program alone (Linux): that of getrusage still holds what the parent had.
CHILD = """
import json, re, sys, time
from pathlib import Path
from indexhole.signal.dwells.flow import iter_dwells
flow = iter_dwells(Path(sys.argv[1]))
dwells = sum(1 for _ in flow)
peak = re.search(r"VmHWM:\\s+(\\d+) kB", Path("/proc/self/status").read_text())
print(json.dumps([dwells, flow.pulses, int(peak[1]) / 1024, time.process_time()]))
"""
# The same of a whole command. Everything it prints goes elsewhere, so that the last line is the measure.
COMMAND = """
import contextlib, io, json, re, sys, time
from pathlib import Path
from indexhole.cli.main import main
sys.argv = ["indexhole", *sys.argv[1:]]
told = io.StringIO()
code = 0
with contextlib.redirect_stdout(told):
    try:
        main()
    except SystemExit as end:
        code = end.code
peak = re.search(r"VmHWM:\\s+(\\d+) kB", Path("/proc/self/status").read_text())
print(json.dumps([code, told.getvalue(), int(peak[1]) / 1024, time.process_time()]))
"""


def dwells(path: Path) -> int:
    return sum(1 for _ in iter_dwells(path))


def through_a_pipe(folder: Path, name: str, parts: Iterable[bytes], *command: str) -> tuple[list[Any], int]:
    """What a process says that is given these bytes under a name, and how many they were."""
    pipe = folder / name
    os.mkfifo(pipe)
    sizes: list[int] = []

    def write() -> None:
        with pipe.open("wb") as stream:
            for part in parts:
                stream.write(part)
                sizes.append(len(part))

    writer = threading.Thread(target=write)
    writer.start()
    child = subprocess.run([sys.executable, "-c", *command, str(pipe)], capture_output=True, check=True)
    writer.join()
    return json.loads(child.stdout), sum(sizes)


def test_a_session_stay_by_stay(benchmark, table: Table, measuring: bool, tmp_path: Path) -> None:
    path = tmp_path / "session.vcd"
    path.write_bytes(b"".join(long_session.session(200_000_000 if measuring else 8_000_000)))
    found = benchmark.pedantic(dwells, (path,), rounds=5, warmup_rounds=1)
    assert found == path.stat().st_size // len(max(long_session.session(1), key=len))

    def count_newlines() -> int:
        with path.open("rb") as stream:
            return sum(part.count(b"\n") for part in iter(lambda: stream.read(1 << 19), b""))

    if measuring:
        took, size = benchmark.stats.stats.min, path.stat().st_size
        what = f"a session of {size / 1e6:.0f} MB stay by stay, hashed"
        table.add(f"{what}: speed", size / took / 1e6, "MB/s", least=500)
        table.add(f"{what}: time over reading and counting newlines", took / best_s(count_newlines), "x", most=4)


def test_a_session_larger_than_memory_may_be(table: Table, measuring: bool, tmp_path: Path) -> None:
    parts = long_session.session(4_100_000_000 if measuring else 8_000_000)
    (found, pulses, peak, took_s), size = through_a_pipe(tmp_path, "session.vcd", parts, CHILD)
    assert found > 1
    if measuring:
        what = f"a session of {size / 1e9:.1f} GB ({pulses / 1e6:.0f} M pulses, {found} stays) through a pipe"
        table.add(f"{what}: peak of the process", peak, "MiB", most=500 / 1.048576)
        table.add(f"{what}: speed", size / took_s / 1e6, "MB/s")


@pytest.mark.parametrize("verb", ["recover", "gauge"])
def test_a_disk_larger_than_memory_may_be(table: Table, measuring: bool, tmp_path: Path, verb: str) -> None:
    """A disk of 160 tracks, eleven turns each; of four and two to see that it still runs."""
    cylinders, turns = (80, 11) if measuring else (2, 2)
    parts = long_session.recorded(cylinders, turns)
    (code, told, peak, took_s), size = through_a_pipe(tmp_path, "disk.vcd", parts, COMMAND, verb, "--json")
    assert code == 0
    report = json.loads(told)
    assert report["layout"] == "90-dense-mfm-18x512"
    if verb == "recover":
        assert report["counts"]["sound"] == 36 * cylinders
        assert [(t["cylinder"], t["head"]) for t in report["tracks"]] == [(k // 2, k % 2) for k in range(2 * cylinders)]
    if measuring:
        what = f"indexhole {verb}, a dump of a disk of {size / 1e9:.1f} GB through a pipe"
        table.add(f"{what}: peak of the process", peak, "MiB", most=500 / 1.048576)
        table.add(f"{what}: processor time", took_s, "s")


def waveform() -> np.ndarray:
    """A turn of a head signal, 16 bits."""
    layout = load_layouts()["130-48-mfm-9x512"]
    rng = np.random.default_rng(1)
    track = format_track(layout, 20, 0, {n: rng.bytes(512) for n in range(1, 10)}, rng)
    taken = probe_track(track, rng, probe=Probe(WAVE_HZ), revolutions=1)
    return np.rint(taken.head * 8000).astype("<i2")


def sound(turn: np.ndarray, turns: int) -> Iterator[bytes]:
    """A sound file that goes on, its size left open."""
    form = struct.pack("<HHIIHH", 1, 1, int(WAVE_HZ), int(WAVE_HZ) * 2, 2, 16)
    yield b"RIFF\xff\xff\xff\xffWAVEfmt \x10\0\0\0" + form + b"data\xff\xff\xff\xff"
    for _ in range(turns):
        yield turn.tobytes()


def test_peaks_of_a_waveform(benchmark, table: Table, measuring: bool) -> None:
    turn = np.tile(waveform()[: 1 << 20], 8 if measuring else 1).astype(np.float32)

    def find() -> int:
        finder = PeakFinder(turn[: 1 << 20], WAVE_HZ)
        return sum(
            finder.feed(turn[k : k + (1 << 20)], last=k + (1 << 20) >= turn.size)[0].size
            for k in range(0, turn.size, 1 << 20)
        )

    found = benchmark.pedantic(find, rounds=5, warmup_rounds=1)
    assert found > 10_000
    if measuring:
        took = benchmark.stats.stats.min
        table.add("peaks of a waveform: speed", turn.size / took / 1e6, "M samples/s")
        table.add("peaks of a waveform at 10 MHz: speed over a drive's", turn.size / took / WAVE_HZ, "x")
        floor_s = best_s(lambda: np.cumsum(turn, dtype=np.float64))
        table.add("peaks of a waveform: time over numpy.cumsum", took / floor_s, "x")


def test_a_waveform_larger_than_memory_may_be(table: Table, measuring: bool, tmp_path: Path) -> None:
    turn = waveform()
    parts = sound(turn, 1_000_000_000 // turn.nbytes if measuring else 3)
    (found, pulses, peak, took_s), size = through_a_pipe(tmp_path, "head.wav", parts, CHILD)
    assert (found > 1) is measuring
    if measuring:
        what = f"a waveform of {size / 1e9:.1f} GB ({pulses / 1e6:.0f} M pulses) through a pipe"
        table.add(f"{what}: peak of the process", peak, "MiB", most=500 / 1.048576)
        table.add(f"{what}: speed", size / took_s / 1e6, "MB/s")
