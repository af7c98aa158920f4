"""Fixtures of the benchmarks, and the table at the end. Nothing here fails for being slow."""

from __future__ import annotations

import pytest
from benchmarks.floors import Row, Table

_ROWS = pytest.StashKey[list[Row]]()


def pytest_configure(config: pytest.Config) -> None:
    """Begin an empty table."""
    config.stash[_ROWS] = []


@pytest.fixture(scope="session")
def table(request: pytest.FixtureRequest) -> Table:
    """The table of this run."""
    return Table(request.config.stash[_ROWS])


@pytest.fixture(scope="session")
def measuring(request: pytest.FixtureRequest) -> bool:
    """Whether this run measures; a smoke run (`--benchmark-disable`) takes small inputs."""
    return not request.config.getoption("benchmark_disable")


def pytest_terminal_summary(terminalreporter: pytest.TerminalReporter, config: pytest.Config) -> None:
    """Print the table."""
    rows = [("what", "measured", "goal", "met"), *((r.what, r.measured, r.goal, r.met) for r in config.stash[_ROWS])]
    if len(rows) == 1:
        return
    widths = [max(len(row[k]) for row in rows) for k in range(4)]
    terminalreporter.write_line("")
    for row in rows:
        terminalreporter.write_line(
            "  ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True)).rstrip()
        )
