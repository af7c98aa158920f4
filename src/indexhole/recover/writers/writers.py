"""Who wrote it: the drives that laid down a disk, told apart by speed, gap 2, fill and asymmetry.

Stretches are the formatting of each track and every data field rewritten since. They are put together by average
linkage over chi-square distances: as long as two groups differ by no more than chance and the drift of one drive
explain, they are one writer. docs/writers.md has the figures.
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from scipy.cluster.hierarchy import fcluster, linkage
from scipy.spatial.distance import squareform

from indexhole.codes.known import CODES
from indexhole.model.distributions import chi2_upper
from indexhole.recover.sectors.open_dwells import OpenDwells
from indexhole.recover.writers.formatting import Format
from indexhole.recover.writers.grids import Floats
from indexhole.recover.writers.rewritten import FieldVerdict
from indexhole.recover.writers.track_writing import Nominal, Place, TrackWriting, track_writings

# What one writer may differ by from stretch to stretch (our own choice): speed, cells of gap 2, seconds of asymmetry.
SPEED_SCATTER, GAP_SCATTER, ASYMMETRY_SCATTER_S = 0.0012, 4.0, 30e-9
# A speed that changes by so much within a field stands anywhere within some times that over a turn.
_DRIFT_SHARE = 1.5
# Two stretches of one writer are held apart once in this many pairs, before averaging.
_APART = 1e-3
_NEVER = 1e3


@dataclass(frozen=True)
class Writer:
    """One writer.

    Attributes:
        name: W1 for the one that formatted most.
        formatted: tracks it formatted.
        rewrote: (cylinder, head, sector) it wrote over.
        speed_ratio, speed_u: over nominal, nan where no layout or no index tells.
        against_first, against_u: its speed over that of W1, where both wrote on one track, else from the above.
        gap_2_late: cells by which its data fields begin later than the format's, nan when it rewrote none.
    """

    name: str
    formatted: tuple[Place, ...]
    rewrote: tuple[tuple[int, int, int], ...]
    speed_ratio: float
    speed_u: float
    against_first: float
    against_u: float
    gap_2_late: float


@dataclass(frozen=True)
class Writers:
    """Who wrote a disk.

    Attributes:
        tracks: in order of cylinder and head.
        writers: W1 first.
        format_by: name of each track's formatter; `rewrite_by` of the writer of each rewritten sector.
    """

    tracks: tuple[TrackWriting, ...]
    writers: tuple[Writer, ...]
    format_by: Mapping[Place, str]
    rewrite_by: Mapping[tuple[int, int, int], str]

    def count(self, verdict: FieldVerdict) -> int:
        """Data fields with a verdict."""
        return sum(t.verdict == verdict for track in self.tracks for t in track.tests)


def find_writers(opened: OpenDwells, nominal: Nominal) -> Writers:
    """Tell the writers of a disk apart from all dwells on it; dwells that cannot be placed are left out."""
    return split_writers(track_writings(opened, nominal))


@dataclass(frozen=True, slots=True)
class _Item:
    """One stretch to be put with others of its writer; `format` is None for a rewritten field."""

    place: Place
    sector: int
    log_speed: float
    log_u: float
    gap_late: float
    asymmetry_s: float
    format: Format | None


def _items(tracks: Sequence[TrackWriting]) -> list[_Item]:
    items = []
    for track in tracks:
        f = track.format
        # Without a speed of its own a track is taken to turn like the others.
        known = math.isfinite(f.speed_ratio)
        base, base_u = (math.log(f.speed_ratio), f.speed_u) if known else (0.0, 0.0)
        items.append(_Item(track.place, -1, base, base_u, math.nan, 0.0, f))
        for r in track.rewrites:
            late = r.start.gap - f.gap_2 * CODES[f.code].gap_byte_cells
            own = r.asymmetry_s - track.asymmetry_s
            items.append(
                _Item(track.place, r.sector, base + r.ratio.log, math.hypot(base_u, r.ratio.u), late, own, format=None)
            )
    return items


def _distances(items: Sequence[_Item], speed_scatter: float) -> Floats:
    """Chi-square of each pair over the bound for its number of features: (n, n), 1 = just held apart."""
    columns = (
        ([i.log_speed for i in items], [math.hypot(i.log_u, speed_scatter) for i in items]),
        ([i.gap_late for i in items], [GAP_SCATTER] * len(items)),
        ([i.asymmetry_s for i in items], [ASYMMETRY_SCATTER_S] * len(items)),
    )
    total = np.zeros((len(items), len(items)))
    features = np.zeros(total.shape, dtype=np.int64)
    for values, spreads in columns:
        v, s = np.array(values), np.array(spreads)
        square = (v[:, None] - v[None, :]) ** 2 / (s[:, None] ** 2 + s[None, :] ** 2)
        known = np.isfinite(square)
        total[known] += square[known]
        features += known
    bounds = np.array([chi2_upper(_APART, n) for n in range(1, len(columns) + 1)])
    distance = np.where(features > 0, total / bounds[np.maximum(features - 1, 0)], 0.0)
    kind = np.array(["" if i.format is None else f"{i.format.code} {i.format.sectors}" for i in items])
    habits = np.array([_habits(i.format) for i in items])
    unlike = (kind[:, None] == kind[None, :]) & (kind[:, None] != "") & (habits[:, None] != habits[None, :])
    distance[unlike] = _NEVER
    np.fill_diagonal(distance, 0.0)
    return np.asarray((distance + distance.T) / 2)


def _habits(f: Format | None) -> str:
    """What a formatter does alike on all tracks of a kind: its gaps and fill, but for a tail gap that is what is left
    over.
    """
    if f is None:
        return ""
    return f"{f.gap_2:g} {f.fill}" if CODES[f.code].track.shares_rest else f"{f.gap_2:g} {f.gap_3:g} {f.fill}"


def _groups(items: Sequence[_Item], speed_scatter: float) -> list[list[int]]:
    if len(items) < 2:
        return [list(range(len(items)))] if items else []
    joined = linkage(squareform(_distances(items, speed_scatter), checks=False), method="average")
    labels = fcluster(joined, t=1.0, criterion="distance")
    groups: dict[int, list[int]] = defaultdict(list)
    for k, label in enumerate(labels.tolist()):
        groups[label].append(k)

    def weight(group: list[int]) -> tuple[int, int, int]:
        formatted = sum(items[k].format is not None for k in group)
        return -formatted, -len(group), group[0]

    return sorted(groups.values(), key=weight)


def split_writers(tracks: Sequence[TrackWriting]) -> Writers:
    """Put the stretches of all tracks together by writer, and name the writers."""
    items = _items(tracks)
    drifts = [r.ratio.drift for t in tracks for r in t.rewrites]
    wavering = _DRIFT_SHARE * math.sqrt(float(np.mean(np.square(drifts)))) if drifts else 0.0
    groups = _groups(items, math.hypot(SPEED_SCATTER, wavering))
    names = {k: f"W{n}" for n, group in enumerate(groups, start=1) for k in group}
    format_by = {i.place: names[k] for k, i in enumerate(items) if i.format is not None}
    rewrite_by = {(*i.place, i.sector): names[k] for k, i in enumerate(items) if i.format is None}
    absolute = any(math.isfinite(t.format.speed_ratio) for t in tracks)
    logs = {(*t.place, r.sector): r.ratio for t in tracks for r in t.rewrites}
    first_log = _mean_log([items[k] for k in groups[0]])[0] if groups else 0.0
    writers = []
    for n, group in enumerate(groups, start=1):
        own = [items[k] for k in group]
        mean, u = _mean_log(own)
        # On a track of W1 the ratio is measured side by side, without the speeds of both turns.
        on_w1 = [logs[(*i.place, i.sector)] for i in own if i.format is None and format_by[i.place] == "W1" and n > 1]
        against = float(np.mean([b.log for b in on_w1])) if on_w1 else mean - first_log
        against_u = math.sqrt(float(np.mean([b.u**2 for b in on_w1])) / len(on_w1)) if on_w1 else u
        late = [i.gap_late for i in own if math.isfinite(i.gap_late)]
        writers.append(
            Writer(
                f"W{n}",
                tuple(i.place for i in own if i.format is not None),
                tuple((*i.place, i.sector) for i in own if i.format is None),
                math.exp(mean) if absolute else math.nan,
                u if absolute else math.nan,
                math.exp(against),
                against_u if n > 1 else 0.0,
                float(np.median(late)) if late else math.nan,
            )
        )
    return Writers(tuple(tracks), tuple(writers), format_by, rewrite_by)


def _mean_log(items: Sequence[_Item]) -> tuple[float, float]:
    """Mean log speed of a writer's stretches and its standard uncertainty."""
    logs = np.array([i.log_speed for i in items])
    noise = math.sqrt(float(np.mean([i.log_u**2 for i in items])) / logs.size)
    scatter = float(np.std(logs, ddof=1)) / math.sqrt(logs.size) if logs.size > 1 else 0.0
    return float(logs.mean()), max(noise, scatter)
