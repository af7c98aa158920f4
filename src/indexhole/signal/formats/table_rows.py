"""The rows of a table in batches of bounded size, with every bad cell told by row and column."""

from __future__ import annotations

import math
import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from indexhole.errors import Do, InputFault, Remedy
from indexhole.signal.formats.options import ByteStream
from indexhole.signal.formats.table import TableHead

_BLOCK_BYTES = 1 << 22
_READ_BYTES = 1 << 20
_LONGEST_LINE = 1 << 16
# Beyond this a float of seconds no longer holds single nanoseconds.
_LONGEST_S = 2.0**53 * 1e-9


@dataclass(frozen=True)
class Rows:
    """A batch of rows.

    Attributes:
        first: number of its first row in the file, from 1.
        time_s: (n,) rising or staying from row to row.
        values: an (n,) array a column asked for.
    """

    first: int
    time_s: npt.NDArray[np.float64]
    values: list[npt.NDArray[np.generic]]


class _Blocks:
    """The rows behind the head in blocks of whole lines: what was read ahead, then the rest of the stream.

    They are handed to the row parser one by one. Given the stream it would read ahead in a thread of its own, which
    outlives a fault and takes the whole program down with it.

    Attributes:
        ends_in_line: whether the file ends in the middle of a line; known at the end.
    """

    def __init__(self, ahead: bytes, stream: ByteStream, where: str, *, whole_lines: bool) -> None:
        self._begun = ahead
        self._stream = stream
        self._where = where
        self._whole_lines = whole_lines
        self.ends_in_line = False

    def __iter__(self) -> Iterator[bytes]:
        parts, size = [self._begun], len(self._begun)
        while more := self._stream.read(_READ_BYTES):
            if len(more) + size < _BLOCK_BYTES and b"\n" in more:
                parts.append(more)
                size += len(more)
                continue
            lines = b"".join((*parts, more))
            whole = lines.rfind(b"\n") + 1
            if len(lines) - whole > _LONGEST_LINE:
                raise InputFault(
                    f"a line of more than {_LONGEST_LINE} bytes", where=self._where, remedy="is this a table?"
                )
            if whole:
                yield lines[:whole]
            parts, size = [lines[whole:]], len(lines) - whole
        lines = b"".join(parts)
        whole = lines.rfind(b"\n") + 1
        self.ends_in_line = whole < len(lines)
        last = lines[:whole] if self._whole_lines else lines
        if last.strip():
            yield last


def read_rows(
    stream: ByteStream,
    head: TableHead,
    columns: Sequence[int],
    where: str,
    *,
    whole_numbers: bool,
    allow_cut: bool,
) -> Iterator[Rows]:
    """Read the time and some columns of every row.

    Args:
        columns: positions in `head.names`.
        whole_numbers: whether values are small whole numbers; a batch is then of int8, else of float64.
        allow_cut: leave out the last line when the file ends in the middle of it.

    Raises:
        InputFault: a cell that is missing, empty or no number, or time running backwards.
    """
    import pyarrow as pa
    import pyarrow.csv as pacsv

    # Names may be empty or, in columns nobody asked for, anything: columns go by number.
    named = [str(k) for k in range(len(head.names))]
    chosen = ["0", *(str(k) for k in columns)]
    types = {name: pa.int8() if whole_numbers and name != "0" else pa.float64() for name in chosen}
    row = head.skipped + 1
    last_s = -math.inf
    body = _Blocks(head.ahead, stream, where, whole_lines=allow_cut)
    for block in body:
        try:
            batch = pacsv.read_csv(
                pa.BufferReader(block),
                pacsv.ReadOptions(column_names=named, block_size=_BLOCK_BYTES, use_threads=False),
                pacsv.ParseOptions(delimiter=head.delimiter),
                pacsv.ConvertOptions(
                    column_types=types, include_columns=chosen, null_values=[""], decimal_point=head.decimal
                ),
            )
        except pa.ArrowInvalid as fault:
            raise InputFault(_plain(str(fault), head, row - 1), where=where, remedy=_remedy(body)) from fault
        table = [batch.column(k) for k in range(len(chosen))]
        for name, values in zip(chosen, table, strict=True):
            if values.null_count:
                empty = row + int(np.flatnonzero(values.is_null().to_numpy())[0])
                raise InputFault(
                    "an empty cell",
                    where=f"{where} row {empty} column {head.names[int(name)]}",
                    remedy=_remedy(body),
                )
        time_s = table[0].to_numpy() * head.unit_s
        _check_time(time_s, last_s, f"{where} row", row)
        last_s = float(time_s[-1]) if time_s.size else last_s
        yield Rows(row, time_s, [values.to_numpy() for values in table[1:]])
        row += time_s.size


def _remedy(body: _Blocks) -> Remedy:
    mend = "correct or remove the row"
    return (mend, Do.READ_IF_CUT) if body.ends_in_line else mend


def _check_time(time_s: npt.NDArray[np.float64], last_s: float, where: str, row: int) -> None:
    """Times must be finite, not too far out, and not run backwards."""
    odd = ~(np.abs(time_s) <= _LONGEST_S)
    if odd.any():
        raise InputFault(
            "a time that is not a plain number of seconds", where=f"{where} {row + int(np.flatnonzero(odd)[0])}"
        )
    back = np.flatnonzero(np.diff(time_s, prepend=max(last_s, -_LONGEST_S)) < 0)
    if back.size:
        raise InputFault("time runs backwards", where=f"{where} {row + int(back[0])}", remedy="export it again")


def _plain(message: str, head: TableHead, before: int) -> str:
    """The row parser's complaint with the column's name and the file's own row number, `before` rows being in front."""

    def row_of(found: re.Match[str]) -> str:
        return f"row {int(found.group(1)) + before}"

    message = re.sub(r"[Rr]ow #(\d+)", row_of, message.splitlines()[0])
    cell = re.search(r"column #(\d+): (row \d+)?:?\s*.*invalid value '(.*)'", message)
    if cell and cell.group(2):
        name = head.names[int(cell.group(1))]
        return f"{cell.group(2)} column {name}: {cell.group(3)[:40]!r} is not a number that fits"
    return message.replace("CSV parse error: ", "")[:200]
