"""Evidence of cells: against its formula reckoned anew in plain numpy, and on cases whose answer is known."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import numpy.typing as npt
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from indexhole.codes.encode import fm_cells, group_cells, mfm_cells
from indexhole.codes.known import CODES
from indexhole.recover.fields.evidence import TRUST, _slips_removed, cell_evidence, joint_evidence, spread_of
from indexhole.recover.fields.stretch import Placed, Stretch, place_pulses

# As they stand in recover/evidence.py: a change there has to be made here by hand as well.
UNSEEN, MOST, LIKELY_STRAY, IN_GAP, NEAR_GAP, BESIDE, BOUND = 0.05, 0.1, 0.6, 0.95, 0.4, 0.35, 14.0


def by_the_formula(placed: Placed, code: str, cells: int) -> npt.NDArray[np.float64]:
    """L = log(q + (1 - q) sum h f(x) / (s + 0.35 g)), cell by cell over all pulses."""
    low, high = CODES[code].run_limits
    count = max(placed.cell.size, 1)
    short, long = placed.run < low, placed.run > high
    sigma = spread_of(placed)

    def f(x: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
        def normal(s: float) -> npt.NDArray[np.float64]:
            return np.exp(-0.5 * (x / s) ** 2) / (s * np.sqrt(2 * np.pi))

        return 0.9 * normal(sigma) + 0.1 * normal(3 * sigma)

    stray = np.full(placed.cell.size, min((short.sum() + UNSEEN) / count, MOST))
    for j in np.flatnonzero(short):
        stray[j] = LIKELY_STRAY
        if j:
            stray[j - 1] = LIKELY_STRAY
    out = np.empty(cells)
    for k in range(cells):
        loss = min((long.sum() + UNSEEN) / count, MOST)
        for j in np.flatnonzero(long):
            if k in (placed.cell[j], placed.cell[j] - placed.run[j]):
                loss = max(loss, NEAR_GAP)
        for j in np.flatnonzero(long):
            if placed.cell[j] - placed.run[j] < k < placed.cell[j]:
                loss = IN_GAP
        if k > (placed.cell[-1] if placed.cell.size else -1):
            loss = IN_GAP
        total = 0.0
        for j in np.flatnonzero(np.abs(placed.cell - k) <= 1):
            # Distance of the pulse from this cell, and from the two beside the pulse's own that are not this one.
            at = placed.cell[j] + placed.offset[j]
            here = f(np.array([at - k]))[0]
            window = f(at - (placed.cell[j] + np.array([-1, 0, 1])))
            height = min(max(placed.strength[j], 0.2), 1.0)
            total += height * here / (stray[j] + BESIDE * (window.sum() - here))
        out[k] = np.clip(np.log(loss + (1 - loss) * total), -BOUND, BOUND)
    return out


@st.composite
def placings(draw: st.DrawFn) -> tuple[Placed, str, int]:
    """Pulses at rising cells, some too close, some far apart, some before and behind the field."""
    code = draw(st.sampled_from(sorted(CODES)))
    runs = draw(st.lists(st.integers(1, 9), min_size=0, max_size=40))
    start = draw(st.integers(-4, 6))
    cell = start + np.cumsum(np.array(runs, dtype=np.int64))
    size = cell.size
    offset = np.array(draw(st.lists(st.floats(-0.5, 0.5), min_size=size, max_size=size)))
    strength = np.array(draw(st.lists(st.floats(0, 2), min_size=size, max_size=size)))
    run = np.array(runs, dtype=np.int64)
    return Placed(cell, offset, run, strength), code, draw(st.integers(1, 120))


@given(placings())
@settings(max_examples=150)
def test_kernel_gives_what_the_formula_says(case: tuple[Placed, str, int]) -> None:
    placed, code, cells = case
    assert cell_evidence(placed, code, cells) == pytest.approx(by_the_formula(placed, code, cells), abs=1e-9)


def field_of(code: str, data: bytes) -> npt.NDArray[np.uint8]:
    """Cells behind a mark that ended in a one."""
    return {"fm": fm_cells, "group45": group_cells, "mfm": lambda d: mfm_cells(d, previous_bit=1)}[code](data)  # type: ignore[no-any-return,operator]


def stretch_of(
    code: str, cells: npt.NDArray[np.uint8], rng: np.random.Generator, jitter: float = 0.05, lost: tuple[int, ...] = ()
) -> Stretch:
    """Sync, the closing pulse of a mark one cell before the field, the field and a little more; `lost` left out."""
    step = 1 if code == "group45" else 2
    before = np.zeros(160, dtype=np.uint8)
    before[::step] = 1
    behind = np.tile(np.array([1, 0], dtype=np.uint8), 20)
    whole = np.concatenate((before, [1], cells, behind)).astype(np.uint8)
    whole[159] = 0
    kept = np.flatnonzero(whole)
    kept = kept[~np.isin(kept - 161, lost)]
    ticks = np.rint((kept + rng.normal(0, jitter, kept.size)) * 48).astype(np.int64)
    return Stretch(code, np.diff(ticks).astype(np.int32), None, 48.0, int(np.searchsorted(kept, 160)), 1)


@pytest.mark.parametrize("code", sorted(CODES))
@pytest.mark.parametrize("jitter", [0.02, 0.08])
def test_a_clean_pass_says_every_cell_right_and_clearly(code: str, jitter: float) -> None:
    rng = np.random.default_rng(1)
    cells = field_of(code, rng.bytes(64))
    placed = place_pulses(stretch_of(code, cells, rng, jitter))
    assert placed.cell[0] == -1
    evidence = cell_evidence(placed, code, cells.size)
    assert np.array_equal(evidence > 0, cells == 1)
    assert np.median(np.abs(evidence)) > 5


def test_a_gap_says_nothing_where_the_pass_saw_nothing() -> None:
    """Three pulses gone: the cells between the two that show hardly count, those outside keep their weight."""
    rng = np.random.default_rng(2)
    cells = field_of("mfm", bytes(16))
    ones = np.flatnonzero(cells)
    lost = tuple(int(k) for k in ones[40:43])
    evidence = cell_evidence(place_pulses(stretch_of("mfm", cells, rng, lost=lost)), "mfm", cells.size)
    inside = slice(int(ones[39]) + 1, int(ones[43]))
    assert np.abs(evidence[inside]).max() < 0.06
    assert np.log(0.95) == pytest.approx(evidence[inside].min(), abs=1e-9)
    # Further off every cell still weighs.
    assert np.abs(np.delete(evidence, np.r_[ones[38] : ones[44] + 1])).min() > 4


def test_behind_the_last_pulse_nothing_is_said() -> None:
    placed = Placed(np.array([1, 3, 5]), np.zeros(3), np.array([2, 2, 2]), np.ones(3))
    evidence = cell_evidence(placed, "mfm", 40)
    assert evidence[7:] == pytest.approx(np.full(33, np.log(0.95)))
    assert (evidence[[1, 3, 5]] > 3).all()


def test_a_weak_pulse_counts_for_less() -> None:
    strong = Placed(np.array([1, 3, 5]), np.zeros(3), np.array([2, 2, 2]), np.ones(3))
    weak = replace(strong, strength=np.array([1.0, 0.25, 1.0]))
    one, other = cell_evidence(strong, "mfm", 8), cell_evidence(weak, "mfm", 8)
    # A quarter of the height is a quarter of the likelihood, the little that is lost apart.
    assert one[3] - other[3] == pytest.approx(np.log(4), abs=0.01)
    assert one[[1, 5]] == pytest.approx(other[[1, 5]])


def test_worked_numbers_of_evidence() -> None:
    """As in docs/recovery.md: a thousand pulses with a spread of a tenth of a cell, none too close, none too far."""
    offset = np.where(np.arange(1000) % 2, 0.1, -0.1) / 1.4826
    offset[500], offset[600] = 0.0, 0.5
    run = np.full(1000, 2)
    placed = Placed(np.cumsum(run), offset, run, np.ones(1000))
    assert spread_of(placed) == pytest.approx(0.1, abs=1e-4)
    evidence = cell_evidence(placed, "mfm", 2001)
    assert evidence[placed.cell[500]] == pytest.approx(9.11, abs=0.01)
    assert evidence[placed.cell[600] + np.array([0, 1])] == pytest.approx([1.05, 1.05], abs=0.01)
    assert evidence[0] == pytest.approx(np.log(0.05 / 1000), abs=0.01)


def test_a_pulse_between_two_cells_leaves_both_open() -> None:
    placed = Placed(np.array([1, 3, 6, 8]), np.array([0.1, -0.1, 0.5, 0.1]), np.array([2, 2, 3, 2]), np.ones(4))
    evidence = cell_evidence(placed, "group45", 9)
    assert evidence[6] == pytest.approx(evidence[7], abs=0.1)
    assert 0 < evidence[6] < evidence[3] - 2


@pytest.mark.parametrize("shift", [-2, -1, 1, 2])
def test_a_miscounted_gap_is_laid_back_on_the_others(shift: int) -> None:
    """Behind cell 400 one pass counts wrongly; the sum of the others moves it back, and only from there on."""
    rng = np.random.default_rng(3)
    cells = field_of("mfm", rng.bytes(64))
    stretch = stretch_of("mfm", cells, rng)
    placed = place_pulses(stretch)
    total = cell_evidence(placed, "mfm", cells.size)
    moved = np.where(placed.cell >= 400, placed.cell + shift, placed.cell)
    found = _slips_removed(replace(placed, cell=moved), total)
    wrong = np.flatnonzero(found.cell != placed.cell)
    # Windows are 96 cells: the one the slip falls into is split.
    assert wrong.size < 40
    assert np.array_equal(found.cell[placed.cell > 490], placed.cell[placed.cell > 490])
    assert _slips_removed(placed, total).cell is placed.cell


@pytest.mark.parametrize("code", sorted(CODES))
def test_passes_add_up_and_are_tempered(code: str) -> None:
    rng = np.random.default_rng(4)
    cells = field_of(code, rng.bytes(32))
    stretches = [stretch_of(code, cells, rng) for _ in range(3)]
    alone = [cell_evidence(place_pulses(s), code, cells.size) for s in stretches]
    assert joint_evidence(stretches, cells.size) == pytest.approx(TRUST[code] * np.sum(alone, axis=0))
    assert joint_evidence([], 10).tolist() == [0.0] * 10


def test_what_no_pass_holds_whole_all_hold_together() -> None:
    """Each of three passes has a hole of its own; the sum of their evidence says every cell right."""
    rng = np.random.default_rng(5)
    cells = field_of("mfm", rng.bytes(64))
    ones = np.flatnonzero(cells)
    holes = [tuple(int(k) for k in ones[at : at + 10]) for at in (30, 90, 150)]
    stretches = [stretch_of("mfm", cells, rng, 0.06, hole) for hole in holes]
    for stretch in stretches:
        assert ((cell_evidence(place_pulses(stretch), "mfm", cells.size) > 0) != (cells == 1)).any()
    assert np.array_equal(joint_evidence(stretches, cells.size) > 0, cells == 1)


def test_spread_comes_from_the_middle_half_and_is_bounded() -> None:
    rng = np.random.default_rng(6)
    offsets = rng.normal(0, 0.1, 20_001)
    offsets[:2000] = 0.5

    def spread(offset: npt.NDArray[np.float64]) -> float:
        return spread_of(Placed(np.arange(offset.size), offset, np.full(offset.size, 2), np.ones(offset.size)))

    # One freak in ten widens it by a fifth at most.
    assert spread(offsets) == pytest.approx(0.1, rel=0.2)
    assert spread(np.zeros(50)) == 0.03
    assert spread(np.full(50, 0.4)) == 0.22
    assert spread(np.zeros(0)) == 0.22
