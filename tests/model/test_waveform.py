"""The waveform simulator against its own formulas and against the pulse simulator."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from indexhole.model.simulator.pulses import peak_shifts
from indexhole.model.simulator.simulate import Reader, RecordedTrack, WeakStretch, format_track
from indexhole.model.simulator.waveform import INDEX_LOW_S, Probe, Waveform, probe_track
from indexhole.model.suited import sound_mechanism
from indexhole.standards.layouts import load_layouts

LAYOUT = load_layouts()["130-48-mfm-9x512"]
QUIET = replace(sound_mechanism(LAYOUT), noise=0.0)
# wide enough to let a pulse pass as it is
WIDE = Probe(10e6, bandwidth_hz=4e6)


def track() -> RecordedTrack:
    rng = np.random.default_rng(1)
    return format_track(LAYOUT, 39, 0, {n: rng.bytes(512) for n in range(1, 10)}, rng)


def sparse(*angles: float) -> RecordedTrack:
    return replace(track(), angles=np.array(angles))


def taken(on: RecordedTrack, probe: Probe = WIDE, reader: Reader | None = None, turns: float = 1.0) -> Waveform:
    return probe_track(on, np.random.default_rng(2), reader or Reader(QUIET), probe, revolutions=turns)


def at(waveform: Waveform, time_s: float) -> float:
    samples = np.arange(waveform.head.size) / waveform.sample_rate_hz
    return float(np.interp(time_s, samples, waveform.head))


def test_lone_pulses_are_lorentzian_of_either_sign() -> None:
    """1 / (1 + (2 t / width)^2): 1 at the transition, 1/2 half a width off, 1/5 a width off."""
    waveform = taken(sparse(0.3, 0.6))
    inside = waveform.transitions_s[(waveform.transitions_s > 0) & (waveform.transitions_s < 0.2)]
    for t, sign in zip(inside, (1.0, -1.0), strict=True):
        for widths, height in ((0.0, 1.0), (0.5, 0.5), (-0.5, 0.5), (1.0, 0.2), (-1.0, 0.2)):
            assert sign * at(waveform, t + widths * waveform.pulse_width_s) == pytest.approx(height, abs=0.01)


def test_transitions_pass_when_the_disk_has_turned_to_them() -> None:
    waveform = taken(sparse(0.25, 0.75), turns=2)
    inside = waveform.transitions_s[(waveform.transitions_s > 0) & (waveform.transitions_s < 0.4)]
    assert inside == pytest.approx([0.2 * (turn + a + 0.02) for turn in (0, 1) for a in (0.25, 0.75)])
    assert waveform.head.size == pytest.approx(2.04 * 0.2 * 10e6, abs=1)


def test_crowded_pulses_shift_as_the_pulse_simulator_has_it() -> None:
    """Peaks of the samples, by a parabola through three, against peak_shifts on the angles."""
    on = track()
    waveform = taken(on)
    x, rate_hz = waveform.head, waveform.sample_rate_hz
    width = waveform.pulse_width_s / 0.2
    shift_s = np.tile(peak_shifts(on.angles, width), 3) * 0.2
    true = ((on.angles + np.arange(-1, 2)[:, None]).ravel() + 0.02) * 0.2
    inside = (true > 0.01) & (true < 0.19)
    peak = np.rint((true + shift_s)[inside] * rate_hz).astype(int)
    for _ in range(3):
        slope, bend = (x[peak + 1] - x[peak - 1]) / 2, x[peak + 1] - 2 * x[peak] + x[peak - 1]
        part = -slope / bend
        peak += np.rint(np.clip(part, -3, 3)).astype(int)
    late = (peak + part) / rate_hz - (true + shift_s)[inside]
    assert np.abs(late).max() < 15e-9
    assert np.abs(shift_s).max() > 60e-9


def test_noise_is_that_of_the_mechanism_and_within_the_band() -> None:
    waveform = taken(sparse(0.999), Probe(20e6, bandwidth_hz=0.5e6), Reader(replace(QUIET, noise=0.04)))
    noise = waveform.head[200_000:3_400_000]
    assert noise.std() == pytest.approx(0.04, rel=0.02)
    power = np.abs(np.fft.rfft(noise)) ** 2
    lines_hz = np.fft.rfftfreq(noise.size, 1 / 20e6)
    assert power[lines_hz > 2e6].sum() < 1e-3 * power.sum()
    # half the power is let pass at the band's edge
    edge = power[np.abs(lines_hz - 0.5e6) < 2e4].mean() / power[np.abs(lines_hz - 2e4) < 1e4].mean()
    assert edge == pytest.approx(0.5, abs=0.05)


def test_scale_offset_drift_and_swing() -> None:
    plain = taken(track())
    scaled = taken(track(), replace(WIDE, scale=2.5, offset=-1.0))
    assert scaled.head == pytest.approx(2.5 * plain.head - 1.0)
    drifting = taken(track(), replace(WIDE, drift=3.0, drift_hz=40.0)).head - plain.head
    assert np.abs(drifting).max() == pytest.approx(3.0, rel=1e-3)
    assert np.count_nonzero(np.diff(np.sign(drifting))) == pytest.approx(2 * 40 * 0.208, abs=1)
    swinging = taken(sparse(*np.arange(0.05, 1, 0.1)), replace(WIDE, swing=0.4))
    for angle in (0.25, 0.75):
        height = abs(at(swinging, 0.2 * (angle + 0.02)))
        assert height == pytest.approx(1 + 0.4 * np.sin(2 * np.pi * angle), abs=0.02)


def test_a_weak_stretch_is_lower_by_its_loss() -> None:
    reader = Reader(QUIET, weak=(WeakStretch(0.5, 0.2, 14.0),))
    waveform = taken(sparse(0.3, 0.6), WIDE, reader)
    heights = [abs(at(waveform, 0.2 * (a + 0.02))) for a in (0.3, 0.6)]
    assert heights[1] / heights[0] == pytest.approx(10 ** (-14 / 20), rel=0.02)


def test_one_polarity_comes_late() -> None:
    late = taken(track(), reader=Reader(replace(QUIET, pulse_asymmetry_s=200e-9))).transitions_s
    plain = taken(track()).transitions_s
    assert np.abs(late - plain) == pytest.approx(100e-9)
    assert np.all((late - plain)[::2] > 0)


def test_the_index_line_falls_at_the_index() -> None:
    mechanism = replace(QUIET, index_delay_s=300e-6)
    waveform = taken(track(), reader=Reader(mechanism), turns=1)
    low = waveform.index < 2.5
    falls = np.flatnonzero(~low[:-1] & low[1:]) / 10e6
    rises = np.flatnonzero(low[:-1] & ~low[1:]) / 10e6
    assert falls == pytest.approx([0.02 * 0.2 + 300e-6, 1.02 * 0.2 + 300e-6], abs=2e-7)
    assert rises - falls == pytest.approx(INDEX_LOW_S, abs=2e-7)


def test_the_same_seed_gives_the_same_samples() -> None:
    one, other = (taken(track(), Probe(4e6), Reader()) for _ in range(2))
    assert np.array_equal(one.head, other.head)
    assert np.array_equal(one.index, other.index)
