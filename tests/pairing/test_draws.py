"""Draws, chances and shares against closed forms and scipy."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import integrate
from scipy.special import ndtr
from scipy.stats import norm

from indexhole.model import kernels as k
from indexhole.pairing.parts.beliefs import NO_BELIEFS
from indexhole.pairing.parts.draws import Streams, draw_climate, draw_disk, draw_heads
from indexhole.pairing.parts.parts import Climate, Conditions, mechanism, medium
from indexhole.pairing.prediction.compute import compute
from indexhole.pairing.prediction.margins import asides_um
from indexhole.pairing.prediction.outcome import fair_shares, hazards, mean_and_error, whole_disk
from indexhole.pairing.prediction.passages import Case, Passage
from indexhole.standards.layouts import load_layouts

SIZE = 40_000


def pair(count: int, width_um: float = 160.0, noise: float = 0.02) -> tuple[np.ndarray, np.ndarray]:
    """Draws of a sound pair with nothing random yet, and one track without neighbours."""
    d, t = np.zeros((count, k.DRAW_COLUMNS)), np.zeros((1, k.TRACK_COLUMNS))
    d[:, [k.W_WIDTH, k.R_WIDTH]] = width_um
    d[:, [k.RATIO, k.R_SPEED, k.SEEN, k.LAID]] = 1.0
    d[:, k.NOISE], d[:, k.PULSE], d[:, k.LOOP], d[:, k.CAPTURE] = noise, 3.5, 8.0, 0.06
    t[0, [k.RADIUS, k.RPM, k.CELL, k.RATE]] = 36.5125, 300.0, 2e-6, 1.0
    t[0, [k.SHORTEST, k.LONGEST, k.TRANSITIONS, k.SECTORS, k.STEP, k.U_STEP]] = 2, 4, 3156, 9, 1e9, 1e9
    return d, t


def test_overlap_of_two_strips_with_a_normal_offset() -> None:
    """Closed form: E max(0, w - |d|) / w for d ~ N(m, s), by the truncated normal; and scipy's quadrature."""
    rng = np.random.default_rng(1)
    width, middle, spread = 160.0, 40.0, 60.0
    d, t = pair(SIZE, width)
    d[:, k.R_OFFSET] = rng.normal(middle, spread, SIZE)
    share = k.signals(d, t)[0][:, 0]

    def part(low: float, high: float, sign: float) -> float:
        a, b = (low - middle) / spread, (high - middle) / spread
        mass = norm.cdf(b) - norm.cdf(a)
        first = middle * mass + spread * (norm.pdf(a) - norm.pdf(b))
        return float(width * mass + sign * first)

    closed = (part(-width, 0.0, 1.0) + part(0.0, width, -1.0)) / width
    quadrature = integrate.quad(
        lambda x: max(0.0, width - abs(x)) / width * norm.pdf(x, middle, spread), -width, width, points=[0.0]
    )[0]
    assert closed == pytest.approx(quadrature, rel=1e-8)
    assert share.mean() == pytest.approx(closed, abs=4 * share.std() / math.sqrt(SIZE))


def test_one_edge_out_of_its_window_is_q_of_the_room_over_the_jitter() -> None:
    """Many noises: the kernel's hazard of a sector against scipy's normal tail."""
    noises = np.geomspace(0.03, 0.2, 12)
    d, t = pair(len(noises))
    d[:, k.NOISE] = noises
    d[:, k.CAPTURE] = 1.0
    jitter, left = k.windows(d, t)
    half = 1e-6
    bias = half - left[:, 0]
    deviation = noises * jitter[:, 0]
    edge = norm.sf((half + bias) / deviation) + norm.sf((half - bias) / deviation)
    unseen = norm.sf((1.0 - k.THRESHOLD) / noises)
    expected = -3156 * (np.log1p(-edge) + np.log1p(-unseen))
    assert k.sector_hazards(d, t, np.zeros(1))[:, 0] == pytest.approx(np.minimum(expected, 60.0), rel=1e-9)


def test_the_chance_of_a_normal_offset_within_its_room_is_a_normal_integral() -> None:
    """A pair that works within some distance and fails beyond: the Monte Carlo mean against two Q functions."""
    rng = np.random.default_rng(3)
    spread = 70.0
    d, t = pair(SIZE, noise=0.01)
    d[:, k.R_OFFSET] = rng.normal(0.0, spread, SIZE)
    whole = whole_disk(hazards([Passage("", d, t)]), t[:, k.SECTORS])
    # where it fails is sharp: find it by halving
    low, high = 0.0, 160.0
    one, _ = pair(1, noise=0.01)
    for _ in range(40):
        middle = (low + high) / 2
        one[0, k.R_OFFSET] = middle
        fine = whole_disk(hazards([Passage("", one, t)]), t[:, k.SECTORS])[0] > 0.5
        low, high = (middle, high) if fine else (low, middle)
    expected = 1 - 2 * ndtr(-low / spread)
    mean, error = mean_and_error(whole)
    assert error == pytest.approx(math.sqrt(expected * (1 - expected) / SIZE), rel=0.05)
    assert mean == pytest.approx(expected, abs=4 * error + 0.004)


def test_the_stated_sampling_error_is_the_spread_of_repeated_answers() -> None:
    layout = load_layouts()["130-48-mfm-9x512"]
    disk = replace(medium("K", "130-48"), before="recorded")
    answers, errors = [], []
    for seed in range(24):
        case = Case(
            mechanism("A", "130-96"), disk, mechanism("B", "130-96"), layout, "exchange", Conditions(), NO_BELIEFS,
            Streams(seed, 60),
        )  # fmt: skip
        mean, error = mean_and_error(compute(case).whole)
        answers.append(mean)
        errors.append(error)
    assert 0.6 < np.std(answers) / np.mean(errors) < 1.5


def test_no_failure_in_a_few_draws_does_not_claim_to_be_certain() -> None:
    mean, error = mean_and_error(np.ones(100))
    assert mean == 1.0
    assert error == pytest.approx(1 / 102)


@given(st.lists(st.floats(0, 1), min_size=8, max_size=8))
def test_fair_shares_add_up_and_leave_nothing_to_who_does_nothing(values: list[float]) -> None:
    groups = ("a", "b", "idle")
    # "idle" changes nothing: value depends on a and b alone
    table = {}
    for a in (0, 1):
        for b in (0, 1):
            for i in (0, 1):
                name = frozenset(g for g, on in zip(groups, (a, b, i), strict=True) if on)
                table[name] = values[a * 2 + b]
    shares = fair_shares(table, groups)
    assert sum(shares.values()) == pytest.approx(table[frozenset()] - table[frozenset(groups)], abs=1e-12)
    assert shares["idle"] == pytest.approx(0.0, abs=1e-12)


def test_fair_shares_against_all_orders() -> None:
    """Second road: walk every order in which groups come in."""
    from itertools import combinations, permutations

    groups = ("a", "b", "c", "d")
    rng = np.random.default_rng(5)
    table = {frozenset(c): float(rng.random()) for n in range(5) for c in combinations(groups, n)}
    walked = dict.fromkeys(groups, 0.0)
    for order in permutations(groups):
        before: frozenset[str] = frozenset()
        for g in order:
            walked[g] += (table[before] - table[before | {g}]) / math.factorial(4)
            before |= {g}
    assert fair_shares(table, groups) == pytest.approx(walked)


def test_the_same_thing_draws_the_same_and_different_things_do_not() -> None:
    streams = Streams(4, 500)
    first = draw_heads(mechanism("D1.0", "130-48"), NO_BELIEFS, streams, "writer")
    again = draw_heads(mechanism("D1.0", "130-48"), NO_BELIEFS, Streams(4, 500), "reader")
    assert (first.offset_um == again.offset_um).all()
    other = draw_heads(mechanism("D1.1", "130-48"), NO_BELIEFS, streams, "reader")
    assert abs(np.corrcoef(first.offset_um, other.offset_um)[0, 1]) < 0.3


def test_a_good_outside_drive_keeps_its_tolerance() -> None:
    drawn = draw_heads(mechanism("", "130-48"), NO_BELIEFS, Streams(1, 20_000), "writer")
    assert np.std(drawn.offset_um) == pytest.approx(38 / 3, rel=0.03)
    named = draw_heads(mechanism("D1.0", "130-48"), NO_BELIEFS, Streams(1, 20_000), "writer")
    assert np.mean(np.abs(named.offset_um) > 60) > 0.01 > np.mean(np.abs(drawn.offset_um) > 60)


def test_what_no_source_gives_is_spread_and_shared_by_its_class() -> None:
    streams = Streams(2, 2000)
    one, two = (draw_heads(mechanism(n, "130-100"), NO_BELIEFS, streams, "x") for n in ("A", "B"))
    assert (one.read_um == two.read_um).all()
    assert (one.start_um == two.start_um).all()
    assert one.read_um.min() < 0.45 * 254 and one.read_um.max() > 0.75 * 254
    known = draw_heads(mechanism("C", "130-96"), NO_BELIEFS, streams, "x")
    assert (known.start_um == 0).all()
    assert known.read_um.min() >= 155 and known.read_um.max() <= 160


def test_growth_coefficients_keep_to_the_standards_range() -> None:
    drawn = draw_disk(medium("K", "130-48"), NO_BELIEFS, Streams(1, 20_000))
    thermal = (drawn.thermal[0] + drawn.thermal[1]) / 2
    assert thermal.min() >= 9e-6 and thermal.max() <= 25e-6
    assert thermal.mean() == pytest.approx(17e-6, rel=0.02)
    damp = (drawn.hygroscopic[0] + drawn.hygroscopic[1]) / 2
    assert damp.min() >= 0 and damp.max() <= 15e-6
    assert np.std(drawn.thermal[0] - drawn.thermal[1]) > 1e-6


def test_a_day_that_was_written_down_is_not_spread() -> None:
    streams = Streams(1, 1000)
    told = draw_climate(Climate(30.0, None), streams, "reading")
    assert (told[0] == 30.0).all()
    assert told[1].std() > 5


def test_a_colder_day_moves_the_outer_track_inward_by_the_arithmetic() -> None:
    """Same drive both days: the disk shrinks 17e-6 a K and the frame follows; the rest is a mean of the ranges."""
    layout = load_layouts()["130-48-mfm-9x512"]
    drive = mechanism("A", "130-48")
    disk = replace(medium("K", "130-48"), before="erased", recorded=Climate(23.0, 50.0))
    case = Case(
        drive, disk, drive, layout, "read", Conditions(reading=Climate(3.0, 50.0)), NO_BELIEFS, Streams(0, 4000)
    )
    draws = compute(case).passages[0].draws
    # disk 17e-6, frame 18e-6 on average: 20 K colder
    assert draws[:, k.STRAIN].mean() == pytest.approx((-17e-6 + 18e-6) * 20, abs=1e-5)
    assert draws[:, k.STRAIN].std() == pytest.approx(20 * math.hypot(16e-6, 12e-6) / math.sqrt(12), rel=0.05)
    assert asides_um(compute(case).passages[0]).shape == (4000, 80)
