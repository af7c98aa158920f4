"""Whole tracks: fields stand where the format tables put them, and every layout of the library can be laid down."""

from __future__ import annotations

from functools import reduce
from operator import xor

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from indexhole.codes.crc import edc
from indexhole.codes.encode import Cells, word_cells
from indexhole.codes.tables import GROUP_WORDS
from indexhole.model.simulator.track_cells import data_field_cells, track_cells
from indexhole.standards.layouts import Layout, Zone, load_layouts

LIBRARY = load_layouts()
RUNS = {"fm": {1, 2}, "mfm": {2, 3, 4}, "group45": {1, 2, 3}}
EACH_ZONE = [(layout, zone) for layout in LIBRARY.values() for zone in layout.zones]


def random_sectors(zone: Zone, seed: int = 7) -> dict[int, bytes]:
    rng = np.random.default_rng(seed)
    return {number: rng.bytes(zone.sector_bytes) for number in zone.sector_ids}


def bytes_at(cells: Cells, first: int, count: int) -> bytes:
    """Data bits of FM or MFM cells."""
    return bytes(np.packbits(cells[first + 1 : first + 16 * count : 2]))


def group_bytes_at(cells: Cells, first: int, count: int) -> bytes:
    words = cells[first : first + 10 * count].reshape(-1, 5) @ (1 << np.arange(4, -1, -1))
    nibbles = np.array([GROUP_WORDS.index(int(word)) for word in words])
    return bytes((nibbles[0::2] << 4 | nibbles[1::2]).astype(np.uint8))


@pytest.mark.parametrize(("layout", "zone"), EACH_ZONE, ids=lambda v: getattr(v, "id", ""))
def test_every_zone_fits_and_reads_back(layout: Layout, zone: Zone) -> None:
    cylinder, head = zone.last_cylinder, zone.heads[-1]
    sectors = random_sectors(zone)
    track = track_cells(layout, cylinder, head, sectors)
    assert track.cells.size == int(layout.bytes_per_revolution(zone) * zone.cells_per_byte)
    assert set(np.diff(np.flatnonzero(track.cells)).tolist()) <= RUNS[zone.code]
    assert list(track.spans) == list(zone.sector_ids)
    for number, span in track.spans.items():
        assert span.header < span.data < span.end < track.cells.size
        if zone.code == "group45":
            header = group_bytes_at(track.cells, span.header + 40, 8)
            assert header[0] == 0x08
            assert header[2:4] == bytes([number, layout.track_number(cylinder, head)])
            assert reduce(xor, header[1:6]) == 0
            block = group_bytes_at(track.cells, span.data + 40, 260)
            assert block[0] == 0x07
            assert block[1:257] == sectors[number]
            assert reduce(xor, block[1:258]) == 0
            assert span.data - span.header == 40 + 80 + 9 * 8
            assert span.end - span.data == 40 + 2600
        else:
            sync, mark = (6, b"") if zone.code == "fm" else (12, b"\xa1" * 3)
            header = bytes_at(track.cells, span.header + 16 * sync, len(mark) + 7)
            assert header.startswith(mark + b"\xfe" + bytes([cylinder, head, number]))
            assert 128 << header[len(mark) + 4] == zone.sector_bytes
            assert edc(header) == 0
            block = bytes_at(track.cells, span.data + 16 * sync, len(mark) + zone.sector_bytes + 3)
            assert block[len(mark) : -2] == b"\xfb" + sectors[number]
            assert edc(block) == 0


def test_marks_miss_their_clocks() -> None:
    track = track_cells(LIBRARY["90-mfm-9x512"], 3, 1, {})
    text = "".join(map(str, track.cells))
    # three in each header and data field, and an index mark of three other ones (alone they can be data)
    assert text.count("".join(map(str, word_cells(0x4489)))) == 2 * 9 * 3
    assert text.count("".join(map(str, word_cells(0x5224))) * 3) == 1
    track = track_cells(LIBRARY["130-fm-16x128"], 3, 0, {}, deleted=[5])
    text = "".join(map(str, track.cells))
    assert text.count("".join(map(str, word_cells(0xF57E)))) == 16
    assert text.count("".join(map(str, word_cells(0xF56F)))) == 15
    assert text.count("".join(map(str, word_cells(0xF56A)))) == 1
    assert text.count("".join(map(str, word_cells(0xF77A)))) == 1


def test_a_sector_not_given_holds_the_fill_byte() -> None:
    track = track_cells(LIBRARY["90-mfm-9x512"], 0, 0, {})
    span = track.spans[1]
    field = bytes_at(track.cells, span.data + 16 * 12, 4 + 512 + 2)
    # the check of this very field is plain arithmetic: C40Bh
    assert field == b"\xa1\xa1\xa1\xfb" + b"\xe5" * 512 + bytes.fromhex("C40B")


@given(st.integers(0, 2**32 - 1), st.sampled_from(["130-fm-16x128", "90-mfm-9x512", "zoned-35-1s"]))
def test_a_field_rewritten_is_the_same_field(seed: int, name: str) -> None:
    layout = LIBRARY[name]
    zone = layout.zones[0]
    sectors = random_sectors(zone, seed)
    track = track_cells(layout, 0, 0, sectors)
    number = zone.sector_ids[seed % zone.sectors]
    span = track.spans[number]
    assert np.array_equal(track.cells[span.data : span.end], data_field_cells(zone, sectors[number]))


def test_a_fast_writer_loses_the_end_of_the_turn_and_a_zoned_one_shrinks_its_tail_gaps() -> None:
    layout = LIBRARY["90-dense-mfm-18x512"]
    track = track_cells(layout, 0, 0, {}, room=195_000)
    assert track.cells.size == 195_000
    assert track.spans[17].end < 195_000 < track.spans[18].end
    zoned = LIBRARY["zoned-35-1s"]
    nominal = track_cells(zoned, 0, 0, {})
    fast = track_cells(zoned, 0, 0, {}, room=int(nominal.cells.size * 0.98))
    last = zoned.zones[0].sector_ids[-1]
    assert fast.spans[last].end < fast.cells.size < nominal.spans[last].end + 8 * 8


def test_identity_of_the_disk_goes_into_group_headers() -> None:
    layout = LIBRARY["zoned-35-1s"]
    track = track_cells(layout, 17, 0, {}, disk_id=b"AB")
    header = group_bytes_at(track.cells, track.spans[0].header + 40, 8)
    assert header.hex() == "0811001242410f0f"


@pytest.mark.parametrize(
    ("cylinder", "head", "sectors", "words"),
    [
        (80, 0, {}, "no cylinder 80 head 0"),
        (0, 2, {}, "no cylinder 0 head 2"),
        (0, 0, {0: bytes(512)}, "sector 0 of 512 bytes does not fit"),
        (0, 0, {1: bytes(511)}, "sector 1 of 511 bytes does not fit"),
    ],
)
def test_what_the_layout_has_not_is_refused(cylinder: int, head: int, sectors: dict[int, bytes], words: str) -> None:
    with pytest.raises(ValueError, match=words):
        track_cells(LIBRARY["90-mfm-9x512"], cylinder, head, sectors)
