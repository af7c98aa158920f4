"""An image in sectors of one size: what it holds, what of it was soundly read, and who claims which part."""

from __future__ import annotations

from collections.abc import Collection, Sequence

# Chains of a damaged or hostile image may overlap without end; so many times the volume is followed at most.
_MOST_OVERLAP = 8


class SectorImage:
    """An image of `count` sectors; what lies beyond its end counts as zeros that were not read.

    Attributes:
        held: whole sectors the image holds, at most `count`.
    """

    def __init__(self, image: bytes, sector_bytes: int, count: int, unsound: Collection[int] = ()) -> None:
        self.sector_bytes = sector_bytes
        self.count = count
        self.held = min(count, len(image) // sector_bytes)
        self._image = image[: count * sector_bytes].ljust(count * sector_bytes, b"\0")
        self._unsound = frozenset(unsound)

    def read(self, first: int, count: int = 1) -> bytes:
        """The bytes of `count` sectors from `first` on."""
        return self._image[first * self.sector_bytes : (first + count) * self.sector_bytes]

    def sound(self, sector: int) -> bool:
        """Whether a sector lies in the image and was read with a passing check."""
        return sector < self.held and sector not in self._unsound


class Claims:
    """Which unit (cluster or block) belongs to which name, and how far chains may still be followed.

    Attributes:
        owner: the first that claimed each unit.
        shared: units claimed more than once, with the names of all that did.
    """

    def __init__(self, units: int) -> None:
        self.owner: dict[int, str] = {}
        self.shared: dict[int, list[str]] = {}
        self._left = _MOST_OVERLAP * max(1, units)

    def step(self) -> bool:
        """Whether a chain may be followed one step more; False when chains overlap too much."""
        self._left -= 1
        return self._left >= 0

    def take(self, unit: int, name: str) -> bool:
        """Note a claim; False when chains overlap so much that nothing more is to be followed."""
        if not self.step():
            return False
        if unit in self.owner:
            self.shared.setdefault(unit, [self.owner[unit]]).append(name)
        self.owner.setdefault(unit, name)
        return True


def spans(numbers: Collection[int], most: int = 4) -> str:
    """Numbers as runs, `3 to 5, 9`; at most so many runs."""
    runs: list[list[int]] = []
    for number in sorted(set(numbers)):
        if runs and number == runs[-1][1] + 1:
            runs[-1][1] = number
        else:
            runs.append([number, number])
    shown = [str(a) if a == b else f"{a} to {b}" for a, b in runs[:most]]
    return ", ".join(shown) + (" and more" if len(runs) > most else "")


def some_of(problems: Sequence[str], most: int = 50) -> tuple[str, ...]:
    """The first problems, and how many more there are: a hostile image must not fill a report."""
    more = (f"and {len(problems) - most} more",) if len(problems) > most else ()
    return (*problems[:most], *more)
