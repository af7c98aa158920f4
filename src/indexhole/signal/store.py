"""The capture store: one Parquet file a capture, intervals as int32, everything else in its metadata.

Column `interval` holds ticks between read-data pulses (the first one from tick 0); the value 2^31 - 1 adds that
many ticks without a pulse. A capture of a waveform has a second column `strength`, uint8, the height of the pulse
(0 where there is none), and version 2; without it the version is 1. Index pulses and control lines are few and go
as JSON into the schema metadata under `indexhole`. Nothing is lost: times read back equal those written.
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import pyarrow as pa
import pyarrow.parquet as pq

from indexhole.errors import InputFault
from indexhole.signal.capture import Capture, LineTrace, Ticks

_KEY = b"indexhole"
_VERSION, _VERSION_WITH_STRENGTH = 1, 2
_CARRY = np.iinfo(np.int32).max
# what reading and taking apart a file that another wrote, or nobody, leads to
_DAMAGED = (
    OSError, pa.ArrowException, LookupError, TypeError, ValueError, AttributeError, ArithmeticError, RecursionError
)  # fmt: skip
# One row group a few revolutions long, so that a single turn can be read by itself.
_ROW_GROUP = 100_000
_ENCODINGS: tuple[dict[str, Any], ...] = (
    {"use_dictionary": False, "column_encoding": {"interval": "BYTE_STREAM_SPLIT"}},
    {"use_dictionary": True},
)


def _common_tick(capture: Capture) -> int:
    """Largest number of ticks that all event times are multiples of."""
    times = [capture.read_ticks, capture.index_ticks, *(line.ticks for line in capture.lines.values())]
    return max(1, int(np.gcd.reduce([int(np.gcd.reduce(t)) for t in times if t.size] or [1])))


def _intervals(ticks: Ticks) -> npt.NDArray[np.int32]:
    gaps = np.diff(ticks, prepend=np.int64(0))
    if gaps.size and gaps.max() >= _CARRY:
        carries = gaps // _CARRY
        whole = np.full(int(carries.sum()) + gaps.size, _CARRY, dtype=np.int64)
        whole[np.cumsum(carries + 1) - 1] = gaps % _CARRY
        gaps = whole
    return gaps.astype(np.int32)


def _ticks(intervals: npt.NDArray[np.int32]) -> Ticks:
    times = np.cumsum(intervals, dtype=np.int64)
    pulses: Ticks = times[intervals != _CARRY]
    return pulses


def _write(table: pa.Table, path: Path, options: dict[str, Any]) -> None:
    pq.write_table(table, path, compression="zstd", compression_level=3, row_group_size=_ROW_GROUP, **options)


def _smaller_encoding(table: pa.Table) -> dict[str, Any]:
    """Byte splitting or dictionary, whichever packs the first row group smaller: it depends on the clock."""
    part = table.slice(0, _ROW_GROUP)
    sizes = []
    for options in _ENCODINGS:
        sink = pa.BufferOutputStream()
        pq.write_table(part, sink, compression="zstd", compression_level=3, **options)
        sizes.append(sink.getvalue().size)
    return _ENCODINGS[int(np.argmin(sizes))]


def write_parquet(capture: Capture, path: Path) -> None:
    """Write a capture; the file appears whole or not at all.

    Raises:
        OSError: the folder cannot be written.
    """
    if capture.read_ticks.size and int(capture.read_ticks[0]) < 0:
        raise InputFault("a capture with times before zero", where=capture.name)
    unit = _common_tick(capture)
    told = {
        "version": _VERSION if capture.strength is None else _VERSION_WITH_STRENGTH,
        "name": capture.name,
        "sha256": capture.sha256,
        "tick_s": capture.tick_s * unit,
        "index": (capture.index_ticks // unit).tolist(),
        "lines": {
            name: {"initial": line.initial, "ticks": (line.ticks // unit).tolist(), "levels": line.levels.tolist()}
            for name, line in capture.lines.items()
        },
    }
    intervals = _intervals(capture.read_ticks // unit)
    columns = {"interval": pa.array(intervals)}
    if capture.strength is not None:
        strength = np.zeros(intervals.size, dtype=np.uint8)
        strength[intervals != _CARRY] = capture.strength
        columns["strength"] = pa.array(strength)
    fields = [pa.field(name, column.type, nullable=False) for name, column in columns.items()]
    schema = pa.schema(fields, metadata={_KEY: json.dumps(told).encode()})
    table = pa.table(list(columns.values()), schema=schema)
    partial = path.with_name(path.name + ".partial")
    try:
        _write(table, partial, _smaller_encoding(table))
        partial.replace(path)
    finally:
        partial.unlink(missing_ok=True)


def read_parquet(path: Path) -> Capture:
    """Read a stored capture back.

    Raises:
        InputFault: absent, damaged, or not written by this store.
    """
    try:
        table = pq.read_table(path)
        told = json.loads(table.schema.metadata[_KEY])
        if told["version"] not in (_VERSION, _VERSION_WITH_STRENGTH):
            raise InputFault(f"store version {told['version']}", where=path.name, remedy="use a newer Indexhole")
        lines = {
            name: LineTrace(
                int(line["initial"]),
                np.array(line["ticks"], dtype=np.int64),
                np.array(line["levels"], dtype=np.uint8),
            )
            for name, line in told["lines"].items()
        }
        intervals = table.column("interval").to_numpy().astype(np.int32, copy=False)
        strength = None
        if told["version"] == _VERSION_WITH_STRENGTH:
            strength = table.column("strength").to_numpy().astype(np.uint8)[intervals != _CARRY]
        index = np.array(told["index"], dtype=np.int64)
        return Capture(told["name"], float(told["tick_s"]), _ticks(intervals), index, lines, told["sha256"], strength)
    except _DAMAGED as fault:
        raise InputFault(
            f"not a stored capture ({type(fault).__name__})", where=path.name, remedy="store the original file again"
        ) from fault
