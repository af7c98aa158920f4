"""Kept pulses, read and proven, against the bare Parquet reader and against one pass of numpy over them."""

from __future__ import annotations

import hashlib
import time
from pathlib import Path

import numpy as np
import pyarrow.parquet as pq
import pytest
from benchmarks.floors import Table, best_s, cumsum_s, intervals

from indexhole.shelf.care.captures import read_pulses, store_capture
from indexhole.shelf.register.shelf import Shelf
from indexhole.signal.captures.capture import Capture

# other work on the machine must not count
pytestmark = pytest.mark.benchmark(timer=time.process_time)


def test_reading_kept_pulses(benchmark, table: Table, measuring: bool, tmp_path: Path) -> None:
    taken = intervals(4_000_000 if measuring else 20_000)
    shelf = Shelf.open(tmp_path / "shelf", create=True)
    capture = Capture("large", 1 / 24e6, np.cumsum(taken, dtype=np.int64), np.array([5_000_000]))
    record = store_capture(shelf, None, capture).record
    read = benchmark.pedantic(read_pulses, (shelf, record), rounds=5, warmup_rounds=1)
    assert read.read_ticks.size == taken.size
    if measuring:
        path = shelf.folder / record.parquet
        bare_s = best_s(lambda: pq.read_table(path).column("interval").to_numpy())
        took = benchmark.stats.stats.min
        table.add("kept pulses, read and proven: speed", taken.size / took / 1e6, "M/s")
        table.add("kept pulses, read and proven: time over the bare Parquet reader", took / bare_s, "x", most=4)
        table.add("kept pulses, read and proven: time over numpy adding them up", took / cumsum_s(taken), "x")
        hashed_s = best_s(lambda: hashlib.sha256(path.read_bytes()).digest())
        table.add("kept pulses: of that, hashing the file", hashed_s / took, "of it")
