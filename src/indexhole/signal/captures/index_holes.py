"""Sorts the pulses of an index line: one hole a turn, or a hard-sectored disk's holes and the index among them.

A hard-sectored disk has n holes evenly spaced and one more between two of them (10 + 1, 16 + 1 or 32 + 1: common
practice, no source). Its pulses come every n-th of a turn, but once a turn one of those spaces is cut in two: the
pulse in between is the index. Where exactly it stands is not known beforehand, so any place well inside the space
counts. n is the number of spaces between two such pulses; with fewer than two of them, the known count whose turn
comes near 300 or 360 r/min.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from indexhole.signal.captures.capture import Ticks

# Spaces between holes: 32 + 1 on a fast spindle, 4 on a slow one.
_SHORTEST_SPACE_S, _LONGEST_SPACE_S = 0.0035, 0.06
_BOUNCE_S = 0.0005
_SHORTEST_TURN_S, _LONGEST_TURN_S = 0.1, 0.3
_FEWEST_HOLES, _MOST_HOLES = 4, 64
_KNOWN_HOLES = (10, 16, 32)
_NOMINAL_TURNS_S = (60 / 300, 60 / 360)
_NEAR_NOMINAL = 0.06
# A space this much off the usual one is not whole; two parts of one add up to it as nearly.
_UNEVEN = 0.15
# An index pulse may come early or late by half of this part of a turn.
_SOFT_PARTS = 5
# A spindle whose turns differ by more is running up; nothing is told of its index then.
_UNSTEADY = 0.05
# Share of spaces, whole or cut in two, without which the pulses are no holes.
_REGULAR = 0.8


@dataclass(frozen=True)
class IndexHoles:
    """What the pulses of an index line are.

    Attributes:
        holes: sector holes a turn, 0 on a soft-sectored disk.
        index_ticks: the true index alone.
        turn_ticks: ticks of one revolution, None when nothing tells.
    """

    holes: int
    index_ticks: Ticks
    turn_ticks: float | None


def sort_holes(index_ticks: Ticks, tick_s: float) -> IndexHoles:
    """Tell the true index from sector holes.

    Args:
        index_ticks: (m,) int64 pulses of the index line, rising order.
        tick_s: seconds per tick.
    """
    index_ticks = _once(index_ticks, tick_s)
    soft = _soft_sectored(index_ticks)
    spaces = np.diff(index_ticks).astype(np.float64)
    if spaces.size < 3:
        return soft
    space = float(np.median(spaces))
    if not _SHORTEST_SPACE_S < space * tick_s < _LONGEST_SPACE_S:
        return soft
    whole = np.abs(spaces / space - 1) < _UNEVEN
    extra = _between(spaces / space, whole)
    if np.count_nonzero(whole) + np.count_nonzero(extra) * 2 < _REGULAR * spaces.size:
        return soft
    space = float(spaces[whole].mean())
    found = index_ticks[extra]
    holes = _count(found, space) or _known_count(space * tick_s)
    if not (holes and _SHORTEST_TURN_S < holes * space * tick_s < _LONGEST_TURN_S):
        return soft
    index = _one_a_turn(found, holes, holes * space)
    turn = float(np.diff(index).mean()) if index.size > 1 else holes * space
    return IndexHoles(holes, index, turn)


def _once(index_ticks: Ticks, tick_s: float) -> Ticks:
    """The pulses without those that follow another at once: a worn sensor pulses twice at one hole."""
    if index_ticks.size < 2:
        return index_ticks
    return index_ticks[np.concatenate(([True], np.diff(index_ticks) * tick_s > _BOUNCE_S))]


def _soft_sectored(index_ticks: Ticks) -> IndexHoles:
    """One pulse a turn: those a sensor missed are put in and stray ones left out, where the rest is regular."""
    turn = _usual_turn(index_ticks)
    if turn is None or index_ticks.size < 4:
        return IndexHoles(0, index_ticks, turn)
    turns = np.diff(index_ticks) / turn
    if np.all(np.abs(turns - 1) < _UNSTEADY):
        return IndexHoles(0, index_ticks, turn)
    mended = _one_a_turn(index_ticks, _SOFT_PARTS, turn)
    steady = mended.size > 1 and bool(np.all(np.abs(np.diff(mended) / turn - 1) < _UNSTEADY))
    return IndexHoles(0, mended if steady else index_ticks, turn)


def _usual_turn(index_ticks: Ticks) -> float | None:
    """Ticks of a turn where every pulse is an index; missed or doubled ones must not set it."""
    if index_ticks.size < 2:
        return None
    spaces = np.diff(index_ticks)
    usual = float(np.median(spaces))
    kept = spaces[np.abs(spaces - usual) < 0.2 * usual]
    return float(kept.mean()) if usual > 0 and kept.size else None


def _between(spaces: npt.NDArray[np.float64], whole: npt.NDArray[np.bool_]) -> npt.NDArray[np.bool_]:
    """Which pulses cut a space in two: (n + 1,) bool for (n,) spaces in units of the usual one."""
    extra = np.zeros(spaces.size + 1, dtype=np.bool_)
    short = spaces < 1 - _UNEVEN
    extra[1:-1] = short[:-1] & short[1:] & (np.abs(spaces[:-1] + spaces[1:] - 1) < _UNEVEN)
    # At an end of the log half of the cut space is missing: the pulse that no whole space adjoins is the index.
    part = spaces > _UNEVEN
    extra[0] = short[0] & part[0] & whole[1]
    extra[-1] = short[-1] & part[-1] & whole[-2]
    return extra


def _count(found: Ticks, space: float) -> int:
    """Holes between one index and the next by most of them, 0 when fewer than two were found."""
    apart = np.rint(np.diff(found) / space).astype(np.int64)
    apart = apart[(apart >= _FEWEST_HOLES) & (apart <= _MOST_HOLES)]
    if not apart.size:
        return 0
    # A missed index makes two turns of one.
    votes: Counter[int] = Counter(apart.tolist())
    return max(votes, key=lambda n: (sum(v for k, v in votes.items() if k % n == 0), -n))


def _known_count(space_s: float) -> int:
    """The usual count of holes whose turn comes near a nominal one, 0 when none does."""
    off, holes = min((abs(n * space_s / turn_s - 1), n) for n in _KNOWN_HOLES for turn_s in _NOMINAL_TURNS_S)
    return holes if off < _NEAR_NOMINAL else 0


def _one_a_turn(found: Ticks, holes: int, turn: float) -> Ticks:
    """The found pulses that lie whole turns apart, with those that were missed in between put in."""
    if found.size < 2:
        return found
    best = max((_in_step(found, k, turn, holes) for k in range(min(found.size, 32))), key=len)
    filled = [best[:1]]
    for one, other in zip(best[:-1].tolist(), best[1:].tolist(), strict=True):
        turns = max(1, round((other - one) / turn))
        filled.append(np.rint(one + (other - one) * np.arange(1, turns + 1) / turns).astype(np.int64))
    return np.concatenate(filled)


def _in_step(found: Ticks, first: int, turn: float, holes: int) -> Ticks:
    """Pulses a whole number of turns, to half a space, from the one before; the chain starts at `first`."""
    chain = [int(found[first])]
    for tick in found[first + 1 :].tolist():
        turns = (tick - chain[-1]) / turn
        if turns > 0.5 and abs(turns - round(turns)) < 0.5 / holes * max(1.0, turns):
            chain.append(tick)
    return np.array(chain, dtype=np.int64)
