"""Steps of the cell grid at both ends of every data field, and how far such steps stray where there is none.

The step is measured across gap 2 and behind the check, and by the same windows laid inside the data fields, where the
grid is one for certain. What the steps come to is decided in `rewritten`.
"""

from __future__ import annotations

import math
from collections import Counter, defaultdict
from collections.abc import Collection, Iterator, Sequence

import numpy as np
import numpy.typing as npt

from indexhole.recover.writers.field_places import GEOMETRY, FieldPass, Geometry, TrackGrids
from indexhole.recover.writers.grids import Floats, fit_lines, measure_steps
from indexhole.recover.writers.rewritten import LONGEST_GAP, CellDifferences, Step, Strays, TrackSteps

# More places than this on a track would tell little more.
_MOST_PLACES = 60
_STRAY = 5.0


def start_windows(p: FieldPass, g: Geometry) -> list[float]:
    """From and to of a window on the id and its gap, and of one on the data field's sync and start."""
    id_end = p.id_start + g.id_cells
    gap = max(p.data_start - g.lead - id_end, 0)
    first = p.id_start - g.used
    last = id_end + min(gap // 2, 11 * g.byte)
    # The sync is taken from where the loop has settled behind a splice.
    begin = p.data_start - g.used + g.byte * (2 if g.byte == 16 else 0)
    return [first, last, begin, begin + (last - first)]


def end_windows(p: FieldPass, g: Geometry) -> list[float]:
    """From and to of a window on the data field's end, and of one on the gap or id behind it."""
    end = p.data_end + g.tail
    far = min(end + g.margin + g.reach, p.next_id + g.id_cells)
    return [end - g.reach, end, end + g.margin, far]


def _plain_ranges(p: FieldPass, like: Sequence[float], most: int) -> list[list[float]]:
    """The windows of gap 2 laid inside the data field, as many as fit side by side but not more than `most`."""
    span = like[3] - like[0]
    room = min(int((p.data_end - p.data_start) // span), most)
    offsets = [p.data_start + k * span - like[0] for k in range(room)]
    return [[edge + offset for edge in like] for offset in offsets]


def _wholes(values: Floats, period: float) -> Floats:
    """The whole periods in each value; none when there is no period."""
    return np.round(values / period) * period if math.isfinite(period) else np.zeros(values.shape)


def _wrapped(value: float, period: float) -> float:
    return value - period * round(value / period) if math.isfinite(period) else value


def _together(found: Sequence[tuple[float, float]], period: float) -> Step:
    """Mean of the passes' (step, variance), those far from the middle one left out; steps are modulo the period."""
    v, variance = np.array(found).T
    # A middle pass, not the mean of two, which could lie half a period off both.
    turned = v - _wholes(v - np.sort(v)[v.size // 2], period)
    middle = float(np.median(turned))
    spread = max(1.4826 * float(np.median(np.abs(turned - middle))), math.sqrt(float(np.median(variance))))
    kept = np.abs(turned - middle) <= _STRAY * spread
    return Step(_wrapped(float(turned[kept].mean()), period), float(variance[kept].mean()), int(kept.sum()))


def _windows(grids: TrackGrids, number: int) -> Iterator[tuple[str, tuple[int, ...], float, list[float]]]:
    """Of one dwell: which step, of which place, its cells as counted, and the two windows."""
    g = GEOMETRY[grids.code]
    gaps = [p.next_id - p.data_end for p in grids.passes if p.next_id >= 0]
    usual_gap = float(np.median(gaps)) if gaps else 0.0
    most = -(-_MOST_PLACES // max(len({p.sector for p in grids.passes}), 1))
    for p in grids.passes:
        if p.stream != number:
            continue
        like = start_windows(p, g)
        yield "start", (p.sector,), float(p.data_start - p.id_start), like
        if p.next_id >= 0 and p.next_id - p.data_end <= LONGEST_GAP * usual_gap and not p.near_index:
            yield "end", (p.sector,), 0.0, end_windows(p, g)
        for k, inside in enumerate(_plain_ranges(p, like, most)):
            yield "plain", (number, p.sector, k), 0.0, inside


def track_steps(grids: TrackGrids) -> TrackSteps:
    """Measure the steps at both ends of every data field of a track, and at places without one."""
    byte = GEOMETRY[grids.code].byte
    found: dict[str, dict[tuple[int, ...], list[tuple[float, float]]]] = {
        which: defaultdict(list) for which in ("start", "end", "plain")
    }
    for number, pulses in enumerate(grids.pulses):
        windows = list(_windows(grids, number))
        steps = measure_steps(pulses, np.array([w[3] for w in windows]).reshape(-1, 4), grids.shifts)
        for (which, key, counted, _), step, variance in zip(
            windows, steps.step.tolist(), steps.variance.tolist(), strict=True
        ):
            if math.isfinite(variance):
                found[which][key].append((counted + step, variance))
    # Where there is no step nothing is taken out, so that a whole cell counted wrong would show.
    plain = found["plain"].values()
    return TrackSteps(
        grids.code,
        _aligned({key[0]: _together(v, byte) for key, v in found["start"].items()}, byte),
        {key[0]: _together(v, 1.0) for key, v in found["end"].items()},
        tuple(_together(v, math.inf) for v in plain),
        tuple(float(np.var(v, axis=0, ddof=1)[0] / np.mean(v, axis=0)[1]) for v in plain if len(v) > 1),
    )


def _aligned(steps: dict[int, Step], byte: int) -> dict[int, Step]:
    """Distances from id to data against the whole number of cells most of them have beyond whole bytes.

    A formatter counts in bytes, so that number is 0; one that does not still treats all its sectors alike.
    """
    whole = Counter(round(s.mean) % byte for s in steps.values() if abs(_wrapped(s.mean, 1.0)) < 0.15)
    most = max(whole.values(), default=0)
    base = 0 if not most or whole.get(0, 0) == most else next(k for k, n in whole.items() if n == most)
    return {n: Step(_wrapped(s.mean - base, byte), s.variance, s.passes) for n, s in steps.items()}


def strays(tracks: Sequence[TrackSteps]) -> Strays | None:
    """Learn from the places inside data fields; None with fewer than four of them."""
    plain = [s for t in tracks for s in t.plain]
    if len(plain) < 4:
        return None
    within = [w for t in tracks for w in t.within]
    # Passes can vary less than pulses scatter only by chance.
    passing = max(float(np.mean(_without_freaks(np.array(within)))), 0.1) if within else 1.0
    ratio = np.array([s.mean**2 / s.variance for s in plain])
    mean = _without_freaks(ratio)
    fewest = float(np.mean([1 / s.passes for s in plain]))
    standing = max(float(np.mean(mean)) - passing * fewest, 0.0)
    return Strays(standing, passing, float(mean.size - 1))


def _without_freaks(squares: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
    kept: npt.NDArray[np.float64] = squares[squares <= _STRAY**2 * np.median(squares) / 0.455]
    return kept


def cell_differences(grids: TrackGrids, sectors: Collection[int]) -> CellDifferences:
    """How the cells of data fields differ from those of the ids in front, and how far cells stray by wow."""
    strayed = np.concatenate([np.empty(0), *(np.diff(np.log(piece.cell[piece.good])) for piece in grids.pieces)])
    logs: dict[int, list[float]] = defaultdict(list)
    for p in grids.passes:
        if p.sector in sectors:
            windows = np.array(start_windows(p, GEOMETRY[grids.code])).reshape(2, 2)
            head, data = np.log(fit_lines(grids.pulses[p.stream], windows).cell).tolist()
            logs[p.sector] += [data - head] if math.isfinite(data - head) else []
    return CellDifferences(
        {sector: float(np.median(passes)) if passes else 0.0 for sector, passes in logs.items()},
        math.sqrt(float(np.mean(strayed**2))) if strayed.size else math.nan,
        strayed.size,
    )
