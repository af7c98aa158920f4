"""Where round the turn sectors failed: the laws by brute force and scipy, gathering, notes, what it says for causes."""

from __future__ import annotations

import itertools
import json
import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from indexhole.causes.faults.hypotheses import Fault
from indexhole.causes.faults.magnitude import Band
from indexhole.causes.likelihood.angle_counts import AngleCount, SectorSeen, angle_counts, noted_counts, sectors_noted
from indexhole.causes.likelihood.angles import (
    EVEN,
    ONCE,
    PLACES,
    Arrangements,
    band_ratio,
    count_words,
    log_laws,
    tells,
)
from indexhole.causes.likelihood.evidence import Evidence
from indexhole.causes.likelihood.gauged import Gauged
from indexhole.causes.likelihood.history import Supposition, lay_out
from indexhole.causes.ranking.rank import rank_causes
from indexhole.causes.report import report_lines
from indexhole.jobs.faults.capture_summary import capture_summaries
from indexhole.jobs.faults.gauged_shelf import gauged_on
from indexhole.model.simulator.simulate import Reader, WeakStretch, format_track, read_track
from indexhole.model.suited import sound_mechanism
from indexhole.model.trials.trial import Trial
from indexhole.shelf.care.captures import store_capture
from indexhole.shelf.records.records import CaptureRecord, Disk, checked
from indexhole.shelf.register.shelf import Shelf
from indexhole.signal.simulated import capture_of
from indexhole.standards.layouts import load_layouts

FM = load_layouts()["130-fm-16x128"]
BAND = Fault("K1", "damaged-band", 0)
DIRT = Fault("D1.0", "dirty-head", 0)

# the laws


def arrangements(tried: tuple[int, ...], lost: int) -> list[tuple[int, ...]]:
    return [k for k in itertools.product(*(range(n + 1) for n in tried)) if sum(k) == lost]


@pytest.mark.parametrize("tried", [(2, 2, 2), (3, 1, 4, 2), (5, 5), (1, 1, 1, 1, 1), (0, 3, 2)])
def test_each_law_sums_to_one_over_all_arrangements(tried: tuple[int, ...]) -> None:
    for lost in range(sum(tried) + 1):
        total = np.sum([np.exp(log_laws(tried, k)) for k in arrangements(tried, lost)], axis=0)
        assert total == pytest.approx([1, 1, 1], abs=1e-9)


@given(st.lists(st.integers(1, 12), min_size=2, max_size=6), st.randoms(use_true_random=False))
def test_evenly_is_the_multivariate_hypergeometric_law(tried: list[int], random) -> None:
    failed = [random.randint(0, n) for n in tried]
    expected = stats.multivariate_hypergeom.logpmf(failed, tried, sum(failed))
    assert log_laws(tried, failed)[EVEN] == pytest.approx(float(expected), abs=1e-8)


def test_at_places_is_the_dirichlet_multinomial_law_where_bins_are_deep() -> None:
    tried, failed = [60, 60, 60, 60], [5, 1, 0, 0]
    laws = [stats.dirichlet_multinomial.pmf(failed, [a / 4] * 4, 6) for a in (0.3, 1.0, 3.0)]
    assert math.exp(log_laws(tried, failed)[PLACES]) == pytest.approx(float(np.mean(laws)), rel=1e-6)


def test_once_a_turn_is_fishers_noncentral_law() -> None:
    tried, failed = [6, 9], [5, 2]
    laws = []
    for strength in (1.0, 2.5):
        for middle in range(12):
            first, second = (math.exp(strength * math.cos(a - math.tau * middle / 12)) for a in (0, math.pi))
            laws.append(stats.nchypergeom_fisher.pmf(failed[0], 15, tried[0], sum(failed), first / second))
    assert math.exp(log_laws(tried, failed)[ONCE]) == pytest.approx(float(np.mean(laws)), rel=1e-8)


@pytest.mark.parametrize(("tried", "failed"), [((3, 3), (0, 0)), ((3, 3), (3, 3)), ((2, 5, 3), (0, 1, 0))])
def test_what_an_arrangement_cannot_say_it_does_not_say(tried: tuple[int, ...], failed: tuple[int, ...]) -> None:
    """None, all, or a single one failed: places and chance arrange them alike."""
    laws = log_laws(tried, failed)
    assert laws[PLACES] == pytest.approx(laws[EVEN])


def test_large_counts_stay_numbers() -> None:
    rng = np.random.default_rng(3)
    for share in (0.001, 0.5, 0.999):
        laws = log_laws([160] * 26, rng.binomial(160, share, 26).tolist())
        assert np.isfinite(laws).all()
        assert laws.argmax() == EVEN
    assert np.isfinite(log_laws([160] * 26, [160] * 13 + [0] * 13)).all()
    with pytest.raises(ValueError, match="no more sectors can fail"):
        log_laws([3, 3], [4, 0])


@pytest.mark.parametrize("law", [EVEN, PLACES, ONCE])
def test_draws_of_each_law_are_told_as_what_they_are(law: int) -> None:
    """Odds of nine sectors on ten cylinders each; the share told right, and the odds stated honest on the whole."""
    rng = np.random.default_rng(7 + law)
    right, bits = 0, 0.0
    for _ in range(60):
        angle = math.tau * np.arange(9) / 9
        chance = {
            EVEN: np.full(9, rng.uniform(0.1, 0.6)),
            PLACES: np.where(np.arange(9) == rng.integers(9), 0.9, 0.01),
            ONCE: 1 / (1 + np.exp(-(2 * np.cos(angle - rng.uniform(0, math.tau)) - rng.uniform(0, 1.5)))),
        }[law]
        laws = log_laws([10] * 9, rng.binomial(10, chance).tolist())
        right += int(laws.argmax() == law)
        bits += float(laws[law] - np.logaddexp.reduce(laws) + math.log(3))
    assert right >= 50
    assert bits > 30


# gathering


def seen(
    cylinders: range, bad: dict[int, set[int]], by: str = "D1.0", unknown: frozenset[int] = frozenset()
) -> list[SectorSeen]:
    """Nine sectors a track, number n at 0.033 + 0.105 (n - 1); `bad` by cylinder."""
    return [
        SectorSeen("K1", 0, c, n, math.nan if n in unknown else 0.033 + 0.105 * (n - 1), n in bad.get(c, set()), (by,))
        for c in cylinders
        for n in range(1, 10)
    ]


def test_neighbouring_cylinders_are_counted_together_and_far_ones_apart() -> None:
    counts = angle_counts(seen(range(40), {4: {6}, 5: {6}, 7: {6, 7}, 30: {1, 2}, 20: {5}}))
    assert [(c.first_cylinder, c.last_cylinder, sum(c.failed)) for c in counts] == [(4, 7, 4), (30, 30, 2)]
    assert counts[0].tried == (4,) * 9
    worst = int(np.argmax(counts[0].failed))
    assert counts[0].failed[worst] == 3
    assert counts[0].angles[worst] == pytest.approx(0.033 + 0.105 * 5, abs=0.03)


def test_a_lost_sector_stands_where_its_number_stands_next_door() -> None:
    found = seen(range(4), {0: {6}, 1: {6}})
    lost = [replace(s, angle=math.nan) if s.failed else s for s in found]
    assert angle_counts(lost) == angle_counts(found)
    # one that was never read anywhere cannot be placed, and only that one is left out
    nowhere = angle_counts(seen(range(2), {0: {5, 6, 7}, 1: {6, 7}}, unknown=frozenset({5})))
    assert sum(nowhere[0].tried) == 16
    assert sum(nowhere[0].failed) == 4


def test_the_same_track_read_again_by_the_same_drive_is_no_new_evidence() -> None:
    once = seen(range(4), {0: {6}, 1: {6}})
    assert angle_counts(once * 3) == angle_counts(once)
    other = angle_counts([*once, *seen(range(4), {0: {6}, 1: {6}}, by="D2.0")])[0]
    assert other.by == {"D1.0", "D2.0"}
    assert sum(other.failed) == 4


@pytest.mark.parametrize(
    ("note", "numbers"),
    [
        ("sectors 3 4 failed", (3, 4)),
        ("sector 5 bad", (5,)),
        ("errors in sectors 7 to 9", (7, 8, 9)),
        ("Failed: sectors 1, 2 and 5; lid off", (1, 2, 5)),
        ("sectors 3-5 were lost", (3, 4, 5)),
        ("12 sectors failed", ()),
        ("sectors of 512 bytes", ()),
        ("sector 7 read at last", ()),
        ("sectors 9 to 3 failed", (3, 9)),
        ("sectors 1 to 99999999 failed", tuple(range(1, 65))),
        ("", ()),
    ],
)
def test_sectors_named_in_a_note(note: str, numbers: tuple[int, ...]) -> None:
    assert sectors_noted(note) == numbers


@given(st.text(max_size=200))
def test_any_note_can_be_read(note: str) -> None:
    for text in (note, f"sectors {note} failed", f"errors in sectors 3 {note}"):
        numbers = sectors_noted(text)
        assert all(0 <= n <= 64 for n in numbers)
        noted_counts([row("T1", "D1.0", 0, 3, 36, 2, text)])


def row(name: str, mechanism: str, first: int, last: int, tried: int, failed: int, note: str = "") -> Trial:
    return Trial(name, "2026-01-01", "read", "H1", "L1", mechanism, "K1", 0, first, last, tried, failed, note)


def test_rows_with_noted_sectors_are_counted_and_those_that_do_not_come_out_even_are_not() -> None:
    (count,) = noted_counts([row("T1", "D1.0", 4, 7, 36, 7, "sectors 3 4 failed")])
    assert (count.tried, sum(count.failed), max(count.failed)) == ((4,) * 9, 7, 4)
    assert count.by == {"D1.0", "L1", "H1"}
    assert (count.first_cylinder, count.last_cylinder) == (4, 7)
    for tried, failed, note in (
        (35, 7, "sectors 3 4 failed"),  # sectors do not come out even
        (36, 9, "sectors 3 4 failed"),  # more failed than the note accounts for
        (36, 1, "sectors 3 4 failed"),
        (36, 4, "sectors 3 40 failed"),  # there is no sector 40
    ):
        assert noted_counts([row("T1", "D1.0", 4, 7, tried, failed, note)]) == ()


def test_where_along_the_row_noted_sectors_failed_nobody_knows() -> None:
    note = "sectors 3 4 failed"
    whole = row("T1", "D1.0", 0, 39, 360, 3, note)
    (count,) = noted_counts([whole])
    assert (count.first_cylinder, count.last_cylinder, count.tried) == (0, 39, (40,) * 9)
    assert count.failed == (0, 0, 2, 1, 0, 0, 0, 0, 0)
    # tried again, and a part of it tried again, it is the same sectors; another drive, or the row beside it, is more
    again = replace(whole, trial="T2", sectors_failed=2)
    (twice,) = noted_counts([whole, again, row("T3", "D1.0", 20, 39, 180, 2, note)])
    assert (twice.failed, twice.tried) == ((0, 0, 1, 1, 0, 0, 0, 0, 0), (40,) * 9)
    (more,) = noted_counts(
        [whole, replace(whole, trial="T4", mechanism="D2.0"), row("T5", "D1.0", 40, 49, 90, 2, note)]
    )
    assert (sum(more.failed), more.tried, more.last_cylinder) == (8, (90,) * 9, 49)
    assert len(noted_counts([whole, row("T6", "D1.0", 60, 69, 90, 2, note)])) == 2
    # so it tells a damaged band without a place
    trials = [whole, replace(whole, trial="T4", mechanism="D2.0"), *(row(f"U{n}", "D3.0", 0, 39, 360, 0) for n in (1,))]
    causes = rank_causes(trials[:2], propose=False).causes
    assert "most likely" not in next(c.why for c in causes if c.faults == (BAND,))


@given(st.lists(st.tuples(st.integers(0, 9), st.integers(1, 5), st.integers(1, 12), st.sampled_from("12")), max_size=6))
def test_noted_rows_never_fail_more_than_was_tried(rows: list[tuple[int, int, int, str]]) -> None:
    trials = [
        row(f"T{k}", f"D{drive}.0", first, first + tracks - 1, 9 * tracks, min(lost, 2 * tracks), "sectors 3 4 failed")
        for k, (first, tracks, lost, drive) in enumerate(rows)
    ]
    for count in noted_counts(trials):
        assert sum(count.failed) >= 2
        assert all(0 <= lost <= tried for lost, tried in zip(count.failed, count.tried, strict=True))
        assert count.first_cylinder <= count.last_cylinder


# weighing


def at_one_place(by: str = "D1.0") -> tuple[AngleCount, ...]:
    return angle_counts(seen(range(8), {c: {6} for c in range(1, 7)}, by))


def evenly() -> tuple[AngleCount, ...]:
    rng = np.random.default_rng(5)
    return angle_counts(seen(range(20), {c: set((1 + rng.permutation(9)[:4]).tolist()) for c in range(20)}))


def once_a_turn() -> tuple[AngleCount, ...]:
    return angle_counts(seen(range(8), {c: {3, 4, 5, 6, *({2} if c % 2 else {7})} for c in range(8)}))


def test_places_speak_for_the_disk_an_even_spread_for_the_head_once_a_turn_for_neither_of_them() -> None:
    band, dirt, aside = (frozenset({f}) for f in (BAND, DIRT, Fault("D1.0", "misaligned")))
    assert Arrangements(at_one_place()).log_ratio(band) > Arrangements(at_one_place()).log_ratio(dirt) + 2
    assert Arrangements(evenly()).log_ratio(dirt) > Arrangements(evenly()).log_ratio(band) + 1
    assert Arrangements(once_a_turn()).log_ratio(aside) > Arrangements(once_a_turn()).log_ratio(dirt) + 1
    assert Arrangements(at_one_place()).log_ratio(frozenset()) == 0
    # another disk, another side, another drive have no part in it
    for other in (Fault("K2", "damaged-band", 0), Fault("K1", "damaged-band", 1), Fault("D9.0", "dirty-head", 0)):
        assert Arrangements(at_one_place()).log_ratio(frozenset({other})) == 0


def test_the_words_say_which_pattern_and_where() -> None:
    assert "at the same place of the turn (0.5" in count_words(at_one_place()[0])
    assert "spread evenly round the turn" in count_words(evenly()[0])
    assert "once a turn, as on a disk that is seated off its centre" in count_words(once_a_turn()[0])
    (few,) = noted_counts([row(f"T{k}", f"D{k}.0", 0, 39, 360, 3, "sectors 3 4 failed") for k in (1, 2)])
    assert "at the same place of the turn (0.22, 0.33 of" in count_words(few)
    assert not tells(angle_counts(seen(range(3, 4), {3: set(range(1, 10))}))[0])
    ((words, nats),) = Arrangements(at_one_place()).speaking(frozenset({BAND}), frozenset({DIRT}))
    assert words.startswith("on K1 side 0, cylinders 1 to 6, 6 of 54 sectors failed")
    ((_, other),) = Arrangements(at_one_place()).speaking(frozenset({DIRT}), frozenset({BAND}))
    assert other == pytest.approx(-nats)


def one_drive_one_disk() -> list[Trial]:
    """K1 read by D1.0 alone: dirt and damage leave these counts alike."""
    return [row("T1", "D1.0", 0, 7, 72, 8), row("T2", "D1.0", 0, 7, 72, 7), row("T3", "D1.0", 8, 15, 72, 6)]


def of_disk_and_head(gauged: Gauged) -> tuple[float, float]:
    causes = rank_causes(one_drive_one_disk(), propose=False, gauged=gauged).causes
    disk, head = (
        sum(c.probability for c in causes if any(f.element == name for f in c.faults)) for name in ("K1", "D1.0")
    )
    return disk, head


def test_ranking_follows_the_pattern() -> None:
    disk, head = of_disk_and_head(Gauged())
    disk_at_places, _ = of_disk_and_head(Gauged(angles=at_one_place()))
    _, head_evenly = of_disk_and_head(Gauged(angles=evenly()))
    assert disk_at_places > disk + 0.1
    assert head_evenly > head


def test_a_band_is_likelier_where_errors_keep_their_angle() -> None:
    trials = [row(f"T{n}", f"D{n % 3 + 1}.0", 13 * (n % 3), 13 * (n % 3) + 12, 117, 6) for n in range(1, 10)]

    def weight(*angles: AngleCount) -> tuple[float, float]:
        """Of bands on the outermost and on the middle third."""
        profile = Evidence(lay_out(trials), Gauged(angles=angles)).book.of(BAND, Supposition())
        found = dict.fromkeys((0, 13), 0.0)
        for band, log_weight in zip(profile.magnitude, profile.log_weight, strict=True):
            assert isinstance(band, Band)
            third = next((start for start in found if start <= band.first and band.last <= start + 12), None)
            if third is not None:
                found[third] += math.exp(log_weight)
        return found[0], found[13]

    (count,) = at_one_place()  # on cylinders 1 to 6
    outer, middle = weight()
    outer_with, middle_with = weight(count)
    assert outer_with / middle_with > 3 * outer / middle
    # as far as bands meet the stretch nothing changes, what the arrangement says of the side stands elsewhere
    assert middle_with < 0.3 * middle
    moved = replace(count, first_cylinder=14, last_cylinder=19)
    outer_moved, middle_moved = weight(moved)
    assert middle_moved / outer_moved > 3 * middle / outer
    assert band_ratio([count, moved], [True, True]) == pytest.approx(0)
    assert band_ratio([count], [False]) < -1
    assert band_ratio([evenly()[0]], [False]) > 0.5


@pytest.mark.parametrize(
    ("spans", "told"),
    [
        (((0, 39),), "in no row more than 1 in 20)."),
        (((0, 19), (20, 39)), "such rows failed), most likely cylinders 20 to 39."),
    ],
)
def test_a_band_that_may_lie_anywhere_is_told_without_a_place(spans: tuple[tuple[int, int], ...], told: str) -> None:
    trials = [
        row(f"T{n}{first}", f"D{n % 3 + 1}.0", first, last, 9 * (last - first + 1), 18 * (last == 39))
        for n in range(6)
        for first, last in spans
    ]
    causes = rank_causes(trials, propose=False).causes
    assert next(c.why for c in causes if c.faults == (BAND,)).endswith(told)


@pytest.mark.parametrize("failed", [20, 60, 100, 150])
def test_however_wide_the_band_it_is_told_without_a_place_where_no_row_tells_one(failed: int) -> None:
    trials = [row(f"T{n}", f"D{n % 2}.0", 0, 39, 360, failed) for n in range(4)]
    causes = rank_causes(trials, propose=False).causes
    assert "most likely" not in next(c.why for c in causes if c.faults == (BAND,))


def test_notes_enter_the_ranking_and_are_told() -> None:
    plain = one_drive_one_disk()
    noted = [replace(t, note="sector 6 failed") for t in plain]
    assert rank_causes(plain, propose=False) == rank_causes([replace(t, note="dusty") for t in plain], propose=False)
    found = rank_causes(noted, propose=False)
    assert found.causes[0].faults[0].element == "K1"
    band = next(c for c in found.causes if c.faults == (BAND,))
    assert band.probability > 3 * next(c.probability for c in rank_causes(plain).causes if c.faults == (BAND,))
    assert band.by_angle[0][1] > 0
    assert any(line.startswith("   for, by angle: on K1 side 0, cylinders ") for line in report_lines(found))
    assert found.gauged[0].endswith("(as the notes say)")
    assert json.loads(json.dumps(band.to_json_dict()))["by_angle"][0]["decibels"] > 0


# out of captures


def shelf_with(tmp_path: Path, weak: dict[int, tuple[WeakStretch, ...]], loss_db: float = 0.0) -> Shelf:
    """Captures of neighbouring cylinders of K1 as D1.0 reads them."""
    shelf = Shelf.open(tmp_path / "shelf", create=True)
    shelf.add_trials([row("T1", "D1.0", 0, 39, 640, 60)])
    if not shelf.count(Disk, inventory="K1"):
        shelf.add(checked(Disk, inventory="K1"))
    reader = replace(sound_mechanism(FM), head_loss_db=(loss_db, 0.0))
    for cylinder, stretches in weak.items():
        rng = np.random.default_rng(50 + cylinder)
        track = format_track(FM, cylinder, 0, {n: rng.bytes(128) for n in range(1, 17)}, rng)
        log = read_track(track, rng, Reader(reader, weak=stretches), revolutions=2)
        about = {"disk": "K1", "mechanism": "D1.0", "cylinder": cylinder, "head": 0, "taken": "2026-02-01"}
        store_capture(shelf, None, capture_of(log, f"{cylinder}.vcd"), **about)
    return shelf


@pytest.fixture(autouse=True)
def own_cache(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Keep what captures tell out of the user's own cache."""
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "cache"))


def test_a_scratch_across_tracks_shows_in_captures_as_a_place(tmp_path: Path) -> None:
    scratch = (WeakStretch(0.50, 0.02),)
    shelf = shelf_with(tmp_path, {10: (), 11: scratch, 12: scratch, 13: scratch, 14: ()})
    (count,) = gauged_on(shelf, shelf.trials()).angles
    assert (count.disk, count.side, count.first_cylinder, count.last_cylinder) == ("K1", 0, 11, 13)
    assert count.by == {"D1.0"}
    assert max(count.failed) == 3
    laws = log_laws(count.tried, count.failed)
    assert laws[PLACES] > laws[EVEN] + 2
    assert "at the same place of the turn" in count_words(count)


def test_a_dirty_head_shows_in_captures_all_round(tmp_path: Path) -> None:
    shelf = shelf_with(tmp_path, dict.fromkeys(range(10, 14), ()), loss_db=15.0)
    told = capture_summaries(shelf, shelf.all(CaptureRecord)).values()
    failed = sum(s.failed for t in told for s in t.sectors)
    assert 8 <= failed <= 60, f"the loss is to let some sectors fail, not {failed} of 64"
    laws = np.sum([log_laws(c.tried, c.failed) for c in gauged_on(shelf, shelf.trials()).angles], axis=0)
    assert laws.argmax() == EVEN
