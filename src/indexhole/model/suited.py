"""The sound mechanism, the sound medium and the place on the disk that suit a layout, for practice and prediction."""

from __future__ import annotations

import math

from indexhole.model.forward import MechanismState, MediumState, TrackPlace
from indexhole.standards.classes import load_classes
from indexhole.standards.layouts import Layout, Zone

# The start radius of 100 tpi is not known; that of 96 tpi is assumed, as usual when the two are compared.
_START_RADIUS_MM = (57.15, 55.0333)
# Our own choices, for classes whose figures are not known: a track takes this share of the pitch, and a read
# pulse this share of the shortest spacing on the innermost track (near the 4 um of a sound 48-tpi disk).
_WIDTH_SHARE = 0.6
_PULSE_SHARE = 0.9


def track_place(layout: Layout, cylinder: int, head: int) -> TrackPlace:
    """Where a track lies and how it is laid out. Raises ValueError when the layout has no such track."""
    zone = layout.zone(cylinder, head)
    if zone is None:
        raise ValueError(f"layout {layout.id} has no cylinder {cylinder} head {head}")
    item = load_classes()[layout.disk_class]
    radius_mm = item.radius_mm(cylinder, head)
    if radius_mm is None:
        radius_mm = _START_RADIUS_MM[head] - item.pitch_um.value * 1e-3 * cylinder
    shortest, longest = zone.recording.run_limits
    return TrackPlace(
        radius_mm=radius_mm,
        cylinder=cylinder,
        side=head,
        pitch_um=item.pitch_um.value,
        cell_s=zone.cell_s,
        speed_rpm=layout.speed_rpm,
        sector_bytes=zone.sector_bytes,
        shortest_cells=shortest,
        longest_cells=longest,
    )


def shortest_spacing_s(zone: Zone) -> float:
    """Shortest time between transitions of a zone at nominal speed."""
    return zone.cell_s * zone.recording.run_limits[0]


def bandwidth_hz(zone: Zone) -> float:
    """Bandwidth of a read chain made for a zone: two over the shortest spacing (500 kHz at 4 us)."""
    return 2.0 / shortest_spacing_s(zone)


def sound_mechanism(layout: Layout) -> MechanismState:
    """A sound mechanism whose head has the width of the layout's tracks."""
    item = load_classes()[layout.disk_class]
    width_um = item.written_width_um.value if item.written_width_um else _WIDTH_SHARE * item.pitch_um.value
    return MechanismState(write_width_um=width_um, read_width_um=width_um)


def sound_medium(layout: Layout) -> MediumState:
    """A sound medium whose read pulses suit the layout's density."""
    around = [
        2e3
        * math.pi
        * track_place(layout, z.last_cylinder, h).radius_mm
        * layout.speed_rpm
        / 60
        * shortest_spacing_s(z)
        for z in layout.zones
        for h in z.heads
    ]
    return MediumState(pulse_width_um=_PULSE_SHARE * min(around))
