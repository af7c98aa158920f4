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
from indexhole.signal.captures.capture import Capture, LineTrace, Ticks

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
_BLOCK_ROWS = 1 << 18
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
    falls = falls[np.diff(falls, append=np.iinfo(np.int64).max) > 1]
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


def _digits(values: Ticks) -> tuple[Levels, npt.NDArray[np.bool_]]:
    """ASCII digits of non-negative numbers, right-aligned, and which of them are not leading zeros: (n, width)."""
    width = len(str(int(values.max()))) if values.size else 1
    out = np.empty((values.size, width), dtype=np.uint8)
    rest = values.copy()
    for column in range(width - 1, -1, -1):
        rest, digit = np.divmod(rest, 10)
        out[:, column] = digit + ord("0")
    count = np.searchsorted(10 ** np.arange(1, width, dtype=np.int64), values, side="right") + 1
    return out, np.arange(width) >= width - count[:, None]


def _letters(text: str, count: int) -> Levels:
    return np.tile(np.frombuffer(text.encode(), dtype=np.uint8), (count, 1))


def _joined(columns: list[tuple[Levels, npt.NDArray[np.bool_]]]) -> bytes:
    """Rows of text from columns of bytes and what of each is wanted."""
    text: Levels = np.concatenate([c for c, _ in columns], axis=1)
    chosen: Levels = text[np.concatenate([w for _, w in columns], axis=1)]
    return chosen.tobytes()


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
    parts = [("\n".join(head) + "\n").encode()]
    new_time = np.diff(changes.times, prepend=-1) != 0
    id_codes = np.frombuffer(codes, dtype=np.uint8)
    for rows in _blocks(changes.times.size):
        fresh = new_time[rows][:, None]
        digits, wanted = _digits(changes.times[rows])
        level = changes.level[rows][:, None] + np.uint8(ord("0"))
        code = id_codes[changes.line[rows]][:, None]
        hash_sign, newline = _letters("#", level.size), _letters("\n", level.size)
        always = np.ones_like(fresh)
        parts.append(
            _joined(
                [
                    (hash_sign, fresh),
                    (digits, wanted & fresh),
                    (newline, fresh),
                    (level, always),
                    (code, always),
                    (newline, always),
                ]
            )
        )
    return b"".join(parts)


def _blocks(count: int) -> list[slice]:
    """Slices that cover `count` rows: a session holds millions, and their text is built as matrices of bytes."""
    return [slice(start, start + _BLOCK_ROWS) for start in range(0, count, _BLOCK_ROWS)]


def csv_bytes(capture: Capture, names: Mapping[str, str] | None = None) -> bytes:
    """A logger table of a capture: time in seconds and the level of every line, one row per change."""
    changes = _changes(capture, 1e-9, names or {})
    last = np.diff(changes.times, append=np.iinfo(np.int64).max) > 0
    columns = []
    for number, initial in enumerate(changes.initial):
        # index of this line's latest change at each row, then its level there
        latest = np.maximum.accumulate(np.where(changes.line == number, np.arange(last.size), -1))
        level = np.where(latest >= 0, changes.level[latest], initial) if last.size else changes.level
        columns.append(level[last].astype(np.uint8))
    times = changes.times[last]
    head = ",".join(["time_s", *(name.lower() for name in changes.names)])
    parts = [f"{head}\n{','.join(['0.000000000', *map(str, changes.initial)])}\n".encode()]
    for rows in _blocks(times.size):
        whole, part = np.divmod(times[rows], 10**9)
        # the one before the nine digits of the part is a place-holder for the point
        point_and_part, _ = _digits(part + 10**9)
        point_and_part[:, 0] = ord(".")
        text: list[Levels] = [point_and_part]
        for column in columns:
            text += [_letters(",", whole.size), column[rows][:, None] + np.uint8(ord("0"))]
        rest = np.concatenate([*text, _letters("\n", whole.size)], axis=1)
        parts.append(_joined([_digits(whole), (rest, np.ones(rest.shape, dtype=bool))]))
    return b"".join(parts)


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
