"""The clock that looks both ways, against pulses whose true cells are known."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from indexhole.signal.clock.kernels import _one_way, recover_clock, two_way_clock

SHARES = {"mfm": {2: 0.5, 3: 0.33, 4: 0.17}, "fm": {1: 0.6, 2: 0.4}, "group45": {1: 0.5, 2: 0.35, 3: 0.15}}
CELL = 48.0
GAIN, DRIFT, GATE = 0.1, 0.004, 0.4


@dataclass(frozen=True)
class Known:
    """Intervals in ticks, the true cell of each pulse (nan for a stray one) and its own noise in cells."""

    intervals: npt.NDArray[np.int32]
    cells: npt.NDArray[np.float64]
    noise: npt.NDArray[np.float64]

    @property
    def cell_ticks(self) -> float:
        """Mean cell as recovery reckons it, 0.2 % off."""
        return 1.002 * float(self.intervals.sum()) / float(np.nanmax(self.cells) - np.nanmin(self.cells))


def known(
    code: str,
    count: int,
    rng: np.random.Generator,
    *,
    jitter: float = 0.0,
    wow: float = 0.012,
    gap: tuple[int, int] | None = None,
    strays: int = 0,
) -> Known:
    """Runs drawn at random, read with jitter, wow of 2.6 cycles a turn, a gap (start, length in cells) and strays."""
    runs = rng.choice(list(SHARES[code]), p=list(SHARES[code].values()), size=count)
    place = np.cumsum(runs).astype(np.float64)
    if gap is not None:
        place = place[(place <= gap[0]) | (place >= gap[0] + gap[1])]
    order, phase = 2 * math.pi * 2.6 / 100_000, rng.uniform(0, 2 * math.pi)
    noise = rng.normal(0, jitter, place.size) if jitter else np.zeros(place.size)
    times = place + wow / order * (np.sin(order * place + phase) - math.sin(phase)) + noise
    false = rng.uniform(times[0], times[-1], strays)
    nothing = np.full(strays, np.nan)
    times, place, noise = (np.concatenate(p) for p in ((times, false), (place, nothing), (noise, nothing)))
    by_time = np.argsort(times)
    return Known(np.diff(np.rint(times[by_time] * CELL)).astype(np.int32), place[by_time], noise[by_time])


def one_way(intervals: npt.NDArray[np.int32], cell_ticks: float) -> npt.NDArray[np.float64]:
    """The forward loop alone."""
    place, carry, period = (np.empty(intervals.size + 1) for _ in range(3))
    low, high = 0.9 * cell_ticks, 1.1 * cell_ticks
    _one_way(intervals.astype(np.float64), cell_ticks, low, high, GAIN, DRIFT, GATE, place, carry, period)
    return place


def miscounted(place: npt.NDArray[np.float64], cells: npt.NDArray[np.float64]) -> npt.NDArray[np.bool_]:
    """Which true pulses were given another cell than most, counting aside."""
    true = ~np.isnan(cells)
    apart = np.rint(place[true] - cells[true])
    return np.asarray(apart != np.median(apart))


def slipped(place: npt.NDArray[np.float64], cells: npt.NDArray[np.float64], gap: tuple[int, int]) -> bool:
    """Whether the gap was given another length than it has."""
    apart = np.rint(place - cells)
    before, behind = apart[cells <= gap[0]], apart[cells >= gap[0] + gap[1]]
    return bool(np.median(before) != np.median(behind))


@pytest.mark.parametrize("code", SHARES)
def test_without_noise_every_pulse_stands_in_the_middle_of_its_cell(code: str) -> None:
    given_ = known(code, 2000, np.random.default_rng(1), wow=0.0)
    place = two_way_clock(given_.intervals, given_.cell_ticks)
    assert place[0] == 0
    assert np.abs(place - (given_.cells - given_.cells[0])).max() < 0.02


@pytest.mark.parametrize("code", SHARES)
@pytest.mark.parametrize("jitter", [0.05, 0.10, 0.13, 0.15, 0.17])
def test_only_pulses_beyond_half_a_cell_are_miscounted(code: str, jitter: float) -> None:
    """Gaussian jitter puts erfc(1 / (2 sqrt 2 sigma)) of the pulses nearer to another cell: no clock does better."""
    rng = np.random.default_rng(2)
    wrong, total = 0, 0
    for _ in range(12):
        given_ = known(code, 1500, rng, jitter=jitter)
        missed = miscounted(two_way_clock(given_.intervals, given_.cell_ticks), given_.cells)
        wrong += int(missed.sum())
        total += missed.size
    beyond = math.erfc(0.5 / jitter / math.sqrt(2))
    assert wrong / total <= 1.7 * beyond + 0.0004
    if beyond > 0.003:
        assert wrong / total >= 0.5 * beyond


@pytest.mark.parametrize("code", SHARES)
def test_both_sides_place_better_than_what_went_before(code: str) -> None:
    """The clock's own error, each pulse's noise taken off, is well below that of the forward loop alone."""
    given_ = known(code, 6000, np.random.default_rng(3), jitter=0.1)

    def clock_error(place: npt.NDArray[np.float64]) -> float:
        inner = (place - given_.cells - given_.noise)[200:-200]
        return float(np.std(inner - np.median(np.rint(inner))))

    both, forward = (
        clock_error(two_way_clock(given_.intervals, given_.cell_ticks)),
        clock_error(one_way(given_.intervals, given_.cell_ticks)),
    )
    assert 0.005 < both < 0.8 * forward


def test_the_clock_passes_on_as_much_noise_as_reckoned() -> None:
    """Worked numbers of docs/recovery.md: a first-order loop of gain g passes on g / (2 - g) of the noise power."""
    given_ = known("mfm", 20_000, np.random.default_rng(9), jitter=0.1, wow=0.0)
    inner = (two_way_clock(given_.intervals, CELL, drift=0.0) - given_.cells - given_.noise)[300:-300]
    # Half of it from either side, and the rounding of both ends to whole ticks.
    expected = 0.01 * GAIN / (2 - GAIN) / 2 + 1 / CELL**2 / 12
    assert float(np.std(inner)) == pytest.approx(math.sqrt(expected), rel=0.08)
    with_drift = (two_way_clock(given_.intervals, CELL) - given_.cells - given_.noise)[300:-300]
    assert 0.02 < float(np.std(with_drift)) < 0.03


@pytest.mark.parametrize("code", SHARES)
@pytest.mark.parametrize(("jitter", "most"), [(0.05, 0), (0.10, 0), (0.13, 0), (0.17, 5)])
def test_gaps_of_up_to_sixty_cells_keep_their_length(code: str, jitter: float, most: int) -> None:
    rng = np.random.default_rng(4)
    slips = 0
    for length in (5, 12, 24, 40, 60):
        for _ in range(12):
            gap = (int(rng.integers(300, 600)), length)
            given_ = known(code, 900, rng, jitter=jitter, gap=gap)
            slips += slipped(two_way_clock(given_.intervals, given_.cell_ticks), given_.cells, gap)
    assert slips <= most


def test_a_long_gap_is_measured_from_both_its_ends() -> None:
    """Over 500 cells the forward loop's cell length carries too far; what follows the gap puts it right."""
    rng = np.random.default_rng(5)
    both = forward = 0
    for code in SHARES:
        for _ in range(100):
            gap = (700, 500)
            given_ = known(code, 1500, rng, jitter=0.05, gap=gap)
            both += slipped(two_way_clock(given_.intervals, given_.cell_ticks), given_.cells, gap)
            forward += slipped(one_way(given_.intervals, given_.cell_ticks), given_.cells, gap)
    assert forward > 15
    assert both <= forward / 2


@pytest.mark.parametrize("code", SHARES)
def test_stray_pulses_move_no_true_one(code: str) -> None:
    rng = np.random.default_rng(6)
    for _ in range(10):
        given_ = known(code, 1200, rng, jitter=0.06, strays=12)
        place = two_way_clock(given_.intervals, given_.cell_ticks)
        assert place.size == given_.cells.size
        # A stray takes a cell of its own; behind it counting goes on as before.
        assert miscounted(place, given_.cells).mean() < 0.005


def test_noise_that_derails_the_plain_clock_does_not_derail_this_one() -> None:
    given_ = known("fm", 3000, np.random.default_rng(7), jitter=0.16)
    runs, _ = recover_clock(given_.intervals, CELL)
    counted = np.concatenate((np.zeros(1), np.cumsum(runs, dtype=np.float64)))
    assert miscounted(counted, given_.cells).mean() > 0.1
    assert miscounted(two_way_clock(given_.intervals, given_.cell_ticks), given_.cells).mean() < 0.01


@given(st.lists(st.integers(0, 2**31 - 1), max_size=200), st.floats(1.0, 1e4))
@settings(max_examples=150)
def test_any_intervals_give_a_place_for_every_pulse(intervals: list[int], cell: float) -> None:
    place = two_way_clock(np.array(intervals, dtype=np.int32), cell)
    assert place.shape == (len(intervals) + 1,)
    assert np.isfinite(place).all()
    # The cell length stays within a tenth of what was given, so the whole length does too.
    if sum(intervals) > 20 * cell and min(intervals) > cell:
        assert 0.85 < (place[-1] - place[0]) * cell / sum(intervals) < 1.2
