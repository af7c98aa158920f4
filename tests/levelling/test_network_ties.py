"""Ties: what trials, gauges and the keeper's measurements say of differences, held against planted truth."""

from __future__ import annotations

import itertools
import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from indexhole.errors import InputFault
from indexhole.levelling.cross_reads import CrossRead, Heads, apart, cross_ties, log_likelihood
from indexhole.levelling.directions import MOST_WHOLE, settle_signs
from indexhole.levelling.measurements import COLUMNS, lobe_offset, parse_measurements
from indexhole.levelling.network import Tie, adjust
from indexhole.levelling.ties import Reading, index_ties, speed_ties
from indexhole.model.forward import SOUND, Recording, TrackPlace, read_out, sector_failure_probability
from indexhole.model.trials.trial import Trial

HEADING = ",".join(COLUMNS)


def sheet(*rows: str) -> str:
    return "\n".join((HEADING, *rows)) + "\n"


# measurements by hand


@pytest.mark.parametrize(("ratio", "factor"), [(0.9, 0.0526), (0.75, 0.1429), (0.6, 0.25), (0.5, 0.3333), (1.0, 0.0)])
def test_the_lobe_ratio_gives_the_derived_offset(ratio: float, factor: float) -> None:
    assert lobe_offset(ratio, 0.02, 1.0, 0.0)[0] == pytest.approx(factor, abs=5e-5)


@given(st.floats(0.05, 1.0), st.floats(50, 500))
def test_the_lobe_offset_uncertainty_is_that_of_small_changes(ratio: float, constant: float) -> None:
    value, u = lobe_offset(ratio, 0.02, constant, 7.0)
    step = 1e-6
    by_ratio = (lobe_offset(ratio + step, 0, constant, 0)[0] - value) / step * 0.02
    by_constant = (lobe_offset(ratio, 0, constant + step, 0)[0] - value) / step * 7.0
    assert u == pytest.approx(math.hypot(by_ratio, by_constant), rel=1e-3)


def test_every_quantity_becomes_its_tie() -> None:
    told = parse_measurements(
        sheet(
            "A1,D1.0,offset,1,0.5,mil,by hand",
            "A1,,lobe-constant,300,0,um,label",
            "A1,D2.0,lobe-ratio-inward,60,3,%,",
            "A1,D2.0,lobe-ratio-outward,0.6,0.03,1,",
            "A1,D3.0,lobe-ratio,0.6,0.03,1,",
            "A2,D3.0,reads-outward-to,60,12,um,",
            "A2,D3.0,reads-inward-to,0.24,0.009,mm,",
            "nominal,D1.0,speed,2,0.1,%,",
            "A1,D1.0,index-to-data,0.25,0.01,ms,",
            "A1,,index-label,200,5,us,",
            "D1.0,,adjuster,-150,10,um/turn,",
        ),
        where="sheet",
    )
    offset = told.ties["offset"]
    assert [(t.start, t.end) for t in offset] == [("A1", "D1.0"), *[("A1", "D2.0")] * 2, ("A1", "D3.0"), ("A2", "D3.0")]
    assert [t.value for t in offset] == pytest.approx([25.4, -75, 75, 75, -90])
    assert [t.unsigned for t in offset] == [False, False, False, True, False]
    assert offset[0].uncertainty == pytest.approx(12.7)
    assert offset[4].uncertainty == pytest.approx(7.5)
    assert told.ties["speed"][0].value == pytest.approx(100 * math.log(1.02))
    assert [(t.start, t.end, t.value) for t in told.ties["index"]] == [
        ("nominal", "A1", pytest.approx(200)),
        ("A1", "D1.0", pytest.approx(-250)),
    ]
    # 50 us sooner than the label says a right sensor sees it: this one is late... by minus 50
    (part,) = adjust(told.ties["index"])
    assert part.difference("nominal", "D1.0")[0] == pytest.approx(-50)
    assert told.adjusters == {"D1.0": (-150, 10)}
    assert told.standards == ("A1", "A2")
    names = [t.name for held in told.ties.values() for t in held]
    assert sorted(names) == sorted(f"M{k}" for k in range(1, 9))


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("", "is empty"),
        ("a,b\n", "the heading lacks from, to, quantity"),
        (HEADING + ",note\nx", "names a column that is not known, or one twice"),
        (HEADING + "\n", "no measurements"),
        (sheet("A1,D1.0,offset,x,1,um,"), "row 2, column value: 'x' is not a number"),
        (sheet("A1,D1.0,offset,1,0,um,"), "row 2, column uncertainty: must be above 0"),
        (sheet("A1,D1.0,offset,1,-1,um,"), "column uncertainty: must be above 0"),
        (sheet("A1,D1.0,offset,1,1,feet,"), "column unit: 'feet' does not suit offset; use um or"),
        (sheet("A1,D1.0,height,1,1,um,"), "column quantity: 'height' is not known; use one of offset, lobe-ratio"),
        (sheet("A1,A1,offset,1,1,um,"), "from 'A1' to itself"),
        (sheet("A1,,offset,1,1,um,"), "offset needs `from` and `to`"),
        (sheet("A1,D1.0,lobe-constant,1,1,um,"), "lobe-constant needs `from` alone"),
        (sheet("A1,D1.0,lobe-ratio,0.5,0.1,1,"), "needs the label's constant of A1"),
        (sheet("A1,,lobe-constant,300,1,um,", "A1,D1.0,lobe-ratio,1.5,0.1,1,"), "above 0, at most 1"),
        (sheet("A1,,lobe-constant,0,1,um,"), "must be above 0; take it from the disk's label"),
        (sheet("A1,D1.0,reads-inward-to,100,5,um,"), "row 2: reads-inward-to of D1.0 on A1 has no partner"),
        (sheet("D1.0,,adjuster,0,5,um/turn,"), "moves nothing"),
        (sheet("A1,D1.0,speed,-100,1,%,"), "slower than standing still"),
        (sheet('A1,"D1.0,offset,1,1,um,'), "is not CSV"),
        (sheet("A1,D1.0,offset,1,1,um,a,,b"), "more cells than columns"),
        (sheet("A1,D1.0,offset,1,1,um,,2026-13"), "row 2, column when: '2026-13' is no day; write it as 2026-03-14"),
        (sheet("A1,D1.0,offset,1,1,um,,soon"), "column when: 'soon' is no day"),
        (sheet("A1,D1.0,offset,1e7,1,um,"), "is not a number"),
        (sheet(*["A1,D1.0,offset,x,1,um,"] * 9), "9 faults: "),
    ],
)
def test_bad_measurements_are_told_in_one_line(text: str, said: str) -> None:
    with pytest.raises(InputFault) as fault:
        parse_measurements(text, where="m.csv")
    assert fault.value.line.startswith("m.csv: ")
    assert said in fault.value.line
    assert "\n" not in fault.value.line


cells = st.one_of(
    st.sampled_from(
        [
            "",
            "A1",
            "D1.0",
            "offset",
            "lobe-ratio",
            "1",
            "0.5",
            "um",
            "%",
            "-3",
            "1e3",
            "1e-9",
            "1e6",
            "D2.0",
            "speed",
            "nan",
            "inf",
            "1e-300",
        ]
    ),
    st.text(max_size=8),
)


@settings(max_examples=300)
@given(st.lists(st.lists(cells, min_size=0, max_size=9), max_size=6), st.booleans())
def test_any_text_is_read_or_refused(rows: list[list[str]], with_heading: bool) -> None:
    text = "\n".join(([HEADING] if with_heading else []) + [",".join(row) for row in rows])
    try:
        told = parse_measurements(text, where="m.csv")
    except InputFault as fault:
        assert fault.where == "m.csv"
        return
    for ties in told.ties.values():
        settled = settle_signs(ties)
        try:
            parts = adjust(settled.ties)
        except InputFault:
            continue
        for part in parts:
            assert np.isfinite(part.place).all()
            assert np.isfinite(part.covariance).all()


@settings(max_examples=100)
@given(st.binary(max_size=200))
def test_any_bytes_are_read_or_refused(content: bytes) -> None:
    with pytest.raises(InputFault):
        parse_measurements(content.decode("latin-1"), where="m.csv")


# gauges


def test_speeds_are_told_against_nominal() -> None:
    ties = speed_ties(
        [
            Reading("K1", "D1.0", "D2.0", reader_ratio=1.01, reader_u=1e-4, writer_ratio=0.98, writer_u=1e-4),
            Reading("K1", "D1.0", "D2.0", reader_ratio=1.01, reader_u=1e-4, writer_ratio=0.98, writer_u=1e-4),
            Reading("K2", "", "D1.0", writer_ratio=1.012, writer_u=2e-4),
            Reading("K3", "D3.0", ""),
        ]
    )
    assert [(t.start, t.end) for t in ties] == [("nominal", "D1.0"), ("nominal", "D1.0"), ("nominal", "D2.0")]
    assert [t.value for t in ties] == pytest.approx([100 * math.log(r) for r in (1.01, 1.012, 0.98)])
    # from one occasion to the next a drive differs by 0.15 %
    assert all(0.15 <= t.uncertainty < 0.16 for t in ties)


def test_index_sensors_compare_over_a_disk_that_two_read() -> None:
    readings = [
        Reading("K1", "D1.0", "", index_to_data_s=900e-6, index_u_s=1e-6),
        Reading("K1", "D2.0", "", index_to_data_s=820e-6, index_u_s=1e-6),
        Reading("K2", "D1.0", "", index_to_data_s=1e-3, index_u_s=1e-6),
    ]
    ties = index_ties(readings)
    assert {t.start for t in ties} == {"K1"}
    (part,) = adjust(ties)
    # the data came 80 us sooner, so its pulse came 80 us later
    assert part.difference("D1.0", "D2.0")[0] == pytest.approx(80)
    assert {t.start for t in index_ties(readings, {"K2"})} == {"K1", "K2"}


# cross-reads


def chance(offset_um: float, shift_um: float = 0.0) -> float:
    writer, reader = replace(SOUND, offset_um=shift_um), replace(SOUND, offset_um=offset_um)
    return sector_failure_probability(read_out(Recording(writer), reader))


def test_counts_alone_never_tell_left_from_right() -> None:
    for failed in (0, 3, 60, 200, 360):
        distances, log_weight = log_likelihood([CrossRead(360, failed)], SOUND, SOUND, TrackPlace())
        assert log_weight == pytest.approx(log_weight[::-1], abs=1e-9)
        assert abs(apart(distances, log_weight).mean_um) < 1e-9


def test_tracks_off_the_centre_line_give_a_signed_place_within_its_uncertainty() -> None:
    shifts = list(range(-260, 261, 40))
    z = []
    for seed in range(60):
        rng = np.random.default_rng([21, seed])
        true = float(rng.uniform(-110, 110))
        reads = [CrossRead(9, int(rng.binomial(9, chance(true, s))), s) for s in shifts]
        told = apart(*log_likelihood(reads, SOUND, SOUND, TrackPlace()))
        z.append((told.mean_um - true) / told.spread_um)
        assert told.spread_um < 25
    # the strays and noises that are summed over were not drawn here, so it may be cautious, not bold
    assert np.mean(np.abs(z) < 2) > 0.9
    assert 0.3 < np.std(z) < 1.2


def test_the_distance_of_trials_holds_the_truth() -> None:
    """Sound pairs and pairs apart, drawn with other noise than the middle one; intervals of two deviations hold."""
    held = []
    for seed in range(80):
        rng = np.random.default_rng([22, seed])
        true = float(rng.uniform(0, 320))
        reader = replace(SOUND, offset_um=true, noise=0.03 * float(rng.uniform(0.67, 1.5)))
        p = sector_failure_probability(read_out(Recording(SOUND), reader))
        reads = [CrossRead(120, int(rng.binomial(120, p))) for _ in range(3)]
        told = apart(*log_likelihood(reads, SOUND, SOUND, TrackPlace()))
        held.append(abs(told.size_um - true) < 2 * told.size_spread_um)
    assert np.mean(held) > 0.9


def rows(*plan: tuple[str, str, str, int]) -> list[Trial]:
    """(operation, mechanism, disk, failed of 360) in order of time."""
    return [
        Trial(f"T{k}", "2026-03-01", operation, "H1", "L1", mechanism, disk, 0, 0, 39, 360, failed)  # type: ignore[arg-type]
        for k, (operation, mechanism, disk, failed) in enumerate(plan, start=1)
    ]


ASIDE = rows(
    ("read", "D1.0", "K1", 0), ("read", "D2.0", "K1", 0), ("read", "D3.0", "K1", 360), ("write", "D3.0", "K2", 0),
    ("read", "D1.0", "K2", 358), ("read", "D2.0", "K2", 360), ("write", "D1.0", "K3", 0), ("read", "D3.0", "K3", 359),
)  # fmt: skip
GAUGED = Heads(gauged=frozenset({"D1.0", "D2.0", "D3.0"}))


def test_a_head_aside_is_told_as_an_unsigned_distance() -> None:
    ties = {(t.start, t.end): t for t in cross_ties(ASIDE, GAUGED).ties}
    assert set(ties) == {("D1.0", "D3.0"), ("D2.0", "D3.0"), ("D1.0", "K1"), ("D2.0", "K1"), ("D3.0", "K1")}
    apart_ties = [t for t in ties.values() if "D3.0" in (t.start, t.end)]
    assert all(t.unsigned and 190 < t.value < 300 for t in apart_ties)
    alike = [t for t in ties.values() if "D3.0" not in (t.start, t.end)]
    assert all(not t.unsigned and t.value == 0 and 90 < t.uncertainty < 130 for t in alike)


def test_without_a_speed_gauge_nothing_is_laid_to_offset() -> None:
    told = cross_ties(ASIDE)
    assert all(not t.unsigned and t.value == 0 for t in told.ties)
    assert max(t.uncertainty for t in told.ties) > 180
    assert any("gauge the speed of D1.0 and D3.0" in remark for remark in told.remarks)


def test_failures_that_something_nearer_explains_are_left_out_and_told() -> None:
    never = rows(("read", "D1.0", "K1", 0), ("read", "D3.0", "K1", 360))
    assert cross_ties(never, GAUGED).remarks == (
        "D3.0 reads nothing well on side 0, and was never tried on its own tracks there",
    )
    bad_own = [*never, *rows(("write", "D3.0", "K2", 200))]
    assert "fails on its own tracks of side 0 too" in cross_ties(bad_own, GAUGED).remarks[0]
    # it reads others' tracks well: then the fault is between the two, and the row counts
    assert len(cross_ties(ASIDE, GAUGED).ties) == 5
    worn = rows(("write", "D3.0", "K2", 0), ("write", "D1.0", "K1", 340), ("read", "D3.0", "K1", 350))
    assert cross_ties(worn, GAUGED).remarks == ("what D1.0 recorded on side 0 of K1 was not read well by anybody",)
    assert cross_ties(worn, GAUGED).ties == ()


# signs


def brute(ties: list[Tie]) -> dict[tuple[float, ...], float]:
    """Weighted square of every choice of signs, each adjusted by itself."""
    loose = [t for t in ties if t.unsigned]
    found = {}
    for signs in itertools.product((1.0, -1.0), repeat=len(loose)):
        way = {t.name: s for t, s in zip(loose, signs, strict=True)}
        signed = [replace(t, value=t.value * way.get(t.name, 1.0), unsigned=False) for t in ties]
        found[signs] = sum(p.weighted_square for p in adjust(signed))
    return found


@pytest.mark.parametrize("seed", range(8))
def test_settled_directions_are_those_that_fit_best(seed: int) -> None:
    rng = np.random.default_rng([31, seed])
    place = dict(zip("abcde", rng.normal(0, 120, 5), strict=True))
    pairs = list(itertools.combinations("abcde", 2))
    ties = []
    for k, (a, b) in enumerate(pairs):
        value = float(place[b] - place[a] + rng.normal(0, 8))
        ties.append(Tie(f"T{k}", a, b, abs(value) if k >= 4 else value, 8.0, unsigned=k >= 4))
    told = settle_signs(ties)
    squares = brute(ties)
    best = min(squares, key=lambda s: squares[s])
    for tie, sign in zip(told.ties[4:], best, strict=True):
        if tie.name not in told.unsure:
            assert math.copysign(1, tie.value) == sign
    weight = {s: math.exp(-(q - squares[best]) / 2) for s, q in squares.items()}
    for k, tie in enumerate(told.ties[4:]):
        forward = sum(w for s, w in weight.items() if s[k] > 0) / sum(weight.values())
        assert (tie.name in told.unsure) == (min(forward, 1 - forward) > 0.01)
    assert told.mirrored == ()


def test_a_picture_and_its_mirror_image_are_both_kept() -> None:
    ties = [
        Tie("ab", "a", "b", 0.0, 100.0),
        Tie("ad", "a", "d", 240.0, 20.0, unsigned=True),
        Tie("bd", "b", "d", 250.0, 20.0, unsigned=True),
        Tie("de", "d", "e", 30.0, 5.0),
    ]
    told = settle_signs(ties)
    assert told.mirrored == (frozenset({"ad", "bd"}),)
    (part,) = adjust(told.ties)
    assert part.difference("a", "d")[0] == pytest.approx(240, abs=1)
    # one signed tie to anything beyond settles it
    settled = settle_signs([*ties, Tie("ae", "a", "e", -190.0, 40.0)])
    assert settled.mirrored == ()
    (part,) = adjust(settled.ties)
    assert part.difference("a", "d")[0] < -200


def test_an_undecided_direction_keeps_the_spread_of_both() -> None:
    ties = [Tie("ab", "a", "b", 0.0, 4.0), Tie("bc", "b", "c", 200.0, 4.0), Tie("ac", "a", "c", 200.0, 4.0)]
    # 3 +- 4 fits as well up as down: the loop says 0, and the tie says no more than that
    told = settle_signs([*ties, Tie("small", "a", "b", 3.0, 4.0, unsigned=True)])
    assert told.mirrored == (frozenset({"small"}),)
    # two beside each other that must be alike, and a third that may be either way against them
    pair = [Tie("p", "a", "d", 90.0, 4.0, unsigned=True), Tie("q", "b", "d", 91.0, 4.0, unsigned=True)]
    told = settle_signs([*ties, *pair, Tie("r", "a", "d", 2.0, 60.0, unsigned=True)])
    assert told.unsure == {"r"}
    assert told.mirrored == (frozenset("pqr"),)
    r = told.ties[-1]
    assert abs(r.value) < 2.0
    assert r.uncertainty == pytest.approx(60, rel=0.01)


def test_many_unsigned_ties_are_settled_by_descent_too() -> None:
    rng = np.random.default_rng(33)
    names = "abcdefgh"
    place = dict(zip(names, rng.normal(0, 150, len(names)), strict=True))
    pairs = list(itertools.combinations(names, 2))
    assert len(pairs) > MOST_WHOLE
    ties = [Tie(a + b, a, b, abs(place[b] - place[a] + float(rng.normal(0, 6))), 6.0, unsigned=True) for a, b in pairs]
    ties.append(Tie("mark", "a", "h", place["h"] - place["a"], 6.0))
    told = settle_signs(ties)
    (part,) = adjust(told.ties)
    for a, b in pairs:
        assert part.difference(a, b)[0] == pytest.approx(place[b] - place[a], abs=20)
