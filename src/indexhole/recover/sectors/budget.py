"""The chance that anything on a disk was mended wrongly, held under a limit."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace

from indexhole.recover.shapes.result import Sector, SectorState, Track

# One disk in a million may hold a sector mended wrongly.
FALSE_BUDGET = 1e-6


def false_chance(tracks: Iterable[Track]) -> float:
    """Sum over the mended sectors of the chance that each is wrong: a bound on the chance that any is."""
    return sum(s.false_chance for t in tracks for s in t.sectors if s.state is SectorState.MENDED)


def within_budget(tracks: Sequence[Track]) -> tuple[list[Track], int]:
    """The tracks with the least certain mended sectors made suspect, until the sum keeps to the budget; how many."""
    # A number may stand on a track twice, so sectors are told apart by their places in the lists.
    mended = sorted(
        (s.false_chance, at, k)
        for at, t in enumerate(tracks)
        for k, s in enumerate(t.sectors)
        if s.state is SectorState.MENDED
    )
    spent = 0.0
    doubted: set[tuple[int, int]] = set()
    for chance, *position in mended:
        spent += chance
        if spent > FALSE_BUDGET:
            doubted.add((position[0], position[1]))
    if not doubted:
        return list(tracks), 0
    return [_doubting(t, {k for at, k in doubted if at == n}) for n, t in enumerate(tracks)], len(doubted)


def _doubting(track: Track, doubted: set[int]) -> Track:
    def judged(position: int, sector: Sector) -> Sector:
        if position not in doubted:
            return sector
        how = f"{sector.how}; one such sector too many for the whole disk to be trusted"
        return replace(sector, state=SectorState.SUSPECT, how=how)

    return replace(track, sectors=tuple(judged(k, s) for k, s in enumerate(track.sectors)))
