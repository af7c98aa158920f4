"""Linked-sector volumes on the zoned group-code layouts: every block names the next one.

Common practice, no source; the form with 77 tracks and the index of relative files are from memory and less sure.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator
from dataclasses import dataclass

from indexhole.volumes.image import Claims, SectorImage, some_of, spans
from indexhole.volumes.linked.forms import (
    BLOCK_BYTES,
    ENTRY_BYTES,
    INDEX_BLOCKS,
    INDEX_PLACES,
    KINDS,
    LINK_BYTES,
    PADDING,
    Form,
    Place,
    places_of,
)
from indexhole.volumes.volume import Volume, VolumeFile, shown_name, with_shared
from indexhole.wording import count_of

_CLOSED, _LOCKED = 0x80, 0x40
_THE_DIRECTORY = "the directory"
_RELATIVE = KINDS.index("relative")


@dataclass
class _Chain:
    """Blocks of a chain in order, what is wrong with it, and whether it came to its own end."""

    lbas: list[int]
    problems: list[str]

    @property
    def ended(self) -> bool:
        return not self.problems


class _Reader:
    """One image under its form."""

    def __init__(self, image: bytes, form: Form, unsound: Collection[int]) -> None:
        self.form = form
        self.places = places_of(form.layout)
        self.place_of = {lba: place for place, lba in self.places.lba.items()}
        self.image = SectorImage(image, BLOCK_BYTES, len(self.places.lba), unsound)
        self.problems: list[str] = []
        if self.image.held < self.image.count:
            self.problems.append(f"the image holds {self.image.held} of {self.image.count} blocks")
        self.claims = Claims(self.image.count)
        self.guessed = Claims(self.image.count)
        self.system: list[int] = []
        self.free = self._free_map()

    def follow(self, first: Place, name: str, claims: Claims, *, only_free: bool = False) -> _Chain:
        """A chain from its first block on; `only_free` ends it where a block is in use again."""
        lbas: list[int] = []
        seen: set[int] = set()
        place = first
        while True:
            where = f"track {place[0]} sector {place[1]}"
            lba = self.places.lba.get(place)
            wrong = ""
            if lba is None:
                return _Chain(lbas, [f"the chain leads to {where}, beyond the end"])
            if lba in seen:
                wrong = f"the chain comes back to {where}"
            elif only_free and not self.free.get(place, False):
                wrong = f"the block at {where} is in use again"
            elif not claims.take(lba, name):
                wrong = "not followed: the chains of this volume overlap too much"
            if wrong:
                return _Chain(lbas, [wrong])
            seen.add(lba)
            lbas.append(lba)
            block = self.image.read(lba)
            if lba >= self.image.held:
                return _Chain(lbas, [f"the chain leads to {where}, beyond the image"])
            if not any(block) and not self.image.sound(lba):
                return _Chain(lbas, [f"the chain is cut at {where}, which was not recovered"])
            if block[0] == 0:
                return _Chain(lbas, [])
            place = (block[0], block[1])

    def entries(self) -> Iterator[tuple[bytes, bool]]:
        """Directory records of all blocks of the directory, and whether each was soundly read."""
        form = self.form
        for place, _ in (((form.directory_track, 0), 0), *form.map_blocks):
            lba = self.places.lba[place]
            self.claims.owner[lba] = _THE_DIRECTORY
            self.system.append(lba)
        chain = self.follow((form.directory_track, 1), _THE_DIRECTORY, self.claims)
        self.problems += [f"directory: {problem}" for problem in chain.problems]
        self.system += chain.lbas
        unread = [lba for lba in dict.fromkeys(self.system) if not self.image.sound(lba)]
        if unread:
            text = f"{count_of(len(unread), 'block')} of header, map and directory not soundly read"
            self.problems.append(f"{text}, names may be missing or wrong")
        for lba in chain.lbas:
            block = self.image.read(lba)
            for at in range(0, BLOCK_BYTES, ENTRY_BYTES):
                yield block[at : at + ENTRY_BYTES], self.image.sound(lba)

    def file(self, entry: bytes, sound: bool) -> VolumeFile:
        """The file of a directory record."""
        name = shown_name(entry[5:21].rstrip(PADDING))
        first = (entry[3], entry[4])
        if entry[2] & 7 == 0 and first == (0, 0):
            # such a record only stands in the list, with nothing behind it
            return VolumeFile(name, b"", 0, (), KINDS[0])
        chain = self.follow(first, name, self.claims)
        problems = list(chain.problems)
        whole = chain.ended and sound
        index: list[int] = []
        record_bytes = 0
        if entry[2] & 7 == _RELATIVE:
            record_bytes = entry[23]
            index, odd = self._index(entry, name, chain.lbas)
            problems += odd
        if not entry[2] & _CLOSED:
            problems.append("it was never closed")
            whole = False
        said, found = int.from_bytes(entry[30:32], "little"), len(chain.lbas) + len(index)
        if said != found:
            problems.append(f"the directory says {count_of(said, 'block')}, the chain holds {found}")
            whole = whole and found >= said
        if not sound:
            problems.append("its directory record was not soundly read")
        data = self._data(chain)
        return VolumeFile(
            name=name,
            data=data,
            size=len(data),
            sectors=tuple(dict.fromkeys((*chain.lbas, *index))),
            kind=("locked " if entry[2] & _LOCKED else "") + KINDS[entry[2] & 7],
            whole=whole,
            problems=tuple(problems),
            record_bytes=record_bytes,
        )

    def _data(self, chain: _Chain) -> bytes:
        parts = [self.image.read(lba)[LINK_BYTES:] for lba in chain.lbas]
        if chain.ended:
            # the second byte of the last block is the place of its last byte in use
            last = self.image.read(chain.lbas[-1])
            parts[-1] = last[LINK_BYTES : last[1] + 1]
        return b"".join(parts)

    def _index(self, entry: bytes, name: str, lbas: list[int]) -> tuple[list[int], list[str]]:
        """Index blocks of a relative file, and where they disagree with its chain. From memory."""
        chain = self.follow((entry[21], entry[22]), f"{name}, its index", self.claims)
        problems = [f"its index: {problem}" for problem in chain.problems]
        listed: list[int | None] = []
        for lba in chain.lbas[:INDEX_BLOCKS]:
            block = self.image.read(lba)
            last = block[1] if block[0] == 0 else BLOCK_BYTES - 1
            pairs = zip(block[16 : last + 1 : 2], block[17 : last + 1 : 2], strict=False)
            listed += [self.places.lba.get(pair) for pair in pairs]
        if chain.ended and len(chain.lbas) > INDEX_BLOCKS:
            problems.append(f"its index has {len(chain.lbas)} blocks, {INDEX_BLOCKS} are the most")
        elif chain.ended and listed != lbas[: INDEX_PLACES * INDEX_BLOCKS]:
            problems.append("its index does not name the blocks of its chain")
        return chain.lbas, problems

    def deleted(self, entry: bytes, sound: bool) -> VolumeFile:
        """What can still be followed of a deleted file: its chain, as long as its blocks are free."""
        name = shown_name(entry[5:21].rstrip(PADDING))
        chain = self.follow((entry[3], entry[4]), name, self.guessed, only_free=True)
        said = int.from_bytes(entry[30:32], "little")
        problems = ["deleted: its blocks are a guess, they may have been in use since", *chain.problems]
        if said != len(chain.lbas):
            problems.append(f"the directory says {count_of(said, 'block')}, the chain holds {len(chain.lbas)}")
        if not sound:
            problems.append("its directory record was not soundly read")
        data = self._data(chain)
        return VolumeFile(
            name=name,
            data=data,
            size=len(data),
            sectors=tuple(chain.lbas),
            kind="file",
            whole=False,
            problems=tuple(problems),
            deleted=True,
        )

    def _free_map(self) -> dict[Place, bool]:
        """Whether the map calls each block free; records that contradict themselves become a problem."""
        form = self.form
        free: dict[Place, bool] = {}
        odd: list[int] = []
        room = (BLOCK_BYTES - form.map_at) // form.map_bytes
        for number, (place, first) in enumerate(form.map_blocks):
            lba = self.places.lba[place]
            block = self.image.read(lba)
            if not any(block) and not self.image.sound(lba):
                self.problems.append(f"the map from track {first} on was not recovered")
                continue
            last = form.map_blocks[number + 1][1] - 1 if number + 1 < len(form.map_blocks) else first + room - 1
            for track in range(first, min(last, max(self.places.tracks)) + 1):
                at = form.map_at + (track - first) * form.map_bytes
                bits = int.from_bytes(block[at + 1 : at + form.map_bytes], "little")
                marks = [bool(bits >> sector & 1) for sector in range(self.places.tracks[track])]
                if sum(marks) != block[at]:
                    odd.append(track)
                free.update({(track, sector): mark for sector, mark in enumerate(marks)})
        if odd:
            text = count_of(len(odd), "track")
            self.problems.append(f"the map's free count and its bits disagree on {text}: {spans(odd)}")
        return free

    def compare_map(self) -> None:
        """Note where the map and what files and directory claim disagree; once every file was followed."""
        owner = self.claims.owner
        lent = [lba for place, lba in self.places.lba.items() if self.free.get(place, False) and lba in owner]
        lost = [lba for place, lba in self.places.lba.items() if not self.free.get(place, True) and lba not in owner]
        if lent:
            text = f"{count_of(len(lent), 'block')} in use called free by the map: {self._where(lent)}"
            self.problems.append(f"{text}: write nothing on this disk")
        if lost:
            text = f"{count_of(len(lost), 'block')} in use by the map belong to no file"
            self.problems.append(f"{text}: {self._where(lost)}")

    def _where(self, lbas: list[int], most: int = 3) -> str:
        """Places of blocks by track, those of the first few tracks."""
        tracks: dict[int, list[int]] = {}
        for lba in lbas:
            track, sector = self.place_of[lba]
            tracks.setdefault(track, []).append(sector)
        shown = [f"track {track} sector {spans(sectors)}" for track, sectors in list(tracks.items())[:most]]
        return "; ".join(shown) + (" and more" if len(tracks) > most else "")


def read_linked(image: bytes, form: Form, unsound: Collection[int] = ()) -> Volume:
    """Read a linked-sector volume; never raises whatever the image holds.

    Args:
        unsound: blocks, by number in the image, that were not read with a passing check.
    """
    reader = _Reader(image, form, unsound)
    entries = list(reader.entries())
    files = [reader.file(entry, sound) for entry, sound in entries if entry[2] and entry[2] & 7 < len(KINDS)]
    unknown = sum(entry[2] & 7 >= len(KINDS) for entry, _ in entries)
    if unknown:
        reader.problems.append(f"{count_of(unknown, 'directory record')} of a kind not known passed over")
    reader.compare_map()
    gone = [reader.deleted(entry, sound) for entry, sound in entries if not entry[2] and any(entry[3:21])]
    header = reader.image.read(reader.places.lba[form.directory_track, 0])
    return Volume(
        kind="linked",
        title=shown_name(header[form.title_at : form.title_at + 16].rstrip(PADDING)),
        free=sum(mark for (track, _), mark in reader.free.items() if track != form.directory_track),
        unit_bytes=BLOCK_BYTES,
        sector_bytes=BLOCK_BYTES,
        files=tuple(with_shared(file, reader.claims.shared, "block") for file in files),
        system_sectors=tuple(sorted(set(reader.system))),
        problems=some_of(reader.problems),
        deleted_files=tuple(with_shared(file, reader.guessed.shared, "block") for file in gone),
    )
