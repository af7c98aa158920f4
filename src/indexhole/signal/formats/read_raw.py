"""Raw logic samples: one byte a sample, a bit a line, nothing else in the file.

Such a file says nothing of itself, so the keeper gives the rate (`--raw HZ`) and the bit of each line
(`--line read_data=0`).
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import numpy.typing as npt

from indexhole.signal.captures.gather import Edges, EdgeSource, control_lines, edges_by_line
from indexhole.signal.captures.lines import match_lines
from indexhole.signal.formats.options import ByteStream, ReadOptions
from indexhole.signal.formats.sampled import checked_rate_hz

_BLOCK_BYTES = 1 << 20
_BITS = [str(bit) for bit in range(8)]


def open_raw(stream: ByteStream, name: str, options: ReadOptions) -> EdgeSource:
    """Begin to read raw samples; a tick is a sample.

    Raises:
        InputFault: a rate no disk can be read at, no bit for the read-data line.
    """
    rate_hz = checked_rate_hz(options.raw_hz or 0.0, name, "--raw")
    wanted = match_lines(_BITS, options.lines, name)
    return EdgeSource(1 / rate_hz, control_lines(list(wanted)), _edges(stream, list(wanted), list(wanted.values())))


def _edges(stream: ByteStream, names: list[str], bits: list[int]) -> Iterator[Edges]:
    keep_all = [name in control_lines(names) for name in names]
    mask = np.uint8(sum(1 << bit for bit in set(bits)))
    before: npt.NDArray[np.uint8] | None = None
    offset = 0
    while block := stream.read(_BLOCK_BYTES):
        samples = np.frombuffer(block, dtype=np.uint8) & mask
        opening = before is None
        before = samples[:1] if before is None else before
        prior = np.concatenate((before, samples[:-1]))
        changed = samples ^ prior
        at = np.flatnonzero(changed)
        ticks: list[npt.NDArray[np.int64]] = []
        what: list[npt.NDArray[np.uint8]] = []
        for line, bit in enumerate(bits):
            level = (samples[at] >> bit) & 1
            kept = (changed[at] >> bit) & 1 == 1
            if keep_all[line] and opening:
                # the level the line opens with
                ticks.append(np.zeros(1, dtype=np.int64))
                what.append(np.array([4 * line + ((int(samples[0]) >> bit) & 1)], dtype=np.uint8))
            if not keep_all[line]:
                kept &= level == 0
            ticks.append(offset + at[kept])
            what.append((4 * line + level[kept]).astype(np.uint8))
        before = samples[-1:]
        offset += samples.size
        yield edges_by_line(names, np.concatenate(ticks), np.concatenate(what), offset)
