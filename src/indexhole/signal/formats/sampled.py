"""Evenly sampled channels to edges: the head signal by its peaks, logic lines by their levels."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping

import numpy as np
import numpy.typing as npt

from indexhole.errors import InputFault
from indexhole.signal.captures.capture import Ticks
from indexhole.signal.captures.gather import NO_TICKS, Edges, EdgeSource, Strengths, control_lines
from indexhole.signal.captures.lines import INDEX, READ_DATA
from indexhole.signal.formats.levels import LevelFinder, has_two_levels
from indexhole.signal.formats.peaks import TICKS_PER_SAMPLE, PeakFinder, Samples

# (samples, channels) of any plain number type, in order of time.
Block = npt.NDArray[np.generic]

# A twentieth of a turn or more at any rate worth sampling with; also what is looked at before anything is judged.
_CHUNK_SAMPLES = 1 << 20
# Beyond this, in whatever unit, sums of squares would no longer be numbers.
_LARGEST = 1e18
# A recording has a pulse every few microseconds, and a pulse needs a few samples.
_SLOWEST_HZ, _FASTEST_HZ = 100e3, 100e9


def checked_rate_hz(rate_hz: float, where: str, option: str) -> float:
    """The rate, when pulses of a disk can be seen at it. Raises InputFault otherwise."""
    if not (math.isfinite(rate_hz) and _SLOWEST_HZ <= rate_hz <= _FASTEST_HZ):
        raise InputFault(
            f"{rate_hz:g} samples a second cannot be a log of a disk",
            where=where,
            remedy=f"give the true rate with {option} HZ, {_SLOWEST_HZ:g} to {_FASTEST_HZ:g}",
        )
    return rate_hz


class _HeadSignal:
    """The read-data channel: a waveform of the head, or the logic line a drive makes of it."""

    def __init__(self, opening: Samples, rate_hz: float) -> None:
        self._finder = LevelFinder() if has_two_levels(opening) else PeakFinder(opening, rate_hz)
        self._done = 0

    def feed(self, samples: Samples, *, last: bool) -> tuple[Ticks, Strengths | None, int]:
        """Pulses, their heights, and the tick before which all have been handed out."""
        if isinstance(self._finder, PeakFinder):
            return self._finder.feed(samples, last=last)
        self._done += samples.size
        return self._finder.falls(samples), None, (self._done - 1) * TICKS_PER_SAMPLE


def _rechunked(blocks: Iterator[Block]) -> Iterator[tuple[Block, bool]]:
    """The same samples in chunks of one size, the last marked."""
    parts: list[Block] = []
    size = 0
    for block in blocks:
        parts.append(block)
        size += block.shape[0]
        # strictly more, so that something is left for the last chunk
        while size > _CHUNK_SAMPLES:
            whole = np.concatenate(parts)
            yield whole[:_CHUNK_SAMPLES], False
            parts = [whole[_CHUNK_SAMPLES:]]
            size -= _CHUNK_SAMPLES
    if size:
        yield np.concatenate(parts), True


def _plain(channel: npt.NDArray[np.generic], first: int, where: str) -> Samples:
    if channel.dtype.kind == "f":
        with np.errstate(invalid="ignore"):  # a signalling nan is told below, like any other
            odd = ~(np.abs(channel.astype(np.float64)) <= _LARGEST)
        if odd.any():
            raise InputFault(
                "a sample that is not a plain number", where=f"{where} sample {first + int(np.flatnonzero(odd)[0])}"
            )
    return channel.astype(np.float32)


def open_sampled(blocks: Iterator[Block], rate_hz: float, channels: Mapping[str, int], where: str) -> EdgeSource:
    """Begin to read sampled channels.

    Args:
        blocks: the samples; read once.
        rate_hz: samples a second.
        channels: our line name -> its column in the blocks.

    Raises:
        InputFault: while reading, a sample that is no number.
    """
    edges = _edges(blocks, rate_hz, channels, where)
    return EdgeSource(1 / (rate_hz * TICKS_PER_SAMPLE), control_lines(list(channels)), edges)


def _edges(blocks: Iterator[Block], rate_hz: float, channels: Mapping[str, int], where: str) -> Iterator[Edges]:
    head: _HeadSignal | None = None
    finders = {name: LevelFinder() for name in channels if name != READ_DATA}
    first = 0
    for block, last in _rechunked(blocks):
        samples = {name: _plain(block[:, column], first, where) for name, column in channels.items()}
        head = head or _HeadSignal(samples[READ_DATA], rate_hz)
        pulses, strength, until = head.feed(samples[READ_DATA], last=last)
        index = finders[INDEX].falls(samples[INDEX]) if INDEX in finders else NO_TICKS
        lines = {name: finders[name].feed(samples[name]) for name in control_lines(list(channels))}
        yield Edges(pulses, index, until, lines, strength)
        first += block.shape[0]
