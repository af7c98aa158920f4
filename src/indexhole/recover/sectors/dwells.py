"""One dwell of the head on a track: opened in the code that gives most, then discarded but for what is still needed."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import chain
from typing import assert_never

import numpy as np

from indexhole.codes import marks
from indexhole.codes.code import CodeName
from indexhole.codes.known import CODES, FM
from indexhole.kinds import every, in_order
from indexhole.recover.fields.copies import without_copies
from indexhole.recover.fields.reads import SectorRead, StreamReads, read_stream
from indexhole.recover.fields.survey import Survey, survey
from indexhole.recover.sectors.quality import quality_map
from indexhole.recover.sectors.resolve_sector import plain
from indexhole.recover.shapes.result import QualityMap
from indexhole.signal.captures.index_holes import sort_holes
from indexhole.signal.clock.cells import CellGuess, guess_cells
from indexhole.signal.clock.kernels import recover_clock
from indexhole.signal.clock.streams import Stream, open_stream
from indexhole.signal.dwells.sessions import Segment
from indexhole.standards.layouts import Layout

_NOMINAL_TURN_S = 0.2
# Codes a track may hold besides its own, with the length of their cell over its own; None where no other is looked for.
_OTHER_CODE: Mapping[CodeName, tuple[CodeName, float] | None] = every(
    CodeName, {"mfm": ("fm", 2.0), "fm": ("mfm", 0.5), "group45": None}
)
# What is tried when nothing likely gave anything, most promising first.
_TRIED: tuple[CodeName, ...] = in_order(CodeName, ("mfm", "group45", "fm"))
# A phase error of 0.3 cell, in error steps; an MFM id field holds more pulses than that.
_HALF_WAY, _MFM_FIELD_PULSES = 77, 100
_SURVEYED_TURNS = 3.2
# Share of forbidden runs at which a dwell is read a second time by a loop of fixed cell length.
_NOISY, _STIFF_GAIN = 0.004, 0.15


@dataclass(frozen=True)
class OtherCode:
    """What a dwell holds in a code other than the one that gives most."""

    stream: Stream
    reads: StreamReads


@dataclass(frozen=True)
class OpenTrack:
    """One dwell with its clock recovered and its fields read.

    Attributes:
        cylinder, head: from the step lines, else as most ids say; None when neither tells.
        speed_rpm: from the index, None without two index pulses.
        from_lines: whether the place comes from the step lines.
        holes: sector holes a turn, 0 on a soft-sectored disk; the stream's index is the true one alone.
        other: what the dwell holds in a second code, None as a rule.
    """

    stream: Stream
    reads: StreamReads
    cylinder: int | None
    head: int | None
    speed_rpm: float | None
    from_lines: bool
    holes: int = 0
    other: OtherCode | None = None

    def mean_cell_s(self) -> float:
        """Mean recorded cell as read, over the runs a code can hold."""
        runs = self.stream.runs
        used = (runs > 0) & (runs < 6)
        total = self.stream.intervals[used].sum(dtype=np.int64)
        return float(total / runs[used].sum(dtype=np.int64) * self.stream.segment.tick_s)


def _attempts(
    segment: Segment,
    own: Sequence[CellGuess],
    layout: Layout | None,
    recent: Sequence[CellGuess],
    turn: float | None,
) -> list[CellGuess]:
    """Codes and cell lengths worth trying on a dwell, most promising first.

    What the dwell's own intervals say (`own`) comes first; then what its neighbours were in, and what the layout
    asks for, since a badly worn stretch may not speak for itself.
    """
    asked: list[CellGuess] = []
    if layout is not None:
        ratio = 1.0 if turn is None else turn * segment.tick_s * layout.speed_rpm / 60
        asked = [CellGuess(z.code, z.cell_s * ratio / segment.tick_s, 0.5) for z in layout.zones]
        own = [g for g in own if any(g.code == a.code and abs(g.cell_ticks / a.cell_ticks - 1) < 0.12 for a in asked)]
    return _distinct((*own[:3], *recent, *asked))


def _unlikely(own: Sequence[CellGuess]) -> list[CellGuess]:
    """What is left to try when nothing likely gave anything: long gaps, whose cells may seem twice as long or half,
    hide the code of a few short fields; and a track may be in another code than its layout says.
    """
    others = [
        CellGuess(code, guess.cell_ticks * ratio, 0.0)
        for guess in own[:2]
        for ratio in (0.5, 1.0, 2.0)
        for code in _TRIED
    ]
    return _distinct((*own, *others))


def _distinct(guesses: Iterable[CellGuess]) -> list[CellGuess]:
    distinct: list[CellGuess] = []
    for guess in guesses:
        if not any(d.code == guess.code and abs(d.cell_ticks / guess.cell_ticks - 1) < 0.01 for d in distinct):
            distinct.append(guess)
    return distinct


def open_track(
    segment: Segment, number: int, layout: Layout | None, recent: Sequence[CellGuess] = ()
) -> OpenTrack | None:
    """Recover the clock of a dwell in the code that gives most; None when nothing legible is on it."""
    holes = sort_holes(segment.index_ticks, segment.tick_s)
    segment, turn = replace(segment, index_ticks=holes.index_ticks), holes.turn_ticks
    best: tuple[int, Stream, StreamReads] | None = None
    intervals = segment.intervals()
    turn_ticks = turn or _NOMINAL_TURN_S / segment.tick_s
    own = guess_cells(intervals)
    likely = _attempts(segment, own, layout, recent, turn)
    for guess in chain(likely, _unlikely(own)):
        if best is not None and best[0] > 0 and guess not in likely:
            break
        stream = open_stream(segment, guess.code, guess.cell_ticks, turn_ticks, intervals)
        reads = read_stream(stream, number)
        worth = 2 * sum(r.passed for r in reads.reads) + len(reads.ids)
        if best is None or worth > best[0]:
            best = (worth, stream, reads)
        if reads.ids and 2 * sum(r.passed for r in reads.reads) >= len(reads.reads):
            break
    if best is None or best[0] == 0:
        return None
    _, stream, reads = best
    reads = _behind_noise(stream, reads, number)
    named = Counter((one.id.cylinder, one.id.head) for one in reads.ids).most_common(1)
    cylinder, head = named[0][0] if named else (None, None)
    from_lines = segment.cylinder is not None
    if from_lines:
        cylinder, head = segment.cylinder, segment.head
    elif segment.head is not None:
        head = segment.head
    rpm = None if turn is None else 60 / (turn * segment.tick_s)
    return OpenTrack(stream, reads, cylinder, head, rpm, from_lines, holes.holes, _second_code(stream, number))


def _behind_noise(stream: Stream, reads: StreamReads, number: int) -> StreamReads:
    """The reads with what a loop of fixed cell length finds besides: noise draws the usual loop away, and the fields
    behind it are over before it has found back.
    """
    low, high = CODES[stream.code].run_limits
    if np.count_nonzero((stream.runs < low) | (stream.runs > high)) < _NOISY * stream.runs.size:
        return reads
    runs, errors = recover_clock(stream.intervals, stream.cell_ticks, gain=_STIFF_GAIN, drift=0.0)
    stiff = read_stream(replace(stream, runs=runs, errors=errors), number)
    ids, fields = {i.at for i in reads.ids}, {r.at for r in reads.reads if r.passed or r.id is not None}
    fresh = [r for r in stiff.reads if r.passed and r.at not in fields]
    taken = {r.at for r in fresh}
    return StreamReads(
        tuple(sorted([*reads.ids, *(i for i in stiff.ids if i.at not in ids)], key=lambda i: i.at)),
        tuple(sorted([*(r for r in reads.reads if r.at not in taken), *fresh], key=lambda r: r.at)),
        reads.broken_ids,
    )


def _second_code(stream: Stream, number: int) -> OtherCode | None:
    """What the same pulses give in the other of FM and MFM, whose cells are twice as long or half; None when that
    gives no sector, or the whole track is in one code.
    """
    second = _OTHER_CODE[stream.code]
    if second is None or not _may_hold(stream, second[0]):
        return None
    code, ratio = second
    other = open_stream(stream.segment, code, stream.cell_ticks * ratio, stream.turn_ticks, stream.intervals)
    reads = read_stream(other, number)
    # A lone mark may come about by chance; an id with the data behind it does not.
    return OtherCode(other, reads) if any(r.passed and r.id is not None for r in reads.reads) else None


def _may_hold(stream: Stream, code: CodeName) -> bool:
    """Whether a first look at a dwell does not rule a second code out; see `_OTHER_CODE`."""
    match code:
        case "fm":
            return _may_hold_fm(stream)
        case "mfm":
            return _may_hold_mfm(stream)
        case "group45":
            return False
        case _:
            assert_never(code)


def _may_hold_fm(stream: Stream) -> bool:
    """Whether an FM id shows when MFM runs, of twice as many cells, are halved."""
    halved = (stream.runs + np.uint8(1)) >> np.uint8(1)
    found = marks.find_marks(halved, FM)
    if not found[0].size:
        return False
    heads = marks.decode(halved, stream.errors, FM, found, np.full(found[0].size, FM.id_field.size, dtype=np.int64))
    return bool(np.any((heads.check == 0) & (heads.data[:, 0] == FM.id_field.mark)))


def _may_hold_mfm(stream: Stream) -> bool:
    """Whether enough pulses stand half-way between FM cells, where MFM has its runs of three half cells."""
    between = np.count_nonzero((stream.errors > _HALF_WAY) | (stream.errors < -_HALF_WAY))
    return bool(between > _MFM_FIELD_PULSES)


@dataclass(frozen=True)
class Dwell:
    """What is kept of a dwell once its pulses are discarded.

    Attributes:
        reads: with the pulses of those fields only that still need them.
        code, cell_s: as recorded, mean.
        passes: whole turns, at least one.
        indexed: whether it had an index pulse.
        capture: name of its capture.
        quality: how well each stretch was read, None when not asked for.
        survey: how the track was laid down.
        holes: sector holes a turn, 0 on a soft-sectored disk.
        other: code and reads of what is in a second code, None as a rule.
        copied: turns, from the index, at which fields repeat an earlier one pulse for pulse; they are not in `reads`.
    """

    reads: StreamReads
    cylinder: int | None
    head: int | None
    speed_rpm: float | None
    from_lines: bool
    code: CodeName
    cell_ticks: float
    cell_s: float
    passes: int
    indexed: bool
    capture: str
    quality: QualityMap | None
    survey: Survey
    holes: int = 0
    other: tuple[CodeName, StreamReads] | None = None
    copied: tuple[float, ...] = ()


@dataclass(frozen=True)
class Blank:
    """A dwell nothing legible came from.

    Attributes:
        cylinder, head: from the lines, None when they do not tell.
        pulses: read pulses in it; `turns` the revolutions they take.
        holes, speed_rpm: as of a dwell.
        guess: code and cell length its intervals fit best, None when they fit none; `cell_s` that cell.
    """

    capture: str
    cylinder: int | None
    head: int | None
    pulses: int
    turns: float
    holes: int
    speed_rpm: float | None
    guess: CellGuess | None
    cell_s: float | None


def blank_of(segment: Segment) -> Blank:
    """What can be said of a dwell nothing legible came from."""
    holes = sort_holes(segment.index_ticks, segment.tick_s)
    guess = next(iter(guess_cells(segment.intervals())), None)
    span = int(segment.read_ticks[-1]) - int(segment.read_ticks[0]) if segment.read_ticks.size else 0
    return Blank(
        segment.capture,
        segment.cylinder,
        segment.head,
        segment.read_ticks.size,
        span / (holes.turn_ticks or _NOMINAL_TURN_S / segment.tick_s),
        holes.holes,
        60 / (holes.turn_ticks * segment.tick_s) if holes.turn_ticks else None,
        guess,
        guess.cell_ticks * segment.tick_s if guess is not None else None,
    )


def discard_pulses(one: OpenTrack, bins: int) -> Dwell:
    """Keep of a dwell what merging needs; a whole session would not fit in memory otherwise."""
    stream = one.stream
    segment = stream.segment
    span = int(segment.read_ticks[-1]) - int(segment.read_ticks[0])
    reads, copies = without_copies(stream, one.reads)
    share_kept = len(reads.reads) / max(len(one.reads.reads), 1)
    return Dwell(
        _without_pulses(reads),
        one.cylinder,
        one.head,
        one.speed_rpm,
        one.from_lines,
        stream.code,
        stream.cell_ticks,
        one.mean_cell_s(),
        max(1, round(share_kept * int(span / stream.turn_ticks + 0.02))),
        bool(segment.index_ticks.size),
        segment.capture,
        quality_map(stream, bins) if bins else None,
        _survey(stream, one.reads),
        one.holes,
        None if one.other is None else (one.other.stream.code, _without_pulses(one.other.reads)),
        tuple(r.turn for r in copies),
    )


def _survey(stream: Stream, reads: StreamReads) -> Survey:
    """Survey of the first turns: a track is laid down the same on all of them."""
    last = int(stream.segment.read_ticks[0]) + int(_SURVEYED_TURNS * stream.turn_ticks)
    keep = int(np.searchsorted(stream.segment.read_ticks, last))
    if keep >= stream.segment.read_ticks.size:
        return survey(stream, reads)
    segment = replace(
        stream.segment,
        read_ticks=stream.segment.read_ticks[:keep],
        index_ticks=stream.segment.index_ticks[: np.searchsorted(stream.segment.index_ticks, last)],
    )
    cut = slice(0, keep - 1)
    head = replace(
        stream, segment=segment, intervals=stream.intervals[cut], runs=stream.runs[cut], errors=stream.errors[cut]
    )
    within = StreamReads(
        tuple(i for i in reads.ids if i.at < keep - 1),
        tuple(r for r in reads.reads if r.at < keep - 1 and r.tick < last),
        tuple(i for i in reads.broken_ids if i.at < keep - 1),
    )
    return survey(head, within)


def _without_pulses(reads: StreamReads) -> StreamReads:
    """Sectors that every pass of the dwell read plainly need no pulses; of the others each field keeps its own."""
    by_number: dict[int, list[SectorRead]] = defaultdict(list)
    for read in reads.reads:
        if read.id is not None:
            by_number[read.id.number].append(read)
    proven = {number for number, own in by_number.items() if plain([r for r in own if not r.cut] or own)}

    def kept(read: SectorRead) -> SectorRead:
        if read.id is not None and read.id.number in proven:
            return read.rewritten(read.stream, None)
        return read.rewritten(read.stream, read.stretch())

    return StreamReads(reads.ids, tuple(kept(r) for r in reads.reads), reads.broken_ids)
