"""What tests in a real browser share: a page that is served over a small shelf, a browser, its addresses."""

from __future__ import annotations

import os
import re
import shutil
import signal
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from indexhole.model.simulator.simulate import Reader, WeakStretch, format_track, read_track
from indexhole.model.trials.trial import Trial
from indexhole.shelf.care.captures import store_capture
from indexhole.shelf.records.records import CaptureRecord, Disk, Event, Mechanism, Unit, checked
from indexhole.shelf.register.shelf import Shelf
from indexhole.signal.formats.write_vcd import vcd_bytes
from indexhole.signal.simulated import capture_of
from indexhole.standards.layouts import load_layouts

LAYOUT = load_layouts()["130-48-mfm-9x512"]
SWITCHES = [
    "--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run",
    "--disable-background-networking", "--disable-component-update", "--disable-sync",
]  # fmt: skip
WIDE, NARROW = 1280, 390
LONGEST_MS = 60_000


@dataclass
class Served:
    """A page that is being served, from its own process."""

    address: str
    shelf: Shelf


def _track(seed: int, weak: float) -> bytes:
    rng = np.random.default_rng(seed)
    zone = LAYOUT.zone(12, 0)
    assert zone is not None
    data = {number: rng.bytes(zone.sector_bytes) for number in zone.sector_ids}
    reader = Reader(weak=(WeakStretch(0.4, weak),)) if weak else Reader()
    return vcd_bytes(capture_of(read_track(format_track(LAYOUT, 12, 0, data, rng), rng, reader, revolutions=3), "t"))


def _stock(folder: Path, files: Path) -> Shelf:
    from indexhole.signal.formats.readers import read_capture

    shelf = Shelf.open(folder, create=True)
    shelf.add(
        checked(Unit, inventory="D1", kind="drive unit", title="Twin unit of the tide office", disk_class="130-48")
    )
    shelf.add(checked(Mechanism, unit="D1", number=0))
    shelf.add(
        checked(Disk, inventory="K1", title="A very long title that will not break " + "x" * 60, irreplaceable=True)
    )
    shelf.put_standing(Unit, "D1", "maker", "not known", "no plate on it")
    shelf.add(checked(Event, unit="D1", when="about 1987", what="one mechanism exchanged"))
    rows = [
        Trial(
            f"T{n}",
            "2026-03-01",
            "read",
            "H1",
            "L1",
            ("D1.0", "D2.0")[n % 2],
            f"K{1 + n // 4}",
            n // 2 % 2,
            0,
            39,
            360,
            0,
        )
        for n in range(12)
    ]
    shelf.add_trials(rows)
    for name, content in (("sound.vcd", _track(1, 0.0)), ("worn.vcd", _track(2, 0.12))):
        path = files / name
        path.write_bytes(content)
        store_capture(shelf, path, read_capture(path), disk="K1", mechanism="D1.0")
    (files / "another.vcd").write_bytes(_track(3, 0.0))
    (files / "day.vcd").write_bytes(_track(4, 0.0))
    return shelf


@pytest.fixture(scope="session")
def files(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("files")


@contextmanager
def serving(shelf: Path | str, cache: Path) -> Iterator[str]:
    """The address of the page over a shelf, in a process of its own that is ended as a keeper would end it: quietly."""
    command = [sys.executable, "-m", "indexhole", "serve", "--shelf", str(shelf), "--port", "0"]
    kept = {**os.environ, "XDG_CACHE_HOME": str(cache)}
    process = subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, env=kept)
    assert process.stdout is not None
    try:
        told = process.stdout.readline()
        found = re.fullmatch(r"The page is at (http://127\.0\.0\.1:\d+)/\n", told)
        assert found, told
        yield found[1]
    finally:
        process.send_signal(signal.SIGINT)
        out, err = process.communicate(timeout=60)
    assert (process.returncode, out, err) == (130, "", "")


@pytest.fixture(scope="session")
def served(tmp_path_factory: pytest.TempPathFactory, files: Path) -> Iterator[Served]:
    """The page over a small shelf."""
    folder = tmp_path_factory.mktemp("served") / "shelf"
    shelf = _stock(folder, files)
    with serving(folder, folder.parent / "cache") as address:
        yield Served(address, shelf)


@pytest.fixture(scope="session")
def browser() -> Iterator[Any]:
    """A real browser without a window."""
    found = shutil.which("chromium")
    if found is None:
        pytest.fail(
            "the browser tests need Debian's package chromium (apt-get install --no-install-recommends chromium)"
        )
    from playwright.sync_api import sync_playwright

    with sync_playwright() as driver:
        opened = driver.chromium.launch(executable_path=found, args=SWITCHES)
        yield opened
        opened.close()


def pages_of(served: Served) -> list[str]:
    """One address of every kind of page."""
    keys = [f"capture={c.sha256[:16]}" for c in served.shelf.all(CaptureRecord)][:2]
    return [
        "/", "/?words=unit", "/unit?no=D1", "/unit?no=L1", "/disk?no=K1", "/unit/new", "/unit/edit?no=D1",
        "/unit/edit?no=L1", "/disk/new",
        "/mechanism/new?unit=D1", "/event/new?unit=D1", "/note/new?disk=K1", "/recordings",
        "/causes", "/causes/trials", "/causes/network", "/nowhere",
        "/bench", "/take-in", "/take-in?line=dual+130+mm+drive,+34+way,+given+1998,+mended+twice,+green+lamp",
        "/import", "/timeline", "/compare?unit=D1&unit=L1", "/label?unit=D1", "/part/new?unit=D1",
        "/photo/new?unit=D1", "/api",
        *(f"/recordings/read?{key}" for key in keys), f"/recordings/read?{'&'.join(keys)}",
        f"/recordings/edit?{keys[0]}", f"/recordings/track?{keys[0]}&cylinder=12&head=0",
    ]  # fmt: skip
