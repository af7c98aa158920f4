"""Draws of what is not known of each mechanism and disk, from their classes or from what the evidence says.

Every quantity has a stream of random numbers of its own, named by seed, thing and quantity: the same thing draws the
same wherever it appears, so two answers differ only in what was changed between them.
"""

from __future__ import annotations

import zlib
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from indexhole.pairing.parts.beliefs import Beliefs
from indexhole.pairing.parts.parts import Climate, Mechanism, Medium
from indexhole.standards.figures import Figure

Floats = npt.NDArray[np.float64]

# Our own choices. A named unit may be out of its tolerance; a good outside drive is not.
_ASTRAY, _ASTRAY_FACTOR = 0.04, 4.0
_LOST, _ANYWHERE_OF_PITCH, _ANY_SPEED = 0.012, 0.6, 0.08
_DIRT_DB, _DIRTY, _DIRTY_DB = 0.3, 0.03, 8.0
_WEAR_DB, _WORN, _WORN_DB = 0.5, 0.03, 8.0
_WOW = 0.0025
# So that a pair some way apart within tolerance still reads 10^9 bits for each soft error, the planning figure.
_NOISE, _NOISE_SPREAD = 0.014, 0.2
_ASYMMETRY = 0.015
_PLAY_OF_PITCH = 0.02
_FIELD_SPREAD, _COERCIVITY_SPREAD = 0.05, 0.03
# A head whose width no source gives covers some share of its pitch.
_WIDTH_SHARES = (0.4, 0.8)
_THERMAL, _HYGROSCOPIC = (9e-6, 25e-6), (0.0, 15e-6)
_UNEVEN = 0.3
_FRAME = (12e-6, 24e-6)
_TODAY, _THEN = ((21.0, 2.5), (45.0, 10.0)), ((22.0, 4.0), (50.0, 12.0))
_SWING_UM = {True: 4.0, None: 6.0, False: 8.0}
_SWING_CREASED, _SWING_RIGID_UM = 2.0, 3.0


class Streams:
    """Random numbers by name, `size` of each; what was drawn once is kept, and must not be changed."""

    def __init__(self, seed: int, size: int) -> None:
        self.seed, self.size = seed, size
        self._kept: dict[tuple[str, ...], Floats] = {}

    def rng(self, *names: str) -> np.random.Generator:
        """The stream of a name; asked again, it starts again."""
        return np.random.Generator(np.random.PCG64([self.seed, *(zlib.crc32(name.encode()) for name in names)]))

    def normal(self, *names: str) -> Floats:
        """Standard normal values."""
        return self._keep(("normal", *names), lambda rng: rng.standard_normal(self.size))

    def even(self, *names: str) -> Floats:
        """Values evenly between 0 and 1."""
        return self._keep(names, lambda rng: rng.random(self.size))

    def seldom(self, chance: float, *names: str) -> npt.NDArray[np.bool_]:
        """True now and then."""
        return self.even(*names, "seldom") < chance

    def _keep(self, names: tuple[str, ...], draw: Callable[[np.random.Generator], Floats]) -> Floats:
        if names not in self._kept:
            self._kept[names] = draw(self.rng(*names))
            self._kept[names].flags.writeable = False
        return self._kept[names]


@dataclass(frozen=True, slots=True)
class Heads:
    """Draws of one mechanism, each of shape (draws,). `field` and `field_low` are coercivities its currents suit."""

    offset_um: Floats
    start_um: Floats
    speed: Floats
    azimuth_arcmin: Floats
    wow: Floats
    noise: Floats
    asymmetry: Floats
    loss_db: Floats
    trim_um: Floats
    write_um: Floats
    read_um: Floats
    frame_per_k: Floats
    play_um: Floats
    capture: Floats
    field_factor: Floats
    gap_2_shift: Floats


@dataclass(frozen=True, slots=True)
class Disks:
    """Draws of one disk, each of shape (draws,): growth in two directions, wear, defects, coercivity, clamping."""

    thermal: tuple[Floats, Floats]
    hygroscopic: tuple[Floats, Floats]
    loss_db: Floats
    defect_rate: Floats
    coercivity_factor: Floats
    swing_um: Floats
    fade: Floats
    blur: Floats


def _picks(beliefs: Beliefs, streams: Streams, count: int) -> npt.NDArray[np.int64]:
    """Which of the beliefs' draws each of ours takes: the same for every name, so that they stay together."""
    # in turn and not at random, so that none is missed while another comes twice
    shuffled = streams.rng("beliefs").permutation(count)
    return np.resize(shuffled, streams.size)


def _width(figure: Figure | None, pitch_um: float, streams: Streams, *names: str) -> Floats:
    u = streams.even(*names)
    if figure is None:
        low, high = _WIDTH_SHARES
        return pitch_um * (low + (high - low) * u)
    low = figure.value if figure.low is None else figure.low
    return figure.value - (figure.value - low) * u**2


def _sigma(limit: Figure) -> float:
    """Standard deviation of what is kept within a limit: a third of it (half of the tight end where there is one)."""
    return limit.value / 3


def draw_heads(mechanism: Mechanism, beliefs: Beliefs, streams: Streams, role: str) -> Heads:
    """Draws of a mechanism; one without a name is a good outside drive and draws by its role."""
    drive, name = mechanism.drive, mechanism.name or f"outside {role}"
    outside = not mechanism.name
    kind = drive.id
    size = streams.size
    sigma_um, sigma_speed = _sigma(drive.offset_limit_um), _sigma(drive.speed_limit_pct) / 100
    offset = sigma_um * streams.normal(name, "offset")
    speed = 1.0 + sigma_speed * streams.normal(name, "speed")
    if not outside:
        offset *= np.where(streams.seldom(_ASTRAY, name, "offset"), _ASTRAY_FACTOR, 1.0)
        anywhere = _ANYWHERE_OF_PITCH * drive.pitch_um.value * (2 * streams.even(name, "offset") - 1)
        offset = np.where(streams.seldom(_LOST, name, "lost"), anywhere, offset)
        speed = 1.0 + (speed - 1.0) * np.where(streams.seldom(_ASTRAY, name, "speed"), _ASTRAY_FACTOR, 1.0)
        any_speed = 1.0 + _ANY_SPEED * (2 * streams.even(name, "speed") - 1)
        speed = np.where(streams.seldom(_LOST / 2, name, "lost speed"), any_speed, speed)
    dirt = -_DIRT_DB * np.log1p(-streams.even(name, "dirt"))
    if not outside:
        dirt -= _DIRTY_DB * streams.seldom(_DIRTY, name, "dirt") * np.log1p(-streams.even(name, "more dirt"))
    shift = np.zeros(size)
    known = beliefs.mechanisms.get(mechanism.name) if mechanism.name else None
    if known is not None:
        pick = _picks(beliefs, streams, len(known.offset_um))
        offset, speed, dirt, shift = (
            known.offset_um[pick],
            known.speed_ratio[pick],
            known.loss_db[pick],
            known.gap_2_shift[pick],
        )
    trim = np.zeros(size)
    if drive.erase_trim_um is not None:
        low, high = drive.erase_trim_um.low or 0.0, drive.erase_trim_um.high or drive.erase_trim_um.value
        trim = low + (high - low) * streams.even(name, "trim")
    start = np.zeros(size)
    if drive.radius_side_0_mm is None:
        # one pitch either way, the same for every mechanism of the class
        start = drive.pitch_um.value * (2 * streams.even(kind, "start") - 1)
    return Heads(
        offset_um=offset,
        start_um=start,
        speed=speed,
        azimuth_arcmin=_sigma(drive.azimuth_limit_arcmin) * streams.normal(name, "azimuth"),
        wow=_WOW * np.abs(streams.normal(name, "wow")),
        noise=_NOISE * np.exp(_NOISE_SPREAD * streams.normal(name, "noise")),
        asymmetry=_ASYMMETRY * np.abs(streams.normal(name, "asymmetry")),
        loss_db=dirt,
        trim_um=trim,
        write_um=_width(drive.write_width_um, drive.pitch_um.value, streams, kind, "width"),
        read_um=_width(drive.read_width_um, drive.pitch_um.value, streams, kind, "width"),
        frame_per_k=_FRAME[0] + (_FRAME[1] - _FRAME[0]) * streams.even(name, "frame"),
        play_um=_PLAY_OF_PITCH * drive.pitch_um.value * streams.even(name, "play"),
        capture=0.05 + 0.025 * streams.even(name, "capture"),
        field_factor=np.maximum(1 + _FIELD_SPREAD * streams.normal(name, "field"), 0.5),
        gap_2_shift=shift,
    )


def draw_disk(disk: Medium, beliefs: Beliefs, streams: Streams) -> Disks:
    """Draws of a disk; its condition widens them."""
    name = disk.name or "disk"
    even = streams.even
    thermal = _THERMAL[0] + (_THERMAL[1] - _THERMAL[0]) * even(name, "thermal")
    damp = _HYGROSCOPIC[0] + (_HYGROSCOPIC[1] - _HYGROSCOPIC[0]) * even(name, "hygroscopic")
    lean, lean_damp = _UNEVEN * (2 * even(name, "lean") - 1), _UNEVEN * (2 * even(name, "lean damp") - 1)
    words = set(disk.condition)
    spoilt, creased = bool(words & {"shedding", "mould", "sticky"}), bool(words & {"creased", "scratched", "warped"})
    loss = -_WEAR_DB * np.log1p(-even(name, "wear"))
    worse = streams.seldom(0.6 if spoilt else _WORN, name, "wear")
    loss -= _WORN_DB * worse * np.log1p(-even(name, "more wear"))
    defects = 10.0 ** (-6.5 + 0.8 * streams.normal(name, "defects"))
    bad = streams.seldom(0.8 if spoilt else 0.5 if creased else 0.05, name, "defects")
    defects = np.where(bad, 10.0 ** (-4 + 2 * even(name, "more defects")), np.minimum(defects, 1e-3))
    known = beliefs.disks.get(disk.name)
    if known is not None:
        pick = _picks(beliefs, streams, len(known.loss_db))
        loss, defects = known.loss_db[pick], known.defect_rate[pick]
    swing = _SWING_RIGID_UM if disk.disk_class.diameter_mm == 90 else _SWING_UM[disk.hub_ring]
    figure = disk.disk_class.coercivity_oe
    spread = _COERCIVITY_SPREAD
    if figure is None:
        spread = 0.1
    elif figure.low is not None or figure.high is not None:
        low, high = figure.low or figure.value, figure.high or figure.value
        spread = max(spread, (high - low) / figure.value / 4)
    return Disks(
        thermal=(thermal * (1 + lean), thermal * (1 - lean)),
        hygroscopic=(damp * (1 + lean_damp), damp * (1 - lean_damp)),
        loss_db=loss,
        defect_rate=defects,
        coercivity_factor=np.maximum(1 + spread * streams.normal(name, "coercivity"), 0.5),
        swing_um=np.full(streams.size, swing * (_SWING_CREASED if creased else 1.0)),
        fade=even(name, "fade"),
        # how much more than the model says an unsuited field blurs: nobody measured it
        blur=1 + 3 * even(name, "blur"),
    )


def draw_climate(climate: Climate, streams: Streams, day: str) -> tuple[Floats, Floats]:
    """Temperature in C and relative humidity in %, spread where nobody wrote them down."""
    usual = _TODAY if day == "reading" else _THEN
    found = []
    for value, (middle, spread), what in zip(
        (climate.temperature_c, climate.humidity_pct), usual, ("temperature", "humidity"), strict=True
    ):
        drawn = middle + spread * streams.normal(day, what)
        found.append(drawn if value is None else np.full(streams.size, float(value)))
    return found[0], np.clip(found[1], 0.0, 100.0)
