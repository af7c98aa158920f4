"""What a slider of the Pairing page waits for: the answer as the browser gets it, and the whole matrix of a shelf."""

from __future__ import annotations

import time

import pytest
from benchmarks.floors import Table

from indexhole.jobs.demo.shelf import demo_trials
from indexhole.jobs.demo.things import demo_records
from indexhole.jobs.pairing.asking import Question
from indexhole.jobs.pairing.evidence import Evidence, evidence_of
from indexhole.jobs.pairing.matrix import whole_matrix
from indexhole.jobs.pairing.stock import Stock, stock_of
from indexhole.shelf.register.shelf import Shelf
from indexhole.web.drawing.view import Page, render
from indexhole.web.pages.pairing.pairing_routes import hurried
from indexhole.web.serving.site import Site

# other work on the machine must not count
pytestmark = pytest.mark.benchmark(timer=time.process_time)


@pytest.fixture(scope="module")
def site(tmp_path_factory: pytest.TempPathFactory, measuring: bool) -> Site:
    """The things of the demonstration shelf with its trials."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("XDG_CACHE_HOME", str(tmp_path_factory.mktemp("cache")))
        shelf = Shelf.open(tmp_path_factory.mktemp("pairing") / "shelf", create=True)
        shelf.add_together(demo_records(), "the demonstration")
        shelf.add_trials(demo_trials(operations=37 if measuring else 4))
        made = Site(shelf, 1 << 20)
        # the evidence is weighed before a slider can be moved
        hurried(made, {"disk": "K3", "reader": "D4.0"})
    return made


@pytest.fixture(scope="module")
def weighed(site: Site, tmp_path_factory: pytest.TempPathFactory) -> tuple[Stock, Evidence]:
    """The shelf's stock and evidence."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("XDG_CACHE_HOME", str(tmp_path_factory.mktemp("cache")))
        stock = stock_of(site.shelf)
        return stock, evidence_of(site.shelf, stock)


@pytest.mark.parametrize("operation", ["read", "update"])
def test_a_slider(benchmark, table: Table, measuring: bool, site: Site, operation: str) -> None:
    moved = iter(range(1, 10_000))

    def answer() -> bytes:
        values = {"disk": "K10", "reader": "D4.0", "operation": operation, "offset_um": str(next(moved) % 90)}
        return bytes(render("pairing_fragment.html", Page(title=""), answer=hurried(site, values)).body)

    told = benchmark.pedantic(answer, rounds=15, warmup_rounds=2 if measuring else 0)
    assert b"What takes the chance away" in told
    if measuring:
        table.add(f"a slider of the Pairing page, {operation}", 1e3 * benchmark.stats.stats.median, "ms", most=200)


def test_the_matrix(benchmark, table: Table, measuring: bool, weighed: tuple[Stock, Evidence]) -> None:
    told = benchmark.pedantic(whole_matrix, (*weighed, Question()), rounds=3, warmup_rounds=1 if measuring else 0)
    assert len(told.cells) == 250
    if measuring:
        table.add("the matrix of the demonstration shelf, 250 pairings", benchmark.stats.stats.min, "s")
