"""Makes labelled images for demonstration disks and tests, the same bytes every time."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

from indexhole.volumes.labelled.forms import ERMAP_SECTOR, FIRST_FILE_SECTOR, FORMS, VOLUME_SECTOR, Form, places_of
from indexhole.volumes.labelled.labels import LABEL_BYTES, Address

Records = Literal["", "B", "R"]
_NAME_CHARACTERS = frozenset("ABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789.-")


def _checked(name: str, most: int, what: str) -> str:
    if not 1 <= len(name) <= most or not set(name) <= _NAME_CHARACTERS:
        raise ValueError(f"{name!r} is not a {what} of one to {most} capitals, digits, dots and dashes")
    return name


def _label(fields: Mapping[int, str], code: str) -> bytes:
    """A label with texts at positions counted from 1, blanks between and zeros behind position 80."""
    text = [" "] * 80
    for at, word in fields.items():
        text[at - 1 : at - 1 + len(word)] = word
    return "".join(text).encode(code).ljust(LABEL_BYTES, b"\0")


def _cchrr(address: Address) -> str:
    return "{:02}{}{:02}".format(*address)


def _blocks(data: bytes, record: int, block: int, records: Records) -> list[bytes]:
    """The data cut into blocks; the last one filled up with zeros."""
    step = {"": record, "B": block // record * record, "R": block}[records]
    return [data[at : at + step].ljust(step, b"\0") for at in range(0, len(data), step)]


@dataclass(frozen=True, slots=True)
class DataSets:
    """How files are laid down.

    Attributes:
        record_bytes: length of a record.
        records: "" one a block, "B" several whole ones a block, "R" running on over blocks.
        spare_sectors: sectors in each file's extent behind its data.
    """

    record_bytes: int = 80
    records: Records = ""
    spare_sectors: int = 0


@dataclass(frozen=True, slots=True)
class _Extent:
    """Sectors of a file, by number from 0: its first, the one behind its data, and its last; `unused` bytes of the
    last block hold no record."""

    first: int
    free: int
    end: int
    unused: int


def make_labelled(
    files: Mapping[str, bytes],
    title: str,
    *,
    form: Form = FORMS[0],
    code: str = "ascii",
    data_sets: DataSets | None = None,
) -> bytes:
    """An image that holds the files as records of one length, one after the other from cylinder 01 on.

    Args:
        code: codec of the labels, "ascii" or "cp500"; the data are stored as given.

    Raises:
        ValueError: a name or title that does not fit, data that are no whole records, or too much data.
    """
    data_sets = data_sets or DataSets()
    places = places_of(form)
    by_number = {number: address for address, number in places.number.items()}
    sector_bytes, record = form.others[1], data_sets.record_bytes
    block = record if not data_sets.records else sector_bytes
    if not 1 <= record <= (9999 if data_sets.records == "R" else sector_bytes):
        raise ValueError(f"a record of {record} bytes does not fit a sector of {sector_bytes}")
    image = bytearray(places.starts[-1])
    slots = [a for a in by_number.values() if a[0] == 0 and (a[1] or a[2] >= FIRST_FILE_SECTOR)]

    def put(address: Address, data: bytes) -> None:
        at = places.starts[places.number[address]]
        image[at : at + len(data)] = data

    put((0, 0, ERMAP_SECTOR), _label({1: "ERMAP"}, code))
    volume = {1: "VOL1", 5: _checked(title, 6, "title"), 72: form.surface, 76: form.length_code, 80: "W"}
    put((0, 0, VOLUME_SECTOR), _label(volume, code))
    if len(files) > len(slots):
        raise ValueError(f"cylinder 00 holds at most {len(slots)} file labels")
    first = places.first_data
    for slot, (name, data) in zip(slots, files.items(), strict=False):
        if len(data) % record:
            raise ValueError(f"{name}: {len(data)} bytes are no whole records of {record}")
        blocks = _blocks(data, record, block, data_sets.records)
        end = first + max(1, len(blocks) + data_sets.spare_sectors) - 1
        if end >= len(by_number):
            raise ValueError("the files do not fit on the volume")
        for number, one in enumerate(blocks, start=first):
            put(by_number[number], one)
        unused = (sum(map(len, blocks)) - len(data)) if data_sets.records else 0
        extent = _Extent(first, first + len(blocks), end, unused)
        fields = _file_fields(name, form, data_sets, extent, by_number)
        put(slot, _label({**fields, 23: f"{block:05}"}, code))
        first = end + 1
    for slot in slots[len(files) :]:
        put(slot, _label({1: "DDR1", 6: "DATA", 23: f"{block:05}", 29: "74001", 35: "73026", 75: "74001"}, code))
    return bytes(image)


def _file_fields(
    name: str, form: Form, data_sets: DataSets, extent: _Extent, by_number: Mapping[int, Address]
) -> dict[int, str]:
    """Fields of a file's label by their first position, its block length left out."""
    last = by_number[extent.free - 1] if extent.free > extent.first else by_number[extent.first]
    return {
        1: "HDR1",
        6: _checked(name, 17, "name"),
        28: data_sets.records,
        29: _cchrr(by_number[extent.first]),
        34: form.length_code,
        35: _cchrr(by_number[extent.end]),
        48: "870601",
        54: f"{data_sets.record_bytes:04}",
        58: f"{extent.unused:05}" if extent.unused else "",
        75: _cchrr(by_number[extent.free] if extent.free in by_number else (last[0] + 1, 0, 1)),
    }
