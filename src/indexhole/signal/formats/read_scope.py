"""Tables of voltages, as an oscilloscope writes them, to edges.

Rows become samples at even steps by straight lines between them, so rows may be uneven. The first voltage is the
head signal and the second the index line, unless their names or the keeper say otherwise.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import numpy.typing as npt

from indexhole.errors import Do, InputFault
from indexhole.signal.captures.gather import EdgeSource
from indexhole.signal.captures.lines import match_channels
from indexhole.signal.formats.options import ByteStream, ReadOptions
from indexhole.signal.formats.sampled import checked_rate_hz, open_sampled
from indexhole.signal.formats.table import TableHead
from indexhole.signal.formats.table_rows import Rows, read_rows

# With more rows than this that share their time with the one before, times are no longer times.
_MOST_SHARED = 0.2
# Steps in a gap between two rows that straight lines may still bridge.
_LONGEST_GAP = 1000
# Mean of the same over many rows.
_SPARSEST = 50
_COARSE = "its times are too coarse to tell its rows apart"
_COARSE_REMEDY = ("export more digits", Do.GIVE_RATE)


def open_scope(stream: ByteStream, head: TableHead, name: str, options: ReadOptions) -> EdgeSource:
    """Begin to read a table of voltages.

    Raises:
        InputFault: times too coarse, a rate no disk can be read at; while reading, what `read_rows` raises, and
            a gap in the samples.
    """
    channels = match_channels(head.names[1:], options.lines, name)
    rows = read_rows(
        stream,
        head,
        [1 + position for position in channels.values()],
        name,
        whole_numbers=False,
        allow_cut=options.allow_cut,
    )
    columns = {line: column for column, line in enumerate(channels)}
    if options.sample_rate_hz is not None:
        rate_hz = checked_rate_hz(options.sample_rate_hz, name, "--sample-rate")
        return open_sampled((np.stack(batch.values, axis=1) for batch in rows), rate_hz, columns, name)
    step_s = _step_s(head, name)
    rate_hz = checked_rate_hz(1 / step_s, name, "--sample-rate")
    return open_sampled(_even(rows, step_s, name), rate_hz, columns, name)


def _step_s(head: TableHead, where: str) -> float:
    """Seconds from row to row, by the first rows: their mean when they are even, the usual step when not."""
    steps = np.diff(head.preview[:, 0]) * head.unit_s
    steps = steps[np.isfinite(steps)]
    if not steps.size or not np.count_nonzero(steps > 0) > (1 - _MOST_SHARED) * steps.size:
        raise InputFault(_COARSE, where=where, remedy=_COARSE_REMEDY)
    mean = float(steps.mean())
    return mean if np.abs(steps - mean).max() < 0.5 * mean else float(np.median(steps[steps > 0]))


def _even(rows: Iterator[Rows], step_s: float, where: str) -> Iterator[npt.NDArray[np.float64]]:
    """(samples, columns) at even steps from the first row on."""
    origin_s: float | None = None
    done = 0
    last_time = np.empty(0)
    last_values: list[npt.NDArray[np.float64]] = []
    for batch in rows:
        if not batch.time_s.size:
            continue
        if origin_s is None:
            origin_s = float(batch.time_s[0])
        steps = (np.concatenate((last_time, batch.time_s)) - origin_s) / step_s
        gaps = np.diff(steps)
        if gaps.size and gaps.max() > _LONGEST_GAP:
            row = batch.first + int(np.argmax(gaps)) + 1 - last_time.size
            raise InputFault(
                f"{gaps.max():.0f} samples are missing", where=f"{where} row {row}", remedy="export it in one piece"
            )
        if np.count_nonzero(gaps == 0) > _MOST_SHARED * max(gaps.size, 100):
            raise InputFault(_COARSE, where=f"{where} row {batch.first}", remedy=_COARSE_REMEDY)
        upto = int(np.floor(steps[-1])) + 1
        if upto - done > _LONGEST_GAP + _SPARSEST * batch.time_s.size:
            raise InputFault(
                f"from here on rows are {(upto - done) / batch.time_s.size:.0f} times as far apart as the first ones",
                where=f"{where} row {batch.first}",
                remedy="export it with even steps",
            )
        values = [np.asarray(v, dtype=np.float64) for v in batch.values]
        if last_values:
            values = [np.concatenate((before, v)) for before, v in zip(last_values, values, strict=True)]
        grid = np.arange(done, upto)
        yield np.stack([np.interp(grid, steps, v) for v in values], axis=1)
        done = max(done, upto)
        last_time, last_values = batch.time_s[-1:], [v[-1:] for v in values]
