"""Linked-sector volumes on the zoned group-code layouts: every block names the next one.

Common practice, no source; the form with 77 tracks is from memory and less sure than the one with 35.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache

from indexhole.standards.layouts import Layout, load_layouts
from indexhole.volumes.volume import Volume, VolumeFile, shown_name, with_shared

BLOCK_BYTES = 256
LINK_BYTES = 2
ENTRY_BYTES = 32
PADDING = b"\xa0"
KINDS = ("deleted", "sequential", "program", "user", "relative")
_CLOSED = 0x80
# Chains of a damaged or hostile image may overlap without end; so many times the volume is followed at most.
_MOST_OVERLAP = 8

Place = tuple[int, int]
"""Track and sector as recorded: tracks from 1, sectors from 0."""


@dataclass(frozen=True, slots=True)
class Form:
    """Where a layout's volume keeps its header, directory and map.

    Attributes:
        directory_track: holds the header in sector 0 and the first directory block in sector 1.
        title_at: place of the 16 bytes of the title in the header.
        map_blocks: blocks of the map, with the track each one begins with.
        map_at: place of the first track's record in a map block; `map_bytes` its length, free count first.
    """

    layout: str
    directory_track: int
    title_at: int
    map_blocks: tuple[tuple[Place, int], ...]
    map_at: int
    map_bytes: int


FORMS = (
    Form("zoned-35-1s", 18, 0x90, (((18, 0), 1),), 4, 4),
    Form("zoned-77-1s", 39, 6, (((38, 0), 1), ((38, 3), 51)), 6, 5),
    Form("zoned-77-2s", 39, 6, (((38, 0), 1), ((38, 3), 51), ((38, 6), 101), ((38, 9), 151)), 6, 5),
)


class Places:
    """Where each track and sector lies in an image: sectors in order of cylinder, head and number."""

    def __init__(self, layout: Layout) -> None:
        self.layout = layout
        self.lba: dict[Place, int] = {}
        self.tracks: dict[int, int] = {}
        for cylinder, head, zone in layout.tracks():
            track = layout.track_number(cylinder, head)
            self.tracks[track] = zone.sectors
            for sector in sorted(zone.sector_ids):
                self.lba[track, sector] = len(self.lba)


@cache
def places_of(layout_id: str) -> Places:
    """The places of a layout of the library."""
    return Places(load_layouts()[layout_id])


def _block(image: bytes, lba: int) -> bytes:
    return image[lba * BLOCK_BYTES : (lba + 1) * BLOCK_BYTES]


def find_form(image: bytes) -> Form | None:
    """The form whose header or first directory block links where it should, None when there is none.

    An image of the whole disk needs one of the two; one cut short behind them needs both.
    """
    for form in FORMS:
        places = places_of(form.layout)
        whole = len(places.lba) * BLOCK_BYTES
        if len(image) > whole or len(image) % BLOCK_BYTES:
            continue
        header, directory = (_block(image, places.lba[form.directory_track, sector]) for sector in (0, 1))
        if len(directory) < BLOCK_BYTES:
            continue
        linked = (header[0], header[1]) in places.lba and header[0] in (form.directory_track, form.map_blocks[0][0][0])
        ends = directory[:2] == b"\x00\xff" or (
            directory[0] == form.directory_track and (directory[0], directory[1]) in places.lba
        )
        if (linked and ends) or (len(image) == whole and (linked or ends)):
            return form
    return None


class _Reader:
    """One image under its form."""

    def __init__(self, image: bytes, form: Form) -> None:
        self.form = form
        self.places = places_of(form.layout)
        self.held = len(image) // BLOCK_BYTES
        self.image = image.ljust(len(self.places.lba) * BLOCK_BYTES, b"\0")
        self.problems: list[str] = []
        if self.held < len(self.places.lba):
            self.problems.append(f"the image holds {self.held} of {len(self.places.lba)} blocks")
        self.owner: dict[int, str] = {}
        self.shared: dict[int, list[str]] = {}
        self.left_to_follow = _MOST_OVERLAP * len(self.places.lba)
        self.system: list[int] = []

    def follow(self, first: Place, name: str) -> tuple[list[int], list[str]]:
        """Blocks of a chain in order, and what is wrong with it."""
        lbas: list[int] = []
        seen: set[int] = set()
        place = first
        while True:
            if place not in self.places.lba:
                return lbas, [f"the chain leads to track {place[0]} sector {place[1]}, beyond the end"]
            lba = self.places.lba[place]
            if lba in seen:
                return lbas, [f"the chain comes back to track {place[0]} sector {place[1]}"]
            if self.left_to_follow == 0:
                return lbas, ["not followed: the chains of this volume overlap too much"]
            self.left_to_follow -= 1
            seen.add(lba)
            lbas.append(lba)
            if lba in self.owner:
                self.shared.setdefault(lba, [self.owner[lba]]).append(name)
            self.owner.setdefault(lba, name)
            if lba >= self.held:
                return lbas, [f"the chain leads to track {place[0]} sector {place[1]}, beyond the image"]
            block = _block(self.image, lba)
            if block[0] == 0:
                return lbas, []
            place = (block[0], block[1])

    def entries(self) -> Iterator[bytes]:
        """Directory records of all blocks of the directory."""
        form = self.form
        for place, _ in (((form.directory_track, 0), 0), *form.map_blocks):
            lba = self.places.lba[place]
            self.owner[lba] = "the directory"
            self.system.append(lba)
        lbas, problems = self.follow((form.directory_track, 1), "the directory")
        self.problems += [f"directory: {problem}" for problem in problems]
        self.system += lbas
        for lba in lbas:
            block = _block(self.image, lba)
            for at in range(0, BLOCK_BYTES, ENTRY_BYTES):
                yield block[at : at + ENTRY_BYTES]

    def file(self, entry: bytes) -> VolumeFile:
        """The file of a directory record."""
        kind = entry[2] & 7
        name = shown_name(entry[5:21].rstrip(PADDING))
        lbas, problems = self.follow((entry[3], entry[4]), name)
        parts = [_block(self.image, lba)[LINK_BYTES:] for lba in lbas]
        whole = not problems
        if whole:
            # the second byte of the last block is the place of its last byte in use
            parts[-1] = _block(self.image, lbas[-1])[LINK_BYTES : _block(self.image, lbas[-1])[1] + 1]
        if not entry[2] & _CLOSED:
            problems.append("it was never closed")
            whole = False
        said = int.from_bytes(entry[30:32], "little")
        # the record of a relative file counts blocks of its index too
        if said != len(lbas) and KINDS[kind] != "relative":
            problems.append(f"the directory says {said} blocks, the chain holds {len(lbas)}")
            whole = whole and len(lbas) >= said
        data = b"".join(parts)
        return VolumeFile(name, data, len(data), tuple(lbas), KINDS[kind], "", whole, tuple(problems))

    def free_map(self) -> dict[Place, bool]:
        """Whether the map calls each block free; records that contradict themselves become a problem."""
        form = self.form
        free: dict[Place, bool] = {}
        odd: list[int] = []
        room = (BLOCK_BYTES - form.map_at) // form.map_bytes
        for number, (place, first) in enumerate(form.map_blocks):
            block = _block(self.image, self.places.lba[place])
            last = form.map_blocks[number + 1][1] - 1 if number + 1 < len(form.map_blocks) else first + room - 1
            for track in range(first, min(last, max(self.places.tracks)) + 1):
                at = form.map_at + (track - first) * form.map_bytes
                bits = int.from_bytes(block[at + 1 : at + form.map_bytes], "little")
                marks = [bool(bits >> sector & 1) for sector in range(self.places.tracks[track])]
                if sum(marks) != block[at]:
                    odd.append(track)
                free.update({(track, sector): mark for sector, mark in enumerate(marks)})
        if odd:
            self.problems.append(f"the map's free count and its bits disagree on {len(odd)} tracks, first {odd[0]}")
        return free


def read_linked(image: bytes, form: Form) -> Volume:
    """Read a linked-sector volume; never raises whatever the image holds."""
    reader = _Reader(image, form)
    files = [reader.file(entry) for entry in reader.entries() if 1 <= entry[2] & 7 < len(KINDS)]
    free = reader.free_map()
    lent = sum(free.get(place, False) for place, lba in reader.places.lba.items() if lba in reader.owner)
    if lent:
        reader.problems.append(f"{lent} blocks in use are called free by the map: write nothing on this disk")
    header = _block(image, reader.places.lba[form.directory_track, 0])
    return Volume(
        kind="linked",
        title=shown_name(header[form.title_at : form.title_at + 16].rstrip(PADDING)),
        free=sum(mark for (track, _), mark in free.items() if track != form.directory_track),
        unit_bytes=BLOCK_BYTES,
        sector_bytes=BLOCK_BYTES,
        files=tuple(with_shared(file, reader.shared, "block") for file in files),
        system_sectors=tuple(sorted(set(reader.system))),
        problems=tuple(reader.problems),
    )
