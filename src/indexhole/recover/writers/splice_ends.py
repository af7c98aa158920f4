"""Where one grid of cells gives way to another: the splices at both ends of a rewritten data field.

Times are turned into the formatter's cells first (`Curve`), which divides out the reader's speed and wow. There both
grids are straight lines, and each pulse between them belongs to the one it lies nearer to.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from indexhole.recover.writers.field_places import FieldPass, Geometry
from indexhole.recover.writers.formatting import Curve
from indexhole.recover.writers.grids import Floats, Pulses
from indexhole.signal.clock.streams import Stream

# Pulses this many standard deviations off a grid do not belong to it.
_OFF = 4.0
_LEAST_OFF = 0.06
# A phase is never claimed to better than this (our own choice): patterns of sync and gap shift pulses by as much.
_LEAST_PHASE_U = 0.01


@dataclass(frozen=True, slots=True)
class Splice:
    """Where one grid gives way to another, mean of the passes.

    Attributes:
        turn: revolutions from the index, 0 to 1; nan when it could not be placed.
        phase: cells the later grid stands behind the earlier one there, -0.5 to 0.5; `phase_u` its uncertainty.
        disturbed: cells between the last pulse on the one and the first on the other.
        gap: cells from the end of the field in front to the splice and on to the field behind (gap 2), or from the end
            of the data field to the splice (behind it).
    """

    turn: float
    phase: float
    phase_u: float
    disturbed: float
    gap: float


NOWHERE = Splice(math.nan, math.nan, math.nan, math.nan, math.nan)


@dataclass(frozen=True)
class _Grid:
    """A straight grid in the formatter's cells: cell number n stands at `zero` + n `step`."""

    zero: float
    step: float
    scatter: float

    def number(self, positions: Floats) -> Floats:
        return (positions - self.zero) / self.step

    def off(self, positions: Floats) -> Floats:
        """Cells from each of (k,) positions to the nearest cell of the grid."""
        n = self.number(positions)
        return n - np.round(n)


def _grid(pulses: Pulses, curve: Curve, first: float, last: float, origin: int) -> _Grid | None:
    low, high = pulses.index(np.array([first, last])).tolist()
    n = (pulses.cell[low:high] - origin).astype(np.float64)
    x = curve.cells_to(pulses.time[low:high])
    kept = np.ones(n.size, dtype=bool)
    for _ in range(2):
        if kept.sum() < 8:
            return None
        step, zero = np.polyfit(n[kept], x[kept], 1)
        rest = x - zero - step * n
        scatter = float(np.sqrt(np.mean(rest[kept] ** 2)))
        kept = np.abs(rest) <= _OFF * 1.4826 * float(np.median(np.abs(rest)))
    return _Grid(float(zero), float(step), scatter)


@dataclass(frozen=True)
class _Dwell:
    """A dwell: its pulses, the formatter's cell along it, and the stream they come from."""

    pulses: Pulses
    curve: Curve
    stream: Stream


def _meet(dwell: _Dwell, a: _Grid, b: _Grid, first: float, last: float) -> _Met | None:
    """The change from grid `a` to grid `b` among the pulses of a range of cells."""
    pulses, curve, stream = dwell.pulses, dwell.curve, dwell.stream
    low, high = pulses.index(np.array([first, last])).tolist()
    if high - low < 4:
        return None
    positions = curve.cells_to(pulses.time[low:high])
    bound = max(_OFF * max(a.scatter, b.scatter), _LEAST_OFF)
    off_a, off_b = np.abs(a.off(positions)), np.abs(b.off(positions))
    cost_a, cost_b = np.minimum(off_a, bound) ** 2, np.minimum(off_b, bound) ** 2
    cost = np.concatenate(([0.0], np.cumsum(cost_a))) + np.concatenate((np.cumsum(cost_b[::-1])[::-1], [0.0]))
    best = int(np.argmin(cost))
    left, right = best - 1, best
    while left > 0 and off_a[left] > bound:
        left -= 1
    while right < positions.size - 1 and off_b[right] > bound:
        right += 1
    left, right = max(left, 0), min(right, positions.size - 1)
    position = (positions[left] + positions[right]) / 2
    turn = _turn(position, pulses, curve, stream)
    return _Met(position, positions[right] - positions[left], turn, float(a.number(position) - b.number(position)))


def _turn(position: float, pulses: Pulses, curve: Curve, stream: Stream) -> float:
    """Revolutions from the first index to a place in the formatter's cells, the reader's wow divided out."""
    index = (stream.segment.index_ticks - stream.segment.read_ticks[0]).astype(np.float64)
    index = curve.cells_to(index[(index >= 0) & (index <= pulses.time[-1])])
    if not index.size:
        return math.nan
    usual = float(np.median(np.diff(index))) if index.size > 1 else stream.turn_ticks / float(np.median(curve.cell))
    before = max(int(np.searchsorted(index, position)) - 1, 0)
    length = float(index[before + 1] - index[before]) if before + 1 < index.size else usual
    return before + (position - float(index[before])) / length


@dataclass(frozen=True, slots=True)
class _Met:
    position: float
    disturbed: float
    turn: float
    lag: float


def pass_splices(
    p: FieldPass, g: Geometry, pulses: Pulses, curve: Curve, stream: Stream
) -> tuple[tuple[float, ...] | None, tuple[float, ...] | None]:
    """Of one pass: (turn, phase, disturbed, gap, scatter) at the start and at the end."""
    dwell = _Dwell(pulses, curve, stream)
    id_end = p.id_start + g.id_cells
    sync = p.data_start - g.lead
    data = _grid(pulses, curve, p.data_start - g.used + 2 * g.byte, p.data_start + g.reach, p.data_start)
    head = _grid(pulses, curve, p.id_start - g.used, (id_end + sync) / 2 if sync > id_end else id_end, p.id_start)
    start = end = None
    if data is not None and head is not None:
        met = _meet(dwell, head, data, (id_end + sync) / 2, p.data_start - g.used + 4 * g.byte)
        if met is not None:
            gap = met.lag - g.id_cells - g.lead
            start = (met.turn, met.lag, met.disturbed, gap, math.hypot(head.scatter, data.scatter))
    if p.next_id >= 0:
        last = p.data_end + g.tail
        tail = _grid(pulses, curve, last - g.reach, last, p.data_end)
        far = min(p.next_id + g.id_cells, last + g.margin + g.reach)
        behind = _grid(pulses, curve, last + g.margin, far, p.next_id)
        if tail is not None and behind is not None:
            met = _meet(dwell, tail, behind, last - 2 * g.byte, last + g.margin + g.byte)
            if met is not None:
                went_on = float(tail.number(np.array([met.position]))[0]) - g.tail
                end = (met.turn, met.lag, met.disturbed, went_on, math.hypot(tail.scatter, behind.scatter))
    return start, end


def mean_splice(found: Sequence[tuple[float, ...]], slope: float) -> Splice:
    """The passes together.

    Args:
        found: of each, as `pass_splices` gives them.
        slope: difference of the two cells, as a fraction.
    """
    if not found:
        return NOWHERE
    turn, lag, disturbed, gap, scatter = np.array(found).T
    middle = turn[0]
    around = float(np.median(turn - np.round(turn - middle)))
    phase = lag - np.round(lag - np.median(lag))
    value = float(np.median(phase))
    spread = float(np.std(phase, ddof=1)) if phase.size > 1 else float(scatter[0])
    # At another speed the phase depends on where exactly the splice is taken to be.
    u = math.hypot(spread / math.sqrt(phase.size), _LEAST_PHASE_U, slope * float(np.median(disturbed)) / math.sqrt(12))
    return Splice(around % 1.0, value - round(value), u, float(np.median(disturbed)), float(np.median(gap)))
