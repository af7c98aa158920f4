"""One that types commands and is killed amid nearly every one: what it does, when it is killed, what it was told."""

from __future__ import annotations

import json
import random
import subprocess
import sys
from collections import Counter, defaultdict
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from itertools import count
from pathlib import Path
from typing import Any

from tests.support.afterwards import Said
from tests.support.stress import ROOT, capture_file, photo_file
from tests.support.stress_acting import Played
from tests.support.stress_commands import Typist

# plays of a typist that write nothing, or nothing on a shelf that needs no mending
LOOKS = {"search", "list", "history", "check", "mend"}
# what is only asked before a change
_LET_LIVE = {"show"}
OLD_FILES = 0.25
_HOW = ("step", "step", "step", "last", "begun", "begun", "begun", "start")


class Killed(Exception):
    """It was killed before it said that it was done."""


class Lives:
    """The server of lives.py in a process of its own."""

    def __init__(self, process: subprocess.Popen[str]) -> None:
        self._process = process

    def live(self, words: Sequence[str], at: Sequence[str | float] | str | None) -> dict[str, Any]:
        """One life, and how it ended."""
        assert self._process.stdin is not None
        assert self._process.stdout is not None
        self._process.stdin.write(json.dumps({"words": list(words), "at": at}) + "\n")
        self._process.stdin.flush()
        told: dict[str, Any] = json.loads(self._process.stdout.readline())
        return told


@contextmanager
def lives(folder: Path, environment: dict[str, str]) -> Iterator[Lives]:
    """A server of lives, ended with the block."""
    process = subprocess.Popen(
        [sys.executable, "-m", "tests.support.lives", str(folder)], stdin=subprocess.PIPE, stdout=subprocess.PIPE,
        text=True,
        cwd=ROOT, env=environment,
    )  # fmt: skip
    try:
        yield Lives(process)
    finally:
        process.kill()
        process.communicate()


class Mortal(Typist):
    """Types as any other, but is killed at a step of its writing, or at a moment that is drawn.

    The first life of each verb is let live, so that it is known how many steps it has and how long they take.

    Attributes:
        said: what every life said.
        phases: how many were killed before they began to write, amid it, and after they said that it is done.
        amid: how often each command was killed amid its writing.
        odd: endings there must never be.
    """

    rows = 40

    def __init__(self, seed: int, shelf: str, folder: Path, server: Lives) -> None:
        super().__init__("k0", seed, shelf, folder)
        self.when = random.Random(f"{seed} when")
        self.server = server
        self.seeds = count(seed)
        self.said: list[Said] = []
        self.phases: Counter[str] = Counter()
        self.amid: Counter[str] = Counter()
        self.odd: list[str] = []
        self._known: dict[str, dict[str, Any]] = defaultdict(dict)

    def run(self, mark: str, *words: str) -> tuple[int, str, str]:
        """Exit status and what was said, twice; raises Killed."""
        told = self.life(["shelf", "--who", self.name, "--why", mark, *words, "--shelf", self.shelf])
        if told["status"] is None:
            raise Killed
        return told["status"], told["said"], told["said"]

    def life(self, words: Sequence[str]) -> dict[str, Any]:
        """One life, killed or not, and how it ended."""
        command = command_of(words)
        known = self._known[f"{command} over" if "--overwrite" in words else command]
        at = self._draw(known) if known.get("steps") and command not in _LET_LIVE else None
        told = self.server.live(words, at)
        if told["status"] == 0 and told["steps"] and told["ended_s"]:
            known.update({name: told[name] for name in ("steps", "begun_s", "ended_s")})
        if at:
            self.phases[told["phase"]] += 1
            self.amid[command] += told["phase"] == "amid"
        if told["status"] not in (None, 0, 1, 2) or "Traceback" in told["said"]:
            self.odd.append(f"{' '.join(words)}: {told['status']} {told['said']}")
        return told

    def _draw(self, known: dict[str, Any]) -> tuple[str, float]:
        how = self.when.choice(_HOW)
        if how in ("step", "last"):
            return "step", known["steps"] if how == "last" else self.when.randint(1, known["steps"] + 1)
        length = known["begun_s"] if how == "start" else known["ended_s"] - known["begun_s"]
        return how, self.when.uniform(0, 1.1 * length)

    def pool(self, ending: str) -> str:
        """Mostly a file that never was on the shelf: one that was may have left its file there."""
        if self.when.random() < OLD_FILES:
            return super().pool(ending)
        path = self.folder / f"new{ending}"
        {".vcd": capture_file, ".jpg": photo_file}[ending](path, next(self.seeds))
        return str(path)

    def play(self, verb: str, number: int) -> None:
        """Play a verb once, and keep what it said."""
        mark = f"{self.name}-{number:04}"
        try:
            played: Played | None = self.plays[verb](mark)
        except Killed:
            played = None
        self.said.append(
            Said(mark, verb, played.made, played.undone)
            if played
            else Said(mark, verb, "perhaps", undoing=verb == "undo")
        )

    def ask(self, *words: str) -> Any:
        """What a command that is let live tells as JSON."""
        told = self.server.live(["shelf", *words, "--shelf", self.shelf], None)
        assert told["status"] == 0, told["said"]
        return json.loads(told["said"])

    def add_by_page(self, mark: str, *words: str) -> Played:
        """Something sent to the page, which says no more than that it is kept."""
        if self.life(words)["status"] is None:
            raise Killed
        return Played(303, "one" if words[0] == "send photo" else "perhaps")

    def play_send_photo(self, mark: str) -> Played:
        return self.add_by_page(mark, "send photo", self.shelf, "D0", self.pool(".jpg"), mark)

    def play_send_capture(self, mark: str) -> Played:
        return self.add_by_page(mark, "send capture", self.shelf, self.pool(".vcd"), mark)


def command_of(words: Sequence[str]) -> str:
    """The command a line calls, such as `add unit`, without what stands round it."""
    if words[0] != "shelf":
        return words[0]
    plain = list(words[1:])
    while plain[0].startswith("--"):
        del plain[:2]
    return " ".join(plain[:2]) if plain[0] == "add" else plain[0]
