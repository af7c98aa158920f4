"""Practice tracks out of the ordinary: composed field by field, and logs with things in them no layout foresees."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal, assert_never

import numpy as np

from indexhole.codes.code import Code, MarkedFields
from indexhole.codes.encode import Cells
from indexhole.codes.known import CODES
from indexhole.codes.tables import DATA_MARK, DELETED_MARK, ID_MARK
from indexhole.model.forward import MechanismState
from indexhole.model.simulator.pulses import Floats, cells_per_revolution, lay_down
from indexhole.model.simulator.simulate import RecordedTrack, SimulatedTrack, spindle_of
from indexhole.model.simulator.track_cells import MarkedBytes
from indexhole.model.suited import sound_mechanism
from indexhole.standards.layouts import Layout


@dataclass(frozen=True, slots=True)
class Gap:
    """`count` bytes of gap, of the code's usual gap byte unless `fill` is given."""

    count: int
    fill: int | None = None


@dataclass(frozen=True, slots=True)
class IndexField:
    """Sync and index mark."""


@dataclass(frozen=True, slots=True)
class IdField:
    """Sync, id mark, the four bytes and their check, which is wrong when `broken`."""

    cylinder: int
    head: int
    number: int
    size_code: int
    broken: bool = False


@dataclass(frozen=True, slots=True)
class DataField:
    """Sync, data mark, bytes and their check, which is wrong when `broken`."""

    data: bytes
    deleted: bool = False
    broken: bool = False


Part = Gap | IndexField | IdField | DataField


@dataclass(frozen=True, slots=True)
class InCode:
    """Parts in one code: `mfm`, or `fm` with cells twice as long."""

    code: Literal["fm", "mfm"]
    parts: tuple[Part, ...]


@dataclass(frozen=True)
class ComposedTrack:
    """A track and where its parts lie: (start, end) of each in revolutions from the index, in the order given."""

    track: RecordedTrack
    places: tuple[tuple[float, float], ...]


def _marked(code: Code) -> MarkedBytes:
    if not isinstance(code.track, MarkedFields):
        raise ValueError(f"tracks are not composed in {code.title}")
    return MarkedBytes(code, code.track)


def _add(part: Part, track: MarkedBytes) -> None:
    match part:
        case Gap(count, fill):
            track.gap(count, fill)
        case IndexField():
            track.index_mark()
        case IdField(cylinder, head, number, size_code, broken):
            track.field(ID_MARK, bytes([cylinder, head, number, size_code]), broken=broken)
        case DataField(data, deleted, broken):
            track.field(DELETED_MARK if deleted else DATA_MARK, data, broken=broken)
        case _:
            assert_never(part)


def _encoded(stretch: InCode) -> tuple[Cells, list[int]]:
    """Cells of a stretch in the shorter cell, and where its parts end."""
    track = _marked(CODES[stretch.code])
    ends = []
    for part in stretch.parts:
        _add(part, track)
        ends.append(len(track.data))
    cells, byte = track.cells(), track.code.cells_per_byte
    match stretch.code:
        case "mfm":
            return cells, [byte * end for end in ends]
        case "fm":
            return np.stack((cells, np.zeros_like(cells)), axis=1).ravel(), [2 * byte * end for end in ends]
        case _:
            assert_never(stretch.code)


def compose(
    layout: Layout,
    cylinder: int,
    head: int,
    stretches: Sequence[InCode],
    rng: np.random.Generator,
    writer: MechanismState | None = None,
) -> ComposedTrack:
    """A track of these stretches from the index on, filled up with gap; what does not fit the turn is cut off.

    The cell is that of the layout's zone; on a zone in FM, `mfm` parts have cells half as long. Raises ValueError
    when the layout has no such track.
    """
    zone = layout.zone(cylinder, head)
    if zone is None:
        raise ValueError(f"layout {layout.id} has no cylinder {cylinder} head {head}")
    cell_s = zone.cell_s / 2 if zone.code == "fm" else zone.cell_s
    writer = writer or sound_mechanism(layout)
    spindle = spindle_of(writer, layout.speed_rpm, rng)
    room = cells_per_revolution(spindle, cell_s)
    cells: list[Cells] = []
    bounds: list[tuple[int, int]] = []
    at = 0
    for stretch in stretches:
        own, ends = _encoded(stretch)
        cells.append(own)
        bounds += zip([at, *(at + end for end in ends[:-1])], [at + end for end in ends], strict=True)
        at += own.size
    last = stretches[-1].code if stretches else "mfm"
    cells.append(_encoded(InCode(last, (Gap(max(0, room - at) // 16 + 1),)))[0])
    angles = np.sort(lay_down(np.concatenate(cells)[:room], cell_s, spindle) % 1.0)
    places = tuple(tuple(spindle.angle(np.array(pair) * cell_s).tolist()) for pair in bounds)
    track = RecordedTrack(layout, cylinder, head, angles, {}, writer)
    return ComposedTrack(track, tuple((float(a), float(b)) for a, b in places))


def _angles(simulated: SimulatedTrack) -> Floats:
    """Revolutions of each pulse from the first index pulse, by the index pulses."""
    index = simulated.index_s
    turn_s = float(np.diff(index).mean())
    known = np.concatenate(([index[0] - turn_s], index, [index[-1] + turn_s]))
    return np.interp(simulated.pulses_s, known, np.arange(-1, index.size + 1, dtype=np.float64))


def with_weak_stretch(
    simulated: SimulatedTrack, start: float, length: float, spacing_s: float, rng: np.random.Generator
) -> SimulatedTrack:
    """The log with a stretch in which nothing was ever recorded: the detector makes pulses of noise, each turn others.

    Args:
        start, length: in revolutions from the index.
        spacing_s: mean time between the noise pulses; none comes within a fifth of it of the last.

    Raises ValueError with fewer than two index pulses.
    """
    if simulated.index_s.size < 2:
        raise ValueError("a stretch of the turn needs two index pulses")
    times = simulated.pulses_s
    inside = (_angles(simulated) - start) % 1.0 < length
    kept = times[~inside]
    noise: list[Floats] = []
    for run in np.split(np.flatnonzero(inside), np.flatnonzero(np.diff(np.flatnonzero(inside)) > 1) + 1):
        if run.size < 2:
            continue
        first, last = times[run[0]], times[run[-1]]
        steps = spacing_s * (0.2 + 0.8 * rng.exponential(size=int(2 * (last - first) / spacing_s) + 8))
        drawn = first + np.cumsum(steps)
        noise.append(drawn[drawn < last])
    return replace(simulated, pulses_s=np.sort(np.concatenate((kept, *noise))))


def with_holes(simulated: SimulatedTrack, holes: int, place: float = 0.5) -> SimulatedTrack:
    """The log of the same recording on a hard-sectored disk of so many holes.

    Args:
        place: where between two holes the index stands, as a share of their distance.

    Raises ValueError with fewer than two index pulses.
    """
    index = simulated.index_s
    if index.size < 2:
        raise ValueError("holes need two index pulses")
    turn_s = float(np.diff(index).mean())
    known = np.concatenate(([index[0] - turn_s], index, [index[-1] + turn_s]))
    angles = (np.arange(-1, index.size)[:, None] + (np.arange(holes) + 1 - place)[None, :] / holes).ravel()
    times = np.interp(angles, np.arange(-1, index.size + 1), known)
    inside = (times > 0) & (times < simulated.pulses_s[-1])
    return replace(simulated, index_s=np.sort(np.concatenate((index, times[inside]))))


def with_copied_turn(simulated: SimulatedTrack, turn: int) -> SimulatedTrack:
    """The log with turn `turn` (from 1) in the place of the one behind it, as a faulty logger repeats its buffer.

    Raises ValueError when the log does not hold both turns.
    """
    index = simulated.index_s
    if not 1 <= turn <= index.size - 2:
        raise ValueError(f"the log does not hold turns {turn} and {turn + 1} whole")
    begin, end, until = index[turn - 1], index[turn], index[turn + 1]
    times = simulated.pulses_s
    own = times[(times >= begin) & (times < end)] + (end - begin)
    rest = times[times >= until] + (2 * end - begin - until)
    late = index.copy()
    late[turn + 1 :] += 2 * end - begin - until
    return SimulatedTrack(np.concatenate((times[times < end], own, rest)), late)
