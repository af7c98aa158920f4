"""Learning from evidence: against weighting a great many prior draws, closed forms, and hidden truths."""

from __future__ import annotations

import re
from dataclasses import replace

import numpy as np
import pytest

from indexhole.model.trials.trial import Trial
from indexhole.pairing.learning.evidence import OUTSIDE, GaugeReading, Observation, observations
from indexhole.pairing.learning.learning import bounded, learn, next_degree, resampled
from indexhole.pairing.learning.observed import NODES, count_likelihood, make_rows
from indexhole.pairing.learning.suppositions import Suppositions
from indexhole.pairing.parts.beliefs import NO_BELIEFS
from indexhole.pairing.parts.parts import mechanism, medium
from indexhole.pairing.prediction.budget import budget
from indexhole.standards.layouts import load_layouts

LAYOUT = load_layouts()["130-48-mfm-9x512"]
DRIVES = {n: mechanism(n, "130-48", "mfm-two-rate") for n in ("A", "B", "C")}
DISKS = {n: medium(n, "130-48") for n in ("K1", "K2", "K3")}
LAYOUTS = dict.fromkeys(DISKS, LAYOUT)


def trial(number: int, operation: str, drive: str, disk: str, failed: int, tried: int = 360, **where: int) -> Trial:
    first, last, side = where.get("first", 0), where.get("last", 39), where.get("side", 0)
    return Trial(
        f"T{number}", "2024-05-01", operation, "H", "L", drive, disk, side, first, last, tried, failed  # type: ignore[arg-type]
    )  # fmt: skip


def test_who_wrote_what_is_read() -> None:
    rows = observations(
        [
            trial(1, "read", "A", "K1", 0),
            trial(2, "format", "B", "K1", 0, last=19, tried=180),
            trial(3, "read", "A", "K1", 90),
            trial(4, "write", "C", "K1", 0, first=10, last=19, tried=90),
            trial(5, "read", "A", "K1", 0, first=5, last=24, tried=180),
        ]
    )
    told = [(o.trial, o.writer, o.laid_out_by, o.over, o.first_cylinder, o.last_cylinder, o.tried) for o in rows]
    assert told == [
        ("T1", OUTSIDE, OUTSIDE, OUTSIDE, 0, 39, 360),
        ("T2", "B", "B", OUTSIDE, 0, 19, 180),
        ("T3", "B", "B", OUTSIDE, 0, 19, 180),
        ("T3", OUTSIDE, OUTSIDE, OUTSIDE, 20, 39, 180),
        ("T4", "C", "B", "B", 10, 19, 90),
        ("T5", "B", "B", OUTSIDE, 5, 9, 45),
        ("T5", "C", "B", "B", 10, 19, 90),
        ("T5", OUTSIDE, OUTSIDE, OUTSIDE, 20, 24, 45),
    ]
    assert sum(o.failed for o in rows if o.trial == "T3") == 90


def test_counts_are_a_law() -> None:
    """The likelihood of all counts adds up to 1 at every hazard (the surprise's share included)."""
    counts = np.arange(37)
    law = np.exp(count_likelihood(counts, np.full(37, 36)))
    assert law.sum(axis=0) == pytest.approx(np.ones(len(NODES)), abs=1e-9)


def brute_force(observed: list[Observation], gauges: list[GaugeReading], count: int = 150_000) -> dict[str, np.ndarray]:
    """Weighted prior draws: posterior means and deviations by importance sampling, no moves at all."""
    rows = make_rows(observed, DRIVES, DISKS, LAYOUTS)
    ways = Suppositions(rows, DRIVES, DISKS, gauges, count, 99)
    weight = np.exp(ways.log_likelihood() - ways.log_likelihood().max())
    weight /= weight.sum()
    found = {"effective": np.array([1 / (weight**2).sum()])}
    for i, name in enumerate(DRIVES):
        for what, values in (
            ("offset", np.abs(ways.offset[:, i])),
            ("speed", ways.speed[:, i] * 100),
            ("loss", ways.loss[:, i]),
        ):
            mean = (weight * values).sum()
            found[f"{name} {what}"] = np.array([mean, np.sqrt((weight * (values - mean) ** 2).sum())])
    return found


@pytest.mark.parametrize(
    ("trials", "gauges"),
    [
        ([trial(1, "read", "A", "K1", 0), trial(2, "format", "B", "K2", 0), trial(3, "read", "A", "K2", 340)], []),
        (
            [trial(1, "format", "A", "K1", 0), trial(2, "read", "B", "K1", 25), trial(3, "read", "C", "K1", 0)],
            [GaugeReading("A", "radial_offset", 30.0, 8.0), GaugeReading("C", "spindle_speed", 302.0, 0.5)],
        ),
    ],
)
def test_moved_draws_agree_with_weighted_ones(trials: list[Trial], gauges: list[GaugeReading]) -> None:
    observed = list(observations(trials))
    truth = brute_force(observed, gauges)
    assert truth["effective"][0] > 150
    learnt = [learn(DRIVES, DISKS, LAYOUTS, observed, gauges, seed, draws=300) for seed in range(3)]
    for name in DRIVES:
        if name not in learnt[0].mechanisms:
            continue
        for what in ("offset", "speed", "loss"):
            values = []
            for one in learnt:
                m = one.mechanisms[name]
                values.append({"offset": np.abs(m.offset_um), "speed": m.speed_ratio * 100, "loss": m.loss_db}[what])
            mean, spread = truth[f"{name} {what}"]
            # both roads are draws: their errors, and the moved draws' correlation, allow for this much
            error = spread * np.sqrt(1 / truth["effective"][0] + 8 / sum(len(v) for v in values))
            assert np.mean(np.concatenate(values)) == pytest.approx(mean, abs=4 * error + 1e-9), (name, what)


def test_a_gauge_alone_is_a_normal_times_a_normal() -> None:
    """Closed form: prior N(0, s) within tolerance and a normal reading; the seldom tails do not matter here."""
    told = learn(DRIVES, DISKS, LAYOUTS, (), [GaugeReading("A", "radial_offset", 10.0, 6.0)], 1, draws=4000)
    prior = 38 / 3
    precision = 1 / prior**2 + 1 / 6.0**2
    offset = told.mechanisms["A"].offset_um
    assert offset.mean() == pytest.approx(10.0 / 36.0 / precision, abs=0.6)
    assert offset.std() == pytest.approx(precision**-0.5, rel=0.12)
    assert "gauged offset 10 +/- 6 um" in told.words["A"][0]


def test_without_evidence_nothing_is_believed() -> None:
    assert learn(DRIVES, DISKS, LAYOUTS, ()) == NO_BELIEFS
    stranger = Observation("T1", "", "read", OUTSIDE, "Z", "K1", 0, 0, 39, 360, 0)
    assert learn(DRIVES, DISKS, LAYOUTS, (stranger,)) == NO_BELIEFS


def test_the_same_evidence_gives_the_same_beliefs() -> None:
    observed = observations([trial(1, "read", "A", "K1", 12)])
    first, again = (learn(DRIVES, DISKS, LAYOUTS, observed, (), 5) for _ in range(2))
    assert (first.mechanisms["A"].offset_um == again.mechanisms["A"].offset_um).all()


def test_a_drive_that_others_cannot_read_is_found_and_the_pairings_follow() -> None:
    trials = [
        trial(1, "format", "A", "K1", 0),
        trial(2, "read", "B", "K1", 0),
        trial(3, "read", "C", "K1", 345),
        trial(4, "format", "C", "K2", 0),
        trial(5, "read", "A", "K2", 350),
        trial(6, "read", "C", "K2", 0),
        trial(7, "read", "B", "K2", 350),
    ]
    beliefs = learn(DRIVES, DISKS, LAYOUTS, observations(trials), (), 0)
    disk = replace(medium("K9", "130-48"), before="recorded", notch="open")
    chance = {
        (w, r): budget(DRIVES[w], disk, DRIVES[r], LAYOUT, "exchange", None, beliefs, remedies=False).chance
        for w in "ABC"
        for r in "ABC"
    }
    assert min(chance["A", "B"], chance["B", "A"]) > 0.8
    assert max(chance["A", "C"], chance["C", "A"], chance["B", "C"], chance["C", "B"]) < 0.3
    assert chance["C", "C"] > 0.8


def test_reading_well_makes_a_disk_and_a_drive_surer() -> None:
    trials = [trial(n, "read", d, "K1", 0, side=s) for n, (d, s) in enumerate((("A", 0), ("A", 1), ("B", 0), ("B", 1)))]
    beliefs = learn(DRIVES, DISKS, LAYOUTS, observations(trials), (), 0)
    disk = replace(DISKS["K1"], before="erased")
    before, after = (
        budget(mechanism("", "130-48"), disk, DRIVES["A"], LAYOUT, "read", None, b, samples=600, remedies=False).chance
        for b in (NO_BELIEFS, beliefs)
    )
    assert after > before
    assert after > 0.97


def test_a_sector_lost_now_and_then_is_told_as_the_reason() -> None:
    """Two sound drives lose one sector of a disk between them; a third one, which loses all, says nothing of it."""
    trials = [trial(n, "read", d, "K1", 0, side=s) for n, (d, s) in enumerate((("A", 0), ("A", 1), ("B", 0)))]
    trials += [trial(4, "read", "B", "K1", 1, side=1)]
    # C is known for it from elsewhere
    trials += [trial(5, "read", "C", k, 358) for k in ("K1", "K2", "K3")]
    beliefs = learn(DRIVES, DISKS, LAYOUTS, observations(trials), (), 0)
    quality = beliefs.disks["K1"].quality
    assert quality is not None
    assert (quality.tried, quality.lost, quality.read_elsewhere, quality.aside) == (1440, 1, 1, 360)
    assert "1 of 1440 sectors was lost in its trials" in beliefs.words["K1"][0]
    rate = beliefs.disks["K1"].defect_rate
    disk = replace(DISKS["K1"], before="erased")
    told = budget(mechanism("", "130-48"), disk, DRIVES["A"], LAYOUT, "read", None, beliefs)
    assert told.limiting == "magnetics"
    assert told.why.startswith("magnetics: 1 of 1440 sectors was lost in its trials")
    (about,) = re.findall(r"about ([0-9.]+) \+/- [0-9.]+ of the 720 sectors", told.why)
    assert float(about) == pytest.approx(rate.mean() * 720, rel=0.25)
    assert "one failed read of a sector counts as lost" in told.why and "a retry" in told.why
    assert told.term("magnetics").words.startswith("1 of 1440")
    assert any("1 of 1440 sectors" in words for words in told.evidence)
    # a sound disk is told without
    sound = learn(DRIVES, DISKS, LAYOUTS, observations(trials[:3]), (), 0)
    other = budget(mechanism("", "130-48"), disk, DRIVES["A"], LAYOUT, "read", None, sound, remedies=False)
    assert "lost" not in other.term("magnetics").words
    assert "none of 1080 sectors was lost in its trials" in sound.words["K1"][0]


def test_rows_of_the_same_pairing_are_reckoned_once_and_weigh_as_before() -> None:
    """Ten trials of the same tracks make one row, whose likelihood is the product of theirs."""
    once = observations([trial(1, "read", "A", "K1", 3, 117, last=12)])
    many = observations([trial(n, "read", "A", "K1", n % 3, 117, last=12) for n in range(10)])
    one, all_ten = (make_rows(o, DRIVES, DISKS, LAYOUTS) for o in (once, many))
    assert len(one.templates) == len(all_ten.templates) == 1
    assert [len(s) for s in all_ten.seen] == [10]
    assert (one.tracks[0] == all_ten.tracks[0]).all() and one.spans[0] == 1
    apart = count_likelihood(np.arange(10) % 3, np.full(10, 117)).sum(axis=0)
    assert all_ten.log_likelihood[0] == pytest.approx(apart)
    # other sides, thirds and hands stay apart; a stretch over more than a third is looked at in three places
    more = observations(
        [*(trial(n, "read", "A", "K1", 0, side=n % 2) for n in range(4)), trial(9, "read", "B", "K1", 0)]
    )
    kept = make_rows(more, DRIVES, DISKS, LAYOUTS)
    assert len(kept.templates) == 3 and (kept.spans == 3).all()


def test_work_is_bounded_however_much_evidence_there_is() -> None:
    """Hazards reckoned grow with the trials of a small shelf and stop growing on a large one."""
    library = load_layouts()["130-48-mfm-9x512"]
    drives = {f"D{i}": mechanism(f"D{i}", "130-48", "mfm-two-rate") for i in range(40)}
    disks = {f"K{i}": medium(f"K{i}", "130-48") for i in range(60)}
    rng = np.random.default_rng(3)
    work = []
    for count in (10, 200, 2000):
        seen = [
            Observation(f"T{n}", "", "read", OUTSIDE, f"D{rng.integers(40)}", f"K{rng.integers(60)}", 0, 0, 39, 360, 0)
            for n in range(count)
        ]
        rows = make_rows(seen, drives, disks, dict.fromkeys(disks, library))
        rounds, draws = bounded(rows, 3)
        assert 1 <= rounds <= 3 and 96 <= draws <= 1024
        work.append(rounds * draws * len(rows.templates))
    assert work[1] > 2 * work[0]
    assert work[2] < 2 * work[1]


def test_an_odd_gap_habit_is_learnt_from_rewrites() -> None:
    layout = load_layouts()["zoned-35-1s"]
    drives = {n: mechanism(n, "130-48-one-side", "zoned-35") for n in ("A", "B", "C")}
    disks = {n: medium(n, "130-48", 1) for n in ("K1", "K2", "K3")}
    layouts = dict.fromkeys(disks, layout)
    trials = [trial(0, "format", "A", "K1", 0, 683, last=34), trial(1, "read", "B", "K1", 0, 683, last=34)]
    for n in range(4):
        trials.append(trial(2 + n, "write", "B", "K1", 25, 683, last=34))
    beliefs = learn(drives, disks, layouts, observations(trials), (), 0, draws=400)
    odd = np.abs(beliefs.mechanisms["A"].gap_2_shift - beliefs.mechanisms["B"].gap_2_shift)
    quiet = learn(drives, disks, layouts, observations(trials[:2]), (), 0, draws=400)
    usual = np.abs(quiet.mechanisms["A"].gap_2_shift - quiet.mechanisms["B"].gap_2_shift)
    assert np.mean(odd > 0) > 3 * np.mean(usual > 0)


def test_degrees_and_resampling() -> None:
    rng = np.random.default_rng(0)
    log_likelihood = rng.normal(0, 30, 500)
    degree = next_degree(log_likelihood, 0.0)
    w = np.exp(degree * (log_likelihood - log_likelihood.max()))
    assert w.sum() ** 2 / (w**2).sum() == pytest.approx(300, rel=0.01)
    assert next_degree(np.zeros(100), 0.3) == 1.0
    picked = resampled(np.array([1.0, 0.0, 3.0, 0.0]), rng)
    assert np.bincount(picked, minlength=4).tolist() == [1, 0, 3, 0]
