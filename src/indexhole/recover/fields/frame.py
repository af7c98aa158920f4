"""Where fields lie on the turn, in one frame for all dwells on a track, index or not; and numbers that stand twice.

The index gives the angle where there is one, but sensors stand differently and a log may have none. So every dwell is
laid against the fullest one by the sector numbers both show. A number is repeated when one dwell shows it at two
places a turn; that another dwell shows it elsewhere is no proof, since the track may have been formatted anew.
"""

from __future__ import annotations

from bisect import bisect_right
from collections import Counter, defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from statistics import median

from indexhole.codes.known import CODES
from indexhole.recover.fields.reads import IdRead, SectorRead, StreamReads

# Ids of one number this far apart (revolutions) stand at two places: the shortest sectors are 1/40 long.
_APART = 0.015
_LONGEST_TURN, _SHORTEST_TURN = 1.3, 0.75
# How far behind its id, in revolutions, a data mark may come.
_BEHIND = 0.05


@dataclass(frozen=True)
class Frame:
    """Places on the turn.

    Attributes:
        scale, shift: by dwell, revolutions of one turn in the dwell's own count, and its angle 0 in the frame.
        aligned: by dwell, whether it could be laid against the others.
        repeated: by number, the angles of its ids, for those with more than one.
    """

    scale: tuple[float, ...]
    shift: tuple[float, ...]
    aligned: tuple[bool, ...]
    repeated: dict[int, tuple[float, ...]]

    def angle(self, stream: int, turn: float) -> float:
        """Angle in the frame, 0 to 1."""
        return (turn / self.scale[stream] - self.shift[stream]) % 1.0

    def position_of(self, number: int, angle: float) -> int:
        """Which of a number's places the angle of an id is nearest, 0 for a number with one."""
        positions = self.repeated.get(number)
        return 0 if positions is None else min(range(len(positions)), key=lambda k: apart(angle, positions[k]))


def apart(one: float, other: float) -> float:
    """Distance of two angles in revolutions, 0 to 0.5."""
    return abs((one - other + 0.5) % 1.0 - 0.5)


def build_frame(indexed: Sequence[bool], reads: Sequence[StreamReads]) -> Frame:
    """The frame of the dwells on one track."""
    scale = tuple(1.0 if has else _turn_of(part.ids) for has, part in zip(indexed, reads, strict=True))
    clusters = [_clusters(part.ids, turn) for part, turn in zip(reads, scale, strict=True)]
    twice = [_repeats(part, own, turn) for part, own, turn in zip(reads, clusters, scale, strict=True)]
    if not reads:
        return Frame((), (), (), {})
    base = max(range(len(reads)), key=lambda k: (len(twice[k]), indexed[k], len(clusters[k])))
    shift, aligned = [], []
    for k, own in enumerate(clusters):
        common = [n for n in own if len(own[n]) == 1 and len(clusters[base].get(n, ())) == 1]
        moved = [(own[n][0] - clusters[base][n][0] + 0.5) % 1.0 - 0.5 for n in common]
        shift.append(median(moved) if moved else 0.0)
        aligned.append(bool(moved) or k == base or (indexed[k] and indexed[base]))
    repeated: dict[int, tuple[float, ...]] = {}
    for k, found in enumerate(twice):
        for number in found:
            positions = [(a - shift[k]) % 1.0 for a in clusters[k][number]]
            known = repeated.get(number, ())
            fresh = [a for a in positions if all(apart(a, b) > _APART for b in known)]
            repeated[number] = tuple(sorted((*known, *fresh)))
    return Frame(scale, tuple(shift), tuple(aligned), {n: p for n, p in repeated.items() if len(p) > 1})


def _turn_of(ids: Sequence[IdRead]) -> float:
    """Length of a turn in a dwell without an index, from how soon each number comes again."""
    by_number: dict[int, list[float]] = defaultdict(list)
    for one in ids:
        by_number[one.id.number].append(one.turn)
    steps = [b - a for turns in by_number.values() for a, b in pairwise(turns)]
    usual = [s for s in steps if _SHORTEST_TURN < s < _LONGEST_TURN]
    return median(usual) if usual else 1.0


def _clusters(ids: Sequence[IdRead], turn: float) -> dict[int, list[float]]:
    """By number, the angles at which it stands in one dwell."""
    angles: dict[int, list[float]] = defaultdict(list)
    for one in ids:
        angles[one.id.number].append(one.turn / turn % 1.0)
    return {number: _grouped(own) for number, own in angles.items()}


def _grouped(angles: Sequence[float]) -> list[float]:
    """Middles of the groups that angles fall into, on the circle."""
    ordered = sorted(angles)
    cuts = [k for k in range(len(ordered)) if (ordered[k] - ordered[k - 1]) % 1.0 > _APART]
    if len(ordered) == 1 or not cuts:
        return [ordered[0]]
    turned = ordered[cuts[0] :] + [a + 1.0 for a in ordered[: cuts[0]]]
    groups = [[turned[0]]]
    for angle in turned[1:]:
        if angle - groups[-1][-1] > _APART:
            groups.append([])
        groups[-1].append(angle)
    return [median(group) % 1.0 for group in groups]


def _repeats(part: StreamReads, clusters: dict[int, list[float]], turn: float) -> list[int]:
    """Numbers one dwell shows at more than one place, often enough that neither a slipped index nor chance did it."""
    if all(len(own) == 1 for own in clusters.values()):
        return []
    count = Counter(i.id.number for i in part.ids)
    span = (part.ids[-1].turn - part.ids[0].turn) / turn
    proven = Counter(r.id.number for r in part.reads if r.passed and r.id is not None)
    weak_check = any(CODES[r.code].short_check for r in part.reads)
    return [
        number
        for number, own in clusters.items()
        if len(own) > 1 and count[number] >= 1.4 * span - 1 and (not weak_check or proven[number] > 1)
    ]


class Owners:
    """Finds the id a data field stands behind."""

    def __init__(self, ids: Sequence[IdRead]) -> None:
        self._by_stream: dict[int, tuple[list[float], list[IdRead]]] = {}
        for one in sorted(ids, key=lambda i: i.turn):
            turns, own = self._by_stream.setdefault(one.stream, ([], []))
            turns.append(one.turn)
            own.append(one)

    def of(self, read: SectorRead) -> IdRead | None:
        """The nearest id in front of a field, None when none is near."""
        turns, own = self._by_stream.get(read.stream, ([], []))
        at = bisect_right(turns, read.turn) - 1
        return own[at] if at >= 0 and read.turn - turns[at] < _BEHIND else None
