"""`make fuzz`: every target for some seconds, each in a process of its own, two at a time; one line each.

Exit status 0 when nothing was found, 1 with the place of each input that a reader does not bear.
"""

from __future__ import annotations

import argparse
import os
import re
import signal
import subprocess
import sys
import time
from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path

from fuzz.targets import CORPUS, FOUND, GROWN, TARGETS

_ROOT = CORPUS.parents[1]
AT_ONCE = 2
LONGEST_S, MOST_MIB = 60, 2048
# beyond its time a run loads its modules, goes through its corpus and ends; a hang beyond that is ended here
_GRACE_S = 300
_LIMITS = (
    f"-timeout={LONGEST_S}",
    f"-report_slow_units={LONGEST_S}",
    f"-rss_limit_mb={MOST_MIB}",
    "-len_control=0",
    "-print_final_stats=1",
)
# Compiled code hides its ways, and a compiler's threads wait for each other on a small machine.
_SETTINGS = {"NUMBA_DISABLE_JIT": "1", "OPENBLAS_NUM_THREADS": "1", "OMP_NUM_THREADS": "1"}


@dataclass(frozen=True)
class Outcome:
    """What a run of one target came to; `trouble` says why it came to nothing."""

    name: str
    runs: int
    seconds: float
    coverage: int
    kept: int
    found: tuple[Path, ...]
    trouble: str = ""

    @property
    def line(self) -> str:
        """It in one line."""
        told = f"{self.name:14}{self.runs:10} runs{self.seconds:7.0f} s{self.coverage:7} places{self.kept:6} inputs"
        return f"{told}  {self.trouble or f'{len(self.found)} found'}"


class Runs:
    """Runs of targets, which end when told to."""

    def __init__(self, seconds: int, words: Sequence[str] = ()) -> None:
        self._seconds = seconds
        self._words = words
        self._going: set[subprocess.Popen[bytes]] = set()
        self._ended = False

    def run(self, name: str) -> Outcome:
        """Fuzz one target; what it found stands in its folder."""
        grown, found, kept = (folder / name for folder in (GROWN, FOUND, CORPUS))
        for folder in (grown, found, kept):
            folder.mkdir(parents=True, exist_ok=True)
        before, begun = set(found.iterdir()), time.monotonic()
        words = (f"-max_total_time={self._seconds}", f"-artifact_prefix={found}/", *_LIMITS, *self._words)
        told = GROWN / f"{name}.log"
        with told.open("wb") as log:
            process = subprocess.Popen(
                [sys.executable, "-m", "fuzz.one", name, *words, str(grown), str(kept)],
                cwd=_ROOT,
                env={**os.environ, **_SETTINGS},
                stdin=subprocess.DEVNULL,
                stdout=log,
                stderr=subprocess.STDOUT,
            )
            self._going.add(process)
            if self._ended:
                process.kill()
            try:
                status = process.wait(self._seconds + _GRACE_S)
            except subprocess.TimeoutExpired:
                process.kill()
                status = process.wait()
        self._going.discard(process)
        new = tuple(sorted(set(found.iterdir()) - before))
        if not any(found.iterdir()):
            found.rmdir()
        log_text = told.read_text(errors="replace")
        trouble = "" if status == 0 or new else f"ended with status {status}, see {told.relative_to(_ROOT)}"
        return Outcome(
            name,
            _last(r"stat::number_of_executed_units: +(\d+)", log_text),
            time.monotonic() - begun,
            _last(r"cov: (\d+)", log_text),
            _last(r"corp: (\d+)", log_text),
            new,
            trouble,
        )

    def end(self) -> None:
        """End what is going, and begin nothing more."""
        self._ended = True
        for process in list(self._going):
            process.kill()


def _last(pattern: str, text: str) -> int:
    found = re.findall(pattern, text)
    return int(found[-1]) if found else 0


def fuzz(names: Sequence[str], seconds: int, at_once: int) -> list[Outcome]:
    """Fuzz targets, so many at once, and print a line for each as it ends."""
    runs = Runs(seconds)
    outcomes: list[Outcome] = []
    pool = ThreadPoolExecutor(max_workers=at_once)
    try:
        for outcome in pool.map(runs.run, names):
            outcomes.append(outcome)
            print(outcome.line, flush=True)
            for path in outcome.found:
                print(f"  {path.relative_to(_ROOT)}", flush=True)
    except KeyboardInterrupt:
        runs.end()
        raise
    finally:
        pool.shutdown(cancel_futures=True)
    return outcomes


def main() -> int:
    """The command line."""
    parser = argparse.ArgumentParser(prog="fuzz", description="Fuzz the readers of outside data (docs/fuzzing.md).")
    parser.add_argument("--seconds", type=int, default=60, help="for each target")
    parser.add_argument("--at-once", type=int, choices=range(1, AT_ONCE + 1), default=AT_ONCE, help="targets at a time")
    parser.add_argument("targets", nargs="*", metavar="TARGET", help=f"all when none is named: {', '.join(TARGETS)}")
    asked = parser.parse_args()
    if unknown := [name for name in asked.targets if name not in TARGETS]:
        parser.error(f"there is no target {unknown[0]}; choose from {', '.join(TARGETS)}")
    if asked.seconds < 1:
        parser.error("a target takes a second at least")
    for end in (signal.SIGINT, signal.SIGTERM):
        signal.signal(end, signal.default_int_handler)
    try:
        outcomes = fuzz(asked.targets or list(TARGETS), asked.seconds, asked.at_once)
    except KeyboardInterrupt:
        return 130
    return 1 if any(outcome.found or outcome.trouble for outcome in outcomes) else 0


if __name__ == "__main__":
    sys.exit(main())
