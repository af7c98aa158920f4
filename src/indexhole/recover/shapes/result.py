"""What recovery hands on: sectors with states, tracks, the whole surface."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass, field
from enum import StrEnum
from typing import Literal

import numpy as np
import numpy.typing as npt

from indexhole.codes.code import CodeName
from indexhole.kinds import in_order
from indexhole.recover.shapes.description import Description


class SectorState(StrEnum):
    """State of one sector; nothing is `sound` that was not read with a passing check."""

    SOUND = "sound"
    MENDED = "mended"
    SUSPECT = "suspect"
    LOST = "lost"


WORST_FIRST = in_order(SectorState, (SectorState.LOST, SectorState.SUSPECT, SectorState.MENDED, SectorState.SOUND))


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
        false_chance: probability that these bytes are wrong although the check passes, nan when none was computed.
        in_image: whether the image holds it; not so a second sector of one number, nor one the layout has not.
        by_broken_id: whether it was told by an id whose check fails.
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
    in_image: bool = True
    by_broken_id: bool = False

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


OddityKind = Literal[
    "hard sectored",
    "two codes",
    "long track",
    "short track",
    "copied turn",
    "other place",
    "extra sector",
    "other size",
    "deleted mark",
    "repeated number",
    "missing id",
    "broken id",
    "id alone",
    "wrong check",
    "weak recording",
    "unformatted",
    "no fields",
]


@dataclass(frozen=True, slots=True)
class Oddity:
    """Something on a track that its layout does not foresee.

    Attributes:
        kind: always the same for the same thing (see docs/identification.md).
        words: what was found, for a keeper to read.
        sector: number it concerns, None when it is not one sector's.
        start, end: stretch of the turn in revolutions from the index, nan when not known; end may pass 1.
        data: bytes of a data field that belongs to no sector.
    """

    kind: OddityKind
    words: str
    sector: int | None = None
    start: float = float("nan")
    end: float = float("nan")
    data: bytes = b""


@dataclass(frozen=True, slots=True)
class Track:
    """One recovered track, sectors in order of number and then of angle; `oddities` is what was out of the ordinary.

    `code` is "" where nothing tells it.
    """

    cylinder: int
    head: int
    passes: int
    speed_rpm: float
    code: CodeName | Literal[""]
    cell_s: float
    sectors: tuple[Sector, ...]
    quality: QualityMap | None = None
    captures: tuple[str, ...] = ()
    oddities: tuple[Oddity, ...] = ()

    @property
    def image_sectors(self) -> tuple[Sector, ...]:
        """The sectors that are part of the image."""
        return tuple(s for s in self.sectors if s.in_image)


@dataclass(frozen=True, slots=True)
class Identification:
    """One candidate layout with its probability and the reasons."""

    layout: str
    probability: float
    why: str


@dataclass(frozen=True, slots=True)
class Surface:
    """Everything recovered from a set of captures of one disk, tracks in order of cylinder and head.

    `description` is how the tracks are laid out by themselves, whatever layout was chosen.
    """

    layout: str
    layout_confidence: float
    candidates: tuple[Identification, ...]
    tracks: tuple[Track, ...]
    warnings: tuple[str, ...] = field(default=())
    description: Description | None = None

    def image_sectors(self) -> list[Sector]:
        """Sectors in the order of the image: cylinder, head, sector."""
        return [sector for track in self.tracks for sector in track.image_sectors]

    def image(self) -> bytes:
        """Sectors in order of cylinder, head, sector, plain bytes; what was not recovered is zero-filled."""
        return b"".join(s.data.ljust(s.size, b"\0")[: s.size] for s in self.image_sectors())
