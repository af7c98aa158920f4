"""All reads of one track to one list of sectors, each with its state and how its bytes were got."""

from __future__ import annotations

import math
from collections import Counter, defaultdict
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from indexhole.codes import marks
from indexhole.recover.reads import IdRead, SectorRead, StreamReads, read_stream
from indexhole.recover.result import Sector, SectorState
from indexhole.recover.soft import Combined, combine
from indexhole.signal.streams import Stream, reopened, reversed_loop

# How near a field without a legible id must lie to the place where the sector's fields lie on other turns.
_PLACE_TOLERANCE = 0.004
# A pulse this far from the middle of its cell could as well belong to the next; an eight-bit check that passes
# only once, over such a pulse, proves too little.
_EDGE_OF_WINDOW = 0.42
# What a combination must show besides a passing check, by the width of the check: the choices it was least
# sure of, in voices (found by simulation, see docs/recovery.md). An 8-bit check lets one wrong field in 256
# pass, so hardly a doubt is allowed; a 16-bit one leaves room for a few.
_DOUBTS_8_BIT = ((0, 0.5), (1, 0.6))
_DOUBTS_16_BIT = ((5, 0.25),)
# Other stiffnesses of the loop, tried on sectors that failed with the usual one.
_OTHER_LOOPS = ((0.05, 0.001), (0.25, 0.02))


@dataclass(frozen=True)
class Expected:
    """What the layout says of a track: sector numbers and their size."""

    numbers: tuple[int, ...]
    size: int


def merge_track(
    streams: Sequence[Stream], reads: Sequence[StreamReads], expected: Expected | None
) -> tuple[list[Sector], list[str]]:
    """Merge every stream of one track.

    Args:
        streams: the stays, numbered as the reads number them.
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
    placed = _placed(streams, [r for r in found if r.id is None], by_number, ids)
    sizes = _sizes(ids, expected)
    sectors, warnings = [], _id_warnings(ids)
    for number in sorted({*sizes, *by_number, *(expected.numbers if expected else ())}):
        size = sizes.get(number) or (expected.size if expected else 512)
        own = [r for r in by_number[number] if r.id is None or r.id.size == size]
        sector, warning = _settle(streams, number, size, own, placed.get(number, []), bool(sizes.get(number)))
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


def _median_angle(angles: Sequence[float]) -> float:
    """Middle of angles that lie close together, the index in between or not."""
    first = angles[0]
    return (first + float(np.median([(a - first + 0.5) % 1.0 - 0.5 for a in angles]))) % 1.0


def _placed(
    streams: Sequence[Stream],
    orphans: Sequence[SectorRead],
    by_number: dict[int, list[SectorRead]],
    ids: Sequence[IdRead],
) -> dict[int, list[SectorRead]]:
    """Data fields without a legible id, given to the sector whose place on the turn they take."""
    placed: dict[int, list[SectorRead]] = defaultdict(list)
    if not orphans:
        return placed
    places = {number: _median_angle([r.angle for r in reads]) for number, reads in by_number.items() if reads}
    behind = [
        r.turn - i.turn for r in _flat(by_number) for i in ids if i.stream == r.stream and 0 < r.turn - i.turn < 0.03
    ]
    gap = float(np.median(behind)) if behind else 0.0072
    for one in ids:
        if not by_number.get(one.id.number):
            places.setdefault(one.id.number, (one.turn + gap) % 1.0)
    for read in orphans:
        if not streams[read.stream].segment.index_ticks.size:
            continue
        near = [n for n, a in places.items() if abs((read.angle - a + 0.5) % 1.0 - 0.5) < _PLACE_TOLERANCE]
        if len(near) == 1:
            placed[near[0]].append(read)
    return placed


def _flat(by_number: dict[int, list[SectorRead]]) -> Iterable[SectorRead]:
    return (read for reads in by_number.values() for read in reads)


def _settle(
    streams: Sequence[Stream],
    number: int,
    size: int,
    own: list[SectorRead],
    placed: list[SectorRead],
    id_seen: bool,
) -> tuple[Sector, list[str]]:
    """State and bytes of one sector."""
    placed = [replace(r, data=r.data[:size]) for r in placed if len(r.data) == size]
    every = own + placed
    angle = _median_angle([r.angle for r in every]) if every else math.nan
    if not every:
        how = "its id was read, but no data field behind it" if id_seen else "no id field of this number was legible"
        return Sector(number, size, SectorState.LOST, b"", 0, how, angle), []
    deleted = Counter(r.deleted for r in every).most_common(1)[0][0]

    def sector(state: SectorState, data: bytes, passes: int, how: str) -> Sector:
        return Sector(number, size, state, data, passes, how, angle, deleted)

    good = [r for r in own if r.passed]
    if good:
        return _from_good(streams, number, good, own, sector)
    weak_check = streams[every[0].stream].code == "group45"
    good = [r for r in placed if r.passed]
    if len(good) > weak_check and len({r.data for r in good}) == 1:
        how = f"data field read {len(good)} times without a legible id; given to this sector by its place on the turn"
        return sector(SectorState.MENDED, good[0].data, len(good), how), []
    again = _read_again(streams, own)
    if again is not None:
        return sector(SectorState.SOUND, again[0], 1, again[1]), []
    together = combine(streams, every, size)
    data = together.field[1 : 1 + size]
    changed = min(_bits_apart(data, r.data) for r in every)
    if together.passed and _is_clear(together, weak_check):
        how = f"{_passes(len(every))} combined pulse by pulse; {changed} bits differ from the nearest pass"
        return sector(SectorState.MENDED, data, 0, how), []
    return sector(SectorState.SUSPECT, data, 0, f"the check failed in {_passes(len(every))} and combined"), []


def _passes(count: int) -> str:
    return "1 pass" if count == 1 else f"{count} passes"


def _bits_apart(one: bytes, other: bytes) -> int:
    if len(one) != len(other):
        return 8 * max(len(one), len(other))
    return (int.from_bytes(one) ^ int.from_bytes(other)).bit_count()


def _is_clear(together: Combined, weak_check: bool) -> bool:
    """Whether a combination was sure enough of itself for its passing check to count."""
    doubts = _DOUBTS_8_BIT if weak_check else _DOUBTS_16_BIT
    return all(together.margins[place] >= least for place, least in doubts)


def _from_good(
    streams: Sequence[Stream],
    number: int,
    good: Sequence[SectorRead],
    own: Sequence[SectorRead],
    sector: Callable[..., Sector],
) -> tuple[Sector, list[str]]:
    """Sector from passes whose own check passed: they may still disagree, and an 8-bit check may deceive."""
    counts = Counter(r.data for r in good).most_common()
    data, votes = counts[0]
    weak_check = streams[good[0].stream].code == "group45"
    if len(counts) > 1:
        warning = f"sector {number}: passes with a passing check disagree ({len(counts)} different contents)"
        if votes > sum(n for _, n in counts[1:]) and (votes > 2 or not weak_check):
            how = f"{votes} of {_passes(len(own))} agree; {len(good) - votes} passed the check with other bytes"
            return sector(SectorState.SOUND, data, votes, how), [warning]
        return sector(SectorState.SUSPECT, data, votes, "passes with a passing check disagree"), [warning]
    if weak_check and votes == 1 and not _borne_out(streams, good[0], own):
        how = "the check (8 bits) passed once, and nothing bears it out: too little proof, read it again"
        return sector(SectorState.SUSPECT, data, 1, how), []
    how = "read once" if len(own) == 1 else f"check passed in {votes} of {_passes(len(own))}"
    return sector(SectorState.SOUND, data, votes, how), []


def _borne_out(streams: Sequence[Stream], good: SectorRead, own: Sequence[SectorRead]) -> bool:
    """Whether a field that passed an 8-bit check once is to be believed: all passes combined say the same
    without doubt, or it stands alone and no pulse in it was near the edge of its window.
    """
    if len(own) == 1:
        return good.worst <= _EDGE_OF_WINDOW
    together = combine(streams, own, len(good.data))
    return together.field[1 : 1 + len(good.data)] == good.data and _is_clear(together, weak_check=True)


def _read_again(streams: Sequence[Stream], own: Sequence[SectorRead]) -> tuple[bytes, str] | None:
    """Contents of a sector whose check passes when the same pulses go through another loop, or None.

    Only for codes with a 16-bit check: each further attempt is a chance for a false match.
    """
    if not own or streams[own[0].stream].code == "group45":
        return None
    for read in sorted(own, key=lambda r: r.faults):
        stream = _stretch(streams[read.stream], read)
        assert read.id is not None
        tries = [(reopened(stream, gain=g, drift=d), f"loop gain {g:g}") for g, d in _OTHER_LOOPS]
        tries.append((reversed_loop(stream), "loop run backwards"))
        for other, how in tries:
            for again in read_stream(other, 0).reads:
                if again.passed and again.id == read.id:
                    return again.data, f"check passed in one pass with the {how}"
    return None


def _stretch(stream: Stream, read: SectorRead) -> Stream:
    """The part of a stream around one sector, id included."""
    assert read.id is not None
    cells = (read.id.size + 200) * marks.CELLS_PER_BYTE[stream.code]
    first = max(read.at - cells // 3, 0)
    last = min(read.at + cells, stream.runs.size)
    segment = replace(stream.segment, read_ticks=stream.segment.read_ticks[first : last + 1])
    return Stream(
        segment,
        stream.code,
        stream.cell_ticks,
        stream.intervals[first:last],
        stream.runs[first:last],
        stream.errors[first:last],
        stream.turn_ticks,
    )
