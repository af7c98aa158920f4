"""Where writer, reader and an older writer put their heads on each track of a layout, and which they reach."""

from __future__ import annotations

from dataclasses import dataclass, fields, replace
from functools import lru_cache

import numpy as np
import numpy.typing as npt

from indexhole.model.suited import track_place
from indexhole.model.timing import sector_transitions
from indexhole.pairing.parts.parts import Mechanism
from indexhole.standards.classes import load_classes
from indexhole.standards.layouts import Layout

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class Tracks:
    """The tracks of a layout as arrays, each of shape (tracks,).

    Attributes:
        cylinder, side: which track.
        radius_mm: its centre line by the layout's class.
        cell_s: nominal cell at the layout's speed; shortest, longest: run of cells between transitions.
        transitions: transitions to read right for one sector; sectors: sectors on the track.
        code, sector_bytes, gap_2, gap_3: of the zone; gaps in bytes.
        pitch_um: of the layout's class; speed_rpm: of the layout.
    """

    cylinder: Ints
    side: Ints
    radius_mm: Floats
    cell_s: Floats
    shortest: Floats
    longest: Floats
    transitions: Floats
    sectors: Floats
    code: npt.NDArray[np.str_]
    sector_bytes: Floats
    gap_2: Floats
    gap_3: Floats
    pitch_um: float
    speed_rpm: float

    def __len__(self) -> int:
        return len(self.cylinder)

    def only(self, chosen: npt.NDArray[np.bool_] | Ints) -> Tracks:
        """Some of the tracks."""
        names = (f.name for f in fields(self) if f.name not in ("pitch_um", "speed_rpm"))
        return replace(self, **{name: getattr(self, name)[chosen] for name in names})


@lru_cache(maxsize=64)
def layout_tracks(layout: Layout) -> Tracks:
    """Every track of a layout, in image order; kept, so its arrays must not be changed."""
    found = list(layout.tracks())
    zones = [zone for _, _, zone in found]
    gaps = [layout.gaps_of(zone) for zone in zones]
    return Tracks(
        cylinder=np.array([c for c, _, _ in found]),
        side=np.array([h for _, h, _ in found]),
        radius_mm=np.array([track_place(layout, c, h).radius_mm for c, h, _ in found]),
        cell_s=np.array([z.cell_s for z in zones]),
        shortest=np.array([float(z.recording.run_limits[0]) for z in zones]),
        longest=np.array([float(z.recording.run_limits[1]) for z in zones]),
        transitions=np.array([float(sector_transitions(z.sector_bytes)) for z in zones]),
        sectors=np.array([float(z.sectors) for z in zones]),
        code=np.array([z.code for z in zones]),
        sector_bytes=np.array([float(z.sector_bytes) for z in zones]),
        gap_2=np.array([float(g.gap_2) for g in gaps]),
        gap_3=np.array([float(g.gap_3) for g in gaps]),
        pitch_um=load_classes()[layout.disk_class].pitch_um.value,
        speed_rpm=layout.speed_rpm,
    )


def steps_a_track(mechanism: Mechanism, pitch_um: float) -> int:
    """Steps the mechanism makes from one track of this pitch to the next: 2 when its own pitch is half as wide.

    A controller that cannot step twice stays at 1; no head can make half a step.
    """
    controller = mechanism.host.controller
    wanted = max(1, round(pitch_um / mechanism.drive.pitch_um.value))
    return wanted if controller is None or controller.double_step else 1


def outer_places_um(mechanism: Mechanism, tracks: Tracks) -> Floats:
    """How far outside the layout's cylinder 00 the mechanism's own lies, um, by the side of each track: (tracks,).

    A start radius no source gives counts as the layout's own; the draws spread it.
    """
    drive = mechanism.drive
    outer_mm = tracks.radius_mm + tracks.pitch_um * 1e-3 * tracks.cylinder
    places = np.zeros(len(tracks))
    for side, start in enumerate((drive.radius_side_0_mm, drive.radius_side_1_mm)):
        if start is not None:
            here = tracks.side == side
            places[here] = (start.value - outer_mm[here]) * 1e3
    return places


def head_places_um(mechanism: Mechanism, tracks: Tracks) -> Floats:
    """How far outside the layout's centre lines the mechanism's own centre lines lie, um, shape (tracks,)."""
    step_um = mechanism.drive.pitch_um.value * steps_a_track(mechanism, tracks.pitch_um)
    places: Floats = outer_places_um(mechanism, tracks) + (tracks.pitch_um - step_um) * tracks.cylinder
    return places


def reached(mechanism: Mechanism, tracks: Tracks) -> npt.NDArray[np.bool_]:
    """Which tracks a mechanism's heads get to at all, shape (tracks,)."""
    last = mechanism.cylinders - 1
    get_to: npt.NDArray[np.bool_] = (tracks.cylinder * steps_a_track(mechanism, tracks.pitch_um) <= last) & (
        tracks.side < mechanism.heads
    )
    return get_to
