"""Layouts: how tracks are laid out, as data. Each TOML file in `layouts/` is one layout with its source.

A keeper's own file of the same shape can be added with `load_layouts(extra=[path])`.
"""

from __future__ import annotations

import tomllib
from collections.abc import Iterable
from functools import cache
from importlib.resources import files
from pathlib import Path
from typing import Literal

from pydantic import BaseModel, ConfigDict, Field, ValidationError, model_validator

from indexhole.errors import InputFault

Code = Literal["fm", "mfm", "group45"]
Mark = Literal["SEEN", "DERIVED", "CHECKED", "MEMORY firm", "MEMORY fair", "MEMORY weak", "OWN"]


class _Strict(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)


class Zone(_Strict):
    """A run of cylinders that share cell time and sectors.

    `cell_us` is the shortest step the code counts in: half a bit cell in FM and MFM, one code cell in
    the 4-to-5 group code. `sector_ids` lists the numbers in the order they pass the head.
    """

    first_cylinder: int = Field(ge=0, le=254)
    last_cylinder: int = Field(ge=0, le=254)
    heads: tuple[int, ...] = (0, 1)
    code: Code
    cell_us: float = Field(gt=0.05, lt=50)
    sectors: int = Field(ge=1, le=255)
    sector_bytes: int = Field(ge=1, le=16384)
    first_sector: int = Field(default=1, ge=0, le=255)
    interleave: int = Field(default=1, ge=1, le=254)

    @model_validator(mode="after")
    def _ordered(self) -> Zone:
        if self.last_cylinder < self.first_cylinder:
            raise ValueError("last_cylinder lies before first_cylinder")
        if self.code == "group45" and self.sector_bytes != 256:
            raise ValueError("the 4-to-5 group code block holds 256 bytes")
        if self.code != "group45" and self.sector_bytes not in {128 << n for n in range(8)}:
            raise ValueError("sector_bytes must be 128 times a power of two")
        return self

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


class Gaps(_Strict):
    """Gap lengths in bytes (raw bytes for group code) a formatter writes; a reader never relies on them."""

    index_mark: bool = True
    gap_4a: int = Field(default=80, ge=0, le=4000)
    gap_1: int = Field(default=50, ge=0, le=4000)
    gap_2: int = Field(default=22, ge=0, le=400)
    gap_3: int = Field(default=80, ge=0, le=4000)


class Layout(_Strict):
    """One layout. `disk_class` names a row of `classes.toml`."""

    id: str = Field(pattern=r"^[a-z0-9][a-z0-9-]{1,40}$")
    title: str
    disk_class: str
    speed_rpm: float = Field(gt=50, lt=1000)
    cylinders: int = Field(ge=1, le=255)
    heads: int = Field(ge=1, le=2)
    track_number_base: int = Field(default=0, ge=0, le=1)
    second_side_track_offset: int = Field(default=0, ge=0, le=127)
    zones: tuple[Zone, ...] = Field(min_length=1)
    gaps: Gaps = Gaps()
    source: str = Field(min_length=3)
    mark: Mark

    @model_validator(mode="after")
    def _covers(self) -> Layout:
        for cylinder in range(self.cylinders):
            for head in range(self.heads):
                if len(self._zones_for(cylinder, head)) != 1:
                    raise ValueError(f"cylinder {cylinder} head {head} must lie in exactly one zone")
        return self

    def _zones_for(self, cylinder: int, head: int) -> list[Zone]:
        return [z for z in self.zones if z.first_cylinder <= cylinder <= z.last_cylinder and head in z.heads]

    def zone(self, cylinder: int, head: int) -> Zone | None:
        """The zone of a track, or None when the layout has no such track."""
        if not (0 <= cylinder < self.cylinders and 0 <= head < self.heads):
            return None
        return self._zones_for(cylinder, head)[0]

    @property
    def capacity_sectors(self) -> int:
        """Sectors on the whole disk."""
        return sum(
            z.sectors for c in range(self.cylinders) for h in range(self.heads) for z in self._zones_for(c, h)
        )

    @property
    def capacity_bytes(self) -> int:
        """Bytes on the whole disk."""
        return sum(
            z.sectors * z.sector_bytes
            for c in range(self.cylinders)
            for h in range(self.heads)
            for z in self._zones_for(c, h)
        )


def parse_layout(text: str, where: str) -> Layout:
    """Read one layout from TOML text. Raises InputFault that names the place and the fault."""
    try:
        return Layout.model_validate(tomllib.loads(text))
    except tomllib.TOMLDecodeError as fault:
        raise InputFault(
            f"not TOML ({fault})", where=where, remedy="see docs/layouts.md for a worked file"
        ) from fault
    except ValidationError as fault:
        first = fault.errors()[0]
        place = ".".join(str(part) for part in first["loc"]) or "the layout"
        raise InputFault(
            f"{place}: {first['msg']}", where=where, remedy="see docs/layouts.md for a worked file"
        ) from fault


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
