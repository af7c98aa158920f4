"""Practice tracks out of the ordinary: composed field by field, and logs with things in them no layout foresees."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from indexhole.codes.crc import with_edc
from indexhole.codes.encode import Cells, fm_cells, mfm_cells
from indexhole.codes.tables import (
    DATA_MARK,
    DELETED_MARK,
    FM_GAP_BYTE,
    ID_MARK,
    INDEX_MARK,
    MFM_GAP_BYTE,
    MFM_INDEX_BYTE,
    MFM_MARK_BYTE,
)
from indexhole.model.forward import MechanismState
from indexhole.model.simulator.pulses import Floats, cells_per_revolution, lay_down
from indexhole.model.simulator.simulate import RecordedTrack, SimulatedTrack, spindle_of
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

    code: str
    parts: tuple[Part, ...]


@dataclass(frozen=True)
class ComposedTrack:
    """A track and where its parts lie: (start, end) of each in revolutions from the index, in the order given."""

    track: RecordedTrack
    places: tuple[tuple[float, float], ...]


def _field(code: str, mark: int, body: bytes, *, check: bool = True, broken: bool = False) -> tuple[bytes, list[int]]:
    """Bytes of a field, sync first, and the positions of its mark bytes."""
    if code == "fm":
        sync, lead, marks = 6, b"", [6]
    else:
        sync, lead, marks = 12, bytes([MFM_MARK_BYTE if check else MFM_INDEX_BYTE]) * 3, [12, 13, 14]
    whole = lead + bytes([mark]) + body
    if check:
        whole = with_edc(whole)
    if broken:
        whole = whole[:-1] + bytes([whole[-1] ^ 0x5A])
    return bytes(sync) + whole, marks


def _bytes_of(part: Part, code: str) -> tuple[bytes, list[int]]:
    match part:
        case Gap(count, fill):
            usual = FM_GAP_BYTE if code == "fm" else MFM_GAP_BYTE
            return bytes([usual if fill is None else fill]) * count, []
        case IndexField():
            return _field(code, INDEX_MARK, b"", check=False)
        case IdField(cylinder, head, number, size_code, broken):
            return _field(code, ID_MARK, bytes([cylinder, head, number, size_code]), broken=broken)
        case DataField(data, deleted, broken):
            return _field(code, DELETED_MARK if deleted else DATA_MARK, data, broken=broken)


def _encoded(stretch: InCode) -> tuple[Cells, list[int]]:
    """Cells of a stretch in the shorter cell, and where its parts end."""
    data, marks, ends = bytearray(), [], []
    for part in stretch.parts:
        body, own = _bytes_of(part, stretch.code)
        marks += [len(data) + at for at in own]
        data += body
        ends.append(len(data))
    if stretch.code == "mfm":
        return mfm_cells(bytes(data), marks), [16 * end for end in ends]
    slow = fm_cells(bytes(data), marks)
    return np.stack((slow, np.zeros_like(slow)), axis=1).ravel(), [32 * end for end in ends]


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
