"""Bytes taken apart the same way each time, for readers that plain bytes never get into."""

from __future__ import annotations

from collections.abc import Iterator


class Parts:
    """Takes numbers and pieces from the front of some bytes; beyond their end there are zeros and nothing."""

    def __init__(self, data: bytes) -> None:
        self._data, self._at = data, 0

    def __bool__(self) -> bool:
        return self._at < len(self._data)

    def piece(self, most: int) -> bytes:
        """The next bytes, at most so many."""
        found = self._data[self._at : self._at + most]
        self._at += len(found)
        return found

    def number(self, size: int = 1) -> int:
        """The next `size` bytes as a number, the lowest first."""
        return int.from_bytes(self.piece(size), "little")

    def rest(self) -> bytes:
        """All that is left."""
        return self.piece(len(self._data))


def patched(image: bytes, patches: bytes) -> bytes:
    """An image with patches laid over it: each is a place (3 bytes), a length (1 byte) and so many bytes."""
    made, parts = bytearray(image), Parts(patches)
    while parts:
        at = parts.number(3) % max(1, len(made))
        piece = parts.piece(1 + parts.number() % 64)
        made[at : at + len(piece)] = piece
    return bytes(made[: len(image)])


def members(data: bytes) -> Iterator[tuple[str, bytes]]:
    """Named parts of a text: a line `=NAME` opens one, which goes on to the next such line."""
    for part in (b"\n" + data).split(b"\n=")[1:]:
        name, _, content = part.partition(b"\n")
        yield name.decode("latin-1"), content
