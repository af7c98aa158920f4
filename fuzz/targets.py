"""Every reader of outside data that is fuzzed, by name."""

from __future__ import annotations

from pathlib import Path

from fuzz import of_archives, of_sheets, of_signals, of_tracks, of_volumes, of_web, on_shelf
from fuzz.target import Target

_ROOMS = (of_signals, of_tracks, of_sheets, of_volumes, of_archives, on_shelf, of_web)
_ALL = tuple(target for room in _ROOMS for target in room.TARGETS)
TARGETS: dict[str, Target] = {target.name: target for target in _ALL}
if len(TARGETS) != len(_ALL):
    raise ValueError("two targets have one name")

_HERE = Path(__file__).resolve().parent
# inputs that are kept, those that once failed, and those that runs on this machine came upon
CORPUS, FOUND, GROWN = _HERE / "corpus", _HERE / "found", _HERE.parent / "build" / "fuzz"
