"""`indexhole pair`: one pairing, the matrix and a plan, in words and as JSON; bad input is one line and 2."""

from __future__ import annotations

import json
import re
import shutil
import subprocess
import sys
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from indexhole.cli import main as edge
from indexhole.jobs.demo.shelf import demo_trials
from indexhole.jobs.demo.things import demo_records
from indexhole.model.simulator.simulate import Reader, format_track, read_track
from indexhole.model.suited import sound_mechanism
from indexhole.shelf.care.captures import store_capture
from indexhole.shelf.register.shelf import Shelf
from indexhole.signal.simulated import capture_of
from indexhole.standards.layouts import load_layouts

PLAN = "step,operation,mechanism,disk\n1,read,D1.0,K1\n2,write,D1.0,K3\n"


@pytest.fixture(autouse=True, scope="module")
def own_cache(tmp_path_factory: pytest.TempPathFactory) -> Iterator[None]:
    """Keep weighed evidence out of the user's own cache."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("XDG_CACHE_HOME", str(tmp_path_factory.mktemp("cache")))
        yield


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The things of the demonstration shelf, and its first trials."""
    place = tmp_path_factory.mktemp("pair") / "shelf"
    shelf = Shelf.open(place, create=True)
    shelf.add_together(demo_records(), "the demonstration")
    shelf.add_trials(demo_trials(operations=8))
    return place


def ran(capsys, folder: Path, *arguments: object, status: int = 0) -> str:
    capsys.readouterr()
    assert edge.run(["pair", "--shelf", str(folder), *map(str, arguments)]) == status
    told = capsys.readouterr()
    if status == 2:
        assert told.out == ""
        assert len(told.err.splitlines()) == 1
        return told.err
    assert told.err == ""
    return told.out


def test_one_pairing_in_words_with_a_bar_a_term(capsys, folder):
    out = ran(capsys, folder, "--disk", "K3", "--reader", "D2.0")
    assert out.startswith("D2.0 reads K3, recorded by a good outside drive, as 130-48-mfm-9x512\n")
    assert "Risk to the disk: never write on it" in out
    bars = [line for line in out.splitlines() if "|" in line]
    assert len(bars) == 7
    assert all(len(line.split("|")[1]) == 30 and set(line.split("|")[1]) <= {"#", "."} for line in bars)
    assert all(len(line) <= 100 for line in out.splitlines())


def test_one_pairing_as_json(capsys, folder):
    told = json.loads(ran(capsys, folder, "--disk", "K12", "--reader", "D1.0", "--json"))
    assert (told["verdict"], told["limiting"], told["chance"]) == ("fails", "fit", 0.0)
    assert sum(term["cost"] for term in told["terms"]) == pytest.approx(1.0)


def test_a_writer_named_makes_it_an_exchange(capsys, folder):
    out = ran(capsys, folder, "--writer", "D1.0", "--reader", "D2.0")
    assert out.startswith("D1.0 records an unrecorded disk, D2.0 reads it, as 130-48-mfm-9x512\n")


def test_the_same_question_has_the_same_answer(capsys, folder):
    asked = ("--disk", "K3", "--reader", "D4.0", "--temperature", 24, "--humidity", 40, "--json")
    assert ran(capsys, folder, *asked) == ran(capsys, folder, *asked)


def test_recordings_tell_of_speeds_when_asked(capsys, folder, tmp_path):
    own = tmp_path / "own"
    shutil.copytree(folder, own)
    layout = load_layouts()["90-mfm-9x512"]
    rng = np.random.default_rng(5)
    zone = layout.zone(3, 0)
    data = {number: rng.bytes(zone.sector_bytes) for number in zone.sector_ids}
    track = format_track(layout, 3, 0, data, rng)
    fast = Reader(replace(sound_mechanism(layout), speed_ratio=1.012))
    capture = capture_of(read_track(track, rng, fast, revolutions=5), "t.vcd")
    shelf = Shelf.open(own)
    store_capture(shelf, None, capture, disk="K20", mechanism="D7.0")
    asked = ("--disk", "K20", "--reader", "D7.0", "--json")
    before = json.loads(ran(capsys, own, *asked))["evidence"]
    after = json.loads(ran(capsys, own, *asked, "--recordings"))["evidence"]
    assert not any("gauged speed" in words for words in before)
    (told,) = [words for words in after if words.startswith("D7.0")]
    assert re.search(r"speed \+1\.[012]", told), told
    assert "gauged speed 303" in told or "gauged speed 304" in told


def test_the_matrix_of_one_class_names_what_goes_in(capsys, folder):
    out = ran(capsys, folder, "--disk", "K22")
    assert "200: disks by readers" in out
    assert "they do not go into D1.0, D1.1, " in out
    told = json.loads(ran(capsys, folder, "--disk", "K22", "--json"))
    assert {cell["row"] for cell in told["cells"]} == {"K22"}
    assert len(told["cells"]) == 10


def test_a_plan_that_needs_attention_ends_in_one(capsys, folder, tmp_path):
    plan = tmp_path / "plan.csv"
    plan.write_text(PLAN)
    asked = ("--plan", plan, "--months", 6, "--on", "2026-04-01")
    out = ran(capsys, folder, *asked, status=1)
    assert "! Step 2: D1.0 rewrites sectors of K3" in out
    assert "it would write on K3, which is irreplaceable" in out
    told = json.loads(ran(capsys, folder, *asked, "--json", status=1))
    assert (told["months"], told["today"]) == (6, "2026-04-01")
    assert told["steps"][0]["proven"]["when"] == "2026-02-16"


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (("--disk", "K99", "--reader", "D1.0"), "there is no disk K99"),
        (("--disk", "K99"), "there is no disk K99"),
        (("--operation", "burn"), "'burn' is no operation"),
        (("--temperature", "900"), "temperature_c must be from"),
        (("--temperature", "warm"), "temperature"),
        (("--layout", "none-such"), "is no layout"),
        (("--host", "H9"), "there is no host H9"),
        (("--plan", "absent.csv"), "cannot be read"),
        (("--plan", "absent.csv", "--disk", "K1"), "leave out the other options"),
        (("--plan", "absent.csv", "--on", "soon"), "soon"),
    ],
)
def test_bad_input_is_one_line_and_two(capsys, folder, arguments, words):
    assert words in ran(capsys, folder, *arguments, status=2)


def test_a_shelf_that_is_not_there_is_told(capsys, tmp_path):
    assert "indexhole: " in ran(capsys, tmp_path / "nowhere", status=2)


def test_the_help_loads_nothing_heavy():
    looked = (
        "import sys; from indexhole.cli.main import run; run(['pair', '--help']); "
        "sys.stderr.write(' '.join(m for m in ('numpy', 'numba', 'scipy', 'sqlalchemy') if m in sys.modules))"
    )
    ended = subprocess.run([sys.executable, "-c", looked], capture_output=True, text=True, check=True)
    assert ended.stderr == ""
