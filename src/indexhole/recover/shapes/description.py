"""How tracks are laid out, as data: what `describe` finds and drafts and reports are made from."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from indexhole.codes.code import CodeName


@dataclass(frozen=True)
class Zone:
    """A run of cylinders laid out alike, as seen.

    Attributes:
        first_cylinder, last_cylinder: the outermost and innermost seen.
        heads: sides it holds for.
        tracks: number of tracks seen.
        cell_s: mean cell as read, with the reader's speed divided out: at one revolution a `turn_s` of the zone.
        turn_s: mean revolution of the reader, None without an index.
        numbers: sector numbers, rising.
        order: as they pass the head, from the lowest on.
        interleave: places from one number to the next, None when no single step gives the order.
        skew_cylinder, skew_head: places by which the numbers shift from one cylinder to the next, and from head 0 to
            head 1, later on the turn; None when not told.
        gaps: median lengths in bytes by name (see seen.TrackGaps), what was not measured left out.
        gap_fill: commonest gap byte, None when not read.
        plain: bytes that fill whole sectors, with how many sectors.
        cells_a_turn: median, None without an index.
    """

    first_cylinder: int
    last_cylinder: int
    heads: tuple[int, ...]
    tracks: int
    code: CodeName
    cell_s: float
    turn_s: float | None
    numbers: tuple[int, ...]
    size: int
    order: tuple[int, ...]
    interleave: int | None
    skew_cylinder: int | None
    skew_head: int | None
    gaps: Mapping[str, float]
    gap_fill: int | None
    plain: Mapping[int, int]
    cells_a_turn: float | None

    @property
    def sector_ids(self) -> tuple[int, ...]:
        """Numbers in the order they pass the head, as a layout's zone names them."""
        return self.order

    @property
    def sector_bytes(self) -> int:
        """Bytes a sector, as a layout's zone names them."""
        return self.size


@dataclass(frozen=True)
class Description:
    """How the tracks seen are laid out.

    Attributes:
        zones: in order of cylinder and head.
        odd: cylinder and head of tracks that fit no zone.
        cylinders: numbers of the cylinders seen, by head.
        speed_rpm: of the reader, None without an index.
        holes: sector holes a turn, 0 on a soft-sectored disk.
        offset: what ids count more than the cylinder they stand on.
        captures: names of the captures described.
        notes: what else was found of the disk as a whole.
    """

    zones: tuple[Zone, ...]
    odd: tuple[tuple[int, int], ...]
    cylinders: Mapping[int, tuple[int, ...]]
    speed_rpm: float | None
    holes: int = 0
    offset: int = 0
    captures: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()

    def zone(self, cylinder: int, head: int) -> Zone | None:
        """The zone a place lies in, None outside what was seen."""
        for zone in self.zones:
            if zone.first_cylinder <= cylinder <= zone.last_cylinder and head in zone.heads:
                return zone
        return None
