"""Capture readers: dumps and tables read right, and every damaged file told in one line."""

from __future__ import annotations

import gzip
import io
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from vcd.reader import TokenKind, tokenize

from indexhole.errors import InputFault
from indexhole.signal.build import build_capture
from indexhole.signal.capture import Capture, LineTrace
from indexhole.signal.lines import match_lines
from indexhole.signal.options import ReadOptions
from indexhole.signal.readers import READERS, read_capture
from indexhole.signal.write_vcd import csv_bytes, vcd_bytes

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
    monkeypatch.setattr("indexhole.signal.read_vcd._CHUNK_BYTES", (1 << 16) + 61)
    assert read_bytes(tmp_path, data).read_ticks.tolist() == whole.read_ticks.tolist()


def read_from(data: bytes, name: str = "x", options: ReadOptions | None = None) -> Capture:
    """Through the one reader that claims the bytes."""
    (reader,) = [r for r in READERS if r.claims(data)]
    return build_capture(reader.open(io.BytesIO(data), name, options or ReadOptions()), name)


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
}


@pytest.mark.parametrize("case", FAULTS)
def test_a_damaged_file_is_told_in_one_line(tmp_path: Path, case: str) -> None:
    data, message = FAULTS[case]
    with pytest.raises(InputFault) as fault:
        read_bytes(tmp_path, data, "log.bin")
    assert message in fault.value.line
    assert "log.bin" in fault.value.line
    assert "\n" not in fault.value.line


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
@settings(max_examples=60, deadline=None)
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
@settings(max_examples=25, deadline=None)
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
