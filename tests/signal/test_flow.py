"""Captures read stay by stay: the same stays as of the whole capture, in memory that does not grow with it."""

from __future__ import annotations

import hashlib
import importlib.util
import json
import os
import subprocess
import sys
import threading
from collections.abc import Collection, Sequence
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from indexhole.errors import InputFault
from indexhole.signal.captures.gather import Edges, EdgeSource, build_capture
from indexhole.signal.dwells import pieces
from indexhole.signal.dwells.flow import iter_dwells
from indexhole.signal.dwells.sessions import Segment, SessionCutter, cut_session
from indexhole.signal.formats.readers import read_capture

spec = importlib.util.spec_from_file_location("long_session", Path(__file__).parents[1] / "support" / "long_session.py")
assert spec is not None and spec.loader is not None
long_session = importlib.util.module_from_spec(spec)
spec.loader.exec_module(long_session)

CONTROL = ("step", "direction", "track_zero", "side")
TICK_S = 1e-4


def as_plain(segments: list[Segment] | tuple[Segment, ...]) -> list[tuple[object, ...]]:
    return [(s.cylinder, s.head, s.read_ticks.tolist(), s.index_ticks.tolist()) for s in segments]


@st.composite
def logs(draw: st.DrawFn) -> tuple[list[tuple[int, str, int]], tuple[str, ...]]:
    """Events in order of time (tick, line, level), at a tick of 0.1 ms, over some 40 s, and the lines of the log."""
    names = tuple(name for name in CONTROL if draw(st.booleans()))
    end = draw(st.sampled_from([3_000, 40_000, 200_000, 400_000]))
    every = draw(st.sampled_from([2, 9, 40]))
    events = [(t, "read_data", 0) for t in range(draw(st.integers(0, 900)), end, every)]
    if draw(st.booleans()):
        events = [e for e in events if not 60_000 < e[0] < 160_000]
    # A spindle that changes its speed in the middle, or no index at all.
    middle = draw(st.sampled_from([0, 30_000, 75_000, end]))
    for start, stop in ((5, middle), (middle + 1, end)):
        turn = draw(st.sampled_from([0, 150, 1667, 2003, 2400]))
        events += [(t, "index", 0) for t in range(start, stop, turn)] if turn else []
    # Coarse times make several lines change at once.
    grid = draw(st.sampled_from([1, end // 10]))
    for name in names:
        level = draw(st.sampled_from([None, 0, 1]))
        if level is not None:
            events.append((0, name, level))
        for tick in sorted({-(-t // grid) * grid for t in draw(st.sets(st.integers(1, end), max_size=8))}):
            level = 1 - (1 if level is None else level)
            events.append((tick, name, level))
            if name == "step" and draw(st.booleans()):
                level = 1 - level
                events.append((tick + draw(st.integers(0, 3)), name, level))
    return sorted(events, key=lambda e: e[0]), names


def edges_of(events: list[tuple[int, str, int]], names: tuple[str, ...]) -> Edges:
    def ticks(line: str) -> np.ndarray[tuple[int], np.dtype[np.int64]]:
        return np.array([t for t, name, _ in events if name == line], dtype=np.int64)

    lines = {n: (ticks(n), np.array([v for _, name, v in events if name == n], dtype=np.uint8)) for n in names}
    # More may come at the time of the last event, not before it.
    return Edges(ticks("read_data"), ticks("index"), events[-1][0] if events else 0, lines)


@given(logs(), st.lists(st.integers(0, 250_000), max_size=12), st.sets(st.integers(0, 30)))
@settings(max_examples=150)
def test_stays_do_not_depend_on_how_the_log_is_handed_over(
    log: tuple[list[tuple[int, str, int]], tuple[str, ...]], cuts: list[int], at_lines: set[int]
) -> None:
    """Cut anywhere, and right behind edges of control lines, when others may come at the same time."""
    events, names = log
    check_alike(events, names, cuts, at_lines)


def check_alike(
    events: list[tuple[int, str, int]], names: tuple[str, ...], cuts: Sequence[int], at_lines: Collection[int]
) -> list[Segment]:
    of_lines = [k + 1 for k, (_, name, _) in enumerate(events) if name in CONTROL]
    cuts = [*cuts, *(of_lines[k] for k in at_lines if k < len(of_lines))]
    bounds = sorted({0, len(events), *(cut for cut in cuts if cut < len(events))})
    chunks = [edges_of(events[a:b], names) for a, b in pairwise(bounds)]
    capture = build_capture(EdgeSource(TICK_S, names, iter(chunks)), "log")
    whole = cut_session(capture)
    cutter = SessionCutter("log", TICK_S, dict.fromkeys(names))
    dwells = [dwell for chunk in chunks for dwell in cutter.feed(chunk)] + cutter.finish()
    assert as_plain(dwells) == as_plain(whole.segments)
    assert cutter.warnings() == whole.warnings
    for dwell in dwells:
        assert (dwell.read_ticks[-1] - dwell.read_ticks[0]) * TICK_S <= pieces.TURNS * 0.25
    return dwells


def test_what_happens_at_once_may_come_in_two_chunks() -> None:
    """A step, and behind the end of a chunk, at the same tick, its direction and a pulse of the next stay."""
    events = [(t, "read_data", 0) for t in range(0, 5000, 2)]
    events += [(0, "direction", 1), (0, "track_zero", 0), (0, "step", 1), (2000, "step", 0), (2000, "direction", 0)]
    events += [(2001, "track_zero", 1), (2001, "step", 1), (4000, "step", 0)]
    order = {"step": 0, "direction": 1, "read_data": 2}
    events.sort(key=lambda e: (e[0], order.get(e[1], 0)))
    dwells = check_alike(events, ("step", "direction", "track_zero"), [], range(9))
    assert [s.cylinder for s in dwells] == [0, 1, 2]
    assert [s.read_ticks[0] for s in dwells] == [0, 2000, 4000]


def test_a_spindle_that_slows_down_later_does_not_move_the_first_cut() -> None:
    events = [(t, "read_data", 0) for t in range(0, 400_000, 40)]
    events += [(t, "index", 0) for t in (*range(5, 80_000, 1667), *range(80_000, 400_000, 2400))]
    dwells = check_alike(sorted(events), (), range(100, 10_000, 300), ())
    assert dwells[0].index_ticks.size == 32


def test_pieces_of_a_long_stay_overlap_by_a_quarter_turn_and_lose_nothing(tmp_path: Path) -> None:
    """Eighty turns without step lines: three pieces, cut at an index pulse."""
    turn, tick_s = 2000, 1e-4
    pulses = np.arange(30, 80 * turn, 7)
    index = np.arange(100, 80 * turn, turn)
    edges = Edges(pulses, index, int(pulses[-1]))
    capture = build_capture(EdgeSource(tick_s, (), iter([edges])), "log")
    dwells = cut_session(capture).segments
    assert len(dwells) == 3
    for one, other in pairwise(dwells):
        assert other.read_ticks[0] - 7 < other.index_ticks[0]
        assert one.index_ticks[-1] == other.index_ticks[0]
        assert one.read_ticks[-1] - other.index_ticks[0] == pytest.approx(turn / 4, abs=7)
        assert one.index_ticks.size <= pieces.TURNS
    assert np.unique(np.concatenate([s.read_ticks for s in dwells])).tolist() == pulses.tolist()


def test_pieces_are_handed_out_while_the_stay_goes_on() -> None:
    """Nothing but pulses, a second at a time: never more than ten seconds wait."""
    cutter = SessionCutter("log", 1e-4, {})
    given_s, out_s = 0.0, 0.0
    for start in range(0, 600_000, 10_000):
        ticks = np.arange(start, start + 10_000, 7)
        given_s = ticks[-1] * 1e-4
        for dwell in cutter.feed(Edges(ticks, ticks[:0], int(ticks[-1]))):
            out_s = dwell.read_ticks[-1] * 1e-4
        assert given_s - out_s < 10
    assert out_s > 50


@pytest.mark.parametrize("every", [0, 60, 9000])
def test_without_a_plain_index_pieces_go_by_time(every: int) -> None:
    """None, sixteen holes a turn, or one that is seen now and then."""
    pulses = np.arange(30, 250_000, 7)
    index = np.arange(100, 250_000, every) if every else pulses[:0]
    capture = build_capture(EdgeSource(1e-4, (), iter([Edges(pulses, index, 0)])), "log")
    dwells = cut_session(capture).segments
    assert len(dwells) == 4
    for one, other in pairwise(dwells):
        assert one.read_ticks[-1] - other.read_ticks[0] == pytest.approx(500, abs=60)


def test_a_chattering_line_is_cut_by_count(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(pieces, "MOST_PULSES", 4000)
    monkeypatch.setattr(pieces, "_OVERLAP_PULSES", 1000)
    pulses = np.arange(30, 20_000, 2)
    capture = build_capture(EdgeSource(1e-4, (), iter([Edges(pulses, pulses[:0], 0)])), "log")
    dwells = cut_session(capture).segments
    assert [s.read_ticks.size for s in dwells] == [4000, 4000, 3985]
    for one, other in pairwise(dwells):
        assert np.intersect1d(one.read_ticks, other.read_ticks).size == 1000


def test_a_stay_is_handed_out_as_soon_as_the_head_moves_on(tmp_path: Path) -> None:
    """At each stay, no more of the file has been read than the next one and a chunk."""
    path = tmp_path / "log.vcd"
    path.write_bytes(b"".join(long_session.session(30_000_000)))
    read: list[int] = []
    flow = iter_dwells(path, progress=lambda done, size: read.append(done))
    at = [(dwell.cylinder, read[-1]) for dwell in flow]
    size = path.stat().st_size
    dwell_bytes = size / len(at)
    assert [cylinder for cylinder, _ in at] == list(range(len(at)))
    for number, (_, done) in enumerate(at[:-1], start=1):
        assert done < (number + 0.1) * dwell_bytes + (1 << 20)
    assert read[-1] == size
    assert (flow.pulses, flow.warnings) == (read_capture(path).read_ticks.size, ())


def test_what_is_known_when_done(tmp_path: Path) -> None:
    path = tmp_path / "log.vcd"
    path.write_bytes(b"".join(long_session.session(8_000_000)))
    flow = iter_dwells(path)
    assert (flow.name, flow.sha256, flow.pulses) == ("log.vcd", "", 0)
    first = as_plain(list(flow))
    capture = read_capture(path)
    assert flow.sha256 == capture.sha256 == hashlib.sha256(path.read_bytes()).hexdigest()
    assert flow.duration_s == pytest.approx(capture.duration_s)
    # Iterated over again, it reads again.
    assert as_plain(list(flow.segments())) == first
    assert flow.pulses == capture.read_ticks.size


def test_faults_come_when_they_are_met(tmp_path: Path) -> None:
    path = tmp_path / "log.vcd"
    data = b"".join(long_session.session(12_000_000))
    path.write_bytes(data + b"#1\n")
    dwells = iter(iter_dwells(path))
    assert next(dwells).cylinder == 0
    with pytest.raises(InputFault, match=r"log\.vcd: time runs backwards near byte"):
        list(dwells)
    few = "".join(f"#{k}\n{k % 2}!\n" for k in range(1, 31))
    path.write_text("$timescale 1 ns $end\n$var wire 1 ! RDATA $end\n$enddefinitions $end\n" + few)
    with pytest.raises(InputFault, match="only 15 pulses"):
        list(iter_dwells(path))
    with pytest.raises(InputFault, match=r"absent\.vcd: cannot be read"):
        list(iter_dwells(tmp_path / "absent.vcd"))


# The peak is the kernel's account of this program alone: that of getrusage still holds what the parent had.
CHILD = """
import json, re, sys
from pathlib import Path
from indexhole.signal.dwells.flow import iter_dwells
flow = iter_dwells(Path(sys.argv[1]))
cylinders = [stay.cylinder for stay in flow]
peak = re.search(r"VmHWM:\\s+(\\d+) kB", Path("/proc/self/status").read_text())
print(json.dumps([len(cylinders), cylinders == list(range(len(cylinders))), flow.sha256, int(peak[1]) * 1024]))
"""


@pytest.mark.skipif(not Path("/proc/self/status").exists(), reason="needs the kernel's account of a process (Linux)")
def test_memory_does_not_grow_with_the_capture(tmp_path: Path) -> None:
    """Through a pipe, so that the file cannot be gone over twice either."""
    peaks = {}
    for size in (30_000_000, 300_000_000):
        pipe = tmp_path / f"log-{size}.vcd"
        os.mkfifo(pipe)
        digest, dwells = hashlib.sha256(), size // len(max(long_session.session(1), key=len))

        def write(pipe: Path = pipe, size: int = size, digest: hashlib._Hash = digest) -> None:
            with pipe.open("wb") as stream:
                for part in long_session.session(size):
                    digest.update(part)
                    stream.write(part)

        writer = threading.Thread(target=write)
        writer.start()
        child = subprocess.run([sys.executable, "-c", CHILD, str(pipe)], capture_output=True, check=True)
        writer.join()
        found, in_order, sha256, peaks[size] = json.loads(child.stdout)
        assert (found, in_order, sha256) == (dwells, True, digest.hexdigest())
    small, large = peaks.values()
    assert large < 500e6
    # Ten times the capture, and no more than a stay or two of slack in it.
    assert large - small < 30e6
