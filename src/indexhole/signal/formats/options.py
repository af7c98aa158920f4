"""What every reader is given besides the file: bytes in order, and the keeper's choices."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Protocol


class ByteStream(Protocol):
    """Bytes in order, unpacked."""

    def read(self, size: int, /) -> bytes:
        """The next `size` bytes, fewer only at the end."""
        ...

    def readinto(self, buffer: memoryview, /) -> int:
        """The next bytes into a buffer, which is filled but at the end; how many."""
        ...


@dataclass(frozen=True)
class ReadOptions:
    """The keeper's choices.

    Attributes:
        lines: our name (`read_data`, `index`, `step` ...) -> the file's name for it, or its channel or bit number.
        allow_cut: keep what can be read of a file that is cut short.
        raw_hz: the file is raw logic samples, one byte a sample, at this rate.
        sample_rate_hz: rate of a waveform; for files that do not say it, and in place of what they say.
    """

    lines: Mapping[str, str] = field(default_factory=dict)
    allow_cut: bool = False
    raw_hz: float | None = None
    sample_rate_hz: float | None = None
