"""The capture store keeps every event time, and refuses what it did not write."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from indexhole.errors import InputFault
from indexhole.signal.captures.capture import Capture, LineTrace
from indexhole.signal.store import read_parquet, write_parquet

gaps = st.one_of(st.integers(0, 5000), st.integers(0, 2**33), st.just(2**31 - 1), st.just(2**32 - 2))


@st.composite
def captures(draw: st.DrawFn) -> Capture:
    unit = draw(st.sampled_from([1, 625, 1000]))
    times = np.cumsum(np.array(draw(st.lists(gaps, min_size=1, max_size=60)), dtype=np.int64)) * unit
    index = np.sort(np.array(draw(st.lists(st.integers(0, 2**40), max_size=5)), dtype=np.int64)) * unit
    levels = np.array(draw(st.lists(st.integers(0, 1), max_size=5)), dtype=np.uint8)
    line = LineTrace(draw(st.integers(0, 1)), np.arange(levels.size, dtype=np.int64) * unit, levels)
    heights = np.arange(times.size, dtype=np.uint8) if draw(st.booleans()) else None
    return Capture("drawn é", 1e-10, times, index, {"step": line}, "ab" * 32, heights)


@given(captures())
@settings(max_examples=80)
def test_stored_then_read_is_the_same(tmp_path_factory: pytest.TempPathFactory, capture: Capture) -> None:
    path = tmp_path_factory.mktemp("store") / "x.parquet"
    write_parquet(capture, path)
    back = read_parquet(path)
    scale = round(back.tick_s / capture.tick_s)
    assert (back.read_ticks * scale).tolist() == capture.read_ticks.tolist()
    assert (back.index_ticks * scale).tolist() == capture.index_ticks.tolist()
    assert (back.lines["step"].ticks * scale).tolist() == capture.lines["step"].ticks.tolist()
    assert back.lines["step"].levels.tolist() == capture.lines["step"].levels.tolist()
    assert (back.name, back.sha256) == (capture.name, capture.sha256)
    assert np.array_equal(back.strength, capture.strength)
    assert [p.name for p in path.parent.iterdir()] == ["x.parquet"]


def test_the_file_is_small_and_readable_by_others(tmp_path: Path) -> None:
    rng = np.random.default_rng(5)
    times = np.cumsum(np.rint(rng.choice([2, 3, 4], size=300_000) * 48 + rng.normal(0, 2, 300_000))).astype(np.int64)
    path = tmp_path / "x.parquet"
    write_parquet(Capture("x", 1 / 24e6, times, times[:3]), path)
    assert path.stat().st_size < 0.9 * times.size
    assert pq.read_schema(path).field("interval").type == pa.int32()
    assert np.cumsum(pq.read_table(path)["interval"].to_numpy()).tolist() == times.tolist()


def test_heights_are_a_second_column_and_a_second_version(tmp_path: Path) -> None:
    """So that a program that does not know of them says so, and files without them stay as they were."""
    times = np.array([5, 9, 2**31 + 20, 2**31 + 24], dtype=np.int64)
    plain, high = tmp_path / "plain.parquet", tmp_path / "high.parquet"
    write_parquet(Capture("x", 1e-9, times, times[:1]), plain)
    write_parquet(Capture("x", 1e-9, times, times[:1], strength=np.array([128, 0, 255, 7], dtype=np.uint8)), high)
    assert pq.read_schema(plain).names == ["interval"]
    assert json.loads(pq.read_schema(plain).metadata[b"indexhole"])["version"] == 1
    assert json.loads(pq.read_schema(high).metadata[b"indexhole"])["version"] == 2
    table = pq.read_table(high)
    assert table["interval"].to_pylist() == [5, 4, 2**31 - 1, 12, 4]
    assert table["strength"].to_pylist() == [128, 0, 0, 255, 7]


def test_a_newer_version_is_told(tmp_path: Path) -> None:
    path = tmp_path / "x.parquet"
    write_parquet(Capture("x", 1e-9, np.arange(20, dtype=np.int64), np.arange(2, dtype=np.int64)), path)
    table = pq.read_table(path)
    told = json.loads(table.schema.metadata[b"indexhole"]) | {"version": 3}
    pq.write_table(table.replace_schema_metadata({b"indexhole": json.dumps(told).encode()}), path)
    with pytest.raises(InputFault, match="store version 3; use a newer Indexhole"):
        read_parquet(path)


def test_what_the_store_did_not_write_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "x.parquet"
    with pytest.raises(InputFault, match="not a stored capture"):
        read_parquet(path)
    path.write_bytes(b"PAR1 nonsense PAR1")
    with pytest.raises(InputFault, match="not a stored capture"):
        read_parquet(path)
    pq.write_table(pa.table({"interval": pa.array([1, 2], type=pa.int32())}), path)
    with pytest.raises(InputFault, match="not a stored capture"):
        read_parquet(path)


def test_a_folder_that_is_not_there_leaves_nothing(tmp_path: Path) -> None:
    with pytest.raises(OSError, match="No such file"):
        write_parquet(
            Capture("x", 1e-9, np.arange(20, dtype=np.int64), np.arange(2, dtype=np.int64)), tmp_path / "no" / "x"
        )
    assert not list(tmp_path.iterdir())
