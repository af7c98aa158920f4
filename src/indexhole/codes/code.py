"""What a recording code consists of. A code is one `Code` object (`known.py`); all of its parts are asked for here."""

from __future__ import annotations

from collections.abc import Callable, Collection, Sequence
from dataclasses import dataclass
from enum import Enum
from typing import ClassVar, Literal

from indexhole.codes.encode import Cells

CodeName = Literal["fm", "mfm", "group45"]
"""Names of the codes, as layout files, reports and captures have them."""


@dataclass(frozen=True)
class MarkPattern:
    """Cells that find a mark in a stream.

    Attributes:
        cells: the pattern as a word, its last cell a transition.
        width: cells of it.
        lead: cells from its last one to the first cell of the field; negative when the pattern reaches into it.
        mark_byte: byte the pattern stands for, -1 when the mark byte is the first of the field and still to be decoded.
        preset: check register behind what precedes the field.
    """

    cells: int
    width: int
    lead: int
    mark_byte: int
    preset: int


@dataclass(frozen=True)
class Check:
    """The check of a field: `size` bytes at its end, `bits` that a wrong field must meet by chance.

    `whole` says of a field, mark byte first and check last, whether it passes. `exclusive_or` tells the compiled
    decoder to take the exclusive-or of all behind the first byte, else it keeps the register of `crc.edc`.
    """

    size: int
    bits: int
    exclusive_or: bool
    whole: Callable[[bytes], bool]


@dataclass(frozen=True)
class Decoding:
    """What the compiled decoder asks of a code; see kernels.decode_fields.

    Attributes:
        words: whether five cells are a word of half a byte; else every second cell is a bit.
        shortest, longest: runs outside of these are faults of a field.
        clocks_a_byte: clock cells each byte must have, 0 when they are not counted.
    """

    words: bool
    shortest: int
    longest: int
    clocks_a_byte: int


class Alphabet(Enum):
    """What a field is a row of, to those who weigh one value of a symbol against another."""

    LONE_BITS = "bits, each with a cell of its own"
    CHAINED_BITS = "bits whose clocks depend on the bits on either side"
    HALF_BYTES = "words of half a byte"


@dataclass(frozen=True)
class FieldCells:
    """Lengths in cells.

    Attributes:
        sync: of the sync in front of a mark.
        mark: of the mark in front of what is decoded.
        id_field: of an id field from its mark to the end of its check.
        data_frame: of a data field besides its contents, from its mark to the last cell written with it.
        rewritten_frame: what goes with the contents when a sector is rewritten.
    """

    sync: int
    mark: int
    id_field: int
    data_frame: int
    rewritten_frame: int


@dataclass(frozen=True, slots=True)
class SectorId:
    """What an id field says: cylinder and head as recorded, sector number, size in bytes."""

    cylinder: int
    head: int
    number: int
    size: int


@dataclass(frozen=True)
class IdField:
    """An id field: `mark` its first byte, `size` its bytes with mark and check, `read` what those bytes say."""

    mark: int
    size: int
    read: Callable[[Sequence[int]], SectorId]


@dataclass(frozen=True)
class DataField:
    """A data field.

    Attributes:
        marks: bytes it may begin with.
        deleted_mark: the one of them that says the data is deleted; None when the code has none.
        sizes: bytes of contents it may hold.
        usual_size: taken where no id tells.
    """

    marks: tuple[int, ...]
    deleted_mark: int | None
    sizes: frozenset[int]
    usual_size: int


@dataclass(frozen=True)
class MarkedFields:
    """Tracks of fields behind marks with clocks left out, begun at the index.

    Attributes:
        sync_bytes: zero bytes in front of a mark.
        lead, index_lead: bytes written as marks in front of the mark byte, and in front of the index mark byte; empty
            when the mark byte itself is written so.
        index_pattern: what finds an index mark.
        at_index: whether a formatter begins at the index, so that the seam of a track lies there.
        numbered_through: whether ids number the tracks through and reading turns that into cylinder and head.
        has_index_mark: whether an index mark may stand before the first sector.
        shares_rest: whether the tail gaps are what is left over of the turn.
    """

    at_index: ClassVar[bool] = True
    numbered_through: ClassVar[bool] = False
    has_index_mark: ClassVar[bool] = True
    shares_rest: ClassVar[bool] = False

    sync_bytes: int
    lead: bytes
    index_lead: bytes
    index_pattern: MarkPattern


@dataclass(frozen=True)
class Blocks:
    """Tracks of blocks behind runs of ones, begun anywhere on the turn, what is left over shared among the tail gaps.

    Attributes:
        tracks_a_side: headers number tracks from 1, those of side 1 so many further on.
        at_index, numbered_through, has_index_mark, shares_rest: as of `MarkedFields`.
    """

    at_index: ClassVar[bool] = False
    numbered_through: ClassVar[bool] = True
    has_index_mark: ClassVar[bool] = False
    shares_rest: ClassVar[bool] = True

    tracks_a_side: int


@dataclass(frozen=True)
class Code:
    """A recording code.

    Attributes:
        name: as layouts and reports have it.
        title, short_title: as a keeper reads it, and where room is scarce.
        cells_per_byte: of a field; `gap_byte_cells` of a gap.
        gap_byte: with which a formatter fills gaps.
        run_limits: shortest and longest run of cells from one transition to the next.
        marks: patterns that find ids and data fields; where one mark is written for all, there is one.
        id_field, data_field, check, cells, alphabet: as their classes say.
        decoding: for the compiled decoder.
        encode: cells of bytes, at some positions written as marks.
        track: how a whole track is put together.
    """

    name: CodeName
    title: str
    short_title: str
    cells_per_byte: int
    gap_byte_cells: int
    gap_byte: int
    run_limits: tuple[int, int]
    marks: tuple[MarkPattern, ...]
    id_field: IdField
    data_field: DataField
    check: Check
    cells: FieldCells
    alphabet: Alphabet
    decoding: Decoding
    encode: Callable[[bytes, Collection[int]], Cells]
    track: MarkedFields | Blocks

    @property
    def mark_is_decoded(self) -> bool:
        """Whether the mark byte is decoded with the field; else the pattern tells it."""
        return self.marks[0].mark_byte < 0

    @property
    def short_check(self) -> bool:
        """Whether the check is so short that chance passes it now and then."""
        return self.check.bits < 16

    @property
    def frame_bytes(self) -> int:
        """Bytes of a decoded data field besides its contents: mark and check."""
        return 1 + self.check.size

    def decoded_cells(self, size: int) -> int:
        """Cells of a data field of `size` bytes that decoding covers: what the mark already stood for is not among
        them."""
        return (size + self.frame_bytes - (not self.mark_is_decoded)) * self.cells_per_byte

    def is_deleted(self, mark: int) -> bool:
        """Whether a data field that begins with this byte is marked as deleted."""
        return mark == self.data_field.deleted_mark
