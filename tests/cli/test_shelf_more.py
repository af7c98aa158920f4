"""`indexhole shelf`: signing, standings, history, quick entry, search, comparison, timeline, spreadsheets, backup."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from tests.cli.test_shelf import Bench

from indexhole.cli import main as edge
from indexhole.jobs.demo.shelf import build_demo_shelf
from indexhole.shelf.records.records import Unit
from indexhole.shelf.register.shelf import Shelf

LINE = "dual 130 mm 48 tpi drive, parallel bus, given by a shipping office 1998, two filter caps bulging, hums"


@pytest.fixture
def bench(tmp_path, capsys) -> Bench:
    return Bench(tmp_path / "shelf", capsys)


@pytest.fixture(scope="module")
def museum(tmp_path_factory) -> Path:
    folder = tmp_path_factory.mktemp("museum") / "shelf"
    build_demo_shelf(folder)
    return folder


@pytest.mark.parametrize("kind", ["trial", "unit"])
def test_a_device_without_an_end_is_no_sheet(bench, tmp_path, kind):
    assert "/dev/zero: is not a file; give the " in bench.refused("import", "/dev/zero", "--kind", kind)
    large = tmp_path / "large.csv"
    with large.open("wb") as held:
        held.truncate((64 << 20) + 1)
    assert "large.csv: is larger than 64 MiB" in bench.refused("import", large, "--kind", kind)
    assert "absent.csv: cannot be read (No such file" in bench.refused(
        "import", tmp_path / "absent.csv", "--kind", kind
    )


def test_a_change_is_signed_before_the_command(bench, monkeypatch, capsys):
    bench("add", "unit", "D1", "--title", "Box")
    words = ["shelf", "--who", "Anna", "--why", "label read", "change", "unit", "D1", "title=Twin"]
    assert edge.run([*words, "--shelf", str(bench.folder)]) == 0
    monkeypatch.setenv("INDEXHOLE_WHO", "Bruno")
    bench("change", "unit", "D1", "state=dusty")
    told = bench.json("history", "unit", "D1", "title")["history"]
    assert [(c["was"], c["now"], c["who"], c["why"]) for c in told] == [
        (None, "Box", "", ""),
        ("Box", "Twin", "Anna", "label read"),
    ]
    assert "state - dusty Bruno" in " ".join(bench("history", "unit", "D1").split())
    assert "a unit has no field colour; its fields are inventory" in bench.refused("history", "unit", "D1", "colour")


def test_an_edit_with_an_older_revision_is_refused(bench):
    bench("add", "unit", "D1", "--title", "Box")
    revision = bench.json("show", "D1")["found"][0]["revision"]
    bench("change", "unit", "D1", "title=Twin")
    told = bench.refused("change", "unit", "D1", "state=dusty", "--revision", revision)
    assert "unit D1 was changed since you read it: title ('Box' became 'Twin'); look at it again" in told
    bench("change", "unit", "D1", "state=dusty", "--revision", revision + 1)


def test_a_field_may_be_not_known_or_as_told(bench):
    bench("add", "unit", "D1", "--title", "Box")
    bench("standing", "unit", "D1", "maker", "not known", "--source", "no plate")
    told = bench("standing", "unit", "D1", "title", "as told", "--source", "the previous owner")
    assert "maker  not known  no plate" in told
    assert "title  as told    the previous owner" in bench("show", "D1")
    assert [s["field"] for s in bench.json("standing", "unit", "D1", "title", "plain")["standings"]] == ["maker"]
    assert "so nothing was told; fill it in first" in bench.refused("standing", "unit", "D1", "state", "as told")


def test_who_signs_a_sheet_is_kept_with_its_trials(bench, tmp_path, capsys):
    sheet = tmp_path / "bench.csv"
    heading = (
        "trial,when,operation,host,lead,mechanism,disk,side,first_cylinder,last_cylinder,sectors_tried,sectors_failed"
    )
    sheet.write_text(f"{heading}\nT1,2026-03-01,read,,,D1.0,K1,0,0,12,117,3\n")
    assert edge.run(["shelf", "--who", "Anna", "import", str(sheet), "--shelf", str(bench.folder)]) == 0
    capsys.readouterr()
    assert bench.json("list", "trials")["trials"][0]["logged_by"] == "Anna"
    assert "logged by" in bench("list", "trials")
    assert "  logged by: Anna\n" in bench("show", "T1")
    assert bench("export").splitlines()[0] == f"{heading},note"


def test_parts_tell_when_a_unit_was_not_made_before(bench):
    bench("add", "unit", "D1")
    bench("add", "part", "D1", "processor", "--date-code", "8332", "--marking", "8-bit")
    bench("add", "part", "D1", "memory", "--date-code", "8723")
    bench("add", "firmware", "D1", "2.6", "--seen-how", "told on the bus")
    bench("add", "loan", "school", "--unit", "D1", "--since", "2025")
    shown = bench("show", "D1")
    assert "P1 processor  8332  1983 week 32, 1983-08-08 to 1983-08-14" in shown
    assert "as it stands, made no earlier than 1987-05-25" in shown
    assert "P2 memory carries 8723, 3.8 years after the middle of the codes (1983-08-08): changed later" in shown
    assert bench.json("list", "loans")["loans"][0]["party"] == "school"
    assert "1 firmware\n" in bench("list", "firmware")


def test_a_line_becomes_an_entry_when_it_is_agreed_to(bench):
    told = bench("add", "quick", LINE, "--dry-run", status=2)
    assert "there is no shelf here" in bench.err
    bench("add", "unit", "D1", "--title", "dual 130 mm 48 tpi drive")
    told = bench("add", "quick", LINE, "--dry-run")
    assert "acquired when  1998" in told
    assert "becomes a note: hums" in told
    assert told.endswith("nothing was added\n")
    assert "it may be D1 dual 130 mm 48 tpi drive: its title is nearly the same" in bench.err
    assert bench("add", "quick", LINE, "--yes").endswith("added unit D2\n")
    assert [unit["inventory"] for unit in bench.json("list", "units")["units"]] == ["D1", "D2"]
    assert "add unit D2 from a line" in bench("undo", "--yes")
    assert bench.json("list", "mechanisms")["mechanisms"] == []
    assert bench.json("add", "quick", "K5: 90 mm disk, mould")["draft"]["record"]["condition"] == "mould"
    assert "the line does not say what it is" in bench.refused("add", "quick", "hello")


def test_searches_and_comparisons_are_kept_by_name(museum, capsys):
    def shelf(*words: str) -> dict:
        assert edge.run(["shelf", *words, "--shelf", str(museum), "--json"]) == 0
        return json.loads(capsys.readouterr().out)

    shelf("add", "view", "tides", "--kinds", "unit,disk", "--words", "tide")
    found = shelf("search", "--view", "tides")
    assert [(f["kind"], f["key"]) for f in found["found"]] == [
        ("unit", "D1"), ("unit", "H1"), ("disk", "K1"), ("disk", "K2"),
    ]  # fmt: skip
    assert [f["key"] for f in shelf("search", "twin", "--view", "tides")["found"]] == ["D1"]
    limited = shelf("search", "tide", "--most", "1")
    assert (len(limited["found"]), limited["all"] > 4) == (1, True)
    shelf("add", "view", "twins", "--units", "D1,D3")
    told = shelf("compare", "--view", "twins")
    assert told["units"] == ["D1", "D3"]
    assert told["rows"]["weight, kg"] == ["9.4", "10.2"]
    assert told["rows"]["made"][0] == "1984"
    assert told["rows"]["mechanisms"] == ["2", "2"]
    assert told["rows"]["capacity of a disk"][0].endswith("360 KiB, by layout")
    assert told["rows"]["processors"] == [
        "processor (8-bit, 1 MHz), processor (8-bit, second)",
        "processor (8-bit)",
    ]
    assert "maker" in told["rows"]
    assert "controller" not in told["rows"]
    by = shelf("timeline", "--by", "acquired")["timeline"]
    assert [entry["key"] for entry in by][:2] == ["D8", "D1"]
    assert {entry["key"] for entry in shelf("timeline")["timeline"]} == {"D1", "D3", "D5", "D8", "H1"}


def test_a_comparison_prints_a_table_and_refuses_what_is_not_there(museum, capsys):
    assert edge.run(["shelf", "compare", "D1", "D8", "--shelf", str(museum)]) == 0
    assert "weight, kg" in capsys.readouterr().out
    for words in (["D1", "D99"], [], ["D1", "D1"]):
        assert edge.run(["shelf", "compare", *words, "--shelf", str(museum)]) == 2


def test_entries_go_out_and_come_in_as_spreadsheets(bench, tmp_path):
    bench("add", "unit", "D1", "--title", "Box")
    sheet = tmp_path / "units.xlsx"
    assert bench("export", sheet, "--kind", "unit") == f"{sheet}: 1 unit\n"
    assert bench("import", sheet, "--kind", "unit") == "0 units added, 0 changed, 1 as they were\n"
    cells = tmp_path / "units.csv"
    cells.write_text("inventory,kind,title,weight_kg\nD1,drive unit,Twin,4\nH1,host,,\n")
    told = bench("import", cells, "--kind", "unit", "--dry-run")
    assert told.splitlines()[0] == "1 unit would be added, 1 would be changed, 0 as they were"
    assert "2 D1 title Box Twin" in " ".join(told.split())
    assert bench.json("list", "units")["units"][0]["title"] == "Box"
    bench("import", cells, "--kind", "unit")
    assert bench.json("list", "units")["units"][0]["title"] == "Twin"
    cells.write_text("inventory,kind,weight_kg\nD2,drive unit,heavy\n")
    assert "C2 (weight_kg): 'heavy' is no number" in bench("import", cells, "--kind", "unit", "--dry-run", status=1)
    assert "units.csv: C2 (weight_kg): 'heavy' is no number; nothing was changed" in bench.refused(
        "import", cells, "--kind", "unit"
    )
    assert [unit["title"] for unit in bench.json("export", "--kind", "unit")["units"]] == ["Twin", ""]


def test_everything_goes_out_as_linked_data(bench, tmp_path):
    bench("add", "unit", "D1", "--title", "Box")
    path = tmp_path / "shelf.jsonld"
    assert bench("export", path) == f"{path}: 1 node\n"
    document = json.loads(path.read_text())
    assert document["@graph"][0]["dcterms:title"] == "Box"


def test_a_shelf_is_backed_up_checked_and_restored(bench, tmp_path):
    bench("add", "unit", "D1", "--title", "Box")
    photo = tmp_path / "a.jpg"
    photo.write_bytes(b"\xff\xd8\xff picture")
    bench("add", "photo", photo, "--unit", "D1", "--caption", "front")
    path = tmp_path / "shelf.backup"
    told = bench.json("backup", path)
    assert told["files"] == 1
    assert ": sound, made 2" in bench("restore", path, "--check")
    assert "something stands here already" in bench.refused("restore", path)
    other = tmp_path / "again"
    assert edge.run(["shelf", "restore", str(path), "--shelf", str(other)]) == 0
    assert Shelf.open(other).all(Unit) == Shelf.open(bench.folder).all(Unit)
    assert "; 1 of 1 photos unchanged" in bench("check")
    path.write_bytes(path.read_bytes()[:-30])
    assert "is no whole backup of a shelf" in bench.refused("restore", path, "--check")
    (bench.folder / "photos").rename(bench.folder / "hidden")
    assert "photo PH1: missing" in bench("check", status=1)
    assert bench("reindex") == "the index of the search is made anew\n"
