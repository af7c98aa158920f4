"""Shared fixtures: where the captures and trial sheets with known truth live, and one line when they do not."""

from __future__ import annotations

import os
import signal
from pathlib import Path

import pytest

_SHARED = Path(os.environ.get("INDEXHOLE_SHARED", Path(__file__).resolve().parents[2] / "shared"))


def pytest_configure() -> None:
    """Let Ctrl-C be heard by processes the tests start: a shell's background job, as on a build server, ignores it."""
    if signal.getsignal(signal.SIGINT) is signal.SIG_IGN:
        signal.signal(signal.SIGINT, signal.default_int_handler)


def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    """Leave the shared group out, in one plain line, where the folder with the samples is absent."""
    if (_SHARED / "captures" / "truth.json").is_file():
        return
    left_out = [item for item in items if item.get_closest_marker("shared")]
    if left_out:
        items[:] = [item for item in items if not item.get_closest_marker("shared")]
        config.hook.pytest_deselected(items=left_out)
        config.stash[_NOTE] = (
            f"{len(left_out)} tests of the shared samples left out: no folder {_SHARED.name}/ beside the project"
        )


_NOTE = pytest.StashKey[str]()


def pytest_terminal_summary(terminalreporter: pytest.TerminalReporter, config: pytest.Config) -> None:
    """Say what was left out, so nothing is passed over in silence."""
    note = config.stash.get(_NOTE, "")
    if note:
        terminalreporter.write_line(note)


@pytest.fixture(scope="session")
def shared_folder() -> Path:
    """The folder of captures and trial sheets with known truth."""
    return _SHARED
