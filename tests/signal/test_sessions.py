"""Session logs cut into stays: cylinders counted from the step lines, heads from the side line."""

from __future__ import annotations

import io
from dataclasses import replace

import numpy as np
import pytest

from indexhole.signal.captures.capture import Capture, LineTrace
from indexhole.signal.captures.gather import build_capture
from indexhole.signal.dwells.sessions import cut_session
from indexhole.signal.formats.options import ReadOptions
from indexhole.signal.formats.read_vcd import open_vcd

MS = 1_000_000


def trace(initial: int, *changes: tuple[float, int]) -> LineTrace:
    ticks = np.array([round(t * MS) for t, _ in changes], dtype=np.int64)
    return LineTrace(initial, ticks, np.array([level for _, level in changes], dtype=np.uint8))


def step_line(*at_ms: float) -> LineTrace:
    return trace(1, *((t + d, level) for t in at_ms for d, level in ((0.0, 0), (0.01, 1))))


def log(end_ms: float, **lines: LineTrace) -> Capture:
    pulses = np.arange(0, round(end_ms * MS), 4000, dtype=np.int64)
    return Capture("log", 1e-9, pulses, np.arange(5 * MS, round(end_ms * MS), 200 * MS), lines)


def places(capture: Capture) -> list[tuple[int | None, int | None]]:
    return [(s.cylinder, s.head) for s in cut_session(capture).segments]


def test_a_plain_log_is_one_stay_of_unknown_place() -> None:
    session = cut_session(log(500))
    assert [(s.cylinder, s.head) for s in session.segments] == [(None, None)]
    assert session.segments[0].read_ticks.size == 125_000
    assert not session.warnings


def test_steps_inward_count_up_while_direction_is_low() -> None:
    lines = {
        "step": step_line(400, 800),
        "direction": trace(1, (399, 0)),
        "track_zero": trace(0, (400.005, 1)),
        "side": trace(1, (200, 0), (399, 1), (600, 0), (799, 1)),
    }
    # The short stays between a side change and the step behind it are part of the seek.
    assert places(log(1000, **lines)) == [(0, 0), (0, 1), (1, 0), (1, 1), (2, 0)]


def test_a_log_that_starts_inside_finds_its_place_when_it_reaches_zero() -> None:
    lines = {"step": step_line(300, 600), "direction": trace(1), "track_zero": trace(1, (600.005, 0))}
    assert places(log(900, **lines)) == [(2, 0), (1, 0), (0, 0)]


def test_pushing_against_the_stop_stays_at_zero() -> None:
    lines = {"step": step_line(300, 320.5, 341), "direction": trace(1), "track_zero": trace(0)}
    assert [c for c, _ in places(log(900, **lines))] == [0, 0, 0, 0]


def test_a_lost_step_is_set_right_at_track_zero_and_told() -> None:
    lines = {
        "step": step_line(200, 400, 600),
        "direction": trace(0, (500, 1)),
        "track_zero": trace(0, (200.005, 1), (600.005, 0)),
    }
    # Two steps in and one out cannot end at zero: one of the steps in did not take.
    assert places(log(900, **lines))[-1] == (0, 0)


@pytest.mark.parametrize("missing", ["direction", "track_zero"])
def test_without_a_line_cylinders_are_left_to_the_ids(missing: str) -> None:
    lines = {"step": step_line(300), "direction": trace(0), "track_zero": trace(0, (300.005, 1))}
    del lines[missing]
    session = cut_session(log(900, **lines))
    assert [s.cylinder for s in session.segments] == [None, None]
    assert "cylinders come from the ids" in session.warnings[0]


def test_zero_shown_after_a_step_inward_is_told() -> None:
    lines = {"step": step_line(300), "direction": trace(0), "track_zero": trace(0)}
    session = cut_session(log(900, **lines))
    assert [s.cylinder for s in session.segments] == [0, 0]
    assert "track zero shown after a step inward" in session.warnings[0]


def test_index_pulses_go_to_the_stay_they_fall_in() -> None:
    lines = {"step": step_line(300), "direction": trace(0), "track_zero": trace(0, (300.005, 1))}
    dwells = cut_session(log(900, **lines)).segments
    assert [s.index_ticks.tolist() for s in dwells] == [[5 * MS, 205 * MS], [405 * MS, 605 * MS, 805 * MS]]


def short_dwells(count: int, *, outward: int = 0) -> tuple[Capture, list[float]]:
    """`count` stays of 40 ms, stepping inward; then `outward` steps back, the last of which shows track zero."""
    at = [40.0 * (k + 1) for k in range(count + outward)]
    turned = at[count] - 1 if outward else at[-1] + 1
    zero = trace(1, (at[-1] + 0.005, 0)) if outward else trace(1)
    return log(at[-1] + 40, step=step_line(*at), direction=trace(0, (turned, 1)), track_zero=zero), at


def test_stays_before_the_first_track_zero_wait_for_it() -> None:
    capture, _ = short_dwells(20, outward=25)
    session = cut_session(capture)
    assert [s.cylinder for s in session.segments] == [*range(5, 26), *range(24, -1, -1)]
    assert session.warnings == ()


def test_stays_long_before_the_first_track_zero_do_not_wait_for_it() -> None:
    capture, _ = short_dwells(120, outward=120)
    session = cut_session(capture)
    cylinders = [s.cylinder for s in session.segments]
    # The 201st would have to wait too.
    assert cylinders[:240] == [None] * 240
    assert cylinders[240:] == [0]
    assert session.warnings == ("log: track zero came late: the cylinders of 240 stays come from the ids",)


def test_a_log_that_never_shows_track_zero_leaves_cylinders_to_the_ids() -> None:
    session = cut_session(short_dwells(5)[0])
    assert [s.cylinder for s in session.segments] == [None] * 6
    assert session.warnings == ("log: track zero was never reached: cylinders come from the ids",)


def test_steps_beyond_track_zero_leave_no_cylinder() -> None:
    """Track zero is shown at the second stay, and the line is loose from then on."""
    lines = {
        "step": step_line(100, 200, 300),
        "direction": trace(1),
        "track_zero": trace(1, (100.005, 0), (200.005, 1)),
    }
    session = cut_session(log(400, **lines))
    assert [s.cylinder for s in session.segments] == [1, 0, None, None]
    assert session.warnings == ("log: steps lead outward beyond track zero: those stays have no cylinder",)


def test_stays_outside_of_the_first_track_zero_have_no_cylinder() -> None:
    """Two steps inward and one outward cannot end at zero: where the log began is not known."""
    lines = {
        "step": step_line(100, 200, 300),
        "direction": trace(0, (299, 1)),
        "track_zero": trace(1, (300.005, 0)),
    }
    session = cut_session(log(400, **lines))
    assert [s.cylinder for s in session.segments] == [None, 0, 1, 0]
    assert session.warnings == ("log: steps lead outward beyond track zero: those stays have no cylinder",)


def test_a_line_that_miscounts_all_the_time_is_told_in_a_few_words() -> None:
    at = [40.0 * (k + 1) for k in range(30)]
    session = cut_session(log(1280, step=step_line(*at), direction=trace(0), track_zero=trace(0)))
    assert {s.cylinder for s in session.segments} == {0}
    assert len(session.warnings) == 11
    assert session.warnings[-1] == "log: 20 more steps inward showed track zero"


def test_a_line_first_named_in_the_middle_of_a_log_was_at_rest() -> None:
    """A dump that does not say its opening levels: the first change of STEP is a step, not its opening level."""
    header = "$timescale 1 us $end\n" + "".join(
        f"$var wire 1 {code} {name} $end\n"
        for code, name in zip("!abc", ("RDATA", "STEP", "DIR", "TRK00"), strict=True)
    )
    changes = [(k * 4, "0!") for k in range(50_000)] + [(k * 4 + 1, "1!") for k in range(50_000)]
    changes += [(0, "0b"), (0, "0c"), (100_003, "0a"), (100_013, "1a"), (100_050, "1c")]
    body = "".join(f"#{t}\n{what}\n" for t, what in sorted([*changes, (0, "1!")], key=lambda c: c[0]))
    source = open_vcd(io.BytesIO((header + "$enddefinitions $end\n" + body).encode()), "log", ReadOptions())
    capture = build_capture(source, "log")
    assert capture.lines["step"].initial == 1
    assert [s.cylinder for s in cut_session(capture).segments] == [0, 1]


def test_heights_go_with_their_pulses() -> None:
    lines = {"step": step_line(300), "direction": trace(0), "track_zero": trace(0, (300.005, 1))}
    capture = log(900, **lines)
    heights = (np.arange(capture.read_ticks.size) % 251).astype(np.uint8)
    dwells = cut_session(replace(capture, strength=heights)).segments
    strength = [s.strength for s in dwells]
    assert np.concatenate([s for s in strength if s is not None]).tolist() == heights.tolist()
    assert [s.read_ticks.size for s in dwells] == [s.size for s in strength if s is not None]
