"""Where the fields of a track stand on the cell count of each dwell, and the fits that the rest starts from."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from indexhole.codes.code import Code, CodeName
from indexhole.codes.known import CODES, FM, GROUP45, MFM
from indexhole.kinds import every
from indexhole.recover.fields.reads import StreamReads
from indexhole.recover.writers.grids import Floats, Lines, Pulses, fit_lines, joined, learn_shifts, no_shifts, pulses_of
from indexhole.recover.writers.rewritten import SEAM_TURN
from indexhole.signal.clock.streams import Stream

# Cells of the pieces a data field is fitted in.
_PIECE = 1000


@dataclass(frozen=True, slots=True)
class Geometry:
    """Where the windows of a code stand, in cells.

    Attributes:
        byte: cells of a byte in which a formatter counts.
        id_cells: of an id field from behind its mark (group code: from its first byte).
        lead: sync in front of that point, mark included; `used` how much of it the windows take.
        tail: cells a data field has behind its check, written with it.
        margin: cells a rewriting drive may go on behind that.
        reach: length of the windows at the far end.
    """

    byte: int
    id_cells: int
    lead: int
    used: int
    tail: int
    margin: int
    reach: int


def _geometry(code: Code, used: int, margin: int, reach: int) -> Geometry:
    field = code.cells
    tail = field.data_frame - field.mark - code.decoded_cells(0)
    return Geometry(
        code.gap_byte_cells, field.id_field - field.mark, field.sync + field.mark, used, tail, margin, reach
    )


GEOMETRY: Mapping[CodeName, Geometry] = every(
    CodeName,
    {
        "fm": _geometry(FM, used=80, margin=64, reach=400),
        "mfm": _geometry(MFM, used=176, margin=64, reach=400),
        "group45": _geometry(GROUP45, used=30, margin=24, reach=200),
    },
)


@dataclass(frozen=True, slots=True)
class FieldPass:
    """One pass over a data field that was read with a passing check; places in cells from the first pulse.

    Attributes:
        stream: number of the dwell among those of the track.
        sector: its number; `size` its bytes.
        id_start, data_start, data_end: where the fields begin behind their marks, and where the check ends.
        next_id: where the next legible id begins, -1 when none follows.
        near_index: whether an index pulse is so near the gap behind that the format's own seam may lie in it.
    """

    stream: int
    sector: int
    size: int
    id_start: int
    data_start: int
    data_end: int
    next_id: int
    near_index: bool


def field_passes(stream: Stream, reads: StreamReads, pulses: Pulses, number: int) -> list[FieldPass]:
    """The data fields of a dwell with a passing check behind a legible id of their own."""
    code = CODES[stream.code]
    starts = np.array([int(pulses.cell[i.at + 1]) + code.marks[0].lead for i in reads.ids], dtype=np.int64)
    index = stream.cell_numbers(stream.segment.index_ticks)
    turn_cells = stream.turn_ticks / stream.cell_ticks
    found = []
    for read in reads.reads:
        if read.id is None or not read.passed:
            continue
        begins = int(pulses.cell[read.at + 1]) + code.marks[read.kind].lead
        owner = int(np.searchsorted(starts, begins)) - 1
        if owner < 0 or reads.ids[owner].id.number != read.id.number:
            continue
        end = begins + read.cells
        following = int(starts[owner + 1]) if owner + 1 < starts.size else -1
        reach = (following if following >= 0 else end) + SEAM_TURN * turn_cells
        near = bool(((index > end - SEAM_TURN * turn_cells) & (index < reach)).any())
        found.append(FieldPass(number, read.id.number, read.id.size, int(starts[owner]), begins, end, following, near))
    return found


@dataclass(frozen=True)
class TrackGrids:
    """The dwells of one track with pulses and fields placed.

    Attributes:
        code: of the track.
        pulses: by dwell.
        passes: of all dwells.
        pieces: by pass, lines through pieces of its data field of some 1000 cells.
        shifts: (64,) cells, see grids.learn_shifts.
    """

    code: CodeName
    pulses: tuple[Pulses, ...]
    passes: tuple[FieldPass, ...]
    pieces: tuple[Lines, ...]
    shifts: Floats


def track_grids(streams: Sequence[Stream], reads: Sequence[StreamReads]) -> TrackGrids:
    """Place pulses and fields of all dwells on one track, which are of one code."""
    pulses = tuple(pulses_of(s) for s in streams)
    passes: list[FieldPass] = []
    pieces: list[Lines] = []
    for number, (stream, read) in enumerate(zip(streams, reads, strict=True)):
        here = field_passes(stream, read, pulses[number], number)
        counts = [max(1, round((p.data_end - p.data_start) / _PIECE)) for p in here]
        edges = [np.linspace(p.data_start, p.data_end, n + 1) for p, n in zip(here, counts, strict=True)]
        ranges = [np.stack((e[:-1], e[1:]), axis=1) for e in edges]
        lines = fit_lines(pulses[number], np.concatenate(ranges) if ranges else np.empty((0, 2)))
        ends = np.cumsum(counts)
        pieces += [_rows(lines, int(end - n), int(end)) for end, n in zip(ends, counts, strict=True)]
        passes += here
    return TrackGrids(streams[0].code, pulses, tuple(passes), tuple(pieces), _shifts(pieces))


def _rows(lines: Lines, first: int, last: int) -> Lines:
    return Lines(*(getattr(lines, name)[first:last] for name in Lines.__dataclass_fields__))


def _shifts(pieces: Sequence[Lines]) -> Floats:
    if not pieces:
        return no_shifts()
    return learn_shifts(joined(pieces))
