"""Where writer, reader and an older writer put their heads on each track of a layout, and which they reach."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from indexhole.codes.tables import RUN_LIMITS
from indexhole.model.suited import track_place
from indexhole.model.timing import sector_transitions
from indexhole.pairing.parts import Mechanism
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
    pitch_um: float
    speed_rpm: float

    def __len__(self) -> int:
        return len(self.cylinder)

    def only(self, chosen: npt.NDArray[np.bool_] | Ints) -> Tracks:
        """Some of the tracks."""
        picked = {
            name: getattr(self, name)[chosen]
            for name in ("cylinder", "side", "radius_mm", "cell_s", "shortest", "longest", "transitions", "sectors")
        }
        return Tracks(**picked, pitch_um=self.pitch_um, speed_rpm=self.speed_rpm)


def layout_tracks(layout: Layout) -> Tracks:
    """Every track of a layout, in image order."""
    rows = []
    for cylinder, head, zone in layout.tracks():
        place = track_place(layout, cylinder, head)
        shortest, longest = RUN_LIMITS[zone.code]
        transitions = sector_transitions(zone.sector_bytes)
        rows.append((cylinder, head, place.radius_mm, zone.cell_s, shortest, longest, transitions, zone.sectors))
    columns = np.array(rows, dtype=np.float64).T
    return Tracks(
        cylinder=columns[0].astype(np.int64),
        side=columns[1].astype(np.int64),
        radius_mm=columns[2],
        cell_s=columns[3],
        shortest=columns[4],
        longest=columns[5],
        transitions=columns[6],
        sectors=columns[7],
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


def head_places_um(mechanism: Mechanism, tracks: Tracks) -> Floats:
    """How far outside the layout's centre lines the mechanism's own centre lines lie, um, shape (tracks,).

    A start radius no source gives counts as the layout's own; the draws spread it.
    """
    drive = mechanism.drive
    moved_mm = drive.pitch_um.value * 1e-3 * steps_a_track(mechanism, tracks.pitch_um) * tracks.cylinder
    outer = np.empty(len(tracks))
    for side, start in enumerate((drive.radius_side_0_mm, drive.radius_side_1_mm)):
        here = tracks.side == side
        assumed = tracks.radius_mm[here] + tracks.pitch_um * 1e-3 * tracks.cylinder[here]
        outer[here] = assumed if start is None else start.value
    places: Floats = (outer - moved_mm - tracks.radius_mm) * 1e3
    return places


def reached(mechanism: Mechanism, tracks: Tracks) -> npt.NDArray[np.bool_]:
    """Which tracks a mechanism's heads get to at all, shape (tracks,)."""
    last = mechanism.cylinders - 1
    get_to: npt.NDArray[np.bool_] = (tracks.cylinder * steps_a_track(mechanism, tracks.pitch_um) <= last) & (
        tracks.side < mechanism.heads
    )
    return get_to
