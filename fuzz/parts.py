"""Bytes taken apart the same way each time, for readers that plain bytes never get into."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any


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
        # an archive's names end at a NUL, so that two would become one
        yield name.replace(b"\0", b"").decode("latin-1"), content


# what a number, a word or a moment is never expected to be
_ODD: tuple[Any, ...] = (
    None, True, False, 0, 1, -1, 255, 2**31, 2**63, 10**30, 10**400, -0.0, 0.5, 1e308, float("inf"), float("nan"),
    "", " ", "\0", "\ud800", "é\u0301", "9" * 90, "x" * 3000, "2026-03-01", "0001-01-01T00:00:00+23:59", "[]",
)  # fmt: skip


def value(parts: Parts, depth: int = 0) -> Any:
    """Anything JSON can say: something odd, a text, a number, or a list or mapping of such."""
    kind = parts.number()
    if kind < 160 or depth > 4:
        return _ODD[kind % len(_ODD)]
    if kind < 190:
        return parts.piece(parts.number() % 24).decode("utf-8", "surrogateescape")
    if kind < 220:
        return parts.number(1 + kind % 9) - 100
    count = parts.number() % 5
    if kind < 240:
        return [value(parts, depth + 1) for _ in range(count)]
    return {str(value(parts, depth + 1)): value(parts, depth + 1) for _ in range(count)}
