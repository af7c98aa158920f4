"""Shared fixtures: where the captures and trial sheets with known truth live, and one line when they do not."""

from __future__ import annotations

import os
import signal
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import platformdirs
import pytest
from hypothesis import HealthCheck, settings
from tests.support import durations, postgres_server, traced
from tests.support.browsing import browser, files, served

__all__ = ["browser", "files", "served"]

# how long an example takes says nothing on a busy machine, and the first of them also loads what it needs
settings.register_profile("indexhole", deadline=None, suppress_health_check=[HealthCheck.too_slow])
settings.load_profile("indexhole")

_SHARED = Path(os.environ.get("INDEXHOLE_SHARED", Path(__file__).resolve().parents[2] / "shared"))


def pytest_addoption(parser: pytest.Parser) -> None:
    """Which tests to run by how long they took, and whether to record that."""
    parser.addoption("--quick", action="store_true", help="leave out tests that the record of durations calls slow")
    parser.addoption("--record-durations", action="store_true", help="write how long each test took into the record")


def pytest_configure(config: pytest.Config) -> None:
    """Let Ctrl-C be heard by processes the tests start: a shell's background job, as on a build server, ignores it."""
    if signal.getsignal(signal.SIGINT) is signal.SIG_IGN:
        signal.signal(signal.SIGINT, signal.default_int_handler)
    if config.getoption("record_durations") and not hasattr(config, "workerinput"):
        config.pluginmanager.register(_Recorder(durations.Durations()))


class _Recorder:
    """Hears how long each test took, from the workers too."""

    def __init__(self, timed: durations.Durations) -> None:
        self._timed = timed

    def pytest_runtest_logreport(self, report: pytest.TestReport) -> None:
        self._timed.add(report.nodeid, report.when, report.duration)

    def pytest_sessionfinish(self) -> None:
        self._timed.write()


def _lacking() -> dict[str, str]:
    """Groups of tests that cannot run here, by marker, with what is left out and why."""
    samples = (_SHARED / "captures" / "truth.json").is_file()
    return {
        "shared": "" if samples else f"of the shared samples left out: no folder {_SHARED.name}/ beside the project",
        "pictures": ""
        if "INDEXHOLE_PICTURES" in os.environ
        else "of pictures left out: INDEXHOLE_PICTURES names no folder",
        "postgres": f"of a shared register left out: {why}" if (why := postgres_server.missing()) else "",
        "traced": f"of the order of system calls left out: {why}" if (why := traced.missing()) else "",
    }


def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    """Leave out what cannot run here, and what is slow when asked, each in one plain line; the browser comes last."""
    recorded = durations.read()
    slow = {item for item in items if recorded.slow(item)} if config.getoption("quick") else set()
    if slow:
        items[:] = [item for item in items if item not in slow]
        config.hook.pytest_deselected(items=list(slow))
        config.stash[_NOTES] = [f"{len(slow)} slow tests left out; `make test` runs them"]
    for marker, why in _lacking().items():
        left_out = [item for item in items if why and item.get_closest_marker(marker)]
        if left_out:
            items[:] = [item for item in items if not item.get_closest_marker(marker)]
            config.hook.pytest_deselected(items=left_out)
            config.stash[_NOTES] = [*config.stash.get(_NOTES, []), f"{len(left_out)} tests {why}"]
    items[:] = [items[k] for k in durations.longest_first(items, recorded)]
    # The browser's driver keeps an event loop running in this thread until the end, and nothing else may start one.
    items.sort(key=lambda item: "browser" in getattr(item, "fixturenames", ()))


@pytest.fixture(autouse=True, scope="session")
def own_cache_folder(tmp_path_factory: pytest.TempPathFactory) -> Iterator[None]:
    """Keep derived results out of the user's own cache, also where a test names no folder for them."""
    real, folder = platformdirs.user_cache_path, tmp_path_factory.mktemp("cache")

    def user_cache_path(*given: Any, **more: Any) -> Path:
        return real(*given, **more) if "XDG_CACHE_HOME" in os.environ else folder

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(platformdirs, "user_cache_path", user_cache_path)
        yield


_NOTES = pytest.StashKey[list[str]]()


def pytest_sessionfinish(session: pytest.Session) -> None:
    """Hand what was left out to the process that tells it, where several run the tests."""
    output = getattr(session.config, "workeroutput", None)
    if output is not None:
        output["left out"] = session.config.stash.get(_NOTES, [])


@pytest.hookimpl(optionalhook=True)
def pytest_testnodedown(node: Any) -> None:
    """Every worker leaves out the same."""
    node.config.stash[_NOTES] = getattr(node, "workeroutput", {}).get("left out", [])


def pytest_terminal_summary(terminalreporter: pytest.TerminalReporter, config: pytest.Config) -> None:
    """Say what was left out, so nothing is passed over in silence."""
    for note in config.stash.get(_NOTES, []):
        terminalreporter.write_line(note)


@pytest.fixture(scope="session")
def shared_folder() -> Path:
    """The folder of captures and trial sheets with known truth."""
    return _SHARED
