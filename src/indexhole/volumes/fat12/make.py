"""Makes FAT12 images for demonstration disks, the same bytes every time."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime

from indexhole.volumes.fat12.fat12 import FOLDER, LABEL
from indexhole.volumes.fat12.geometry import ENTRY_BYTES, FIRST_CLUSTER, KNOWN, Geometry

_EARLY_SUMMER = datetime(1987, 6, 1, 12, 0)
_NAME_CHARACTERS = frozenset("ABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789_-!#$%&'()@^`{}~")


def _split_name(name: str) -> bytes:
    """A name as the eleven bytes of a directory entry. Raises ValueError when it is not eight and three."""
    stem, dot, extension = name.partition(".")
    fits = 1 <= len(stem) <= 8 and (not dot or 1 <= len(extension) <= 3)
    if not fits or not set(stem + extension) <= _NAME_CHARACTERS:
        raise ValueError(f"{name!r} is not a name of at most eight and three capitals, digits and signs")
    return stem.ljust(8).encode() + extension.ljust(3).encode()


def _label(title: str) -> bytes:
    if len(title) > 11 or not set(title) <= _NAME_CHARACTERS | {" "}:
        raise ValueError(f"{title!r} is not a title of at most eleven capitals, digits and signs")
    return title.ljust(11).encode()


def pack_entries(entries: list[int], length: int) -> bytes:
    """12-bit entries, two in three bytes, low nibble first, in `length` bytes."""
    fat = bytearray(length + 1)
    for n, entry in enumerate(entries):
        at = n * 3 // 2
        pair = (fat[at] | fat[at + 1] << 8) | (entry << 4 if n % 2 else entry)
        fat[at : at + 2] = pair.to_bytes(2, "little")
    return bytes(fat[:length])


@dataclass
class _Folder:
    entries: list[bytes] = field(default_factory=list)
    folders: dict[str, _Folder] = field(default_factory=dict)
    files: dict[str, bytes] = field(default_factory=dict)


def _tree(files: Mapping[str, bytes]) -> _Folder:
    root = _Folder()
    for path, data in files.items():
        *above, name = path.split("/")
        folder = root
        for part in above:
            folder = folder.folders.setdefault(part, _Folder())
        folder.files[name] = data
    return root


class _Maker:
    """Clusters handed out in order of need."""

    def __init__(self, geometry: Geometry, when: datetime) -> None:
        self.geometry = geometry
        self.entries = [0xF00 | geometry.medium, 0xFFF]
        self.area = bytearray(geometry.clusters * geometry.cluster_bytes)
        date = (when.year - 1980) << 9 | when.month << 5 | when.day
        time = when.hour << 11 | when.minute << 5 | when.second // 2
        self.stamp = time.to_bytes(2, "little") + date.to_bytes(2, "little")

    def reserve(self, size: int) -> int:
        """First cluster of a new chain for `size` bytes, 0 for none."""
        count = -(-size // self.geometry.cluster_bytes)
        first = len(self.entries)
        if first + count > self.geometry.clusters + FIRST_CLUSTER:
            raise ValueError("the files do not fit on the volume")
        self.entries += [*range(first + 1, first + count), 0xFFF] if count else []
        return first if count else 0

    def store(self, first: int, data: bytes) -> None:
        at = (first - FIRST_CLUSTER) * self.geometry.cluster_bytes
        if data:
            self.area[at : at + len(data)] = data

    def entry(self, name: bytes, attributes: int, first: int, size: int) -> bytes:
        return (
            name
            + bytes([attributes])
            + bytes(10)
            + self.stamp
            + first.to_bytes(2, "little")
            + size.to_bytes(4, "little")
        )

    def fill(self, folder: _Folder, own: int) -> None:
        """Place everything in a folder whose first cluster is `own` (0 for the root) and note it in its entries."""
        for name, inner in folder.folders.items():
            first = self.reserve((2 + len(inner.folders) + len(inner.files)) * ENTRY_BYTES)
            folder.entries.append(self.entry(_split_name(name), FOLDER, first, 0))
            inner.entries = [
                self.entry(b".".ljust(11), FOLDER, first, 0),
                self.entry(b"..".ljust(11), FOLDER, own, 0),
            ]
            self.fill(inner, first)
            self.store(first, b"".join(inner.entries))
        for name, data in folder.files.items():
            first = self.reserve(len(data))
            self.store(first, data)
            folder.entries.append(self.entry(_split_name(name), 0x20, first, len(data)))


def make_fat12(
    files: Mapping[str, bytes],
    *,
    title: str = "",
    size: int = 737_280,
    serial: int = 0x1987_0601,
    when: datetime = _EARLY_SUMMER,
) -> bytes:
    """An image of `size` bytes that holds the files; `/` in a name makes folders.

    Raises:
        ValueError: a size no known layout has, a name or title that does not fit, or too much data.
    """
    if size not in KNOWN:
        raise ValueError(f"no known volume has {size} bytes; known are {', '.join(map(str, sorted(KNOWN)))}")
    geometry = KNOWN[size]
    root = _tree(files)
    maker = _Maker(geometry, when)
    if title:
        root.entries.append(maker.entry(_label(title), LABEL, 0, 0))
    maker.fill(root, 0)
    if len(root.entries) > geometry.root_entries:
        raise ValueError(f"the root holds at most {geometry.root_entries} names")
    fat = pack_entries(maker.entries, geometry.fat_sectors * geometry.sector_bytes)
    start = _boot(geometry, _label(title or "NO NAME"), serial) + fat * geometry.fats
    directory = b"".join(root.entries).ljust(geometry.root_sectors * geometry.sector_bytes, b"\0")
    return (start + directory + bytes(maker.area)).ljust(size, b"\0")


def _boot(geometry: Geometry, label: bytes, serial: int) -> bytes:
    """The descriptor sector."""
    numbers = (
        (geometry.sector_bytes, 2),
        (geometry.cluster_sectors, 1),
        (geometry.reserved_sectors, 2),
        (geometry.fats, 1),
        (geometry.root_entries, 2),
        (geometry.total_sectors, 2),
        (geometry.medium, 1),
        (geometry.fat_sectors, 2),
        (geometry.track_sectors, 2),
        (geometry.sides, 2),
        (0, 4),
        (0, 4),
        (0, 2),
        (0x29, 1),
        (serial, 4),
    )
    head = b"\xeb\x3c\x90INDEXHOL" + b"".join(value.to_bytes(count, "little") for value, count in numbers)
    head += label + b"FAT12   "
    return (head.ljust(510, b"\0") + b"\x55\xaa").ljust(geometry.sector_bytes * geometry.reserved_sectors, b"\0")
