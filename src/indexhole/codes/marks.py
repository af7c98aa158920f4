"""Finding the marks of a code in a stream, and decoding the fields behind them.

Every pattern ends with a flux transition, so a stream of run lengths can be searched pulse by pulse.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from indexhole.codes import kernels, tables
from indexhole.codes.code import Code, MarkPattern


def _nibbles() -> npt.NDArray[np.int8]:
    words = np.full(32, -1, dtype=np.int8)
    for nibble, word in enumerate(tables.GROUP_WORDS):
        words[word] = nibble
    return words


WORD_TO_NIBBLE = _nibbles()


@dataclass(frozen=True)
class Fields:
    """Fields decoded from one stream, in order of time.

    Attributes:
        at: (k,) index of the run that closes the mark.
        last: (k,) index of the run in which the field ends.
        data: (k, room) uint8 bytes, mark byte first.
        length: (k,) bytes decoded.
        check: (k,) 0 where the field's own check passes.
        faults: (k,) places that break the code's rules.
        worst: (k,) largest phase error, in 1/256 cell.
    """

    at: npt.NDArray[np.int64]
    last: npt.NDArray[np.int64]
    data: npt.NDArray[np.uint8]
    length: npt.NDArray[np.int64]
    check: npt.NDArray[np.int64]
    faults: npt.NDArray[np.int64]
    worst: npt.NDArray[np.int64]


Marks = tuple[npt.NDArray[np.int64], npt.NDArray[np.int64]]


def find_marks(runs: npt.NDArray[np.uint8], code: Code) -> Marks:
    """Run indices of the marks in a stream and the number of the pattern each one matched: (k,) int64 both.

    Args:
        runs: (n,) cells from one transition to the next.
    """
    return find_patterns(runs, code.marks)


def find_patterns(runs: npt.NDArray[np.uint8], patterns: Sequence[MarkPattern]) -> Marks:
    """The same, (k,) int64 both, for any patterns."""
    room = runs.size // 8 + 8
    index = np.empty(room, dtype=np.int64)
    kind = np.empty(room, dtype=np.int64)
    count = kernels.find_marks(
        runs,
        np.array([p.cells for p in patterns], dtype=np.uint64),
        np.array([(1 << p.width) - 1 for p in patterns], dtype=np.uint64),
        index,
        kind,
    )
    return index[:count], kind[:count]


def decode(
    runs: npt.NDArray[np.uint8], errors: npt.NDArray[np.int8], code: Code, marks: Marks, length: npt.NDArray[np.int64]
) -> Fields:
    """Decode `length` (k,) bytes (mark byte and check included) behind each of k marks.

    Args:
        runs: (n,) cells from one transition to the next; `errors` (n,) phase errors in 1/256 cell.
    """
    patterns, rules = code.marks, code.decoding
    at, kind = marks
    count = at.size
    room = int(length.max()) if count else 1
    data = np.zeros((count, room), dtype=np.uint8)
    numbers = [np.zeros(count, dtype=np.int64) for _ in range(4)]
    lead, mark_byte, preset = (
        np.array([getattr(p, name) for p in patterns], dtype=np.int64)[kind] for name in ("lead", "mark_byte", "preset")
    )
    kernels.decode_fields(
        runs,
        errors,
        (int(rules.words), rules.shortest, rules.longest, rules.clocks_a_byte, int(code.check.exclusive_or)),
        WORD_TO_NIBBLE,
        at,
        lead,
        mark_byte,
        preset,
        length,
        data,
        *numbers,
    )
    faults, worst, last, check = numbers
    return Fields(at, last, data, length, check, faults, worst)
