"""Gauges of the spindle and the index: speed, its variation and orders, index to data, index jitter."""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from indexhole.signal.clock.streams import Stream
from indexhole.signal.clock.timeline import speed_curve
from indexhole.signal.gauges.gauge import Gauge
from indexhole.standards.verdicts import Limits
from indexhole.wording import count_of

_BINS = 64
# What a logger's crystal may be off by (common practice, no source), taken as a rectangular distribution.
_LOGGER_CLOCK = 50e-6
# Local cells further off than this belong to another writer, not to this reader's wow.
_OTHER_WRITER = 0.025
_LOWEST_ORDER, _HIGHEST_ORDER, _ORDER_STEP = 0.5, 20.0, 0.05


@dataclass(frozen=True)
class FieldPlace:
    """Where a field begins in a stream: `kind` is "id" or "data", `number` the sector, `at` the mark's run."""

    stream: int
    kind: str
    number: int
    at: int
    cells: int


def _index_gaps_s(streams: Sequence[Stream]) -> npt.NDArray[np.float64]:
    gaps = [np.diff(s.segment.index_ticks) * s.segment.tick_s for s in streams]
    every = np.concatenate(gaps) if gaps else np.empty(0)
    # A missed or doubled index pulse says nothing of speed.
    return every[np.abs(every / np.median(every) - 1) < 0.2] if every.size else every


def _recurrences_s(streams: Sequence[Stream], fields: Sequence[FieldPlace]) -> npt.NDArray[np.float64]:
    """Times from a field to the same field a turn later."""
    seen: dict[tuple[int, str, int], list[int]] = defaultdict(list)
    for f in fields:
        seen[f.stream, f.kind, f.number].append(f.at)
    times = []
    for (number, _, _), at in seen.items():
        s = streams[number]
        ticks = s.segment.read_ticks[np.array(sorted(at)) + 1]
        times.append(np.diff(ticks) * s.segment.tick_s)
    every = np.concatenate(times) if times else np.empty(0)
    return every[np.abs(every / np.median(every) - 1) < 0.2] if every.size else every


def spindle_speed(streams: Sequence[Stream], fields: Sequence[FieldPlace], limits: Limits) -> Gauge:
    """Revolutions a minute, from index to index, else from a sector to itself a turn later.

    Uncertainty: spread of the turns over the square root of their number, joined in quadrature with the
    logger's clock (JCGM 100:2008, 4.2.3, 4.3.7 and 5.1.2).
    """
    turns, told = _index_gaps_s(streams), "from index to index"
    again = _recurrences_s(streams, fields)
    if not turns.size:
        turns, told = again, "from each sector to itself a turn later, there being no two index pulses"
    if not turns.size:
        return Gauge("spindle_speed", math.nan, "rpm", math.nan, note="less than one turn was logged")
    turn = float(turns.mean())
    if turns.size > 1:
        spread = float(turns.std(ddof=1)) / math.sqrt(
            min(turns.size, sum(max(s.segment.index_ticks.size, 2) for s in streams))
        )
    else:
        # One turn alone has no spread; how sectors come round again tells how steady the turn is.
        spread = float(again.std(ddof=1)) if again.size > 2 else 0.0005 * turn
    relative = math.hypot(spread / turn, _LOGGER_CLOCK / math.sqrt(3))
    rpm = 60 / turn
    note = f"{told}, {count_of(turns.size, 'turn')}"
    return Gauge("spindle_speed", rpm, "rpm", rpm * relative, limits, note)


def _wow(streams: Sequence[Stream]) -> list[tuple[npt.NDArray[np.float64], npt.NDArray[np.float64]]]:
    """Per stream: turn and local speed relative to the middle, other writers' stretches left out."""
    curves = []
    for stream in streams:
        curve = speed_curve(stream, _BINS)
        relative = curve.cell_s / np.nanmedian(curve.cell_s) - 1 if np.isfinite(curve.cell_s).any() else curve.cell_s
        other = ~(np.abs(relative) < _OTHER_WRITER)
        # The bins beside such a stretch hold some of it.
        use = ~(other | np.append(other[1:], False) | np.insert(other[:-1], 0, False))
        if use.sum() >= _BINS // 2:
            # Longer cells mean a slower turn.
            curves.append((curve.turn[use], -relative[use]))
    return curves


def speed_variation(streams: Sequence[Stream], limits: Limits) -> Gauge:
    """Half the range of local speed, in percent of its middle, in 64 bins a turn.

    Reader and writer vary alike here: what the writer's own wow adds cannot be told from one disk alone.
    """
    curves = _wow(streams)
    if not curves:
        return Gauge("speed_variation", math.nan, "%", math.nan, note="too little legible recording")
    peak = max(float(np.ptp(_smooth(v))) / 2 for _, v in curves)
    noise = float(np.median([np.std(v - _smooth(v)) for _, v in curves])) / math.sqrt(3)
    note = "peak, of the reader and the writer together"
    return Gauge("speed_variation", 100 * peak, "%", 100 * noise, limits, note)


def _smooth(v: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
    padded = np.concatenate((v[:1], v, v[-1:]))
    return (padded[:-2] + padded[1:-1] + padded[2:]) / 3


def speed_wander_orders(streams: Sequence[Stream]) -> Gauge:
    """Strongest periodic parts of the speed, in orders (cycles a turn), by least squares of sines.

    Orders closer than one over the number of turns logged cannot be told apart. Source: least-squares
    spectral analysis (Vanicek 1969; Lomb 1976, from memory).
    """
    curves = [c for c in _wow(streams) if c[0].size > 16]
    if not curves:
        return Gauge("speed_wander_orders", math.nan, "1/rev", math.nan, note="too little legible recording")
    turn, speed = max(curves, key=lambda c: c[0].size)
    speed = speed - speed.mean()
    resolution = 1 / max(float(np.ptp(turn)), 0.5)
    orders = np.arange(max(_LOWEST_ORDER, 0.8 * resolution), _HIGHEST_ORDER, _ORDER_STEP)
    rest = speed.copy()
    parts: list[dict[str, float]] = []
    for _ in range(3):
        fits = [_sine(turn, rest, float(order)) for order in orders]
        best = max(range(len(fits)), key=lambda k: fits[k][0])
        amplitude, model = fits[best]
        if amplitude < 3 * float(np.std(rest - model)) / math.sqrt(turn.size / 2) or amplitude < 2e-4:
            break
        parts.append({"order": round(float(orders[best]), 2), "peak_percent": round(100 * amplitude, 4)})
        rest = rest - model
    if not parts:
        return Gauge("speed_wander_orders", math.nan, "1/rev", math.nan, note="no periodic part stands out")
    text = ", ".join(f"order {p['order']:g} peak {p['peak_percent']:.2f} %" for p in parts)
    return Gauge("speed_wander_orders", parts[0]["order"], "1/rev", resolution / 4, note=text, detail=tuple(parts))


def _sine(
    turn: npt.NDArray[np.float64], speed: npt.NDArray[np.float64], order: float
) -> tuple[float, npt.NDArray[np.float64]]:
    basis = np.stack((np.cos(2 * np.pi * order * turn), np.sin(2 * np.pi * order * turn), np.ones_like(turn)), axis=1)
    fit = np.linalg.lstsq(basis, speed, rcond=None)[0]
    return float(np.hypot(fit[0], fit[1])), basis[:, :2] @ fit[:2]


def _behind_index(streams: Sequence[Stream], fields: Iterable[FieldPlace]) -> list[list[tuple[int, float, float]]]:
    """Per stream with an index: (sector, seconds, cells) from each index pulse to the first id mark behind it."""
    ids: dict[int, list[FieldPlace]] = defaultdict(list)
    for f in fields:
        if f.kind == "id":
            ids[f.stream].append(f)
    found = []
    for number, own in sorted(ids.items()):
        stream = streams[number]
        index = stream.inner_index()
        if not index.size:
            continue
        own.sort(key=lambda f: f.at)
        at = np.array([f.at for f in own])
        ticks = stream.segment.read_ticks[at + 1]
        first = np.searchsorted(ticks, index)
        followed = np.flatnonzero(first < at.size)
        cells = np.cumsum(stream.runs, dtype=np.int64)[at]
        index_cells = stream.cell_numbers(index)
        turns = []
        for k in followed.tolist():
            behind = int(first[k])
            apart, last = int(ticks[behind] - index[k]), k + 1 == index.size
            if apart <= stream.turn_ticks and (last or ticks[behind] < index[k + 1]):
                seconds = apart * stream.segment.tick_s
                turns.append((own[behind].number, seconds, float(cells[behind] - index_cells[k])))
        if turns:
            found.append(turns)
    # The sector that comes first on most turns; where its id failed, that turn says nothing.
    return [[t for t in turns if t[0] == min(turns, key=lambda u: u[1])[0]] for turns in found]


def index_to_data(streams: Sequence[Stream], fields: Sequence[FieldPlace]) -> Gauge:
    """Seconds from the index pulse to the end of the first id mark, mean over the turns."""
    dwells = _behind_index(streams, fields)
    if not dwells:
        return Gauge("index_to_data", math.nan, "s", math.nan, note="no index pulse with a legible id behind it")
    # Tracks begin at different places: a stay is one observation, its turns another when it is the only one.
    means = np.array([np.mean([t[1] for t in turns]) for turns in dwells])
    values = means if means.size > 1 else np.array([t[1] for t in dwells[0]])
    spread = float(values.std(ddof=1)) / math.sqrt(values.size) if values.size > 1 else math.nan
    note = (
        f"to the id mark of sector {dwells[0][0][0]}; compare with the same disk in a drive known good, "
        "the gap behind the index is not the same on every formatter"
    )
    return Gauge("index_to_data", float(values.mean()), "s", spread, note=note)


def index_jitter(streams: Sequence[Stream], fields: Sequence[FieldPlace]) -> Gauge:
    """Spread of the index pulse against the recording, in seconds, turn by turn within each stay.

    The distance is counted in recorded cells, so that the reader's wow does not pass for jitter of the index.
    """
    dwells = [np.array([t[2] for t in turns]) for turns in _behind_index(streams, fields) if len(turns) > 1]
    freedom = sum(turns.size - 1 for turns in dwells)
    if freedom < 2:
        return Gauge("index_jitter", math.nan, "s", math.nan, note="needs three turns of one track with an index")
    square = sum(float(np.sum((turns - turns.mean()) ** 2)) for turns in dwells)
    cell_s = float(np.median([s.cell_ticks * s.segment.tick_s for s in streams]))
    jitter = math.sqrt(square / freedom) * cell_s
    # Counting is to the nearest tick of the logger at both ends (rectangular, JCGM 100:2008, 4.3.7).
    tick = max(s.segment.tick_s for s in streams)
    u = math.hypot(jitter / math.sqrt(2 * freedom), tick / math.sqrt(6))
    return Gauge("index_jitter", jitter, "s", u, note=f"{freedom + len(dwells)} turns in {len(dwells)} stays")
