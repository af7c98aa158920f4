"""Layouts: how tracks are laid out, as data. Each TOML file in `layouts/` is one layout with its source.

A keeper's own file of the same shape can be added with `load_layouts(extra=[path])`.
"""

from __future__ import annotations

import tomllib
from collections.abc import Iterable, Iterator
from functools import cache
from importlib.resources import files
from pathlib import Path
from typing import assert_never

from pydantic import Field, ValidationError, model_validator

from indexhole.codes.code import Blocks, Code, CodeName, MarkedFields
from indexhole.codes.known import CODES
from indexhole.errors import InputFault
from indexhole.standards.classes import load_classes
from indexhole.standards.figures import Mark, Strict, first_fault


class Gaps(Strict):
    """Gap lengths in bytes a formatter writes; a reader never relies on them.

    In the group code a byte of gap is eight raw cells, `gap_2` stands between header and data block and
    `gap_3` is the tail gap; there is nothing before the first sector.
    """

    index_mark: bool = True
    gap_4a: int = Field(default=80, ge=0, le=4000)
    gap_1: int = Field(default=50, ge=0, le=4000)
    gap_2: int = Field(default=22, ge=0, le=400)
    gap_3: int = Field(default=80, ge=0, le=4000)


class Zone(Strict):
    """A run of cylinders that share cell time and sectors.

    `cell_us` is the shortest step the code counts in: half a bit cell in FM and MFM, one code cell in
    the 4-to-5 group code. `sector_ids` lists the numbers in the order they pass the head. `gaps` is given
    only where they differ from the layout's.
    """

    first_cylinder: int = Field(ge=0, le=254)
    last_cylinder: int = Field(ge=0, le=254)
    heads: tuple[int, ...] = (0, 1)
    code: CodeName
    cell_us: float = Field(gt=0.05, lt=50)
    sectors: int = Field(ge=1, le=255)
    sector_bytes: int = Field(ge=1, le=16384)
    first_sector: int = Field(default=1, ge=0, le=255)
    interleave: int = Field(default=1, ge=1, le=254)
    gaps: Gaps | None = None

    @model_validator(mode="after")
    def _ordered(self) -> Zone:
        if self.last_cylinder < self.first_cylinder:
            raise ValueError("last_cylinder lies before first_cylinder")
        sizes = self.recording.data_field.sizes
        if self.sector_bytes not in sizes:
            *most, last = map(str, sorted(sizes))
            listed = f"{', '.join(most)} or {last}" if most else last
            raise ValueError(f"in the code {self.code} a sector holds {listed} bytes")
        return self

    @property
    def recording(self) -> Code:
        """The code with its parts."""
        return CODES[self.code]

    @property
    def cell_s(self) -> float:
        """Cell time in seconds at nominal speed."""
        return self.cell_us * 1e-6

    @property
    def sector_ids(self) -> tuple[int, ...]:
        """Sector numbers in the order they pass the head, interleave applied."""
        order: list[int] = [-1] * self.sectors
        slot = 0
        for number in range(self.first_sector, self.first_sector + self.sectors):
            while order[slot] != -1:
                slot = (slot + 1) % self.sectors
            order[slot] = number
            slot = (slot + self.interleave) % self.sectors
        return tuple(order)

    @property
    def cells_per_byte(self) -> int:
        """Cells a gap byte takes: 16 in FM and MFM, 8 raw cells in the group code."""
        return self.recording.gap_byte_cells


class Layout(Strict):
    """One layout. `disk_class` names a row of `classes.toml`; `weight` is how often it is met against others
    that lay a track down the same (common practice, no source): it decides between equals and nothing else."""

    id: str = Field(pattern=r"^[a-z0-9][a-z0-9-]{1,40}$")
    title: str
    disk_class: str
    speed_rpm: float = Field(gt=50, lt=1000)
    cylinders: int = Field(ge=1, le=255)
    heads: int = Field(ge=1, le=2)
    track_number_base: int = Field(default=0, ge=0, le=1)
    second_side_track_offset: int = Field(default=0, ge=0, le=127)
    weight: float = Field(default=1.0, gt=0, le=1)
    zones: tuple[Zone, ...] = Field(min_length=1)
    gaps: Gaps = Gaps()
    source: str = Field(min_length=3)
    mark: Mark
    note: str = ""

    @model_validator(mode="after")
    def _covers(self) -> Layout:
        if self.disk_class not in load_classes():
            raise ValueError(f"disk_class {self.disk_class} is none of {', '.join(load_classes())}")
        for cylinder in range(self.cylinders):
            for head in range(self.heads):
                if len(self._zones_for(cylinder, head)) != 1:
                    raise ValueError(f"cylinder {cylinder} head {head} must lie in exactly one zone")
        for zone in self.zones:
            if self.spare_bytes(zone) <= 0:
                need, hold = self.used_bytes(zone), self.bytes_per_revolution(zone)
                raise ValueError(
                    f"the sectors of cylinder {zone.first_cylinder} need {need} bytes but a revolution holds {hold:.0f}"
                )
        return self

    def _zones_for(self, cylinder: int, head: int) -> list[Zone]:
        return [z for z in self.zones if z.first_cylinder <= cylinder <= z.last_cylinder and head in z.heads]

    def zone(self, cylinder: int, head: int) -> Zone | None:
        """The zone of a track, or None when the layout has no such track."""
        if not (0 <= cylinder < self.cylinders and 0 <= head < self.heads):
            return None
        return self._zones_for(cylinder, head)[0]

    def gaps_of(self, zone: Zone) -> Gaps:
        """The gaps of a zone: its own, else the layout's."""
        return zone.gaps or self.gaps

    def track_number(self, cylinder: int, head: int) -> int:
        """The number a track carries in its headers (the zoned layouts count from 1, side 1 further on)."""
        return cylinder + self.track_number_base + head * self.second_side_track_offset

    def tracks(self) -> Iterator[tuple[int, int, Zone]]:
        """Every (cylinder, head, zone), in image order."""
        for cylinder in range(self.cylinders):
            for head in range(self.heads):
                yield cylinder, head, self._zones_for(cylinder, head)[0]

    @property
    def capacity_sectors(self) -> int:
        """Sectors on the whole disk."""
        return sum(zone.sectors for _, _, zone in self.tracks())

    @property
    def capacity_bytes(self) -> int:
        """Bytes on the whole disk."""
        return sum(zone.sectors * zone.sector_bytes for _, _, zone in self.tracks())

    def bytes_per_revolution(self, zone: Zone) -> float:
        """Gap bytes one revolution holds at nominal speed."""
        return 60 / self.speed_rpm / zone.cell_s / zone.cells_per_byte

    def used_bytes(self, zone: Zone) -> int:
        """Bytes of the fields and gaps of one track, the last gap 3 included.

        Counts of sync, mark, address and check bytes: format tables of two controller data sheets; of the
        group-code block: the figure in a user manual.
        """
        gaps, code = self.gaps_of(zone), zone.recording
        fields = 2 * code.cells.sync + code.cells.id_field + code.cells.data_frame
        fields += zone.sector_bytes * code.cells_per_byte
        sector = fields // code.gap_byte_cells + gaps.gap_2 + gaps.gap_3
        match code.track:
            case MarkedFields(sync_bytes, _, index_lead, _):
                index = sync_bytes + len(index_lead) + 1 if gaps.index_mark else 0
                return gaps.gap_4a + index + gaps.gap_1 + zone.sectors * sector
            case Blocks():
                return zone.sectors * sector
            case _:
                assert_never(code.track)

    def spare_bytes(self, zone: Zone) -> float:
        """Bytes left of one revolution at nominal speed once every sector is written."""
        return self.bytes_per_revolution(zone) - self.used_bytes(zone)


def parse_layout(text: str, where: str) -> Layout:
    """Read one layout from TOML text. Raises InputFault that names the place and the fault."""
    try:
        return Layout.model_validate(tomllib.loads(text))
    except ValidationError as fault:
        raise InputFault(
            first_fault(fault, "the layout"), where=where, remedy="see docs/layouts.md for a worked file"
        ) from fault
    except (ValueError, RecursionError) as fault:
        # a number of thousands of digits, or lists within lists, are no fault of TOML to its reader
        raise InputFault(f"not TOML ({fault})", where=where, remedy="see docs/layouts.md for a worked file") from fault


@cache
def _library() -> dict[str, Layout]:
    found: dict[str, Layout] = {}
    folder = files("indexhole.standards") / "layouts"
    for entry in sorted(folder.iterdir(), key=lambda e: e.name):
        if entry.name.endswith(".toml"):
            layout = parse_layout(entry.read_text(encoding="utf-8"), entry.name)
            if layout.id in found:
                raise InputFault(f"layout {layout.id} is defined twice", where=entry.name)
            found[layout.id] = layout
    return found


def load_layouts(extra: Iterable[Path] = ()) -> dict[str, Layout]:
    """The layout library by id, with the keeper's own files added (they may not take a known id)."""
    found = dict(_library())
    for path in extra:
        try:
            text = path.read_text(encoding="utf-8")
        except (OSError, UnicodeDecodeError) as fault:
            raise InputFault(f"cannot be read ({fault})", where=str(path), remedy="check the path") from fault
        layout = parse_layout(text, str(path))
        if layout.id in found:
            raise InputFault(f"layout id {layout.id} is taken", where=str(path), remedy="choose another id")
        found[layout.id] = layout
    return found
