"""Where tracks lie and how much of one head's track another head covers. Lengths across tracks are in um, radii in mm.

Formulas and their sources stand in docs/forward-model.md.
"""

from __future__ import annotations

import math

Interval = tuple[float, float]


def track_radius_mm(cylinder: int, outer_radius_mm: float, pitch_mm: float) -> float:
    """Radius of a track's centre line, mm: R(n) = x - p n, n counted from the outer track."""
    return outer_radius_mm - pitch_mm * cylinder


def linear_density_bpi(flux_per_radian: float, radius_mm: float, *, fm: bool = False) -> float:
    """Bits per inch along a track: flux transitions per radian over the radius; FM spends two cells a bit."""
    density = flux_per_radian / radius_mm * 25.4
    return density / 2 if fm else density


def transition_spacing_um(flux_per_radian: float, radius_mm: float) -> float:
    """Shortest distance between flux transitions along the track, um."""
    return radius_mm * 1000.0 / flux_per_radian


def head_speed_m_s(radius_mm: float, speed_rpm: float) -> float:
    """Speed of the surface under the head, m/s."""
    return 2 * math.pi * radius_mm * 1e-3 * speed_rpm / 60.0


def expansion_um(radius_mm: float, coefficient: float, change: float) -> float:
    """Radial shift of a track, um, when the disk grows by `coefficient` per unit over `change` units (K or % RH)."""
    return radius_mm * 1000.0 * coefficient * change


def band(centre_um: float, width_um: float) -> Interval:
    """The strip a head of this width covers when its centre stands at `centre_um`."""
    return centre_um - width_um / 2, centre_um + width_um / 2


def overlap_um(first: Interval, second: Interval) -> float:
    """Width shared by two strips, um; 0 when they do not meet."""
    return max(0.0, min(first[1], second[1]) - max(first[0], second[0]))


def intersection(first: Interval, second: Interval) -> Interval:
    """The strip two strips share; empty (equal ends) when they do not meet."""
    low, high = max(first[0], second[0]), min(first[1], second[1])
    return (low, max(low, high))


def left_beside_um(old: Interval, erased: Interval, reading: Interval) -> float:
    """Width of an old recording, um, that lies under the reading head but outside the newly erased strip."""
    seen = intersection(old, reading)
    return (seen[1] - seen[0]) - overlap_um(seen, erased)


def ratio_db(ratio: float) -> float:
    """An amplitude ratio in dB; minus infinity for 0."""
    return 20 * math.log10(ratio) if ratio > 0 else -math.inf


def db_ratio(gain_db: float) -> float:
    """The amplitude ratio of a gain in dB."""
    return math.pow(10.0, gain_db / 20.0)


def off_track_db(width_um: float, offset_um: float) -> float:
    """Signal left, dB, when a head stands `offset_um` beside a track of its own width (linear overlap)."""
    return ratio_db(overlap_um(band(0.0, width_um), band(offset_um, width_um)) / width_um)


def azimuth_ratio(width_um: float, angle_arcmin: float, spacing_um: float) -> float:
    """Signal left when the reading gap is turned against the transitions by `angle_arcmin`.

    sin(u)/u with u = pi w tan(angle) / wavelength, the wavelength being two transition spacings.
    """
    angle = math.radians(angle_arcmin / 60.0)
    u = math.pi * width_um * math.tan(angle) / (2 * spacing_um)
    return abs(math.sin(u) / u) if u else 1.0
