"""Every page over a shelf of 10,000 units and 200,000 trials: what the server takes to answer, against an empty page.

The floor is the address that shows nothing of the shelf: what framework, guard and template take at least. Each page
is asked for twice after a change of the shelf: the first answer can use nothing that was made ready before. Weighing,
levelling and pairing so much is work of minutes behind the page: of those pages the answer is timed that says so, and
the work itself is not begun.
"""

from __future__ import annotations

import random
import time
from collections.abc import Callable, Iterable, Iterator
from dataclasses import asdict, dataclass
from pathlib import Path

import httpx
import psycopg
import pytest
from benchmarks.floors import Table
from sqlalchemy import insert
from tests.support import postgres_server
from tests.support.apart import run_apart

from indexhole.model.trials.trial import Trial
from indexhole.shelf.records.additions import Part
from indexhole.shelf.records.entry import Record
from indexhole.shelf.records.records import Disk, Mechanism, Unit, checked
from indexhole.shelf.register.database import transaction
from indexhole.shelf.register.shelf import Shelf
from indexhole.shelf.register.tables import TABLES, trials
from indexhole.web.app import create_app
from indexhole.web.serving.job_queue import JobQueue

UNITS, TRIALS, SMALL, HOSTS = 10_000, 200_000, 60, 20
GOAL_MS, SEARCH_MS, ROUNDS, HERE = 100.0, 50.0, 7, "http://127.0.0.1:8360"
PAGES = {
    "the Shelf": "/",
    "the Shelf, far down": "/?units=150&disks=30",
    "a unit": "/unit?no=D7",
    "a unit with many trials": "/unit?no=D0",
    "a host with a twentieth of all trials": "/unit?no=H1",
    "a disk": "/disk?no=K5",
    "changing a unit": "/unit/edit?no=D7",
    "changing a disk": "/disk/edit?no=K5",
    "adding a unit": "/unit/new",
    "adding a part": "/part/new?unit=D7",
    "adding photos": "/photo/new?unit=D7",
    "the Bench": "/bench",
    "the Bench, far down": "/bench?page=3000",
    "the Bench, one drive": "/bench?with_=D0",
    "taking something in": "/take-in?line=dual+130+mm+drive,+given+1998",
    "spreadsheets": "/import",
    "the timeline, by date made": "/timeline",
    "the timeline, by date acquired": "/timeline?by=acquired&page=40",
    "the timeline, by date recorded": "/timeline?by=recorded&page=9",
    "side by side": "/compare?unit=D1&unit=D2&unit=D3",
    "the recordings": "/recordings",
    "the trial sheet": "/causes/trials",
    "the trial sheet at a trial": "/causes/trials?at=T777",
    "the show plan": "/pairing/plan",
    "a label": "/label?unit=D7",
    "the API told": "/api",
    "API: units": "/api/units?first=5000",
    "API: trials": "/api/trials?first=199900",
    "API: timeline": "/api/timeline?first=5000",
    "API: changes": "/api/changes",
    "Fault-finding, weighing": "/causes",
    "the network, levelling": "/causes/network",
    "Pairing, gathering": "/pairing",
}
SEARCHES = {
    "two words": "/?words=tide+tower",
    "a start that a fifth of all begins with": "/?words=d1",
    "a word that is in every trial": "/?words=read",
    "a rare word": "/?words=d4711",
    "nothing found": "/?words=zeppelin",
    "that start, among trials": "/?words=d1&kind=trial",
    "API, two words": "/api/search?words=tide+tower",
}


@dataclass(frozen=True)
class Large:
    """A large shelf behind a page, and the clock its answers are timed by."""

    shelf: Shelf
    client: httpx.AsyncClient
    clock: Callable[[], float]
    on: str


def records(count: int, draw: random.Random) -> Iterator[Record]:
    """Units with a mechanism each, a dated part to every third and a disk to every fifth; hosts and leads."""
    words = [
        "twin", "single", "grey", "black", "wooden", "crane", "tide", "pilot", "signal", "harbour", "quay", "tower",
    ]  # fmt: skip
    for k in range(HOSTS):
        yield checked(Unit, inventory=f"H{k}", kind="host", title=" ".join(draw.sample(words, 2)))
        yield checked(Unit, inventory=f"L{k}", kind="lead")
    for k in range(count):
        title = " ".join(draw.sample(words, 3))
        when, made = str(draw.randint(1980, 2025)), draw.choice(("", f"about {draw.randint(1976, 1990)}"))
        code = f"{draw.randint(76, 92)}{draw.randint(1, 52):02}"
        yield checked(
            Unit, inventory=f"D{k}", kind="drive unit", title=title, maker="Ostrel Werke", disk_class="130-48",
            acquired_when=when, made=made, date_codes=code,
        )  # fmt: skip
        yield checked(Mechanism, mechanism=f"D{k}.0")
        if k % 3 == 0:
            yield checked(Part, part=f"P{k + 1}", unit=f"D{k}", name="controller", date_code=code)
        if k % 5 == 0:
            yield checked(Disk, inventory=f"K{k}", title=title, disk_class="130-48", recorded_when=when)


def made_trials(count: int, units: int, draw: random.Random) -> list[Trial]:
    """Trials all over the shelf, a quarter of them writing; one in five hundred is of one mechanism."""
    found = []
    for k in range(count):
        unit = 0 if k % 500 == 0 else draw.randrange(units)
        over = (f"H{draw.randrange(HOSTS)}", f"L{draw.randrange(HOSTS)}")
        where = (*over, f"D{unit}.0", f"K{draw.randrange(units) // 5 * 5}", 0, 0, 12)
        found.append(
            Trial(f"T{k}", "2026-03-01", "write" if k % 4 == 0 else "read", *where, 117, draw.randint(0, 3), "")
        )
    return found


def _fill(shelf: Shelf, measuring: bool) -> None:
    """Put the rows in directly: what entering them takes is measured elsewhere."""
    units, count = (UNITS, TRIALS) if measuring else (SMALL, SMALL)
    draw = random.Random(20260401)
    held = list(records(units, draw))
    with transaction(shelf._engine, writing=True, where=shelf.where) as connection:
        for kind in (Unit, Mechanism, Part, Disk):
            connection.execute(insert(TABLES[kind]), [r.model_dump() for r in held if isinstance(r, kind)])
        connection.execute(insert(trials), [asdict(trial) for trial in made_trials(count, units, draw)])
    shelf.rebuild_search()


@pytest.fixture(autouse=True)
def nothing_behind_the_page(monkeypatch: pytest.MonkeyPatch) -> None:
    """Let no work go on behind the page: it would slow down all that is asked later."""
    monkeypatch.setattr(JobQueue, "_do", lambda job_queue, task, job: None)


@pytest.fixture(scope="module", params=["SQLite", pytest.param("PostgreSQL", marks=pytest.mark.postgres)])
def large(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory, measuring: bool) -> Iterator[Large]:
    """Such a shelf in a file of its own, and as a shared register; a smoke run makes a small one."""
    folder = tmp_path_factory.mktemp("large")
    if request.param == "SQLite":
        # time of the processor, of all threads: other work on the machine must not count
        shelf = Shelf.open(folder / "shelf", create=True)
        _fill(shelf, measuring)
        yield _opened(shelf, time.process_time, request.param)
        return
    if missing := postgres_server.missing():
        pytest.fail(f"the pages of a shared register cannot be measured: {missing}")
    with postgres_server.server() as start:
        (folder / "files").mkdir()
        with psycopg.connect(f"{start}postgres", autocommit=True) as connection:
            connection.execute("ALTER SYSTEM SET max_parallel_workers_per_gather = 0")
            connection.execute("SELECT pg_reload_conf()")
        shelf = Shelf.open(f"{start}postgres?files={folder / 'files'}", create=True, keep=True)
        _fill(shelf, measuring)
        with psycopg.connect(f"{start}postgres", autocommit=True) as connection:
            # what the server does by itself soon after so much is put in
            connection.execute("VACUUM ANALYZE")
            yield _opened(shelf, _with_server(connection.info.backend_pid), request.param)
        shelf.close()


def _opened(shelf: Shelf, clock: Callable[[], float], on: str) -> Large:
    transport = httpx.ASGITransport(app=create_app(shelf))
    return Large(shelf, httpx.AsyncClient(transport=transport, base_url=HERE), clock, on)


def _with_server(backend: int) -> Callable[[], float]:
    """Processor time of this process and of all the server's that stand, by one of those; Linux tells it.

    The database does not work in parallel here: what such helpers took is gone when they have ended.
    """
    server = Path(f"/proc/{backend}/stat").read_text().rpartition(")")[2].split()[1]
    children = Path(f"/proc/{server}/task/{server}/children")

    def seconds() -> float:
        held = (Path(f"/proc/{process}/schedstat") for process in children.read_text().split())
        return time.process_time() + sum(int(told.read_text().split()[0]) for told in held if told.exists()) / 1e9

    return seconds


async def _answer_ms(large: Large, path: str) -> float:
    begun = large.clock()
    answer = await large.client.get(path)
    took = 1e3 * (large.clock() - begun)
    assert answer.status_code in (200, 404), (path, answer.status_code)
    return took


async def _medians_ms(large: Large, path: str, rounds: int) -> tuple[float, float]:
    """Middle of several answers right after a change of the shelf, and of as many after those."""
    first, again = [], []
    for k in range(rounds):
        large.shelf.update(Unit, "D9", state=f"{path} {k}")
        first.append(await _answer_ms(large, path))
        again.append(await _answer_ms(large, path))
    return _middle(first), _middle(again)


def _middle(took: Iterable[float]) -> float:
    held = sorted(took)
    return held[len(held) // 2]


@pytest.mark.parametrize("what", [*PAGES, *SEARCHES])
def test_a_page_of_a_large_shelf(large: Large, table: Table, measuring: bool, what: str) -> None:
    path, goal_ms = (PAGES[what], GOAL_MS) if what in PAGES else (SEARCHES[what], SEARCH_MS)
    called = what if what in PAGES else f"searching, {what}"
    rounds = ROUNDS if measuring else 1
    floor_ms = run_apart(_medians_ms(large, "/nowhere", 3))[1]
    first_ms, again_ms = run_apart(_medians_ms(large, path, rounds))
    if measuring:
        table.add(f"{large.on}: {called}, first after a change", first_ms, "ms", most=goal_ms)
        table.add(f"{large.on}: {called}", again_ms, "ms", most=goal_ms)
        table.add(f"  against an empty page: {called}", again_ms / floor_ms, "x")
