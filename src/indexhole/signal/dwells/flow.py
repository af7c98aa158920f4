"""Captures of any size: read once, chunk by chunk, each stay on a track handed out as soon as it is over."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from pathlib import Path

from indexhole.signal.captures.gather import MIN_PULSES, too_few_pulses
from indexhole.signal.dwells.sessions import Segment, SessionCutter
from indexhole.signal.formats.options import ReadOptions
from indexhole.signal.formats.original import Progress
from indexhole.signal.formats.readers import opened


class Flow:
    """One capture file being cut into stays. Iterate over it, or over `segments()`, and read the rest when done.

    Attributes:
        name: of the file.
        sha256: of its bytes as they came; "" until all stays are out.
        pulses: read pulses so far.
        duration_s: from the first to the last event so far.
        warnings: what was odd about the log; complete when all stays are out.
    """

    def __init__(self, path: Path, options: ReadOptions, progress: Progress | None = None) -> None:
        self._path = path
        self._options = options
        self._progress = progress
        self.name = path.name
        self._begin()

    def _begin(self) -> None:
        self.sha256 = ""
        self.pulses = 0
        self.duration_s = 0.0
        self.warnings: tuple[str, ...] = ()

    def __iter__(self) -> Iterator[Segment]:
        return self.segments()

    def segments(self) -> Iterator[Segment]:
        """The stays in order of time. Reads the file anew at each call.

        Raises:
            InputFault: as `signal.readers.read_capture`, as soon as the fault is met; stays before it have been
                handed out by then.
        """
        self._begin()
        first, last = None, 0
        with opened(self._path, self._options, self._progress) as (source, original):
            cutter = SessionCutter(self.name, source.tick_s, dict.fromkeys(source.lines))
            for edges in source.chunks:
                for ticks in (edges.pulses, edges.index):
                    if ticks.size:
                        first = int(ticks[0]) if first is None else min(first, int(ticks[0]))
                        last = max(last, int(ticks[-1]))
                self.pulses += edges.pulses.size
                self.duration_s = (last - (first or 0)) * source.tick_s
                yield from cutter.feed(edges)
            if self.pulses < MIN_PULSES:
                raise too_few_pulses(self.pulses, self.name)
            yield from cutter.finish()
            self.warnings = cutter.warnings()
            self.sha256 = original.sha256()


def iter_dwells(
    path: Path,
    lines: Mapping[str, str] | None = None,
    *,
    allow_cut: bool = False,
    raw: float | None = None,
    sample_rate: float | None = None,
    progress: Progress | None = None,
) -> Flow:
    """Read a capture file stay by stay, in bounded memory.

    Args:
        path, lines, allow_cut, raw, sample_rate: as for `signal.readers.read_capture`; the stays are those that
            `signal.sessions.cut_session` makes of the capture it reads.
        progress: called with (bytes read, bytes in all, 0 when unknown).

    Returns:
        What is iterated over; nothing is read before that.
    """
    return Flow(path, ReadOptions(lines or {}, allow_cut, raw, sample_rate), progress)
