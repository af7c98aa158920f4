"""The bytes of a capture file as they come: read once, hashed on the way, unpacked when they are gzip (RFC 1952)."""

from __future__ import annotations

import hashlib
import zlib
from collections.abc import Callable
from io import BufferedReader

from indexhole.errors import Do, InputFault

Progress = Callable[[int, int], None]

_GZIP = b"\x1f\x8b\x08"
_BLOCK_BYTES = 1 << 20
# zlib: a gzip header and trailer around the data
_GZIP_WINDOW = 31
HEAD_BYTES = 1 << 16


class Original:
    """A file being read.

    Args:
        raw: the file, read in order to its end; it need not be able to go back.
        name: for faults.
        size: its length in bytes, 0 when unknown; told on to `progress`.
        allow_cut: a gzip file that ends early ends there, instead of a fault.
        progress: called with (bytes read, size).
    """

    def __init__(
        self,
        raw: BufferedReader,
        name: str,
        size: int = 0,
        *,
        allow_cut: bool = False,
        progress: Progress | None = None,
    ) -> None:
        self._raw = raw
        self._name = name
        self._size = size
        self._allow_cut = allow_cut
        self._progress = progress
        self._hash = hashlib.sha256()
        self._done = 0
        self._ahead = self._take(HEAD_BYTES)
        if not self._ahead:
            raise InputFault("the file is empty", where=name, remedy="log it again")
        self._unpacker = zlib.decompressobj(_GZIP_WINDOW) if self._ahead.startswith(_GZIP) else None
        if self._unpacker is not None:
            self._packed, self._ahead = self._ahead, b""
            self._ahead = self.read(HEAD_BYTES)
            if not self._ahead:
                raise InputFault("the file is empty inside its gzip wrapper", where=name, remedy="log it again")

    @property
    def head(self) -> bytes:
        """The first bytes, unpacked; they are still to be read."""
        return self._ahead

    def read(self, size: int) -> bytes:
        """The next `size` bytes, unpacked; fewer only at the end. Raises InputFault for a damaged gzip file."""
        if self._ahead:
            part, self._ahead = self._ahead[:size], self._ahead[size:]
            return part if len(part) == size else part + self.read(size - len(part))
        if self._unpacker is None:
            return self._take(size)
        return self._unpacked(size)

    def readinto(self, buffer: memoryview) -> int:
        """The same into a buffer, without a copy where nothing is unpacked; how many bytes."""
        if self._ahead or self._unpacker is not None:
            data = self.read(len(buffer))
            buffer[: len(data)] = data
            return len(data)
        size = 0
        while size < len(buffer) and (more := self._raw.readinto(buffer[size:])):
            size += more
        self._account(buffer[:size])
        return size

    def sha256(self) -> str:
        """SHA-256 of the whole file as it stands, what nobody asked for included."""
        while self._take(_BLOCK_BYTES):
            pass
        return self._hash.hexdigest()

    def _take(self, size: int) -> bytes:
        data = self._raw.read(size)
        self._account(data)
        return data

    def _account(self, data: bytes | memoryview) -> None:
        self._hash.update(data)
        self._done += len(data)
        if self._progress is not None:
            self._progress(self._done, self._size)

    def _unpacked(self, size: int) -> bytes:
        assert self._unpacker is not None
        parts: list[bytes] = []
        missing = size
        try:
            while missing:
                if self._unpacker.eof and not self._next_member():
                    break
                if not self._packed:
                    self._packed = self._take(_BLOCK_BYTES)
                part = self._unpacker.decompress(self._packed, missing)
                ended = not self._packed and not part and not self._unpacker.eof
                self._packed = self._unpacker.unconsumed_tail
                parts.append(part)
                missing -= len(part)
                if ended:
                    if self._allow_cut:
                        break
                    raise InputFault(
                        "the gzip file is cut short",
                        where=self._name,
                        remedy=("copy or log it again", Do.READ_CUT),
                    )
        except zlib.error as fault:
            raise InputFault(f"the gzip file is damaged ({fault})", where=self._name, remedy="copy it again") from fault
        return b"".join(parts)

    def _next_member(self) -> bool:
        """A gzip file may be several, one behind the other, and padded with zeros."""
        assert self._unpacker is not None
        packed = self._unpacker.unused_data.lstrip(b"\0")
        while not packed:
            packed = self._take(_BLOCK_BYTES)
            if not packed:
                return False
            packed = packed.lstrip(b"\0")
        self._unpacker, self._packed = zlib.decompressobj(_GZIP_WINDOW), packed
        return True
