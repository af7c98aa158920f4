"""Peaks of a read-head waveform: where the flux transitions are, and how high each pulse is.

The head gives a pulse of alternating sign at each transition, on a baseline that drifts. The finder takes the
baseline and the height of the signal as means over the samples about each one. A peak counts when it stands above
a share of that height and the signal has since fallen well below it; one of the same sign as the last counts only
when the signal had sunk in between (a pulse of the other sign was lost there). Its time is where the slope of
the signal passes zero, the slope at a sample being that of a parabola fitted to the samples about it (Savitzky and
Golay, Analytical Chemistry 36, 1964, from memory).

docs/signals.md has the figures measured with it.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from numba import njit

from indexhole.signal.captures.capture import Ticks
from indexhole.signal.captures.gather import Strengths

Samples = npt.NDArray[np.float32]

# Sub-sample steps of the time of a peak.
TICKS_PER_SAMPLE = 16
TYPICAL = 128

# A peak must stand above the baseline by this share of the mean height of the signal about it (of pulses that
# touch, the peaks are some twice as high as the mean) ...
_SHARE = 0.5
# ... it is over when the signal has sunk to this share of it ...
_OVER = 0.5
# ... and one of the same sign as the last needs a rise by this share of the mean height.
_RISE = 0.8
# But nothing counts below this share of the loudest peaks of late: a blank stretch is no signal. What was loud is
# forgotten by a factor e in so many usual spacings between pulses (a tenth of a turn).
_LOWEST = 0.06
_SILENT = 1e-3
_FORGETTING = 4096.0
# Of each peak this much goes into the typical height: a tenth of a turn sets it, a weak stretch hardly moves it. Of
# peaks below a quarter of it, less goes in, so that it outlasts a scratch; of those beyond twice, counted as
# twice, more, so that it recovers from a blank stretch and a crackle does nothing.
_TYPICAL_GAIN, _WEAK_GAIN, _STRONG_GAIN = 1 / 4096, 1 / 16384, 1 / 16
_SPACING_GAIN = 1 / 64
# The baseline, and the mean height, are means over this time on either side: tens of pulses of either sign.
_AROUND_S = 50e-6
# Half width of the fitted stretch, and of the mean in which peaks are looked for, over the usual spacing.
_FIT_SHARE, _SMOOTH_SHARE = 0.16, 0.13
_WIDEST_FIT = 128
# Samples on each side that placing a peak may look at.
_PLACING = 2 * _WIDEST_FIT + 2
# No recording has its pulses usually closer or farther apart than this.
_SHORTEST_S, _LONGEST_S = 0.8e-6, 30e-6
# Samples of a stretch whose spectrum is taken, and the lowest line of it that can be a recording.
_SPECTRUM_SAMPLES = 1 << 16
_LOWEST_LINE = 6

# Slots of the state carried from chunk to chunk.
_TYPICAL_HEIGHT, _LOUD, _SPACING, _LAST, _SIGN, _PEAK, _AT, _LAST_SIGN, _LOW = range(9)
_STATE_SIZE = 9


@njit(cache=True, nogil=True)
def _slope(x, at, half):  # type: ignore[no-untyped-def]
    """Slope at sample `at` of the parabola fitted to `half` samples on either side, times a constant."""
    near = x[at - half : at + half + 1]
    slope = 0.0
    for k in range(near.size):
        slope += (k - half) * near[k]
    return slope


@njit(cache=True, nogil=True)
def _turning_point(x, at, sign, half):  # type: ignore[no-untyped-def]
    """Where the slope of the peak near sample `at` passes zero, as sample plus fraction; `at` when it does not."""
    here = sign * _slope(x, at, half)
    step = 1 if here > 0 else -1
    for k in range(half + 1):
        there = sign * _slope(x, at + (k + 1) * step, half)
        if here * there <= 0 and here != there:
            return at + step * (k + here / (here - there))
        here = there
    return float(at)


@njit(cache=True, nogil=True)
def _take_level(x, first, smooth, around, out):  # type: ignore[no-untyped-def]
    """Write, for the samples of `x` from `first` on, the mean of `smooth` on either side less that of `around`."""
    near = x[first - smooth : first + smooth].sum()
    far = x[first - around : first + around].sum()
    near_in, near_out = x[first + smooth :], x[first - smooth :]
    far_in, far_out = x[first + around :], x[first - around :]
    near_share, far_share = 1.0 / (2 * smooth + 1), 1.0 / (2 * around + 1)
    for k in range(out.size):
        near += near_in[k]
        far += far_in[k]
        out[k] = near * near_share - far * far_share
        near -= near_out[k]
        far -= far_out[k]


@njit(cache=True, nogil=True)
def _find(x, y, first, count, around, offset, state, places, strengths):  # type: ignore[no-untyped-def]
    """Run the finder over `count` samples from `first` on; sample 0 of `x` and `y` is `offset` of the signal.

    Writes places (samples of the whole signal, with fraction) and strengths; returns how many.
    """
    found = 0
    typical, loud, spacing, last = state[_TYPICAL_HEIGHT], state[_LOUD], state[_SPACING], state[_LAST]
    sign, peak, at, last_sign, low = state[_SIGN], state[_PEAK], state[_AT], state[_LAST_SIGN], state[_LOW]
    here, coming, going = y[first:], y[first + around :], y[first - around :]
    total = np.abs(y[first - around : first + around]).astype(np.float64).sum()
    share = 1.0 / (2 * around + 1)
    keep = 1 - 1 / (_FORGETTING * spacing)
    for k in range(count):
        loud = max(loud * keep, _SILENT * typical)
        total += abs(coming[k])
        height = total * share
        total -= abs(going[k])
        if sign != 0:
            v = sign * here[k]
            if v > peak:
                peak = v
                at = first + k + offset
            elif v < _OVER * peak:
                half = min(max(int(_FIT_SHARE * spacing + 0.5), 1), _WIDEST_FIT)
                place = _turning_point(x, int(at - offset), sign, half) + offset
                if place > last:
                    places[found] = place
                    strengths[found] = int(min(max(peak / typical * TYPICAL + 0.5, 0.0), 255.0))
                    found += 1
                    gap = min(max(place - last, 0.5 * spacing), 2 * spacing)
                    spacing += (gap - spacing) * _SPACING_GAIN
                    last = place
                gain = _WEAK_GAIN if peak < 0.25 * typical else _TYPICAL_GAIN if peak < 2 * typical else _STRONG_GAIN
                typical += (min(peak, 2 * typical) - typical) * gain
                loud = max(loud, loud + (min(peak, 2 * loud) - loud) * _STRONG_GAIN)
                keep = 1 - 1 / (_FORGETTING * spacing)
                last_sign = sign
                low = v
                sign = 0.0
        if sign == 0:
            lowest = _LOWEST * loud
            threshold = max(_SHARE * height, lowest)
            v = last_sign * here[k]
            if -v > threshold:
                sign, peak, at = -last_sign, -v, first + k + offset
            elif v < low:
                low = v
            elif v > threshold and v > low + max(_RISE * height, lowest):
                sign, peak, at = last_sign, v, first + k + offset
    state[_TYPICAL_HEIGHT], state[_LOUD], state[_SPACING], state[_LAST] = typical, loud, spacing, last
    state[_SIGN], state[_PEAK], state[_AT], state[_LAST_SIGN], state[_LOW] = sign, peak, at, last_sign, low
    return found


def _usual_spacing(opening: Samples) -> float:
    """Samples between pulses, roughly: pulses alternate, so two make one swing of the strongest octave."""
    size = min(opening.size, _SPECTRUM_SAMPLES)
    parts = opening[: opening.size // size * size].reshape(-1, size).astype(np.float64)
    ramp = np.linspace(-1.0, 1.0, size)
    parts = parts - parts.mean(axis=1, keepdims=True)
    parts -= (parts @ ramp / (ramp @ ramp))[:, None] * ramp
    power = (np.abs(np.fft.rfft(parts * np.hanning(size))) ** 2).sum(axis=0)
    total = np.concatenate(([0.0], np.cumsum(power)))
    # octaves on a grid of quarters, the lowest of them above what is left of a drift
    low = np.unique(np.geomspace(_LOWEST_LINE, max(power.size / 2, _LOWEST_LINE), 64).astype(np.int64))
    best = int(low[np.argmax(total[2 * low] - total[low])]) if power.size > 2 * _LOWEST_LINE else power.size // 2
    lines = np.arange(best, min(2 * best, power.size))
    weight = power[lines]
    centre = float(lines @ weight / weight.sum()) if weight.sum() > 0 else float(size)
    return max(size / (2 * centre), 1.0)


class PeakFinder:
    """Takes a waveform chunk by chunk, hands out its pulses.

    The signal is continued beyond both ends by its mirror image, so that means have something to go over there.

    Args:
        opening: the first samples, a turn of the disk or less; they tell the usual spacing and height to begin
            with, and are still to be fed.
        rate_hz: samples a second.
    """

    def __init__(self, opening: Samples, rate_hz: float) -> None:
        spacing = min(max(_usual_spacing(opening), _SHORTEST_S * rate_hz, 2.0), _LONGEST_S * rate_hz)
        self._smooth = int(_SMOOTH_SHARE * spacing)
        self._around = max(int(_AROUND_S * rate_hz), self._smooth)
        # What lies about a sample that its level, or its place as a peak, is made of.
        self._margin = max(self._around, _PLACING)
        level = np.empty_like(opening)
        mirrored = np.pad(opening, self._margin, mode="reflect")
        _take_level(mirrored, self._margin, self._smooth, self._around, level)
        self._state = np.zeros(_STATE_SIZE)
        height = max(float(np.quantile(np.abs(level), 0.9)), float(np.finfo(np.float32).tiny))
        self._state[[_TYPICAL_HEIGHT, _LOUD, _SPACING]] = height, height, spacing
        # The first sample, and the last, are turning points of the continued signal: no pulses are seen there.
        self._state[[_LAST, _LAST_SIGN, _LOW]] = 0.0, 1.0, np.inf
        # Kept from chunk to chunk: samples from `_offset` on, levels of them but for a margin at the end; the
        # finder has been over all before `_next`.
        self._offset = -2 * self._margin
        self._samples: Samples = np.pad(opening, (2 * self._margin, 0), mode="reflect")[: 2 * self._margin]
        self._levels: Samples = np.zeros(self._margin, dtype=np.float32)
        self._next = 0

    def feed(self, samples: Samples, *, last: bool = False) -> tuple[Ticks, Strengths, int]:
        """Take a chunk (the last one of the signal when so said).

        Returns:
            ticks (n,) rising, strengths (n,), and the tick before which all pulses have been handed out.
        """
        x = np.concatenate((self._samples, samples))
        end = self._offset + x.size
        if last:
            x = np.pad(x, (0, 2 * self._margin), mode="reflect")
        y = np.empty(max(x.size - self._margin, self._levels.size), dtype=np.float32)
        y[: self._levels.size] = self._levels
        _take_level(x, self._levels.size, self._smooth, self._around, y[self._levels.size :])
        first = self._next - self._offset
        count = max(y.size - self._margin - first, 0)
        # A peak a sample at the very most.
        places = np.empty(count)
        strengths = np.empty(places.size, dtype=np.uint8)
        found = _find(x, y, first, count, self._around, self._offset, self._state, places, strengths)
        self._next += count
        # A peak that is not over yet will be placed once it is.
        oldest = int(self._state[_AT]) if self._state[_SIGN] else self._next
        drop = min(max(min(oldest, self._next) - self._offset, 0), y.size) - self._margin
        self._samples, self._levels = x[drop:], y[drop:]
        self._offset += drop
        ticks = np.rint(places[:found] * TICKS_PER_SAMPLE).astype(np.int64)
        inside = ticks < (end - 1) * TICKS_PER_SAMPLE
        return ticks[inside], strengths[:found][inside], (oldest - _PLACING) * TICKS_PER_SAMPLE
