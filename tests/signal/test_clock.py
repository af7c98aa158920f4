"""Clock recovery and cell guesses against intervals of known make."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from indexhole.signal.clock.cells import guess_cells
from indexhole.signal.clock.kernels import recover_clock

SHARES = {"mfm": {2: 0.5, 3: 0.33, 4: 0.17}, "fm": {1: 0.6, 2: 0.4}, "group45": {1: 0.5, 2: 0.35, 3: 0.15}}


def made(
    code: str, count: int, cell: float, jitter: float, seed: int, wow: float = 0.0
) -> tuple[npt.NDArray[np.int64], npt.NDArray[np.int32]]:
    """Runs drawn at random and their intervals in ticks, with jitter in cells."""
    rng = np.random.default_rng(seed)
    runs = rng.choice(list(SHARES[code]), p=list(SHARES[code].values()), size=count).astype(np.int64)
    place = np.cumsum(runs)
    local = cell * (1 + wow * np.sin(2 * np.pi * place / 100_000))
    times = np.cumsum(runs * local) + rng.normal(0, jitter * cell, count)
    return runs[1:], np.diff(np.rint(times)).astype(np.int32)


@pytest.mark.parametrize("code", SHARES)
@pytest.mark.parametrize("count", [200, 3000, 50_000])
def test_runs_come_back_through_jitter_wow_and_a_wrong_start(code: str, count: int) -> None:
    runs, intervals = made(code, count, 48.0, 0.05, seed=count, wow=0.012)
    found, errors = recover_clock(intervals, 48.0 * 1.02)
    wrong = np.flatnonzero(found != runs)
    # The loop may need a few pulses to find its phase.
    assert not (wrong > 60).any()
    assert 0.02 < np.std(errors[100:].astype(float)) / 256 < 0.12


def test_lanes_agree_with_a_single_loop() -> None:
    """The long stream is split among loops side by side; a short one is not."""
    runs, intervals = made("mfm", 8192 + 5, 48.0, 0.04, seed=7)
    long_found, _ = recover_clock(intervals, 48.0)
    short_found, _ = recover_clock(intervals[:8000], 48.0)
    assert np.array_equal(long_found[:8000][100:], short_found[100:])
    assert np.array_equal(long_found[100:], runs[100:])


def test_long_gaps_neither_stop_nor_derail_the_loop() -> None:
    runs, intervals = made("mfm", 6000, 48.0, 0.03, seed=3)
    intervals[2000] = 48 * 5000 + 11
    intervals[4000] = 2**31 - 1
    found, _ = recover_clock(intervals, 48.0)
    assert found[2000] == found[4000] == 255
    for gap in (2000, 4000):
        assert np.array_equal(found[gap + 60 : gap + 1500], runs[gap + 60 : gap + 1500])


@given(st.lists(st.integers(0, 2**31 - 1), max_size=400), st.floats(1.0, 1e4))
@settings(max_examples=100)
def test_any_intervals_give_runs(intervals: list[int], cell: float) -> None:
    runs, errors = recover_clock(np.array(intervals, dtype=np.int32), cell)
    assert runs.size == errors.size == len(intervals)
    assert (runs >= 1).all()


@given(st.sampled_from(sorted(SHARES)), st.floats(20, 2000), st.floats(0, 0.07), st.integers(0, 2**32 - 1))
@settings(max_examples=80)
def test_code_and_cell_are_told_from_intervals(code: str, cell: float, jitter: float, seed: int) -> None:
    _, intervals = made(code, 4000, cell, jitter, seed, wow=0.01)
    best = guess_cells(intervals)[0]
    assert best.code == code
    assert best.cell_ticks == pytest.approx(cell, rel=0.02)


def test_pulse_asymmetry_does_not_bias_the_cell() -> None:
    """Every other interval is long: a sample at an even stride would see only those."""
    _, intervals = made("mfm", 200_000, 48.0, 0.03, seed=11)
    intervals[::2] += 8
    intervals[1::2] -= 8
    assert guess_cells(intervals)[0].cell_ticks == pytest.approx(48.0, rel=0.005)


@pytest.mark.parametrize("intervals", [[], [5] * 10, [0] * 100, [2**31 - 1] * 100])
def test_a_stretch_without_recording_gives_no_crash(intervals: list[int]) -> None:
    for guess in guess_cells(np.array(intervals, dtype=np.int32)):
        assert guess.cell_ticks > 0
