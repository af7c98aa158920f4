"""The capture store: one Parquet file a capture, intervals as int32, everything else in its metadata.

Column `interval` holds ticks between read-data pulses (the first one from tick 0); the value 2^31 - 1 adds that
many ticks without a pulse. A capture of a waveform has a second column `strength`, uint8, the height of the pulse
(0 where there is none), and version 2; without it the version is 1. Index pulses and control lines are few and go
as JSON into the schema metadata under `indexhole`. Nothing is lost: times read back equal those written.

Parquet's page checksums find most damage. The digest of the pulses (`pulses_sha256`) and of all that is told with
them (`seal`) stands in the metadata and is compared on every read; files of version 0.1.0 have neither.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping
from pathlib import Path
from typing import Any, BinaryIO

import numpy as np
import numpy.typing as npt
import pyarrow as pa
import pyarrow.parquet as pq

from indexhole.errors import InputFault
from indexhole.signal.captures.capture import Capture, LineTrace, Ticks

_KEY = b"indexhole"
_VERSION, _VERSION_WITH_STRENGTH = 1, 2
_CARRY = np.iinfo(np.int32).max
# Few bytes can say very many equal intervals. No logger's pulses pack tighter than this, our own choice.
_MOST_ROWS, _MOST_ROWS_A_BYTE = 1 << 24, 64
# One row group a few revolutions long, so that a single turn can be read by itself.
_ROW_GROUP = 100_000
# what damage, or a file made to harm, ends in
_DAMAGED = (
    OSError, pa.ArrowException, LookupError, TypeError, ValueError, AttributeError, ArithmeticError, RecursionError,
    MemoryError,
)  # fmt: skip
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


def _smaller_encoding(table: pa.Table) -> dict[str, Any]:
    """Byte splitting or dictionary, whichever packs the first row group smaller: it depends on the clock."""
    part = table.slice(0, _ROW_GROUP)
    sizes = []
    for options in _ENCODINGS:
        sink = pa.BufferOutputStream()
        pq.write_table(part, sink, compression="zstd", compression_level=3, **options)
        sizes.append(sink.getvalue().size)
    return _ENCODINGS[int(np.argmin(sizes))]


def pulses_digest(capture: Capture) -> str:
    """SHA-256 of what a capture says: its clock, pulses, index, lines and heights, but no names.

    It is the same however the pulses are stored, so that pulses made anew from the original can be proven equal.
    """
    unit = _common_tick(capture)
    intervals = _intervals(capture.read_ticks // unit)
    return _digest(_told(capture, unit), intervals, _heights(capture, intervals))


def _digest(told: Mapping[str, Any], intervals: npt.NDArray[np.int32], heights: npt.NDArray[np.uint8] | None) -> str:
    said = {
        "tick_s": float(told["tick_s"]).hex(),
        "index": told["index"],
        "lines": sorted(told["lines"].items()),
        "intervals": intervals.size,
        "heights": heights is not None,
    }
    digest = hashlib.sha256(json.dumps(said, sort_keys=True).encode())
    digest.update(intervals.astype("<i4", copy=False).data)
    if heights is not None:
        digest.update(heights.data)
    return digest.hexdigest()


def _seal(told: Mapping[str, Any]) -> str:
    said = {name: value for name, value in told.items() if name != "seal"}
    return hashlib.sha256(json.dumps(said, sort_keys=True).encode()).hexdigest()


def _told(capture: Capture, unit: int) -> dict[str, Any]:
    return {
        "version": _VERSION if capture.strength is None else _VERSION_WITH_STRENGTH,
        "name": capture.name,
        "sha256": capture.sha256,
        "tick_s": capture.tick_s * unit,
        "index": (capture.index_ticks // unit).tolist(),
        "lines": {
            name: {
                "initial": int(line.initial),
                "ticks": (line.ticks // unit).tolist(),
                "levels": line.levels.tolist(),
            }
            for name, line in capture.lines.items()
        },
    }


def _heights(capture: Capture, intervals: npt.NDArray[np.int32]) -> npt.NDArray[np.uint8] | None:
    if capture.strength is None:
        return None
    heights = np.zeros(intervals.size, dtype=np.uint8)
    heights[intervals != _CARRY] = capture.strength
    return heights


def write_parquet(capture: Capture, place: Path | BinaryIO) -> str:
    """Write a capture to a new file, or to one that is open; returns the digest of its pulses.

    Raises:
        InputFault: times before zero.
        OSError: it cannot be written.
    """
    if capture.read_ticks.size and int(capture.read_ticks[0]) < 0:
        raise InputFault("a capture with times before zero", where=capture.name)
    unit = _common_tick(capture)
    intervals, told = _intervals(capture.read_ticks // unit), _told(capture, unit)
    heights = _heights(capture, intervals)
    told["pulses_sha256"] = _digest(told, intervals, heights)
    told["seal"] = _seal(told)
    columns = {"interval": pa.array(intervals)}
    if heights is not None:
        columns["strength"] = pa.array(heights)
    fields = [pa.field(name, column.type, nullable=False) for name, column in columns.items()]
    schema = pa.schema(fields, metadata={_KEY: json.dumps(told).encode()})
    table = pa.table(list(columns.values()), schema=schema)
    pq.write_table(
        table,
        place,
        compression="zstd",
        compression_level=3,
        row_group_size=_ROW_GROUP,
        write_page_checksum=True,
        **_smaller_encoding(table),
    )
    return str(told["pulses_sha256"])


def read_parquet(path: Path) -> Capture:
    """Read a stored capture back.

    Raises:
        InputFault: absent, damaged, or not written by this store.
    """
    try:
        content = path.read_bytes()
    except OSError as fault:
        raise _refused(path.name, fault.strerror or "no file") from fault
    return parse_parquet(content, path.name)


def parse_parquet(content: bytes, where: str, *, proven: bool = False) -> Capture:
    """The same from the file's bytes; `where` names it in faults.

    Args:
        proven: the bytes are known to be those that were written, so the digest of the pulses is not reckoned again.
    """
    try:
        held = pq.ParquetFile(pa.BufferReader(content), page_checksum_verification=True)
        rows = held.metadata.num_rows
        if not 0 <= rows <= max(_MOST_ROWS, _MOST_ROWS_A_BYTE * len(content)):
            raise _refused(where, f"it claims {rows} intervals")
        told = json.loads((held.schema_arrow.metadata or {})[_KEY])
        if told["version"] not in (_VERSION, _VERSION_WITH_STRENGTH):
            raise InputFault(f"store version {told['version']}", where=where, remedy="use a newer Indexhole")
        if "seal" in told and _seal(told) != told["seal"]:
            raise _refused(where, "what it tells has changed")
        wanted = {"interval": pa.int32()}
        if told["version"] == _VERSION_WITH_STRENGTH:
            wanted["strength"] = pa.uint8()
        if {field.name: field.type for field in held.schema_arrow} != wanted:
            raise _refused(where, "other columns")
        table = held.read(list(wanted))
        intervals = table.column("interval").to_numpy()
        heights = table.column("strength").to_numpy() if "strength" in wanted else None
        if not proven and "seal" in told and _digest(told, intervals, heights) != told["pulses_sha256"]:
            raise _refused(where, "the pulses have changed")
        lines = {
            name: LineTrace(
                int(line["initial"]),
                np.array(line["ticks"], dtype=np.int64),
                np.array(line["levels"], dtype=np.uint8),
            )
            for name, line in told["lines"].items()
        }
        strength = None if heights is None else heights[intervals != _CARRY]
        index = np.array(told["index"], dtype=np.int64)
        return Capture(
            str(told["name"]), float(told["tick_s"]), _ticks(intervals), index, lines, str(told["sha256"]), strength
        )
    except _DAMAGED as fault:
        raise _refused(where, type(fault).__name__) from fault


def _refused(where: str, why: str) -> InputFault:
    return InputFault(f"not a stored capture ({why})", where=where, remedy="store the original file again")
