"""Which layout a set of recovered tracks follows: a posterior over the library and `none of those known`.

Each layout is a hypothesis, its prior the `weight` of its file. Its log-likelihood adds up what it says wrongly of
each track (code, sector size, numbers: independent from track to track) and what errs alike on all tracks of a disk
(cell length with the reader's speed divided out, speed of the reader), which counts four times at most. Once a disk
come weak signs: interleave, gaps, how far the log goes. `None of those known` is the layout the tracks themselves
describe (recover.describe), judged in the same way, at a prior of its own; so an odd track or a worn one, which no
layout foresees, speaks against all of them alike. The figures are our own, set by what they must tell apart, not
by a source (docs/identification.md says why each).
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from statistics import median
from typing import Protocol

from indexhole.codes.code import CodeName
from indexhole.codes.known import CODES
from indexhole.recover.layouts.describe import describe, turned
from indexhole.recover.sectors.seen import TrackSeen
from indexhole.recover.shapes.description import Description
from indexhole.recover.shapes.result import Identification
from indexhole.standards.layouts import Layout
from indexhole.wording import count_of

# The weights below are natural logs: -2 says that what was seen is exp(2) = 7 times less likely under the layout. None
# has a source; each was chosen for the difference it must make. What half and twice of each does was counted on the 130
# logs of simulated tracks that the tests identify: "half: 2" says that at half of it 2 of the 130 first answers change.

# How far a cell, the reader's speed divided out, may be off what the layout says, one standard deviation: as much as
# drives may turn fast or slow (1.5 %, standards/tolerances.toml). The nearest cells of two layouts are 7 % apart, more
# than four of these. Half: 1; twice: none.
_CELL_SIGMA = 0.015
# The same for the reader's own speed. 300 and 360 r/min are 18 % apart, so it is not felt. Half or twice: none.
_SPEED_SIGMA = 0.012
# Share of disks read in a drive of another nominal speed, from memory: seldom, but not never; and what that costs
# beyond its being seldom, so that the right speed wins on a single track. Half or twice of either: none.
_WRONG_SPEED_SHARE, _WRONG_SPEED = 0.03, -2.0
# A number the layout has and a track has not, on a wholly legible track, and on a worn one, where wear explains it; and
# a number the layout has not. Chosen so that one number weighs less than a code or a size. Half or twice: none.
_NOT_THERE, _NOT_SEEN, _EXTRA = -2.0, -0.8, -2.0
# A track of another number of sectors than the layout says, for what it is worth beyond the numbers themselves: chosen
# so that with one number gone from a legible track it falls just below a layout nobody has (-13 against -12). Half: 2,
# unknown layouts with a sector more or less take a known name; twice: none, since no track says more than the next.
_OTHER_NUMBERS = -11.0
# No track says more than this against a layout, since it may be the odd one. It must stay below _UNLISTED, or a single
# track of another code is forgiven. Half: 11; twice: none.
_ODD_TRACK = -20.0
# A track up to so many cylinders beyond the last is odd but not rare: heads go further, and formatters used that. It
# must stay above _UNLISTED, or such a disk is called unknown. Half or twice: none.
_ONE_MORE, _JUST_BEYOND = -8.0, 3
# What errs alike on all tracks counts as so many tracks at most: a writer's speed is one error, not eighty. Half or
# twice: none.
_ALIKE = 4.0
# Weak signs, once a disk: another order, another gap, a log that stops short, one side only, a blank track. Formatters
# and keepers differ in all of these, so they decide between layouts equal in all else and nothing more. One side, half:
# 7, twice: 2; the others: none.
_OTHER_ORDER, _OTHER_GAP, _CUT_SHORT, _ONE_SIDE, _BLANK = -1.0, -0.7, -1.5, -1.0, -3.0
# Blank tracks say no more than this together, since a disk may be formatted in part. Half or twice: none.
_MOST_BLANK = -30.0
# A gap within so many bytes is the layout's: a splice makes a gap seem a byte or two longer. Half: none; twice: 18.
_GAP_BYTES = 3.0
# A log of fewer cylinders than this was not meant to show the whole disk. Half: 1; twice: 6.
_WHOLE_LOG = 5
# A layout nobody has: exp(-12), six in a million, so that only what no known layout explains is called unknown; and
# each zone of it more. Half: 1, a known layout is called unknown; twice: 11, unknown layouts take a known name. More
# zones, half or twice: none.
_UNLISTED, _ZONE_MORE = -12.0, -3.0
# A layout with this share of the probability is named without a word of others.
_STANDS_OUT = 0.9
# Candidates below this share are not worth a line.
_SHOWN = 0.005


class ZoneLike(Protocol):
    """What scoring asks of a zone, be it of a layout or as seen."""

    @property
    def code(self) -> CodeName: ...
    @property
    def cell_s(self) -> float: ...
    @property
    def sector_ids(self) -> tuple[int, ...]: ...
    @property
    def sector_bytes(self) -> int: ...


@dataclass(frozen=True)
class Log:
    """How far the log goes by its lines.

    Attributes:
        cylinders: cylinders the head stood on, from the lines; empty without lines.
        heads: sides it read.
        blank: places nothing legible came from.
    """

    cylinders: frozenset[int] = frozenset()
    heads: frozenset[int] = frozenset()
    blank: frozenset[tuple[int, int]] = frozenset()


def _log_normal(x: float, sigma: float) -> float:
    return -0.5 * min(x / sigma, 12.0) ** 2


def _cells(tracks: Sequence[tuple[TrackSeen, ZoneLike]], speed_rpm: float) -> float:
    """How the cell lengths fit, the reader's speed divided out."""
    off = [t.cell_s * (t.speed_rpm or speed_rpm) / speed_rpm / z.cell_s - 1 for t, z in tracks]
    return sum(_log_normal(x, _CELL_SIGMA) for x in off) * min(1.0, _ALIKE / len(off)) if off else 0.0


def _speed(tracks: Sequence[TrackSeen], speed_rpm: float) -> float:
    """How the reader's speed fits: a disk may lie in a drive of another nominal speed, but seldom does."""
    turns = [t.speed_rpm / speed_rpm for t in tracks if t.speed_rpm]
    usual = _log_normal(median(turns) - 1, _SPEED_SIGMA) if turns else 0.0
    return max(math.log(1 - _WRONG_SPEED_SHARE) + usual, math.log(_WRONG_SPEED_SHARE) + _WRONG_SPEED)


def _own(track: TrackSeen, zone: ZoneLike) -> float:
    """What a zone says wrongly of one track."""
    if (track.code, track.size) != (zone.code, zone.sector_bytes):
        return _ODD_TRACK
    expected, seen = set(zone.sector_ids), set(track.numbers)
    missing, extra = len(expected - seen), len(seen - expected)
    other = _OTHER_NUMBERS if extra or (missing and track.clean) else 0.0
    return max(other + (_NOT_THERE if track.clean else _NOT_SEEN) * missing + _EXTRA * extra, _ODD_TRACK)


def _as_numbered(track: TrackSeen, layout: Layout) -> tuple[int, int]:
    """The place a layout gives a track: its ids may count from another number (group-code ids are read that way)."""
    if not track.from_ids or CODES[track.code].track.numbered_through:
        return track.cylinder, track.head
    return track.cylinder - layout.track_number(0, track.head), track.head


def layout_score(tracks: Sequence[TrackSeen], layout: Layout, log: Log, seen: Description) -> float:
    """Log-likelihood of a layout with its weight."""
    zones = [(t, layout.zone(*_as_numbered(t, layout))) for t in tracks]
    fit = sum(_own(t, z) if z else _no_track(t, layout) for t, z in zones) + _cells(
        [(t, z) for t, z in zones if z and z.code == t.code], layout.speed_rpm
    )
    fit += _speed(tracks, layout.speed_rpm) + _habits(layout, seen)
    return fit + math.log(layout.weight) + _extent(layout, log)


def _no_track(track: TrackSeen, layout: Layout) -> float:
    cylinder, head = _as_numbered(track, layout)
    return _ONE_MORE if head < layout.heads and 0 <= cylinder < layout.cylinders + _JUST_BEYOND else _ODD_TRACK


def _extent(layout: Layout, log: Log) -> float:
    """Whether the log goes as far as the layout, and finds it recorded."""
    blank = max(_MOST_BLANK, _BLANK * sum(layout.zone(c, h) is not None for c, h in log.blank))
    return blank + _stops_short(layout, log)


def _stops_short(layout: Layout, log: Log) -> float:
    if len(log.cylinders) < _WHOLE_LOG:
        return 0.0
    short = _CUT_SHORT if layout.cylinders - 1 > max(log.cylinders) else 0.0
    return short + (_ONE_SIDE if layout.heads > len(log.heads) else 0.0)


def _habits(layout: Layout, seen: Description) -> float:
    """Whether order and gaps are those of the layout: formatters differ, so this decides between equals only."""
    if not seen.zones:
        return 0.0
    largest = max(seen.zones, key=lambda z: z.tracks)
    zone = layout.zone(largest.first_cylinder, largest.heads[0])
    if zone is None or set(zone.sector_ids) != set(largest.numbers):
        return 0.0
    gaps = layout.gaps_of(zone)
    score = 0.0 if turned(zone.sector_ids) == turned(largest.order) else _OTHER_ORDER
    for name, gap_bytes in (("gap_2", gaps.gap_2), ("gap_3", gaps.gap_3)):
        measured = largest.gaps.get(name)
        score += _OTHER_GAP if measured is not None and abs(measured - gap_bytes) > _GAP_BYTES else 0.0
    return score


def identify(
    tracks: Sequence[TrackSeen],
    layouts: Mapping[str, Layout],
    log: Log | None = None,
    seen: Description | None = None,
) -> list[Identification]:
    """Layouts that fit, most probable first; an empty layout id stands for none of those known.

    Args:
        tracks: what was seen of each.
        layouts: the hypotheses by id.
        log: how far the log goes.
        seen: the description of these tracks, made afresh when None.
    """
    if not tracks:
        return [Identification("", 1.0, "no track gave a legible id field")]
    log, seen = log or Log(), seen or describe(tracks)
    scores = {name: layout_score(tracks, layout, log, seen) for name, layout in layouts.items()}
    scores[""] = _UNLISTED + _ZONE_MORE * (len(seen.zones) - 1)
    scores[""] += sum(_own(t, z) if (z := seen.zone(t.cylinder, t.head)) else _ODD_TRACK for t in tracks)
    top = max(scores.values())
    total = sum(math.exp(s - top) for s in scores.values())
    # Ties keep the order of the library, so that the answer does not depend on chance.
    ranked = sorted(((math.exp(s - top) / total, name) for name, s in scores.items()), key=lambda r: -round(r[0], 9))
    return [Identification(name, p, _why(tracks, layouts.get(name), log, seen)) for p, name in ranked if p >= _SHOWN]


def _why(tracks: Sequence[TrackSeen], layout: Layout | None, log: Log, seen: Description) -> str:
    """What speaks for a layout and against it, in words."""
    first = tracks[0]
    shown = (
        f"{CODES[first.code].title}, cell {first.cell_s * 1e6:.3f} us, "
        f"{len(first.numbers)} sectors of {first.size} bytes on cylinder {first.cylinder} head {first.head}"
    )
    if layout is None:
        more = "" if len(seen.zones) < 2 else f", {len(seen.zones)} zones in all"
        return f"none of the known layouts fits: {shown}{more}"
    zone = layout.zone(*_as_numbered(first, layout))
    if zone is None:
        return f"{layout.title} has no such track: {shown}"
    text = (
        f"{layout.title}: {zone.sectors} sectors of {zone.sector_bytes} bytes, cell {zone.cell_us:g} us at "
        f"{layout.speed_rpm:g} r/min; seen {shown}"
    )
    against = _against(tracks, layout, log, seen)
    return f"{text}; against it: {', '.join(against)}" if against else text


def _against(tracks: Sequence[TrackSeen], layout: Layout, log: Log, seen: Description) -> list[str]:
    """What a layout does not explain, in a few words each."""
    zones = [(t, layout.zone(*_as_numbered(t, layout))) for t in tracks]
    found: list[tuple[int, str]] = [
        (sum(z is None for _, z in zones), "{} it has not"),
        (sum(z is not None and t.code != z.code for t, z in zones), "{} in another code"),
        (sum(z is not None and t.code == z.code and t.size != z.sector_bytes for t, z in zones), "{} of other sectors"),
        (
            sum(z is not None and t.code == z.code and bool(set(t.numbers) - set(z.sector_ids)) for t, z in zones),
            "{} with numbers it has not",
        ),
        (
            sum(
                z is not None and t.code == z.code and t.clean and bool(set(z.sector_ids) - set(t.numbers))
                for t, z in zones
            ),
            "{} without numbers it has",
        ),
    ]
    against = [words.format(count_of(n, "track")) for n, words in found if n]
    blank = sum(layout.zone(c, h) is not None for c, h in log.blank)
    if blank:
        against.append(f"{blank} of its tracks blank")
    if _stops_short(layout, log):
        against.append("the log reads fewer cylinders or sides")
    if _habits(layout, seen) < 0:
        against.append("other interleave or gaps")
    return against


def several_fit(candidates: Sequence[Identification]) -> str:
    """What fits alike when no layout stands out, as a clause; else empty."""
    if len(candidates) < 2 or candidates[0].probability >= _STANDS_OUT:
        return ""
    rivals = ", ".join(f"{c.layout or 'none known'} {c.probability:.2f}" for c in candidates[:5])
    return f"these tracks fit several layouts alike: {rivals}"
