"""What a probe at the head sees of a track: pulses of alternating sign, with noise and drift, sampled evenly.

Each transition gives a Lorentzian pulse (textbook model, as in model.pulses); the read chain lets pass a band of
Gaussian shape, which delays nothing. Pulses crowd and shift one another by themselves: nothing is put in for it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from indexhole.model.pulses import Floats
from indexhole.model.simulate import HeadOnTrack, Reader, RecordedTrack, index_times, spindle_of
from indexhole.model.suited import bandwidth_hz, sound_mechanism

Spectrum = npt.NDArray[np.complex128]

INDEX_LOW_S = 2e-3
_HIGH, _LOW = 5.0, 0.2


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


def _pulses(times_s: Floats, heights: Floats, size: int, rate_hz: float, width_s: float) -> Spectrum:
    """Spectrum (rfft of `size` samples) of Lorentzian pulses at any times.

    Each pulse is shared between the two samples about it, which keeps its place and rounds it a little; the
    spectrum of that rounding (sinc squared) is divided out again.
    """
    at = times_s * rate_hz
    before = np.floor(at).astype(np.int64)
    share = at - before
    impulses = np.bincount(before, heights * (1 - share), size) + np.bincount(before + 1, heights * share, size)
    line = np.fft.rfftfreq(size)
    half = width_s / 2 * rate_hz
    spectrum: npt.NDArray[np.complex128] = np.fft.rfft(impulses[:size]) * (
        math.pi * half * np.exp(-2 * math.pi * half * line) / np.sinc(line) ** 2
    )
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
    head = HeadOnTrack(track, reader)
    first, last = -lead, revolutions + lead
    begin_s = spindle.time_at(first)
    rate_hz = probe.sample_rate_hz
    samples = int((spindle.time_at(last) - begin_s) * rate_hz)
    # a little more on both sides, so that pulses beyond the ends reach in
    turns = np.arange(math.floor(first) - 1, math.ceil(last) + 1)
    angles = (track.angles + turns[:, None]).ravel()
    near = (angles > first - lead / 2) & (angles < last + lead / 2)
    angles, heights = angles[near], np.tile(head.amplitude, turns.size)[near]
    heights = heights * (1 + probe.swing * np.sin(2 * math.pi * angles))
    sign = np.where(np.arange(angles.size) % 2, -1.0, 1.0)
    times_s = spindle.time(angles) + sign * head.asymmetry_s / 2
    margin_s = spindle.time_at(lead / 2) + 1e-5
    width_s = head.pulse_width * 60 / spindle.speed_rpm
    margin = math.ceil(margin_s * rate_hz)
    size = samples + 2 * margin
    lines_hz = np.fft.rfftfreq(size, 1 / rate_hz)
    chain = np.exp(-math.log(2) / 2 * (lines_hz / (probe.bandwidth_hz or bandwidth_hz(track.zone))) ** 2)
    signal = np.fft.irfft(
        chain * _pulses(times_s - begin_s + margin / rate_hz, sign * heights, size, rate_hz, width_s), size
    )[margin : margin + samples]
    noise = np.fft.irfft(chain * np.fft.rfft(rng.standard_normal(size)), size)[:samples]
    time_s = np.arange(samples) / rate_hz
    wander = probe.drift * np.sin(2 * math.pi * (probe.drift_hz * time_s + rng.random()))
    index_s = index_times(first, last, spindle, mechanism, reader.index_jitter_s, rng) - begin_s
    return Waveform(
        rate_hz,
        probe.offset + probe.scale * (signal + mechanism.noise / noise.std() * noise + wander),
        _index_line(index_s, time_s, rng),
        times_s - begin_s,
        width_s,
    )


def _index_line(index_s: Floats, time_s: Floats, rng: np.random.Generator) -> Floats:
    """The index line as a probe on it shows it."""
    since = np.searchsorted(index_s, time_s, side="right") - 1
    low = (since >= 0) & (time_s - index_s[np.maximum(since, 0)] < INDEX_LOW_S)
    return np.where(low, _LOW, _HIGH) + 0.02 * rng.standard_normal(time_s.size)
