"""The chance that anything on a disk was mended wrongly, held under a limit."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace

from indexhole.recover.result import Sector, SectorState, Track

# One disk in a million may hold a sector mended wrongly.
FALSE_BUDGET = 1e-6


def false_chance(tracks: Iterable[Track]) -> float:
    """Sum over the mended sectors of the chance that each is wrong: a bound on the chance that any is."""
    return sum(s.false_chance for t in tracks for s in t.sectors if s.state is SectorState.MENDED)


def within_budget(tracks: Sequence[Track]) -> tuple[list[Track], int]:
    """The tracks with the least certain mended sectors made suspect, until the sum keeps to the budget; how many."""
    mended = sorted(
        (s.false_chance, t.cylinder, t.head, s.id) for t in tracks for s in t.sectors if s.state is SectorState.MENDED
    )
    spent = 0.0
    doubted: set[tuple[int, int, int]] = set()
    for chance, *place in mended:
        spent += chance
        if spent > FALSE_BUDGET:
            doubted.add((place[0], place[1], place[2]))
    if not doubted:
        return list(tracks), 0
    return [_doubting(t, doubted) for t in tracks], len(doubted)


def _doubting(track: Track, doubted: set[tuple[int, int, int]]) -> Track:
    def judged(sector: Sector) -> Sector:
        if sector.state is not SectorState.MENDED or (track.cylinder, track.head, sector.id) not in doubted:
            return sector
        how = f"{sector.how}; one such sector too many for the whole disk to be trusted"
        return replace(sector, state=SectorState.SUSPECT, how=how)

    return replace(track, sectors=tuple(judged(s) for s in track.sectors))
