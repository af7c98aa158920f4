"""Sound files (RIFF WAVE, and RF64 of ITU-R BS.2088 for those beyond 4 GB) that hold a waveform.

Channel 0 is the head signal, channel 1, when there is one, the index line; `--line` chooses others.
"""

from __future__ import annotations

import struct
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from indexhole.errors import Do, InputFault
from indexhole.signal.captures.gather import EdgeSource
from indexhole.signal.captures.lines import match_channels
from indexhole.signal.formats.options import ByteStream, ReadOptions
from indexhole.signal.formats.sampled import checked_rate_hz, open_sampled

_BLOCK_BYTES = 1 << 20
_PCM, _FLOAT, _EXTENSIBLE = 1, 3, 0xFFFE
# A size that a recorder left open, or that stands in the ds64 chunk.
_OPEN = 0xFFFFFFFF
_LARGEST_CHUNK = 1 << 20
_MOST_CHANNELS = 64
_REMEDY = "export it again"


@dataclass(frozen=True)
class _Format:
    kind: int
    channels: int
    rate_hz: int
    bits: int

    @property
    def frame_bytes(self) -> int:
        return self.channels * self.bits // 8


def looks_like_wav(head: bytes) -> bool:
    """Whether the first bytes open a sound file."""
    return head[:4] in (b"RIFF", b"RF64") and head[8:12] == b"WAVE"


def _exactly(stream: ByteStream, size: int, where: str) -> bytes:
    data = stream.read(size)
    if len(data) < size:
        raise InputFault("ends in its header", where=where, remedy="copy or record it again")
    return data


def _format(chunk: bytes, where: str) -> _Format:
    if len(chunk) < 16:
        raise InputFault("a format chunk of less than 16 bytes", where=where, remedy=_REMEDY)
    kind, channels, rate_hz, _, align, bits = struct.unpack_from("<HHIIHH", chunk)
    if kind == _EXTENSIBLE and len(chunk) >= 26:
        # The kind stands in front of a fixed tail.
        kind = struct.unpack_from("<H", chunk, 24)[0]
    if (kind, bits) not in {(_PCM, 8), (_PCM, 16), (_PCM, 24), (_PCM, 32), (_FLOAT, 32), (_FLOAT, 64)}:
        raise InputFault(
            f"samples of kind {kind} with {bits} bits",
            where=where,
            remedy="export as plain PCM of 8, 16, 24 or 32 bits or as float",
        )
    if not 1 <= channels <= _MOST_CHANNELS or align != channels * bits // 8:
        raise InputFault(f"{channels} channels in {align} bytes do not fit {bits} bits", where=where, remedy=_REMEDY)
    return _Format(kind, channels, rate_hz, bits)


def _read_header(stream: ByteStream, where: str) -> tuple[_Format, int | None]:
    """The format, and the bytes of samples that follow (None: to the end of the file)."""
    _exactly(stream, 12, where)
    form: _Format | None = None
    long_size: int | None = None
    while True:
        name, size = struct.unpack("<4sI", _exactly(stream, 8, where))
        if name == b"data":
            if form is None:
                raise InputFault("samples in front of their format", where=where, remedy=_REMEDY)
            # Recorders that could not go back leave the size open or at nothing.
            return form, long_size if size == _OPEN and long_size else None if size in (0, _OPEN) else size
        if size > _LARGEST_CHUNK:
            raise InputFault(f"a chunk of {size} bytes in front of the samples", where=where, remedy=_REMEDY)
        chunk = _exactly(stream, size + size % 2, where)
        if name == b"fmt ":
            form = _format(chunk, where)
        elif name == b"ds64" and size >= 16:
            long_size = struct.unpack_from("<Q", chunk, 8)[0]


def _numbers(data: bytes, form: _Format) -> npt.NDArray[np.generic]:
    """(samples, channels) of whole frames."""
    if form.kind == _FLOAT:
        flat: npt.NDArray[np.generic] = np.frombuffer(data, dtype="<f4" if form.bits == 32 else "<f8")
    elif form.bits == 24:
        # Put under the upper bytes of 32-bit numbers.
        wide = np.zeros((len(data) // 3, 4), dtype=np.uint8)
        wide[:, 1:] = np.frombuffer(data, dtype=np.uint8).reshape(-1, 3)
        flat = wide.view("<i4").ravel()
    else:
        flat = np.frombuffer(data, dtype={8: "u1", 16: "<i2", 32: "<i4"}[form.bits])
    return flat.reshape(-1, form.channels)


def _blocks(
    stream: ByteStream, form: _Format, size: int | None, where: str, *, allow_cut: bool
) -> Iterator[npt.NDArray[np.generic]]:
    block = _BLOCK_BYTES // form.frame_bytes * form.frame_bytes
    left = size
    while left is None or left > 0:
        data = stream.read(block if left is None else min(block, left))
        left = None if left is None else left - len(data)
        whole = len(data) // form.frame_bytes * form.frame_bytes
        if whole:
            yield _numbers(data[:whole], form)
        if (not data and left) or whole < len(data):
            if not allow_cut:
                raise InputFault(
                    "ends in the middle of its samples",
                    where=where,
                    remedy=("copy it again", Do.READ_CUT),
                )
            return
        if not data:
            return


def open_wav(stream: ByteStream, name: str, options: ReadOptions) -> EdgeSource:
    """Begin to read a sound file.

    Raises:
        InputFault: a damaged header, samples of a kind that is not read, a rate no disk can be read at; while
            reading, a file cut short.
    """
    form, size = _read_header(stream, name)
    rate_hz = checked_rate_hz(options.sample_rate_hz or form.rate_hz, name, "--sample-rate")
    channels = match_channels([str(k) for k in range(form.channels)], options.lines, name)
    return open_sampled(_blocks(stream, form, size, name, allow_cut=options.allow_cut), rate_hz, channels, name)
