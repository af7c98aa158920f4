"""Data fields whose id no pass could read: found again at the same place turn after turn, and named where that can be.

Three things can name such a field: other passes that show an id at its place (merge does that); an id in front of it
whose check fails but that reads alike in all passes, if its number belongs where it stands; and its place in the row,
when the layout has exactly one number for it between its neighbours. What is left is kept as it is, without a name.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from indexhole.codes.code import SectorId
from indexhole.recover.fields.frame import Frame, Owners, apart
from indexhole.recover.fields.reads import IdRead, SectorRead
from indexhole.recover.layouts.describe import interleave_of, turned
from indexhole.recover.sectors.resolve_sector import median_angle

_SAME_PLACE = 0.01
_MOST = 0.5


@dataclass(frozen=True)
class SectorWithoutId:
    """A data field without a legible id.

    Attributes:
        reads: it in each pass.
        angle: of its mark in the frame, revolutions.
        broken: what the id in front of it reads, its check failing; None when there is none.
        why: what named it, "" when nothing did.
        by_broken_id: whether that was the id in front of it.
    """

    reads: tuple[SectorRead, ...]
    angle: float
    broken: SectorId | None
    why: str = ""
    by_broken_id: bool = False

    @property
    def proven(self) -> SectorRead | None:
        """A read whose check passed."""
        return next((r for r in self.reads if r.passed), None)


def find_sectors_without_id(
    orphans: Sequence[SectorRead], broken: Sequence[IdRead], frame: Frame, passes: int
) -> list[SectorWithoutId]:
    """Data fields without an id, each once, by angle; one that never passed its check must show in most passes."""
    placed = sorted(
        ((frame.angle(r.stream, r.turn), k, r) for k, r in enumerate(orphans) if frame.aligned[r.stream]),
        key=lambda p: p[:2],
    )
    groups: list[list[SectorRead]] = []
    last = 0.0
    for angle, _, read in placed:
        if groups and angle - last < _SAME_PLACE:
            groups[-1].append(read)
        else:
            groups.append([read])
        last = angle
    if len(groups) > 1 and apart(placed[0][0], placed[-1][0]) < _SAME_PLACE:
        groups[0] = groups.pop() + groups[0]
    owners = Owners(broken)
    found = []
    for group in groups:
        if any(r.passed for r in group) or (len(group) > 1 and len(group) > _MOST * passes):
            angle = median_angle([frame.angle(r.stream, r.turn) for r in group])
            found.append(SectorWithoutId(tuple(group), angle, _reads_as(owners, group)))
    return found


def _reads_as(owners: Owners, group: Sequence[SectorRead]) -> SectorId | None:
    votes = Counter(one.id for r in group if (one := owners.of(r)) is not None)
    if not votes:
        return None
    said, count = votes.most_common(1)[0]
    return said if count > _MOST * len(group) else None


def name_them(
    without_id: Sequence[SectorWithoutId],
    seen: Mapping[int, float],
    expected: Sequence[int],
) -> tuple[dict[int, SectorWithoutId], list[SectorWithoutId]]:
    """Numbers for fields without an id.

    Args:
        seen: angle of the data field of each number that has one.
        expected: numbers of the layout in the order they pass the head, empty when not known.

    Returns:
        By number the field it names, and those that stay without.
    """
    named: dict[int, SectorWithoutId] = {}
    claims = Counter(one.broken.number for one in without_id if one.broken is not None)
    rest = []
    for one in without_id:
        said = one.broken
        alone = said is not None and said.number not in seen and claims[said.number] == 1
        if said is not None and alone and _fits_row(said.number, one.angle, seen, expected):
            why = f"the id in front of it reads sector {said.number}, but its check fails"
            named[said.number] = SectorWithoutId(one.reads, one.angle, said, why, by_broken_id=True)
        else:
            rest.append(one)
    by_place = _by_place(rest, {**seen, **{n: one.angle for n, one in named.items()}}, expected)
    for number, one in by_place.items():
        why = f"it has no legible id; of the layout's numbers only {number} belongs where it stands"
        named[number] = SectorWithoutId(one.reads, one.angle, one.broken, why)
    taken = {id(one) for one in by_place.values()}
    return named, [one for one in rest if id(one) not in taken]


def _fits_row(number: int, angle: float, seen: Mapping[int, float], expected: Sequence[int]) -> bool:
    """Whether a number stands where it belongs among those seen: what broke an id may have changed its number."""
    at = {**seen, number: angle}
    row = [n for n in sorted(at, key=lambda n: at[n]) if n in expected or not expected]
    if expected:
        return number in expected and turned(row) == turned([n for n in expected if n in at])
    return max(row) - min(row) == len(row) - 1 and interleave_of(turned(row)) is not None


def _by_place(
    without_id: Sequence[SectorWithoutId], seen: Mapping[int, float], expected: Sequence[int]
) -> dict[int, SectorWithoutId]:
    """Numbers by place in the row: those seen follow the layout's order, and as many are missing as stand there."""
    known = [n for n in sorted(seen, key=lambda n: seen[n]) if n in expected]
    row = [n for n in expected if n in seen]
    if len(known) < 2 or turned(known) != turned(row):
        return {}
    found: dict[int, SectorWithoutId] = {}
    for k, number in enumerate(known):
        following = known[(k + 1) % len(known)]
        length = (seen[following] - seen[number]) % 1.0
        inside = sorted(
            (one for one in without_id if 0 < (one.angle - seen[number]) % 1.0 < length),
            key=lambda one: (one.angle - seen[number]) % 1.0,
        )
        at = expected.index(number)
        steps = (expected.index(following) - at) % len(expected)
        missing = [expected[(at + step) % len(expected)] for step in range(1, steps)]
        if inside and len(inside) == len(missing):
            found.update(zip(missing, inside, strict=True))
    return found
