"""The FAT of a FAT12 volume (ISO/IEC 9293, clause 10): its copies, its 12-bit entries, and the chains in it.

The meaning of the values and the packing, two entries in three bytes with the low nibble first, are from memory.
"""

from __future__ import annotations

from indexhole.volumes.fat12.geometry import FIRST_CLUSTER, Geometry
from indexhole.volumes.image import Claims, SectorImage, spans
from indexhole.wording import count_of

FREE = 0
FIRST_RESERVED = 0xFF0
BAD_CLUSTER = 0xFF7
END_OF_CHAIN = 0xFF8
TOO_MUCH = "not followed: the chains of this volume overlap too much"


def unpack_entries(fat: bytes, count: int) -> list[int]:
    """The first `count` 12-bit entries, two in three bytes, low nibble first; fewer when the FAT is short."""
    entries = []
    for n in range(min(count, len(fat) * 2 // 3)):
        pair = fat[n * 3 // 2] | fat[n * 3 // 2 + 1] << 8
        entries.append(pair >> 4 if n % 2 else pair & 0xFFF)
    return entries


class Fat:
    """The FAT as read: the first copy, with sectors from the second where only that one was soundly read.

    Attributes:
        entries: (clusters + 2,) values; where the FAT is too short, bad clusters.
        unread: clusters whose entry was soundly read in no copy.
        differing: clusters whose entries differ between copies that were both soundly read.
        problems: what is wrong with the FAT as a whole.
    """

    def __init__(self, image: SectorImage, geometry: Geometry) -> None:
        self.geometry = geometry
        self.problems: list[str] = []
        self.claims = Claims(geometry.clusters)
        self._behind: set[int] = set()
        wanted = geometry.clusters + FIRST_CLUSTER
        starts = [geometry.reserved_sectors + n * geometry.fat_sectors for n in range(geometry.fats)]
        copies = [[image.read(start + k) for k in range(geometry.fat_sectors)] for start in starts]
        sound = [[image.sound(start + k) for k in range(geometry.fat_sectors)] for start in starts]
        used = [next((n for n in range(geometry.fats) if sound[n][k]), 0) for k in range(geometry.fat_sectors)]
        self.entries = unpack_entries(b"".join(copies[n][k] for k, n in enumerate(used)), wanted)
        self.unread = self._clusters_in({k for k, n in enumerate(used) if not sound[n][k]})
        self.differing: set[int] = set()
        if geometry.fats == 2:
            self._compare(copies, sound, used)
        short = wanted - len(self.entries)
        if short:
            self.problems.append(f"the FAT is too short for the last {count_of(short, 'cluster')}")
            self.entries += [BAD_CLUSTER] * short
        if self.unread:
            self.problems.append(f"the FAT was not soundly read for {count_of(len(self.unread), 'cluster')}")
        elif self.entries[0] & 0xFF != geometry.medium:
            said, wanted = self.entries[0] & 0xFF, geometry.medium
            self.problems.append(f"the FAT's format identifier is {said:02X}h, the descriptor says {wanted:02X}h")
        bad = self.marked(BAD_CLUSTER)
        if bad and not short:
            self.problems.append(f"{count_of(len(bad), 'cluster')} marked bad: {spans(bad)}")

    def _clusters_in(self, fat_sectors: set[int]) -> set[int]:
        """Clusters whose entry touches one of the sectors of a FAT."""
        if not fat_sectors:
            return set()
        size = self.geometry.sector_bytes
        return {
            cluster
            for cluster in range(FIRST_CLUSTER, self.geometry.clusters + FIRST_CLUSTER)
            if {cluster * 3 // 2 // size, (cluster * 3 // 2 + 1) // size} & fat_sectors
        }

    def _compare(self, copies: list[list[bytes]], sound: list[list[bool]], used: list[int]) -> None:
        sectors = {k for k in range(len(used)) if copies[0][k] != copies[1][k]}
        if not sectors:
            return
        both = [unpack_entries(b"".join(copy), len(self.entries)) for copy in copies]
        clusters = {n for n, (one, other) in enumerate(zip(*both, strict=True)) if one != other}
        self.differing = clusters - self._clusters_in({k for k in sectors if not (sound[0][k] and sound[1][k])})
        where = f" for clusters {spans(clusters - {0, 1})}" if clusters - {0, 1} else ""
        taken = {k: used[k] for k in sectors}
        which = "the first is used"
        if any(taken.values()):
            which = "the second is used where only it was soundly read"
        self.problems.append(
            f"the two copies of the FAT differ in {len(sectors)} of {len(used)} sectors{where}; {which}"
        )

    def marked(self, value: int) -> list[int]:
        """Clusters whose entry has this value."""
        return [n for n, entry in enumerate(self.entries) if n >= FIRST_CLUSTER and entry == value]

    def chain(self, first: int, name: str, needed: int) -> tuple[list[int], list[str]]:
        """Clusters of a chain in order, and what is wrong with it; those behind the `needed` ones are no claim."""
        clusters: list[int] = []
        seen: set[int] = set()
        unread = ""
        cluster = first
        while cluster < END_OF_CHAIN or not clusters:
            wrong = self._wrong(cluster, seen, first=not clusters)
            if not wrong and not self._take(cluster, name if len(clusters) < needed else ""):
                wrong = TOO_MUCH
            if wrong:
                return clusters, [unread or wrong]
            seen.add(cluster)
            clusters.append(cluster)
            if cluster in self.unread and not unread:
                unread = f"the FAT was not soundly read where its chain passes cluster {cluster}"
            cluster = self.entries[cluster]
        return clusters, [unread] if unread else []

    def _take(self, cluster: int, name: str) -> bool:
        if name:
            return self.claims.take(cluster, name)
        self._behind.add(cluster)
        return self.claims.step()

    def _wrong(self, cluster: int, seen: set[int], *, first: bool) -> str:
        """Why a chain cannot pass or begin there, "" when it can."""
        if cluster == FREE:
            return "it has no first cluster" if first else "the chain runs into a free cluster"
        if cluster == BAD_CLUSTER:
            return "the chain runs into a cluster marked bad"
        if cluster < FIRST_CLUSTER or FIRST_RESERVED <= cluster < BAD_CLUSTER:
            return f"the chain runs into the reserved value {cluster:03X}h"
        if cluster >= len(self.entries):
            return f"the chain leads to cluster {cluster}, beyond the end"
        if cluster in seen:
            return f"the chain comes back to cluster {cluster}"
        return ""

    def lost(self) -> list[int]:
        """Clusters in use that no chain followed so far has claimed."""
        return [
            n
            for n, entry in enumerate(self.entries)
            if n >= FIRST_CLUSTER
            and entry != FREE
            and not FIRST_RESERVED <= entry <= BAD_CLUSTER
            and n not in self.claims.owner
            and n not in self._behind
            and n not in self.unread
        ]
