"""The studies run, go on where they were cut off, and find nothing false among their first sectors."""

from __future__ import annotations

import importlib
import json
import re
import sys
from pathlib import Path
from types import ModuleType

import numpy as np
import pytest

ROOT = Path(__file__).parents[2]


@pytest.fixture
def study(monkeypatch: pytest.MonkeyPatch):
    """Imports a study by name, as `python -m studies.NAME` in the project's folder would."""
    monkeypatch.syspath_prepend(str(ROOT))

    def named(name: str) -> ModuleType:
        return importlib.import_module(f"studies.{name}")

    return named


@pytest.mark.parametrize("code", ["fm", "mfm", "group45"])
def test_a_sector_without_trouble_reads_as_written(study, code):
    fields = study("fields")
    rng = np.random.default_rng(1)
    written = fields.write_sector(code, rng.bytes(256))
    own, placed = fields.read_passes(written, fields.Trouble(), 3, rng, id_lost=0.0)
    assert placed == []
    assert [(r.field, r.passed) for r in own] == [(written.field, True)] * 3
    assert all(abs(r.angle - 0.5) < 1e-4 for r in own)
    assert str(fields.settled(written, own, placed).state) == "sound"


def test_false_claims_go_on_where_they_were_cut_off(study, monkeypatch, tmp_path, capsys):
    claims = study("false_claims")
    monkeypatch.setattr(claims, "_BATCH", 40)

    def run(*words: str) -> dict[str, object]:
        monkeypatch.setattr(sys, "argv", ["false_claims", *words])
        claims.main()
        return json.loads(capsys.readouterr().out)  # type: ignore[no-any-return]

    state = str(tmp_path / "state.json")
    run("--count", "100", "--state", state)
    resumed, whole = run("--count", "160", "--state", state), run("--count", "160")
    # Batches are cut differently, so the sum may be rounded differently.
    assert resumed.pop("expected") == pytest.approx(whole.pop("expected"))
    assert resumed == whole
    assert whole["false"] == []
    counts = whole["counts"]
    assert isinstance(counts, dict)
    # Every kind of outcome is there to be counted.
    assert {word for key in counts for word in key.split()} >= {"sound", "mended", "suspect", "right", "wrong"}
    told = claims.table(claims.Counter(counts))
    # Behind the size of the sectors each row has its outcomes.
    assert sum(int(n) for line in told.splitlines() for n in re.findall(r"\d+", line)[1:]) == 160
    with pytest.raises(SystemExit, match="another seed"):
        run("--count", "200", "--state", state, "--seed", "5")


def test_a_level_of_the_degradation_study_is_measured_and_drawn(study, tmp_path):
    degradation, charts = study("degradation"), study("charts")
    point = degradation.Point("mfm", "dropouts", 24, 3, 0)
    measured = degradation.measure(point, degradation.load_layouts())
    assert measured["recovery"] > measured["voting"] >= measured["best"]
    assert measured["recovery_false"] == 0
    (row,) = degradation.rows({point.name: measured})
    assert f"| MFM | dropouts | 24 | 3 | {measured['sectors']} |" in degradation.table([row])
    charts.draw([row, row | {"passes": 5}], "passes", "passes", tmp_path / "chart.svg")
    told = (tmp_path / "chart.svg").read_text(encoding="utf-8")
    assert told.startswith("<svg")
    assert all(name in told for name in charts.ROADS.values())


def test_predictions_are_binned_with_their_counts(study):
    calibration = study("calibration")
    predicted = np.repeat([0.002, 0.05, 0.5], [100, 200, 10])
    wrong = np.zeros(310, dtype=bool)
    wrong[100:110] = True
    rows = calibration.binned("mfm", "noise", predicted, wrong)
    assert [(r.count, r.observed) for r in rows] == [(100, 0.0), (200, 0.05)]
    assert 0.01 < rows[1].error < 0.02
    assert "| MFM | noise | 0.03 to 0.1 | 200 | 0.0500 | 0.0500 |" in calibration.table(rows)


def test_layouts_are_identified_and_odd_tracks_told_in_a_small_study(study, monkeypatch, tmp_path):
    identification = study("identification")
    monkeypatch.setattr(sys, "argv", ["identification", "--count", "12", "--out", str(tmp_path)])
    identification.main()
    told = (tmp_path / "identification.md").read_text(encoding="utf-8")
    assert "12 of 12 legible; the first answer right in 12" in told
    assert "4 of 4 called unknown; 4 found again by their draft" in told
    assert re.search(r"of [1-9]\d* sectors called sound or mended 0 false", told)
    odd = re.findall(r"^\| (.*) \| (\d) of 1 \| (.*) \|$", told, re.MULTILINE)
    assert odd == [(kind, "1", "-") for kind in identification.KINDS]


def test_chances_of_pairings_are_scored_against_what_came_of_them(study, tmp_path):
    calibration, charts = study("pairing_calibration"), study("charts")
    answers = calibration.measure(3, 12, 16, seed=7)
    assert len(answers.worked) == 36
    for said in (answers.before, answers.after):
        assert ((said >= 0) & (said <= 1)).all()
        assert calibration.skill(answers, said) > 0.2
    assert calibration.skill(answers, answers.worked) == pytest.approx(1.0)
    base = np.full(36, answers.worked.mean())
    assert calibration.skill(answers, base) == pytest.approx(0.0, abs=1e-12)
    bins = calibration.reliability(answers)
    assert "before evidence" in calibration.table(answers)
    charts.draw_reliability([(b.when, b.said, b.worked, b.error) for b in bins], tmp_path / "r.svg")
    assert (tmp_path / "r.svg").read_text(encoding="utf-8").startswith("<svg")


def test_the_simulated_benches_know_what_they_do(study):
    bench = study("pairing_bench")
    rng = np.random.default_rng(3)
    made = bench.make_bench(rng)
    trials = bench.run_trials(made, 20, rng)
    assert all(0 <= t.sectors_failed <= t.sectors_tried for t in trials)
    # a pair of sound drives reads all of a sound disk, one far aside reads nothing
    from dataclasses import replace

    from indexhole.pairing.parts.parts import medium
    from indexhole.pairing.parts.tracks import layout_tracks
    from indexhole.standards.layouts import load_layouts

    disk, layout = medium("K", "130-48"), load_layouts()["130-48-mfm-9x512"]
    good = bench.outside(disk)
    args = (disk, layout, 0.0, layout_tracks(layout), None, 0.0)
    assert bench.sector_failures(good, good, *args).max() < 1e-3
    assert bench.sector_failures(good, replace(good, offset_um=320.0), *args).min() > 0.9
    assert bench.sector_failures(replace(good, speed=1.09), good, *args).min() > 0.9
