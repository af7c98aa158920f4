"""All reads of one track to one list of sectors, each with its state and how its bytes were got."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from statistics import median

from indexhole.recover.fields.frame import Frame, Owners, apart, build_frame
from indexhole.recover.fields.reads import IdRead, SectorRead, StreamReads
from indexhole.recover.fields.weak import Bytes, weak_stretches
from indexhole.recover.sectors.resolve_sector import median_angle, resolve_sector
from indexhole.recover.shapes.result import Sector, SectorState
from indexhole.recover.tracks.sector_without_id import SectorWithoutId, find_sectors_without_id, name_them

# How near a field without a legible id must lie to the place where the sector's fields lie on other turns.
_PLACE_TOLERANCE = 0.004
# From an id to its data, in revolutions, where no sector tells.
_USUAL_GAP = 0.0072

Key = tuple[int, int]
"""Number of a sector, and which of its places on the turn."""


@dataclass(frozen=True)
class Expected:
    """What the layout says of a track: sector numbers in the order they pass the head, and their size."""

    numbers: tuple[int, ...]
    size: int


@dataclass(frozen=True)
class Merged:
    """What the dwells on one track give together.

    Attributes:
        sectors: in order of number; where one stands at several places, the image's first, then by angle.
        reads: by sector in that order, what was read of it.
        weak: by sector in that order, bytes in which its passes disagree.
        without_id: data fields that could not be given to a sector.
        frame: how the dwells lie against each other.
        warnings: in words.
    """

    sectors: list[Sector]
    reads: list[list[SectorRead]]
    weak: list[list[Bytes]]
    without_id: list[SectorWithoutId]
    frame: Frame
    warnings: list[str]


def merge_track(
    indexed: Sequence[bool],
    reads: Sequence[StreamReads],
    expected: Expected | None,
    broken: Sequence[IdRead] = (),
    passes: int = 1,
) -> Merged:
    """Merge every stream of one track.

    Args:
        indexed: whether each dwell had an index pulse, dwells numbered as the reads number them.
        reads: what each one gave.
        expected: from the layout; its sectors that never showed are `lost`, others stay beside the image.
        broken: ids whose check fails, dwells numbered likewise.
        passes: turns in all.
    """
    ids = [one for part in reads for one in part.ids]
    found = [one for part in reads for one in part.reads]
    frame = build_frame(indexed, reads)
    owned = _owned(found, ids, frame)
    placed, orphans = _placed(indexed, [r for r in found if r.id is None], owned, ids, frame)
    named, without_id = _named(find_sectors_without_id(orphans, broken, frame, passes), owned, ids, expected, frame)
    sizes = _sizes(ids, owned, frame)
    resolved: list[_Resolved] = []
    warnings = _id_warnings(ids)
    numbers = expected.numbers if expected else ()
    for key in sorted({*sizes, *owned, *((n, 0) for n in (*numbers, *named))}):
        size = sizes.get(key) or (expected.size if expected else _size_of(named.get(key[0])))
        own = [r for r in owned.get(key, ()) if r.id is None or r.id.size == size]
        given = named.get(key[0]) if key[1] == 0 else None
        others = [r for r in (*placed.get(key, ()), *(given.reads if given else ())) if len(r.data) == size]
        sector, warning = resolve_sector(key[0], size, own, others, id_seen=bool(sizes.get(key)))
        sector, weak = _without_weak(sector, [*own, *others])
        if given is not None:
            sector = replace(sector, how=f"{sector.how}; {given.why}", by_broken_id=given.by_broken_id)
        resolved.append(_Resolved(sector, [*own, *others], weak))
        warnings.extend(warning)
    resolved = _for_image(resolved, ids, frame, expected)
    return Merged(
        [one.sector for one in resolved],
        [one.reads for one in resolved],
        [one.weak for one in resolved],
        without_id,
        frame,
        warnings,
    )


@dataclass(frozen=True)
class _Resolved:
    sector: Sector
    reads: list[SectorRead]
    weak: list[Bytes]


def _without_weak(sector: Sector, reads: Sequence[SectorRead]) -> tuple[Sector, list[Bytes]]:
    """A suspect sector without the bytes that every pass shows otherwise: noise must not pass for data."""
    if sector.state is not SectorState.SUSPECT or not sector.data:
        return sector, []
    weak = weak_stretches(reads, sector.size)
    if not weak:
        return sector, []
    # The part before the noise is as the single passes have it; joining them goes astray over so long a stretch.
    data = bytearray(Counter(column).most_common(1)[0][0] for column in zip(*(r.data for r in reads), strict=True))
    for first, end in weak:
        data[first:end] = bytes(len(data[first:end]))
    text = ", ".join(f"{first} to {end - 1}" for first, end in weak)
    how = f"{sector.how}; weak recording: bytes {text} differ from pass to pass and are left zero"
    return replace(sector, data=bytes(data), how=how), weak


def _owned(found: Iterable[SectorRead], ids: Sequence[IdRead], frame: Frame) -> dict[Key, list[SectorRead]]:
    """Reads behind a legible id, by number and place."""
    owned: dict[Key, list[SectorRead]] = defaultdict(list)
    owners = Owners(ids)
    for read in found:
        if read.id is None:
            continue
        position = 0
        if read.id.number in frame.repeated:
            owner = owners.of(read)
            turn = owner.turn if owner is not None else read.turn - _USUAL_GAP
            position = frame.position_of(read.id.number, frame.angle(read.stream, turn))
        owned[read.id.number, position].append(read)
    return owned


def _sizes(ids: Iterable[IdRead], owned: Mapping[Key, Sequence[SectorRead]], frame: Frame) -> dict[Key, int]:
    """Size of each sector: of the fields whose check passed, else by what most of its ids say."""
    votes: dict[Key, Counter[int]] = defaultdict(Counter)
    for one in ids:
        votes[one.id.number, frame.position_of(one.id.number, frame.angle(one.stream, one.turn))][one.id.size] += 1
    sizes = {key: count.most_common(1)[0][0] for key, count in votes.items()}
    for key, own in owned.items():
        passed = Counter(len(r.data) for r in own if r.passed)
        if passed:
            sizes[key] = passed.most_common(1)[0][0]
    return sizes


def _size_of(given: SectorWithoutId | None) -> int:
    return len(given.reads[0].data) if given is not None else 512


def _id_warnings(ids: Sequence[IdRead]) -> list[str]:
    places = Counter((one.id.cylinder, one.id.head) for one in ids)
    if len(places) < 2:
        return []
    text = ", ".join(f"cylinder {c} head {h} ({n} ids)" for (c, h), n in places.most_common())
    return [f"ids on one track name different places: {text}"]


def _placed(
    indexed: Sequence[bool],
    orphans: Sequence[SectorRead],
    owned: Mapping[Key, Sequence[SectorRead]],
    ids: Sequence[IdRead],
    frame: Frame,
) -> tuple[dict[Key, list[SectorRead]], list[SectorRead]]:
    """Data fields without a legible id, given to the sector whose place on the turn they take; and those left."""
    placed: dict[Key, list[SectorRead]] = defaultdict(list)
    if not orphans:
        return placed, []
    positions = _positions(owned, ids, frame)
    left = []
    for read in orphans:
        angle = frame.angle(read.stream, read.turn)
        near = [key for key, a in positions.items() if apart(angle, a) < _PLACE_TOLERANCE]
        if len(near) == 1 and indexed[read.stream] and frame.aligned[read.stream]:
            placed[near[0]].append(read)
        else:
            left.append(read)
    return placed, left


def _positions(owned: Mapping[Key, Sequence[SectorRead]], ids: Sequence[IdRead], frame: Frame) -> dict[Key, float]:
    """Angle of the data field of each sector an id was read of."""
    positions = {
        key: median_angle([frame.angle(r.stream, r.turn) for r in reads]) for key, reads in owned.items() if reads
    }
    owners = Owners(ids)
    behind = [r.turn - i.turn for reads in owned.values() for r in reads if (i := owners.of(r)) is not None]
    gap = median(behind) if behind else _USUAL_GAP
    for one in ids:
        angle = frame.angle(one.stream, one.turn)
        positions.setdefault((one.id.number, frame.position_of(one.id.number, angle)), (angle + gap) % 1.0)
    return positions


def _named(
    without_id: Sequence[SectorWithoutId],
    owned: Mapping[Key, Sequence[SectorRead]],
    ids: Sequence[IdRead],
    expected: Expected | None,
    frame: Frame,
) -> tuple[dict[int, SectorWithoutId], list[SectorWithoutId]]:
    """Fields without an id, with the numbers that can be told."""
    if not without_id:
        return {}, []
    seen = {number: angle for (number, position), angle in _positions(owned, ids, frame).items() if position == 0}
    return name_them(without_id, seen, expected.numbers if expected else ())


def _for_image(
    resolved: Sequence[_Resolved], ids: Sequence[IdRead], frame: Frame, expected: Expected | None
) -> list[_Resolved]:
    """The sectors, told which of them the image holds: the first of each number, of those the layout has.

    Of several with one number those with data come first, then those whose ids name the place most ids of the track
    name, then the first behind the index.
    """
    usual = Counter((one.id.cylinder, one.id.head) for one in ids).most_common(1)
    at_home = {
        (one.id.number, frame.position_of(one.id.number, frame.angle(one.stream, one.turn)))
        for one in ids
        if usual and (one.id.cylinder, one.id.head) == usual[0][0]
    }
    ranked: dict[int, list[tuple[tuple[bool, bool, float], _Resolved]]] = defaultdict(list)
    for one in resolved:
        at = (one.sector.id, len(ranked[one.sector.id]))
        ranked[one.sector.id].append(((not one.sector.data, at not in at_home, one.sector.angle), one))
    chosen: list[_Resolved] = []
    for number in sorted(ranked):
        own = [one for _, one in sorted(ranked[number], key=lambda entry: entry[0])]
        belongs = expected is None or number in expected.numbers
        for k, one in enumerate(own):
            how = one.sector.how
            if len(own) > 1:
                how += f"; {_ORDINALS[min(k, 3)]} of {len(own)} of this number on the track"
                how += "" if k == 0 else ", beside the image"
            chosen.append(replace(one, sector=replace(one.sector, how=how, in_image=belongs and k == 0)))
    return chosen


_ORDINALS = ("the first", "the second", "the third", "a further")
