"""Every page over a shelf of 10,000 units and 200,000 trials: what the server takes to answer, against an empty page.

The floor is the address that shows nothing of the shelf: what framework, guard and template take at least.
"""

from __future__ import annotations

import asyncio
import random
import sqlite3
import time
from collections.abc import Iterator
from dataclasses import asdict
from typing import Any

import httpx
import pytest
from benchmarks.floors import Table

from indexhole.model.trial import Trial
from indexhole.shelf.records import Disk, Mechanism, Record, Unit, checked
from indexhole.shelf.register import Shelf
from indexhole.shelf.tables import TABLES
from indexhole.web.app import create_app

UNITS, TRIALS, SMALL = 10_000, 200_000, 60
GOAL_MS, ROUNDS, HERE = 100.0, 9, "http://127.0.0.1:8360"
PAGES = {
    "the Shelf": "/",
    "the Shelf, far down": "/?units=150&disks=30",
    "a search": "/?words=tide+tower",
    "a unit": "/unit?no=D7",
    "a unit with many trials": "/unit?no=D0",
    "a disk": "/disk?no=K5",
    "changing a unit": "/unit/edit?no=D7",
    "the Bench": "/bench",
    "the Bench, far down": "/bench?page=3000",
    "the Bench, one drive": "/bench?with_=D0",
    "taking something in": "/take-in?line=dual+130+mm+drive,+given+1998",
    "the timeline": "/timeline?by=acquired&page=40",
    "side by side": "/compare?unit=D1&unit=D2&unit=D3",
    "the recordings": "/recordings",
    "the trial sheet": "/causes/trials",
    "the trial sheet at a trial": "/causes/trials?at=T777",
    "a label": "/label?unit=D7",
    "API: units": "/api/units?first=5000",
    "API: trials": "/api/trials?first=5000",
    "API: search": "/api/search?words=tide+tower",
}


def records(count: int, draw: random.Random) -> Iterator[Record]:
    """Units with a mechanism each, and a disk to every five."""
    words = [
        "twin",
        "single",
        "grey",
        "black",
        "wooden",
        "crane",
        "tide",
        "pilot",
        "signal",
        "harbour",
        "quay",
        "tower",
    ]
    for k in range(count):
        title = " ".join(draw.sample(words, 3))
        when = str(draw.randint(1980, 2025))
        yield checked(Unit, inventory=f"D{k}", kind="drive unit", title=title, maker="Ostrel Werke", acquired_when=when)
        yield checked(Mechanism, mechanism=f"D{k}.0")
        if k % 5 == 0:
            yield checked(Disk, inventory=f"K{k}", title=title, disk_class="130-48")


def trials(count: int, units: int, draw: random.Random) -> list[Trial]:
    """Trials all over the shelf; one in five hundred is of one mechanism."""
    found = []
    for k in range(count):
        unit = 0 if k % 500 == 0 else draw.randrange(units)
        where = ("", "", f"D{unit}.0", f"K{draw.randrange(units) // 5 * 5}", 0, 0, 12)
        found.append(Trial(f"T{k}", "2026-03-01", "read", *where, 117, draw.randint(0, 3), ""))
    return found


def _insert(connection: sqlite3.Connection, table: str, rows: list[dict[str, Any]]) -> None:
    names = list(rows[0])
    columns, marks = ", ".join(f'"{name}"' for name in names), ", ".join("?" * len(names))
    connection.executemany(f'INSERT INTO "{table}" ({columns}) VALUES ({marks})', [tuple(r.values()) for r in rows])


@pytest.fixture(scope="module")
def client(tmp_path_factory: pytest.TempPathFactory, measuring: bool) -> Iterator[httpx.AsyncClient]:
    """A client of the page over such a shelf; a smoke run makes a small one."""
    units, count = (UNITS, TRIALS) if measuring else (SMALL, SMALL)
    draw = random.Random(20260401)
    shelf = Shelf.open(tmp_path_factory.mktemp("large") / "shelf", create=True)
    # rows are put in directly: what entering them takes is measured elsewhere
    held = list(records(units, draw))
    with sqlite3.connect(shelf.path) as connection:
        for kind in (Unit, Mechanism, Disk):
            _insert(connection, TABLES[kind].name, [r.model_dump() for r in held if isinstance(r, kind)])
        rows = [{**asdict(trial), "host": None, "lead": None} for trial in trials(count, units, draw)]
        _insert(connection, "trials", rows)
    connection.close()
    shelf.rebuild_search()
    yield httpx.AsyncClient(transport=httpx.ASGITransport(app=create_app(shelf)), base_url=HERE)


def _median_ms(client: httpx.AsyncClient, path: str, rounds: int) -> float:
    """Middle of several answers, in milliseconds of processor time of all threads: other work must not count."""

    async def ask() -> list[float]:
        took = []
        for _ in range(rounds):
            begun = time.process_time()
            answer = await client.get(path)
            took.append(1e3 * (time.process_time() - begun))
            assert answer.status_code in (200, 202, 404), (path, answer.status_code)
        return took

    return sorted(asyncio.run(ask()))[rounds // 2]


@pytest.mark.parametrize("what", PAGES)
def test_a_page_of_a_large_shelf(client: httpx.AsyncClient, table: Table, measuring: bool, what: str) -> None:
    rounds = ROUNDS if measuring else 1
    floor_ms = _median_ms(client, "/nowhere", rounds)
    page_ms = _median_ms(client, PAGES[what], rounds)
    if measuring:
        table.add(f"page, large shelf: {what}", page_ms, "ms", most=GOAL_MS)
        table.add(f"  against an empty page: {what}", page_ms / floor_ms, "x")
