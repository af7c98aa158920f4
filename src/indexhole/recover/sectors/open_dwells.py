"""Dwells with their clocks recovered, for gauges and writers: in memory while they are few, else in a temporary file.

The file has no name, lies where the system keeps temporary files, and is gone with the program or before.
"""

from __future__ import annotations

import tempfile
import weakref
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from typing import IO, overload

import numpy as np

from indexhole.errors import InputFault
from indexhole.recover.sectors.dwells import OpenTrack
from indexhole.signal.captures.capture import Ticks
from indexhole.signal.clock.streams import Stream
from indexhole.signal.dwells.sessions import Segment

# Pulses held in memory, at 14 bytes each; in the file each takes 10.
MOST_HELD_PULSES = 500_000
_NO_TICKS: Ticks = np.empty(0, dtype=np.int64)


@dataclass(frozen=True, slots=True)
class _Filed:
    """A stream in the file: where it begins, and how many pulses it has."""

    at: int
    pulses: int


class OpenDwells(Sequence[OpenTrack]):
    """Open dwells in the order they were added, each fetched when asked for.

    Of one that had to go into the file only what gauges and writers need comes back: heights of pulses, fields in a
    second code and the pulses of single reads are gone.
    """

    def __init__(self, most_held: int = MOST_HELD_PULSES) -> None:
        self._most = most_held
        self._dwells: list[OpenTrack] = []
        self._filed: dict[int, _Filed] = {}
        self._held = 0
        self._spool = _Spool()
        self._last: tuple[int, OpenTrack] | None = None

    def append(self, one: OpenTrack) -> None:
        """Add a dwell."""
        pulses = one.stream.segment.read_ticks.size
        if self._held + pulses > self._most:
            self._filed[len(self._dwells)] = self._spool.put(one.stream)
            one = _emptied(one)
        else:
            self._held += pulses
        self._dwells.append(one)

    def place(self, places: Iterable[tuple[int, int | None, int | None]]) -> None:
        """Keep the dwells of these numbers, each on the cylinder and head it was found on; leave out the others."""
        dwells: list[OpenTrack] = []
        filed: dict[int, _Filed] = {}
        for number, cylinder, head in places:
            if number in self._filed:
                filed[len(dwells)] = self._filed[number]
            dwells.append(replace(self._dwells[number], cylinder=cylinder, head=head))
        self._dwells, self._filed, self._last = dwells, filed, None

    @property
    def outlines(self) -> Sequence[OpenTrack]:
        """The dwells without the pulses of those in the file: for what needs none, nothing has to be fetched."""
        return self._dwells

    @property
    def streams(self) -> Sequence[Stream]:
        """The stream of each, fetched likewise."""
        return _Streams(self)

    def pulses(self, number: int) -> int:
        """Pulses of a dwell."""
        filed = self._filed.get(number)
        return filed.pulses if filed else int(self._dwells[number].stream.segment.read_ticks.size)

    def __len__(self) -> int:
        return len(self._dwells)

    @overload
    def __getitem__(self, number: int) -> OpenTrack: ...
    @overload
    def __getitem__(self, number: slice) -> list[OpenTrack]: ...
    def __getitem__(self, number: int | slice) -> OpenTrack | list[OpenTrack]:
        if isinstance(number, slice):
            return [self[k] for k in range(*number.indices(len(self)))]
        one = self._dwells[number]
        number = range(len(self))[number]
        if number not in self._filed:
            return one
        # Fields of one dwell are asked about one after another, so the last one is kept at hand.
        if self._last is None or self._last[0] != number:
            self._last = None
            self._last = number, replace(one, stream=self._spool.get(one.stream, self._filed[number]))
        return self._last[1]

    def __iter__(self) -> Iterator[OpenTrack]:
        return (self[k] for k in range(len(self)))


class _Spool:
    """The file with the pulses of streams."""

    def __init__(self) -> None:
        self._file: IO[bytes] | None = None

    def put(self, stream: Stream) -> _Filed:
        """Write the pulses of a stream behind what is there. Raises InputFault when there is no room."""
        try:
            if self._file is None:
                self._file = tempfile.TemporaryFile(prefix="indexhole-")  # noqa: SIM115 it lives as long as the dwells
                weakref.finalize(self, self._file.close)
            at = self._file.seek(0, 2)
            for part in (stream.segment.read_ticks, stream.runs, stream.errors):
                self._file.write(part.tobytes())
        except OSError as fault:
            raise InputFault(
                f"no room for what is kept meanwhile ({fault.strerror})",
                where=tempfile.gettempdir(),
                remedy="make room there, or name another folder in TMPDIR",
            ) from fault
        return _Filed(at, stream.segment.read_ticks.size)

    def get(self, outline: Stream, filed: _Filed) -> Stream:
        """The stream with its pulses."""
        assert self._file is not None
        self._file.seek(filed.at)
        # Of a bytearray, the arrays can be written to like those they stand for: compiled kernels tell the two apart.
        ticks = np.frombuffer(bytearray(self._file.read(8 * filed.pulses)), dtype=np.int64)
        runs = np.frombuffer(bytearray(self._file.read(filed.pulses - 1)), dtype=np.uint8)
        errors = np.frombuffer(bytearray(self._file.read(filed.pulses - 1)), dtype=np.int8)
        segment = replace(outline.segment, read_ticks=ticks)
        return replace(outline, segment=segment, intervals=segment.intervals(), runs=runs, errors=errors)


class _Streams(Sequence[Stream]):
    """The streams of open dwells, fetched as the dwells are."""

    def __init__(self, dwells: OpenDwells) -> None:
        self._dwells = dwells

    def __len__(self) -> int:
        return len(self._dwells)

    @overload
    def __getitem__(self, number: int) -> Stream: ...
    @overload
    def __getitem__(self, number: slice) -> list[Stream]: ...
    def __getitem__(self, number: int | slice) -> Stream | list[Stream]:
        if isinstance(number, slice):
            return [one.stream for one in self._dwells[number]]
        return self._dwells[number].stream


def _emptied(one: OpenTrack) -> OpenTrack:
    """A dwell without its pulses."""
    old = one.stream
    segment = Segment(
        old.segment.capture, old.segment.tick_s, _NO_TICKS, old.segment.index_ticks.copy(), one.cylinder, one.head
    )
    none = np.empty(0, dtype=np.uint8)
    stream = Stream(
        segment, old.code, old.cell_ticks, none.astype(np.int32), none, none.astype(np.int8), old.turn_ticks
    )
    reads = replace(one.reads, reads=tuple(r.rewritten(r.stream, None) for r in one.reads.reads))
    return replace(one, stream=stream, reads=reads, other=None)
