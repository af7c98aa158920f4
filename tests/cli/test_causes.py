"""`indexhole causes`: from a sheet or the shelf, as JSON and in words; what is not named is never accused."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import pytest

from indexhole.causes.ranking.next_trial import candidate_trials
from indexhole.causes.report import report_lines
from indexhole.cli import main as edge
from indexhole.jobs.demo.shelf import STOCKED, demo_trials
from indexhole.jobs.faults.causes import Bench, diagnose
from indexhole.model.trials.trial import Trial
from indexhole.shelf.records.records import Disk, checked
from indexhole.shelf.register.shelf import Shelf
from indexhole.shelf.sheets.sheet import write_sheet


def bench_of_three(lead: str = "L1", host: str = "H1") -> list[Trial]:
    """D3.0 reads nothing but its own tracks; D1.0 and D2.0 agree with each other."""
    plan = [("read", "D1.0", "K1"), ("read", "D2.0", "K1"), ("read", "D3.0", "K1"), ("write", "D3.0", "K2")]
    plan += [("read", "D3.0", "K2"), ("read", "D1.0", "K2"), ("write", "D2.0", "K3"), ("read", "D1.0", "K3")]
    plan += [("read", "D3.0", "K3"), ("read", "D2.0", "K2")]
    trials, owner = [], {"K1": "outside", "K2": "outside", "K3": "outside"}
    for number, (operation, mechanism, disk) in enumerate(plan, start=1):
        if operation == "write":
            owner[disk] = mechanism
        failed = 350 if "D3.0" in (mechanism, owner[disk]) and mechanism != owner[disk] else 0
        trials.append(
            Trial(f"T{number}", "2026-03-01", operation, host, lead, mechanism, disk, 0, 0, 39, 360, failed)  # type: ignore[arg-type]
        )
    return trials


@pytest.fixture
def sheet(tmp_path) -> Path:
    path = tmp_path / "bench.csv"
    write_sheet(bench_of_three(), path)
    return path


def ran(capsys, *arguments: object, status: int = 0) -> str:
    capsys.readouterr()
    assert edge.run(["causes", *map(str, arguments)]) == status
    return capsys.readouterr().out


def test_the_json_is_as_designed(sheet, capsys):
    told = json.loads(ran(capsys, sheet, "--json"))
    assert {"causes", "sound", "unproven", "next"} <= told.keys()
    first = told["causes"][0]
    assert {"faults", "probability", "for", "against", "why"} <= first.keys()
    assert first["faults"] in (
        [{"element": "D3.0", "fault": word, "side": None}] for word in ("misaligned", "off-speed")
    )
    assert {"T3", "T6"} <= set(first["for"])
    assert told["sound"] == ["D2.0"]
    assert told["unproven"] == ["D1.0"]
    assert told["unproven_why"] == {"D1.0": "not yet shown: whether it records"}
    assert sum(cause["probability"] for cause in told["causes"]) + told["other_probability"] == pytest.approx(1)


def test_top_shortens_the_list_and_keeps_the_sum(sheet, capsys):
    told = json.loads(ran(capsys, sheet, "--json", "--top", 1))
    assert len(told["causes"]) == 1
    assert told["causes"][0]["probability"] + told["other_probability"] == pytest.approx(1)


def test_in_words_twins_stand_in_one_line(sheet, capsys):
    out = ran(capsys, sheet)
    assert out.startswith("What is at fault, from 10 trials\n1. D3.0 misaligned or off-speed: probability ")
    assert "Cleared: D2.0\nUnproven: D1.0, not yet shown: whether it records\n" in out
    assert out.splitlines()[-1].startswith("Next: ")


def test_the_next_trial_alone(tmp_path, capsys):
    sheet = tmp_path / "demo.csv"
    write_sheet(demo_trials(operations=STOCKED), sheet)
    told = json.loads(ran(capsys, sheet, "--next", "--json"))["next"]
    assert (told["operation"], told["side"], told["risk"]) == ("read", 1, "none")
    # a dirty head or a worn disk: the one of them with another partner
    assert told["mechanism"] == "D5.0" or told["disk"] == "K12"
    assert told["expected_bits"] > 0.5
    line = ran(capsys, sheet, "--next")
    assert line.startswith(
        f"Next: read side 1 of {told['disk']} in {told['mechanism']} over {told['lead']}, cylinders "
    )
    assert line.count("\n") == 1


def test_what_is_not_named_is_never_accused():
    trials = bench_of_three(lead="", host="")
    broken = [replace(t, sectors_failed=360 if k % 3 == 0 else 0) for k, t in enumerate(trials)]
    for told in (diagnose(Bench(trials, frozenset())), diagnose(Bench(broken, frozenset()))):
        assert all(fault.element for cause in told.causes for fault in cause.faults)
        assert not [line for line in report_lines(told) if " over ," in line]


def test_an_irreplaceable_disk_is_not_proposed_for_a_write():
    trials = bench_of_three()
    proposed = candidate_trials(trials, {"K1", "K3"})
    assert {t.disk for t in proposed if t.operation == "write"} == {"K2"}
    assert {t.disk for t in proposed if t.operation == "read"} == {"K1", "K2", "K3"}


def test_only_what_was_tried_together_is_proposed():
    """Disks of one class are never proposed for drives of another, nor cylinders a disk has not."""
    trials = demo_trials(operations=STOCKED)
    classes = {name: {t.disk for t in trials if t.mechanism == name} for name in {t.mechanism for t in trials}}
    narrow = {"D4.0", "D5.0"}
    for proposed in candidate_trials(trials):
        if proposed.mechanism in narrow:
            assert proposed.disk in classes["D4.0"] | classes["D5.0"]
            assert proposed.last_cylinder == 79
        else:
            assert proposed.disk not in classes["D4.0"] | classes["D5.0"]


def test_a_mistyped_disk_is_remarked_on(sheet, capsys):
    assert edge.run(["causes", str(sheet), "--irreplaceable", "K9", "--irreplaceable", "K1"]) == 0
    assert capsys.readouterr().err == "indexhole: --irreplaceable K9: no trial names this disk\n"


@pytest.mark.parametrize(
    ("given", "told"),
    [
        (["--leave-out", "T1"], "--leave-out goes only with `indexhole level`; use that command"),
        (["--datum", "mean"], "--datum goes only with `indexhole level`; use that command"),
        (["--network", "--plan", "3"], "--plan goes only without --network; leave one out"),
        (["--network", "--since", "2026-03-01"], "--since goes only without --network; leave one out"),
    ],
)
def test_an_option_of_the_other_job_is_refused_not_passed_over(sheet, capsys, given, told):
    assert edge.run(["causes", str(sheet), *given]) == 2
    assert capsys.readouterr() == ("", f"indexhole: {told}\n")


@pytest.mark.parametrize("more", [[], ["--json"], ["--datum", "mean", "--irreplaceable", "K1"]])
def test_the_former_name_of_level_goes_on_working_and_says_so(sheet, capsys, more):
    assert edge.run(["level", str(sheet), *more]) == 0
    outcome = capsys.readouterr()
    assert outcome.out
    assert outcome.err == ""
    assert edge.run(["causes", "--network", str(sheet), *more]) == 0
    former = capsys.readouterr()
    assert former.out == outcome.out
    assert former.err == "indexhole: `causes --network` will go with the next release; use `indexhole level`\n"


def test_from_the_shelf_with_its_marks(tmp_path, capsys):
    folder = tmp_path / "shelf"
    shelf = Shelf.open(folder, create=True)
    shelf.add_trials(bench_of_three())
    shelf.add(checked(Disk, inventory="K1", irreplaceable=True))
    told = json.loads(ran(capsys, "--shelf", folder, "--json"))
    assert told["causes"][0]["faults"][0]["element"] == "D3.0"
    if told["next"] and told["next"]["operation"] != "read":
        assert told["next"]["disk"] != "K1"


def test_a_sheet_takes_the_marks_of_a_shelf_that_is_named(tmp_path, sheet, monkeypatch, capsys):
    folder = tmp_path / "shelf"
    Shelf.open(folder, create=True).add(checked(Disk, inventory="K1", irreplaceable=True))
    weighed = []
    monkeypatch.setattr(
        "indexhole.jobs.faults.causes.rank_causes", lambda *given, **more: weighed.append(given) or 1 / 0
    )
    for arguments, marked in ((["--shelf", str(folder), "--irreplaceable", "K2"], {"K1", "K2"}), ([], set())):
        with pytest.raises(ZeroDivisionError):
            edge.run(["causes", str(sheet), *arguments])
        assert weighed.pop()[1] == marked


def test_a_shelf_without_trials_is_told_what_to_do(tmp_path, capsys):
    Shelf.open(tmp_path / "shelf", create=True)
    assert edge.run(["causes", "--shelf", str(tmp_path / "shelf")]) == 2
    assert "the shelf holds no trials; add a sheet with `indexhole shelf import`" in capsys.readouterr().err


def test_how_often_a_fault_is_met_may_be_told(sheet, capsys):
    def shares(*more: str) -> dict[str, float]:
        told = ran(capsys, sheet, "--json", *more)
        causes = json.loads(told)["causes"]
        return {" ".join(f["fault"] for f in c["faults"]): c["probability"] for c in causes}

    plain, seldom = shares(), shares("--met", "misaligned=0.001")
    assert seldom.get("misaligned", 0.0) < plain["misaligned"]


@pytest.mark.parametrize("told", ["dead-reed=0.1", "dead-read", "dead-read=nan", "dead-read=2", "=", "dead-read=x"])
def test_how_often_a_fault_is_met_wants_a_fault_and_a_number(sheet, capsys, told):
    assert edge.run(["causes", str(sheet), "--met", told]) == 2
    told = capsys.readouterr().err
    assert ("is no fault" if "reed" in told else "how often a fault is met") in told
