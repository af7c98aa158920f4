"""The demonstration: what it prints, that it can be run again, and that it touches nothing else."""

from __future__ import annotations

import contextlib
import io
import json
import re
from collections.abc import Iterator
from pathlib import Path

import pytest

from indexhole.cli import main as edge
from indexhole.errors import InputFault
from indexhole.jobs.demo import run as demonstration
from indexhole.jobs.demo.captures import DEMO_CAPTURES, demo_captures
from indexhole.jobs.demo.run import MARK, make_demo_shelf, state_of
from indexhole.shelf.care.condition import check_captures
from indexhole.shelf.records.records import CaptureRecord, Disk, Note, checked
from indexhole.shelf.register.shelf import Shelf


@pytest.fixture(autouse=True, scope="module")
def own_cache(tmp_path_factory: pytest.TempPathFactory) -> Iterator[None]:
    """Keep weighed evidence out of the user's own cache."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("XDG_CACHE_HOME", str(tmp_path_factory.mktemp("cache")))
        yield


@pytest.fixture(scope="module")
def shown(tmp_path_factory) -> tuple[Path, list[str]]:
    """The demonstration run once: its folder and the lines it printed."""
    folder = tmp_path_factory.mktemp("demo") / "demo-shelf"
    said = io.StringIO()
    with contextlib.redirect_stdout(said):
        assert edge.run(["demo", "--folder", str(folder)]) == 0
    lines = said.getvalue().rstrip("\n").split("\n")
    return folder, lines


def tree(folder: Path) -> set[str]:
    return {path.relative_to(folder).as_posix() for path in folder.rglob("*")}


def part(lines: list[str], begins: str) -> str:
    """One finding as one line of text: from its heading to the empty line."""
    start = next(k for k, line in enumerate(lines) if line.startswith(begins))
    return " ".join(line.strip() for line in lines[start : lines.index("", start)])


def test_the_outcome_fits_a_screen(shown):
    folder, lines = shown
    assert 20 < len(lines) <= 40
    assert max(len(line) for line in lines if str(folder) not in line) <= 80


def test_it_leads_with_three_findings_and_what_to_do_about_each(shown):
    _, lines = shown
    assert [line[:2] for line in lines if line[:1].isdigit()] == ["1.", "2.", "3."]
    assert lines[2].startswith("1. ")
    assert all(" To do: " in part(lines, number) for number in ("1.", "2.", "3."))


def test_it_tells_who_is_at_fault_and_what_to_try(shown):
    _, lines = shown
    text = part(lines, "1. ")
    assert text.startswith("1. At fault: D3.1 misaligned, and D5.0 side 1 dirty-head (probability 0.")
    assert "from 111 trials" in text
    assert "The signal of K12 in D5.0: timing margin fails" in text
    assert "To do: clean the heads of D5.0; set the head of D3.1 by an alignment disk" in text
    assert "Next trial: read side 1 of " in text
    assert "did not know: D3.1 misaligned and D5.0 side 1 dirty-head" in text


def test_it_tells_what_was_on_the_disks(shown):
    _, lines = shown
    text = part(lines, "2. ")
    assert "K6 (Letters of the harbour master): 12 files, all sound" in text
    assert re.search(r"K19 \(Signal tower watch list\): 13 files, FIRST/WATCH\S+ suspect, the others sound", text)
    assert "K1 (Tide tables 1986, first half): nothing is legible as D3.1 read it" in text
    assert "To do: read K1 in another drive; make more captures of K19, K13 and K12" in text


def test_the_commands_it_proposes_work(shown, capsys):
    folder, lines = shown
    start = next(k for k, line in enumerate(lines) if line.startswith("The shelf is in ")) + 1
    proposed = [line.split() for line in lines[start:] if line.strip()]
    verbs = set()
    for words in proposed:
        rest = words[next(k for k, word in enumerate(words) if word in edge.VERBS) :]
        verbs.add(rest[0])
        if rest[0] in ("serve", "causes", "level"):
            assert rest[1:] == ["--shelf", str(folder)]
            continue
        if "*" in rest[1]:
            rest[1:2] = map(str, sorted(Path("/").glob(rest[1].lstrip("/"))))
            assert len(rest) > 1
        assert edge.run(rest) in (0, 1)
        assert capsys.readouterr().out
    assert verbs == {"causes", "level", "shelf", "pair", "recover", "gauge", "serve"}


def test_it_tells_which_pairings_are_safe(shown):
    _, lines = shown
    text = part(lines, "3. ")
    assert "K1 in D1.0: works, 2026-02-16" in text
    assert "K1 in D3.1: fails, 2026-02-16: 360 sectors in 3 trials" in text
    assert "read K1 in D1.0, and never write on it: it is irreplaceable" in text
    assert re.search(r"D4\.0 reads it \(works, \d.*When D4\.0 rewrites sectors: (doubtful|fails), ", text)
    narrow = re.search(r"for D1\.0 to read: \w+, ([\d.]+).*; bulk-erased first: \w+, ([\d.]+)", text)
    assert narrow is not None
    assert float(narrow[2]) > 2 * float(narrow[1])


def test_the_shelf_is_whole(shown):
    folder, _ = shown
    shelf = Shelf.open(folder)
    assert shelf.inspect() == []
    assert {found.state for found in check_captures(shelf)} == {"unchanged"}
    assert len(shelf.all(CaptureRecord)) == DEMO_CAPTURES
    assert state_of(folder) == "as made"
    assert [path.name for path in folder.parent.iterdir()] == [folder.name]


def test_again_with_json_it_is_made_anew_and_nothing_is_doubled(shown, capsys):
    folder, _ = shown
    before = tree(folder)
    assert edge.run(["demo", "--folder", str(folder), "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert tree(folder) == before
    assert len(Shelf.open(folder).all(CaptureRecord)) == DEMO_CAPTURES
    assert {(one["element"], one["fault"], one["side"]) for one in told["planted"]} == {
        ("D3.1", "misaligned", None),
        ("D5.0", "dirty-head", 1),
    }
    disks = {one["disk"]: one["recover"] for one in told["disks"]}
    assert disks["K6"]["volume"]["kind"] == "linked"
    assert disks["K6"]["counts"] == {"sound": 683, "mended": 0, "suspect": 0, "lost": 0}
    worn = disks["K13"]["counts"]
    assert worn["mended"] >= 2
    gauges = {(one["mechanism"], one["disk"]): one["gauge"] for one in told["gauges"]}
    assert gauges["D3.1", "K1"] is None
    assert [g["verdict"] for g in gauges["D3.1", "K9"]["gauges"] if g["name"] == "spindle_speed"] == ["works"]
    assert told["causes"]["next"]["mechanism"] == "D5.0" or told["causes"]["next"]["disk"] == "K12"


def test_the_captures_are_those_of_the_seed():
    once, again = next(demo_captures()), next(demo_captures())
    assert (once.capture.read_ticks == again.capture.read_ticks).all()
    assert once.about == again.about


class Stand:
    """A demonstration shelf without captures, which takes long to make: for what concerns only the folder."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.shelf = make_demo_shelf(folder)


@pytest.fixture
def stand(tmp_path, monkeypatch) -> Stand:
    monkeypatch.setattr(demonstration, "demo_captures", lambda: iter(()))
    monkeypatch.setattr(demonstration, "look_over", lambda *_: 1 / 0)
    return Stand(tmp_path / "demo-shelf")


def test_a_shelf_that_was_changed_is_replaced_only_when_said_so(stand, capsys):
    stand.shelf.add(checked(Note, text="the keeper's own"))
    assert state_of(stand.folder) == "changed"
    assert edge.run(["demo", "--folder", str(stand.folder)]) == 2
    assert "was changed. Make it anew? needs an answer; add --yes" in capsys.readouterr().err
    assert [note.text for note in stand.shelf.all(Note)][-1] == "the keeper's own"
    with pytest.raises(ZeroDivisionError):
        edge.run(["demo", "--folder", str(stand.folder), "--yes"])
    assert "the keeper's own" not in [note.text for note in Shelf.open(stand.folder).all(Note)]
    assert state_of(stand.folder) == "as made"


def test_a_file_beside_counts_as_a_change_and_undoing_does_not(stand):
    stand.shelf.update(Disk, "K1", title="other")
    stand.shelf.undo()
    assert state_of(stand.folder) == "as made"
    (stand.folder / "letter.txt").write_text("mine")
    assert state_of(stand.folder) == "changed"


@pytest.mark.parametrize("mark", [None, "", "{}", '{"what": "other"}', "[]", "\udcff"])
def test_a_folder_that_is_not_a_demonstration_is_left_alone(tmp_path, mark, capsys):
    folder = tmp_path / "mine"
    Shelf.open(folder, create=True)
    if mark is not None:
        (folder / MARK).write_text(mark, encoding="utf-8", errors="surrogateescape")
    before = tree(tmp_path)
    assert edge.run(["demo", "--folder", str(folder), "--yes"]) == 2
    told = capsys.readouterr().err
    assert told.endswith("holds something that is not the demonstration shelf; name another folder with --folder\n")
    assert tree(tmp_path) == before


def test_a_file_in_the_way_is_left_alone(tmp_path):
    (tmp_path / "file").write_text("mine")
    with pytest.raises(InputFault, match="not the demonstration shelf"):
        state_of(tmp_path / "file")


def test_an_empty_folder_may_be_used(stand, tmp_path):
    (tmp_path / "empty").mkdir()
    make_demo_shelf(tmp_path / "empty")
    assert state_of(tmp_path / "empty") == "as made"


def test_a_link_to_the_folder_stays_a_link(stand, tmp_path):
    (tmp_path / "link").symlink_to(stand.folder)
    make_demo_shelf(tmp_path / "link")
    assert (tmp_path / "link").is_symlink()
    assert {path.name for path in tmp_path.iterdir()} == {"link", "demo-shelf"}
    assert state_of(stand.folder) == "as made"


def test_where_nothing_can_be_written_one_line_says_so(tmp_path, capsys):
    (tmp_path / "file").write_text("mine")
    assert edge.run(["demo", "--folder", str(tmp_path / "file" / "demo-shelf")]) == 2
    told = capsys.readouterr().err
    assert told.count("\n") == 1
    assert "name another folder with --folder" in told


def test_a_demonstration_that_is_broken_off_leaves_the_old_one(stand, monkeypatch):
    def broken():
        yield from ()
        raise KeyboardInterrupt

    monkeypatch.setattr(demonstration, "demo_captures", broken)
    before = tree(stand.folder.parent)
    with pytest.raises(KeyboardInterrupt):
        make_demo_shelf(stand.folder)
    assert tree(stand.folder.parent) == before
    assert state_of(stand.folder) == "as made"
