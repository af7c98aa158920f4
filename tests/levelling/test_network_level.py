"""From evidence to words: planted benches levelled, the report, the command line and the page."""

from __future__ import annotations

import csv
import io
import json
import re
from dataclasses import replace
from html.parser import HTMLParser
from pathlib import Path
from xml.etree import ElementTree

import httpx
import numpy as np
import pytest
from tests.support.visiting import FROM_HERE, sent

from indexhole.cli import main as edge
from indexhole.errors import InputFault
from indexhole.jobs.faults.levelling import (
    KEPT,
    BenchEvidence,
    joined,
    keep_measurements,
    kept_measurements,
    level_bench,
    read_measurements,
    sheet_evidence,
)
from indexhole.jobs.faults.levelling_report import report_json, report_lines, told
from indexhole.levelling.measurements import OFFSET, parse_measurements
from indexhole.levelling.network import Tie
from indexhole.levelling.quantity import Levelled, level
from indexhole.levelling.sentences import Work, work_due
from indexhole.levelling.ties import Reading
from indexhole.model.forward import SOUND, Recording, read_out, sector_failure_probability
from indexhole.model.trials.recorders import Recorders
from indexhole.model.trials.trial import Trial
from indexhole.shelf.records.records import Disk, Mechanism, Unit, checked
from indexhole.shelf.register.shelf import Shelf
from indexhole.shelf.sheets.sheet import write_sheet
from indexhole.web.app import create_app
from indexhole.web.pages.levelling.levelling_view import level_figure

HEADING = "from,to,quantity,value,uncertainty,unit,note\n"
SHEET = HEADING + (
    "A1,,lobe-constant,300,15,um,from its label\n"
    "A1,D1.0,lobe-ratio-outward,0.90,0.03,1,\n"
    "A1,D2.0,lobe-ratio-inward,0.52,0.04,1,\n"
    "A1,D2.0,reads-outward-to,60,12,um,\n"
    "A1,D2.0,reads-inward-to,240,12,um,\n"
    "A1,D3.0,offset,-6,8,um,\n"
    "A1,D3.0,offset,4,8,um,again\n"
    "D2.0,,adjuster,150,10,um/turn,clockwise is outward\n"
    "nominal,D2.0,speed,2.1,0.1,%,strobe\n"
)
DRIVES = {"D1.0", "D2.0", "D3.0", "D4.0", "D5.0"}
CLASSES = dict.fromkeys(DRIVES, "130-48")


def ring(place: dict[str, float], u: float, seed: int = 1) -> list[Tie]:
    """Every pair of drives compared once."""
    rng = np.random.default_rng(seed)
    names = sorted(place)
    return [
        Tie(f"{a} {b}", a, b, place[b] - place[a] + float(rng.normal(0, u)), u)
        for k, a in enumerate(names)
        for b in names[k + 1 :]
    ]


def levelled(ties: list[Tie], **how: object) -> Levelled:
    found = level("offset", ties, DRIVES, classes=CLASSES, **how)  # type: ignore[arg-type]
    assert found is not None
    return found


def words_of(levels: Levelled) -> list[str]:
    from indexhole.jobs.faults.levelling import LevelledBench

    bench = LevelledBench({"offset": levels}, BenchEvidence(()), {}, ())
    return [f"{place}. {advice}" for _, place, advice in told(bench, levels).positions]


def test_the_drive_out_of_place_is_told_against_the_others() -> None:
    place = {"D1.0": 3.0, "D2.0": -8.0, "D3.0": 5.0, "D4.0": -96.0, "D5.0": 0.0}
    found = levelled(ring(place, 14.0))
    first = found.positions[0]
    assert (first.node, first.verdict, first.against, first.others) == ("D4.0", "fails", "mean", 4)
    assert abs(first.value + 96) < 3 * first.uncertainty
    assert re.match(r"D4\.0 sits \d+(\.\d)? \+/- \d+(\.\d)? um towards the hub of the others\. ", words_of(found)[0])
    assert "turn the adjuster until the head has moved" in words_of(found)[0]
    # nobody else is pulled out of place by it
    assert {s.verdict for s in found.positions[1:]} <= {"works", "doubtful"}


def test_standings_hold_the_truth_as_often_as_they_say() -> None:
    inside = []
    for seed in range(80):
        rng = np.random.default_rng([41, seed])
        place = {d: float(rng.normal(0, 12)) for d in DRIVES}
        for standing in levelled(ring(place, 10.0, seed + 500)).positions:
            if standing.others == 4:
                true = place[standing.node] - np.mean([v for d, v in place.items() if d != standing.node])
                inside.append(abs(standing.value - true) < 2 * standing.uncertainty)
    assert len(inside) > 300
    # 95.4 % for normal errors; those of one bench go together, so 4 standard deviations of 80 independent ones
    assert np.mean(inside) == pytest.approx(0.954, abs=4 * (0.954 * 0.046 / 80) ** 0.5)


def test_two_drives_alone_are_not_accused() -> None:
    found = levelled([Tie("T1", "D1.0", "D2.0", 120.0, 10.0)])
    assert all(s.others == 1 for s in found.positions)
    assert all("turn neither yet" in line for line in words_of(found))
    assert found.next is not None
    assert {found.next.start, found.next.end} == {"D1.0", "D2.0"}


def test_verdicts_go_by_two_standard_uncertainties() -> None:
    def verdict(value: float, u: float, limit_class: str = "130-48") -> str:
        found = level(
            "offset", [Tie("T", "A1", "D1.0", value, u)], {"D1.0"}, standards=("A1",), classes={"D1.0": limit_class}
        )
        assert found is not None
        return found.positions[0].verdict

    assert verdict(0, 10) == "works"  # limits are +- 38 um
    assert verdict(30, 10) == "doubtful"
    assert verdict(80, 10) == "fails"
    assert verdict(0, 60) == "unproven"
    assert verdict(80, 10, "") == "unproven"


def test_one_alignment_disk_is_the_datum_and_others_can_be_asked_for() -> None:
    ties = [Tie("1", "A1", "D1.0", 10, 5), Tie("2", "A1", "D2.0", -10, 5), Tie("3", "D1.0", "D2.0", -20, 9)]
    assert levelled(ties, standards=("A1", "D1.0")).datum.held == {"A1": 0.0}
    assert levelled(ties, standards=("A1",), datum="mean").datum.held == {}
    assert levelled(ties, datum="D1.0").datum.held == {"D1.0": 0.0}
    nominal = [*ties, Tie("4", "nominal", "A1", 0, 3)]
    assert levelled(nominal, standards=("A1",)).datum.held == {"nominal": 0.0}
    with pytest.raises(InputFault, match="nothing was measured against 'A9'"):
        levelled(ties, datum="A9")
    assert level("offset", ties, DRIVES, left_out={"1", "2", "3"}) is None


def test_a_misfit_without_a_blunder_widens_what_is_told() -> None:
    rng = np.random.default_rng(8)
    names = sorted(DRIVES)
    # uncertainties stated half as large as they are
    ties = [
        Tie(f"{a}{b}{k}", a, b, float(rng.normal(0, 18)), 9.0)
        for k in range(3)
        for i, a in enumerate(names)
        for b in names[i + 1 :]
    ]
    found = levelled(ties)
    # some of so many do not fit even so: that says nothing of them
    assert len(found.snooping.suspects) > 1
    assert 1.5 < found.widened < 2.6
    assert (
        found.positions[0].uncertainty > 1.5 * levelled([replace(t, value=0.0) for t in ties]).positions[0].uncertainty
    )
    assert levelled(ring(dict.fromkeys(names, 0.0), 9.0)).widened == 1.0
    # one blunder does not make the others worse
    blundered = [
        replace(t, value=t.value + (150 if t.name == "D1.0 D2.0" else 0)) for t in ring(dict.fromkeys(names, 0.0), 9.0)
    ]
    assert levelled(blundered).widened == 1.0
    assert [s.ties[0] for s in levelled(blundered).snooping.suspects] == ["D1.0 D2.0"]


def test_both_ways_are_told_where_nothing_says_which() -> None:
    ties = [replace(t, value=abs(t.value), unsigned=True) if "D4.0" in t.name else t
            for t in ring({"D1.0": 0, "D2.0": 0, "D3.0": 0, "D4.0": 200.0}, 1.0)]  # fmt: skip
    level_ties = [replace(t, value=0.0) if not t.unsigned else t for t in ties]
    found = levelled(level_ties)
    first = found.positions[0]
    assert first.node == "D4.0"
    assert first.other is not None
    assert first.other == pytest.approx(-first.value, abs=1)
    assert "to one side of the others, towards hub or rim" in words_of(found)[0]
    assert "Turn nothing before it is known which way." in words_of(found)[0]


def test_advice_reads_what_is_scarce_first_and_counts_turns() -> None:
    evidence = BenchEvidence((), classes=CLASSES, recorded={"D2.0": ("K4", "K7")}, irreplaceable=frozenset({"K7"}))
    bench = level_bench(evidence, parse_measurements(SHEET, where="sheet"))
    lines = report_lines(bench)
    d2 = next(line for line in lines if "D2.0 sits" in line)
    assert d2.startswith("- fails: D2.0 sits 91.7 +/- 6.8 um towards the hub of A1.")
    assert "First read K7 in it" in d2
    # 91.7 um at 150 um a turn; 0.0611 = 0.611 hypot(6.8 / 91.7, 10 / 150)
    assert "turn the adjuster 0.611 +/- 0.061 of a turn clockwise" in d2
    assert "towards the rim" in d2
    assert any(line.startswith("Caution: ") and "licensed practice decide" in line for line in lines)
    assert "Set its speed down by as much." in next(line for line in lines if "turns 2.10 +/- 0.10 % fast" in line)


@pytest.mark.parametrize("quantity", ["offset", "speed"])
def test_the_caution_stands_beside_work_on_moving_parts_however_that_is_worded(monkeypatch, quantity) -> None:
    monkeypatch.setattr("indexhole.jobs.faults.levelling_report.advice_words", lambda *given: "In other words.")
    bench = level_bench(sheet_evidence([]), parse_measurements(SHEET, where="sheet"))
    assert told(bench, bench.levels[quantity]).caution.startswith("Caution: ")
    sound = HEADING + "".join(f"A1,D{k}.0,offset,0,8,um,\n" for k in (1, 2, 3))
    bench = level_bench(sheet_evidence([]), parse_measurements(sound, where="sheet"))
    assert told(bench, bench.levels["offset"]).caution == ""


def test_the_json_holds_every_tie_and_place() -> None:
    bench = level_bench(sheet_evidence([]), parse_measurements(SHEET, where="sheet"))
    offset = json.loads(json.dumps(report_json(bench)))["network"]["offset"]
    assert {t["name"] for t in offset["ties"]} == {"M1", "M2", "M3", "M4", "M5"}
    assert offset["datum"] == {"A1": 0.0}
    (part,) = offset["parts"]
    assert part["nodes"] == ["A1", "D1.0", "D2.0", "D3.0"]
    assert part["freedom"] == 2
    assert offset["next"]["between"] == ["A1", "D2.0"]
    assert offset["next"]["after"] < offset["next"]["before"]


def test_a_blunder_is_proposed_and_left_out_only_when_asked() -> None:
    sheet = (
        SHEET.replace("A1,D3.0,offset,4,8", "A1,D3.0,offset,4,1")
        + "D1.0,D3.0,offset,-16,2,um,\nD2.0,D3.0,offset,150,3,um,\n"
    )
    measured = parse_measurements(sheet, where="sheet")
    bench = level_bench(sheet_evidence([]), measured)
    suspects = bench.levels["offset"].snooping.suspects
    assert suspects
    assert len(bench.levels["offset"].parts[0].ties) == 7
    name = suspects[0].ties[0]
    less = level_bench(sheet_evidence([]), measured, left_out=[name])
    assert less.levels["offset"].left_out == (name,)
    assert any(line == f"Left out: {name}" for line in report_lines(less))
    with pytest.raises(InputFault, match="no tie is called 'M99'"):
        level_bench(sheet_evidence([]), measured, left_out=["M99"])
    with pytest.raises(InputFault, match="nothing ties the mechanisms together"):
        level_bench(sheet_evidence([]))


def test_the_recorder_of_each_trial_is_the_last_that_wrote_there() -> None:
    def row(operation: str, mechanism: str, first: int, last: int) -> Trial:
        return Trial("T", "2026-03-01", operation, "H1", "L1", mechanism, "K1", 0, first, last, 9, 0)  # type: ignore[arg-type]

    replayed = Recorders([
        row("read", "D1.0", 0, 9), row("write", "D2.0", 0, 4), row("read", "D1.0", 0, 4), row("read", "D1.0", 3, 6),
        row("read", "D1.0", 5, 9), row("format", "D3.0", 0, 9), row("read", "D1.0", 0, 9),
    ])  # fmt: skip
    assert replayed.met == ["K1", "D2.0", "D2.0", "", "K1", "D3.0", "D3.0"]
    assert replayed.disks_of("D3.0") == {"K1"}
    assert replayed.disks_of("D2.0") == set()


# a whole bench with a planted offset, through trials and speed gauges


def planted_trials(offsets: dict[str, float], seed: int) -> list[Trial]:
    """Each drive writes a disk of its own, then every drive reads every disk."""
    rng = np.random.default_rng(seed)
    rows = []

    def row(operation: str, mechanism: str, disk: str, p: float) -> None:
        failed = int(rng.binomial(360, p))
        rows.append(
            Trial(f"T{len(rows)}", "2026-03-01", operation, "H1", "L1", mechanism, disk, 0, 0, 39, 360, failed)  # type: ignore[arg-type]
        )

    for writer in offsets:
        row("write", writer, f"K{writer}", 1e-4)
    for writer, w in offsets.items():
        for reader, r in offsets.items():
            told_out = read_out(Recording(replace(SOUND, offset_um=w)), replace(SOUND, offset_um=r))
            row("read", reader, f"K{writer}", sector_failure_probability(told_out))
    return rows


@pytest.mark.parametrize("aside", [-235.0, 210.0, 290.0])
def test_a_bench_with_a_head_aside_is_levelled_from_its_trials(aside: float) -> None:
    offsets = {"D1.0": 4.0, "D2.0": -12.0, "D3.0": aside, "D4.0": 8.0}
    readings = [Reading("", d, "", reader_ratio=1.0005, reader_u=1e-4) for d in offsets]
    evidence = BenchEvidence(planted_trials(offsets, 3), readings, classes=dict.fromkeys(offsets, "130-48"))
    bench = level_bench(evidence)
    first = bench.levels["offset"].positions[0]
    assert (first.node, first.verdict) == ("D3.0", "fails")
    assert first.other is not None
    assert abs(abs(first.value) - abs(aside)) < 3 * first.uncertainty
    assert {s.verdict for s in bench.levels["offset"].positions[1:]} <= {"unproven", "works", "doubtful"}
    # one signed measurement settles which way
    signed = parse_measurements(HEADING + f"D1.0,D3.0,offset,{aside * 0.9:.0f},60,um,\n", where="sheet")
    settled = level_bench(evidence, signed, datum="mean").levels["offset"].positions[0]
    assert settled.node == "D3.0"
    assert settled.other is None
    assert settled.value * aside > 0


# measurements kept with the shelf


@pytest.fixture
def shelf(tmp_path: Path) -> Shelf:
    made = Shelf.open(tmp_path / "shelf", create=True)
    for unit in ("D1", "D2", "D3"):
        made.add(checked(Unit, inventory=unit, kind="drive unit", disk_class="130-48"))
        made.add(checked(Mechanism, mechanism=f"{unit}.0"))
    made.add(checked(Disk, inventory="K7", importance="irreplaceable", recorded_by="D2.0"))
    return made


def test_measurements_are_kept_once_and_a_bad_sheet_changes_nothing(shelf: Shelf) -> None:
    assert keep_measurements(shelf, SHEET.encode(), "a.csv") == 9
    before = (shelf.folder / KEPT).read_bytes()
    assert keep_measurements(shelf, SHEET.encode(), "a.csv") == 0
    more = HEADING + "A1,D1.0,offset,12,8,um,third\n"
    assert keep_measurements(shelf, more.encode("utf-8-sig"), "b.csv") == 1
    assert (shelf.folder / KEPT).read_bytes() == before + b"A1,D1.0,offset,12,8,um,third,\n"
    for bad in (b"", b"\xff\xfe", HEADING.encode(), (HEADING + "A1,D1.0,offset,x,8,um,\n").encode()):
        with pytest.raises(InputFault):
            keep_measurements(shelf, bad, "bad.csv")
    assert len(kept_measurements(shelf).ties["offset"]) == 6


def test_sheets_with_other_columns_are_kept_under_one_heading(shelf: Shelf) -> None:
    keep_measurements(shelf, SHEET.encode(), "a.csv")
    before = kept_measurements(shelf)
    dated = b'to, from,quantity,value,uncertainty,unit,when\r\nD1.0,A1,offset,"1",1,um,2026-03\r\n'
    assert keep_measurements(shelf, dated, "b.csv") == 1
    assert keep_measurements(shelf, dated, "b.csv") == 0
    assert keep_measurements(shelf, SHEET.encode(), "a.csv") == 0
    kept = kept_measurements(shelf)
    assert kept.ties["offset"][:-1] == before.ties["offset"]
    assert (kept.ties["offset"][-1].end, kept.ties["offset"][-1].when) == ("D1.0", "2026-03")
    assert (shelf.folder / KEPT).read_text().startswith("from,to,quantity,value,uncertainty,unit,note,when\n")


def test_no_cell_kept_begins_like_a_formula_and_notes_of_two_lines_stay_whole(shelf: Shelf) -> None:
    sent = HEADING + (
        "=A1,D1.0,offset,-12,8,um,=HYPERLINK(1)\n"
        'A2,D1.0,offset,+1.5,8,um,"first line\n\nthe same line"\n'
        'A3,D1.0,offset,2,8,um,"another line\n\nthe same line"\n'
    )
    assert keep_measurements(shelf, sent.encode(), "a.csv") == 3
    _, *rows = csv.reader(io.StringIO((shelf.folder / KEPT).read_bytes().decode(), newline=""))
    assert rows[0] == ["'=A1", "D1.0", "offset", "-12", "8", "um", "'=HYPERLINK(1)", ""]
    assert [row[6] for row in rows[1:]] == ["first line\n\nthe same line", "another line\n\nthe same line"]
    assert [tie.start for tie in kept_measurements(shelf).ties["offset"]] == ["=A1", "A2", "A3"]
    assert keep_measurements(shelf, sent.encode(), "a.csv") == 0
    assert keep_measurements(shelf, (shelf.folder / KEPT).read_bytes(), "kept.csv") == 0


@pytest.mark.parametrize("broken", ["\n" + SHEET, SHEET.replace("quantity", "quantty", 1)])
def test_kept_rows_under_a_broken_heading_are_not_lost(shelf: Shelf, broken: str) -> None:
    (shelf.folder / KEPT).write_text(broken)
    with pytest.raises(InputFault, match="row 1: the heading lacks"):
        keep_measurements(shelf, b"from,to,quantity,value,uncertainty,unit,when\nA1,D1.0,offset,1,1,um,2026\n", "d.csv")
    assert (shelf.folder / KEPT).read_text() == broken


def test_faulty_measurements_count_as_measurements(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("indexhole.levelling.measurements.MOST_ROWS", 20)
    with pytest.raises(InputFault, match="holds more than 20 measurements"):
        parse_measurements(HEADING + "x\n" * 30, where="m.csv")


def test_sheets_join_without_two_ties_of_one_name(tmp_path: Path) -> None:
    path = tmp_path / "m.csv"
    path.write_text(SHEET)
    one = read_measurements(path)
    both = joined(one, one)
    names = [t.name for held in both.ties.values() for t in held]
    assert len(names) == len(set(names)) == 12
    with pytest.raises(InputFault, match="cannot be read"):
        read_measurements(tmp_path / "none.csv")
    with pytest.raises(InputFault, match="is not a file"):
        read_measurements(tmp_path)


# the command line


def ran(capsys: pytest.CaptureFixture[str], *arguments: object, status: int = 0) -> str:
    capsys.readouterr()
    assert edge.run(["level", *map(str, arguments)]) == status
    told_out = capsys.readouterr()
    return told_out.out if status == 0 else told_out.err


def test_the_command_levels_measurements_by_themselves(tmp_path, monkeypatch, capsys) -> None:
    monkeypatch.setenv("INDEXHOLE_SHELF", str(tmp_path / "none"))
    path = tmp_path / "m.csv"
    path.write_text(SHEET)
    out = ran(capsys, "--measurements", path)
    assert out.startswith("Where the heads stand, counted from A1\n")
    assert "D2.0 sits 91.7 ± 6.8 µm towards the hub of A1" in out
    assert not (tmp_path / "none").exists()
    data = json.loads(ran(capsys, "--measurements", path, "--json", "--datum", "mean", "--leave-out", "M1"))
    assert data["network"]["offset"]["datum"] == "mean"
    assert data["network"]["offset"]["left_out"] == ["M1"]


def test_the_command_takes_a_trial_sheet_and_a_shelf(tmp_path, shelf, capsys) -> None:
    sheet = tmp_path / "bench.csv"
    write_sheet(planted_trials({"D1.0": 0.0, "D2.0": 240.0, "D3.0": 5.0}, 4), sheet)
    assert "gauge the speed of D1.0 and D2.0" in ran(capsys, sheet)
    keep_measurements(shelf, SHEET.encode(), "a.csv")
    out = ran(capsys, "--shelf", shelf.folder)
    assert "- fails: D2.0 sits 91.7 ± 6.8 µm towards the hub of A1. First read K7 in it" in out


OWN_SPEED = """
[[tolerance]]
id = "mine"
quantity = "spindle_speed"
unit = "rpm"
low = 299.5
high = 300.5
"""


def test_own_limits_are_those_of_the_file_named_else_of_the_shelfs_folder(tmp_path, shelf, capsys) -> None:
    """D2.0 turns 1 % fast: within the table's limits, out of its own."""
    sheet = HEADING + "nominal,D1.0,speed,0,0.01,%,\nnominal,D2.0,speed,0.9,0.01,%,\n"
    keep_measurements(shelf, sheet.encode(), "a.csv")

    def verdicts(*arguments: object) -> dict[str, str]:
        told = json.loads(ran(capsys, "--shelf", shelf.folder, "--json", *arguments))["network"]["speed"]
        return {s["mechanism"]: s["verdict"] for s in told["standings"]}

    mine = tmp_path / "mine.toml"
    mine.write_text(OWN_SPEED)
    assert verdicts() == {"D1.0": "works", "D2.0": "works"}
    assert verdicts("--limits", mine) == {"D1.0": "works", "D2.0": "fails"}
    (shelf.folder / "tolerances.toml").write_text(OWN_SPEED)
    assert verdicts() == {"D1.0": "works", "D2.0": "fails"}
    mine.write_text(OWN_SPEED.replace("299.5", "290").replace("300.5", "310"))
    assert verdicts("--limits", mine) == {"D1.0": "works", "D2.0": "works"}
    (shelf.folder / "tolerances.toml").write_text("low = 3")
    said = ran(capsys, "--shelf", shelf.folder, status=2)
    assert "tolerances.toml: 'low' is not known here; begin each row with [[tolerance]]" in said
    assert verdicts("--limits", mine)["D2.0"] == "works"


@pytest.mark.parametrize("verb", ["level", "gauge"])
def test_bad_limits_are_refused_in_one_line(verb, tmp_path, capsys) -> None:
    bad, capture = tmp_path / "bad.toml", tmp_path / "a.vcd"
    bad.write_text("[[tolerance]]\nlow = 1")
    capture.write_text("")
    capsys.readouterr()
    assert edge.run([verb, str(capture), "--limits", str(bad)]) == 2
    said = capsys.readouterr().err.splitlines()
    assert len(said) == 1 and "bad.toml: " in said[0] and "Field required" in said[0]


def test_a_drive_past_a_warning_only_is_watched_and_not_turned() -> None:
    levelled = level(OFFSET, [Tie("M1", "nominal", "D1.0", 30.0, 1.0)], ["D1.0"], classes={"D1.0": "130-48"})
    assert levelled is not None
    (position,) = levelled.positions
    assert position.verdict == "doubtful"
    assert work_due(levelled, position) is Work.WATCH
    assert not Work.WATCH.moves_parts


@pytest.mark.parametrize(
    ("content", "arguments", "said"),
    [
        (HEADING + "A1,D1.0,offset,x,1,um,\n", [], "m.csv: row 2, column value: 'x' is not a number"),
        (SHEET, ["--datum", "A9"], "nothing was measured against 'A9'"),
        (SHEET, ["--leave-out", "M77"], "no tie is called 'M77'"),
    ],
)
def test_the_command_refuses_in_one_line(tmp_path, monkeypatch, capsys, content, arguments, said) -> None:
    monkeypatch.setenv("INDEXHOLE_SHELF", str(tmp_path / "none"))
    path = tmp_path / "m.csv"
    path.write_text(content)
    err = ran(capsys, "--measurements", path, *arguments, status=2)
    assert said in err
    assert err.count("\n") == 1


# the page


class Visitor:
    """Requests in process."""

    def __init__(self, shelf: Shelf) -> None:
        self.app = create_app(shelf)

    def send(self, method: str, address: str, **how: object) -> httpx.Response:
        return sent(self.app, method, address, origin=FROM_HERE, **how)

    def post(self, files: dict[str, tuple[str, bytes, str]]) -> httpx.Response:
        return self.send("POST", "/causes/network", data={"token": self.app.form_token()}, files=files)

    def settled(self, address: str) -> str:
        """The page once its work is done."""
        for _ in range(200):
            answer = self.send("GET", address)
            assert answer.status_code == 200
            if "are being gauged" not in answer.text:
                return answer.text
        raise AssertionError("never done")


class Tags(HTMLParser):
    """Tags that match, ids that are unique."""

    def __init__(self, page: str) -> None:
        super().__init__()
        self.open: list[str] = []
        self.ids: list[str] = []
        self.feed(page)
        assert self.open == []
        assert len(set(self.ids)) == len(self.ids)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.ids += [value or "" for name, value in attrs if name == "id"]
        if tag not in {"meta", "link", "input", "br"}:
            self.open.append(tag)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        pass

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag


def test_the_page_takes_measurements_in_and_shows_the_diagram(shelf: Shelf) -> None:
    visitor = Visitor(shelf)
    empty = visitor.settled("/causes/network")
    assert "Nothing ties the mechanisms together yet." in empty
    assert 'class="fault"' not in empty
    assert 'href="/causes/trials"' in empty
    Tags(empty)
    sent = visitor.post({"file": ("m.csv", SHEET.encode(), "text/csv")})
    assert sent.status_code == 303
    page = visitor.settled(sent.headers["location"])
    Tags(page)
    assert "9 measurements added from m.csv." in page
    assert "D2.0 sits 91.7 ± 6.8 µm towards the hub of A1." in page
    assert "First read K7 in it" in page
    assert "Local codes and licensed practice decide" in page
    assert 'aria-label="4 places from low to high: D2.0, D3.0, A1, D1.0.' in page
    assert json.loads(visitor.send("GET", "/causes/network/progress").text)["ready"] is True


def test_the_page_refuses_a_bad_sheet_and_keeps_what_was_there(shelf: Shelf) -> None:
    visitor = Visitor(shelf)
    keep_measurements(shelf, SHEET.encode(), "a.csv")
    before = (shelf.folder / KEPT).read_bytes()
    for files in ({"file": ("m.csv", b"no,sheet\n", "text/csv")}, {"other": ("m.csv", b"", "text/csv")}):
        answer = visitor.post(files)
        assert answer.status_code == 422
        assert 'class="fault"' in answer.text
        Tags(answer.text)
    assert (shelf.folder / KEPT).read_bytes() == before


def test_the_diagram_places_by_value_and_marks_by_word_and_dash() -> None:
    ties = [
        *ring({"D1.0": 0.0, "D2.0": -90.0, "D3.0": 10.0, "D4.0": 20.0}, 5.0),
        Tie("twice", "D1.0", "D2.0", 40.0, 5.0),
        Tie("loose", "D1.0", "D5.0", 60.0, 5.0, unsigned=True),
    ]
    found = levelled(ties)
    made = level_figure(found, 0)
    root = ElementTree.fromstring(str(made.svg).replace("&nbsp;", " "))
    dots = {}
    words = [t.text for t in root.iter("text")]
    for text in root.iter("text"):
        if text.get("class") == "node-word":
            dots[text.text] = (float(text.get("x", "").rstrip("%")), float(text.get("y", "")))
    part = found.parts[0]
    by_place = [part.nodes[k] for k in np.argsort(part.place)]
    assert sorted(dots, key=lambda n: dots[n][0]) == by_place
    assert sorted(dots, key=lambda n: dots[n][1]) == by_place
    kinds = [line.get("class") for line in root.iter("line")]
    assert kinds.count("tie suspect") == 1
    assert kinds.count("tie loose") == 1
    assert any(word and word.endswith("blunder?") for word in words)
    assert "dashed and say blunder?" in made.summary
    assert "may point the other way" in made.summary
    told_words = {row[0]: row[-1] for row in made.rows}
    assert told_words["twice"] == "blunder?"
    assert told_words["loose"] == "which way not known, unchecked"
    assert len(made.rows) == len(ties)
