"""`indexhole shelf`: what each command prints, what it leaves behind, and how it refuses."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from indexhole.cli import main as edge
from indexhole.model.trials.trial import Trial
from indexhole.shelf.records.records import Unit
from indexhole.shelf.register.shelf import Shelf
from indexhole.shelf.sheets.sheet import sheet_bytes, write_sheet
from indexhole.signal.captures.capture import Capture
from indexhole.signal.formats.write_vcd import write_capture

TRIAL = Trial("T1", "2026-03-01", "read", "H1", "L1", "D1.0", "K1", 0, 0, 12, 117, 3, 'said "loud", twice')


class Bench:
    """Runs `indexhole shelf ...` in this process, on a folder of its own."""

    def __init__(self, folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
        self.folder = folder
        self.capsys = capsys
        self.out = self.err = ""

    def __call__(self, *arguments: object, status: int = 0) -> str:
        self.capsys.readouterr()
        ended = edge.run(["shelf", *map(str, arguments), "--shelf", str(self.folder)])
        self.out, self.err = self.capsys.readouterr()
        assert ended == status, self.err
        return self.out

    def json(self, *arguments: object, status: int = 0) -> dict:
        return json.loads(self(*arguments, "--json", status=status))

    def refused(self, *arguments: object) -> str:
        self(*arguments, status=2)
        assert self.out == ""
        assert self.err.startswith("indexhole: ")
        assert self.err.count("\n") == 1
        return self.err


@pytest.fixture
def bench(tmp_path, capsys) -> Bench:
    return Bench(tmp_path / "shelf", capsys)


@pytest.fixture
def sheet(tmp_path) -> Path:
    path = tmp_path / "bench.csv"
    write_sheet([TRIAL, replace(TRIAL, trial="T2", operation="write", disk="K2", note="")], path)
    return path


def test_the_first_entry_starts_the_shelf_and_says_so(bench):
    told = bench(
        "add", "unit", "D1", "--title", "Twin unit", "--class", "130-48", "--date-codes", "8442", "--state", "dusty"
    )  # fmt: skip
    assert told.splitlines() == [
        "unit D1",
        "  kind: drive unit",
        "  title: Twin unit",
        "  disk class: 130-48",
        "  state: dusty",
        "  date codes: 8442 (meaning unproven)",
        "  standing: known",
    ]
    assert bench.err == f"indexhole: started a new shelf in {bench.folder}\n"
    bench("add", "unit", "H1", "--kind", "host")
    assert bench.err == ""


def test_each_kind_of_entry_can_be_added_listed_and_shown(bench):
    bench("add", "unit", "D1")
    bench("add", "mechanism", "D1.1", "--front", "B", "--read-width-um", "330", "--note", "the lower one")
    bench("add", "disk", "K1", "--title", "Tide tables", "--sides", "2", "--irreplaceable")
    bench("add", "event", "D1", "head cable replaced", "--when", "about 1987", "--source", "the foreman")
    bench("add", "note", "rattles when cold", "--unit", "D1")
    assert bench("list", "mechanisms").splitlines() == [
        "1 mechanism",
        "mechanism  front says  writes, µm  reads, µm  remark         standing",
        "D1.1       B           -               330.0  the lower one  known",
    ]
    assert "K1                Tide tables  -               2  irreplaceable  known" in bench("list", "disks")
    shown = bench("show", "D1")
    assert "E1     about 1987  head cable replaced  the foreman" in shown
    assert "rattles when cold" in shown
    assert [change["what"] for change in bench.json("list", "changes")["changes"]] == [
        "add note rattles when cold",
        "add event D1: head cable replaced",
        "add disk K1",
        "add mechanism D1.1",
        "add unit D1",
    ]


@pytest.mark.parametrize(
    ("arguments", "told"),
    [
        (["add", "unit", "D1", "--class", "soup"], "unit disk_class: 'soup' is no disk class; known are"),
        (["add", "unit", "D1", "--kind", "toaster"], "see indexhole shelf add unit --help"),
        (["add", "mechanism", "D9.0"], "there is no unit D9 on the shelf"),
        (["add", "mechanism", "D9"], "is not UNIT.NUMBER"),
        (["add", "note", ""], "note text"),
        (["add", "capture", "absent.vcd"], "absent.vcd"),
        (["import", "absent.csv"], "absent.csv: cannot be read"),
        (["list"], "there is no shelf here; start one with `indexhole shelf add`"),
        (["undo", "--yes"], "there is no shelf here"),
        (["nonsense"], "No such command 'nonsense'"),
    ],
)
def test_a_refusal_is_one_line_and_leaves_no_shelf_behind(bench, arguments, told):
    assert told in bench.refused(*arguments)
    assert not bench.folder.exists()


def test_a_bare_group_shows_what_it_can_do(capsys):
    for words in (["shelf"], ["shelf", "add"]):
        assert edge.run(words) == 0
        assert "Commands:" in capsys.readouterr().out


def test_a_dry_run_tells_what_an_import_adds_and_changes_nothing(bench, sheet):
    told = bench("import", sheet, "--dry-run")
    assert not bench.folder.exists()
    assert told.splitlines() == [
        "2 trials would be added",
        "  3 units not known before, entered as unproven: D1, H1, L1",
        "  1 mechanism not known before, entered as unproven: D1.0",
        "  2 disks not known before, entered as unproven: K1, K2",
        "nothing was changed (--dry-run)",
    ]
    bench("add", "disk", "K2", "--irreplaceable")
    assert "1 disk not known before" in bench("import", sheet, "--dry-run")
    assert bench.err == "indexhole: disk K2 is marked irreplaceable, and trials wrote on it\n"
    assert bench.json("list", "trials") == {"trials": []}
    told = bench.json("import", sheet)
    assert (told["trials"], told["unproven"]["disks"], told["dry_run"]) == (2, ["K1"], False)


def test_an_import_is_all_or_nothing_and_a_prefix_tells_sheets_apart(bench, sheet):
    bench("import", sheet)
    assert "trial T1 is on the shelf already" in bench.refused("import", sheet)
    assert "--prefix" in bench.err
    bench("import", sheet, "--prefix", "B-")
    names = [trial["trial"] for trial in bench.json("list", "trials")["trials"]]
    assert names == ["T1", "T2", "B-T1", "B-T2"]


def test_a_faulty_sheet_changes_nothing_and_its_faults_are_counted(bench, sheet):
    sheet.write_text(sheet.read_text().replace(",117,3,", ",117,118,"))
    assert "2 faults: row 2: sectors_failed 118 is more than sectors_tried 117" in bench.refused("import", sheet)
    assert not bench.folder.exists()


def test_what_was_imported_leaves_exactly(tmp_path):
    sheet = sheet_bytes([replace(TRIAL, trial=f"T{k}", note="a\r\nb") for k in range(3000)])
    (tmp_path / "bench.csv").write_bytes(sheet)
    program = [sys.executable, "-m", "indexhole", "shelf"]
    folder = ["--shelf", str(tmp_path / "shelf")]
    subprocess.run([*program, "import", str(tmp_path / "bench.csv"), *folder], capture_output=True, check=True)
    assert subprocess.run([*program, "export", *folder], capture_output=True, check=True).stdout == sheet


def test_what_leaves_is_no_formula_and_comes_back_as_it_was(bench, sheet, tmp_path, capsys):
    write_sheet([replace(TRIAL, trial="T1", note="'=1")], sheet)
    sheet.write_text(
        sheet.read_text() + sheet.read_text().splitlines()[1].replace("T1", "T2").replace("''=1", "=1+1\n")
    )
    bench("import", sheet)
    bench("add", "note", "@5 V the rail is low")
    trials, notes = tmp_path / "out.csv", tmp_path / "notes.csv"
    bench("export", trials)
    assert [line.rpartition(",")[2] for line in trials.read_text().splitlines()] == ["note", "''=1", "'=1+1"]
    assert bench("export") == trials.read_text()
    bench("export", notes, "--kind", "note")
    assert ",'@5 V the rail is low," in notes.read_text()
    assert bench("import", notes, "--kind", "note") == "0 notes added, 0 changed, 1 as they were\n"
    other = Bench(tmp_path / "other", capsys)
    other("import", trials)
    assert [trial["note"] for trial in other.json("list", "trials")["trials"]] == ["'=1", "=1+1"]
    assert other("export") == trials.read_text()


def test_an_export_does_not_overwrite_by_itself(bench, sheet, tmp_path):
    bench("import", sheet)
    target = tmp_path / "out.csv"
    assert bench("export", target) == f"{target}: 2 trials\n"
    assert target.read_bytes() == sheet.read_bytes()
    target.write_text("precious")
    assert "Overwrite" in bench.refused("export", target)
    assert target.read_text() == "precious"
    bench("export", target, "--yes")
    assert target.read_bytes() == sheet.read_bytes()
    assert "cannot be written" in bench.refused("export", tmp_path / "absent" / "out.csv")


def test_show_gathers_all_that_is_known_of_a_thing(bench, sheet):
    bench("import", sheet)
    shown = bench("show", "D1")
    assert "D1.0       read       K1         1            117               3" in shown
    assert [trial["trial"] for trial in bench.json("show", "K2")["found"][0]["trials"]] == ["T2"]
    assert len(bench.json("show", "L1")["found"][0]["trials"]) == 2
    assert bench.json("show", "D1.0")["found"][0]["mechanism"]["standing"] == "unproven"
    *_, note, logged = bench("show", "T1").splitlines()
    assert note == '  note: said "loud", twice'
    assert logged.startswith("  logged, UTC: 20")
    assert "there is no D7 on the shelf; try `indexhole shelf search D7`" in bench.refused("show", "D7")


def test_a_unit_and_a_disk_of_one_name_are_both_shown(bench):
    bench("add", "unit", "7")
    bench("add", "disk", "7")
    assert [next(iter(thing)) for thing in bench.json("show", "7")["found"]] == ["unit", "disk"]


def test_fields_change_from_text(bench):
    bench("add", "disk", "K1", "--sides", "2")
    told = bench.json("change", "disk", "K1", "title=Crane log = 1986", "irreplaceable=yes", "sides=")
    assert told["disk"]["title"] == "Crane log = 1986"
    assert told["disk"]["importance"] == "irreplaceable"
    assert told["disk"]["sides"] is None
    assert bench.json("change", "disk", "K1", "sides=1")["disk"]["sides"] == 1
    assert "disk sides: '3' is none of 1 or 2" in bench.refused("change", "disk", "K1", "sides=3")
    assert "'sides' is not FIELD=VALUE" in bench.refused("change", "disk", "K1", "sides")
    no_field = bench.refused("change", "disk", "K1", "colour=red")
    assert "disk colour: there is no such field; fields are inventory, title, " in no_field
    assert "did you mean K1" in bench.refused("change", "disk", "K2", "title=x")


def test_wrong_use_is_told_in_plain_words(bench):
    signed_late = bench.refused("add", "note", "x", "--who", "Ada")
    assert signed_late.startswith("indexhole: --who goes before the command: indexhole shelf --who ...; see ")
    assert "'what': 'trial' is not one of 'units'" in bench.refused("list", "trial")
    assert "'--sides': should be a valid integer; see" in bench.refused("add", "disk", "K1", "--sides", "two")


def test_a_loss_needs_an_answer(bench, sheet):
    bench("import", sheet)
    assert "Remove trial T1? needs an answer; add --yes" in bench.refused("remove", "trial", "T1")
    assert bench("remove", "trial", "T1", "--yes") == "removed trial T1\n"
    assert "there is no trial T1" in bench.refused("remove", "trial", "T1", "--yes")
    assert "disk K2 is named by 1 trials" in bench.refused("remove", "disk", "K2", "--yes")
    assert bench.json("remove", "disk", "K1", "--yes") == {"removed": {"kind": "disk", "key": "K1"}}
    assert "Undo: remove disk K1 (1 row, " in bench.refused("undo")
    assert bench("undo", "--yes") == "undone: remove disk K1 (1 row)\n"
    assert bench.json("undo", "--yes")["undone"]["what"] == "remove trial T1"
    bench("undo", "--yes")
    assert bench.json("list", "units") == {"units": []}
    assert "there is no change to undo" in bench.refused("undo", "--yes")


def test_search_tells_where(bench, sheet):
    bench("import", sheet)
    told = bench.json("search", "LOUD", "twice")
    assert [(found["kind"], found["key"]) for found in told["found"]] == [("trial", "T1")]
    assert bench("search", "nothing of the kind").startswith("nothing found; each word, or its start, must stand")


def test_captures_are_kept_once_and_checked(bench, tmp_path):
    path = tmp_path / "k1.vcd"
    write_capture(path, Capture("k1", 1e-7, np.arange(40, 20_000, 40), np.array([10])))
    bench("add", "disk", "K1")
    told = bench("add", "capture", path, "--disk", "K1", "--cylinder", "0", "--head", "1")
    assert told.startswith(f"{path}: kept as ")
    digest = told.split()[-1]
    assert bench("add", "capture", path) == f"{path}: stands on the shelf already as {digest}\n"
    assert bench.json("add", "capture", path)["captures"][0]["new"] is False
    assert bench.json("show", digest)["found"][0]["capture"]["disk"] == "K1"
    assert bench("check") == "register sound; 1 of 1 captures unchanged\n"
    (original,) = (bench.folder / "captures" / "originals").iterdir()
    original.write_bytes(original.read_bytes() + b"#9\n")
    assert "changed: its SHA-256 is now" in bench("check", status=1).replace(
        f"captures/originals/{original.name} has ", ""
    )
    assert bench.json("check", status=1)["sound"] is False
    bench("undo", "--yes")
    assert bench("check").splitlines()[-1] == "register sound; 0 of 0 captures unchanged"
    assert "no entry names it" in bench.out


def test_a_register_damaged_inside_fails_the_check(bench, sheet):
    bench("import", sheet)
    import sqlite3

    connection = sqlite3.connect(bench.folder / "register.sqlite")
    connection.execute("INSERT INTO events (event, unit, 'when', what, source) VALUES ('E1', 'D9', '', 'fell', '')")
    connection.commit()
    connection.close()
    assert "register: table events, row 1: refers to nothing in units" in bench("check", status=1)


@pytest.mark.parametrize("place", ["file", "file/shelf", "/proc/a", "/dev/null/x"])
def test_a_place_that_takes_no_shelf(tmp_path, capsys, place):
    (tmp_path / "file").write_text("a letter")
    bench = Bench(tmp_path / place, capsys)
    assert "no shelf can be kept here" in bench.refused("add", "unit", "D1")
    assert (tmp_path / "file").read_text() == "a letter"


def test_a_damaged_register_is_told_by_every_command(tmp_path, capsys):
    bench = Bench(tmp_path, capsys)
    (tmp_path / "register.sqlite").write_bytes(b"SQLite format 3\0" + b"\xff" * 8000)
    for command in (["list"], ["show", "D1"], ["search", "x"], ["check"], ["undo"], ["export"], ["add", "unit", "D1"]):
        assert "this is not a register" in bench.refused(*command)


def test_the_shelf_of_the_environment_is_used(tmp_path):
    settings = {**os.environ, "INDEXHOLE_SHELF": str(tmp_path / "mine")}
    program = [sys.executable, "-m", "indexhole", "shelf"]
    done = subprocess.run(
        [*program, "add", "unit", "D1", "--title", "Möwe 潮"], env=settings, capture_output=True, check=False
    )
    assert done.returncode == 0
    assert Shelf.open(tmp_path / "mine").get(Unit, "D1").title == "Möwe 潮"
    narrow = {**settings, "PYTHONIOENCODING": "ascii", "PYTHONUTF8": "0"}
    done = subprocess.run([*program, "list"], env=narrow, capture_output=True, check=True)
    assert b"M\\xf6we \\u6f6e" in done.stdout


def test_an_export_into_a_pipe_that_closes_is_quiet(tmp_path):
    shelf = Shelf.open(tmp_path, create=True)
    shelf.add_trials([replace(TRIAL, trial=f"T{k}") for k in range(3000)])
    program = [sys.executable, "-m", "indexhole", "shelf", "export", "--shelf", str(tmp_path)]
    # an unbuffered stdout takes part of a write without a word, and hides that the reader has gone
    settings = {name: value for name, value in os.environ.items() if name != "PYTHONUNBUFFERED"}
    running = subprocess.Popen(program, env=settings, stdout=subprocess.PIPE, stderr=subprocess.PIPE)
    assert running.stdout.read(10) == sheet_bytes([TRIAL])[:10]
    running.stdout.close()
    assert running.stderr.read() == b""
    running.stderr.close()
    assert running.wait() == edge.READER_GONE
