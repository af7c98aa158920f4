"""From evidence to fields, against brute force over everything that could have been written."""

from __future__ import annotations

import itertools
import math

import numpy as np
import numpy.typing as npt
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from indexhole.codes.crc import with_edc
from indexhole.codes.encode import fm_cells, group_cells, mfm_cells
from indexhole.codes.known import CODES
from indexhole.codes.tables import GROUP_WORDS
from indexhole.recover.fields import likelihood
from indexhole.recover.fields.kernels import mfm_posteriors
from indexhole.recover.fields.likelihood import (
    Symbols,
    bytes_of,
    candidates,
    deceived,
    log_probability,
    symbols_of,
    values_of,
)

Floats = npt.NDArray[np.float64]
BITS = 12


def mfm_rows(previous: int) -> npt.NDArray[np.int64]:
    """(4096, 24) the cells of every row of twelve bits, from the rule: a clock only between two zeros."""
    bits = np.array(list(itertools.product((0, 1), repeat=BITS)))
    before = np.concatenate((np.full((bits.shape[0], 1), previous), bits[:, :-1]), axis=1)
    return np.stack((1 - (bits | before), bits), axis=2).reshape(bits.shape[0], 2 * BITS)


ROWS = {previous: mfm_rows(previous) for previous in (0, 1)}


def evidences(cells: int, most: float = 14.0) -> st.SearchStrategy[Floats]:
    return st.lists(st.floats(-most, most), min_size=cells, max_size=cells).map(np.array)


def log_sum(values: Floats) -> float:
    return float(np.logaddexp.reduce(values))


@given(evidences(2 * BITS), st.sampled_from([0, 1]))
@settings(max_examples=120)
def test_mfm_odds_and_path_are_those_of_all_4096_rows(evidence: Floats, previous: int) -> None:
    odds, best = np.empty(BITS), np.zeros(BITS, dtype=np.int64)
    mfm_posteriors(evidence, BITS, previous, best, odds)
    weight = ROWS[previous] @ evidence
    bits = ROWS[previous][:, 1::2]
    for k in range(BITS):
        expected = log_sum(weight[bits[:, k] == 1]) - log_sum(weight[bits[:, k] == 0])
        assert odds[k] == pytest.approx(expected, abs=1e-6)
    # Ties aside: the path found weighs as much as any.
    found = int("".join(map(str, best.tolist())), 2)
    assert weight[found] == pytest.approx(weight.max(), abs=1e-9)


def test_mfm_clock_cells_carry_evidence_of_the_bits_beside_them() -> None:
    """Worked numbers of docs/recovery.md: two bits behind a one, data cells silent, 2 nats for the second clock."""
    odds, best = np.empty(2), np.zeros(2, dtype=np.int64)
    mfm_posteriors(np.array([0.0, 0.0, 2.0, 0.0]), 2, 1, best, odds)
    # Rows 00, 01, 10, 11 weigh e^2, 1, 1, 1.
    assert odds == pytest.approx(np.log(np.full(2, 2 / (math.e**2 + 1))))
    assert best.tolist() == [0, 0]


@given(evidences(10))
@settings(max_examples=100)
def test_group_words_weigh_as_all_256_pairs_do(evidence: Floats) -> None:
    symbols = symbols_of(evidence, CODES["group45"])
    weight = np.array([group_cells(bytes([byte])) @ evidence for byte in range(256)])
    logs = weight - log_sum(weight)
    for byte in range(256):
        assert log_probability(values_of(bytes([byte]), CODES["group45"]), symbols) == pytest.approx(
            logs[byte], abs=1e-9
        )
    assert logs[bytes_of(symbols.best, CODES["group45"])[0]] == pytest.approx(logs.max(), abs=1e-9)
    # The rival of each half byte is the next most likely of the sixteen.
    for half, row in enumerate(symbols.scores):
        words = [sum(evidence[5 * half + c] for c in range(5) if w >> (4 - c) & 1) for w in GROUP_WORDS]
        assert sorted(row.tolist())[-2] == pytest.approx(sorted(words)[-2] - log_sum(np.array(words)), abs=1e-9)
        assert symbols.log_rival[half] == pytest.approx(sorted(row.tolist())[-2], abs=1e-12)


@given(evidences(16))
@settings(max_examples=50)
def test_an_fm_bit_is_what_its_data_cell_says(evidence: Floats) -> None:
    symbols = symbols_of(evidence, CODES["fm"])
    expected = 1 / (1 + np.exp(-evidence[1::2]))
    assert np.exp(symbols.scores[:, 1]) == pytest.approx(expected, rel=1e-9)
    assert symbols.best.tolist() == (evidence[1::2] > 0).astype(int).tolist()


@pytest.mark.parametrize("code", ["fm", "mfm", "group45"])
def test_bytes_come_back_from_certain_cells(code: str) -> None:
    data = np.random.default_rng(1).bytes(40)
    cells = {
        "fm": lambda: fm_cells(data),
        "mfm": lambda: mfm_cells(data, previous_bit=1),
        "group45": lambda: group_cells(data),
    }[code]()
    symbols = symbols_of(np.where(cells == 1, 9.0, -9.0), CODES[code])
    assert bytes_of(symbols.best, CODES[code]) == data
    assert np.array_equal(values_of(data, CODES[code]), symbols.best)
    assert log_probability(symbols.best, symbols) == pytest.approx(float(symbols.log_right.sum()))
    assert math.exp(log_probability(symbols.best, symbols)) > 0.9


def symbols_with(odds: Floats) -> Symbols:
    """Bits with these log-odds of being one."""
    return symbols_of(np.stack((np.zeros(odds.size), odds), axis=1).ravel(), CODES["fm"])


@given(st.lists(st.floats(-9, 9), min_size=1, max_size=9).map(np.array), st.integers(1, 600))
@settings(max_examples=120)
def test_candidates_come_in_falling_probability_and_leave_none_out(odds: Floats, most: int) -> None:
    symbols = symbols_with(odds)
    found = list(candidates(symbols, most))
    rows = np.array(list(itertools.product((0, 1), repeat=odds.size)))
    logs = np.array([log_probability(row, symbols) for row in rows])
    assert len(found) == min(most, rows.shape[0])
    assert len({tuple(c.values.tolist()) for c in found}) == len(found)
    assert [c.log_probability for c in found] == pytest.approx(sorted(logs.tolist(), reverse=True)[:most], abs=1e-9)
    for candidate in found:
        assert candidate.log_probability == pytest.approx(log_probability(candidate.values, symbols), abs=1e-9)
        assert candidate.changed == tuple(np.flatnonzero(candidate.values != symbols.best).tolist())


def test_candidates_of_words_take_best_or_rival() -> None:
    rng = np.random.default_rng(2)
    symbols = symbols_of(rng.normal(0, 3, 30), CODES["group45"])
    found = list(candidates(symbols, 1000))
    rows = [
        np.where(np.array(which) == 1, symbols.rival, symbols.best) for which in itertools.product((0, 1), repeat=6)
    ]
    logs = sorted((log_probability(row, symbols) for row in rows), reverse=True)
    assert [c.log_probability for c in found] == pytest.approx(logs, abs=1e-9)


def test_what_is_as_good_as_certain_is_never_turned() -> None:
    found = list(candidates(symbols_with(np.array([30.0, -25.0, 1.0])), 100))
    assert [c.changed for c in found] == [(), (2,)]
    assert len(list(candidates(symbols_with(np.array([30.0])), 100))) == 1


SMALL_CHECK, SMALL = 4, 12
_PLACES = 1 << np.arange(SMALL - 1, -1, -1)


def crc4(row: int) -> int:
    """Remainder of twelve bits by x^4 + x + 1: zero where the last four are the check of the first eight."""
    for bit in range(SMALL - 1, 3, -1):
        if row >> bit & 1:
            row ^= 0b10011 << (bit - 4)
    return row


CRC_PASSES = np.array([crc4(row) == 0 for row in range(1 << SMALL)])


def first_passing(odds: Floats, passes: npt.NDArray[np.bool_]) -> tuple[int, float, float, int]:
    """The first candidate that passes, its log probability, what is untried, and its number."""
    untried = 1.0
    for number, candidate in enumerate(candidates(symbols_with(odds), 1 << SMALL)):
        untried -= math.exp(candidate.log_probability)
        row = int(candidate.values @ _PLACES)
        if passes[row]:
            return row, candidate.log_probability, untried, number
    raise AssertionError("what was written passes")


def read_small(
    rng: np.random.Generator, noise: float, random_check: bool, misled: float = 0.0
) -> tuple[int, npt.NDArray[np.bool_], Floats]:
    """What was written, which rows pass, and exact log-odds of each bit; `misled` of the time one bit is turned."""
    if random_check:
        written = int(rng.integers(0, 1 << SMALL))
        passes = rng.random(1 << SMALL) < 2.0**-SMALL_CHECK
        passes[written] = True
    else:
        written = int(rng.choice(np.flatnonzero(CRC_PASSES)))
        passes = CRC_PASSES
    seen = 2.0 * (written >> np.arange(SMALL - 1, -1, -1) & 1) - 1 + rng.normal(0, noise, SMALL)
    if rng.random() < misled:
        seen[rng.integers(0, SMALL)] *= -1
    return written, passes, 2 * seen / noise**2


def test_chance_of_deception_is_how_often_a_small_check_deceives(monkeypatch: pytest.MonkeyPatch) -> None:
    """Rows read through noise, a check of four bits that any wrong row passes by luck: the formula against counting."""
    monkeypatch.setattr(likelihood, "_SHARED_FAULT", 0.0)
    rng = np.random.default_rng(3)
    said, hits = [], []
    for _ in range(5000):
        written, passes, odds = read_small(rng, 0.8, random_check=True)
        row, log_p, untried, number = first_passing(odds, passes)
        said.append(deceived(log_p, untried, SMALL_CHECK, likelier_failed=number > 0))
        hits.append(row != written)
    chance, wrong = np.array(said), np.array(hits)
    assert wrong.sum() > 500
    for low, high in ((0.0, 0.1), (0.1, 0.3), (0.3, 0.6), (0.6, 1.0)):
        inside = (chance >= low) & (chance < high)
        expected = float(chance[inside].sum())
        assert expected > 3
        assert abs(wrong[inside].sum() - expected) < 3 * math.sqrt(float((chance * (1 - chance))[inside].sum())) + 1


def test_a_real_check_deceives_no_more_often_than_said(monkeypatch: pytest.MonkeyPatch) -> None:
    """A cyclic check always finds an error in one place, so it does better than one that goes by luck."""
    rng = np.random.default_rng(4)
    said = wrong = 0.0
    for _ in range(3000):
        written, passes, odds = read_small(rng, 0.7, random_check=False)
        row, log_p, untried, _ = first_passing(odds, passes)
        said += deceived(log_p, untried, SMALL_CHECK)
        wrong += row != written
    assert 20 < wrong < said


def test_a_shared_fault_is_reckoned_with_once_a_likelier_field_has_failed(monkeypatch: pytest.MonkeyPatch) -> None:
    """With evidence that misleads now and then, a later candidate that passes is wrong far oftener than noise says."""
    share = 0.05
    monkeypatch.setattr(likelihood, "_SHARED_FAULT", share)
    rng = np.random.default_rng(5)
    said = blind = wrong = 0.0
    for _ in range(6000):
        written, passes, odds = read_small(rng, 0.35, random_check=True, misled=share)
        row, log_p, untried, number = first_passing(odds, passes)
        if number:
            said += deceived(log_p, untried, SMALL_CHECK, likelier_failed=True)
            blind += deceived(log_p, untried, SMALL_CHECK)
            wrong += row != written
    assert wrong > 100
    assert blind < 0.5 * wrong
    assert wrong < 1.2 * said


def test_worked_numbers_of_the_chance_of_deception() -> None:
    """As in docs/recovery.md."""
    assert deceived(math.log(0.9), 0.1, 16) == pytest.approx(1.695e-6, rel=1e-3)
    assert deceived(math.log(0.9), 0.1, 8) == pytest.approx(4.338e-4, rel=1e-3)
    assert deceived(math.log(0.05), 0.0, 16, likelier_failed=True) == pytest.approx(3.052e-7, rel=1e-3)
    assert deceived(math.log(0.05), 0.0, 8, likelier_failed=True) == pytest.approx(7.812e-5, rel=1e-3)


def test_deception_has_its_limits() -> None:
    assert deceived(-800.0, 1.0, 16) == 1.0
    assert deceived(-800.0, 0.0, 16) == 1.0
    assert deceived(0.0, 0.0, 16) == 0.0
    # Rounding may leave a little less than nothing untried.
    assert deceived(0.0, -1e-16, 16) == 0.0
    assert deceived(math.log(0.5), 0.1, 8) > deceived(math.log(0.5), 0.1, 16)


@pytest.mark.parametrize("code", ["fm", "mfm", "group45"])
def test_either_check_finds_every_error_within_one_byte(code: str) -> None:
    """What lets the likeliest field be believed although passes may share one fault."""
    body = np.random.default_rng(5).bytes(24)
    if code == "group45":
        field = b"\x07" + body + bytes([int(np.bitwise_xor.reduce(np.frombuffer(body, dtype=np.uint8)))])
    else:
        lead = b"\xa1\xa1\xa1" if code == "mfm" else b""
        field = with_edc(lead + b"\xfb" + body)[len(lead) :]
    assert CODES[code].check.whole(field)
    for at in range(1, len(field)):
        for error in range(1, 256):
            bad = bytearray(field)
            bad[at] ^= error
            assert not CODES[code].check.whole(bytes(bad))
