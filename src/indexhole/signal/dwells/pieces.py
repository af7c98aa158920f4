"""Where a stay too long to be held as a whole is cut.

A piece holds at most 32 turns. It ends a quarter of a turn behind the place where the next one begins, at an index
pulse where there is one: the longest field of the known layouts is a sixth of a turn, so whatever a cut goes
through lies whole in one of the two pieces.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from indexhole.signal.captures.capture import Ticks

TURNS = 32
OVERLAP_TURNS = 0.25
# The slowest turn taken for one, times TURNS: what lies beyond has no say in where a piece ends.
LOOK_S = 8.0
_SHORTEST_TURN_S, _LONGEST_TURN_S = 0.1, LOOK_S / TURNS
_NOMINAL_TURN_S = 0.2
# Turns of a piece before which an index pulse is too early to cut at.
_EARLIEST_TURNS = 24
# A read-data line that chatters is cut by count; 32 turns of the densest recordings have half of this.
MOST_PULSES = 8_000_000
_OVERLAP_PULSES = MOST_PULSES // 4


@dataclass(frozen=True)
class Cut:
    """Ticks at which one piece ends and the next begins; the next begins first."""

    stop: int
    next_start: int


def _turn_s(index: Ticks, tick_s: float) -> float:
    """Seconds a turn by the index pulses; the nominal turn where they do not tell (none, or several a turn)."""
    if index.size < 2:
        return _NOMINAL_TURN_S
    turn_s = float(np.median(np.diff(index))) * tick_s
    return turn_s if _SHORTEST_TURN_S <= turn_s <= _LONGEST_TURN_S else _NOMINAL_TURN_S


def first_cut(pulses: Ticks, index: Ticks, start: int, stop: int, tick_s: float) -> Cut | None:
    """The first cut of a stay from `start` to `stop`, None when it is short enough.

    Args:
        pulses, index: events of the stay, from `start` on; those beyond `stop` are not looked at.
        stop: end of the stay; of one that goes on, how far it is known, at least LOOK_S or MOST_PULSES of it.
    """
    horizon = min(stop, start + round(LOOK_S / tick_s))
    if np.searchsorted(pulses, horizon) > MOST_PULSES:
        return Cut(int(pulses[MOST_PULSES]), int(pulses[MOST_PULSES - _OVERLAP_PULSES]))
    index = index[: np.searchsorted(index, horizon)]
    turn = _turn_s(index, tick_s) / tick_s
    if stop <= start + TURNS * turn:
        return None
    latest = start + int((TURNS - OVERLAP_TURNS) * turn)
    usable = index[(index > start + _EARLIEST_TURNS * turn) & (index <= latest)]
    next_start = int(usable[-1]) if usable.size else latest
    return Cut(next_start + int(OVERLAP_TURNS * turn), next_start)


def known_well_enough(pulses: int, start: int, known: int, tick_s: float) -> bool:
    """Whether of a stay that goes on enough is known, from `start` to `known`, to tell its first cut."""
    return known >= start + round(LOOK_S / tick_s) or pulses > MOST_PULSES
