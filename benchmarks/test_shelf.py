"""The register at size: 10,000 units and 200,000 trials; search, listings, one thing's page of facts, one more write.

The floor is SQLite itself: the file opened, one row read by its key, the file closed, which every call does at least.
"""

from __future__ import annotations

import random
import re
import sqlite3
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from benchmarks.floors import Table, best_s

from indexhole.model.trials.trial import Trial
from indexhole.shelf.records.additions import Part
from indexhole.shelf.records.entry import Record
from indexhole.shelf.records.records import Disk, Mechanism, Unit, checked
from indexhole.shelf.register.shelf import Shelf
from indexhole.shelf.views.compare_units import compare_units
from indexhole.shelf.views.listing import TrialsOf, state_of, trials_with
from indexhole.shelf.views.timeline import timeline

UNITS, TRIALS, SMALL = 10_000, 200_000, 100
WORDS = re.findall(
    r"\w+",
    """twin single narrow dense grey beige black wooden crane tide pilot customs ferry signal weather harbour quay tower
    office school cellar lid door belt spring board lamp fan plate label noisy quiet dusty clean heavy light short
    long""",
)
GOAL_S = 0.050


def entries(count: int, draw: random.Random) -> Iterator[Record]:
    """Units with their mechanisms, parts and disks."""
    for k in range(count):
        title, origin = (" ".join(draw.sample(WORDS, 4)) for _ in range(2))
        code = f"{draw.randint(76, 92)}{draw.randint(1, 52):02}"
        yield checked(
            Unit, inventory=f"D{k}", kind="drive unit", title=title, origin=origin, maker="Ostrel Werke",
            disk_class="130-48", date_codes=code, acquired_when=str(draw.randint(1980, 2025)),
        )  # fmt: skip
        yield checked(Mechanism, mechanism=f"D{k}.0")
        yield checked(Part, unit=f"D{k}", name="controller", date_code=code)
        if k % 5 == 0:
            yield checked(Disk, inventory=f"K{k}", title=title, disk_class="130-48")


def trials(count: int, units: int, draw: random.Random) -> list[Trial]:
    """Trials all over the shelf; a few hundred of one mechanism."""
    found = []
    for k in range(count):
        unit = 0 if k % 500 == 0 else draw.randrange(units)
        disk = draw.randrange(units) // 5 * 5
        note = " ".join(draw.sample(WORDS, 2)) if k % 10 == 0 else ""
        operation = "write" if k % 4 == 0 else "read"
        where = ("", "", f"D{unit}.0", f"K{disk}", 0, 0, 12)
        found.append(Trial(f"T{k}", "2026-03-01", operation, *where, 117, draw.randint(0, 3), note))
    return found


@pytest.fixture(scope="module")
def large(tmp_path_factory: pytest.TempPathFactory, measuring: bool) -> Shelf:
    """A shelf of that size; a smoke run makes a small one."""
    units, count = (UNITS, TRIALS) if measuring else (SMALL, SMALL)
    draw = random.Random(20260301)
    shelf = Shelf.open(tmp_path_factory.mktemp("large") / "shelf", create=True)
    shelf.add_together(entries(units, draw), "ten thousand units")
    new = trials(count, units, draw)
    for at in range(0, count, 20_000):
        shelf.add_trials(new[at : at + 20_000], f"sheet {at}")
    return shelf


def _median_s(work: Callable[[], object], clock: Callable[[], float], rounds: int = 9) -> float:
    """Middle of several goes."""
    took = []
    for _ in range(rounds):
        begun = clock()
        work()
        took.append(clock() - begun)
    return sorted(took)[rounds // 2]


def _floor(path: Path) -> object:
    connection = sqlite3.connect(path)
    try:
        return connection.execute("SELECT * FROM units WHERE inventory = 'D5'").fetchone()
    finally:
        connection.close()


def _everything(shelf: Shelf, unit: str) -> object:
    names = [mechanism.mechanism for mechanism in shelf.mechanisms_of(unit)]
    return (
        shelf.get_revised(Unit, unit), shelf.history(unit), shelf.notes_on(unit=unit), shelf.confidences_of(Unit, unit),
        shelf.page(Part, unit=unit), shelf.changes(10), shelf.field_history(Unit, unit),
        trials_with(shelf, TrialsOf(mechanisms=names, part=unit), most=100),
    )  # fmt: skip


ASKED: dict[str, tuple[Callable[[Shelf], object], float | None]] = {
    "search, a rare word": (lambda shelf: shelf.search("d4711", most=100), GOAL_S),
    "search, two words": (lambda shelf: shelf.search("tide tower", most=100), GOAL_S),
    "search, a start that a fifth of all begins with": (lambda shelf: shelf.search("d1", most=100), GOAL_S),
    "search, a word that is in every trial": (lambda shelf: shelf.search("read", most=100), GOAL_S),
    "search, nothing found": (lambda shelf: shelf.search("zeppelin", most=100), GOAL_S),
    "search, how many of each kind": (lambda shelf: shelf.search_counts("tide tower"), GOAL_S),
    "a page of 100 units in the middle": (lambda shelf: shelf.page(Unit, first=5000, most=100), GOAL_S),
    "the last 100 trials": (lambda shelf: trials_with(shelf, most=100, sums=False), GOAL_S),
    "how many of each": (
        lambda shelf: (shelf.count(Unit), shelf.count(Disk), trials_with(shelf, most=0).total),
        GOAL_S,
    ),
    "all facts of a unit": (lambda shelf: _everything(shelf, "D0"), 0.100),
    "three units side by side": (lambda shelf: compare_units(shelf, ["D1", "D2", "D3"]), None),
    "timeline by date made": (lambda shelf: timeline(shelf, "made"), None),
    "a number for its state": (state_of, GOAL_S),
    "all trials as records": (lambda shelf: shelf.trials(), None),
}


@pytest.mark.parametrize("what", ASKED)
def test_reading(large: Shelf, table: Table, measuring: bool, what: str) -> None:
    ask, goal_s = ASKED[what]
    assert ask(large) is not None
    if measuring:
        # in the process itself, so other work on the machine does not count
        floor = best_s(lambda: _floor(large.path), 15)
        took = _median_s(lambda: ask(large), time.process_time, 9 if goal_s else 3)
        table.add(f"shelf, {what}", took * 1e3, "ms", most=goal_s and goal_s * 1e3)
        table.add(f"shelf, {what}: time over opening and reading a row", took / floor, "x")


def test_writing(large: Shelf, table: Table, measuring: bool) -> None:
    numbers = iter(range(1000))

    def one_more() -> None:
        k = next(numbers)
        large.add_trials([Trial(f"X{k}", "2026-03-02", "read", "", "", "D7.0", "K5", 0, 0, 12, 117, 0, "one more")])

    one_more()
    assert large.search("x0")[-1].key == "X0"
    if measuring:
        table.add("shelf, one trial more", _median_s(one_more, time.process_time) * 1e3, "ms", most=100)
