"""Every reader against a hidden truth: the same tests for all, each with the errors it may make."""

from __future__ import annotations

import gzip
import hashlib
import io
import struct
import wave
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from functools import cache
from pathlib import Path
from typing import ClassVar

import numpy as np
import numpy.typing as npt
import pyarrow as pa
import pyarrow.csv as pacsv
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from indexhole.errors import InputFault
from indexhole.model.simulator.simulate import RecordedTrack, SimulatedTrack, format_track, read_track
from indexhole.model.simulator.waveform import Probe, Waveform, probe_track
from indexhole.recover.surface import recover_surface
from indexhole.signal.captures.capture import Capture
from indexhole.signal.captures.gather import build_capture
from indexhole.signal.dwells.flow import Flow, iter_dwells
from indexhole.signal.dwells.sessions import cut_session
from indexhole.signal.formats.options import ReadOptions
from indexhole.signal.formats.readers import READERS, read_capture, reader_for
from indexhole.signal.formats.write_vcd import csv_bytes, vcd_bytes
from indexhole.signal.simulated import capture_of
from indexhole.standards.layouts import load_layouts

Floats = npt.NDArray[np.float64]

LAYOUTS = load_layouts()
LAYOUT = "130-48-mfm-9x512"
CYLINDER, HEAD = 31, 1
WAVE_HZ = 5e6
LOGIC_HZ = 24e6


@cache
def written() -> tuple[Mapping[int, bytes], RecordedTrack]:
    layout = LAYOUTS[LAYOUT]
    rng = np.random.default_rng(40)
    zone = layout.zone(CYLINDER, HEAD)
    assert zone is not None
    data = {number: rng.bytes(zone.sector_bytes) for number in zone.sector_ids}
    return data, format_track(layout, CYLINDER, HEAD, data, rng)


@cache
def logic(revolutions: float) -> SimulatedTrack:
    return read_track(written()[1], np.random.default_rng(41), revolutions=revolutions)


@cache
def analogue(revolutions: float) -> Waveform:
    """A head signal that wanders by more than its own height, through a wide read chain."""
    probe = Probe(WAVE_HZ, drift=1.2, drift_hz=70.0, swing=0.2, bandwidth_hz=1e6)
    return probe_track(written()[1], np.random.default_rng(42), probe=probe, revolutions=revolutions)


def peaks_s(taken: Waveform) -> Floats:
    """Where the sum of the pulses has its peaks, by Newton's method on the formula: nothing is sampled."""
    half = taken.pulse_width_s / 2
    t = taken.transitions_s / half
    peak = t.copy()
    for _ in range(6):
        slope, bend = np.zeros(t.size), np.zeros(t.size)
        for step in range(-30, 31):
            near = np.clip(np.arange(t.size) + step, 0, t.size - 1)
            u = peak - t[near]
            share = np.where(np.arange(t.size) + step == near, (-1.0) ** step, 0.0)
            slope += share * -2 * u / (1 + u * u) ** 2
            bend += share * (6 * u * u - 2) / (1 + u * u) ** 3
        peak -= np.clip(slope / np.minimum(bend, -0.1), -0.2, 0.2)
    return peak * half


@dataclass(frozen=True)
class Truth:
    """When what passed the head, s from the start of the log."""

    pulses_s: Floats
    index_s: Floats


@cache
def made_once(kind: type[ReaderContract], revolutions: float) -> bytes:
    return kind().file(revolutions)


class ReaderContract:
    """What is asked of every reader.

    A format says how a log of so many revolutions is written in it, and how far pulses may be off: in the mean
    (a log's zero may lie a sample off), and about it.
    """

    title: ClassVar[str]
    options: ClassVar[ReadOptions] = ReadOptions()
    mean_s: ClassVar[float]
    rms_s: ClassVar[float]
    index_s: ClassVar[float]

    def file(self, revolutions: float) -> bytes:
        raise NotImplementedError

    def made(self, revolutions: float = 1.0) -> bytes:
        return made_once(type(self), revolutions)

    def truth(self, revolutions: float) -> Truth:
        raise NotImplementedError

    @pytest.fixture
    def log(self, tmp_path: Path) -> Path:
        return self.put(tmp_path / "log.bin", self.made())

    def put(self, path: Path, data: bytes) -> Path:
        path.write_bytes(data)
        return path

    def read(self, path: Path, *, allow_cut: bool = False) -> Capture:
        o = self.options
        return read_capture(path, o.lines, allow_cut=allow_cut, raw=o.raw_hz, sample_rate=o.sample_rate_hz)

    def flow(self, path: Path) -> Flow:
        o = self.options
        return iter_dwells(path, o.lines, raw=o.raw_hz, sample_rate=o.sample_rate_hz)

    def read_bytes(self, data: bytes, *, allow_cut: bool = False) -> Capture:
        options = replace(self.options, allow_cut=allow_cut)
        return build_capture(reader_for(data, options, "x").open(io.BytesIO(data), "x", options), "x")

    def test_pulses_are_where_they_were(self, log: Path) -> None:
        capture, truth = self.read(log), self.truth(1.0)
        found = capture.read_ticks * capture.tick_s
        first, last = 0.002, found[-1] - 0.002
        found, true = (t[(t > first) & (t < last)] for t in (found, truth.pulses_s))
        nearest = np.clip(np.searchsorted(true, found), 1, true.size - 1)
        nearest -= np.abs(found - true[nearest - 1]) < np.abs(found - true[nearest])
        late = found - true[nearest]
        assert abs(late.mean()) < self.mean_s
        assert late.std() < self.rms_s
        # None lost, none made up, but for the one at either end that is in one list and not in the other.
        assert np.unique(nearest).size == found.size
        assert abs(found.size - true.size) <= 2

    def test_index_pulses_are_where_they_were(self, log: Path) -> None:
        capture, truth = self.read(log), self.truth(1.0)
        assert capture.index_ticks * capture.tick_s == pytest.approx(truth.index_s, abs=self.index_s)

    def test_its_bytes_are_hashed_as_they_stand(self, log: Path, tmp_path: Path) -> None:
        packed = self.put(tmp_path / "log.gz", gzip.compress(log.read_bytes(), 1))
        for path in (log, packed):
            flow = iter_dwells(
                path, self.options.lines, raw=self.options.raw_hz, sample_rate=self.options.sample_rate_hz
            )
            assert sum(1 for _ in flow) == 1
            assert self.read(path).sha256 == flow.sha256 == hashlib.sha256(path.read_bytes()).hexdigest()

    def test_gzip_and_plain_read_alike(self, log: Path, tmp_path: Path) -> None:
        packed = self.put(tmp_path / "log.gz", gzip.compress(log.read_bytes(), 1))
        assert_alike(self.read(log), self.read(packed))

    def test_read_stay_by_stay_gives_the_same(self, log: Path) -> None:
        flow = self.flow(log)
        (dwell,) = flow
        capture = self.read(log)
        (whole,) = cut_session(capture).segments
        assert np.array_equal(dwell.read_ticks, whole.read_ticks)
        assert np.array_equal(dwell.index_ticks, whole.index_ticks)
        assert np.array_equal(dwell.strength, whole.strength)
        assert (flow.pulses, flow.duration_s) == (capture.read_ticks.size, pytest.approx(capture.duration_s))

    def test_every_sector_is_recovered(self, tmp_path: Path) -> None:
        data, _ = written()
        capture = self.read(self.put(tmp_path / "log.bin", self.made(1.3)))
        surface = recover_surface([capture], LAYOUTS)
        (track,) = surface.tracks
        assert (track.cylinder, track.head) == (CYLINDER, HEAD)
        assert {s.id: (str(s.state), s.data) for s in track.sectors} == {n: ("sound", b) for n, b in data.items()}

    def test_no_other_reader_claims_it(self) -> None:
        claims = [reader.title for reader in READERS if reader.claims(self.made()[: 1 << 16])]
        assert claims == ([self.title] if self.options.raw_hz is None else [])

    def test_a_cut_file_is_told_or_read_as_far_as_it_goes(self) -> None:
        data = self.made()
        whole = self.read_bytes(data)
        cut = data[: int(len(data) * 0.7) - 1]
        try:
            self.read_bytes(cut)
        except InputFault as fault:
            assert "--allow-cut" in fault.line
        part = self.read_bytes(cut, allow_cut=True)
        assert 0.5 * whole.read_ticks.size < part.read_ticks.size < 0.8 * whole.read_ticks.size
        # The last pulses of a waveform are found with less of it to go by.
        same = part.read_ticks.size - 50
        assert np.array_equal(part.read_ticks[:same], whole.read_ticks[:same])

    @given(st.data())
    @settings(max_examples=60, suppress_health_check=[HealthCheck.differing_executors])
    def test_damage_never_crashes_it(self, data: st.DataObject) -> None:
        original = bytearray(self.made()[:60_000])
        for _ in range(data.draw(st.integers(1, 6))):
            at = data.draw(st.one_of(st.integers(0, 120), st.integers(0, len(original) - 1)))
            original[at : at + data.draw(st.integers(0, 3))] = data.draw(st.binary(max_size=3))
        mutated = bytes(original[: data.draw(st.integers(0, len(original)))])
        try:
            capture = self.read_bytes(mutated, allow_cut=data.draw(st.booleans()))
        except InputFault as fault:
            assert "\n" not in fault.line
        else:
            assert np.all(np.diff(capture.read_ticks) >= 0)
            assert capture.strength is None or capture.strength.size == capture.read_ticks.size


def assert_alike(one: Capture, other: Capture) -> None:
    assert np.array_equal(one.read_ticks, other.read_ticks)
    assert np.array_equal(one.index_ticks, other.index_ticks)
    assert np.array_equal(one.strength, other.strength)
    assert one.tick_s == other.tick_s


class LogicContract(ReaderContract):
    """A log of levels: an edge is seen at the first sample behind it."""

    mean_s = 1 / LOGIC_HZ
    rms_s = 0.3 / LOGIC_HZ
    index_s = 1.1 / LOGIC_HZ

    def truth(self, revolutions: float) -> Truth:
        log = logic(revolutions)
        return Truth(log.pulses_s, log.index_s)

    def capture(self, revolutions: float) -> Capture:
        return capture_of(logic(revolutions), "log", sample_rate_hz=LOGIC_HZ)


class TestValueChangeDump(LogicContract):
    title = "value change dump"

    def file(self, revolutions: float) -> bytes:
        return vcd_bytes(self.capture(revolutions))


class TestLoggerTable(LogicContract):
    title = "logger or oscilloscope table"

    def file(self, revolutions: float) -> bytes:
        return csv_bytes(self.capture(revolutions))


def raw_bytes(capture: Capture, bits: Mapping[str, int]) -> bytes:
    """A byte a sample: read-data low for 12 samples, index for 2 ms; all other bits flicker."""
    size = int(capture.read_ticks[-1]) + 20
    samples = np.random.default_rng(1).integers(0, 256, size).astype(np.uint8)
    for line, ticks, low in (("read_data", capture.read_ticks, 12), ("index", capture.index_ticks, 48_000)):
        samples |= np.uint8(1 << bits[line])
        change = np.zeros(size + low + 1, dtype=np.int64)
        change[ticks] += 1
        change[ticks + low] -= 1
        samples[np.cumsum(change)[:size] > 0] &= np.uint8(~(1 << bits[line]) & 0xFF)
    return samples.tobytes()


class TestRawSamples(LogicContract):
    title = "raw logic samples"
    options = ReadOptions({"read_data": "6", "index": "1"}, raw_hz=LOGIC_HZ)

    def file(self, revolutions: float) -> bytes:
        return raw_bytes(self.capture(revolutions), {"read_data": 6, "index": 1})


class AnalogueContract(ReaderContract):
    """A waveform: what its pulses may be off is mostly noise, 3 % of their height."""

    mean_s = 2e-9
    rms_s = 55e-9
    index_s = 1.0 / WAVE_HZ

    def truth(self, revolutions: float) -> Truth:
        taken = analogue(revolutions)
        falls = np.flatnonzero((taken.index[:-1] > 2.5) & (taken.index[1:] <= 2.5)) + 0.5
        return Truth(peaks_s(taken), falls / WAVE_HZ)

    def channels(self, revolutions: float) -> Floats:
        """Head and index between -1 and 1."""
        taken = analogue(revolutions)
        return np.stack((taken.head / 5, taken.index / 6), axis=1)

    def test_heights_are_told(self, log: Path) -> None:
        strength = self.read(log).strength
        assert strength is not None
        assert np.median(strength) == pytest.approx(128, abs=6)
        assert 60 < np.percentile(strength, 1) < np.percentile(strength, 99) < 200


def wav_bytes(channels: Floats, bits: int) -> bytes:
    """PCM by the standard library's writer; the rate in its header is that of the samples."""
    top = 2 ** (bits - 1) - 1
    whole = np.rint(channels * top).astype(np.int64)
    packed = (whole + 128 if bits == 8 else whole).astype("<i8").view(np.uint8).reshape(*whole.shape, 8)
    buffer = io.BytesIO()
    with wave.open(buffer, "wb") as sound:
        sound.setnchannels(channels.shape[1])
        sound.setsampwidth(bits // 8)
        sound.setframerate(int(WAVE_HZ))
        sound.writeframes(np.ascontiguousarray(packed[:, :, : bits // 8]).tobytes())
    return buffer.getvalue()


class TestSoundFile(AnalogueContract):
    title = "sound file"

    def file(self, revolutions: float) -> bytes:
        return wav_bytes(self.channels(revolutions), 16)


def riff(form: bytes, data: bytes, *, size: int | None = None) -> bytes:
    """A sound file put together by hand, with a chunk nobody knows in front of the samples."""
    about = b"fmt " + struct.pack("<I", len(form)) + form + b"note" + struct.pack("<I", 3) + b"abc\0"
    size = len(data) if size is None else size
    whole = struct.pack("<I", (4 + len(about) + 8 + len(data)) & 0xFFFFFFFF)
    return b"RIFF" + whole + b"WAVE" + about + b"data" + struct.pack("<I", size) + data


def riff_format(kind: int, bits: int, tail: bytes = b"") -> bytes:
    return struct.pack("<HHIIHH", kind, 2, int(WAVE_HZ), int(WAVE_HZ) * bits // 4, bits // 4, bits) + tail


# By encoding: the file, and how far its pulses may be from those of 16 bits, rms. Eight bits with room for the
# drift leave some 25 steps to a pulse.
SOUNDS: dict[str, tuple[Callable[[Floats], bytes], float]] = {
    "8 bits": (lambda x: wav_bytes(x, 8), 30e-9),
    "24 bits": (lambda x: wav_bytes(x, 24), 2e-9),
    "32 bits": (lambda x: wav_bytes(x, 32), 2e-9),
    "float": (lambda x: riff(riff_format(3, 32), x.astype("<f4").tobytes()), 2e-9),
    "double": (lambda x: riff(riff_format(3, 64), x.astype("<f8").tobytes()), 2e-9),
    "extensible": (
        lambda x: riff(
            riff_format(0xFFFE, 32, struct.pack("<HHIH14s", 22, 32, 3, 3, bytes(14))), x.astype("<f4").tobytes()
        ),
        2e-9,
    ),
    "size left open": (lambda x: riff(riff_format(3, 32), x.astype("<f4").tobytes(), size=0xFFFFFFFF), 2e-9),
    "beyond 4 GB": (
        lambda x: (
            riff(riff_format(3, 32), x.astype("<f4").tobytes(), size=0xFFFFFFFF)
            .replace(b"RIFF", b"RF64", 1)
            .replace(b"fmt ", b"ds64" + struct.pack("<IQQQI", 28, 0, x.size * 4, 0, 0) + b"fmt ", 1)
        ),
        2e-9,
    ),
}


@pytest.mark.parametrize("encoding", SOUNDS)
def test_every_encoding_of_sound_gives_the_same_pulses(encoding: str) -> None:
    make, rms_s = SOUNDS[encoding]
    taken = analogue(1.0)
    channels = np.stack((taken.head / 5, taken.index / 6), axis=1)[: 1 << 18]
    one, other = (TestSoundFile().read_bytes(data) for data in (wav_bytes(channels, 16), make(channels)))
    assert one.index_ticks.tolist() == pytest.approx(other.index_ticks.tolist(), abs=16)
    assert one.read_ticks.size == other.read_ticks.size
    assert (one.read_ticks - other.read_ticks).std() * one.tick_s < rms_s


def npy_bytes(array: npt.NDArray[np.generic]) -> bytes:
    buffer = io.BytesIO()
    np.save(buffer, array, allow_pickle=False)
    return buffer.getvalue()


class TestArrayOfColumns(AnalogueContract):
    title = "array file"
    options = ReadOptions(sample_rate_hz=WAVE_HZ)

    def file(self, revolutions: float) -> bytes:
        return npy_bytes(self.channels(revolutions).astype(np.float32))


class TestArrayOfWholeNumbers(TestArrayOfColumns):
    def file(self, revolutions: float) -> bytes:
        return npy_bytes(np.rint(self.channels(revolutions) * 2000 + 2048).astype(">i2"))


def table_bytes(columns: list[Floats], delimiter: str) -> bytes:
    buffer = io.BytesIO()
    options = pacsv.WriteOptions(include_header=False, delimiter=delimiter)
    pacsv.write_csv(pa.table(columns, names=[str(k) for k in range(len(columns))]), buffer, options)
    return buffer.getvalue()


class TestScopeTable(AnalogueContract):
    """Rows at even steps behind lines of settings, names that say nothing, a row of units."""

    title = "logger or oscilloscope table"

    def file(self, revolutions: float) -> bytes:
        head, index = self.channels(revolutions).T
        times = (np.arange(head.size) - 500) / WAVE_HZ
        about = b"Record Length,%d\nSample Interval,2e-07\n\nTime,CH1,CH2\ns,V,V\n" % head.size
        return about + table_bytes([times.round(9), head.round(4), index.round(3)], ",")


class TestUnevenScopeTable(AnalogueContract):
    """Rows up to 45 % of a step off their place, decimal commas."""

    title = "logger or oscilloscope table"
    # straight lines between uneven samples 200 ns apart
    rms_s = 60e-9

    def file(self, revolutions: float) -> bytes:
        channels = self.channels(revolutions).T
        places = np.arange(channels.shape[1])
        steps = places + np.random.default_rng(3).uniform(-0.45, 0.45, places.size)
        steps[0] = 0.0
        head, index = (np.interp(steps, places, channel) for channel in channels)
        rows = table_bytes([(steps / WAVE_HZ * 1e6).round(4), head.round(5), index.round(3)], ";")
        return "Time (µs);Probe A;Probe B\n".encode("latin-1") + rows.replace(b".", b",")
