"""Drive classes: what each kind of mechanism can reach, cover and write, as data with sources."""

from __future__ import annotations

from functools import cache
from importlib.resources import files
from typing import Literal

from pydantic import Field

from indexhole.standards.figures import Figure, Strict
from indexhole.standards.rows import parse_rows

Notch = Literal["open", "covered", "none"]


class DriveClass(Strict):
    """One class of mechanism. A figure that is not known is None, never a guess; see drives.toml for the words."""

    id: str = Field(pattern=r"^[a-z0-9][a-z0-9-]{1,40}$")
    title: str
    diameter_mm: int
    heads: int = Field(ge=1, le=2)
    cylinders: Figure
    speeds_rpm: tuple[Figure, ...] = Field(min_length=1)
    pitch_um: Figure
    radius_side_0_mm: Figure | None = None
    radius_side_1_mm: Figure | None = None
    write_width_um: Figure | None = None
    read_width_um: Figure | None = None
    erase_trim_um: Figure | None = None
    design_ftprad: Figure | None = None
    write_field_oe: Figure | None = None
    write_field_low_oe: Figure | None = None
    lowers_by: Literal["line", "hole", ""] = ""
    offset_limit_um: Figure
    speed_limit_pct: Figure
    azimuth_limit_arcmin: Figure
    index_places: tuple[str, ...] = Field(min_length=1)
    index_note: str = ""
    writable_when: tuple[Notch, ...]


def parse_drives(text: str, where: str) -> dict[str, DriveClass]:
    """Read a file of drive classes from TOML text. Raises InputFault that names the place and the fault."""
    return parse_rows(text, "drive", DriveClass, where)


@cache
def _library() -> dict[str, DriveClass]:
    entry = files("indexhole.standards") / "drives.toml"
    return parse_drives(entry.read_text(encoding="utf-8"), entry.name)


def load_drives() -> dict[str, DriveClass]:
    """All drive classes by id."""
    return dict(_library())


def default_drive(disk_class: str, sides: int = 2) -> str:
    """Key of the drive class that suits a disk class, for units of which no more is known. KeyError when none does."""
    return _SUITS[disk_class] if disk_class != "200" or sides == 2 else "200-one-side"


_SUITS = {
    "200": "200-two-side",
    "130-48": "130-48",
    "130-96": "130-96",
    "130-dense": "130-dense",
    "130-100": "130-100",
    "90": "90",
    "90-dense": "90-dense",
    "90-dense-360": "90-dense-two-speed",
    "90-extra": "90-extra",
}
