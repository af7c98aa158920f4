"""Edges as readers hand them out, chunk by chunk, and their gathering into a Capture."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from indexhole.errors import InputFault
from indexhole.signal.captures.capture import Capture, LineTrace, Ticks
from indexhole.signal.captures.lines import CONTROL_LINES, INDEX, READ_DATA

Levels = npt.NDArray[np.uint8]
Strengths = npt.NDArray[np.uint8]

# A track turns past five times a second; fewer pulses than this cannot hold one sector header.
MIN_PULSES = 16
# Lines are active low: what nobody has said yet is at rest.
REST = 1
NO_TICKS: Ticks = np.empty(0, dtype=np.int64)


@dataclass(frozen=True)
class Edges:
    """One chunk of a log.

    Attributes:
        pulses: (n,) ticks of falling edges of the read-data line, or of the peaks of a waveform.
        index: (m,) ticks of falling edges of the index line.
        until: every edge before this tick has been handed out, with this chunk or an earlier one.
        lines: by control line, (k,) ticks and levels of its edges. The first edge of a log says which level the
            line opens with.
        strength: (n,) height of each pulse, None when only edges are known.
    """

    pulses: Ticks
    index: Ticks
    until: int
    lines: Mapping[str, tuple[Ticks, Levels]] = field(default_factory=dict)
    strength: Strengths | None = None


@dataclass(frozen=True)
class EdgeSource:
    """A log being read.

    Attributes:
        tick_s: seconds per tick.
        lines: the control lines it has.
        chunks: its edges; ticks of each line rise from chunk to chunk.
    """

    tick_s: float
    lines: Sequence[str]
    chunks: Iterator[Edges]


def control_lines(names: Sequence[str]) -> tuple[str, ...]:
    """Those of our line names that are control lines."""
    return tuple(name for name in names if name in CONTROL_LINES)


def edges_by_line(names: Sequence[str], ticks: Ticks, what: npt.NDArray[np.uint8], until: int) -> Edges:
    """A chunk from edges in one list: `ticks` (k,), and `what` (k,) = 4 * position in `names` + level."""
    number = what >> 2
    pulses = number == names.index(READ_DATA)
    # All else is rare; it is picked from what is left.
    left = np.flatnonzero(~pulses)
    number, times, levels = number[left], ticks[left], what[left] & 3
    taken = {name: number == line for line, name in enumerate(names)}
    lines = {name: (times[taken[name]], levels[taken[name]]) for name in control_lines(names)}
    return Edges(ticks[pulses], times[taken[INDEX]] if INDEX in taken else NO_TICKS, until, lines)


def opening_level(first_edge: int, level: int, first_pulse: int | None) -> int:
    """Level a line has before its first edge, which is to `level`.

    A log names the levels it opens with before its first pulse. A line first named after that has been at
    rest, so that its first edge is a change.
    """
    return level if first_pulse is None or first_edge <= first_pulse else REST


def real_changes(initial: int, ticks: Ticks, levels: Levels) -> LineTrace:
    """The trace of a line without edges that change nothing."""
    before = np.concatenate((np.array([initial], dtype=np.uint8), levels[:-1]))
    changed = before != levels
    return LineTrace(initial, ticks[changed], levels[changed])


def too_few_pulses(count: int, where: str) -> InputFault:
    """The fault of a log that cannot hold anything."""
    return InputFault(
        f"only {count} pulses on the read-data line",
        where=where,
        remedy="check that the drive was selected and turning, and that the right line is named",
    )


def _joined(parts: list[Ticks]) -> Ticks:
    return np.concatenate(parts) if parts else NO_TICKS


def build_capture(source: EdgeSource, name: str) -> Capture:
    """Gather a log as a whole. Raises InputFault when there are too few pulses to hold anything."""
    chunks = list(source.chunks)
    pulses = _joined([chunk.pulses for chunk in chunks])
    if pulses.size < MIN_PULSES:
        raise too_few_pulses(pulses.size, name)
    index = _joined([chunk.index for chunk in chunks])
    lines = {}
    for line in source.lines:
        ticks = _joined([chunk.lines[line][0] for chunk in chunks])
        levels = np.concatenate([np.empty(0, dtype=np.uint8), *(chunk.lines[line][1] for chunk in chunks)])
        initial = opening_level(int(ticks[0]), int(levels[0]), int(pulses[0])) if ticks.size else REST
        lines[line] = real_changes(initial, ticks, levels)
    heights = [chunk.strength for chunk in chunks if chunk.strength is not None]
    return Capture(name, source.tick_s, pulses, index, lines, strength=np.concatenate(heights) if heights else None)
