"""Peaks of a read-head waveform: where the flux transitions are, and how high each pulse is.

The head gives a pulse of alternating sign at each transition, on a baseline that drifts. The finder follows the
baseline and the usual height of pulses. A peak counts when it stands above a share of that height and the
signal has since fallen well below it; one of the same sign as the last counts only when the signal had sunk in between
(a pulse of the other sign was lost there). Its time is where the slope of the signal passes zero: slope and
bend of a parabola fitted to the samples about the peak (Savitzky and Golay, Analytical Chemistry 36, 1964, from
memory), the fit being moved until the zero lies in its middle sample.

docs/signals.md has the figures measured with it.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from numba import njit

from indexhole.signal.build import Strengths
from indexhole.signal.capture import Ticks

Samples = npt.NDArray[np.float32]

# Sub-sample steps of the time of a peak.
TICKS_PER_SAMPLE = 16
TYPICAL = 128

# A peak must stand this share of the usual height above the baseline ...
_SHARE = 0.35
# ... it is over when the signal has sunk to this share of it ...
_OVER = 0.5
# ... and one of the same sign needs a rise of this share of the usual height.
_RISE = 0.4
# Of each peak this much goes into the height that peaks are judged by, and into the typical height.
_HEIGHT_GAIN, _TYPICAL_GAIN = 1 / 16, 1 / 512
_SPACING_GAIN = 1 / 64
# After this many usual spacings without a peak the height to judge by shrinks, by a factor e in so many more ...
_PATIENCE, _FORGETTING = 8.0, 32.0
# ... but not below this share of the typical height.
_LOWEST = 0.05
# The baseline is the mean over this time on either side: tens of pulses of either sign in any recording.
_BASELINE_S = 50e-6
# Half width of the fitted stretch, and of the mean that peaks are looked for in, over the usual spacing.
_FIT_SHARE, _SMOOTH_SHARE = 0.16, 0.05
_WIDEST_FIT = 128
_MOST_MOVES = 4
# Samples on each side that placing a peak may look at.
_PLACING = (_MOST_MOVES + 2) * _WIDEST_FIT

# No recording has its pulses usually closer or farther apart than this.
_SHORTEST_S, _LONGEST_S = 0.8e-6, 30e-6
# Samples of a stretch whose spectrum is taken, and the lowest line of it that can be a recording.
_SPECTRUM_SAMPLES = 1 << 16
_LOWEST_LINE = 6

# Slots of the state carried from chunk to chunk.
_HEIGHT, _TYPICAL_HEIGHT, _SPACING, _LAST, _SIGN, _PEAK, _AT, _LAST_SIGN, _LOW = range(9)
_STATE_SIZE = 9


@njit(cache=True, nogil=True)
def _vertex(x, at, sign, half):  # type: ignore[no-untyped-def]
    """Place of the peak near sample `at`, as sample plus fraction; `at` itself when no bump can be fitted."""
    n = x.size
    squares = half * (half + 1) * (2 * half + 1) / 3.0
    mean_square = squares / (2 * half + 1)
    fourths = 0.0
    for k in range(-half, half + 1):
        fourths += (k * k - mean_square) ** 2
    shift = 0.0
    for _ in range(_MOST_MOVES):
        if at - half < 0 or at + half >= n:
            break
        slope = 0.0
        bend = 0.0
        for k in range(-half, half + 1):
            slope += k * x[at + k]
            bend += (k * k - mean_square) * x[at + k]
        slope /= squares
        bend /= fourths
        if bend * sign >= 0:
            break
        shift = min(max(-slope / (2 * bend), -half), half)
        if abs(shift) <= 0.5:
            break
        move = int(np.rint(shift))
        at += move
        shift -= move
    return at + min(max(shift, -0.5), 0.5)


@njit(cache=True, nogil=True)
def _find(x, first, stop, smooth, around, offset, state, places, strengths):  # type: ignore[no-untyped-def]
    """Run the finder over samples `first` to `stop` of `x`; sample 0 of `x` is `offset` of the whole signal.

    A sample is the mean of `smooth` samples on either side less the mean of `around` samples on either side.
    Writes places (samples of the whole signal, with fraction) and strengths; returns how many.
    """
    n = x.size
    count = 0
    height, typical, spacing = state[_HEIGHT], state[_TYPICAL_HEIGHT], state[_SPACING]
    last, sign, peak, at = state[_LAST], state[_SIGN], state[_PEAK], state[_AT]
    last_sign, low = state[_LAST_SIGN], state[_LOW]
    near = 0.0
    far = 0.0
    for k in range(max(first - smooth, 0), min(first + smooth, n)):
        near += x[k]
    for k in range(max(first - around, 0), min(first + around, n)):
        far += x[k]
    near_share = 1.0 / (2 * smooth + 1)
    far_share = 1.0 / (2 * around + 1)
    patience = _PATIENCE * spacing
    for i in range(first, stop):
        if i + smooth < n:
            near += x[i + smooth]
        if i + around < n:
            far += x[i + around]
        if i >= around and i + around < n:
            y = near * near_share - far * far_share
        else:
            # the means are over fewer at the ends of the signal
            near_share = 1.0 / (min(i + smooth, n - 1) - max(i - smooth, 0) + 1)
            far_share = 1.0 / (min(i + around, n - 1) - max(i - around, 0) + 1)
            y = near * near_share - far * far_share
            near_share = 1.0 / (2 * smooth + 1)
            far_share = 1.0 / (2 * around + 1)
        if i >= smooth:
            near -= x[i - smooth]
        if i >= around:
            far -= x[i - around]
        here = i + offset
        if sign != 0:
            v = sign * y
            if v > peak:
                peak = v
                at = here
            elif v < _OVER * peak:
                half = min(max(int(_FIT_SHARE * spacing + 0.5), 1), _WIDEST_FIT)
                place = _vertex(x, int(at - offset), sign, half) + offset
                if place > last:
                    places[count] = place
                    strengths[count] = int(min(max(peak / typical * TYPICAL + 0.5, 0.0), 255.0))
                    count += 1
                    gap = place - last
                    spacing += (min(max(gap, 0.5 * spacing), 2 * spacing) - spacing) * _SPACING_GAIN
                    patience = _PATIENCE * spacing
                    last = place
                gain = _HEIGHT_GAIN if peak < 2 * height else 0.25
                height += (peak - height) * gain
                typical += (peak - typical) * _TYPICAL_GAIN
                last_sign = sign
                low = v
                sign = 0.0
        if sign == 0:
            if here - last > patience:
                height = max(height * (1 - 1 / (_FORGETTING * spacing)), _LOWEST * typical)
            threshold = _SHARE * height
            v = last_sign * y
            if -v > threshold:
                sign, peak, at = -last_sign, -v, here
            elif v < low:
                low = v
            elif v > threshold and v > low + _RISE * height:
                sign, peak, at = last_sign, v, here
    state[_HEIGHT], state[_TYPICAL_HEIGHT], state[_SPACING] = height, typical, spacing
    state[_LAST], state[_SIGN], state[_PEAK], state[_AT] = last, sign, peak, at
    state[_LAST_SIGN], state[_LOW] = last_sign, low
    return count


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


def _level(opening: Samples, around: int) -> npt.NDArray[np.float64]:
    """Samples less the baseline, which at the ends is a mean over fewer."""
    total = np.concatenate(([0.0], np.cumsum(opening, dtype=np.float64)))
    at = np.arange(opening.size)
    low, high = np.maximum(at - around, 0), np.minimum(at + around + 1, opening.size)
    level: npt.NDArray[np.float64] = opening - (total[high] - total[low]) / (high - low)
    return level


class PeakFinder:
    """Takes a waveform chunk by chunk, hands out its pulses.

    Args:
        opening: the first samples, a turn of the disk or less; they tell the usual spacing and height to begin
            with, and are still to be fed.
        rate_hz: samples a second.
    """

    def __init__(self, opening: Samples, rate_hz: float) -> None:
        spacing = min(max(_usual_spacing(opening), _SHORTEST_S * rate_hz, 2.0), _LONGEST_S * rate_hz)
        around = max(int(_BASELINE_S * rate_hz), 1)
        height = float(np.quantile(np.abs(_level(opening, around)), 0.9))
        height = max(height, float(np.finfo(np.float32).tiny))
        self._state = np.zeros(_STATE_SIZE)
        self._state[[_HEIGHT, _TYPICAL_HEIGHT, _SPACING]] = height, height, spacing
        self._state[[_LAST, _LAST_SIGN, _LOW]] = -1.0, 1.0, np.inf
        self._smooth = int(_SMOOTH_SHARE * spacing)
        self._around = around
        self._margin = max(self._around, _PLACING)
        self._kept: Samples = opening[:0]
        self._offset = 0
        self._next = 0

    def feed(self, samples: Samples, *, last: bool = False) -> tuple[Ticks, Strengths, int]:
        """Take a chunk (the last one of the signal when so said).

        Returns:
            ticks (n,) rising, strengths (n,), and the tick before which all pulses have been handed out.
        """
        x = np.concatenate((self._kept, samples))
        first = self._next - self._offset
        stop = x.size if last else max(x.size - self._margin, first)
        places = np.empty((stop - first) // 2 + 1)
        strengths = np.empty(places.size, dtype=np.uint8)
        count = _find(x, first, stop, self._smooth, self._around, self._offset, self._state, places, strengths)
        self._next = self._offset + stop
        # A peak that is not over yet will be placed once it is.
        oldest = int(self._state[_AT]) if self._state[_SIGN] else self._next
        keep = max(min(oldest - _PLACING, self._next - self._margin), self._offset)
        self._kept = x[keep - self._offset :]
        self._offset = keep
        ticks = np.rint(places[:count] * TICKS_PER_SAMPLE).astype(np.int64)
        return ticks, strengths[:count].copy(), (oldest - _PLACING) * TICKS_PER_SAMPLE
