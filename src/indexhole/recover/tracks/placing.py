"""Where each dwell lies as recorded, when the lines of the log and the ids on the disk tell different tales.

A mechanism of twice the disk's track density takes two steps from track to track, one of half the density passes
over every other track; sides may be swapped between log and disk; ids may count from another number. What holds for
the whole log is told once, and tracks are placed by what was recorded.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, replace

from indexhole.recover.sectors.dwells import Blank, Dwell

# A rule is believed when so many tracks follow it, and this many times as many as place ids and lines alike.
_FEWEST_TRACKS, _CLEARLY = 2, 2
# Share of the tracks that must follow a rule on sides or numbers.
_MOST = 0.8
_ONE_PLACE = 0.6


@dataclass(frozen=True)
class Placing:
    """Dwells and blank dwells in their recorded places.

    Attributes:
        offset: what ids count more than the cylinder they stand on.
        heads: what ids call each head.
        step: steps of the mechanism from one recorded cylinder to the next: 1, 2 or 0.5.
        warnings: what was found, in words.
    """

    dwells: tuple[Dwell, ...]
    blank: tuple[Blank, ...]
    offset: int = 0
    heads: dict[int, int] = field(default_factory=lambda: {0: 0, 1: 1})
    step: float = 1
    warnings: tuple[str, ...] = ()

    def named(self, cylinder: int, head: int) -> tuple[int, int]:
        """What ids on a place are expected to say."""
        return cylinder + self.offset, self.heads[head]


def place_dwells(dwells: Sequence[Dwell], blank: Sequence[Blank]) -> Placing:
    """Place dwells by the lines and the ids together."""
    placing = _by_step(Placing(tuple(dwells), tuple(blank)))
    placing = _by_side(placing)
    return _by_offset(placing)


def id_place(dwell: Dwell) -> tuple[int, int] | None:
    """Cylinder and head as most ids of a dwell name them, None when they disagree."""
    votes = Counter((i.id.cylinder, i.id.head) for i in dwell.reads.ids)
    if not votes:
        return None
    place, count = votes.most_common(1)[0]
    return place if count >= _ONE_PLACE * votes.total() else None


def _pairs(dwells: Iterable[Dwell]) -> set[tuple[int, int, int]]:
    """(cylinder by the lines, cylinder by the ids, head) of the dwells that have both."""
    found = set()
    for dwell in dwells:
        named = id_place(dwell)
        if dwell.from_lines and dwell.cylinder is not None and named is not None:
            found.add((dwell.cylinder, named[0], dwell.head or 0))
    return found


def _by_step(placing: Placing) -> Placing:
    """Whether the mechanism has another track density than the disk."""
    pairs = _pairs(placing.dwells)
    alike = sum(line == named for line, named, _ in pairs if line > 0)
    double = {line for line, named, _ in pairs if line > 0 and line == 2 * named}
    half = {line for line, named, _ in pairs if line > 0 and named == 2 * line}
    if len(double) >= _FEWEST_TRACKS and len(double) > _CLEARLY * alike:
        return _double_stepped(placing)
    if len(half) >= _FEWEST_TRACKS and len(half) > _CLEARLY * alike:
        text = (
            "the head passed over every other track: by its ids the disk has twice the mechanism's track density; "
            "what lies between cannot be read with this mechanism"
        )
        dwells = tuple(replace(s, cylinder=_twice(s.cylinder)) if s.from_lines else s for s in placing.dwells)
        blank = tuple(replace(b, cylinder=_twice(b.cylinder)) for b in placing.blank)
        return replace(placing, dwells=dwells, blank=blank, step=0.5, warnings=(text,))
    return placing


def _twice(cylinder: int | None) -> int | None:
    return None if cylinder is None else 2 * cylinder


def _double_stepped(placing: Placing) -> Placing:
    """Every second position lies between two tracks: what is legible there repeats a neighbour."""
    own = {(s.cylinder, s.head) for s in placing.dwells if s.from_lines}
    dwells: list[Dwell] = []
    repeats = 0
    for dwell in placing.dwells:
        if not dwell.from_lines or dwell.cylinder is None:
            dwells.append(dwell)
            continue
        named = id_place(dwell)
        if dwell.cylinder % 2 == 0:
            dwells.append(replace(dwell, cylinder=dwell.cylinder // 2))
        elif named is None or (2 * named[0], dwell.head) in own:
            repeats += 1
        else:
            dwells.append(replace(dwell, cylinder=named[0]))
    blank = [b for b in placing.blank if b.cylinder is None or b.cylinder % 2 == 0]
    empty = len(placing.blank) - len(blank)
    blank = [b if b.cylinder is None else replace(b, cylinder=b.cylinder // 2) for b in blank]
    text = "the head took two steps from track to track: by its ids the disk has half the mechanism's track density"
    if repeats or empty:
        text += f"; of the positions in between {empty} were empty and {repeats} repeated a neighbour, all left out"
    return replace(placing, dwells=tuple(dwells), blank=tuple(blank), step=2, warnings=(text,))


def _by_side(placing: Placing) -> Placing:
    """Whether ids and side line call the sides otherwise."""
    votes: dict[int, Counter[int]] = {0: Counter(), 1: Counter()}
    for dwell in placing.dwells:
        named = id_place(dwell)
        if named is not None and dwell.head is not None and dwell.from_lines:
            votes[dwell.head][named[1]] += 1
    said = {
        head: count.most_common(1)[0][0]
        for head, count in votes.items()
        if count.total() >= _FEWEST_TRACKS and count.most_common(1)[0][1] >= _MOST * count.total()
    }
    sides = {s.head for s in placing.dwells if s.from_lines}
    if said == {0: 1, 1: 0} or (len(sides) == 1 and said in ({0: 1}, {1: 0})):
        dwells = [replace(s, head=1 - s.head) if s.from_lines and s.head is not None else s for s in placing.dwells]
        blank = [b if b.head is None else replace(b, head=1 - b.head) for b in placing.blank]
        text = "sides are swapped: " + " and ".join(f"ids say head {1 - h} on side {h}" for h in sorted(said))
        text += "; tracks are placed as the ids say"
        return replace(placing, dwells=tuple(dwells), blank=tuple(blank), warnings=(*placing.warnings, text))
    if len(said) == 2 and said[0] == said[1]:
        text = f"ids say head {said[0]} on both sides; tracks are placed by the side line"
        heads = {0: said[0], 1: said[1]}
        return replace(placing, heads=heads, warnings=(*placing.warnings, text))
    return placing


def _by_offset(placing: Placing) -> Placing:
    """Whether ids count cylinders from another number."""
    pairs = _pairs(placing.dwells)
    votes = Counter(named - line for line, named, _ in pairs)
    if not votes:
        return placing
    offset, count = votes.most_common(1)[0]
    if offset == 0 or count <= _FEWEST_TRACKS or count < _MOST * votes.total():
        return placing
    text = f"ids name the cylinder {abs(offset)} {'higher' if offset > 0 else 'lower'} than the step lines"
    return replace(placing, offset=offset, warnings=(*placing.warnings, f"{text}; tracks are placed by the lines"))
