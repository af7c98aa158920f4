"""Forms of linked-sector volumes: where each zoned layout keeps header, directory and map.

Common practice, no source; the form with 77 tracks is from memory and less sure than the one with 35.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

from indexhole.standards.layouts import Layout, load_layouts

BLOCK_BYTES = 256
LINK_BYTES = 2
ENTRY_BYTES = 32
PADDING = b"\xa0"
KINDS = ("listed only", "sequential", "program", "user", "relative")
INDEX_PLACES = 120
INDEX_BLOCKS = 6

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
