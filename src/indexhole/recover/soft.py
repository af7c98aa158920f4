"""Combines what several passes say of one sector pulse by pulse, and takes the most likely bytes.

Each pass speaks for a transition in a cell the more, the nearer the middle of the cell its pulse stood; it
speaks against one in the empty cells of a legal run, and not at all inside a gap the code forbids (a
dropout says nothing). The sums are decoded within the rules of the code (docs/recovery.md).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from indexhole.codes import marks
from indexhole.recover import kernels
from indexhole.recover.reads import SectorRead
from indexhole.signal.streams import Stream

_WINDOW_CELLS = 128
# A pass is shifted by a cell only when a window agrees better by this many cells.
_SHIFT_GAIN = 12.0
_EMPTY = 0.8


@dataclass(frozen=True)
class Combined:
    """The most likely bytes of a field (mark byte first, check last), whether its check passes, and how clear
    the least clear choices were: `margins` rising, in voices (1 = one clean pass more for than against).
    """

    field: bytes
    passed: bool
    margins: tuple[float, ...]


def _mark_lead(read: SectorRead, code: str) -> tuple[int, int]:
    """Pattern number of the read's mark, and cells from its last transition to the field."""
    patterns = marks.MARKS[code]
    if code != "fm":
        return 0, patterns[0].lead
    wanted = marks.DELETED_MARK if read.deleted else marks.DATA_MARK
    kind = next(k for k, p in enumerate(patterns) if p.mark_byte == wanted)
    return kind, patterns[kind].lead


Voice = tuple[npt.NDArray[np.int64], npt.NDArray[np.float32], npt.NDArray[np.float32]]


def _voice(stream: Stream, at: int, lead: int, cells: int) -> Voice:
    """Cell numbers of a pass's transitions within the field, their weights, and those of the gaps before."""
    low, high = marks.RUN_LIMITS[stream.code]
    stop = min(at + 1 + cells + 8, stream.runs.size)
    runs = stream.runs[at + 1 : stop].astype(np.int64)
    position = np.concatenate((np.zeros(1, dtype=np.int64), np.cumsum(runs))) - lead
    error = np.abs(np.concatenate((np.zeros(1), stream.errors[at + 1 : stop].astype(np.float64) / 256)))
    weight = np.clip(1 - 2.2 * error, 0.02, 1)
    legal = np.concatenate((np.ones(1, dtype=bool), (runs >= low) & (runs <= high)))
    short = np.concatenate((np.zeros(1, dtype=bool), runs < low))
    # Of two pulses too close to each other, one is false: neither says much.
    weight[short | np.append(short[1:], False)] *= 0.4
    gap = np.where(legal, _EMPTY, np.where(short, _EMPTY / 2, 0.0))
    keep = position < cells + 8
    return position[keep], weight[keep].astype(np.float32), gap[keep].astype(np.float32)


def _aligned(voice: Voice, support: npt.NDArray[np.float32], cells: int) -> Voice:
    """The voice with cell slips behind dropouts taken out, judged against what the passes before it say."""
    position, weight, gap = voice
    shift = 0
    shifted = position.copy()
    for start in range(0, cells, _WINDOW_CELLS):
        inside = np.flatnonzero((position >= start) & (position < start + _WINDOW_CELLS))
        if not inside.size:
            continue
        fits = []
        for trial in (shift, shift - 1, shift + 1):
            place = np.clip(position[inside] + trial, 0, cells - 1)
            fits.append(float(np.sum(support[place] * weight[inside])))
        best = int(np.argmax(fits))
        if best and fits[best] > fits[0] + _SHIFT_GAIN:
            shift += (0, -1, 1)[best]
        shifted[position >= start] = position[position >= start] + shift
    return shifted, weight, gap


def soft_cells(streams: Sequence[Stream], reads: Sequence[SectorRead], cells: int) -> npt.NDArray[np.float32]:
    """Sum of what all the passes say of each cell of a field; above 0 speaks for a transition."""
    support = np.zeros(cells, dtype=np.float32)
    presence = np.zeros(cells, dtype=np.int32)
    # The pass with fewest faults goes first, the others are laid against it.
    for number, read in enumerate(sorted(reads, key=lambda r: (r.faults, r.worst))):
        stream = streams[read.stream]
        voice = _voice(stream, read.at, _mark_lead(read, stream.code)[1], cells)
        if number:
            voice = _aligned(voice, support, cells)
        kernels.add_support(*voice, cells, support, presence)
    return support


def combine(streams: Sequence[Stream], reads: Sequence[SectorRead], size: int) -> Combined:
    """Most likely field behind all the passes' pulses (at least one read, all of one code).

    Returns the field with its check; `passed` when the check agrees.
    """
    code = streams[reads[0].stream].code
    if code == "group45":
        return _combine_words(streams, reads, size)
    kind, _ = _mark_lead(reads[0], code)
    mark_byte = marks.MARKS[code][kind].mark_byte
    length = size + 3 if mark_byte < 0 else size + 2
    bits = length * 8
    support = soft_cells(streams, reads, 2 * bits)
    out = np.zeros(bits, dtype=np.uint8)
    margin = np.zeros(bits, dtype=np.float64)
    if code == "mfm":
        kernels.likeliest_mfm(support, bits, 1, out, margin)
    else:
        out[:] = support[1::2] > 0
        margin[:] = 2 * np.abs(support[1::2])
    field = np.packbits(out).tobytes()
    if mark_byte >= 0:
        field = bytes([mark_byte]) + field
    return Combined(field, marks.check_passes(field, code), _least(margin))


def _least(margin: npt.NDArray[np.float64]) -> tuple[float, ...]:
    """The smallest margins, rising; half of each, since a cell's value changed moves the sum by twice its voice."""
    return tuple((np.sort(margin)[:8] / 2).tolist())


def _combine_words(streams: Sequence[Stream], reads: Sequence[SectorRead], size: int) -> Combined:
    words = 2 * (size + 2)
    support = soft_cells(streams, reads, 5 * words)
    out = np.zeros(words, dtype=np.uint8)
    margin = np.zeros(words, dtype=np.float64)
    table = np.zeros(16, dtype=np.int64)
    for word, nibble in enumerate(marks.WORD_TO_NIBBLE.tolist()):
        if nibble >= 0:
            table[nibble] = word
    kernels.likeliest_words(support, table, words, out, margin)
    field = (out[0::2] << 4 | out[1::2]).astype(np.uint8).tobytes()
    return Combined(field, marks.check_passes(field, "group45"), _least(margin))
