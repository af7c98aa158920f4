"""Cuts a session log into tracks by its step, direction, track-zero and side lines."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from indexhole.signal.capture import Capture, LineTrace, Ticks

# A stay shorter than this is part of a seek: no whole sector passes the head in it.
_SHORTEST_STAY_S = 0.02
_FEWEST_PULSES = 64


@dataclass(frozen=True)
class Segment:
    """A stay of the head on one track.

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


def _cylinders(capture: Capture, steps: Ticks) -> tuple[list[int | None], list[str]]:
    """Cylinder before the first step and after each one."""
    direction = capture.lines.get("direction")
    track_zero = capture.lines.get("track_zero")
    warnings: list[str] = []
    if direction is None:
        return [None] * (steps.size + 1), ["the log has step pulses but no direction line: cylinders come from the ids"]
    # A step is inward while the direction line is low.
    moves = np.where(direction.level_at(steps) == 0, 1, -1)
    relative = np.concatenate((np.zeros(1, dtype=np.int64), np.cumsum(moves)))
    if track_zero is None:
        return [None] * relative.size, ["the log has no track-zero line: cylinders come from the ids"]
    at_zero = _at_zero(track_zero, steps)
    anchors = np.flatnonzero(at_zero)
    if not anchors.size:
        return [None] * relative.size, ["track zero was never reached: cylinders come from the ids"]
    cylinders: list[int | None] = []
    offset = -int(relative[anchors[0]])
    for place, (position, zero) in enumerate(zip(relative.tolist(), at_zero.tolist(), strict=True)):
        if zero and position + offset != 0:
            if place and moves[place - 1] > 0:
                warnings.append(f"step {place}: track zero shown after a step inward; counting starts afresh there")
            offset = -position
        cylinders.append(position + offset)
    if min(c for c in cylinders if c is not None) < 0:
        warnings.append("steps before the first track zero lead outside the disk: those stays have no cylinder")
        cylinders = [c if c is not None and c >= 0 else None for c in cylinders]
    return cylinders, warnings


def _at_zero(track_zero: LineTrace, steps: Ticks) -> npt.NDArray[np.bool_]:
    """Whether the track-zero line is low in each stay (just before the next step: it settles late)."""
    ends = np.append(steps, np.iinfo(np.int64).max) - 1
    return np.equal(track_zero.level_at(ends), 0)


def _stays(capture: Capture) -> tuple[Iterator[tuple[int, int, int | None, int | None]], list[str]]:
    steps = capture.lines["step"].falling() if "step" in capture.lines else np.empty(0, dtype=np.int64)
    side = capture.lines.get("side")
    cylinders: list[int | None] = [None]
    warnings: list[str] = []
    if steps.size or "track_zero" in capture.lines:
        cylinders, warnings = _cylinders(capture, steps)
    bounds = np.unique(np.concatenate((steps, side.ticks if side is not None else steps[:0])))
    last = int(capture.read_ticks[-1]) + 1
    starts = np.concatenate((capture.read_ticks[:1], bounds))
    stops = np.append(bounds, last)
    visit = np.searchsorted(steps, starts, side="right")
    heads: list[int | None]
    if side is not None:
        heads = [1 - int(level) for level in side.level_at(starts)]
    else:
        # A log with step lines but no side line is of a one-sided drive.
        heads = [0 if steps.size else None] * starts.size
    stays = zip(starts.tolist(), stops.tolist(), (cylinders[v] for v in visit.tolist()), heads, strict=True)
    return stays, warnings


def cut_session(capture: Capture) -> Session:
    """Cut a capture into stays on one track; a capture without control lines is one stay of unknown track."""
    stays, warnings = _stays(capture)
    segments = []
    for start, stop, cylinder, head in stays:
        first, last = np.searchsorted(capture.read_ticks, (start, stop))
        pulses = capture.read_ticks[first:last]
        if pulses.size < _FEWEST_PULSES and len(capture.lines):
            continue
        if capture.lines and (stop - start) * capture.tick_s < _SHORTEST_STAY_S:
            continue
        index = capture.index_ticks[slice(*np.searchsorted(capture.index_ticks, (start, stop)))]
        strength = None if capture.strength is None else capture.strength[first:last]
        segments.append(Segment(capture.name, capture.tick_s, pulses, index, cylinder, head, strength))
    return Session(tuple(segments), tuple(f"{capture.name}: {w}" for w in warnings))
