"""Words matched to pulses: against every matching counted one by one, and against what was written."""

from __future__ import annotations

import math
from itertools import combinations

import numpy as np
import numpy.typing as npt
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from indexhole.codes.encode import group_cells
from indexhole.codes.known import GROUP45
from indexhole.codes.tables import GROUP_WORDS
from indexhole.recover.fields import kernels
from indexhole.recover.fields.evidence import joint_evidence
from indexhole.recover.fields.likelihood import bytes_of, joint_symbols, symbols_of
from indexhole.recover.fields.stretch import Stretch

WORDS = np.array(GROUP_WORDS, dtype=np.int64)
Floats = npt.NDArray[np.float64]


def every_matching(cell: list[int], claim: Floats, loss: Floats, written: list[int]) -> float:
    """Sum over all sets of transitions that own a pulse, and of pulses that are owned, matched in order."""
    total = 0.0
    for count in range(min(len(cell), len(written)) + 1):
        for owners in combinations(written, count):
            for owned in combinations(range(len(cell)), count):
                if any(abs(cell[j] - k) > 1 for k, j in zip(owners, owned, strict=True)):
                    continue
                without = math.prod(loss[k] for k in written if k not in owners)
                total += without * math.prod(
                    (1 - loss[k]) * claim[j, k - cell[j] + 1] for k, j in zip(owners, owned, strict=True)
                )
    return total


@st.composite
def passes_over_words(draw: st.DrawFn) -> tuple[list[list[int]], list[Floats], list[Floats], list[int]]:
    """One to three passes over one to three words: pulses anywhere, claims and losses of any size."""
    likely = draw(st.lists(st.integers(0, 15), min_size=1, max_size=3))
    cells = 5 * len(likely)
    rng = np.random.default_rng(draw(st.integers(0, 10_000)))
    pulses = [
        sorted(draw(st.lists(st.integers(0, cells - 1), max_size=6, unique=True)))
        for _ in range(draw(st.integers(1, 3)))
    ]
    claims = [np.exp(rng.normal(1, 3, (len(p), 3))) for p in pulses]
    losses = [rng.uniform(1e-4, 0.95, cells) for _ in pulses]
    return pulses, claims, losses, likely


@given(passes_over_words())
@settings(max_examples=60)
def test_words_are_weighed_by_every_matching(
    case: tuple[list[list[int]], list[Floats], list[Floats], list[int]],
) -> None:
    """Windows as wide as the field, so nothing is left out; a word that changes its end frees its neighbour."""
    pulses, claims, losses, likely = case
    cells = 5 * len(likely)
    ends = np.cumsum([0, *map(len, pulses)])
    scores = kernels.match_words(
        np.array([k for p in pulses for k in p], dtype=np.int64),
        np.concatenate([c.reshape(-1, 3) for c in claims]),
        np.stack(losses),
        ends,
        WORDS,
        np.array(likely),
        np.zeros((len(likely), 16)),
        cells,
        1.0,
    )

    def log_likelihood(written: list[bool]) -> float:
        where = [k for k, is_one in enumerate(written) if is_one]
        return sum(math.log(every_matching(p, c, q, where)) for p, c, q in zip(pulses, claims, losses, strict=True))

    likely_cells = [bool(WORDS[v] >> (4 - c) & 1) for v in likely for c in range(5)]
    for w in range(len(likely)):
        for v in (0, 7, 15, likely[w]):
            word = [bool(WORDS[v] >> (4 - c) & 1) for c in range(5)]
            ways = [[]]
            if w and word[0] != likely_cells[5 * w]:
                ways += [[*way, 5 * w - 1] for way in ways]
            if w + 1 < len(likely) and word[4] != likely_cells[5 * w + 4]:
                ways += [[*way, 5 * w + 5] for way in ways]
            expected = []
            for way in ways:
                written = [*likely_cells[: 5 * w], *word, *likely_cells[5 * w + 5 :]]
                for k in way:
                    written[k] = not written[k]
                expected.append(log_likelihood(written))
            assert scores[w, v] == pytest.approx(np.logaddexp.reduce(expected), rel=1e-9, abs=1e-9)


def stretches_of(data: bytes, rng: np.random.Generator, jitter: float, passes: int) -> tuple[list[Stretch], int]:
    """Passes over one field behind a sync, its first two cells the 01 that the mark stands for."""
    cells = group_cells(data)
    before = np.ones(160, dtype=np.uint8)
    behind = np.tile(np.array([1, 0], dtype=np.uint8), 20)
    whole = np.concatenate((before, cells, behind))
    at = np.flatnonzero(whole)
    mark = int(np.flatnonzero(at >= 160)[0])
    found = []
    for _ in range(passes):
        ticks = np.rint((at + rng.normal(0, jitter, at.size)) * 48).astype(np.int64)
        found.append(
            Stretch("group45", np.diff(np.sort(ticks)).astype(np.int32), None, 48.0, mark, int(160 - at[mark]))
        )
    return found, cells.size


def test_a_noisy_pass_more_is_worth_more_than_cell_by_cell() -> None:
    """Jitter of 0.19 cell, four passes: right, and surer of it than cells weighed one by one."""
    rng = np.random.default_rng(1)
    data = b"\x07" + rng.bytes(64)
    stretches, cells = stretches_of(data, rng, 0.19, 4)
    together = joint_symbols(stretches, cells)
    apart = symbols_of(joint_evidence(stretches, cells), GROUP45)
    assert bytes_of(together.best, GROUP45) == data
    assert together.log_right.sum() > apart.log_right.sum()


@pytest.mark.parametrize("seed", range(4))
def test_a_wrong_word_is_owned_up_to(seed: int) -> None:
    """One pass over jitter of 0.16 cell: where the likeliest word is wrong, its probability says that it may be."""
    rng = np.random.default_rng(seed)
    data = b"\x07" + rng.bytes(256)
    stretches, cells = stretches_of(data, rng, 0.16, 1)
    symbols = joint_symbols(stretches, cells)
    written = symbols_of(np.where(group_cells(data) == 1, 30.0, -30.0), GROUP45).best
    wrong = symbols.best != written
    expected = float((1 - np.exp(symbols.log_right)).sum())
    assert wrong.sum() <= expected + 4 * math.sqrt(expected) + 1
    # And what it is sure of is right.
    assert not wrong[symbols.log_right > math.log1p(-1e-4)].any()
