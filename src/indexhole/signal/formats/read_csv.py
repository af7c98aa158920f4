"""Tables to edges: of levels, by a logic logger, or of voltages, by an oscilloscope; the values tell which."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np
import numpy.typing as npt

from indexhole.errors import InputFault
from indexhole.signal.captures.gather import NO_TICKS, Edges, EdgeSource, control_lines, edges_by_line
from indexhole.signal.captures.lines import READ_DATA, match_lines, named_lines
from indexhole.signal.formats.options import ByteStream, ReadOptions
from indexhole.signal.formats.read_scope import open_scope
from indexhole.signal.formats.table import TableHead, read_head
from indexhole.signal.formats.table_rows import Rows, read_rows

_TICK_S = 1e-9
# A logic line has two levels; a converter that counts in whole numbers soon shows more than this.
_MOST_LEVELS = 4
_UNKNOWN = 2


def open_csv(stream: ByteStream, name: str, options: ReadOptions) -> EdgeSource:
    """Begin to read a table.

    The first column is the time (`time_s`, `time_us` ...), each further one the level (0 or 1) or the voltage of
    a line.

    Raises:
        InputFault: no such header or no such line; while reading: a cell that is not a number, a level other
            than 0 and 1, time running backwards; with the row and the column.
    """
    head = read_head(stream, name)
    if _holds_voltages(head, options, name):
        return open_scope(stream, head, name, options)
    wanted = match_lines(head.names[1:], options.lines, name)
    columns = [1 + position for position in wanted.values()]
    first_levels = head.ahead.split(b"\n", 1)[0].split(head.delimiter.encode(), 1)[-1]
    whole_numbers = head.decimal.encode() not in first_levels.replace(head.delimiter.encode(), b" ")
    rows = read_rows(stream, head, columns, name, whole_numbers=whole_numbers, allow_cut=options.allow_cut)
    return EdgeSource(_TICK_S, control_lines(list(wanted)), _edges(rows, list(wanted), columns, head, name))


def _holds_voltages(head: TableHead, options: ReadOptions, where: str) -> bool:
    """Whether the read-data column, or any while it is not known which one it is, holds more than levels."""
    named = named_lines(head.names[1:], options.lines, where)
    columns = head.preview[:, 1 + named[READ_DATA]][:, None] if READ_DATA in named else head.preview[:, 1:]
    for column in columns.T:
        values = np.unique(column[np.isfinite(column)])
        if values.size > _MOST_LEVELS or not np.array_equal(values, np.rint(values)):
            return True
    return False


def _edges(
    rows: Iterator[Rows], names: list[str], columns: Sequence[int], head: TableHead, where: str
) -> Iterator[Edges]:
    keep_all = [ours in control_lines(names) for ours in names]
    levels = np.full(len(names), _UNKNOWN, dtype=np.uint8)
    origin_s = 0.0
    for number, batch in enumerate(rows):
        if number == 0 and batch.time_s.size:
            # Some loggers count from their trigger; a log begins at zero.
            origin_s = min(0.0, float(batch.time_s[0]))
        ticks = np.rint((batch.time_s - origin_s) / _TICK_S).astype(np.int64)
        found: list[tuple[npt.NDArray[np.int64], npt.NDArray[np.uint8]]] = [(NO_TICKS, np.empty(0, dtype=np.uint8))]
        for line, values in enumerate(batch.values):
            odd = ~np.isin(values, (0, 1))
            if odd.any():
                at = int(np.flatnonzero(odd)[0])
                raise InputFault(
                    f"level {values[at]} is neither 0 nor 1",
                    where=f"{where} row {batch.first + at} column {head.names[columns[line]]}",
                )
            level = values.astype(np.uint8)
            before = np.concatenate((levels[line : line + 1], level[:-1]))
            changed = before != level if keep_all[line] else (before == 1) & (level == 0)
            levels[line] = level[-1] if level.size else levels[line]
            found.append((ticks[changed], (4 * line + level[changed]).astype(np.uint8)))
        until = int(ticks[-1]) if ticks.size else 0
        yield edges_by_line(names, np.concatenate([t for t, _ in found]), np.concatenate([w for _, w in found]), until)
