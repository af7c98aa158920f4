"""Which speed and cell rate a mechanism and its controller use for a track, and what its write current suits."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache

from indexhole.codes.code import CodeName
from indexhole.pairing.parts.parts import Mechanism, Medium
from indexhole.standards.classes import DiskClass, load_classes
from indexhole.standards.controllers import Controller
from indexhole.standards.drives import DriveClass
from indexhole.standards.figures import Figure
from indexhole.standards.layouts import Layout

NEAREST_RATE = 0.04
"""A rate further off than this is another rate; our own choice, below what clock followers catch (0.05 to 0.075)."""


@dataclass(frozen=True, slots=True)
class Rate:
    """Speed and cell in use, and the cell that passes the head at nominal speed over the cell in use."""

    speed_rpm: float
    cell_s: float
    ratio: float

    @property
    def suits(self) -> bool:
        """Whether the controller has a rate for this track."""
        return abs(self.ratio - 1) <= NEAREST_RATE


def choose_rate(mechanism: Mechanism, code: CodeName, cell_s: float, layout_rpm: float) -> Rate:
    """The speed and rate at which a track recorded for `layout_rpm` comes nearest to one the controller knows.

    A controller that is not known has every rate.
    """
    cells_us = None
    controller = mechanism.host.controller
    if controller is not None:
        cells_us = controller.cells_us.get(code, ())
    return _choose(tuple(s.value for s in mechanism.drive.speeds_rpm), cells_us, cell_s, layout_rpm)


@lru_cache(maxsize=4096)
def _choose(speeds: tuple[float, ...], cells_us: tuple[float, ...] | None, cell_s: float, layout_rpm: float) -> Rate:
    found = []
    for speed in speeds:
        seen = cell_s * layout_rpm / speed
        for cell in [seen] if cells_us is None else [c * 1e-6 for c in cells_us]:
            found.append(Rate(speed, cell, seen / cell))
    if not found:
        return Rate(speeds[0], cell_s, math.inf)
    return min(found, key=lambda r: (round(abs(math.log(r.ratio)), 6), abs(r.speed_rpm - layout_rpm)))


def write_field(mechanism: Mechanism, disk: Medium, layout: Layout) -> Figure | None:
    """The coercivity that the current in use suits, None where no source gives it.

    A density line follows what is recorded and needs a controller that drives it; a hole sensor follows the jacket.
    """
    drive, controller = mechanism.drive, mechanism.host.controller
    low, full = drive.write_field_low_oe, drive.write_field_oe
    if low is None or full is None:
        return full
    follows = load_classes()[layout.disk_class] if drive.lowers_by == "line" else disk.disk_class
    if drive.lowers_by == "line" and not _has_line(controller):
        return full
    wanted = follows.coercivity_oe
    if wanted is None:
        return full
    return min((full, low), key=lambda f: abs(math.log(f.value / wanted.value)))


def _has_line(controller: Controller | None) -> bool:
    return controller is None or controller.density_line


def head_spacing_um(drive: DriveClass) -> float | None:
    """Shortest spacing of transitions a head was built for, on its innermost track; None where a figure is missing."""
    start = drive.radius_side_1_mm or drive.radius_side_0_mm
    return _innermost(start, drive.pitch_um, drive.cylinders, drive.design_ftprad)


def disk_spacing_um(disk_class: DiskClass) -> float | None:
    """Shortest spacing of transitions a coating was made for, on its innermost track."""
    start = disk_class.radius_side_1_mm or disk_class.radius_side_0_mm
    return _innermost(start, disk_class.pitch_um, disk_class.tracks_per_side, disk_class.ftprad)


def _innermost(start: Figure | None, pitch: Figure, tracks: Figure, ftprad: Figure | None) -> float | None:
    if start is None or ftprad is None:
        return None
    return (start.value * 1e3 - pitch.value * (tracks.value - 1)) / ftprad.value
