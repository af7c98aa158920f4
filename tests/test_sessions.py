"""Session logs cut into stays: cylinders counted from the step lines, heads from the side line."""

from __future__ import annotations

import numpy as np
import pytest

from indexhole.signal.capture import Capture, LineTrace
from indexhole.signal.sessions import cut_session

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
    stays = cut_session(log(900, **lines)).segments
    assert [s.index_ticks.tolist() for s in stays] == [[5 * MS, 205 * MS], [405 * MS, 605 * MS, 805 * MS]]
