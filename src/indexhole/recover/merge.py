"""All reads of one track to one list of sectors, each with its state and how its bytes were got."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from statistics import median

from indexhole.recover.reads import IdRead, SectorRead, StreamReads
from indexhole.recover.result import Sector
from indexhole.recover.settle import median_angle, settle

# How near a field without a legible id must lie to the place where the sector's fields lie on other turns.
_PLACE_TOLERANCE = 0.004


@dataclass(frozen=True)
class Expected:
    """What the layout says of a track: sector numbers and their size."""

    numbers: tuple[int, ...]
    size: int


def merge_track(
    indexed: Sequence[bool], reads: Sequence[StreamReads], expected: Expected | None
) -> tuple[list[Sector], list[str]]:
    """Merge every stream of one track.

    Args:
        indexed: whether each stay had an index pulse, stays numbered as the reads number them.
        reads: what each one gave.
        expected: from the layout; its sectors that never showed are `lost`.

    Returns:
        Sectors in order of number, and warnings.
    """
    ids = [one for part in reads for one in part.ids]
    found = [one for part in reads for one in part.reads]
    by_number: dict[int, list[SectorRead]] = defaultdict(list)
    for read in found:
        if read.id is not None:
            by_number[read.id.number].append(read)
    placed = _placed(indexed, [r for r in found if r.id is None], by_number, ids)
    sizes = _sizes(ids, expected)
    sectors, warnings = [], _id_warnings(ids)
    for number in sorted({*sizes, *by_number, *(expected.numbers if expected else ())}):
        size = sizes.get(number) or (expected.size if expected else 512)
        own = [r for r in by_number[number] if r.id is None or r.id.size == size]
        orphans = [r for r in placed.get(number, []) if len(r.data) == size]
        sector, warning = settle(number, size, own, orphans, id_seen=bool(sizes.get(number)))
        sectors.append(sector)
        warnings.extend(warning)
    return sectors, warnings


def _sizes(ids: Iterable[IdRead], expected: Expected | None) -> dict[int, int]:
    """Size of each sector by what most of its ids say."""
    votes: dict[int, Counter[int]] = defaultdict(Counter)
    for one in ids:
        votes[one.id.number][one.id.size] += 1
    return {number: count.most_common(1)[0][0] for number, count in votes.items()}


def _id_warnings(ids: Sequence[IdRead]) -> list[str]:
    places = Counter((one.id.cylinder, one.id.head) for one in ids)
    if len(places) < 2:
        return []
    told = ", ".join(f"cylinder {c} head {h} ({n} ids)" for (c, h), n in places.most_common())
    return [f"ids on one track name different places: {told}"]


def _placed(
    indexed: Sequence[bool],
    orphans: Sequence[SectorRead],
    by_number: dict[int, list[SectorRead]],
    ids: Sequence[IdRead],
) -> dict[int, list[SectorRead]]:
    """Data fields without a legible id, given to the sector whose place on the turn they take."""
    placed: dict[int, list[SectorRead]] = defaultdict(list)
    if not orphans:
        return placed
    places = {number: median_angle([r.angle for r in reads]) for number, reads in by_number.items() if reads}
    behind = [
        r.turn - i.turn for r in _flat(by_number) for i in ids if i.stream == r.stream and 0 < r.turn - i.turn < 0.03
    ]
    gap = median(behind) if behind else 0.0072
    for one in ids:
        if not by_number.get(one.id.number):
            places.setdefault(one.id.number, (one.turn + gap) % 1.0)
    for read in orphans:
        if not indexed[read.stream]:
            continue
        near = [n for n, a in places.items() if abs((read.angle - a + 0.5) % 1.0 - 0.5) < _PLACE_TOLERANCE]
        if len(near) == 1:
            placed[near[0]].append(read)
    return placed


def _flat(by_number: dict[int, list[SectorRead]]) -> Iterable[SectorRead]:
    return (read for reads in by_number.values() for read in reads)
