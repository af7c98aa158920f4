"""Captures to files: value change dumps (IEEE 1364) and logger tables, as a logic logger would export them."""

from __future__ import annotations

import gzip
import io
import math
import os
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import numpy.typing as npt

from indexhole.errors import InputFault
from indexhole.signal.capture import Capture, LineTrace, Ticks

Levels = npt.NDArray[np.uint8]

# What a dump calls our lines when the caller does not say.
LINE_NAMES = {
    "read_data": "RDATA",
    "index": "INDEX",
    "step": "STEP",
    "direction": "DIR",
    "track_zero": "TRK00",
    "side": "SIDE1",
}
PULSE_LOW_S = 500e-9
INDEX_LOW_S = 2e-3
_TIMESCALES = ((1e-9, "1 ns"), (1e-10, "100 ps"), (1e-11, "10 ps"), (1e-12, "1 ps"))


@dataclass(frozen=True)
class _Changes:
    """All lines of a capture in order of time, one row per change; lines are numbered in order of `names`."""

    names: list[str]
    initial: list[int]
    times: Ticks
    line: npt.NDArray[np.int64]
    level: Levels


def _pulse_line(falls: Ticks, low: int) -> LineTrace:
    """A line that falls at each time and rises `low` later, or one unit before the next fall."""
    falls = np.unique(falls)
    falls = falls[np.concatenate((np.diff(falls) > 1, np.ones(min(1, falls.size), dtype=bool)))]
    rises = np.minimum(falls + low, np.concatenate((falls[1:] - 1, falls[-1:] + low)))
    both = np.stack((falls, rises), axis=1).ravel()
    return LineTrace(1, both, np.tile(np.array([0, 1], dtype=np.uint8), falls.size))


def _changes(capture: Capture, unit_s: float, names: Mapping[str, str]) -> _Changes:
    def in_units(ticks: Ticks) -> Ticks:
        scaled: Ticks = np.rint(ticks * (capture.tick_s / unit_s)).astype(np.int64)
        return scaled

    def low(seconds: float) -> int:
        return max(1, round(seconds / unit_s))

    traces = {
        "read_data": _pulse_line(in_units(capture.read_ticks), low(PULSE_LOW_S)),
        "index": _pulse_line(in_units(capture.index_ticks), low(INDEX_LOW_S)),
    }
    for name, line in capture.lines.items():
        traces[name] = LineTrace(line.initial, in_units(line.ticks), line.levels)
    times = np.concatenate([trace.ticks for trace in traces.values()])
    order = np.argsort(times, kind="stable")
    number = np.concatenate([np.full(trace.ticks.size, k) for k, trace in enumerate(traces.values())])
    level = np.concatenate([trace.levels for trace in traces.values()])
    return _Changes(
        [names.get(name, LINE_NAMES.get(name, name)) for name in traces],
        [trace.initial for trace in traces.values()],
        times[order],
        number[order],
        level[order],
    )


def _digits(values: Ticks, width: int) -> Levels:
    """ASCII digits of non-negative numbers, right-aligned with leading zeros: (n, width) uint8."""
    out = np.empty((values.size, width), dtype=np.uint8)
    rest = values.copy()
    for column in range(width - 1, -1, -1):
        rest, digit = np.divmod(rest, 10)
        out[:, column] = digit + ord("0")
    return out


def _timescale(tick_s: float) -> tuple[float, str]:
    """The coarsest unit in which a tick is a whole number, else nanoseconds."""
    for unit_s, text in _TIMESCALES:
        units = tick_s / unit_s
        if units >= 0.5 and math.isclose(units, round(units), rel_tol=1e-9):
            return unit_s, text
    return _TIMESCALES[0]


def vcd_bytes(capture: Capture, names: Mapping[str, str] | None = None) -> bytes:
    """A value change dump of a capture.

    Args:
        names: what the dump calls our lines (`read_data`, `index`, `step` ...); LINE_NAMES otherwise.
    """
    unit_s, unit = _timescale(capture.tick_s)
    changes = _changes(capture, unit_s, names or {})
    codes = bytes(range(ord("!"), ord("!") + len(changes.names)))
    head = ["$version indexhole $end", f"$timescale {unit} $end", "$scope module bench $end"]
    head += [f"$var wire 1 {chr(code)} {name} $end" for code, name in zip(codes, changes.names, strict=True)]
    head += ["$upscope $end", "$enddefinitions $end", "#0"]
    head += [f"{level}{chr(code)}" for code, level in zip(codes, changes.initial, strict=True)]
    # Rows are built as one matrix of bytes, "#" time newline level code newline, and what is not needed is
    # left out by a mask: a session holds millions of changes.
    width = len(str(int(changes.times[-1]))) if changes.times.size else 1
    rows = np.full((changes.times.size, width + 5), ord("\n"), dtype=np.uint8)
    rows[:, 0] = ord("#")
    rows[:, 1 : width + 1] = _digits(changes.times, width)
    rows[:, width + 2] = changes.level + ord("0")
    rows[:, width + 3] = np.frombuffer(codes, dtype=np.uint8)[changes.line]
    wanted = np.ones(rows.shape, dtype=bool)
    leading = np.cumsum(rows[:, 1:width] != ord("0"), axis=1) == 0
    wanted[:, 1:width] = ~leading
    again = np.concatenate((np.zeros(min(1, changes.times.size), dtype=bool), np.diff(changes.times) == 0))
    wanted[again, : width + 2] = False
    return ("\n".join(head) + "\n").encode() + rows[wanted].tobytes()


def csv_bytes(capture: Capture, names: Mapping[str, str] | None = None) -> bytes:
    """A logger table of a capture: time in seconds and the level of every line, one row per change."""
    changes = _changes(capture, 1e-9, names or {})
    last = np.concatenate((np.diff(changes.times) > 0, np.ones(min(1, changes.times.size), dtype=bool)))
    columns = []
    for number, initial in enumerate(changes.initial):
        mine = changes.line == number
        # index of this line's latest change at each row, then its level there
        latest = np.maximum.accumulate(np.where(mine, np.arange(mine.size), -1))
        level = np.where(latest >= 0, changes.level[latest], initial) if mine.size else changes.level
        columns.append(level[last].astype(np.uint8))
    times = changes.times[last]
    whole, part = np.divmod(times, 10**9)
    width = len(str(int(whole[-1]))) if times.size else 1
    text: list[Levels] = [_digits(whole, width), _letters(".", times.size), _digits(part, 9)]
    for column in columns:
        text += [_letters(",", times.size), column[:, None] + np.uint8(ord("0"))]
    text.append(_letters("\n", times.size))
    rows = np.concatenate(text, axis=1)
    wanted = np.ones(rows.shape, dtype=bool)
    wanted[:, : width - 1] = np.cumsum(rows[:, : width - 1] != ord("0"), axis=1) > 0
    head = ",".join(["time_s", *(name.lower() for name in changes.names)])
    first = ",".join(["0.000000000", *map(str, changes.initial)])
    return f"{head}\n{first}\n".encode() + rows[wanted].tobytes()


def _letters(letter: str, count: int) -> Levels:
    return np.full((count, 1), ord(letter), dtype=np.uint8)


_WRITERS = {".vcd": vcd_bytes, ".csv": csv_bytes}


def write_capture(path: Path, capture: Capture, names: Mapping[str, str] | None = None) -> None:
    """Write a capture as the ending says: .vcd or .csv, with .gz behind it compressed.

    The file appears whole or not at all. Raises InputFault for another ending or a place that cannot be
    written.
    """
    packed = path.suffix == ".gz"
    ending = (path.with_suffix("") if packed else path).suffix
    if ending not in _WRITERS:
        raise InputFault(
            f"cannot write {ending or 'a file without an ending'}", where=str(path), remedy="end it in .vcd or .csv"
        )
    data = _WRITERS[ending](capture, names)
    if packed:
        # no name and no time inside, so the same capture gives the same file
        buffer = io.BytesIO()
        with gzip.GzipFile(filename="", fileobj=buffer, mode="wb", compresslevel=6, mtime=0) as stream:
            stream.write(data)
        data = buffer.getvalue()
    part = path.with_name(f"{path.name}.part{os.getpid()}")
    try:
        part.write_bytes(data)
        part.replace(path)
    except OSError as fault:
        part.unlink(missing_ok=True)
        raise InputFault(f"cannot be written ({fault.strerror})", where=str(path), remedy="check the folder") from fault
