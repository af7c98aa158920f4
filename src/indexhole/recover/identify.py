"""Which layout a set of recovered tracks follows: a posterior over the library and `none of those known`.

Each layout is a hypothesis, its prior the `weight` of its file. Its log-likelihood adds up, per
track: code, cell length with the reader's speed divided out, speed of the reader, sector size and numbers.
Tolerances are general practice, no source; they are wide, since what matters is which layout is nearest.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from indexhole.recover.result import Identification
from indexhole.standards.layouts import Layout, Zone

_CELL_SIGMA = 0.015
_SPEED_SIGMA = 0.012
_WRONG_SPEED_SHARE = 0.03
_MISSING, _EXTRA, _WRONG_SIZE, _WRONG_CODE, _NO_TRACK = -0.8, -4.0, -12.0, -25.0, -12.0
_UNLISTED = -14.0
_STANDS_OUT = 0.9
SEVERAL_FIT = "these tracks fit several layouts alike"
# Candidates below this share are not worth a line.
_SHOWN = 0.005


@dataclass(frozen=True)
class TrackEvidence:
    """What one track says of the layout.

    Attributes:
        cylinder, head: where it lies.
        code: as decoded.
        cell_s: mean recorded cell as read.
        speed_rpm: of the reader, None when there was no index.
        numbers: sector numbers whose id was legible.
        size: commonest sector size.
    """

    cylinder: int
    head: int
    code: str
    cell_s: float
    speed_rpm: float | None
    numbers: frozenset[int]
    size: int


def _log_normal(x: float, sigma: float) -> float:
    return -0.5 * min(x / sigma, 12.0) ** 2


def _track_score(track: TrackEvidence, layout: Layout, zone: Zone) -> float:
    if track.code != zone.code:
        return _WRONG_CODE
    rpm = track.speed_rpm or layout.speed_rpm
    turn = rpm / layout.speed_rpm
    score = _log_normal(track.cell_s * turn / zone.cell_s - 1, _CELL_SIGMA)
    # A disk may lie in a drive of another nominal speed, but seldom does.
    usual = math.log(1 - _WRONG_SPEED_SHARE) + _log_normal(turn - 1, _SPEED_SIGMA)
    score += max(usual, math.log(_WRONG_SPEED_SHARE) - 2.0)
    expected = frozenset(zone.sector_ids)
    score += _MISSING * len(expected - track.numbers) + _EXTRA * len(track.numbers - expected)
    return score + (_WRONG_SIZE if track.size != zone.sector_bytes else 0.0)


def layout_score(tracks: Sequence[TrackEvidence], layout: Layout) -> float:
    """Log-likelihood of a layout, up to a constant all share. Many tracks count as at most four: they err alike."""
    scores = []
    for track in tracks:
        zone = layout.zone(track.cylinder, track.head)
        scores.append(_NO_TRACK if zone is None else _track_score(track, layout, zone))
    return sum(scores) * min(1.0, 4.0 / len(scores)) + min(scores) if scores else 0.0


def identify(tracks: Sequence[TrackEvidence], layouts: Mapping[str, Layout]) -> list[Identification]:
    """Layouts that fit, most probable first; an empty layout id stands for none of those known."""
    if not tracks:
        return [Identification("", 1.0, "no track gave a legible id field")]
    scores = {name: layout_score(tracks, layout) + math.log(layout.weight) for name, layout in layouts.items()}
    scores[""] = _UNLISTED
    top = max(scores.values())
    total = sum(math.exp(s - top) for s in scores.values())
    # Ties keep the order of the library, so that the answer does not depend on chance.
    ranked = sorted(((math.exp(s - top) / total, name) for name, s in scores.items()), key=lambda r: -round(r[0], 9))
    return [Identification(name, p, _why(tracks, layouts.get(name))) for p, name in ranked if p >= _SHOWN]


def _why(tracks: Sequence[TrackEvidence], layout: Layout | None) -> str:
    first = tracks[0]
    seen = (
        f"{first.code.upper() if first.code != 'group45' else '4-to-5 group code'}, cell {first.cell_s * 1e6:.3f} us, "
        f"{len(first.numbers)} sectors of {first.size} bytes on cylinder {first.cylinder} head {first.head}"
    )
    if layout is None:
        return f"none of the known layouts fits: {seen}"
    zone = layout.zone(first.cylinder, first.head)
    if zone is None:
        return f"{layout.title} has no such track: {seen}"
    return (
        f"{layout.title}: {zone.sectors} sectors of {zone.sector_bytes} bytes, cell {zone.cell_us:g} us at "
        f"{layout.speed_rpm:g} r/min; seen {seen}"
    )


def several_fit(candidates: Sequence[Identification]) -> list[str]:
    """A warning when no layout stands out, else nothing."""
    if len(candidates) < 2 or candidates[0].probability >= _STANDS_OUT:
        return []
    rivals = ", ".join(f"{c.layout or 'none known'} {c.probability:.2f}" for c in candidates[:5])
    return [f"{SEVERAL_FIT}: {rivals}; name one with --layout to settle it"]
