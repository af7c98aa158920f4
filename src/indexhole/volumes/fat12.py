"""FAT12 volumes as ISO/IEC 9293 (ECMA-107) lays them out: system area, clusters, directories.

Sizes of records, the packing of 12-bit entries and low byte first are from memory of the standard.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator

from indexhole.volumes.fat12_geometry import ENTRY_BYTES, FIRST_CLUSTER, Geometry, number
from indexhole.volumes.volume import Volume, VolumeFile, shown_name, with_shared

END_OF_CHAIN = 0xFF8
BAD_CLUSTER = 0xFF7
READ_ONLY, HIDDEN, SYSTEM, LABEL, FOLDER = 1, 2, 4, 8, 16
_LONG_NAME = READ_ONLY | HIDDEN | SYSTEM | LABEL
# Chains of a damaged or hostile image may overlap without end; so many times the volume is followed at most.
_MOST_OVERLAP = 8
_DEEPEST = 32


def unpack_entries(fat: bytes, count: int) -> list[int]:
    """The first `count` 12-bit entries, two in three bytes, low nibble first; fewer when the FAT is short."""
    entries = []
    for n in range(min(count, len(fat) * 2 // 3)):
        pair = fat[n * 3 // 2] | fat[n * 3 // 2 + 1] << 8
        entries.append(pair >> 4 if n % 2 else pair & 0xFFF)
    return entries


class _Reader:
    """One image under its geometry."""

    def __init__(self, image: bytes, geometry: Geometry, unsound: Collection[int]) -> None:
        self.geometry = geometry
        whole = geometry.total_sectors * geometry.sector_bytes
        self.held = len(image) // geometry.sector_bytes
        self.image = image.ljust(whole, b"\0")
        self.unsound = frozenset(unsound)
        self.problems: list[str] = []
        if self.held < geometry.total_sectors:
            self.problems.append(f"the image holds {self.held} of {geometry.total_sectors} sectors")
        self.entries = self._fat()
        self.owner: dict[int, str] = {}
        # clusters that more than one chain claims, by their first sector, with the names of all that do
        self.shared: dict[int, list[str]] = {}
        self.left_to_follow = _MOST_OVERLAP * max(1, geometry.clusters)
        self.system = list(range(geometry.data_start))
        self.title = ""

    def sectors(self, first: int, count: int) -> bytes:
        size = self.geometry.sector_bytes
        return self.image[first * size : (first + count) * size]

    def _fat(self) -> list[int]:
        """The FAT: its first copy, with sectors from the second where the first is not sound."""
        geometry = self.geometry
        parts: list[bytes] = []
        differing = 0
        for k in range(geometry.fat_sectors):
            first = geometry.reserved_sectors + k
            second = first + geometry.fat_sectors
            part = self.sectors(first, 1)
            if geometry.fats == 2:
                other = self.sectors(second, 1)
                differing += part != other
                first_bad = first in self.unsound or first >= self.held
                if first_bad and second not in self.unsound and second < self.held:
                    part = other
            parts.append(part)
        if differing:
            self.problems.append(f"the two copies of the FAT differ in {differing} of {geometry.fat_sectors} sectors")
        entries = unpack_entries(b"".join(parts), geometry.clusters + FIRST_CLUSTER)
        short = geometry.clusters + FIRST_CLUSTER - len(entries)
        if short:
            self.problems.append(f"the FAT is too short for the last {short} clusters")
            entries += [BAD_CLUSTER] * short
        return entries

    def chain(self, first: int, name: str, most: int) -> tuple[list[int], list[str]]:
        """Clusters of a chain, at most `most` and one, and what is wrong with it."""
        clusters: list[int] = []
        problems: list[str] = []
        seen: set[int] = set()
        cluster = first
        while len(clusters) <= most:
            if not FIRST_CLUSTER <= cluster < len(self.entries):
                problems.append(f"the chain leads to cluster {cluster}, beyond the end")
                break
            if cluster in seen:
                problems.append(f"the chain comes back to cluster {cluster}")
                break
            if self.left_to_follow == 0:
                problems.append("not followed: the chains of this volume overlap too much")
                break
            self.left_to_follow -= 1
            seen.add(cluster)
            clusters.append(cluster)
            if cluster in self.owner:
                lba = self.geometry.cluster_lbas(cluster)[0]
                self.shared.setdefault(lba, [self.owner[cluster]]).append(name)
            self.owner.setdefault(cluster, name)
            cluster = self.entries[cluster]
            if cluster >= END_OF_CHAIN:
                break
            if cluster < FIRST_CLUSTER:
                problems.append("the chain runs into a free cluster")
                break
            if cluster >= BAD_CLUSTER - 7:
                problems.append("the chain runs into a bad or reserved cluster")
                break
        return clusters, problems

    def data(self, clusters: list[int]) -> bytes:
        return b"".join(self.sectors(self.geometry.cluster_lbas(c)[0], self.geometry.cluster_sectors) for c in clusters)

    def folder(self, data: bytes, above: str, depth: int = 0) -> Iterator[VolumeFile]:
        """The files of a folder and of the folders in it."""
        for at in range(0, len(data) - ENTRY_BYTES + 1, ENTRY_BYTES):
            entry = data[at : at + ENTRY_BYTES]
            if entry[0] == 0:
                return
            attributes = entry[11]
            if entry[0] == 0xE5 or attributes & 0x3F == _LONG_NAME:
                continue
            if attributes & LABEL:
                if not above and not self.title:
                    self.title = shown_name(entry[:11].rstrip(b" "))
                continue
            name = above + _entry_name(entry)
            if attributes & FOLDER:
                if entry[:2] not in (b". ", b".."):
                    yield from self._inner(entry, name, depth + 1)
            else:
                yield self._file(entry, name, attributes)

    def _inner(self, entry: bytes, name: str, depth: int) -> Iterator[VolumeFile]:
        first = number(entry, 26)
        if depth > _DEEPEST:
            self.problems.append(f"folder {name}: more than {_DEEPEST} folders deep, not entered")
            return
        if first in self.owner:
            self.problems.append(f"folder {name}: cluster {first} belongs to {self.owner[first]} too, not entered")
            return
        clusters, problems = self.chain(first, f"{name}/", self.geometry.clusters)
        self.problems += [f"folder {name}: {problem}" for problem in problems]
        self.system += [lba for c in clusters for lba in self.geometry.cluster_lbas(c)]
        yield from self.folder(self.data(clusters), f"{name}/", depth)

    def _file(self, entry: bytes, name: str, attributes: int) -> VolumeFile:
        geometry = self.geometry
        first, size = number(entry, 26), number(entry, 28, 4)
        needed = -(-size // geometry.cluster_bytes)
        clusters: list[int] = []
        problems: list[str] = []
        if first or size:
            clusters, problems = self.chain(first, name, needed)
        whole = not problems
        if len(clusters) < needed and whole:
            problems.append(f"the chain holds {len(clusters)} clusters, {needed} are needed for {size} bytes")
            whole = False
        if len(clusters) > needed:
            problems.append("the chain goes on behind the end of the file")
            clusters = clusters[:needed]
        lbas = [lba for c in clusters for lba in geometry.cluster_lbas(c)][: -(-size // geometry.sector_bytes)]
        missing = sum(lba >= self.held for lba in lbas)
        if missing:
            problems.append(f"{missing} of its sectors lie beyond the image")
            whole = False
        return VolumeFile(
            name=name,
            data=self.data(clusters)[:size],
            size=size,
            sectors=tuple(lbas),
            kind="hidden or system file" if attributes & (HIDDEN | SYSTEM) else "file",
            modified=_when(number(entry, 24), number(entry, 22)),
            whole=whole,
            problems=tuple(problems),
        )


def _entry_name(entry: bytes) -> str:
    stem = bytes([0xE5]) + entry[1:8] if entry[0] == 5 else entry[:8]
    extension = entry[8:11].rstrip(b" ")
    shown = shown_name(stem.rstrip(b" "))
    return f"{shown}.{shown_name(extension)}" if extension else shown


def _when(date: int, time: int) -> str:
    year, month, day = 1980 + (date >> 9), date >> 5 & 15, date & 31
    hour, minute, second = time >> 11, time >> 5 & 63, (time & 31) * 2
    if not (1 <= month <= 12 and day and hour < 24 and minute < 60 and second < 60):
        return ""
    return f"{year}-{month:02}-{day:02} {hour:02}:{minute:02}:{second:02}"


def read_fat12(image: bytes, geometry: Geometry, unsound: Collection[int] = ()) -> Volume:
    """Read a FAT12 volume; never raises whatever the image holds.

    Args:
        unsound: sectors, by number in the image, that were not read with a passing check; the second copy of
            the FAT stands in for those of the first.
    """
    reader = _Reader(image, geometry, unsound)
    files = list(reader.folder(reader.sectors(geometry.root_start, geometry.root_sectors), ""))
    return Volume(
        kind="fat12",
        title=reader.title,
        free=reader.entries[FIRST_CLUSTER:].count(0),
        unit_bytes=geometry.cluster_bytes,
        sector_bytes=geometry.sector_bytes,
        files=tuple(with_shared(file, reader.shared, "cluster") for file in files),
        system_sectors=tuple(sorted(set(reader.system))),
        problems=tuple(reader.problems),
    )
