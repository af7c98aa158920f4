"""Logic levels in samples of a voltage."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import numpy.typing as npt
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from indexhole.signal.formats.levels import LevelFinder, has_two_levels

Samples = npt.NDArray[np.float32]


def line(*changes: float, size: int = 20_000, high: float = 5.0, low: float = 0.2, slope: float = 3.0) -> Samples:
    """A line that is high, and changes with straight edges of `slope` samples whose middles are given."""
    at = np.arange(size, dtype=np.float64)
    level = np.full(size, high)
    sign = -1.0
    for change in changes:
        level += sign * (high - low) * np.clip((at - change) / slope + 0.5, 0, 1)
        sign = -sign
    return level.astype(np.float32)


def test_falls_are_told_to_a_part_of_a_sample() -> None:
    """A change counts when it is 65 % done: 0.15 of an edge behind its middle."""
    samples = line(5000.3, 5400.8, 15_000.7, 15_400.2)
    assert LevelFinder().falls(samples) == pytest.approx([(c + 0.45) * 16 for c in (5000.3, 15_000.7)], abs=1)


@pytest.mark.parametrize("opens_low", [False, True])
def test_the_opening_level_is_the_first_change_and_no_fall(opens_low: bool) -> None:
    samples = line(5000, 8000, 12_000, 15_000)[6000 if opens_low else 0 :]
    ticks, levels = LevelFinder().feed(samples)
    assert (ticks[0], levels[0]) == (0, 0 if opens_low else 1)
    assert levels[1:].tolist() == ([1, 0, 1] if opens_low else [0, 1, 0, 1])
    assert LevelFinder().falls(samples).size == (1 if opens_low else 2)


@given(st.lists(st.integers(1, 9000), max_size=12))
@settings(max_examples=60)
def test_chunks_do_not_matter(sizes: list[int]) -> None:
    """With both levels in the first chunk: before that, nobody knows the range of the line."""
    samples = line(100, 400, 5000.3, 5400.8, 9000.1, 9000 + 450.6, 15_000.7, 15_400.2)
    bounds = np.unique(np.minimum([0, *(700 + np.cumsum([0, *sizes])), samples.size], samples.size))
    finder = LevelFinder()
    parts = [finder.falls(samples[a:b]) for a, b in pairwise(bounds.tolist())]
    assert np.concatenate(parts).tolist() == LevelFinder().falls(samples).tolist()


def test_noise_on_the_levels_makes_no_edges() -> None:
    noise = np.random.default_rng(1).normal(0, 0.3, 20_000).astype(np.float32)
    assert LevelFinder().falls(line(5000, 5400) + noise).size == 1


def test_a_wild_sample_does_not_set_the_range() -> None:
    samples = line(5000, 5400)
    samples[9000] = 30.0
    assert LevelFinder().falls(samples).size == 1


def test_a_range_is_kept_from_chunk_to_chunk() -> None:
    finder = LevelFinder()
    assert finder.falls(line(5000, 5400)).size == 1
    assert finder.falls(line()).size == 0
    assert finder.falls(line(5000, 5400)) == pytest.approx([(45_000 + 0.45) * 16], abs=1)


@pytest.mark.parametrize(
    ("samples", "expected"),
    [
        (line(5000, 5400), True),
        (line(5000, 5400, low=-5.0), True),
        (np.tile(line(20, 28, size=100), 50), True),
        (np.tile([0, 0, 0, 1, 1, 1], 900), True),
        # a head signal at its most crowded, and far apart
        (np.sin(np.arange(9000) / 4), False),
        (sum((-1) ** k / (1 + ((np.arange(9000) - 90 * k) / 12) ** 2) for k in range(100)), False),
        (np.random.default_rng(2).normal(0, 1, 9000), False),
        # a still line that flickers between two steps of the converter
        (np.where(np.random.default_rng(3).random(9000) < 0.3, 100, 101), False),
        (np.full(9000, 5.0), False),
        (np.zeros(3), False),
        (np.zeros(0), False),
    ],
)
def test_logic_is_told_from_all_else(samples: npt.NDArray[np.generic], expected: bool) -> None:
    assert has_two_levels(samples.astype(np.float32)) is expected


def test_a_line_that_never_moves_has_no_edges() -> None:
    finder = LevelFinder()
    for _ in range(3):
        ticks, levels = finder.feed(np.full(1000, 5.0, dtype=np.float32))
        assert ticks.size == levels.size == 0
