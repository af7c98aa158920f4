"""Gauges of the pulses: noise jitter, peak shift, asymmetry, timing margin, dropouts, the writer's speed."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from indexhole.codes.known import CODES
from indexhole.model.distributions import normal_upper
from indexhole.signal.clock.streams import Stream
from indexhole.signal.clock.timeline import BLOCK, Residuals, residuals
from indexhole.signal.gauges.gauge import Gauge, GaugeName
from indexhole.signal.gauges.spindle_gauges import FieldPlace
from indexhole.standards.verdicts import NO_LIMITS, Limits

Floats = npt.NDArray[np.float64]
_ERROR_RATE = 1e-9


@dataclass
class _Sums:
    """Residuals of any number of pulses as sums, so that none of them need be held.

    Attributes:
        blocks: of pulses that were fitted; `tried` with those left out.
        cell_s: sum over the blocks of their cell.
        late, late_square: sums of the pulses' lateness.
        alternation, alternation_square: sums over the blocks of how late every other pulse is.
        total, count: (256,) by the runs before and behind a pulse, 16 times the first and the second: sum of
            lateness, asymmetry taken out, and number of pulses; `square` the sum of its squares over all.
    """

    blocks: int = 0
    tried: int = 0
    cell_s: float = 0.0
    late: float = 0.0
    late_square: float = 0.0
    alternation: float = 0.0
    alternation_square: float = 0.0
    square: float = 0.0
    total: Floats = field(default_factory=lambda: np.zeros(256))
    count: npt.NDArray[np.int64] = field(default_factory=lambda: np.zeros(256, dtype=np.int64))

    def add(self, r: Residuals) -> None:
        """Take more residuals in."""
        self.tried += r.blocks
        if not r.late_s.shape[0]:
            return
        self.blocks += r.late_s.shape[0]
        self.cell_s += r.cell_s * r.late_s.shape[0]
        self.late += float(r.late_s.sum())
        self.late_square += float(np.sum(r.late_s**2))
        alternate = np.where(np.arange(BLOCK) % 2, -1.0, 1.0)
        per_block = r.late_s @ alternate / (BLOCK / 2)
        self.alternation += float(per_block.sum())
        self.alternation_square += float(np.sum(per_block**2))
        late = r.late_s - np.outer(per_block / 2, alternate)
        key = (r.before.astype(np.int64) * 16 + r.after).ravel()
        self.total += np.bincount(key, weights=late.ravel(), minlength=256)
        self.count += np.bincount(key, minlength=256)
        self.square += float(np.sum(late**2))

    @property
    def pulses(self) -> int:
        """Pulses in all."""
        return self.blocks * BLOCK

    def asymmetry(self) -> tuple[float, float]:
        """Seconds every other pulse is late against the ones between, and its standard uncertainty.

        The sign of the first pulse is not known, so blocks are averaged as squares, less what noise alone adds.
        """
        noise = 4 * (self.late_square / self.pulses - (self.late / self.pulses) ** 2) / BLOCK
        square = self.alternation_square / self.blocks - noise
        # Parity holds within a stay: when the blocks agree in sign, their plain mean is the better estimate.
        mean = abs(self.alternation / self.blocks)
        value = mean if mean**2 > 0.8 * max(square, 0.0) else math.sqrt(max(square, 0.0))
        return value, math.sqrt(noise / self.blocks)

    def pattern_means(self) -> dict[tuple[int, int], tuple[float, int]]:
        """Mean lateness and count of pulses by the runs on either side, where there are enough of them."""
        enough = np.flatnonzero(self.count > 30)
        return {(int(k >> 4), int(k & 15)): (self.total[k] / self.count[k], int(self.count[k])) for k in enough}

    def noise(self) -> tuple[float, float]:
        """Standard deviation of the lateness that is left without the pattern means, in s, and its uncertainty."""
        means = self.pattern_means()
        # The parabola, the alternation and the pattern means took degrees of freedom with them.
        freedom = self.pulses - 4 * self.blocks - len(means)
        sigma = math.sqrt((self.square - sum(n * mean**2 for mean, n in means.values())) / freedom)
        return sigma, sigma / math.sqrt(2 * freedom)


def pulse_gauges(streams: Sequence[Stream], margin_limits: Limits) -> list[Gauge]:
    """Noise jitter, peak shift, pulse asymmetry and timing margin, all from the same residuals.

    Peak shift: half the mean lateness between pulses that stand nearer the pulse before and nearer the one
    behind; interference pushes a pulse away from its near neighbour. Timing margin: what is left of half a
    cell when the worst pattern's mean and 6.1 standard deviations of noise (one error in 1e9, both sides)
    are taken off; the usual split of jitter into a bounded and a Gaussian part (from memory).
    """
    names: tuple[tuple[GaugeName, str], ...] = (
        ("noise_jitter", "s"),
        ("peak_shift", "s"),
        ("pulse_asymmetry", "s"),
        ("timing_margin", "half window"),
    )
    sums = _Sums()
    for stream in streams:
        for part in residuals(stream):
            sums.add(part)
    if not sums.blocks:
        note = "no stretch of 256 pulses without a run the code forbids"
        return [Gauge(name, math.nan, unit, math.nan, note=note) for name, unit in names]
    asymmetry, asymmetry_u = sums.asymmetry()
    means = sums.pattern_means()
    sigma, sigma_u = sums.noise()
    shift, shift_u = _peak_shift(means, sigma)
    half = sums.cell_s / sums.blocks / 2
    worst = max((abs(mean) for mean, _ in means.values()), default=0.0) + asymmetry / 2
    reach = normal_upper(_ERROR_RATE / 2)
    margin = 1 - (worst + reach * sigma) / half
    margin_u = math.hypot(reach * sigma_u, math.hypot(shift_u, asymmetry_u / 2)) / half
    values = ((sigma, sigma_u), (shift, shift_u), (asymmetry, asymmetry_u), (margin, margin_u))
    left_out = 100 * (1 - sums.blocks / sums.tried)
    note = f"{sums.pulses} pulses; {left_out:.1f} % of the blocks left out for runs the code forbids"
    limits = (NO_LIMITS, NO_LIMITS, NO_LIMITS, margin_limits)
    return [
        Gauge(name, value, unit, u, limit, note)
        for (name, unit), (value, u), limit in zip(names, values, limits, strict=True)
    ]


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
        count += int((stream.runs > CODES[stream.code].run_limits[1]).sum())
        turns += (int(stream.segment.read_ticks[-1]) - int(stream.segment.read_ticks[0])) / stream.turn_ticks
    if turns <= 0:
        return Gauge("dropouts", math.nan, "1/rev", math.nan, note="nothing was logged")
    note = f"{count} gaps longer than the code allows in {turns:.2f} turns; splices between fields count too"
    # Counts scatter as their square root (Poisson).
    return Gauge("dropouts", count / turns, "1/rev", math.sqrt(max(count, 1)) / turns, note=note)


def _cells_a_turn(stream: Stream, number: int, fields: Sequence[FieldPlace], others: Mapping[int, float]) -> Floats:
    """Recorded cells between index pulses; fields of other writers counted as if the main one had written them."""
    index = stream.inner_index()
    marks = stream.cell_numbers(index)
    counts = np.diff(marks)
    for f in fields:
        if f.stream == number and f.kind == "data" and f.number in others:
            turn = int(np.searchsorted(index, stream.segment.read_ticks[f.at + 1])) - 1
            if 0 <= turn < counts.size:
                counts[turn] -= (f.cells + CODES[stream.code].cells.rewritten_frame) * (1 - others[f.number])
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
        if nominal is not None and stream.inner_index().size > 1:
            ratios.append(nominal / _cells_a_turn(stream, number, fields, others[number]))
    every = np.concatenate(ratios) if ratios else np.empty(0)
    if not every.size:
        note = "needs a known layout and one turn from index to index"
        return Gauge("writer_speed_ratio", math.nan, "1", math.nan, note=note)
    spread = float(every.std(ddof=1)) / math.sqrt(every.size) if every.size > 1 else 2e-5
    # A few cells at the splice behind the last gap are anybody's guess.
    u = math.hypot(spread, 4 / min(n for n in nominal_cells if n is not None))
    note = "above 1 the writer turned too fast, below 1 too slow"
    return Gauge("writer_speed_ratio", float(every.mean()), "1", u, limits, note)
