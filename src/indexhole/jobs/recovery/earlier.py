"""An earlier recovery of a disk: its report, its image, or both, as they come from outside."""

from __future__ import annotations

import hashlib
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Field, StringConstraints, ValidationError, model_validator

from indexhole.errors import InputFault
from indexhole.recover.shapes.result import SectorState
from indexhole.standards.figures import first_fault

_MOST_BYTES = 64 << 20
_REMEDY = "give a report.json or image.bin that `recover --out` wrote, or a plain image of the sectors"
Sha256 = Annotated[str, StringConstraints(pattern=r"^[0-9a-f]{64}$")]
Name = Annotated[str, StringConstraints(max_length=4000)]
Place = tuple[int, int, int]
"""Cylinder, head and number of a sector, as recorded."""


class _Entry(BaseModel):
    """Part of a report; what newer versions add is passed over."""

    model_config = ConfigDict(frozen=True, extra="ignore")


class SectorEntry(_Entry):
    """One sector of a report; `sha256` is "" when nothing was recovered."""

    id: int = Field(ge=0, le=255)
    size: int = Field(ge=0, le=16384)
    state: SectorState
    sha256: Sha256 | Literal[""]
    deleted: bool = False
    in_image: bool = True


class TrackEntry(_Entry):
    """One track of a report."""

    cylinder: int = Field(ge=0, le=255)
    head: int = Field(ge=0, le=1)
    sectors: tuple[SectorEntry, ...] = Field(max_length=256)


class ImageEntry(_Entry):
    """The image of a report."""

    bytes: int = Field(ge=0)
    sha256: Sha256


class FileEntry(_Entry):
    """One file of a report."""

    name: Name
    sha256: Sha256
    state: SectorState


class VolumeEntry(_Entry):
    """The volume of a report."""

    files: tuple[FileEntry, ...] = Field(max_length=100_000)


class Report(_Entry):
    """What a comparison needs of the report that `recover` writes."""

    layout: str | None = Field(default=None, max_length=100)
    tracks: tuple[TrackEntry, ...] = Field(max_length=512)
    image: ImageEntry | None = None
    volume: VolumeEntry | None = None

    @model_validator(mode="after")
    def _each_once(self) -> Report:
        seen: set[Place] = set()
        for place, _ in self.sectors():
            if place in seen:
                raise ValueError("cylinder {} head {} sector {} is listed twice".format(*place))
            seen.add(place)
        size = sum(sector.size for _, sector in self.sectors())
        if self.image is not None and self.image.bytes != size:
            raise ValueError(f"its image has {self.image.bytes} bytes, its sectors {size}")
        return self

    def sectors(self) -> Iterator[tuple[Place, SectorEntry]]:
        """Every sector of the image with its place, in its order; what stands beside it is not compared."""
        for track in self.tracks:
            for sector in (s for s in track.sectors if s.in_image):
                yield (track.cylinder, track.head, sector.id), sector


@dataclass(frozen=True)
class Earlier:
    """An earlier recovery: at least one of report and image."""

    name: str
    report: Report | None
    image: bytes | None


def report_from(report: dict[str, Any]) -> Report:
    """The part of a report of this program that a comparison needs."""
    return Report.model_validate(report)


def _read(path: Path) -> bytes:
    try:
        with path.open("rb") as file:
            data = file.read(_MOST_BYTES + 1)
    except OSError as fault:
        raise InputFault(f"cannot be read ({fault.strerror})", where=str(path), remedy="check the path") from fault
    if len(data) > _MOST_BYTES:
        raise InputFault(f"holds more than {_MOST_BYTES >> 20} MB", where=str(path), remedy=_REMEDY)
    return data


def parse_report(data: bytes, where: str) -> Report:
    """A report from its JSON text. Raises InputFault that names the first thing wrong."""
    try:
        return Report.model_validate_json(data)
    except ValidationError as fault:
        raise InputFault(first_fault(fault, "the report"), where=where, remedy=_REMEDY) from fault


def read_earlier(path: Path) -> Earlier:
    """An earlier recovery from its report (a name that ends in .json), its folder, or an image.

    Beside a report `image.bin` is taken for its image when its SHA-256 is the one reported, and beside an image
    `report.json` for its report likewise; no path that a report names is followed.

    Raises:
        InputFault: a file that cannot be read, or a report that does not hold what it should.
    """
    if path.is_dir():
        path = path / "report.json"
    if path.suffix.lower() == ".json":
        report = parse_report(_read(path), str(path))
        sibling = path.with_name("image.bin")
        image = _read(sibling) if sibling.is_file() else None
        return Earlier(str(path), report, image if image is not None and _belongs(report, image) else None)
    image = _read(path)
    if not image:
        raise InputFault("is empty", where=str(path), remedy=_REMEDY)
    sibling = path.with_name("report.json")
    found = parse_report(_read(sibling), str(sibling)) if sibling.is_file() else None
    return Earlier(str(path), found if found is not None and _belongs(found, image) else None, image)


def _belongs(report: Report, image: bytes) -> bool:
    return report.image is not None and report.image.sha256 == hashlib.sha256(image).hexdigest()
