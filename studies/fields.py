"""One sector at a time: its cells, what several passes see of them, and what the real readers make of that.

Whole tracks cost some sixty milliseconds a sector; most of that goes into places nobody looks at. Here only
sync, mark, field and a little gap are built, spoiled by plain arithmetic, and handed to the same clock, mark
search, decoder and `resolve_sector` that recovery uses.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from indexhole.codes import tables
from indexhole.codes.crc import with_edc
from indexhole.codes.encode import fm_cells, group_cells, group_sync, mfm_cells, raw_cells
from indexhole.recover.fields.reads import SectorId, SectorRead, read_stream
from indexhole.recover.sectors.resolve_sector import resolve_sector
from indexhole.recover.shapes.result import Sector
from indexhole.signal.clock.streams import open_stream
from indexhole.signal.dwells.sessions import Segment

Floats = npt.NDArray[np.float64]

CELL_TICKS = {"fm": 96.0, "mfm": 48.0, "group45": 84.0}
CELLS_A_TURN = {"fm": 50_000, "mfm": 100_000, "group45": 61_500}
_LEAD_BYTES = 10
_TAIL_BYTES = 14
# A data mark stands this near its due place to count as behind its id, in bytes; without a legible id, in turns.
_BEHIND_ID = (-14, 48)
_IN_PLACE = 0.004


@dataclass(frozen=True)
class Written:
    """One sector as written.

    Attributes:
        code: `fm`, `mfm` or `group45`.
        field: mark byte, contents, check.
        places: (n,) cells of the transitions, from the start of the gap in front.
        mark: cell of the transition that closes the mark.
        cells: length of the whole stretch.
    """

    code: str
    field: bytes
    places: npt.NDArray[np.int64]
    mark: int
    cells: int

    @property
    def data(self) -> bytes:
        """Contents alone."""
        return self.field[1 : len(self.field) - (1 if self.code == "group45" else 2)]


@dataclass(frozen=True)
class Trouble:
    """What spoils the passes of one sector. Lengths in cells, rates per pulse.

    Attributes:
        jitter: spread of each pulse, new in every pass; `tailed` gives one in ten three times as much.
        shift: spread of a displacement that is the same in all passes.
        asymmetry: how much later pulses of one polarity come.
        wow: peak speed variation of the reader; `slow` its mean speed error.
        dropouts: mean number in each pass, of mean length `dropout_cells`, each losing `dropout_loss` of its pulses.
        losses: single pulses lost.
        strays: false pulses; inside a dropout `gap_strays` of the lost ones are replaced by a false one.
        scratch: start and length, the same in all passes, losing `scratch_loss` of its pulses anew in each.
        lasting_losses, lasting_strays: the same pulses lost, or false ones seen, in every pass.
    """

    jitter: float = 0.05
    tailed: bool = False
    shift: float = 0.0
    asymmetry: float = 0.0
    wow: float = 0.0
    slow: float = 0.0
    dropouts: float = 0.0
    dropout_cells: float = 12.0
    dropout_loss: float = 1.0
    losses: float = 0.0
    strays: float = 0.0
    gap_strays: float = 0.0
    scratch: tuple[int, int] | None = None
    scratch_loss: float = 1.0
    lasting_losses: float = 0.0
    lasting_strays: float = 0.0


def write_sector(code: str, data: bytes) -> Written:
    """Cells of one data field between its gaps."""
    if code == "group45":
        field = bytes([tables.GROUP_DATA]) + data + bytes([int(np.bitwise_xor.reduce(np.frombuffer(data, np.uint8)))])
        gap, tail = (raw_cells(bytes([tables.GROUP_GAP_BYTE]) * n) for n in (_LEAD_BYTES, _TAIL_BYTES))
        cells = np.concatenate((gap, group_sync(), group_cells(field + b"\0\0"), tail))
        # The mark closes with the second cell of the first word.
        mark = gap.size + tables.GROUP_SYNC_CELLS + 1
    else:
        fm = code == "fm"
        gap_byte = tables.FM_GAP_BYTE if fm else tables.MFM_GAP_BYTE
        lead = bytes([gap_byte]) * _LEAD_BYTES + bytes(6 if fm else 12)
        marks = b"" if fm else bytes([tables.MFM_MARK_BYTE]) * 3
        whole = with_edc(marks + bytes([tables.DATA_MARK]) + data)
        field = whole[len(marks) :]
        body = lead + whole + bytes([gap_byte]) * _TAIL_BYTES
        at = len(lead)
        cells = fm_cells(body, [at]) if fm else mfm_cells(body, [at, at + 1, at + 2])
        last = 16 * (at + (1 if fm else 3))
        mark = last - 1 - int(np.argmax(cells[:last][::-1]))
    return Written(code, field, np.flatnonzero(cells), mark, cells.size)


@dataclass(frozen=True)
class Lasting:
    """What is the same in every pass: displacements, and pulses that never or always show."""

    offset: Floats
    gone: npt.NDArray[np.bool_]
    strays: Floats


def lasting(written: Written, trouble: Trouble, rng: np.random.Generator) -> Lasting:
    """Draw what all passes of a sector share."""
    count = written.places.size
    offset = rng.normal(0.0, trouble.shift, count) if trouble.shift else np.zeros(count)
    gone = rng.random(count) < trouble.lasting_losses
    strays = rng.uniform(0, written.cells, rng.poisson(trouble.lasting_strays * count))
    return Lasting(offset, gone, strays)


def _times(written: Written, trouble: Trouble, same: Lasting, rng: np.random.Generator) -> Floats:
    """Times of one pass's pulses, in written cells at the reader's speed."""
    count = written.places.size
    where = written.places + same.offset
    if trouble.asymmetry:
        where = where + np.where(np.arange(count) % 2, -0.5, 0.5) * trouble.asymmetry
    spread = rng.standard_normal(count) * trouble.jitter
    if trouble.tailed:
        spread[rng.random(count) < 0.1] *= 3.0
    seen = ~same.gone
    if trouble.losses:
        seen &= rng.random(count) >= trouble.losses
    strays = [same.strays]
    holes = (
        [(start, length, trouble.scratch_loss) for start, length in [trouble.scratch] if length]
        if (trouble.scratch is not None)
        else []
    )
    for _ in range(rng.poisson(trouble.dropouts) if trouble.dropouts else 0):
        length = 1.0 + rng.exponential(trouble.dropout_cells)
        holes.append((int(rng.uniform(-length, written.cells)), int(length), trouble.dropout_loss))
    for start, length, loss in holes:
        first, last = np.searchsorted(written.places, (start, start + length))
        seen[first:last] &= rng.random(last - first) >= loss
        if trouble.gap_strays:
            strays.append(rng.uniform(start, start + length, rng.binomial(last - first, trouble.gap_strays)))
    if trouble.strays:
        strays.append(rng.uniform(0, written.cells, rng.poisson(trouble.strays * count)))
    return np.sort(np.concatenate(((where + spread)[seen], *strays)))


def see(
    written: Written, trouble: Trouble, same: Lasting, rng: np.random.Generator, name: str
) -> tuple[Segment, float]:
    """One pass as a stay of the head, and where in it (ticks) the mark should close."""
    cell = CELL_TICKS[written.code] / (1 + trouble.slow)
    order = 2 * np.pi * 2.6 / CELLS_A_TURN[written.code]
    phase = rng.uniform(0, 2 * np.pi)

    def warped(cells: Floats) -> Floats:
        if not trouble.wow:
            return np.asarray(cells * cell)
        return np.asarray((cells + trouble.wow / order * np.sin(order * cells + phase)) * cell)

    ticks = np.ceil(warped(_times(written, trouble, same, rng)) + 64 * cell).astype(np.int64)
    ticks = ticks[np.diff(ticks, prepend=-1) > 0]
    due = float(warped(np.array([float(written.mark)]))[0]) + 64 * cell
    return Segment(name, 1 / 24e6, ticks, np.empty(0, dtype=np.int64), 0, 0), due


def read_passes(
    written: Written,
    trouble: Trouble,
    passes: int,
    rng: np.random.Generator,
    *,
    id_lost: float = 0.0,
    broken_beside: int = 0,
) -> tuple[list[SectorRead], list[SectorRead]]:
    """Reads behind a legible id and reads without one, of `passes` passes.

    Args:
        id_lost: share of passes whose id is not legible.
        broken_beside: fields with a broken rule among the sixteen others of the track.
    """
    code = written.code
    same = lasting(written, trouble, rng)
    turn = CELLS_A_TURN[code] * CELL_TICKS[code]
    byte = (10 if code == "group45" else 16) * CELL_TICKS[code]
    own: list[SectorRead] = []
    placed: list[SectorRead] = []
    number = SectorId(0, 0, 1, len(written.data))
    for k in range(passes):
        segment, due = see(written, trouble, same, rng, f"pass-{k}")
        if segment.read_ticks.size < 2:
            continue
        # What guessing the cell leaves open.
        stream = open_stream(segment, code, CELL_TICKS[code] * float(rng.normal(1, 0.003)) / (1 + trouble.slow), turn)
        legible = rng.random() >= id_lost
        for read in read_stream(stream, k, len(written.data)).reads:
            early = float(segment.read_ticks[read.at + 1]) - due
            on_track = replace(read, turn=0.5 + early / turn, rough=(broken_beside + bool(read.faults) + 1) / 17)
            if legible and _BEHIND_ID[0] <= early / byte <= _BEHIND_ID[1]:
                own.append(replace(on_track, id=number))
            elif not legible and abs(early / turn) < _IN_PLACE:
                placed.append(on_track)
    return own, placed


def settled(written: Written, own: list[SectorRead], placed: list[SectorRead]) -> Sector:
    """The sector as recovery settles it."""
    return resolve_sector(1, len(written.data), own, placed, id_seen=True)[0]


def some_bytes(size: int, rng: np.random.Generator) -> bytes:
    """Contents: mostly random, some text, some one byte over and over."""
    kind = rng.random()
    if kind < 0.7:
        return rng.bytes(size)
    if kind < 0.85:
        return bytes(rng.integers(32, 127, size, dtype=np.uint8))
    return bytes([int(rng.choice([0x00, 0xE5, 0xFF, 0xF6, 0x4E]))]) * size
