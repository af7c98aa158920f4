"""Chooses what of the inputs that runs came upon is kept: `python -m fuzz.keep [TARGET ...]`.

Of all inputs of a target those are taken, one after the other, that add most steps from line to line of our own code;
of two that add the same, the shorter. So a corpus is small, and holds one way or another into each corner.
"""

from __future__ import annotations

import hashlib
import shutil
import sys
import time
from collections.abc import Mapping
from contextlib import suppress
from pathlib import Path
from types import FrameType
from typing import Any

import indexhole
from fuzz.target import Target, tried
from fuzz.targets import CORPUS, GROWN, TARGETS

MOST_FILES, MOST_BYTES = 40, 4096
# of a target in all: a test goes through everything that is kept
MOST_S = 0.5
Step = tuple[str, int, int]
_OURS = str(Path(indexhole.__file__).parent)


def steps_of(target: Target, data: bytes) -> frozenset[Step]:
    """The steps from line to line of our own code that an input leads through."""
    found: set[Step] = set()

    def trace(frame: FrameType, event: str, _: object) -> Any:
        name = frame.f_code.co_filename
        if not name.startswith(_OURS):
            return None
        before = frame.f_lineno

        def line(frame: FrameType, event: str, _: object) -> Any:
            nonlocal before
            found.add((name, before, frame.f_lineno))
            before = frame.f_lineno
            return line

        return line

    sys.settrace(trace)
    try:
        with suppress(Exception):
            tried(target, data)
    finally:
        sys.settrace(None)
    return frozenset(found)


def chosen(steps: Mapping[bytes, frozenset[Step]], seconds: Mapping[bytes, float]) -> list[bytes]:
    """The inputs that together lead through most steps, the best first, as many as there is room and time for."""
    left = dict(steps)
    seen: set[Step] = set()
    kept: list[bytes] = []
    time_s = 0.0
    while left and len(kept) < MOST_FILES:
        best = max(left, key=lambda data: (len(left[data] - seen), -len(data)))
        if not left[best] - seen or (kept and time_s + seconds[best] > MOST_S):
            break
        seen |= left.pop(best)
        kept.append(best)
        time_s += seconds[best]
    return kept


def keep(name: str) -> tuple[int, int]:
    """Choose anew what is kept of a target; how many inputs there were, and how many are kept."""
    target, folder = TARGETS[name], CORPUS / name
    paths = [path for place in (folder, GROWN / name) if place.is_dir() for path in place.iterdir()]
    inputs = {path.read_bytes() for path in paths if path.stat().st_size <= MOST_BYTES}
    with suppress(Exception):
        tried(target, b"")
    seconds: dict[bytes, float] = {}
    for data in sorted(inputs):
        begun = time.process_time()
        with suppress(Exception):
            tried(target, data)
        seconds[data] = time.process_time() - begun
    kept = chosen({data: steps_of(target, data) for data in seconds}, seconds)
    shutil.rmtree(folder)
    folder.mkdir()
    for data in kept:
        (folder / hashlib.sha1(data).hexdigest()[:16]).write_bytes(data)
    return len(inputs), len(kept)


def main(names: list[str]) -> None:
    """The command line."""
    for name in names or TARGETS:
        print("{:14}{:6} inputs, {:3} kept".format(name, *keep(name)), flush=True)


if __name__ == "__main__":
    main(sys.argv[1:])
