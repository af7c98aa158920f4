"""How the tracks of a disk are laid out, found from the tracks alone: zones, numbers, interleave, skew, gaps.

Tracks that follow one another on a side and agree in code, sector size, cell length, sector numbers and their order
make a zone; where on the turn the order begins may shift. A track that was not wholly legible agrees with any zone that
has its numbers and more. A few tracks between two runs
that agree with each other are odd tracks, not a zone.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence
from statistics import median

from indexhole.recover.sectors.seen import TrackGaps, TrackSeen
from indexhole.recover.shapes.description import Description, Zone

# Cells of one zone differ by less, those of two by more.
_SAME_CELL = 0.025
# A run of odd tracks is at most so long, and at most this share of the run on either side.
_ODD_RUN, _ODD_SHARE = 3, 0.15
_MOST = 0.7


def describe(
    tracks: Sequence[TrackSeen],
    *,
    holes: int = 0,
    offset: int = 0,
    captures: Iterable[str] = (),
    notes: Iterable[str] = (),
) -> Description:
    """Describe the tracks of one disk."""
    sides = {head: [t for t in tracks if t.head == head] for head in sorted({t.head for t in tracks})}
    odd: list[tuple[int, int]] = []
    runs: list[list[TrackSeen]] = []
    for own in sides.values():
        kept, left = _runs(own)
        runs += kept
        odd += [(t.cylinder, t.head) for t in left]
    zones = _joined([_zone([run]) for run in runs], runs)
    speeds = [t.speed_rpm for t in tracks if t.speed_rpm]
    return Description(
        tuple(sorted(zones, key=lambda z: (z.first_cylinder, z.heads))),
        tuple(sorted(odd)),
        {head: tuple(t.cylinder for t in own) for head, own in sides.items()},
        median(speeds) if speeds else None,
        holes,
        offset,
        tuple(dict.fromkeys(captures)),
        tuple(notes),
    )


def _at_speed(track: TrackSeen) -> float:
    """Cell as a share of the turn where the speed is known: readers of several speeds compare by that."""
    return track.cell_s * (track.speed_rpm / 300 if track.speed_rpm else 1.0)


def _alike(one: TrackSeen, other: TrackSeen) -> bool:
    """Whether two tracks may be of one zone."""
    if (one.code, one.size) != (other.code, other.size):
        return False
    if abs(_at_speed(one) / _at_speed(other) - 1) > _SAME_CELL:
        return False
    mine, theirs = set(one.numbers), set(other.numbers)
    if one.clean and other.clean:
        return mine == theirs and turned(one.order) == turned(other.order)
    return (mine <= theirs or one.clean is False) and (theirs <= mine or other.clean is False)


def _runs(tracks: Sequence[TrackSeen]) -> tuple[list[list[TrackSeen]], list[TrackSeen]]:
    """Tracks of one side in runs laid out alike, and the odd ones among them."""
    runs: list[list[TrackSeen]] = []
    for track in tracks:
        if runs and all(_alike(track, t) for t in (runs[-1][-1], _typical(runs[-1]))):
            runs[-1].append(track)
        else:
            runs.append([track])
    odd: list[TrackSeen] = []
    while (at := _odd_run(runs)) is not None:
        odd += runs[at]
        after = runs[at + 1] if at + 1 < len(runs) else []
        runs[at - 1 : at + 2] = [runs[at - 1] + after]
    return runs, odd


def _typical(run: Sequence[TrackSeen]) -> TrackSeen:
    """The track of a run that shows most of it."""
    return max(run, key=lambda t: (t.clean, len(t.numbers)))


def _odd_run(runs: Sequence[Sequence[TrackSeen]]) -> int | None:
    """A short run between two that agree, or at the inner end of a long one; the outermost cylinder is its own zone."""
    for at in range(1, len(runs)):
        before, own = runs[at - 1], runs[at]
        after = runs[at + 1] if at + 1 < len(runs) else None
        if len(own) > _ODD_RUN or len(own) > max(1.0, _ODD_SHARE * len(before)):
            continue
        if after is None:
            if len(before) >= 4 * len(own) and len(before) > 2:
                return at
        elif _alike(_typical(before), _typical(after)):
            return at
    return None


def _numbers(tracks: Sequence[TrackSeen]) -> tuple[int, ...]:
    """Numbers of a zone: those of its clean tracks, else those at least half of its tracks have."""
    clean = [t for t in tracks if t.clean]
    votes = Counter(n for t in (clean or tracks) for n in t.numbers)
    needed = 0.5 * len(clean or tracks)
    return tuple(sorted(n for n, count in votes.items() if count >= needed))


def _zone(runs: Sequence[Sequence[TrackSeen]]) -> Zone:
    tracks = [t for run in runs for t in run]
    numbers = _numbers(tracks)
    order = _order(tracks, numbers)
    speeds = [t.speed_rpm for t in tracks if t.speed_rpm]
    turns = [t.cells_a_turn for t in tracks if t.cells_a_turn]
    fill: Counter[int] = Counter()
    plain: Counter[int] = Counter()
    for track in tracks:
        fill.update(track.gap_fill)
        plain.update(track.plain)
    turn_s = 60 / median(speeds) if speeds else None
    cell_s = median(t.cell_s * (t.speed_rpm / (60 / turn_s) if t.speed_rpm and turn_s else 1.0) for t in tracks)
    return Zone(
        min(t.cylinder for t in tracks),
        max(t.cylinder for t in tracks),
        tuple(sorted({t.head for t in tracks})),
        len(tracks),
        tracks[0].code,
        cell_s,
        turn_s,
        numbers,
        tracks[0].size,
        order,
        interleave_of(order),
        _skew(tracks, numbers, (1, 0)),
        _skew(tracks, numbers, (0, 1)),
        _gaps(tracks),
        fill.most_common(1)[0][0] if fill else None,
        plain,
        median(turns) if turns else None,
    )


def _joined(zones: Sequence[Zone], runs: Sequence[Sequence[TrackSeen]]) -> list[Zone]:
    """Zones of the two sides made one where they cover the same cylinders alike."""
    left = list(zip(zones, runs, strict=True))
    found: list[Zone] = []
    while left:
        zone, run = left.pop(0)
        twin = next(
            (
                k
                for k, (other, others) in enumerate(left)
                if other.heads != zone.heads
                and (other.first_cylinder, other.last_cylinder) == (zone.first_cylinder, zone.last_cylinder)
                and _alike(_typical(run), _typical(others))
            ),
            None,
        )
        found.append(zone if twin is None else _zone([run, left.pop(twin)[1]]))
    return found


def _order(tracks: Sequence[TrackSeen], numbers: Sequence[int]) -> tuple[int, ...]:
    """The commonest order round the turn, from the lowest number on; of tracks that show all numbers, if any."""
    votes: Counter[tuple[int, ...]] = Counter()
    for track in tracks:
        kept = [n for n in track.order if n in numbers]
        if len(kept) == len(numbers) and kept:
            votes[turned(kept)] += 1
    return votes.most_common(1)[0][0] if votes else tuple(numbers)


def turned(order: Sequence[int]) -> tuple[int, ...]:
    """A round of numbers, begun at the lowest."""
    start = order.index(min(order)) if order else 0
    return (*order[start:], *order[:start])


def interleaved(count: int, step: int) -> list[int]:
    """Ranks 0 to count - 1 in the order in which a formatter with this interleave lays them round the turn."""
    order = [-1] * count
    slot = 0
    for rank in range(count):
        while order[slot] != -1:
            slot = (slot + 1) % count
        order[slot] = rank
        slot = (slot + step) % count
    return order


def interleave_of(order: Sequence[int]) -> int | None:
    """The least interleave that gives this order round the turn (from its lowest number on), None when none does."""
    rank = {number: k for k, number in enumerate(sorted(order))}
    ranks = [rank[number] for number in order]
    return next((step for step in range(1, max(len(ranks), 2)) if interleaved(len(ranks), step) == ranks), None)


def _skew(tracks: Sequence[TrackSeen], numbers: Sequence[int], step: tuple[int, int]) -> int | None:
    """Places by which the lowest number moves over a step of (cylinders, heads), when most pairs of tracks agree."""
    whole = [t for t in tracks if t.indexed and numbers and set(t.order) == set(numbers)]
    place = {(t.cylinder, t.head): t.order.index(numbers[0]) for t in whole}
    votes = Counter(
        (place[other] - at) % len(numbers)
        for (cylinder, head), at in place.items()
        if (other := (cylinder + step[0], head + step[1])) in place
    )
    if not votes:
        return None
    skew, count = votes.most_common(1)[0]
    return skew if count >= _MOST * votes.total() else None


def _gaps(tracks: Sequence[TrackSeen]) -> dict[str, float]:
    found: dict[str, float] = {}
    for name in TrackGaps.__dataclass_fields__:
        values = [v for t in tracks if (v := getattr(t.gaps, name)) is not None]
        # An index mark on a few tracks only is odd, not part of the layout.
        if values and len(values) * 2 >= len(tracks):
            found[name] = median(values)
    return found
