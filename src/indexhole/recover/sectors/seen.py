"""What was seen of each track, all its dwells together: the ground identification and description stand on."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from statistics import median

from indexhole.codes.code import CodeName
from indexhole.codes.known import CODES
from indexhole.recover.sectors.dwells import Dwell
from indexhole.recover.sectors.resolve_sector import median_angle

# A number that only this share of the turns showed is likelier a misread id.
_SELDOM = 0.3


@dataclass(frozen=True)
class TrackGaps:
    """Gaps of a track in bytes, medians over what was measured, None where nothing was; see survey.Survey."""

    gap_2: float | None
    gap_3: float | None
    lead_in: float | None
    index_mark: float | None
    gap_1: float | None
    last_gap: float | None


@dataclass(frozen=True)
class TrackSeen:
    """What all dwells on one track tell of it.

    Attributes:
        cylinder, head: where it lies; `from_ids` when no step lines told.
        code: as decoded.
        cell_s: mean recorded cell as read.
        speed_rpm: of the reader, None when there was no index.
        numbers: sector numbers, each with the size its ids name, most of them at least.
        size: commonest sector size.
        order: sector numbers as they pass the head, from the index on when `indexed`.
        clean: whether a whole turn was read with nothing illegible in it.
        cells_a_turn: from index to index, None without two.
        gap_fill: bytes of gap with how often each was read.
        plain: bytes that fill whole sectors, with how many each.
        names: cylinder and head as the ids name them, most often first, with the number of ids.
    """

    cylinder: int
    head: int
    from_ids: bool
    code: CodeName
    cell_s: float
    speed_rpm: float | None
    numbers: Mapping[int, int]
    size: int
    order: tuple[int, ...]
    indexed: bool
    clean: bool
    cells_a_turn: float | None
    gaps: TrackGaps
    gap_fill: Mapping[int, int]
    plain: Mapping[int, int]
    names: tuple[tuple[tuple[int, int], int], ...]


def tracks_seen(dwells: Iterable[Dwell]) -> list[TrackSeen]:
    """Every track with a legible id, in order of cylinder and head; dwells in a rarer code are left out."""
    by_place: dict[tuple[int, int], list[Dwell]] = defaultdict(list)
    for dwell in dwells:
        if dwell.cylinder is not None and dwell.head is not None and dwell.reads.ids:
            by_place[dwell.cylinder, dwell.head].append(dwell)
    return [_track_seen(*place, group) for place, group in sorted(by_place.items())]


def _track_seen(cylinder: int, head: int, group: Sequence[Dwell]) -> TrackSeen:
    code = Counter(one.code for one in group).most_common(1)[0][0]
    group = [one for one in group if one.code == code]
    numbers = _numbers(group)
    speeds = [one.speed_rpm for one in group if one.speed_rpm]
    turns = [one.survey.cells_a_turn for one in group if one.survey.cells_a_turn]
    fullest = max(group, key=lambda one: (one.indexed, len({i.id.number for i in one.reads.ids})))
    ids = [i.id for one in group for i in one.reads.ids]
    fill: Counter[int] = Counter()
    for one in group:
        fill.update(dict(one.survey.gap_fill))
    return TrackSeen(
        cylinder,
        head,
        not any(one.from_lines for one in group),
        code,
        median(one.cell_s for one in group),
        median(speeds) if speeds else None,
        numbers,
        Counter(i.size for i in ids).most_common(1)[0][0],
        _order(fullest, numbers),
        fullest.indexed,
        any(one.survey.clean for one in group),
        median(turns) if turns else None,
        _gaps(group),
        fill,
        _plain(group),
        tuple(Counter((i.cylinder, i.head) for i in ids).most_common()),
    )


def _numbers(group: Sequence[Dwell]) -> dict[int, int]:
    """Sector numbers with their sizes, without those that hardly any turn showed."""
    seen = Counter(i.id.number for one in group for i in one.reads.ids)
    proven = {r.id.number for one in group for r in one.reads.reads if r.passed and r.id is not None}
    least = _SELDOM * sum(one.passes for one in group)
    sizes: dict[int, Counter[int]] = defaultdict(Counter)
    for one in group:
        for i in one.reads.ids:
            sizes[i.id.number][i.id.size] += 1
    return {
        number: sizes[number].most_common(1)[0][0]
        for number in sorted(seen)
        if seen[number] >= least or (number in proven and not CODES[group[0].code].short_check)
    }


def _order(dwell: Dwell, numbers: Mapping[int, int]) -> tuple[int, ...]:
    """Numbers as they pass the head in one dwell."""
    angles: dict[int, list[float]] = defaultdict(list)
    for one in dwell.reads.ids:
        if one.id.number in numbers:
            angles[one.id.number].append(one.turn % 1.0 if dwell.indexed else one.turn)
    if dwell.indexed:
        return tuple(sorted(angles, key=lambda n: median_angle(angles[n])))
    return tuple(sorted(angles, key=lambda n: angles[n][0]))


def _gaps(group: Sequence[Dwell]) -> TrackGaps:
    def middle(name: str) -> float | None:
        found = [value for one in group for value in getattr(one.survey, name)]
        return median(found) if found else None

    return TrackGaps(*(middle(name) for name in TrackGaps.__dataclass_fields__))


def _plain(group: Sequence[Dwell]) -> Counter[int]:
    """Bytes that fill whole sectors: what a formatter leaves behind."""
    found: dict[int, int] = {}
    for one in group:
        for read in one.reads.reads:
            if read.passed and read.id is not None and read.data and read.data.count(read.data[0]) == len(read.data):
                found[read.id.number] = read.data[0]
    return Counter(found.values())
