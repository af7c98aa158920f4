"""Labels of labelled volumes (ECMA-58, ISO 7665): which fields of the 128 bytes hold what, and in which code.

Everything here is from memory of the standard and of the trade that shared it; no text of it could be read. Where a
place is less sure, its comment says so. Places are byte positions counted from 1, as the standard counts them.
"""

from __future__ import annotations

from dataclasses import dataclass

LABEL_BYTES = 128
# ISO 646 (ECMA-6), and the eight-bit code of the trade; only characters that both have alike in all countries'
# versions are used in labels, so which of that code's pages is meant makes no difference to them.
CODES = {"ascii": "ISO 646", "cp500": "eight-bit code"}

Address = tuple[int, int, int]
"""Cylinder, head and sector number, written CCHRR in a label."""


def label_code(label: bytes, *names: str) -> str:
    """The code in which a label begins with one of the names, "" when it does with none."""
    return next((code for code in CODES if any(label.startswith(name.encode(code)) for name in names)), "")


def shown_text(raw: bytes, code: str) -> str:
    """Bytes of a label as text: printable characters of ISO 646, everything else and both slashes as `\\\\xNN`."""
    pairs = zip(raw, raw.decode(code, "replace"), strict=True)
    return "".join(c if " " <= c <= "~" and c not in "/\\" else f"\\x{b:02X}" for b, c in pairs)


@dataclass(frozen=True, slots=True)
class Label:
    """The bytes of one label and the code they are in."""

    raw: bytes
    code: str

    def text(self, first: int, last: int) -> str:
        """The characters in positions `first` to `last`, without blanks behind them."""
        return shown_text(self.raw[first - 1 : last], self.code).rstrip(" ")

    def number(self, first: int, last: int) -> int | None:
        """The digits there as a number, None when they are no digits; blanks count as zero."""
        text = self.text(first, last).strip()
        if not text:
            return 0
        return int(text) if text.isdigit() else None

    def address(self, first: int) -> Address | None:
        """The CCHRR address there, None when it is none."""
        text = self.text(first, first + 4)
        if len(text) != 5 or not text.isdigit():
            return None
        return int(text[:2]), int(text[2]), int(text[3:])


@dataclass(frozen=True, slots=True)
class VolumeLabel:
    """VOL1: the volume's name (5-10), its owner (38-51), surfaces in use (72), code of the sector length (76)."""

    name: str
    owner: str
    surface: str
    length_code: str


def volume_label(label: Label) -> VolumeLabel:
    """The fields of a VOL1 label."""
    return VolumeLabel(label.text(5, 10), label.text(38, 51), label.text(72, 72), label.text(76, 76))


@dataclass(frozen=True, slots=True)
class FileLabel:
    """HDR1 of a file, or DDR1 of a deleted one.

    Attributes:
        name: 6-22.
        block_bytes: 23-27; None when it is no number.
        attribute: 28, "" one record a block, "B" several whole ones, "R" records run on over blocks.
        begin, end, free: 29-33 first sector, 35-39 last sector, 75-79 the one behind the last in use.
        record_bytes: 54-57, 0 when it is that of the block.
        created, expires: 48-53 and 67-72 as recorded, YYMMDD.
        part: 45, "" the whole file, "C" goes on, "L" the last part; 46-47 is its number (less sure).
        unused_bytes: 58-62, bytes of the last block that no record fills (less sure).
    """

    name: str
    deleted: bool
    block_bytes: int | None
    attribute: str
    begin: Address | None
    end: Address | None
    free: Address | None
    record_bytes: int | None
    created: str
    expires: str
    part: str
    unused_bytes: int | None
    protected: bool

    @property
    def unused(self) -> bool:
        """Whether it only keeps a place in the list, as a fresh disk's do: a deleted one whose extent ends before
        it begins, or has none."""
        return self.deleted and (self.begin is None or self.end is None or self.begin > self.end)


def file_label(label: Label) -> FileLabel:
    """The fields of an HDR1 or DDR1 label."""
    return FileLabel(
        name=label.text(6, 22),
        deleted=label.text(1, 4) == "DDR1",
        block_bytes=label.number(23, 27),
        attribute=label.text(28, 28),
        begin=label.address(29),
        end=label.address(35),
        free=label.address(75),
        record_bytes=label.number(54, 57),
        created=label.text(48, 53),
        expires=label.text(67, 72),
        part=label.text(45, 45),
        unused_bytes=label.number(58, 62),
        protected=label.text(43, 43) == "P",
    )


def defective_cylinders(label: Label) -> list[int]:
    """Cylinders that ERMAP calls defective: 7-8 and 11-12, each followed by a zero (less sure)."""
    found = [(label.text(at, at + 1), label.text(at + 2, at + 2)) for at in (7, 11)]
    return [int(cylinder) for cylinder, zero in found if cylinder.isdigit() and len(cylinder) == 2 and zero == "0"]
