"""Reading a large value change dump, against another tokenizer and against merely counting its lines."""

from __future__ import annotations

import io
import re
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import pytest
from benchmarks.floors import Table, best_s, intervals
from vcd.reader import tokenize

from indexhole.signal.captures.capture import Capture
from indexhole.signal.formats.readers import read_capture
from indexhole.signal.formats.write_vcd import write_capture

# other work on the machine must not count
pytestmark = pytest.mark.benchmark(timer=time.process_time)

SLICE_BYTES = 1_000_000


@pytest.fixture(scope="module")
def dump(measuring: bool, tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, int]:
    """A dump of about 60 MB (small in a smoke run), and how many pulses it holds."""
    taken = intervals(2_400_000 if measuring else 20_000)
    path = tmp_path_factory.mktemp("dump") / "large.vcd"
    write_capture(path, Capture("large", 1 / 24e6, np.cumsum(taken, dtype=np.int64), np.array([5_000_000])))
    return path, taken.size


def test_reading_a_dump(benchmark, table: Table, measuring: bool, dump: tuple[Path, int]) -> None:
    path, pulses = dump
    capture = benchmark.pedantic(read_capture, (path,), rounds=5, warmup_rounds=1)
    assert capture.read_ticks.size == pulses
    if measuring:
        took, size = benchmark.stats.stats.min, path.stat().st_size
        part = path.read_bytes()[:SLICE_BYTES]
        part = part[: part.rindex(b"\n") + 1]
        other_s = best_s(lambda: sum(1 for _ in tokenize(io.BytesIO(part))), 3) * size / len(part)
        count_s = best_s(lambda: path.read_bytes().count(b"\n"))
        what = f"reading a dump of {size / 1e6:.0f} MB"
        table.add(f"{what}: speed", size / took / 1e6, "MB/s", least=500)
        table.add(f"{what}: speed over pyvcd's tokenizer", other_s / took, "x", least=200)
        table.add(f"{what}: time over reading and counting newlines", took / count_s, "x", most=4)


def test_memory_of_reading_a_dump(table: Table, measuring: bool, dump: tuple[Path, int]) -> None:
    path, pulses = dump
    # the peak of a process of its own, from the kernel's account of it (Linux)
    read = (
        "import sys, pathlib, indexhole.signal.formats.readers as r; r.read_capture(pathlib.Path(sys.argv[1]));"
        "print(pathlib.Path('/proc/self/status').read_text())"
    )
    told = subprocess.run([sys.executable, "-c", read, str(path)], check=True, capture_output=True, text=True).stdout
    peak = re.search(r"VmHWM:\s+(\d+) kB", told)
    assert peak is not None
    if measuring:
        table.add(f"memory to read that dump ({pulses / 1e6:.1f} M pulses), whole process", int(peak[1]) / 1024, "MiB")
