"""Disk classes: size, geometry, speed and flux density of each kind of flexible disk, as data with sources."""

from __future__ import annotations

import math
import tomllib
from functools import cache
from importlib.resources import files

from pydantic import Field, ValidationError

from indexhole.errors import InputFault
from indexhole.standards.figures import Figure, Strict, first_fault


class DiskClass(Strict):
    """One class of disk. A figure that is not known is None, never a guess.

    `written_width_um` is the width of a recorded track; `radius_side_N_mm` the centre line of cylinder 00.
    """

    id: str = Field(pattern=r"^[a-z0-9][a-z0-9-]{1,40}$")
    title: str
    standards: str
    diameter_mm: int
    tracks_per_side: Figure
    speed_rpm: Figure
    ftprad: Figure | None = None
    tracks_per_inch: Figure
    pitch_um: Figure
    radius_side_0_mm: Figure | None = None
    radius_side_1_mm: Figure | None = None
    written_width_um: Figure | None = None
    coercivity_oe: Figure | None = None

    def radius_mm(self, cylinder: float, side: int) -> float | None:
        """Radius of a track's centre line in mm, None where the start radius is not known.

        Source: R(n) = x - p n, counted inwards from the outer cylinder 00, as in the track parts of the ISO
        standards named in the class.
        """
        start = self.radius_side_1_mm if side else self.radius_side_0_mm
        return None if start is None else start.value - self.pitch_um.value * 1e-3 * cylinder

    @property
    def transitions_per_revolution(self) -> float | None:
        """Most flux transitions in one revolution: 2 pi times the transitions per radian."""
        return None if self.ftprad is None else 2 * math.pi * self.ftprad.value

    def shortest_spacing_s(self, speed_rpm: float | None = None) -> float | None:
        """Shortest time between transitions, at the class's own speed unless another is given."""
        if self.ftprad is None:
            return None
        return 60 / (speed_rpm or self.speed_rpm.value) / (2 * math.pi * self.ftprad.value)

    def bits_per_inch(self, radius_mm: float) -> float | None:
        """MFM bits per inch along a track of the given radius; FM has half as many."""
        return None if self.ftprad is None else self.ftprad.value / radius_mm * 25.4


def parse_classes(text: str, where: str) -> dict[str, DiskClass]:
    """Read a file of classes from TOML text. Raises InputFault that names the place and the fault."""
    try:
        rows = tomllib.loads(text).get("class", [])
        found: dict[str, DiskClass] = {}
        for row in rows:
            item = DiskClass.model_validate(row)
            if item.id in found:
                raise InputFault(f"class {item.id} is defined twice", where=where)
            found[item.id] = item
    except tomllib.TOMLDecodeError as fault:
        raise InputFault(f"not TOML ({fault})", where=where) from fault
    except ValidationError as fault:
        raise InputFault(first_fault(fault, "the class"), where=where) from fault
    return found


@cache
def _library() -> dict[str, DiskClass]:
    entry = files("indexhole.standards") / "classes.toml"
    return parse_classes(entry.read_text(encoding="utf-8"), entry.name)


def load_classes() -> dict[str, DiskClass]:
    """All disk classes by id."""
    return dict(_library())
