"""Cuts a session log into stays of the head on one track by its step, direction, track-zero and side lines.

The cutter takes a log chunk by chunk and hands out each stay once the head has moved on, so that a log of any
length needs the memory of a few stays. A long stay (a capture without step lines, as a rule) comes in pieces,
see signal.pieces. Where the cuts are depends on the log alone, not on how it was handed over.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from indexhole.signal.captures.capture import Capture, LineTrace, Ticks
from indexhole.signal.captures.gather import NO_TICKS, REST, Edges, Levels, Strengths
from indexhole.signal.captures.line_log import LineLog
from indexhole.signal.dwells.cylinder_counter import CylinderCount
from indexhole.signal.dwells.pieces import first_cut, known_well_enough

# A stay shorter than this is part of a seek: no whole sector passes the head in it.
_SHORTEST_DWELL_S = 0.02
_FEWEST_PULSES = 64
# Stays kept back until track zero tells their cylinders, and the pulses in them.
_MOST_HELD = 200
_MOST_HELD_PULSES = 12_000_000
_END = np.iinfo(np.int64).max
_NO_LEVELS: Levels = np.empty(0, dtype=np.uint8)


@dataclass(frozen=True)
class Segment:
    """A stay of the head on one track, or a piece of a long one.

    Attributes:
        capture: name of the capture it was cut from.
        tick_s: seconds per tick.
        read_ticks, index_ticks: int64 event times within the stay.
        cylinder: counted from the step lines, None when the log has none or never saw track zero.
        head: from the side line, None when the log has no step lines and no side line.
        strength: (n,) uint8 height of each read pulse, 128 = typical; None when only edges were logged.
    """

    capture: str
    tick_s: float
    read_ticks: Ticks
    index_ticks: Ticks
    cylinder: int | None
    head: int | None
    strength: npt.NDArray[np.uint8] | None = None

    def intervals(self) -> npt.NDArray[np.int32]:
        """(n-1,) int32 ticks between pulses; a gap too long for int32 is cut to its limit."""
        return np.minimum(np.diff(self.read_ticks), np.iinfo(np.int32).max).astype(np.int32)


@dataclass(frozen=True)
class Session:
    """The stays of one capture in order of time, and what was odd about the log."""

    segments: tuple[Segment, ...]
    warnings: tuple[str, ...]


class _Events:
    """Times of events not handed out yet, with heights when they have them."""

    def __init__(self) -> None:
        self._ticks: list[Ticks] = []
        self._strength: list[Strengths] = []

    @property
    def count(self) -> int:
        return sum(part.size for part in self._ticks)

    @property
    def last(self) -> int:
        return int(self._ticks[-1][-1]) if self._ticks else 0

    def add(self, ticks: Ticks, strength: Strengths | None = None) -> None:
        if ticks.size:
            self._ticks.append(ticks)
            if strength is not None:
                self._strength.append(strength)

    def between(self, start: int, stop: int) -> tuple[Ticks, Strengths | None]:
        """Events from `start` to `stop` (not included)."""
        if len(self._ticks) > 1:
            self._ticks = [np.concatenate(self._ticks)]
            self._strength = [np.concatenate(self._strength)] if self._strength else []
        if not self._ticks:
            return NO_TICKS, None
        first, last = np.searchsorted(self._ticks[0], (start, stop)).tolist()
        return self._ticks[0][first:last], self._strength[0][first:last] if self._strength else None

    def drop_before(self, tick: int) -> None:
        ticks, strength = self.between(tick, _END)
        self._ticks = [ticks] if ticks.size else []
        self._strength = [strength] if ticks.size and strength is not None else []


class SessionCutter:
    """Takes a log chunk by chunk, hands out its stays.

    Args:
        capture: its name.
        tick_s: seconds per tick.
        opening: its control lines, each with the level it opens with, None when its first edge tells.
    """

    def __init__(self, capture: str, tick_s: float, opening: Mapping[str, int | None]) -> None:
        self._name = capture
        self._tick_s = tick_s
        self._lines = {name: LineLog(level) for name, level in opening.items()}
        self._pulses, self._index = _Events(), _Events()
        self._first_pulse: int | None = None
        self._side = REST
        self._zero = LineTrace(REST, NO_TICKS, _NO_LEVELS)
        # The stay going on: where it began (None before the first pulse), and whether it comes in pieces.
        self._start: int | None = None
        self._in_pieces = False
        self._stepped = False
        self._count = CylinderCount()
        # Without both lines there is nothing to count by.
        self._counted = "direction" in opening and "track_zero" in opening
        self._held: list[tuple[int, Segment]] = []
        self._unplaced = 0

    def feed(self, edges: Edges) -> list[Segment]:
        """Take a chunk; the stays that are over by now."""
        self._pulses.add(edges.pulses, edges.strength)
        self._index.add(edges.index)
        if self._first_pulse is None and edges.pulses.size:
            self._first_pulse = int(edges.pulses[0])
        out = self._follow(edges.lines, edges.until)
        # Asked of the numbers alone first: putting the parts of a stay together at each chunk would cost more.
        if known_well_enough(self._pulses.count, self._begun(), self._pulses.last, self._tick_s):
            pulses, _ = self._pulses.between(self._begun(), edges.until)
            if pulses.size:
                out += self._cut_pieces(int(pulses[-1]) + 1, goes_on=True)
        return out

    def finish(self) -> list[Segment]:
        """The log is over; the stays that were still open or without a place."""
        out = self._follow({}, _END)
        pulses, _ = self._pulses.between(self._begun(), _END)
        if pulses.size:
            out += self._close(int(pulses[-1]) + 1)
        if not self._count.settled:
            self._settle(_END)
        return out + self._released()

    def warnings(self) -> tuple[str, ...]:
        """What was odd about the log; complete once it is over."""
        told: list[str] = []
        if self._counted:
            told = self._count.warnings()
            if self._unplaced:
                told.append(f"track zero came late: the cylinders of {self._unplaced} stays come from the ids")
            if not self._count.anchored:
                told = ["track zero was never reached: cylinders come from the ids"]
        elif self._stepped or "track_zero" in self._lines:
            missing = "track-zero" if "direction" in self._lines else "direction"
            told = [f"the log has steps but no {missing} line: cylinders come from the ids"]
        return tuple(f"{self._name}: {t}" for t in told)

    def _begun(self) -> int:
        if self._start is not None:
            return self._start
        return self._first_pulse if self._first_pulse is not None else 0

    def _follow(self, edges: Mapping[str, tuple[Ticks, Levels]], until: int) -> list[Segment]:
        """Close the stays that end at a step or a change of side before `until`."""
        still = LineTrace(REST, NO_TICKS, _NO_LEVELS)
        traces = {
            name: line.stretch(*edges.get(name, (NO_TICKS, _NO_LEVELS)), until, self._first_pulse)
            for name, line in self._lines.items()
        }
        side, direction = traces.get("side", still), traces.get("direction", still)
        self._side = side.initial
        self._zero = _longer(self._zero, traces.get("track_zero", still))
        if not any(traces[name].ticks.size for name in ("step", "side") if name in traces):
            return []
        steps = traces.get("step", still).falling()
        inward = dict(zip(steps.tolist(), (direction.level_at(steps) == 0).tolist(), strict=True))
        out: list[Segment] = []
        bounds = np.union1d(steps, side.ticks)
        for bound, level in zip(bounds.tolist(), side.level_at(bounds).tolist(), strict=True):
            out += self._close(bound, stepped=bound in inward)
            if bound in inward:
                if not self._count.settled:
                    self._settle(bound)
                self._count.step(inward[bound])
            self._start, self._side = bound, level
        return out

    def _settle(self, before: int) -> None:
        """Whether the track-zero line is low just before a time: it settles late."""
        self._count.settle(bool(self._zero.level_at(np.array([before - 1]))[0] == 0))

    def _close(self, stop: int, *, stepped: bool = False) -> list[Segment]:
        """The stay going on ends at `stop`, by a step or otherwise."""
        is_open = self._first_pulse is not None and self._begun() < stop
        out = self._cut_pieces(stop, goes_on=False) if is_open else []
        # Pieces before the last one were handed out before anyone knew of this step.
        self._stepped |= stepped
        if is_open:
            out += self._piece(self._begun(), stop)
        self._in_pieces = False
        self._drop_before(stop)
        return out

    def _cut_pieces(self, stop: int, *, goes_on: bool) -> list[Segment]:
        """Pieces of the stay going on, as far as they can be told; what is left stays open."""
        out: list[Segment] = []
        while True:
            start = self._begun()
            pulses, _ = self._pulses.between(start, stop)
            if goes_on and not known_well_enough(pulses.size, start, stop, self._tick_s):
                return out
            cut = first_cut(pulses, self._index.between(start, stop)[0], start, stop, self._tick_s)
            if cut is None:
                return out
            self._in_pieces = True
            out += self._piece(start, cut.stop)
            self._start = cut.next_start
            self._drop_before(cut.next_start)

    def _drop_before(self, tick: int) -> None:
        self._pulses.drop_before(tick)
        self._index.drop_before(tick)
        past = self._zero.ticks < tick
        initial = int(self._zero.levels[past][-1]) if past.any() else self._zero.initial
        self._zero = LineTrace(initial, self._zero.ticks[~past], self._zero.levels[~past])

    def _piece(self, start: int, stop: int) -> list[Segment]:
        """One piece, or a whole stay, with what it lets go; nothing when it is part of a seek or empty."""
        pulses, strength = self._pulses.between(start, stop)
        if pulses.size < _FEWEST_PULSES and (self._lines or self._in_pieces):
            return []
        if self._lines and (stop - start) * self._tick_s < _SHORTEST_DWELL_S:
            return []
        if not self._count.settled:
            self._settle(stop)
        head = 1 - self._side if "side" in self._lines else 0 if self._stepped else None
        index, _ = self._index.between(start, stop)
        return self._placed(Segment(self._name, self._tick_s, pulses, index, None, head, strength))

    def _placed(self, segment: Segment) -> list[Segment]:
        """A stay with its cylinder, or held back until track zero tells."""
        if not self._counted:
            return [segment]
        self._held.append((self._count.position, segment))
        if self._count.anchored:
            return self._released()
        pulses = sum(held.read_ticks.size for _, held in self._held)
        if self._unplaced or len(self._held) > _MOST_HELD or pulses > _MOST_HELD_PULSES:
            self._unplaced += len(self._held)
            return self._released()
        return []

    def _released(self) -> list[Segment]:
        held, self._held = self._held, []
        return [replace(segment, cylinder=self._count.cylinder(position)) for position, segment in held]


def _longer(trace: LineTrace, more: LineTrace) -> LineTrace:
    """A trace with the stretch behind it."""
    if not more.ticks.size and trace.ticks.size:
        return trace
    initial = trace.initial if trace.ticks.size else more.initial
    return LineTrace(initial, np.concatenate((trace.ticks, more.ticks)), np.concatenate((trace.levels, more.levels)))


def cut_session(capture: Capture) -> Session:
    """Cut a capture into stays on one track; a short capture without control lines is one stay of unknown track."""
    lines = capture.lines
    cutter = SessionCutter(capture.name, capture.tick_s, {name: line.initial for name, line in lines.items()})
    edges = {name: (line.ticks, line.levels) for name, line in lines.items()}
    whole = Edges(capture.read_ticks, capture.index_ticks, _END, edges, capture.strength)
    segments = (*cutter.feed(whole), *cutter.finish())
    return Session(segments, cutter.warnings())
