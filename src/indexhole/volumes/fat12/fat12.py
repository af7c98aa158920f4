"""FAT12 volumes as ISO/IEC 9293 (ECMA-107) lays them out: system area, clusters, directories.

Sizes and fields of records, low byte first, are from memory of the standard; what remains of a deleted file, and
that its clusters follow its first one, is common practice, no source.
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Collection, Iterator
from dataclasses import replace
from datetime import datetime

from indexhole.volumes.fat12.chains import FREE, TOO_MUCH, Fat
from indexhole.volumes.fat12.geometry import ENTRY_BYTES, FIRST_CLUSTER, Geometry, descriptor_title, number
from indexhole.volumes.image import Claims, SectorImage, some_of, spans
from indexhole.volumes.volume import Volume, VolumeFile, shown_name, with_shared
from indexhole.wording import count_of

READ_ONLY, HIDDEN, SYSTEM, LABEL, FOLDER = 1, 2, 4, 8, 16
_LONG_NAME = READ_ONLY | HIDDEN | SYSTEM | LABEL
_MARKS = ((READ_ONLY, "read-only"), (HIDDEN, "hidden"), (SYSTEM, "system"))
_DELETED = 0xE5
_DEEPEST = 32


class _Reader:
    """One image under its geometry."""

    def __init__(self, image: bytes, geometry: Geometry, unsound: Collection[int]) -> None:
        self.geometry = geometry
        self.image = SectorImage(image, geometry.sector_bytes, geometry.total_sectors, unsound)
        self.problems: list[str] = []
        if self.image.held < geometry.total_sectors:
            self.problems.append(f"the image holds {self.image.held} of {geometry.total_sectors} sectors")
        self.fat = Fat(self.image, geometry)
        self.problems += self.fat.problems
        self.system = list(range(geometry.data_start))
        self.title = ""
        # records of deleted files wait until every cluster that is in use is known
        self.gone: list[tuple[bytes, str, bool]] = []
        self.opened: set[int] = set()
        self.guessed = Claims(geometry.clusters)
        self.free = self.fat.marked(FREE)

    def volume(self) -> Volume:
        """Everything on the image."""
        geometry = self.geometry
        root = list(range(geometry.root_start, geometry.data_start))
        files = list(self.folder(root, ""))
        lost = self.fat.lost()
        if lost:
            self.problems.append(f"{count_of(len(lost), 'cluster')} in use by no file: {spans(lost)}")
        # the list grows while deleted folders are looked into
        gone = [self._deleted(*record) for record in self.gone]
        shared, doubly = self._by_sector(self.fat.claims), self._by_sector(self.guessed)
        return Volume(
            kind="fat12",
            title=self.title or descriptor_title(self.image.read(0)),
            free=len(self.free),
            unit_bytes=geometry.cluster_bytes,
            sector_bytes=geometry.sector_bytes,
            files=tuple(with_shared(file, shared, "cluster") for file in files),
            system_sectors=tuple(sorted(set(self.system))),
            problems=some_of(self.problems),
            deleted_files=tuple(with_shared(file, doubly, "cluster") for file in gone),
        )

    def _by_sector(self, claims: Claims) -> dict[int, list[str]]:
        return {self.geometry.cluster_lbas(cluster)[0]: names for cluster, names in claims.shared.items()}

    def folder(self, lbas: list[int], above: str, depth: int = 0) -> Iterator[VolumeFile]:
        """The files of a folder, by its sectors, and of the folders in it."""
        unsound = [lba for lba in lbas if not self.image.sound(lba)]
        if unsound:
            where = f"folder {above[:-1]}" if above else "the root directory"
            text = f"{count_of(len(unsound), 'sector')} not soundly read, names may be missing or wrong"
            self.problems.append(f"{where}: {text}")
        for lba in lbas:
            sound = self.image.sound(lba)
            data = self.image.read(lba)
            for at in range(0, len(data) - ENTRY_BYTES + 1, ENTRY_BYTES):
                entry = data[at : at + ENTRY_BYTES]
                if entry[0] == 0:
                    # the end of the directory, unless these zeros only stand for what was not read
                    if sound:
                        return
                    break
                yield from self._record(entry, above, depth, sound)

    def _record(self, entry: bytes, above: str, depth: int, sound: bool) -> Iterator[VolumeFile]:
        attributes = entry[11]
        if attributes & 0x3F == _LONG_NAME:
            return
        if entry[0] == _DELETED:
            if self._plausible(entry):
                self.gone.append((entry, above, sound))
        elif attributes & LABEL:
            if not above and not self.title:
                self.title = shown_name(entry[:11].rstrip(b" "))
        elif attributes & FOLDER:
            if entry[:2] not in (b". ", b".."):
                yield from self._inner(entry, above + _entry_name(entry), depth + 1)
        else:
            yield self._file(entry, above + _entry_name(entry), sound)

    def _plausible(self, entry: bytes) -> bool:
        """Whether a deleted record ever was one: fillers of fresh disks look like deleted records too."""
        first, size = number(entry, 26), number(entry, 28, 4)
        return (
            entry[11] & 0xC8 == 0
            and min(entry[1:11]) >= 0x20
            and first < len(self.fat.entries)
            and (first >= FIRST_CLUSTER or (first == 0 and size == 0))
            and size <= self.geometry.clusters * self.geometry.cluster_bytes
        )

    def _inner(self, entry: bytes, name: str, depth: int) -> Iterator[VolumeFile]:
        first = number(entry, 26)
        claimed = self.fat.claims.owner.get(first)
        if depth > _DEEPEST:
            self.problems.append(f"folder {name}: more than {_DEEPEST} folders deep, not entered")
            return
        if claimed is not None:
            self.problems.append(f"folder {name}: cluster {first} belongs to {claimed} too, not entered")
            return
        clusters, problems = self.fat.chain(first, f"{name}/", self.geometry.clusters)
        # each cluster is read as a folder once, so that a hostile image cannot list without end
        own = [c for c in clusters if self.fat.claims.owner[c] == f"{name}/"]
        if len(own) < len(clusters):
            problems.append(f"{count_of(len(clusters) - len(own), 'cluster')} belong to others too, not entered")
        lbas = self._lbas(own)
        if lbas and self.image.sound(lbas[0]) and not _begins_like_a_folder(self.image.read(lbas[0]), first):
            problems.append("its first record does not lead to itself")
        self.problems += [f"folder {name}: {problem}" for problem in problems]
        self.system += lbas
        yield from self.folder(lbas, f"{name}/", depth)

    def _lbas(self, clusters: list[int]) -> list[int]:
        return [lba for cluster in clusters for lba in self.geometry.cluster_lbas(cluster)]

    def _data(self, lbas: list[int], size: int) -> bytes:
        return b"".join(self.image.read(lba) for lba in lbas)[:size]

    def _file(self, entry: bytes, name: str, sound: bool) -> VolumeFile:
        geometry = self.geometry
        first, size = number(entry, 26), number(entry, 28, 4)
        needed = -(-size // geometry.cluster_bytes)
        clusters: list[int] = []
        problems: list[str] = []
        if first or size:
            clusters, problems = self.fat.chain(first, name, needed)
        # what is wrong behind the end of the file is wrong with the volume, not with the file
        whole = len(clusters) >= needed and not set(clusters[: max(0, needed - 1)]) & self.fat.unread
        if len(clusters) < needed and not problems:
            text = f"the chain holds {count_of(len(clusters), 'cluster')}, {needed} are needed for {size} bytes"
            problems.append(text)
        if len(clusters) > needed:
            text = f"the chain holds {count_of(len(clusters), 'cluster')}, {needed} for its {size} bytes"
            problems.append(f"the chain goes on behind the end of the file: {text}")
        clusters = clusters[:needed]
        other = self.fat.differing.intersection(clusters)
        if other:
            problems.append(f"the other copy of the FAT has another chain at {spans(other)}")
        lbas = self._lbas(clusters)[: -(-size // geometry.sector_bytes)]
        missing = sum(lba >= self.image.held for lba in lbas)
        if missing:
            problems.append(f"{missing} of its sectors lie beyond the image")
        if not sound:
            problems.append("its directory record was not soundly read")
        modified, odd = _when(number(entry, 24), number(entry, 22))
        return VolumeFile(
            name=name,
            data=self._data(lbas, size),
            size=size,
            sectors=tuple(lbas),
            kind=_kind(entry[11]),
            modified=modified,
            whole=whole and not missing and sound,
            problems=(*problems, *odd),
        )

    def _deleted(self, entry: bytes, above: str, sound: bool) -> VolumeFile:
        """What can still be guessed of a deleted file: its record, and the free clusters from its first one on."""
        first, size = number(entry, 26), number(entry, 28, 4)
        name = above + _entry_name(entry)
        problems = ["deleted with its folder"]
        if entry[0] == _DELETED:
            name = f"{above}?{_entry_name(b'A' + entry[1:])[1:]}"
            problems = ["deleted: the first character of its name is gone"]
        if entry[11] & FOLDER:
            self._look_into(first, f"{name}/")
        needed = -(-size // self.geometry.cluster_bytes)
        clusters: list[int] = []
        if needed and self.fat.entries[first] != FREE:
            owner = self.fat.claims.owner.get(first, "something else")
            problems.append(f"nothing of its data can be placed: its first cluster {first} is in use by {owner}")
            needed = 0
        at = bisect_left(self.free, first)
        for cluster in self.free[at : at + needed]:
            if not self.guessed.take(cluster, name):
                problems.append(TOO_MUCH)
                break
            clusters.append(cluster)
        if clusters:
            passed = clusters[-1] - first + 1 - len(clusters)
            over = f", passing over {passed} in use" if passed else ""
            problems.append(f"its {count_of(len(clusters), 'cluster')} a guess: the free ones from {first} on{over}")
        lbas = self._lbas(clusters)[: -(-size // self.geometry.sector_bytes)]
        if len(clusters) < needed:
            problems.append(f"{needed} clusters were needed for its {size} bytes")
        if not sound:
            problems.append("its directory record was not soundly read")
        modified, odd = _when(number(entry, 24), number(entry, 22))
        return replace(
            VolumeFile(name, self._data(lbas, size), size, tuple(lbas), _kind(entry[11]), modified),
            whole=False,
            problems=(*problems, *odd),
            deleted=True,
        )

    def _look_into(self, cluster: int, above: str) -> None:
        """Note the records in the first cluster of a deleted folder, where that still lies there free."""
        lbas = self._lbas([cluster]) if FIRST_CLUSTER <= cluster < len(self.fat.entries) else []
        if not lbas or self.fat.entries[cluster] != FREE or cluster in self.opened:
            return
        data = b"".join(self.image.read(lba) for lba in lbas)
        if not _begins_like_a_folder(data, cluster):
            return
        self.opened.add(cluster)
        sound = all(self.image.sound(lba) for lba in lbas)
        for at in range(2 * ENTRY_BYTES, len(data), ENTRY_BYTES):
            entry = data[at : at + ENTRY_BYTES]
            if entry[0] == 0:
                return
            if entry[11] & 0x3F != _LONG_NAME and self._plausible(entry):
                self.gone.append((entry, above, sound))


def _begins_like_a_folder(data: bytes, cluster: int) -> bool:
    return data[:11] == b".".ljust(11) and number(data, 26) == cluster


def _kind(attributes: int) -> str:
    marks = [word for bit, word in _MARKS if attributes & bit]
    return " ".join([*marks, "folder" if attributes & FOLDER else "file"])


def _entry_name(entry: bytes) -> str:
    stem = bytes([_DELETED]) + entry[1:8] if entry[0] == 5 else entry[:8]
    extension = entry[8:11].rstrip(b" ")
    shown = shown_name(stem.rstrip(b" "))
    return f"{shown}.{shown_name(extension)}" if extension else shown


def _when(date: int, time: int) -> tuple[str, list[str]]:
    """Date and time as text, "" when there is none, and what is wrong with them."""
    if date == 0:
        return "", []
    try:
        when = datetime(1980 + (date >> 9), date >> 5 & 15, date & 31, time >> 11, time >> 5 & 63, (time & 31) * 2)
    except ValueError:
        return "", [f"its date and time, {date:04X}h and {time:04X}h, cannot be"]
    return when.isoformat(" "), []


def read_fat12(image: bytes, geometry: Geometry, unsound: Collection[int] = ()) -> Volume:
    """Read a FAT12 volume; never raises whatever the image holds.

    Args:
        unsound: sectors of the volume, by number in the image, that were not read with a passing check; the second
            copy of the FAT stands in for those of the first.
    """
    return _Reader(image, geometry, unsound).volume()
