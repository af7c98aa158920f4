"""A program killed with SIGKILL at any moment: the shelf opens, is sound, and holds all that was said to be kept.

Hundreds of lives, of every command that writes, each killed at a step of its writing or at a moment that is drawn. A
kill takes away the program, not what the kernel holds: that a loss of power takes nothing either rests on SQLite's
journal, synchronous=EXTRA and files that are synced before their rows are kept, and is not tried here.
"""

from __future__ import annotations

import json
import os
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import psycopg
import pytest
from openpyxl import load_workbook
from tests.support import postgres_server
from tests.support.afterwards import faults_of, marks_in, strays, unfinished
from tests.support.mortal import LOOKS, Mortal, lives
from tests.support.mortal_apart import Apart
from tests.support.stress import capture_file, furnish, photo_file

from indexhole.cli import main as edge
from indexhole.shelf.exchange.backup import check_backup
from indexhole.shelf.register.shelf import Shelf
from indexhole.shelf.sheets.sheet import read_sheet

SEED = 20260301
KILLS, KILLS_SHARED = 500, 40
# these write nothing that anybody keeps; what `serve` writes it writes by what its page is sent, and that is tried
NO_WRITING = {
    "list",
    "show",
    "search",
    "compare",
    "timeline",
    "history",
    "check",
    "gauge",
    "pair",
    "causes",
    "level",
    "serve",
}
EVERY = 8  # so many lives go by between two reckonings
SELDOM = 4  # what takes long is played in one round of so many


def test_nothing_that_was_said_to_be_kept_is_lost(tmp_path):
    with _mortal(tmp_path, str(tmp_path / "shelf")) as mortal:
        apart = Apart(mortal, tmp_path)
        _kill(mortal, KILLS, apart)
        _expect_kills(mortal, KILLS)
        assert _writing_commands() <= set(+mortal.amid)


@pytest.mark.postgres
def test_nothing_is_lost_from_a_shared_register(tmp_path):
    with postgres_server.server() as start:
        with psycopg.connect(f"{start}postgres", autocommit=True) as connection:
            connection.execute("CREATE DATABASE shelf")
        with _mortal(tmp_path, f"{start}shelf?files={tmp_path / 'shelf'}") as mortal:
            _kill(mortal, KILLS_SHARED)
            _expect_kills(mortal, KILLS_SHARED)


@contextmanager
def _mortal(folder: Path, place: str) -> Iterator[Mortal]:
    """One that types at a furnished shelf."""
    furnish(Shelf.open(place, create=True))
    (folder / "pool").mkdir()
    for number in range(3):
        capture_file(folder / "pool" / f"{number}.vcd", number)
        photo_file(folder / "pool" / f"{number}.jpg", number)
    environment = {**os.environ, "XDG_CACHE_HOME": str(folder / "cache"), "OMP_NUM_THREADS": "1"}
    with lives(folder, environment) as server:
        yield Mortal(SEED, place, folder, server)


def _kill(mortal: Mortal, kills: int, apart: Apart | None = None) -> None:
    """Play all verbs in an order that is drawn, again and again, until so many were killed."""
    number = rounds = 0
    while sum(mortal.phases.values()) < kills:
        plays = [verb for verb in mortal.plays if verb not in LOOKS and (rounds % 2 or not verb.startswith("send"))]
        if apart:
            plays += [*apart.often, *(apart.seldom if rounds % SELDOM == 1 else ())]
        for verb in mortal.draw.sample(plays, len(plays)):
            number += 1
            if verb in mortal.plays:
                mortal.play(verb, number)
            elif apart:
                mortal.odd += apart.play(verb, f"{mortal.name}-{number:04}")
            if number % EVERY == 0:
                _expect_whole(mortal)
        rounds += 1
    _expect_whole(mortal)
    _expect_swept(mortal)


def _expect_whole(mortal: Mortal) -> None:
    """All that was said is there, and nothing is half written, but for files in the making under their own names."""
    shelf = Shelf.open(mortal.shelf)
    faults = [*faults_of(shelf, mortal.said), *mortal.odd]
    assert not faults, "\n".join([f"seed {SEED}, after {len(mortal.said)} lives:", *faults[:20]])
    for ending, read in _READ.items():
        if (file := mortal.out(ending)).exists():
            read(file)


def _expect_swept(mortal: Mortal) -> None:
    """What killed commands left in the making is told by a check when it is a minute old, and removed by a sweep."""
    shelf = Shelf.open(mortal.shelf)
    # one more, killed with its file written and no entry yet: there is something to sweep in any case
    words = ["add", "photo", mortal.pool(".jpg"), "--unit", "D0"]
    assert mortal.server.live(["shelf", *words, "--shelf", mortal.shelf], ["step", 3])["phase"] == "amid"
    left = unfinished(shelf.folder)
    assert left
    for path in left:
        os.utime(shelf.folder / path, (0, 0))
    named = strays(shelf)
    checked = mortal.ask("check", "--json")
    assert set(left) <= set(checked["unfinished"])
    assert named == set(checked["strays"])
    assert checked["sound"]
    assert set(left) <= set(mortal.ask("sweep", "--json")["removed"])
    assert unfinished(shelf.folder) == []
    assert mortal.ask("check", "--json")["unfinished"] == []
    assert faults_of(shelf, mortal.said) == []


_READ = {
    ".backup": check_backup,
    ".csv": read_sheet,
    ".xlsx": lambda path: load_workbook(path, read_only=True).close(),
    ".jsonld": lambda path: json.loads(path.read_text(encoding="utf-8")),
}


def _expect_kills(mortal: Mortal, kills: int) -> None:
    """So many were killed, and often enough amid their writing: before it was kept, and after."""
    phases = mortal.phases
    unsaid = {one.mark for one in mortal.said if one.made == "perhaps"}
    kept = unsaid & marks_in(Shelf.open(mortal.shelf))
    told = f"{dict(phases)}, of them kept without a word {len(kept)} of {len(unsaid)}; amid {dict(mortal.amid)}"
    assert sum(phases.values()) >= kills, told
    assert phases["amid"] >= kills * 0.5, told
    assert phases["before"] >= kills * 0.02, told
    assert phases["after"] >= kills * 0.05, told
    assert len(kept) >= kills * 0.01, told
    print(told)


def _writing_commands() -> set[str]:
    """Every command there is, but for those that write nothing."""
    shelf = edge.load("shelf")
    named = {verb for verb in edge.VERBS if verb != "shelf"}
    named |= {name for name in shelf.commands if name != "add"}
    named |= {f"add {name}" for name in shelf.commands["add"].commands}
    return named - NO_WRITING
