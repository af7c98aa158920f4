"""Many at one shelf: four that type commands and two servers with a visitor each, all at random, then the reckoning.

Now and then everything stops for a fight: the register is held longer than a writer waits, and meanwhile all add the
same new file one after the other, so that some give up while others are still waiting for their turn.
"""

from __future__ import annotations

import io
import os
import subprocess
import sys
import threading
import time
from collections import Counter
from collections.abc import Iterator, Sequence
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, field
from itertools import count
from pathlib import Path
from typing import Any

import numpy as np
from PIL import Image
from tests.support.afterwards import Said, faults_of, unfinished
from tests.support.browsing import serving
from tests.support.stress_acting import read_log
from tests.support.stress_pages import SHEETS

from indexhole.levelling.measurements import KEPT
from indexhole.model.trials.trial import Trial
from indexhole.shelf.records.records import Disk, Mechanism, Note, Unit, checked
from indexhole.shelf.register.database import transaction
from indexhole.shelf.register.shelf import Shelf
from indexhole.signal.captures.capture import Capture
from indexhole.signal.formats.write_vcd import vcd_bytes

ROOT = Path(__file__).parents[2]
TYPISTS, VISITORS = ("c0", "c1", "c2", "c3"), ("p0", "p1")
SAME_FILES = 4
# who adds what, and after how many seconds of the fight; the first of each kind gives up before the register is free
FIRST = ("c0", "c1")
ORDERS = (
    ("c0", "capture", 0.0), ("c1", "photo", 0.0), ("c2", "capture", 1.6), ("c3", "photo", 2.0), ("p0", "capture", 2.4),
    ("p1", "capture", 3.2),
)  # fmt: skip
BETWEEN_FIGHTS_S, MOST_FIGHTS_MORE = 20.0, 3
LONGEST_S = 120
STATUSES = {"c": {0, 1, 2}, "p": {200, 303, 400, 404, 409, 422, 503}}
TAKEN = {"c": (0,), "p": (200, 303)}


@dataclass
class Outcome:
    """What came of it: all that is wrong, in plain words; how often each verb was taken and refused; what it wrote."""

    faults: list[str] = field(default_factory=list)
    files: set[Path] = field(default_factory=set)
    taken: Counter[str] = field(default_factory=Counter)
    refused: Counter[str] = field(default_factory=Counter)
    measured: list[str] = field(default_factory=list)


def furnish(shelf: Shelf) -> None:
    """What all of them refer to, and so many notes behind it that nobody undoes it."""
    first = [checked(Unit, inventory="D0", kind="drive unit"), checked(Mechanism, mechanism="D0.0")]
    shelf.add_together([*first, checked(Disk, inventory="K0")], "furnish")
    shelf.add_trials([Trial("T0", "2026-03-01", "read", "", "", "D0.0", "K0", 0, 0, 1, 9, 0, "")])
    for number in range(30):
        shelf.add(checked(Note, text=f"filler {number}"))


def capture_file(path: Path, seed: int) -> None:
    """A logger's file of some thousand pulses, another one for every seed."""
    gaps = np.random.default_rng(seed).choice([40, 60, 80], size=5_000)
    path.write_bytes(vcd_bytes(Capture(path.stem, 1e-7, np.cumsum(gaps), np.array([10]))))


def photo_file(path: Path, seed: int) -> None:
    """A small picture, another one for every seed."""
    pixels = np.random.default_rng(seed).integers(0, 255, (90, 120, 3), dtype=np.uint8)
    drawn = io.BytesIO()
    Image.fromarray(pixels).save(drawn, "JPEG")
    path.write_bytes(drawn.getvalue())


class Actor:
    """A process that acts; `order` and `answer` are the lines of stress_acting.py."""

    def __init__(self, module: str, name: str, seed: int, at: str, folder: Path) -> None:
        self.name, self.folder = name, folder
        self._err = folder / f"{name}.stderr"
        with self._err.open("wb") as err:
            self.process = subprocess.Popen(
                [sys.executable, "-m", module, name, str(seed), at, str(folder)],
                stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=err, cwd=ROOT, text=True,
                env={**os.environ, "XDG_CACHE_HOME": str(folder / "cache"), "OMP_NUM_THREADS": "1"},
            )  # fmt: skip

    def order(self, line: str) -> None:
        """Tell it what to do."""
        assert self.process.stdin is not None
        self.process.stdin.write(f"{line}\n")
        self.process.stdin.flush()

    def answer(self, word: str) -> str:
        """Wait for what it answers, and return what stands behind the word; one that died answers nothing."""
        assert self.process.stdout is not None
        told = self.process.stdout.readline()
        assert told.split()[:1] == [word], f"{self.name} told {told!r}: {self._err.read_text()}"
        return told.removeprefix(word).strip()

    def ended(self) -> list[str]:
        """What was wrong with how it ended, once it was told to stop."""
        try:
            out, _ = self.process.communicate(timeout=LONGEST_S)
        except subprocess.TimeoutExpired:
            self.process.kill()
            out, _ = self.process.communicate()
        how = (self.process.returncode, out, self._err.read_text())
        return [] if how == (0, "", "") else [f"{self.name} ended with {how}"]

    def logged(self) -> list[dict[str, Any]]:
        """All it did."""
        return read_log(self.folder / f"{self.name}.jsonl")


def stress(place: str, folder: Path, seconds: float, seed: int) -> Outcome:
    """Let all act on the shelf at a place for so many seconds, then hold what they said against what stands there.

    Args:
        place: a folder, or the address of a shared register, where there is no shelf yet.
        folder: where they keep their own files.
    """
    furnish(Shelf.open(place, create=True))
    (folder / "pool").mkdir()
    for number in range(SAME_FILES):
        capture_file(folder / "pool" / f"{number}.vcd", seed + number)
        photo_file(folder / "pool" / f"{number}.jpg", seed + number)
    outcome = Outcome()
    with ExitStack() as servers, _guarded(LONGEST_S + seconds * 2) as actors:
        addresses = [servers.enter_context(serving(place, folder / "cache")) for _ in VISITORS]
        for name, address in zip(VISITORS, addresses, strict=True):
            actors.append(Actor("tests.support.stress_pages", name, seed, address, folder))
        for name in TYPISTS:
            actors.append(Actor("tests.support.stress_commands", name, seed, place, folder))
        for actor in actors:
            actor.answer("ready")
        end = time.monotonic() + seconds
        fights, fought = count(), False
        while (left := end - time.monotonic()) > 0:
            time.sleep(min(left, BETWEEN_FIGHTS_S / 2))  # how long they act is the size of the test
            if time.monotonic() < end:
                fought |= _fight(place, folder, actors, seed, next(fights))
        for _ in range(MOST_FIGHTS_MORE):
            # where the machine is slow, all may have given up or none
            fought = fought or _fight(place, folder, actors, seed, next(fights))
        if not fought:
            outcome.faults.append("in no fight did some give up and others get the register")
        for actor in actors:
            actor.order("stop")
        outcome.faults += [fault for actor in actors for fault in actor.ended()]
    said = [one for actor in actors for one in _said(actor, outcome)]
    shelf = Shelf.open(place)
    outcome.faults += faults_of(shelf, said)
    outcome.faults += [f"{left} is left" for left in unfinished(shelf.folder)]
    measured = (shelf.folder / KEPT).read_text(encoding="utf-8")
    outcome.faults += [f"the measurement of {mark} is lost" for mark in outcome.measured if mark not in measured]
    outcome.faults += _nobody_holds(place)
    return outcome


@contextmanager
def _guarded(longest_s: float) -> Iterator[list[Actor]]:
    """Actors that are killed when it takes longer than it can, so that a test never hangs."""
    actors: list[Actor] = []

    def end_all() -> None:
        for actor in actors:
            actor.process.kill()

    guard = threading.Timer(longest_s, end_all)
    guard.start()
    try:
        yield actors
    finally:
        guard.cancel()
        end_all()
        for actor in actors:
            actor.process.communicate()


def _fight(place: str, folder: Path, actors: Sequence[Actor], seed: int, number: int) -> bool:
    """Hold the register until the first have given up, while all add the same new capture or photo.

    Returns whether of each kind one gave up and one was waiting long enough to get the register.
    """
    files = {"capture": folder / f"fight-{number}.vcd", "photo": folder / f"fight-{number}.jpg"}
    capture_file(files["capture"], seed + 1000 + number)
    photo_file(files["photo"], seed + 1000 + number)
    by_name = {actor.name: actor for actor in actors}
    for name, kind, delay in ORDERS:
        by_name[name].order(f"fight {kind} {files[kind]} {delay}")
    for actor in actors:
        actor.answer("here")
    with transaction(Shelf.open(place)._engine, writing=True, where="the fight"):
        for actor in actors:
            actor.order("go")
        ended = {name: by_name[name].answer("done") for name in FIRST}
    ended |= {name: actor.answer("done") for name, actor in by_name.items() if name not in FIRST}
    _both_measure([by_name[name] for name in VISITORS])
    won = {kind: {int(ended[name]) in TAKEN[name[0]] for name, one, _ in ORDERS if one == kind} for kind in files}
    return all(outcomes == {True, False} for outcomes in won.values())


def _both_measure(visitors: Sequence[Actor]) -> None:
    """Let both pages add measurements at once: neither may write over what the other kept meanwhile."""
    for visitor in visitors:
        visitor.order("fight measurements - 0")
    for visitor in visitors:
        visitor.answer("here")
    for visitor in visitors:
        visitor.order("go")
    for visitor in visitors:
        visitor.answer("done")


def _said(actor: Actor, outcome: Outcome) -> Iterator[Said]:
    """What an actor was told, every answer held against those there may be."""
    letter = actor.name[0]
    for one in actor.logged():
        times = outcome.taken if one["status"] in TAKEN[letter] else outcome.refused
        times[f"{letter}: {one['verb']}"] += 1
        odd = one["status"] not in STATUSES[letter] or (one["verb"] == "check" and one["status"] == 1)
        if odd or "Traceback" in one["told"]:
            outcome.faults.append(f"{one['mark']} {one['verb']}: {one['status']} {one['told']}")
        if one["verb"].endswith("measurements") and one["status"] == 303:
            outcome.measured += [f"{one['mark']}.{number}" for number in range(SHEETS)]
        if one["file"]:
            outcome.files.add(Path(one["file"]))
        yield Said(one["mark"], one["verb"], one["made"], one["undone"])


def _nobody_holds(place: str) -> Iterator[str]:
    """Whether the next writer gets the register, and the next check finds it sound."""
    for words in (["add", "note", "the last word"], ["check"]):
        done = subprocess.run(
            [sys.executable, "-m", "indexhole", "shelf", *words, "--shelf", place],
            cwd=ROOT, capture_output=True, text=True, check=False,
        )  # fmt: skip
        if (done.returncode, done.stderr) != (0, ""):
            yield f"shelf {words[0]} after all: {done.returncode} {done.stderr} {done.stdout}"
