"""What a probe at the head sees of a track: pulses of alternating sign, with noise and drift, sampled evenly.

Each transition gives a Lorentzian pulse (textbook model, as in model.pulses); the read chain lets pass a band of
Gaussian shape, which delays nothing. Pulses crowd and shift one another by themselves: nothing is put in for it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from indexhole.model.simulator.pulses import Floats, Spindle
from indexhole.model.simulator.simulate import HeadOnTrack, Reader, RecordedTrack, index_times, spindle_of
from indexhole.model.suited import bandwidth_hz, sound_mechanism

Spectrum = npt.NDArray[np.complex128]

INDEX_LOW_S = 2e-3
_HIGH, _LOW = 5.0, 0.2
_LENGTH_STEP = 1 << 14
# Revolutions beyond the ends of a waveform from which pulses are put in.
_BEYOND = 0.005


@dataclass(frozen=True, slots=True)
class Probe:
    """How a waveform is taken.

    Attributes:
        sample_rate_hz: of the converter.
        scale, offset: volts of a full-width pulse, and of silence.
        drift: height of the wandering of the baseline over that of a full-width pulse; `drift_hz` how fast.
        swing: how much the height varies once a turn, fraction.
        bandwidth_hz: where the chain lets pass half the power; None: suits the zone.
    """

    sample_rate_hz: float = 10e6
    scale: float = 1.0
    offset: float = 0.0
    drift: float = 0.0
    drift_hz: float = 100.0
    swing: float = 0.0
    bandwidth_hz: float | None = None


@dataclass(frozen=True)
class Waveform:
    """A sampled track.

    Attributes:
        sample_rate_hz: samples a second.
        head: (n,) the head signal, V.
        index: (n,) the index line, V, active low.
        transitions_s: (k,) when each transition passes the head, s from the first sample.
        pulse_width_s: width of a lone pulse at half height.
    """

    sample_rate_hz: float
    head: Floats
    index: Floats
    transitions_s: Floats
    pulse_width_s: float


@dataclass(frozen=True)
class _Passing:
    """Transitions that pass the head: s from the first sample, heights with sign, width of a pulse at half height."""

    times_s: Floats
    heights: Floats
    width_s: float


def _passing(
    head: HeadOnTrack, track: RecordedTrack, spindle: Spindle, first: float, last: float, swing: float
) -> _Passing:
    """Those between two angles, and a little beyond both, from where pulses still reach in."""
    turns = np.arange(math.floor(first) - 1, math.ceil(last) + 1)
    angles = (track.angles + turns[:, None]).ravel()
    near = (angles > first - _BEYOND) & (angles < last + _BEYOND)
    sign = np.where(np.arange(np.count_nonzero(near)) % 2, -1.0, 1.0)
    heights = sign * np.tile(head.amplitude, turns.size)[near] * (1 + swing * np.sin(2 * math.pi * angles[near]))
    times_s = spindle.time(angles[near]) - spindle.time_at(first) + sign * head.asymmetry_s / 2
    return _Passing(times_s, heights, head.pulse_width * 60 / spindle.speed_rpm)


def _spectrum(passing: _Passing, ahead: int, size: int, rate_hz: float) -> Spectrum:
    """Spectrum (rfft of `size` samples, the first `ahead` before time 0) of Lorentzian pulses at any times.

    Each pulse is shared between the two samples about it, which keeps its place and rounds it a little; the
    spectrum of that rounding (sinc squared) is divided out again.
    """
    at = passing.times_s * rate_hz + ahead
    before = np.floor(at).astype(np.int64)
    share = at - before
    impulses = np.bincount(before, passing.heights * (1 - share), size)
    impulses += np.bincount(before + 1, passing.heights * share, size)
    line = np.fft.rfftfreq(size)
    half = passing.width_s / 2 * rate_hz
    pulse = math.pi * half * np.exp(-2 * math.pi * half * line)
    spectrum: Spectrum = np.fft.rfft(impulses) * pulse / np.sinc(line) ** 2
    return spectrum


def probe_track(
    track: RecordedTrack,
    rng: np.random.Generator,
    reader: Reader | None = None,
    probe: Probe | None = None,
    *,
    revolutions: float = 2,
    lead: float = 0.02,
) -> Waveform:
    """Sample one track from `lead` revolutions before an index to as much behind the last one.

    Height, noise and asymmetry come from the same forward model as the pulses of `simulate.read_track`.
    """
    reader, probe = reader or Reader(), probe or Probe()
    mechanism = reader.mechanism or sound_mechanism(track.layout)
    spindle = spindle_of(mechanism, track.layout.speed_rpm, rng)
    first, last = -lead, revolutions + lead
    begin_s, end_s = spindle.time_at(first), spindle.time_at(last)
    passing = _passing(HeadOnTrack(track, reader), track, spindle, first, last, probe.swing)
    rate_hz = probe.sample_rate_hz
    time_s = np.arange(int((end_s - begin_s) * rate_hz)) / rate_hz
    # Room for what lies beyond, and a length with small factors, for which the transform is quick.
    ahead = math.ceil(1.5 * _BEYOND * 60 / spindle.speed_rpm * rate_hz) + 1
    size = -(-(time_s.size + 2 * ahead) // _LENGTH_STEP) * _LENGTH_STEP
    passband = np.exp(
        -math.log(2) / 2 * (np.fft.rfftfreq(size, 1 / rate_hz) / (probe.bandwidth_hz or bandwidth_hz(track.zone))) ** 2
    )
    signal = np.fft.irfft(passband * _spectrum(passing, ahead, size, rate_hz), size)[ahead : ahead + time_s.size]
    noise = np.fft.irfft(passband * np.fft.rfft(rng.standard_normal(size)), size)[: time_s.size]
    wander = probe.drift * np.sin(2 * math.pi * (probe.drift_hz * time_s + rng.random()))
    index_s = index_times(first, last, spindle, mechanism, reader.index_jitter_s, rng) - begin_s
    return Waveform(
        rate_hz,
        probe.offset + probe.scale * (signal + mechanism.noise / noise.std() * noise + wander),
        _index_line(index_s, time_s, rng),
        passing.times_s,
        passing.width_s,
    )


def _index_line(index_s: Floats, time_s: Floats, rng: np.random.Generator) -> Floats:
    """The index line as a probe on it shows it."""
    since = np.searchsorted(index_s, time_s, side="right") - 1
    low = (since >= 0) & (time_s - index_s[np.maximum(since, 0)] < INDEX_LOW_S)
    return np.where(low, _LOW, _HIGH) + 0.02 * rng.standard_normal(time_s.size)
