"""Logic logger tables (one row a sample or a change, a time column and a column a line) to captures."""

from __future__ import annotations

import csv
import io
import math
import re
from collections.abc import Mapping
from typing import BinaryIO

import numpy as np
import pyarrow as pa
import pyarrow.csv as pacsv

from indexhole.errors import InputFault
from indexhole.signal.build import EdgeCollector
from indexhole.signal.capture import Capture
from indexhole.signal.lines import INDEX, READ_DATA, match_lines

_TICK_S = 1e-9
_BLOCK_BYTES = 1 << 23
# Beyond 2^53 ns a float of seconds no longer holds single nanoseconds.
_LONGEST_S = 2.0**53 * _TICK_S
_UNIT_S = {"s": 1.0, "ms": 1e-3, "us": 1e-6, "µs": 1e-6, "ns": 1e-9}


def looks_like_csv(head: bytes) -> bool:
    """Whether the first bytes hold a header row with a time column."""
    for line in head[:4096].decode("utf-8", "replace").lstrip("﻿").splitlines():
        if line.strip() and line[0] not in ";#":
            return re.match(r"""["']?\s*(time|t)\b|["']?\s*time""", line.strip().lower()) is not None
    return False


class _AfterPreamble(io.RawIOBase):
    """The rows behind the header: what was read ahead, then the rest of the stream."""

    def __init__(self, ahead: bytes, stream: BinaryIO) -> None:
        self._ahead = ahead
        self._stream = stream

    def readable(self) -> bool:
        return True

    def readinto(self, buffer) -> int:  # type: ignore[no-untyped-def]
        if self._ahead:
            part, self._ahead = self._ahead[: len(buffer)], self._ahead[len(buffer) :]
        else:
            part = self._stream.read(len(buffer))
        buffer[: len(part)] = part
        return len(part)


def _header(stream: BinaryIO, where: str) -> tuple[list[str], str, int, bytes]:
    """Column names, delimiter, number of lines used up, bytes read ahead."""
    ahead = stream.read(1 << 16)
    skipped = 0
    while True:
        line, found, rest = ahead.partition(b"\n")
        if not found:
            raise InputFault("no rows under a header", where=where, remedy="is the file cut short?")
        skipped += 1
        text = line.decode("utf-8", "replace").lstrip("﻿").strip()
        ahead = rest
        if text and text[0] not in ";#":
            break
    delimiter = max(",;\t", key=text.count)
    names = [name.strip() for name in next(csv.reader([text], delimiter=delimiter))]
    if len(names) < 2 or len(set(names)) != len(names):
        raise InputFault(
            "the header row needs a time column and a differently named column for each line",
            where=f"{where} row {skipped}",
        )
    return names, delimiter, skipped, ahead


def _time_unit_s(name: str, where: str) -> float:
    found = re.search(r"(?:^time|^t)[\s_(\[]*(s|ms|us|µs|ns)?[\s)\]]*$", name.strip().lower())
    if not found:
        raise InputFault(
            f"the first column is {name!r}, not a time",
            where=where,
            remedy="name it time_s, time_ms, time_us or time_ns",
        )
    return _UNIT_S[found.group(1) or "s"]


def read_csv(stream: BinaryIO, name: str, lines: Mapping[str, str], *, allow_cut: bool = False) -> Capture:
    """Read a table.

    The first column is the time (`time_s`, `time_us` ...), each further one the level (0 or 1) of a line.

    Raises:
        InputFault: no such header, a cell that is not a number, a level other than 0 and 1, time running
            backwards; with the row and the column.
    """
    names, delimiter, skipped, ahead = _header(stream, name)
    unit_s = _time_unit_s(names[0], name)
    wanted = match_lines(names[1:], lines, name)
    columns = [names[0], *(names[1 + position] for position in wanted.values())]
    types = {column: pa.float64() if column == names[0] else pa.int8() for column in columns}
    collector = EdgeCollector(list(wanted))
    levels: list[int | None] = [None] * len(wanted)
    row = skipped
    last_s = -math.inf
    try:
        batches = pacsv.open_csv(
            _AfterPreamble(ahead, stream),
            pacsv.ReadOptions(column_names=names, block_size=_BLOCK_BYTES, use_threads=False),
            pacsv.ParseOptions(delimiter=delimiter),
            pacsv.ConvertOptions(column_types=types, include_columns=columns, null_values=[""]),
        )
        for batch in batches:
            table = [batch.column(k) for k in range(len(columns))]
            for column, values in zip(columns, table, strict=True):
                if values.null_count:
                    empty = row + 1 + int(np.flatnonzero(values.is_null().to_numpy(zero_copy_only=False))[0])
                    raise InputFault("an empty cell", where=f"{name} row {empty} column {column}")
            time = table[0].to_numpy() * unit_s
            _check_time(time, last_s, f"{name} row", row)
            last_s = float(time[-1]) if time.size else last_s
            ticks = np.rint(time / _TICK_S).astype(np.int64)
            for line, values in enumerate(table[1:]):
                level = values.to_numpy()
                if not np.isin(level, (0, 1)).all():
                    odd = int(np.flatnonzero(~np.isin(level, (0, 1)))[0])
                    raise InputFault(
                        f"level {level[odd]} is neither 0 nor 1",
                        where=f"{name} row {row + 1 + odd} column {columns[1 + line]}",
                    )
                _collect(collector, line, list(wanted)[line], ticks, level.astype(np.uint8), levels)
            row += time.size
    except pa.ArrowInvalid as fault:
        raise InputFault(_plain(str(fault), names, skipped), where=name, remedy="correct or remove the row") from fault
    return collector.finish(name, _TICK_S)


def _check_time(time, last_s: float, where: str, row: int) -> None:  # type: ignore[no-untyped-def]
    """Times must be finite, not too far out, and not run backwards."""
    if not np.isfinite(time).all() or (time.size and np.abs(time).max() > _LONGEST_S):
        bad = int(np.flatnonzero(~np.isfinite(time) | (np.abs(time) > _LONGEST_S))[0])
        raise InputFault("a time that is not a plain number of seconds", where=f"{where} {row + 1 + bad}")
    back = np.flatnonzero(np.diff(time, prepend=max(last_s, -_LONGEST_S)) < 0)
    if back.size:
        raise InputFault("time runs backwards", where=f"{where} {row + 1 + int(back[0])}", remedy="export it again")


def _collect(collector, line: int, ours: str, ticks, level, levels: list[int | None]) -> None:  # type: ignore[no-untyped-def]
    """Hand over the changes of one line in one batch; `levels` carries its last level."""
    before = levels[line]
    previous = np.concatenate((np.array([2 if before is None else before], dtype=np.uint8), level[:-1]))
    levels[line] = int(level[-1]) if level.size else before
    changed = previous != level
    if ours in (READ_DATA, INDEX):
        changed &= (previous == 1) & (level == 0)
    collector.add(ticks[changed], (4 * line + level[changed]).astype(np.uint8))


def _plain(message: str, names: list[str], skipped: int) -> str:
    """The table reader's complaint with the file's own row number and the column's name."""

    def row_of(found: re.Match[str]) -> str:
        return f"row {int(found.group(1)) + skipped}"

    message = re.sub(r"[Rr]ow #(\d+)", row_of, message.splitlines()[0])
    cell = re.search(r"column #(\d+): (row \d+)?:?\s*.*invalid value '(.*)'", message)
    if cell and cell.group(2):
        return f"{cell.group(2)} column {names[int(cell.group(1))]}: {cell.group(3)[:40]!r} is not a number that fits"
    return message.replace("CSV parse error: ", "")[:200]
