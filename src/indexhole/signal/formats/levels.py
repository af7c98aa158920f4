"""Logic levels in samples of a voltage: between two levels, with the time of each change to a part of a sample."""

from __future__ import annotations

import numpy as np

from indexhole.signal.captures.capture import Ticks
from indexhole.signal.captures.gather import NO_TICKS, Levels
from indexhole.signal.formats.peaks import TICKS_PER_SAMPLE, Samples

# A logic line is hardly ever in the middle third of its range; a head signal is there for a fifth of its time at
# least (a sine wave for 22 %), noise for most of it.
_MIDDLE_SHARE = 0.1
# Its levels differ by more than this share of the larger; a still line flickers between two steps of the converter.
_LEAST_SWING = 0.3
# The line has changed when it has come this share of the way.
_CHANGED_AT = 0.65


def _range(samples: Samples) -> tuple[float, float]:
    """Lowest and highest of medians of three, so that a single wild sample does not set the range."""
    if samples.size < 3:
        return float(samples.min()), float(samples.max())
    one, two, three = samples[: samples.size // 3 * 3].reshape(-1, 3).T
    middle = np.maximum(np.minimum(one, two), np.minimum(np.maximum(one, two), three))
    return float(middle.min()), float(middle.max())


def _is_clear(samples: Samples, low: float, high: float) -> bool:
    third = (high - low) / 3
    middle = np.count_nonzero((samples > low + third) & (samples < high - third))
    swings = high - low > _LEAST_SWING * max(abs(low), abs(high))
    return bool(swings and middle < _MIDDLE_SHARE * samples.size)


def has_two_levels(samples: Samples) -> bool:
    """Whether a stretch of samples, both levels in it, is of a logic line."""
    return samples.size > 0 and _is_clear(samples, *_range(samples))


class LevelFinder:
    """Takes samples of a line chunk by chunk, hands out its changes; the first is the level the line opens with.

    The range of the line is that seen so far. Until two levels have been seen the line counts as at rest.
    """

    def __init__(self) -> None:
        self._low, self._high = np.inf, -np.inf
        self._level: int | None = None
        self._last = np.empty(0, dtype=np.float32)
        self._offset = 0

    def feed(self, samples: Samples) -> tuple[Ticks, Levels]:
        """Ticks (n,) and levels (n,) of the changes in a chunk."""
        offset = self._offset
        self._offset += samples.size
        x = np.concatenate((self._last, samples))
        self._last = samples[-1:] if samples.size else self._last
        low, high = _range(samples) if samples.size else (np.inf, -np.inf)
        low, high = min(low, self._low), max(high, self._high)
        if not samples.size or not _is_clear(samples, low, high):
            return NO_TICKS, np.empty(0, dtype=np.uint8)
        self._low, self._high = low, high
        down, up = high - _CHANGED_AT * (high - low), low + _CHANGED_AT * (high - low)
        told = np.flatnonzero((samples <= down) | (samples >= up))
        if not told.size:
            return NO_TICKS, np.empty(0, dtype=np.uint8)
        level = (samples[told] >= up).astype(np.uint8)
        opening = self._level is None
        before = np.concatenate(([level[0] if self._level is None else self._level], level[:-1]))
        self._level = int(level[-1])
        at = told[before != level]
        changes = level[before != level]
        # Where the straight line between this sample and the one before passes the level of change.
        inside = at + x.size - samples.size
        here = x[inside].astype(np.float64)
        prior = x[np.maximum(inside - 1, 0)].astype(np.float64)
        passed = np.where(changes == 1, up, down)
        step = np.where(here == prior, 1.0, here - prior)
        part = np.clip((here - passed) / step, 0.0, 1.0)
        ticks = np.rint((offset + at - part) * TICKS_PER_SAMPLE).astype(np.int64)
        if opening:
            ticks = np.concatenate((np.array([offset * TICKS_PER_SAMPLE]), ticks))
            changes = np.concatenate((level[:1], changes))
        return ticks, changes

    def falls(self, samples: Samples) -> Ticks:
        """Ticks (n,) of the falls in a chunk."""
        opening = self._level is None
        ticks, levels = self.feed(samples)
        first = 1 if opening else 0
        fallen: Ticks = ticks[first:][levels[first:] == 0]
        return fallen
