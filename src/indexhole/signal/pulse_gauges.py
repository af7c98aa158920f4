"""Gauges of the pulses: noise jitter, peak shift, asymmetry, timing margin, dropouts, the writer's speed."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

import numpy as np
import numpy.typing as npt
from scipy.stats import norm

from indexhole.codes.marks import RUN_LIMITS
from indexhole.signal.gauge import Gauge
from indexhole.signal.spindle_gauges import FieldPlace, Limits
from indexhole.signal.streams import Stream
from indexhole.signal.timeline import BLOCK, Residuals, residuals

Floats = npt.NDArray[np.float64]
_ERROR_RATE = 1e-9
# Sync, mark and check go with the data when a sector is rewritten.
_FRAME_CELLS = {"fm": 16 * 9, "mfm": 16 * 18, "group45": 10 * 7}


def _all_residuals(streams: Sequence[Stream]) -> Residuals | None:
    parts = [residuals(s) for s in streams]
    parts = [p for p in parts if p.late_s.shape[0]]
    if not parts:
        return None
    return Residuals(
        np.concatenate([p.late_s for p in parts]),
        np.concatenate([p.before for p in parts]),
        np.concatenate([p.after for p in parts]),
        float(np.average([p.cell_s for p in parts], weights=[p.late_s.shape[0] for p in parts])),
        float(np.mean([p.left_out for p in parts])),
    )


def _asymmetry(late: Floats) -> tuple[float, float]:
    """Seconds every other pulse is late against the ones between, and its standard uncertainty.

    The sign of the first pulse is not known, so blocks are averaged as squares, less what noise alone adds.
    """
    alternate = np.where(np.arange(BLOCK) % 2, -1.0, 1.0)
    per_block = late @ alternate / (BLOCK / 2)
    noise = 4 * float(late.var()) / BLOCK
    square = float(np.mean(per_block**2)) - noise
    # Parity holds within a stay: when the blocks agree in sign, their plain mean is the better estimate.
    mean = abs(float(per_block.mean()))
    value = mean if mean**2 > 0.8 * max(square, 0.0) else math.sqrt(max(square, 0.0))
    return value, math.sqrt(noise / per_block.size) if per_block.size else math.nan


def _without_asymmetry(late: Floats) -> Floats:
    alternate = np.where(np.arange(BLOCK) % 2, -1.0, 1.0)
    return late - np.outer(late @ alternate / BLOCK, alternate)


def _pattern_means(late: Floats, r: Residuals) -> dict[tuple[int, int], tuple[float, int]]:
    """Mean lateness and count of pulses by the runs on either side."""
    key = r.before.astype(np.int64) * 16 + r.after
    total = np.bincount(key.ravel(), weights=late.ravel(), minlength=256)
    count = np.bincount(key.ravel(), minlength=256)
    return {(int(k >> 4), int(k & 15)): (total[k] / count[k], int(count[k])) for k in np.flatnonzero(count > 30)}


def pulse_gauges(streams: Sequence[Stream]) -> list[Gauge]:
    """Noise jitter, peak shift, pulse asymmetry and timing margin, all from the same residuals.

    Peak shift: half the mean lateness between pulses that stand nearer the pulse before and nearer the one
    behind; interference pushes a pulse away from its near neighbour. Timing margin: what is left of half a
    cell when the worst pattern's mean and 6.1 standard deviations of noise (one error in 1e9, both sides)
    are taken off; the usual split of jitter into a bounded and a Gaussian part (from memory).
    """
    names = (("noise_jitter", "s"), ("peak_shift", "s"), ("pulse_asymmetry", "s"), ("timing_margin", "half window"))
    r = _all_residuals(streams)
    if r is None:
        note = "no stretch of 256 pulses without a run the code forbids"
        return [Gauge(name, math.nan, unit, math.nan, note=note) for name, unit in names]
    asymmetry, asymmetry_u = _asymmetry(r.late_s)
    late = _without_asymmetry(r.late_s)
    means = _pattern_means(late, r)
    bias = np.zeros(256)
    for (before, after), (mean, _) in means.items():
        bias[before * 16 + after] = mean
    noise = late - bias[r.before.astype(np.int64) * 16 + r.after]
    # The parabola, the alternation and the pattern means took degrees of freedom with them.
    freedom = noise.size - 4 * noise.shape[0] - len(means)
    sigma = math.sqrt(float(np.sum(noise**2)) / freedom)
    sigma_u = sigma / math.sqrt(2 * freedom)
    shift, shift_u = _peak_shift(means, sigma)
    half = r.cell_s / 2
    worst = max((abs(mean) for mean, _ in means.values()), default=0.0) + asymmetry / 2
    reach = float(norm.isf(_ERROR_RATE / 2))
    margin = 1 - (worst + reach * sigma) / half
    margin_u = math.hypot(reach * sigma_u, math.hypot(shift_u, asymmetry_u / 2)) / half
    values = ((sigma, sigma_u), (shift, shift_u), (asymmetry, asymmetry_u), (margin, margin_u))
    told = f"{noise.size} pulses; {100 * r.left_out:.1f} % of the blocks left out for runs the code forbids"
    gauges = []
    for (name, unit), (value, u) in zip(names, values, strict=True):
        low = 0.0 if name == "timing_margin" else None
        source = "a margin below zero means more than one error in 1e9 pulses (arithmetic)" if low is not None else ""
        gauges.append(Gauge(name, value, unit, u, low, None, source, told))
    return gauges


def _peak_shift(means: dict[tuple[int, int], tuple[float, int]], sigma: float) -> tuple[float, float]:
    near_before = [(m, n) for (b, a), (m, n) in means.items() if b < a]
    near_behind = [(m, n) for (b, a), (m, n) in means.items() if b > a]
    if not near_before or not near_behind:
        return math.nan, math.nan
    (m1, n1), (m2, n2) = (
        (float(np.average([m for m, _ in part], weights=[n for _, n in part])), sum(n for _, n in part))
        for part in (near_before, near_behind)
    )
    return (m1 - m2) / 2, sigma * math.sqrt(1 / n1 + 1 / n2) / 2


def dropouts(streams: Sequence[Stream]) -> Gauge:
    """Gaps longer than the code allows, a turn; gaps between a formatter's fields are among them."""
    count, turns = 0, 0.0
    for stream in streams:
        count += int((stream.runs > RUN_LIMITS[stream.code][1]).sum())
        turns += (int(stream.segment.read_ticks[-1]) - int(stream.segment.read_ticks[0])) / stream.turn_ticks
    if turns <= 0:
        return Gauge("dropouts", math.nan, "1/rev", math.nan, note="nothing was logged")
    note = f"{count} gaps longer than the code allows in {turns:.2f} turns; splices between fields count too"
    # Counts scatter as their square root (Poisson).
    return Gauge("dropouts", count / turns, "1/rev", math.sqrt(max(count, 1)) / turns, note=note)


def _cells_a_turn(stream: Stream, number: int, fields: Sequence[FieldPlace], others: Mapping[int, float]) -> Floats:
    """Recorded cells between index pulses; fields of other writers counted as if the main one had written them."""
    index = stream.segment.index_ticks
    marks = stream.cell_numbers(index)
    counts = np.diff(marks)
    for f in fields:
        if f.stream == number and f.kind == "data" and f.number in others:
            turn = int(np.searchsorted(index, stream.segment.read_ticks[f.at + 1])) - 1
            if 0 <= turn < counts.size:
                counts[turn] -= (f.cells + _FRAME_CELLS[stream.code]) * (1 - others[f.number])
    gaps = np.diff(index)
    kept: Floats = counts[np.abs(gaps / np.median(gaps) - 1) < 0.2] if gaps.size else counts
    return kept


def writer_speed_ratio(
    streams: Sequence[Stream],
    fields: Sequence[FieldPlace],
    nominal_cells: Sequence[float | None],
    others: Sequence[Mapping[int, float]],
    limits: Limits,
) -> Gauge:
    """Recorded cell over nominal with the reader's speed divided out: above 1, the writer turned too fast.

    A writer's clock is fixed, so at a higher speed fewer cells go on a turn. Nominal cells a turn over the
    cells counted from index to index is the ratio sought, whatever the reader's speed and wow.

    Args:
        nominal_cells: per stream, cells a turn at nominal speed; None where no layout tells.
        others: per stream, rewritten sectors with the speed of their writer over the formatter's; they are set right
            first.
    """
    ratios = []
    for number, (stream, nominal) in enumerate(zip(streams, nominal_cells, strict=True)):
        if nominal is not None and stream.segment.index_ticks.size > 1:
            ratios.append(nominal / _cells_a_turn(stream, number, fields, others[number]))
    every = np.concatenate(ratios) if ratios else np.empty(0)
    if not every.size:
        note = "needs a known layout and one turn from index to index"
        return Gauge("writer_speed_ratio", math.nan, "1", math.nan, note=note)
    spread = float(every.std(ddof=1)) / math.sqrt(every.size) if every.size > 1 else 2e-5
    # A few cells at the splice behind the last gap are anybody's guess.
    u = math.hypot(spread, 4 / min(n for n in nominal_cells if n is not None))
    note = "above 1 the writer turned too fast, below 1 too slow"
    return Gauge("writer_speed_ratio", float(every.mean()), "1", u, limits.low, limits.high, limits.source, note)
