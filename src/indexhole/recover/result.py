"""What recovery hands on: sectors with states, tracks, the whole surface."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass, field
from enum import StrEnum

import numpy as np
import numpy.typing as npt


class SectorState(StrEnum):
    """State of one sector; nothing is `sound` that was not read with a passing check."""

    SOUND = "sound"
    MENDED = "mended"
    SUSPECT = "suspect"
    LOST = "lost"


@dataclass(frozen=True, slots=True)
class Sector:
    """One recovered sector.

    Attributes:
        id: number as recorded.
        data: bytes recovered (empty when lost).
        size: bytes the sector should hold.
        passes_read: passes whose own check passed with these bytes.
        how: how the bytes were got, in words.
        angle: revolutions from the index to the data mark (nan when unknown).
        deleted: whether the data mark was the deleted-data one.
        changed: of a mended sector, the bits (0 = highest of the first byte) in which it differs from the pass that
            came nearest.
        given_up: of a mended sector, how much less likely it is than the likeliest field, whose check failed
            (natural log; 0 when it is the likeliest).
        false_chance: probability that these bytes are wrong although the check passes, nan when none was reckoned.
    """

    id: int
    size: int
    state: SectorState
    data: bytes
    passes_read: int
    how: str
    angle: float = float("nan")
    deleted: bool = False
    changed: tuple[int, ...] = ()
    given_up: float = 0.0
    false_chance: float = float("nan")

    @property
    def sha256(self) -> str:
        """SHA-256 of the recovered bytes, "" when there are none."""
        return hashlib.sha256(self.data).hexdigest() if self.data else ""


@dataclass(frozen=True, slots=True)
class QualityMap:
    """How well each stretch of a track was read, for the unrolled picture.

    Attributes:
        quality: (passes, bins) float32, 1 = every pulse in the middle of its window, 0 = nothing legible,
            nan = not logged. Bin k covers angles k/bins to (k+1)/bins.
        cell_ratio: (passes, bins) float32, local cell time over nominal.
    """

    quality: npt.NDArray[np.float32]
    cell_ratio: npt.NDArray[np.float32]


@dataclass(frozen=True, slots=True)
class Track:
    """One recovered track, sectors in order of number."""

    cylinder: int
    head: int
    passes: int
    speed_rpm: float
    code: str
    cell_s: float
    sectors: tuple[Sector, ...]
    quality: QualityMap | None = None
    captures: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Identification:
    """One candidate layout with its probability and the reasons."""

    layout: str
    probability: float
    why: str


@dataclass(frozen=True, slots=True)
class Surface:
    """Everything recovered from a set of captures of one disk, tracks in order of cylinder and head."""

    layout: str
    layout_confidence: float
    candidates: tuple[Identification, ...]
    tracks: tuple[Track, ...]
    warnings: tuple[str, ...] = field(default=())

    def image(self) -> bytes:
        """Sectors in order of cylinder, head, sector, plain bytes; what was not recovered is zero-filled."""
        parts = [
            sector.data.ljust(sector.size, b"\0")[: sector.size] for track in self.tracks for sector in track.sectors
        ]
        return b"".join(parts)
