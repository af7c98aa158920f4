"""Makes linked-sector images for demonstration disks, the same bytes every time."""

from __future__ import annotations

from collections.abc import Iterator, Mapping

from indexhole.volumes.linked.forms import (
    BLOCK_BYTES,
    ENTRY_BYTES,
    FORMS,
    INDEX_BLOCKS,
    INDEX_PLACES,
    KINDS,
    LINK_BYTES,
    PADDING,
    Form,
    Place,
    places_of,
)

_DATA_BYTES = BLOCK_BYTES - LINK_BYTES
_NAME_BYTES = 16
# So many sectors on lies the next block of a file, and of the directory: time for a slow host to take one in.
_FILE_STEP = 10
_DIRECTORY_STEP = 3


def _spread(first: int, count: int, step: int) -> Iterator[int]:
    """All numbers below `count`, each `step` on from the last, the next free one where that is taken."""
    taken: set[int] = set()
    number = first
    while len(taken) < count:
        while number in taken:
            number = (number + 1) % count
        taken.add(number)
        yield number
        number = (number + step) % count


def _name(name: str) -> bytes:
    if not 1 <= len(name) <= _NAME_BYTES or not all(" " <= c <= "~" and c not in "/\\" for c in name):
        raise ValueError(f"{name!r} is not a name of one to sixteen printable characters")
    return name.encode().ljust(_NAME_BYTES, PADDING)


class _Maker:
    """Blocks handed out from the tracks nearest the directory outwards."""

    def __init__(self, form: Form) -> None:
        self.form = form
        self.places = places_of(form.layout)
        self.blocks: dict[Place, bytes] = {}
        self.kept = {(form.directory_track, 0), *(place for place, _ in form.map_blocks)}
        tracks = sorted(
            self.places.tracks.keys() - {form.directory_track}, key=lambda t: (abs(t - form.directory_track), t)
        )
        self.free = (
            (track, sector)
            for track in tracks
            for sector in _spread(0, self.places.tracks[track], _FILE_STEP)
            if (track, sector) not in self.kept
        )
        self.directory = (
            (form.directory_track, sector)
            for sector in _spread(1, self.places.tracks[form.directory_track], _DIRECTORY_STEP)
            if sector
        )

    def chain(self, parts: list[bytes], source: Iterator[Place], *, whole_blocks: bool) -> list[Place]:
        """Store blocks of data as a chain on places from `source`. The last one names its last byte in use."""
        taken = [place for _, place in zip(parts, source, strict=False)]
        if len(taken) < len(parts):
            raise ValueError("the files do not fit on the volume")
        for number, (place, part) in enumerate(zip(taken, parts, strict=True)):
            last = number + 1 == len(parts)
            used = BLOCK_BYTES - 1 if whole_blocks else len(part) + 1
            link = bytes([0, used]) if last else bytes(taken[number + 1])
            self.blocks[place] = (link + part).ljust(BLOCK_BYTES, b"\0")
        return taken

    def index(self, chain: list[Place], record_bytes: int) -> list[Place]:
        """Store the index of a relative file: which blocks it has, and which blocks its index has."""
        lists = [chain[at : at + INDEX_PLACES] for at in range(0, len(chain), INDEX_PLACES)]
        if len(lists) > INDEX_BLOCKS:
            raise ValueError(f"a relative file has at most {INDEX_PLACES * INDEX_BLOCKS} blocks")
        own = [place for _, place in zip(lists, self.free, strict=False)]
        if len(own) < len(lists):
            raise ValueError("the files do not fit on the volume")
        places = b"".join(map(bytes, own)).ljust(2 * INDEX_BLOCKS, b"\0")
        for number, (place, listed) in enumerate(zip(own, lists, strict=True)):
            end = 2 * LINK_BYTES + len(places) + 2 * len(listed) - 1
            link = bytes(own[number + 1]) if number + 1 < len(own) else bytes([0, end])
            block = link + bytes([number, record_bytes]) + places + b"".join(map(bytes, listed))
            self.blocks[place] = block.ljust(BLOCK_BYTES, b"\0")
        return own

    def header(self, title: str, disk_id: bytes) -> None:
        form = self.form
        blocks = {place: bytearray(BLOCK_BYTES) for place in self.kept}
        ends = bytes((form.directory_track, 1))
        maps = [place for place, _ in form.map_blocks]
        for number, (place, first) in enumerate(form.map_blocks):
            block = blocks[place]
            block[0:2] = bytes(maps[number + 1]) if number + 1 < len(maps) else ends
            self._map(block, first, form.map_blocks[number + 1][1] if number + 1 < len(maps) else 256)
        header = blocks[form.directory_track, 0]
        if (form.directory_track, 0) not in maps:
            header[0:2] = bytes(maps[0])
        header[2] = 0x41 if form.map_bytes == 4 else 0x43
        tail = _name(title) + PADDING * 2 + disk_id + PADDING + (b"2A" if form.map_bytes == 4 else b"2C") + PADDING * 4
        header[form.title_at : form.title_at + len(tail)] = tail
        self.blocks |= {place: bytes(block) for place, block in blocks.items()}

    def _map(self, block: bytearray, first: int, stop: int) -> None:
        form = self.form
        used = self.blocks.keys() | self.kept
        for track in range(first, min(stop, max(self.places.tracks) + 1)):
            marks = [(track, sector) not in used for sector in range(self.places.tracks[track])]
            bits = sum(mark << sector for sector, mark in enumerate(marks))
            at = form.map_at + (track - first) * form.map_bytes
            block[at : at + form.map_bytes] = bytes([sum(marks)]) + bits.to_bytes(form.map_bytes - 1, "little")
        if form.map_bytes == 5:
            block[2:6] = bytes([0x43, 0, first, min(stop, max(self.places.tracks) + 1)])

    def image(self) -> bytes:
        """All blocks in image order."""
        empty = bytes(BLOCK_BYTES)
        return b"".join(self.blocks.get(place, empty) for place in self.places.lba)


def make_linked(
    files: Mapping[str, bytes],
    title: str,
    *,
    layout: str = "zoned-35-1s",
    disk_id: bytes = b"A1",
    kinds: Mapping[str, str] | None = None,
    record_bytes: int = 64,
) -> bytes:
    """An image that holds the files, on one of the zoned layouts.

    Args:
        kinds: what the directory calls a file, by name ("program" otherwise; see linked_forms.KINDS).
        record_bytes: bytes of each record of relative files.

    Raises:
        ValueError: no such form, a name or title that does not fit, or too much data.
    """
    form = next((form for form in FORMS if form.layout == layout), None)
    if form is None:
        raise ValueError(f"no linked-sector volume is known on {layout}")
    maker = _Maker(form)
    entries: list[bytes] = []
    for name, data in files.items():
        parts = [data[at : at + _DATA_BYTES] for at in range(0, len(data), _DATA_BYTES)] or [b""]
        chain = maker.chain(parts, maker.free, whole_blocks=False)
        kind = KINDS.index((kinds or {}).get(name, "program"))
        entry = bytes([0, 0, 0x80 | kind, *chain[0]]) + _name(name)
        index = maker.index(chain, record_bytes) if KINDS[kind] == "relative" else []
        if index:
            entry += bytes([*index[0], record_bytes])
        entries.append(entry.ljust(ENTRY_BYTES - 2, b"\0") + (len(chain) + len(index)).to_bytes(2, "little"))
    per_block = BLOCK_BYTES // ENTRY_BYTES
    blocks = [b"".join(entries[at : at + per_block]) for at in range(0, len(entries), per_block)] or [b""]
    # the first record's two spare bytes are the block's link
    maker.chain([block[LINK_BYTES:] for block in blocks], maker.directory, whole_blocks=True)
    maker.header(title, disk_id)
    return maker.image()


def make_linked35(files: Mapping[str, bytes], title: str) -> bytes:
    """A linked-sector image on the 35-track zoned layout; see make_linked."""
    return make_linked(files, title)
