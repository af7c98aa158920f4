"""Hard-sectored disks: the true index among the holes, and the speed a turn."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from indexhole.signal.captures.capture import Ticks
from indexhole.signal.captures.index_holes import sort_holes

TICK_S = 1 / 24e6


def punched(
    holes: int,
    place: float,
    turns: float,
    turn_s: float,
    start: float,
    rng: np.random.Generator,
    jitter_s: float = 2e-6,
) -> tuple[Ticks, Ticks]:
    """Pulses of a hard-sectored disk from angle `start` on, and those of the true index, as ticks."""
    whole = np.arange(-1, int(turns) + 3)
    index = whole.astype(float)
    others = (whole[:, None] + (np.arange(holes) + 1 - place)[None, :] / holes).ravel()
    angles = np.concatenate((index, others))
    true = np.concatenate((np.ones(index.size, bool), np.zeros(others.size, bool)))
    inside = (angles > start) & (angles < start + turns)
    angles, true = angles[inside], true[inside]
    times = (angles - start) * turn_s + 0.003 * np.sin(2 * np.pi * angles) * turn_s / 20
    ticks = np.rint((times + rng.normal(0, 2e-6, times.size)) / TICK_S).astype(np.int64)
    order = np.argsort(ticks)
    return ticks[order], ticks[order][true[order]]


@given(
    st.sampled_from([10, 16, 32]),
    st.floats(0.2, 0.8),
    st.floats(2.2, 9),
    st.floats(0.94, 1.06),
    st.sampled_from([60 / 300, 60 / 360]),
    st.floats(0, 1),
    st.integers(0, 2**32 - 1),
)
@settings(max_examples=150)
def test_the_index_is_found_among_the_holes(
    holes: int, place: float, turns: float, pace: float, turn_s: float, start: float, seed: int
) -> None:
    pulses, index = punched(holes, place, turns, turn_s * pace, start, np.random.default_rng(seed))
    found = sort_holes(pulses, TICK_S)
    assert found.holes == holes
    # At the very ends of a log a cut space may lack its other half.
    inner = index[(index > pulses[1]) & (index < pulses[-2])]
    assert set(inner.tolist()) <= set(found.index_ticks.tolist()) <= set(index.tolist())
    assert found.turn_ticks == pytest.approx(turn_s * pace / TICK_S, rel=2e-3)


@given(st.sampled_from([10, 16]), st.data(), st.integers(0, 2**32 - 1))
@settings(max_examples=60)
def test_a_missed_pulse_does_not_mislead(holes: int, data: st.DataObject, seed: int) -> None:
    pulses, index = punched(holes, 0.5, 6, 0.2, 0.31, np.random.default_rng(seed))
    gone = data.draw(st.integers(3, pulses.size - 4))
    found = sort_holes(np.delete(pulses, gone), TICK_S)
    assert found.holes == holes
    assert found.turn_ticks == pytest.approx(0.2 / TICK_S, rel=2e-3)
    # A missed index pulse is put in where it must have been.
    near = [np.abs(index - tick).min() * TICK_S for tick in found.index_ticks.tolist()]
    assert max(near) < 0.5e-3
    assert found.index_ticks.size >= index.size - 1


@pytest.mark.parametrize("count", [0, 1, 2, 3, 8])
def test_a_soft_sectored_disk_is_left_as_it_is(count: int) -> None:
    index = np.arange(count, dtype=np.int64) * 4_800_000
    found = sort_holes(index, TICK_S)
    assert found.holes == 0
    assert found.index_ticks.tolist() == index.tolist()
    assert found.turn_ticks == (4_800_000 if count > 1 else None)


def test_an_index_pulse_missed_or_stray_does_not_shift_the_turns() -> None:
    index = np.arange(7, dtype=np.int64) * 4_800_000
    stray = np.sort(np.append(np.delete(index, 3), 1_700_000))
    found = sort_holes(stray, TICK_S)
    assert (found.holes, found.index_ticks.tolist(), found.turn_ticks) == (0, index.tolist(), 4_800_000)


def test_a_motor_that_runs_up_keeps_all_its_index_pulses() -> None:
    index = np.cumsum(np.array([0, 9, 7.5, 6.5, 5.8, 5.3, 5.0, 4.9, 4.8]) * 1e6).astype(np.int64)
    assert sort_holes(index, TICK_S).index_ticks.tolist() == index.tolist()


def test_a_bouncing_sensor_gives_one_pulse_a_turn() -> None:
    index = np.arange(5, dtype=np.int64) * 4_800_000
    bounced = np.sort(np.concatenate((index, index + 4_000)))
    found = sort_holes(bounced, TICK_S)
    assert (found.holes, found.index_ticks.tolist(), found.turn_ticks) == (0, index.tolist(), 4_800_000)


def test_one_turn_of_a_hard_sectored_disk_goes_by_the_known_counts() -> None:
    pulses, index = punched(10, 0.5, 1.0, 0.2, 0.5, np.random.default_rng(3))
    found = sort_holes(pulses, TICK_S)
    assert (found.holes, found.index_ticks.tolist()) == (10, index.tolist())
    assert found.turn_ticks == pytest.approx(0.2 / TICK_S, rel=2e-3)


@given(st.lists(st.integers(0, 10**9), max_size=60))
@settings(max_examples=100)
def test_noise_on_the_index_line_breaks_nothing(ticks: list[int]) -> None:
    pulses = np.array(sorted(ticks), dtype=np.int64)
    found = sort_holes(pulses, TICK_S)
    assert found.turn_ticks is None or found.turn_ticks > 0
    if found.holes:
        assert 4 <= found.holes <= 64
        assert np.all(np.diff(found.index_ticks) > 0)
