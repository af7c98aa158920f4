"""The opening of a table of numbers: where its rows begin, what its columns are, how numbers are written in it.

Loggers and oscilloscopes put lines of their own in front of the rows (settings, names, a row of units), separate
cells by comma, semicolon or tab, and write a decimal point or, between semicolons or tabs, a decimal comma.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from indexhole.errors import InputFault
from indexhole.signal.formats.options import ByteStream

_AHEAD_BYTES = 1 << 16
_PREVIEW_ROWS = 1000
_UNIT_S = {"s": 1.0, "sec": 1.0, "second": 1.0, "seconds": 1.0, "ms": 1e-3, "ns": 1e-9}
_UNIT_S |= dict.fromkeys(("us", "\u00b5s", "\u03bcs"), 1e-6)
# Names of a time column: time, t or x, with a unit behind it or without.
_TIME_NAME = re.compile(rf"(?:time|t|x|x-axis)[\s_(\[/]*(?:in )?({'|'.join(_UNIT_S)})?[\s)\]]*")


@dataclass(frozen=True)
class TableHead:
    """What stands in front of the rows, and the first rows.

    Attributes:
        names: of the columns; the first is the time.
        unit_s: of the time.
        delimiter, decimal: between cells, and in numbers.
        skipped: lines in front of the first row.
        ahead: bytes read already, from the first row on.
        preview: (rows, columns) the first rows, NaN where a cell is no number.
    """

    names: tuple[str, ...]
    unit_s: float
    delimiter: str
    decimal: str
    skipped: int
    ahead: bytes
    preview: npt.NDArray[np.float64]


def _is_aside(line: str) -> bool:
    return not line.strip() or line.strip()[0] in ";#"


def _cells(line: str, delimiter: str) -> list[str]:
    return [cell.strip() for cell in line.replace('"', "").split(delimiter)]


def _delimiter(line: str) -> str:
    # Where there are others, a comma is a decimal comma.
    return next((d for d in ";\t" if d in line), ",")


def _decimal(line: str, delimiter: str) -> str:
    return "," if delimiter != "," and "," in line else "."


def _numbers(line: str, delimiter: str) -> list[float]:
    """The cells of a line as numbers, NaN for what is none."""
    numbers = []
    for cell in _cells(line.replace(_decimal(line, delimiter), "."), delimiter):
        try:
            numbers.append(float(cell))
        except ValueError:
            numbers.append(float("nan"))
    return numbers


def _is_row(line: str) -> bool:
    """Whether a line holds a time and values, and nothing but numbers."""
    if _is_aside(line):
        return False
    delimiter = _delimiter(line)
    numbers = _numbers(line.rstrip().rstrip(delimiter), delimiter)
    return len(numbers) > 1 and not np.isnan(numbers).any()


def _text_lines(head: bytes) -> list[str]:
    """Whole lines as text; line ends as the row reader takes them."""
    whole = head[: head.rfind(b"\n") + 1] or head
    try:
        text = whole.decode("utf-8-sig")
    except UnicodeDecodeError:
        text = whole.decode("latin-1")
    return [line.rstrip("\r") for line in text.removesuffix("\n").split("\n")]


def looks_like_table(head: bytes) -> bool:
    """Whether the first bytes are text with a header that begins with a time, or with a row of numbers."""
    if b"\0" in head or head.lstrip()[:1] == b"$":
        return False
    lines = [line for line in _text_lines(head) if not _is_aside(line)]
    if lines and re.match(r"""["']?\s*(time|t\b)""", lines[0].strip().lower()):
        return True
    return any(_is_row(line) for line in lines)


def _time_unit_s(name: str) -> float | None:
    """Unit of a time column of this name, None when it is no time."""
    # white space in one piece: the pattern could share a long stretch of it out in many ways
    found = _TIME_NAME.fullmatch(" ".join(name.lower().split()))
    return _UNIT_S[found.group(1) or "s"] if found else None


def _columns(lines: list[str], where: str) -> tuple[list[str], float, int]:
    """Names, unit of the time, number of the first row."""
    first = next((k for k, line in enumerate(lines) if _is_row(line)), len(lines))
    for k in range(first - 1, -1, -1):
        cells = _cells(lines[k], _delimiter(lines[k]))
        unit_s = None if _is_aside(lines[k]) or len(cells) < 2 else _time_unit_s(cells[0])
        if unit_s is not None:
            below = [j for j in range(k + 1, len(lines)) if not _is_aside(lines[j])]
            units = _units_row(lines[below[0]]) if below else None
            row = below[0] if below else len(lines)
            return (cells, unit_s, row) if units is None else (cells, units, row + 1)
    if first == len(lines):
        raise InputFault("no rows under a header", where=where, remedy="is the file cut short?")
    return _without_id(lines, first, where)


def _units_row(line: str) -> float | None:
    """Unit of the time by a row of units, in brackets or not, None when it is no such row."""
    return _UNIT_S.get(_cells(line, _delimiter(line))[0].strip("()[]").strip().lower())


def _without_id(lines: list[str], first: int, where: str) -> tuple[list[str], float, int]:
    """The same for rows without a time among their names: columns may go by number, but must not be mistaken."""
    delimiter = _delimiter(lines[first])
    width = len(_cells(lines[first], delimiter))
    numbered = ["time", *map(str, range(1, width))]
    if first == 0:
        return numbered, 1.0, first
    above = _cells(lines[first - 1], delimiter)
    units = _units_row(lines[first - 1])
    if units is not None:
        return numbered, units, first
    if len(above) == width and np.isnan(_numbers(lines[first - 1], delimiter)).all():
        raise InputFault(
            f"the first column is {above[0]!r}, not a time",
            where=where,
            remedy="name it time_s, time_ms, time_us or time_ns",
        )
    return numbered, 1.0, first


def read_head(stream: ByteStream, where: str) -> TableHead:
    """Read up to the first row.

    Raises:
        InputFault: no rows, no time column in front, two columns of one name.
    """
    ahead = stream.read(_AHEAD_BYTES)
    lines = _text_lines(ahead)
    names, unit_s, row = _columns(lines, where)
    named = [name for name in names if name]
    if len(named) < 2 or len(set(named)) != len(named):
        raise InputFault(
            "the header row needs a time column and a differently named column for each line",
            where=f"{where} row {row}",
        )
    if row >= len(lines) or not lines[row].strip():
        raise InputFault("no rows under a header", where=where, remedy="is the file cut short?")
    delimiter = _delimiter(lines[row])
    preview = np.full((min(_PREVIEW_ROWS, len(lines) - row), len(names)), np.nan)
    for k, line in enumerate(lines[row : row + _PREVIEW_ROWS]):
        numbers = _numbers(line, delimiter)[: len(names)]
        preview[k, : len(numbers)] = numbers
    body = ahead.split(b"\n", row)[row]
    return TableHead(tuple(names), unit_s, delimiter, _decimal(lines[row], delimiter), row, body, preview)
