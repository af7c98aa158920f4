"""The numbers of a FAT12 volume: from its descriptor (ISO/IEC 9293, ECMA-107), else from its size.

The place of the number of sides is from the standard's contents list, the other places from memory; what an
older volume without a descriptor has is common practice, no source.
"""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass

from indexhole.volumes.volume import shown_name

ENTRY_BYTES = 32
FIRST_CLUSTER = 2
_MOST_CLUSTERS = 4084
_MOST_BYTES = 1 << 24
# a drive that steps further than the volume goes reads so much more at most
_TRACKS_TOO_MANY = 1.1


@dataclass(frozen=True, slots=True)
class Geometry:
    """The numbers of a volume's descriptor (BP are byte positions counted from 1)."""

    sector_bytes: int  # BP 12-13
    cluster_sectors: int  # BP 14
    reserved_sectors: int  # BP 15-16
    fats: int  # BP 17
    root_entries: int  # BP 18-19
    total_sectors: int  # BP 20-21, or 33-36
    medium: int  # BP 22
    fat_sectors: int  # BP 23-24
    track_sectors: int  # BP 25-26
    sides: int  # BP 27-28

    @property
    def root_start(self) -> int:
        """First sector of the root directory."""
        return self.reserved_sectors + self.fats * self.fat_sectors

    @property
    def root_sectors(self) -> int:
        """Sectors of the root directory."""
        return -(-self.root_entries * ENTRY_BYTES // self.sector_bytes)

    @property
    def data_start(self) -> int:
        """First sector of cluster 2."""
        return self.root_start + self.root_sectors

    @property
    def clusters(self) -> int:
        """Clusters in the data area."""
        return (self.total_sectors - self.data_start) // self.cluster_sectors

    @property
    def cluster_bytes(self) -> int:
        """Bytes in a cluster."""
        return self.cluster_sectors * self.sector_bytes

    def cluster_lbas(self, cluster: int) -> range:
        """Sectors of a cluster."""
        start = self.data_start + (cluster - FIRST_CLUSTER) * self.cluster_sectors
        return range(start, start + self.cluster_sectors)


# Volumes by their size in bytes: geometry that formatters use, and that an older volume without a descriptor
# has. Common practice, no source; the capacities are arithmetic.
KNOWN = {
    g.sector_bytes * g.total_sectors: g
    for g in (
        Geometry(512, 1, 1, 2, 64, 320, 0xFE, 1, 8, 1),
        Geometry(512, 1, 1, 2, 64, 360, 0xFC, 2, 9, 1),
        Geometry(512, 2, 1, 2, 112, 640, 0xFF, 1, 8, 2),
        Geometry(512, 2, 1, 2, 112, 720, 0xFD, 2, 9, 2),
        Geometry(512, 2, 1, 2, 112, 1440, 0xF9, 3, 9, 2),
        Geometry(512, 1, 1, 2, 224, 2400, 0xF9, 7, 15, 2),
        Geometry(1024, 1, 1, 2, 192, 1232, 0xFE, 2, 8, 2),
        Geometry(512, 1, 1, 2, 224, 2880, 0xF0, 9, 18, 2),
        Geometry(512, 2, 1, 2, 240, 5760, 0xF0, 9, 36, 2),
    )
}


def number(data: bytes, at: int, count: int = 2) -> int:
    """A number of `count` bytes, low byte first."""
    return int.from_bytes(data[at : at + count], "little")


def _descriptor(image: bytes) -> Geometry | None:
    """The geometry in the descriptor, None when its numbers cannot be those of a FAT12 volume."""
    geometry = Geometry(
        sector_bytes=number(image, 11),
        cluster_sectors=image[13],
        reserved_sectors=number(image, 14),
        fats=image[16],
        root_entries=number(image, 17),
        total_sectors=number(image, 19) or number(image, 32, 4),
        medium=image[21],
        fat_sectors=number(image, 22),
        track_sectors=number(image, 24),
        sides=number(image, 26),
    )
    powers = {1 << n for n in range(8)}
    plausible = (
        geometry.sector_bytes in {128 << n for n in range(6)}
        and geometry.cluster_sectors in powers
        and geometry.reserved_sectors >= 1
        and 1 <= geometry.fats <= 2
        and geometry.root_entries >= 1
        and geometry.fat_sectors >= 1
        and (geometry.medium == 0xF0 or geometry.medium >= 0xF8)
        and geometry.total_sectors * geometry.sector_bytes <= _MOST_BYTES
        and 1 <= geometry.clusters <= _MOST_CLUSTERS
    )
    return geometry if plausible else None


def _by_identifier(image: bytes) -> Geometry | None:
    """The known geometry whose format identifier begins the FAT (ISO/IEC 9293, 10.1, names it); None without one.

    In an image of a known size one copy is enough. In any other (cut short, or a descriptor that was not read) both
    copies must begin so, and of geometries alike the smallest that holds the image is taken.
    """
    fits = []
    for size, known in KNOWN.items():
        mark = bytes([known.medium, 0xFF, 0xFF])
        first = known.reserved_sectors * known.sector_bytes
        second = first + known.fat_sectors * known.sector_bytes
        begins = [image[at : at + 3] == mark for at in (first, second)]
        if len(image) == size and any(begins):
            return known
        if all(begins):
            fits.append((len(image) > _TRACKS_TOO_MANY * size, size, known))
    return min(fits, key=lambda fit: fit[:2])[2] if fits else None


def find_geometry(image: bytes, unsound: Collection[int] = ()) -> Geometry | None:
    """The geometry of a FAT12 volume: from its descriptor, else from its size and the first bytes of its FAT.

    Args:
        unsound: sectors that were not read with a passing check; a descriptor in one of them is the second choice.
    """
    if len(image) < 512:
        return None
    descriptor = _descriptor(image)
    if descriptor is not None and len(image) <= descriptor.reserved_sectors * descriptor.sector_bytes:
        return None
    if descriptor is None or 0 in unsound:
        return _by_identifier(image) or descriptor
    return descriptor


def descriptor_title(descriptor: bytes) -> str:
    """The volume's name in an Extended FDC Descriptor, "" when there is none. Its places are from memory."""
    name = descriptor[43:54].rstrip(b" ")
    if descriptor[38:39] != b"\x29" or name in (b"", b"NO NAME") or min(name) < 0x20:
        return ""
    return shown_name(name)
