"""NumPy array files that hold a waveform: 1-D, or 2-D with a channel a column or a row.

Channel 0 is the head signal, channel 1, when there is one, the index line; `--line` chooses others. The header is
read as text, never evaluated, and only plain numbers are taken: there is nothing in such a file that could run.
(Format: NumPy enhancement proposal 1.)
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from indexhole.errors import Do, InputFault
from indexhole.signal.captures.gather import EdgeSource
from indexhole.signal.captures.lines import match_channels
from indexhole.signal.formats.options import ByteStream, ReadOptions
from indexhole.signal.formats.sampled import checked_rate_hz, open_sampled

_MAGIC = b"\x93NUMPY"
# The length of the header stands in so many bytes, by version.
_LENGTH_BYTES = {(1, 0): 2, (2, 0): 4, (3, 0): 4}
_LONGEST_HEADER = 1 << 14
_NUMBER = re.compile(r"'descr'\s*:\s*'([<>|=])([biuf])([1248])'")
_ORDER = re.compile(r"'fortran_order'\s*:\s*(True|False)")
_SHAPE = re.compile(r"'shape'\s*:\s*\(\s*(\d{1,18})\s*,\s*(?:(\d{1,18})\s*,?\s*)?\)")
_BLOCK_BYTES = 1 << 20
_MOST_CHANNELS = 64
# Channels stored one behind the other must be held as a whole.
_LARGEST_WHOLE_BYTES = 1 << 28
_SAVE_AGAIN = "save it again with numpy.save"


@dataclass(frozen=True)
class _Array:
    """What the header says: number type, samples, channels, and whether the samples of a channel lie together."""

    dtype: np.dtype[np.generic]
    samples: int
    channels: int
    by_channel: bool

    @property
    def frame_bytes(self) -> int:
        return self.dtype.itemsize * self.channels


def looks_like_npy(head: bytes) -> bool:
    """Whether the first bytes open an array file."""
    return head.startswith(_MAGIC)


def _header_text(stream: ByteStream, where: str) -> str:
    opening = stream.read(len(_MAGIC) + 2)
    version = tuple(opening[len(_MAGIC) :])
    if version not in _LENGTH_BYTES:
        raise InputFault("an array file of an unknown version", where=where, remedy=_SAVE_AGAIN)
    length = int.from_bytes(stream.read(_LENGTH_BYTES[version]), "little")
    if length > _LONGEST_HEADER:
        raise InputFault(f"a header of {length} bytes", where=where, remedy=_SAVE_AGAIN)
    text = stream.read(length)
    if len(text) < length:
        raise InputFault("ends in its header", where=where, remedy="copy it again")
    return text.decode("latin-1")


def _read_header(stream: ByteStream, where: str) -> _Array:
    text = _header_text(stream, where)
    number, order, shape = _NUMBER.search(text), _ORDER.search(text), _SHAPE.search(text)
    if number is None or order is None or shape is None:
        raise InputFault(
            "an array that is not of plain numbers in one or two dimensions", where=where, remedy=_SAVE_AGAIN
        )
    try:
        dtype = np.dtype("".join(number.groups()))
    except TypeError as fault:
        raise InputFault(f"numbers of type {''.join(number.groups())}", where=where, remedy=_SAVE_AGAIN) from fault
    rows, columns = int(shape.group(1)), int(shape.group(2) or 1)
    by_channel = order.group(1) == "True"
    # A channel a row: few rows of many samples.
    if shape.group(2) and rows < columns:
        rows, columns, by_channel = columns, rows, not by_channel
    if rows * columns == 0:
        raise InputFault("an array without samples", where=where, remedy="record it again")
    if columns > _MOST_CHANNELS:
        raise InputFault(
            f"an array of {columns} channels",
            where=where,
            remedy=f"save samples by channels, at most {_MOST_CHANNELS} of them",
        )
    return _Array(dtype, rows, columns, by_channel and columns > 1)


def _blocks(stream: ByteStream, array: _Array, where: str, *, allow_cut: bool) -> Iterator[npt.NDArray[np.generic]]:
    left = array.samples * array.frame_bytes
    block = left if array.by_channel else _BLOCK_BYTES // array.frame_bytes * array.frame_bytes
    while left:
        data = stream.read(min(block, left))
        left -= len(data)
        cut = left > 0 and len(data) < block
        if cut and (array.by_channel or not allow_cut):
            has = array.samples * array.frame_bytes - left
            raise InputFault(
                f"holds {has} bytes of samples, its header says {has + left}",
                where=where,
                remedy="copy it again" if array.by_channel else ("copy it again", Do.READ_CUT),
            )
        numbers = np.frombuffer(data, dtype=array.dtype, count=len(data) // array.frame_bytes * array.channels)
        yield numbers.reshape(array.channels, -1).T if array.by_channel else numbers.reshape(-1, array.channels)
        if cut:
            return
    if stream.read(1):
        raise InputFault("bytes behind its samples", where=where, remedy="copy it again")


def open_npy(stream: ByteStream, name: str, options: ReadOptions) -> EdgeSource:
    """Begin to read an array file.

    Raises:
        InputFault: no `sample_rate_hz`, a damaged header, an array of anything but plain numbers, channels one
            behind the other in more than 256 MiB; while reading, a file cut short or too long.
    """
    array = _read_header(stream, name)
    if options.sample_rate_hz is None:
        raise InputFault("an array does not say how fast it was sampled", where=name, remedy=Do.GIVE_RATE)
    rate_hz = checked_rate_hz(options.sample_rate_hz, name, "--sample-rate")
    if array.by_channel and array.samples * array.frame_bytes > _LARGEST_WHOLE_BYTES:
        raise InputFault(
            "channels stored one behind the other in more than 256 MiB",
            where=name,
            remedy="save it as rows of samples, a channel a column, in C order",
        )
    channels = match_channels([str(k) for k in range(array.channels)], options.lines, name)
    return open_sampled(_blocks(stream, array, name, allow_cut=options.allow_cut), rate_hz, channels, name)
