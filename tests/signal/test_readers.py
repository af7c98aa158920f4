"""Capture readers: dumps and tables read right, and every damaged file told in one line."""

from __future__ import annotations

import gzip
import io
import struct
from collections.abc import Callable
from pathlib import Path

import numpy as np
import numpy.typing as npt
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from vcd.reader import TokenKind, tokenize

from indexhole.errors import InputFault
from indexhole.signal.captures.capture import Capture, LineTrace
from indexhole.signal.captures.gather import build_capture
from indexhole.signal.captures.lines import match_lines
from indexhole.signal.formats.options import ReadOptions
from indexhole.signal.formats.readers import RAW, READERS, read_capture
from indexhole.signal.formats.write_vcd import csv_bytes, vcd_bytes

HEADER = b"$timescale 1 ns $end\n$scope module b $end\n"


def dump(*declared: str, body: str) -> bytes:
    lines = "".join(f"$var wire 1 {code} {name} $end\n" for code, name in (d.split("=") for d in declared))
    return HEADER + lines.encode() + b"$upscope $end\n$enddefinitions $end\n" + body.encode()


def pulses(code: str, count: int = 20, start: int = 100) -> str:
    return "".join(f"#{start + 1000 * k}\n0{code}\n#{start + 1000 * k + 500}\n1{code}\n" for k in range(count))


def read_bytes(tmp_path: Path, data: bytes, name: str = "log.vcd", **options: object) -> Capture:
    path = tmp_path / name
    path.write_bytes(data)
    return read_capture(path, **options)  # type: ignore[arg-type]


def test_a_plain_dump_gives_falling_edges(tmp_path: Path) -> None:
    capture = read_bytes(tmp_path, dump("!=RDATA", '"=INDEX', body='#0\n1!\n1"\n' + pulses("!") + '#90000\n0"\n'))
    assert capture.tick_s == 1e-9
    assert capture.read_ticks.tolist() == [100 + 1000 * k for k in range(20)]
    assert capture.index_ticks.tolist() == [90000]
    assert len(capture.sha256) == 64


def test_what_a_dump_may_hold_besides_plain_changes(tmp_path: Path) -> None:
    """Long id codes, vectors, unknown levels, comments, several tokens on a line (IEEE 1364, VCD clause)."""
    body = "$dumpvars 1ab b1 cd $end $comment 0ab #7 nonsense $end #5 xab #6 0ab #7 1ab\n"
    capture = read_bytes(tmp_path, dump("ab=RDATA", "cd=INDEX", body=body + pulses("ab") + "#99999 b0 cd\n"))
    # From an unknown level to low is no edge that was seen.
    assert capture.read_ticks.tolist() == [100 + 1000 * k for k in range(20)]
    assert capture.index_ticks.tolist() == [99999]


def test_repeated_levels_are_no_edges(tmp_path: Path) -> None:
    capture = read_bytes(tmp_path, dump("!=RDATA", body="#0\n1!\n" + pulses("!") + "#99000\n0!\n#99100\n0!\n"))
    assert capture.read_ticks[-1] == 99000
    assert capture.read_ticks.size == 21


def test_gzip_and_plain_read_alike(tmp_path: Path) -> None:
    data = dump("!=RDATA", body="#0\n1!\n" + pulses("!"))
    plain = read_bytes(tmp_path, data)
    packed = read_bytes(tmp_path, gzip.compress(data), "log.vcd.gz")
    assert plain.read_ticks.tolist() == packed.read_ticks.tolist()
    assert plain.sha256 != packed.sha256


def test_chunk_borders_lose_nothing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    data = dump("!=RDATA", '"=INDEX', body='#0\n1!\n1"\n' + pulses("!", 20_000))
    whole = read_bytes(tmp_path, data)
    monkeypatch.setattr("indexhole.signal.formats.read_vcd._CHUNK_BYTES", (1 << 16) + 61)
    assert read_bytes(tmp_path, data).read_ticks.tolist() == whole.read_ticks.tolist()


def read_from(data: bytes, name: str = "x", options: ReadOptions | None = None) -> Capture:
    """Through the one reader that claims the bytes."""
    (reader,) = [r for r in READERS if r.claims(data)]
    return build_capture(reader.open(io.BytesIO(data), name, options or ReadOptions()), name)


def wav(
    *,
    kind: int = 1,
    channels: int = 1,
    rate: int = 1_000_000,
    align: int = 2,
    bits: int = 16,
    size: int | None = None,
    data: bytes = bytes(2000),
) -> bytes:
    form = struct.pack("<HHIIHH", kind, channels, rate, rate * align, align, bits)
    size = len(data) if size is None else size
    return b"RIFF\0\0\0\0WAVEfmt \x10\0\0\0" + form + b"data" + struct.pack("<I", size) + data


def npy(array: npt.NDArray[np.generic]) -> bytes:
    buffer = io.BytesIO()
    np.save(buffer, array, allow_pickle=False)
    return buffer.getvalue()


FAULTS = {
    "empty": (b"", "the file is empty"),
    "empty gzip": (gzip.compress(b""), "empty inside its gzip wrapper"),
    "not a capture": (b"hello there\n" * 9, "not a capture this program reads"),
    "header only": (HEADER, "no $enddefinitions"),
    "no lines": (dump("!=CLOCK", body="#0\n1!\n"), "no read-data line among CLOCK"),
    "no timescale": (b"$var wire 1 ! RDATA $end\n$enddefinitions $end\n#0\n1!\n", "no $timescale"),
    "backwards": (dump("!=RDATA", body="#9\n1!\n#3\n0!\n"), "time runs backwards near byte"),
    "bad time": (dump("!=RDATA", body="#9x\n1!\n"), "a time that is not a whole number near byte"),
    "bad token": (dump("!=RDATA", body="#9\nhello\n"), "neither a time nor a value change near byte"),
    "no id": (dump("!=RDATA", body="#9\n1\n0!\n"), "neither a time nor a value change near byte"),
    "long time": (dump("!=RDATA", body="#" + "9" * 19 + "\n1!\n"), "more than 18 digits"),
    "cut": (dump("!=RDATA", body="#0\n1!\n" + pulses("!"))[:-4], "ends in the middle of a line at byte"),
    "cut gzip": (gzip.compress(dump("!=RDATA", body="#0\n1!\n" + pulses("!")))[:-12], "cut short"),
    "few pulses": (dump("!=RDATA", body="#0\n1!\n#5\n0!\n#9\n"), "only 1 pulses on the read-data line"),
    "two names": (dump("!=RDATA", '"=read_data', body="#0\n1!\n"), "could both be read_data"),
    "text cell": (b"time_s,rdata\n0.0,1\n0.1,0\n0.2,abc\n", "row 4 column rdata: 'abc' is not a number"),
    "level two": (b"time_s,rdata\n0.0,1\n0.1,2\n", "level 2 is neither 0 nor 1"),
    "empty cell": (b"time_s,rdata\n0.0,1\n0.1,\n", "row 3 column rdata: an empty cell"),
    "short row": (b"time_s,rdata,index\n0.0,1,1\n0.1,0\n", "row 3: Expected 3 columns, got 2"),
    "csv backwards": (b"time_s,rdata\n0.0,1\n0.2,0\n0.1,1\n", "row 4: time runs backwards"),
    "nan time": (b"time_s,rdata\n0.0,1\nnan,0\n", "row 3: a time that is not a plain number of seconds"),
    "odd unit": (b"time_weeks,rdata\n0.0,1\n", "the first column is 'time_weeks', not a time"),
    "csv no lines": (b"time_s,clock\n0.0,1\n", "no read-data line among clock"),
    "csv header only": (b"time_s,rdata\n", "no rows under a header"),
    "csv twice": (b"time_s,rdata,rdata\n0.0,1,1\n", "a differently named column for each line"),
    "csv cut": (b"time_s,rdata,index\n0.0,1,1\n0.1,0,1\n0.2", "or if the file is cut short, read what is there"),
    "cut gzip table": (gzip.compress(b"time_s,rdata\n" + b"0.0,1\n" * 9999)[:-12], "the gzip file is cut short"),
    "damaged gzip": (gzip.compress(b"time_s,rdata\n" * 99)[:-6] + b"\0" * 6, "the gzip file is damaged"),
    "long line": (b"time_s,rdata\n0.0,1\n" + b"9" * 70_000, "a line of more than 65536 bytes"),
    "volts and text": (b"time_s,probe\n0.0,1.5\n0.000001,x\n", "row 3 column probe: 'x' is not a number"),
    "volts too slow": (b"time_s,probe\n0.0,1.5\n0.1,2.5\n", "10 samples a second cannot be a log of a disk"),
    "volts too coarse": (b"time_s,probe\n" + b"0.0,1.5\n" * 9, "its times are too coarse to tell its rows apart"),
    "volts with a gap": (
        b"time_us,probe\n" + b"".join(b"%d,%d.5\n" % (k + 5000 * (k > 50), k % 7) for k in range(100)),
        "row 53: 5001 samples are missing",
    ),
    "volts ever sparser": (
        b"time_us,probe\n" + b"".join(b"%d,%d.5\n" % (max(k, 99 * k - 98 * 1500), k % 7) for k in range(60_000)),
        "times as far apart as the first ones",
    ),
    "volts in weeks": (b"weeks,probe\n0.0,1.5\n", "the first column is 'weeks', not a time"),
    "wav header": (b"RIFF\0\0\0\0WAVEfmt ", "ends in its header"),
    "wav no format": (b"RIFF\0\0\0\0WAVEdata\4\0\0\0abcd", "samples in front of their format"),
    "wav short format": (b"RIFF\0\0\0\0WAVEfmt \4\0\0\0abcd", "a format chunk of less than 16 bytes"),
    "wav kind": (wav(kind=2), "samples of kind 2 with 16 bits; export as plain PCM"),
    "wav bits": (wav(bits=12), "samples of kind 1 with 12 bits"),
    "wav no channels": (wav(channels=0), "0 channels in 2 bytes do not fit 16 bits"),
    "wav frame": (wav(align=3), "1 channels in 3 bytes do not fit 16 bits"),
    "wav slow": (wav(rate=44_100), "44100 samples a second cannot be a log of a disk; give the true rate"),
    "wav huge chunk": (b"RIFF\0\0\0\0WAVEjunk\0\0\0\x7f", "a chunk of 2130706432 bytes in front of the samples"),
    "wav cut": (wav(size=9000), "ends in the middle of its samples"),
    "wav silent": (wav(), "only 0 pulses on the read-data line"),
    "wav nan": (
        wav(kind=3, bits=32, align=4, data=np.array([0, 1, np.nan, 2], dtype="<f4").tobytes()),
        "sample 2: a sample that is not a plain number",
    ),
    "wav signalling nan": (
        wav(kind=3, bits=32, align=4, data=np.array([0, 0x3F800000, 0x7FA00000, 0], dtype="<u4").tobytes()),
        "sample 2: a sample that is not a plain number",
    ),
    "npy no rate": (npy(np.zeros(99)), "an array does not say how fast it was sampled"),
    "npy version": (b"\x93NUMPY\x09\x00" + bytes(99), "an array file of an unknown version"),
    "npy header": (npy(np.zeros(99))[:40], "ends in its header"),
    "npy long header": (b"\x93NUMPY\x02\x00\xff\xff\xff\x7f", "a header of 2147483647 bytes"),
    "npy objects": (
        npy(np.zeros(99)).replace(b"'<f8'", b"'|O' "),
        "an array that is not of plain numbers in one or two dimensions",
    ),
    "npy fields": (npy(np.zeros(9, dtype=[("a", "<f4")])), "not of plain numbers in one or two dimensions"),
    "npy complex": (npy(np.zeros(9, dtype=complex)), "not of plain numbers in one or two dimensions"),
    "npy cube": (npy(np.zeros((9, 9, 9))), "not of plain numbers in one or two dimensions"),
    "npy odd type": (npy(np.zeros(9)).replace(b"'<f8'", b"'<f1'"), "numbers of type <f1"),
}
# The faults behind those of the header, which show once a rate is given.
RATED_FAULTS = {
    "empty": (npy(np.zeros(0)), "an array without samples"),
    "many channels": (npy(np.zeros((99, 70))), "an array of 70 channels"),
    "cut": (npy(np.zeros(99))[:-9], "holds 783 bytes of samples, its header says 792"),
    "too long": (npy(np.zeros(99)) + b"more", "bytes behind its samples"),
    "infinite": (npy(np.array([0, 1, np.inf, 2])), "sample 2: a sample that is not a plain number"),
    "short floats": (npy(np.zeros(99, dtype=np.float16)), "only 0 pulses on the read-data line"),
    "far apart": (
        npy(np.zeros((2, 4))).replace(b"(2, 4), }", b"(2, 99999999), }"),
        "channels stored one behind the other in more than 256 MiB",
    ),
}


@pytest.mark.parametrize("case", FAULTS)
def test_a_damaged_file_is_told_in_one_line(tmp_path: Path, case: str) -> None:
    data, message = FAULTS[case]
    with pytest.raises(InputFault) as fault:
        read_bytes(tmp_path, data, "log.bin")
    assert message in fault.value.line
    assert "log.bin" in fault.value.line
    assert "\n" not in fault.value.line


@pytest.mark.parametrize("case", RATED_FAULTS)
def test_a_damaged_array_is_told_in_one_line(tmp_path: Path, case: str) -> None:
    data, message = RATED_FAULTS[case]
    with pytest.raises(InputFault) as fault:
        read_bytes(tmp_path, data, "log.npy", sample_rate=1e6)
    assert message in fault.value.line
    assert "\n" not in fault.value.line


@pytest.mark.parametrize(
    ("options", "message"),
    [
        ({"raw": 1e6}, "no read-data line among 0, 1, 2, 3, 4, 5, 6, 7; name it with --line read_data=NAME"),
        ({"raw": 1e6, "lines": {"read_data": "8"}}, "no line '8' in the file; it has 0, 1, 2"),
        ({"raw": 0.0, "lines": {"read_data": "0"}}, "0 samples a second cannot be a log of a disk"),
        ({"raw": float("nan"), "lines": {"read_data": "0"}}, "nan samples a second cannot be a log of a disk"),
        ({"raw": 1e6, "lines": {"read_data": "0"}}, "only 0 pulses on the read-data line"),
    ],
)
def test_wrong_choices_for_raw_samples_are_told(tmp_path: Path, options: dict[str, object], message: str) -> None:
    with pytest.raises(InputFault) as fault:
        read_bytes(tmp_path, bytes(1000), "log.raw", **options)
    assert message in fault.value.line


def test_no_object_in_an_array_is_ever_made(tmp_path: Path) -> None:
    """A pickle that would leave a file behind, in a header that says so."""
    left = tmp_path / "left"

    class Trap:
        def __reduce__(self) -> tuple[object, ...]:
            return (left.touch, ())

    buffer = io.BytesIO()
    np.save(buffer, np.array([Trap()], dtype=object), allow_pickle=True)
    with pytest.raises(InputFault, match="not of plain numbers"):
        read_bytes(tmp_path, buffer.getvalue(), "log.npy", sample_rate=1e6)
    assert not left.exists()
    np.load(io.BytesIO(buffer.getvalue()), allow_pickle=True)
    assert left.exists()


def test_a_cut_dump_can_be_read_when_asked(tmp_path: Path) -> None:
    data = dump("!=RDATA", body="#0\n1!\n" + pulses("!"))[:-4]
    assert read_bytes(tmp_path, data, allow_cut=True).read_ticks.size == 20


def test_an_absent_file_names_its_path(tmp_path: Path) -> None:
    with pytest.raises(InputFault, match=r"absent\.vcd: cannot be read"):
        read_capture(tmp_path / "absent.vcd")


def test_tables_with_other_delimiters_units_and_a_preamble(tmp_path: Path) -> None:
    rows = "".join(f"{k * 2.0};{k % 2};1\n" for k in range(60))
    capture = read_bytes(tmp_path, ("; made by a logger\n\nTime [us];RDATA;INDEX\n" + rows).encode(), "log.csv")
    assert capture.read_ticks.tolist() == [4000 * k for k in range(1, 30)]
    # As oscilloscopes write it, units in brackets in a row of their own.
    capture = read_bytes(tmp_path, ("Time,RDATA,INDEX\n(us),(V),(V)\n" + rows.replace(";", ",")).encode(), "scope.csv")
    assert capture.read_ticks.tolist() == [4000 * k for k in range(1, 30)]


@pytest.mark.parametrize(
    ("names", "given", "expected"),
    [
        (["RDATA", "INDEX"], {}, {"read_data": 0, "index": 1}),
        (["bench.read_data", "bench.idx", "TRK00-"], {}, {"read_data": 0, "index": 1, "track_zero": 2}),
        (["/RD_DATA", "nIX"], {"index": "nIX"}, {"read_data": 0, "index": 1}),
        (["D0", "D1"], {"read_data": "D1"}, {"read_data": 1}),
        (
            ["STEP", "DIR", "TRK00", "SIDE1", "RDATA"],
            {},
            {"step": 0, "direction": 1, "track_zero": 2, "side": 3, "read_data": 4},
        ),
    ],
)
def test_lines_are_found_by_name(names: list[str], given: dict[str, str], expected: dict[str, int]) -> None:
    assert match_lines(names, given, "log") == expected


def test_wrong_line_choices_say_what_there_is() -> None:
    with pytest.raises(InputFault, match="no line 'D9' in the file; it has D0"):
        match_lines(["D0"], {"read_data": "D9"}, "log")
    with pytest.raises(InputFault, match="there is no line called 'data'; lines are read_data"):
        match_lines(["D0"], {"data": "D0"}, "log")


@st.composite
def captures(draw: st.DrawFn) -> Capture:
    gaps = draw(st.lists(st.integers(3, 5_000_000), min_size=16, max_size=60))
    ticks = np.cumsum(np.array(gaps, dtype=np.int64))
    index = np.unique(np.array(draw(st.lists(st.integers(1, int(ticks[-1])), max_size=4)), dtype=np.int64))
    # Index pulses are long: two of them closer than that would be one.
    index = index[np.diff(index, prepend=-(10**9)) > 2_500_000]
    steps = np.arange(2, dtype=np.int64) * 900 + 77
    lines = {"step": LineTrace(1, steps, np.array([0, 1], dtype=np.uint8))} if draw(st.booleans()) else {}
    return Capture("drawn", 1e-9, ticks, index, lines)


@given(captures())
@settings(max_examples=60)
def test_written_then_read_is_the_same(capture: Capture) -> None:
    for make, name in ((vcd_bytes, "x.vcd"), (csv_bytes, "x.csv")):
        data = make(capture)
        back = read_from(data, name)
        assert back.read_ticks.tolist() == capture.read_ticks.tolist()
        assert back.index_ticks.tolist() == capture.index_ticks.tolist()
        assert back.lines.keys() == capture.lines.keys()
        for line, trace in capture.lines.items():
            assert back.lines[line].ticks.tolist() == trace.ticks.tolist()
            assert back.lines[line].falling().tolist() == trace.falling().tolist()


@given(captures())
@settings(max_examples=25)
def test_edges_agree_with_a_reference_reader(capture: Capture) -> None:
    """pyvcd is a general-purpose reader of IEEE 1364 dumps."""
    data = vcd_bytes(capture)
    now, level, falls, code = 0, None, [], None
    for token in tokenize(io.BytesIO(data)):
        if token.kind is TokenKind.VAR and token.var.reference == "RDATA":
            code = token.var.id_code
        elif token.kind is TokenKind.CHANGE_TIME:
            now = token.time_change
        elif token.kind is TokenKind.CHANGE_SCALAR and token.scalar_change.id_code == code:
            if level == "1" and token.scalar_change.value == "0":
                falls.append(now)
            level = token.scalar_change.value
    assert read_from(data).read_ticks.tolist() == falls


def sine_like(samples: int, period: float) -> npt.NDArray[np.float64]:
    return np.sin(np.arange(samples) * 2 * np.pi / period)


@pytest.mark.parametrize(
    "shape",
    [
        lambda head, index: head,
        lambda head, index: np.stack((head, index)),
        lambda head, index: np.stack((head, index), axis=1),
        lambda head, index: np.asfortranarray(np.stack((head, index), axis=1)),
        lambda head, index: np.asfortranarray(np.stack((head, index))),
    ],
)
def test_an_array_may_hold_its_channels_either_way(
    tmp_path: Path, shape: Callable[..., npt.NDArray[np.float64]]
) -> None:
    head = sine_like(90_000, 23.0)
    index = np.where(np.arange(90_000) % 30_000 < 300, 0.0, 5.0)
    array = shape(head, index)
    capture = read_bytes(tmp_path, npy(array), "log.npy", sample_rate=4e6)
    assert capture.tick_s == 1 / (16 * 4e6)
    # two peaks a period, at the quarters
    quarters = (np.arange(10, 7000) / 2 + 0.25) * 23.0 * 16
    assert np.interp(quarters, capture.read_ticks, capture.read_ticks) == pytest.approx(quarters)
    found = capture.read_ticks[(capture.read_ticks > quarters[0] - 99) & (capture.read_ticks < quarters[-1] + 99)]
    assert found == pytest.approx(quarters, abs=1)
    if array.ndim == 2:
        assert capture.index_ticks.tolist() == pytest.approx([30_000 * 16, 60_000 * 16], abs=16)


def test_channels_go_by_number_and_by_choice(tmp_path: Path) -> None:
    """Two probes with something else in front; the line of logic levels is told from a waveform by its levels."""
    logic = np.where(np.arange(90_000) % 40 < 4, 0.1, 4.8)
    array = np.stack((np.full(90_000, 2.5), logic, sine_like(90_000, 23.0)), axis=1)
    wave, levels = (
        read_bytes(tmp_path, npy(array), "log.npy", sample_rate=4e6, lines={"read_data": channel}) for channel in "21"
    )
    assert wave.strength is not None
    assert wave.read_ticks.size == pytest.approx(2 * 90_000 / 23, abs=3)
    assert levels.strength is None
    assert levels.read_ticks.size == 90_000 // 40 - 1
    assert np.all(np.diff(levels.read_ticks) == 40 * 16)


def test_control_lines_of_a_waveform_are_levels(tmp_path: Path) -> None:
    step = np.where((np.arange(90_000) % 50_000 > 40_000) & (np.arange(90_000) % 50_000 < 40_050), 0, 5)
    array = np.stack((sine_like(90_000, 23.0), step), axis=1)
    capture = read_bytes(tmp_path, npy(array), "log.npy", sample_rate=4e6, lines={"step": "1"})
    assert capture.index_ticks.size == 0
    assert capture.lines["step"].initial == 1
    assert capture.lines["step"].falling().tolist() == pytest.approx([40_001 * 16], abs=16)


def test_the_rate_given_goes_before_the_header(tmp_path: Path) -> None:
    """Recorded at 96 kHz from a tape that ran twenty times too slow."""
    data = np.rint(sine_like(90_000, 23.0) * 20_000).astype("<i2").tobytes()
    capture = read_bytes(tmp_path, wav(rate=96_000, data=data), "log.wav", sample_rate=1.92e6)
    assert capture.tick_s == 1 / (16 * 1.92e6)


def test_a_scope_table_without_names(tmp_path: Path) -> None:
    rows = "".join(f"{k * 0.25:.2f}\t{v:.4f}\n" for k, v in enumerate(sine_like(9000, 23.0)))
    settings_lines = "# bench 3\nCoupling\tAC\nus\tV\n"
    capture = read_bytes(tmp_path, (settings_lines + rows).encode(), "log.txt")
    assert capture.tick_s == pytest.approx(1 / (16 * 4e6))
    assert capture.read_ticks.size == pytest.approx(2 * 9000 / 23, abs=3)


def test_a_scope_table_of_counts_is_told_from_levels(tmp_path: Path) -> None:
    counts = np.rint(sine_like(9000, 23.0) * 100 + 128).astype(int)
    rows = "".join(f"{k * 0.25:.2f},{v}\n" for k, v in enumerate(counts))
    capture = read_bytes(tmp_path, ("t_us,ch1\n" + rows).encode(), "log.csv")
    assert capture.strength is not None


def test_a_table_that_counts_from_its_trigger_begins_at_zero(tmp_path: Path) -> None:
    rows = "".join(f"{(k - 30) * 2.0},{k % 2}\n" for k in range(60))
    capture = read_bytes(tmp_path, ("time_us,rdata\n" + rows).encode(), "log.csv")
    assert capture.read_ticks.tolist() == [4000 * k for k in range(1, 30)]


def test_levels_written_as_fractions_are_levels(tmp_path: Path) -> None:
    rows = "".join(f"{k * 2.0},{k % 2}.0\n" for k in range(60))
    capture = read_bytes(tmp_path, ("time_us,rdata\n" + rows).encode(), "log.csv")
    assert capture.strength is None
    assert capture.read_ticks.size == 29


@given(st.binary(max_size=300), st.sampled_from([r.title for r in READERS] + ["raw"]))
@settings(max_examples=150)
def test_no_bytes_crash_a_reader(data: bytes, title: str) -> None:
    """Each reader on bytes that need not be for it, with an opening that is."""
    opening = {
        "value change dump": dump("!=RDATA", body="#0\n1!\n"),
        "logger or oscilloscope table": b"time_us,rdata\n0.0,1\n",
        "sound file": b"RIFF\0\0\0\0WAVE",
        "array file": b"\x93NUMPY\x01\x00",
        "raw": b"",
    }[title]
    options = ReadOptions({"read_data": "0"} if title == "raw" else {}, sample_rate_hz=1e6, raw_hz=1e6)
    reader = RAW if title == "raw" else next(r for r in READERS if r.title == title)
    for start in (b"", opening):
        try:
            capture = build_capture(reader.open(io.BytesIO(start + data), "x", options), "x")
        except InputFault as fault:
            assert "\n" not in fault.line
        else:
            assert np.all(np.diff(capture.read_ticks) >= 0)


@given(st.binary(max_size=200))
@settings(max_examples=200)
def test_any_opening_is_claimed_by_one_reader_or_none(data: bytes) -> None:
    assert sum(reader.claims(data) for reader in READERS) <= 1


def test_every_format_is_in_the_docs() -> None:
    page = (Path(__file__).parents[2] / "docs" / "signals.md").read_text(encoding="utf-8")
    for reader in (*READERS, RAW):
        (row,) = [line for line in page.splitlines() if line.startswith(f"| {reader.title} ")]
        assert all(f"`{ending}`" in row for ending in reader.endings), row
