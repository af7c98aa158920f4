"""How long tests take: recorded in tests/durations.json, which orders the files and says which tests are quick."""

from __future__ import annotations

import json
from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Protocol

RECORD = Path(__file__).parents[1] / "durations.json"
SLOW_S = 1.0  # a test that takes longer is not for use while working
SLOW_SET_UP_S = 2.0  # nor is any test of a file that sets up longer than this
_LEAST_S = 0.2  # less is not recorded


class Named(Protocol):
    """A collected test."""

    @property
    def nodeid(self) -> str: ...


def function_of(nodeid: str) -> str:
    """The test function: its parameters count together."""
    return nodeid.partition("[")[0]


def file_of(nodeid: str) -> str:
    """The file a test stands in."""
    return nodeid.partition("::")[0]


@dataclass
class Durations:
    """Seconds: of each test function, its parameters together, without set-up; of the set-ups of each file."""

    tests: defaultdict[str, float] = field(default_factory=lambda: defaultdict(float))
    set_ups: defaultdict[str, float] = field(default_factory=lambda: defaultdict(float))

    def add(self, nodeid: str, when: str, seconds: float) -> None:
        """Count one phase (set-up, call, tear-down) of one test."""
        if when == "call":
            self.tests[function_of(nodeid)] += seconds
        else:
            self.set_ups[file_of(nodeid)] += seconds

    def slow(self, item: Named) -> bool:
        """Whether a test is left out of the quick ones; one that was never timed is not."""
        slow_file = self.set_ups.get(file_of(item.nodeid), 0.0) > SLOW_SET_UP_S
        return slow_file or self.tests.get(function_of(item.nodeid), 0.0) > SLOW_S

    def of_files(self) -> dict[str, float]:
        """Seconds of each file in all."""
        total = defaultdict(float, self.set_ups)
        for test, seconds in self.tests.items():
            total[file_of(test)] += seconds
        return total

    def write(self, path: Path = RECORD) -> None:
        """Keep what is long enough to matter, and what the record says of files that did not run."""
        kept, ran = read(path), {*map(file_of, self.tests), *self.set_ups}
        data = {
            "tests": _merged(kept.tests, self.tests, ran),
            "set-ups": _merged(kept.set_ups, self.set_ups, ran),
        }
        path.write_text(json.dumps(data, indent=1) + "\n", encoding="utf-8")


def _merged(kept: Mapping[str, float], new: Mapping[str, float], ran: set[str]) -> dict[str, float]:
    told = {name: seconds for name, seconds in kept.items() if file_of(name) not in ran}
    told |= {name: round(seconds, 1) for name, seconds in new.items() if seconds >= _LEAST_S}
    return dict(sorted(told.items()))


def read(path: Path = RECORD) -> Durations:
    """What was recorded; nothing where there is no record."""
    if not path.exists():
        return Durations()
    data = json.loads(path.read_text(encoding="utf-8"))
    return Durations(defaultdict(float, data["tests"]), defaultdict(float, data["set-ups"]))


def longest_first(items: Sequence[Named], durations: Durations) -> list[int]:
    """Places of the tests in the order to run: files that take longest first, so that none is alone at the end."""
    total = durations.of_files()
    return sorted(range(len(items)), key=lambda k: -total.get(file_of(items[k].nodeid), 0.0))
