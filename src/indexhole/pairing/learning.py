"""From evidence to beliefs, by Bayes: draws from the prior, moved in steps towards what was seen.

The unknowns are offset, speed, loss by dirt and gap habit of each mechanism, wear and defects of each disk. Each is a
standard normal value behind the scenes, put through the prior's quantiles, so that moves which keep the normal law
keep the prior. The likelihood is let in by degrees (tempering); after each degree the draws are resampled by weight
and every mechanism and disk gets moves of its own, accepted by the likelihood of the rows it touches alone.
`tests/test_pairing_beliefs.py` holds the outcome against weighting a great many prior draws, and closed forms.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from functools import cache

import numpy as np
import numpy.typing as npt
from scipy.special import ndtr

from indexhole.pairing.beliefs import NO_BELIEFS, Beliefs, DiskBelief, MechanismBelief
from indexhole.pairing.draws import Streams, draw_disk, draw_heads
from indexhole.pairing.evidence import GaugeReading, Observation
from indexhole.pairing.format import SYNCS, gap_2_of, rewrite
from indexhole.pairing.kernels import row_hazards
from indexhole.pairing.observed import NODES, Rows, make_rows
from indexhole.pairing.parts import Mechanism, Medium, mechanism
from indexhole.standards.layouts import Layout

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

DRAWS = 256
_QUANTILES = 4096
_OFFSET, _SPEED, _LOSS, _GAP = range(4)
_EVEN = 0.5
# How far the moves of a sweep go: 1 draws afresh, and the sign of an offset is turned over now and then.
_STEPS = (0.15, 0.5, 1.0)
_ODD_HABIT = 0.04


@cache
def _mechanism_quantiles(drive_id: str, named: bool) -> Floats:
    drawn = draw_heads(mechanism("any" if named else "", drive_id), NO_BELIEFS, Streams(1, _QUANTILES), "any")
    table: Floats = np.sort(np.stack([drawn.offset_um, drawn.speed, drawn.loss_db]), axis=1)
    return table


def _disk_quantiles(disk: Medium) -> Floats:
    drawn = draw_disk(disk, NO_BELIEFS, Streams(1, _QUANTILES))
    table: Floats = np.sort(np.stack([drawn.loss_db, drawn.defect_rate]), axis=1)
    return table


def _through(table: Floats, hidden: Floats) -> Floats:
    """Normal values through the quantiles of a sorted table."""
    grid = (np.arange(len(table)) + 0.5) / len(table)
    found: Floats = np.interp(ndtr(hidden), grid, table)
    return found


class Suppositions:
    """Many ways the shelf may be, and how well each explains the evidence."""

    def __init__(
        self,
        rows: Rows,
        mechanisms: Mapping[str, Mechanism],
        disks: Mapping[str, Medium],
        gauges: Sequence[GaugeReading],
        count: int,
        seed: int,
    ) -> None:
        self.rows, self.count = rows, count
        self.mechanisms, self.disks = mechanisms, disks
        self.rng = np.random.default_rng([seed, 77])
        self.tables = [_mechanism_quantiles(m.drive.id, bool(m.name)) for m in mechanisms.values()]
        self.disk_tables = [_disk_quantiles(d) for d in disks.values()]
        self.gauges = [g for g in gauges if g.mechanism in mechanisms]
        self.hidden = self.rng.standard_normal((count, len(self.tables), 4))
        self.hidden_disk = self.rng.standard_normal((count, len(self.disk_tables), 2))
        outside = len(self.tables)
        self.offset, self.speed = np.zeros((count, outside + 1)), np.ones((count, outside + 1))
        self.loss, self.gap = np.zeros((count, outside + 1)), np.zeros((count, outside + 1))
        self.wear, self.defects = np.zeros((count, len(disks))), np.zeros((count, len(disks)))
        for m in range(outside):
            self._set(m, self.hidden[:, m], slice(None))
        for d in range(len(disks)):
            self._set_disk(d, self.hidden_disk[:, d], slice(None))
        self.names = list(mechanisms)
        self.touching = [np.flatnonzero((rows.hands[:, :3] == m).any(axis=1)) for m in range(outside)]
        self.touching_disk = [np.flatnonzero(rows.hands[:, 3] == d) for d in range(len(disks))]
        for row, reader, other, _ in rows.rewrites:
            for name in (reader, other):
                m = self.names.index(name)
                self.touching[m] = np.union1d(self.touching[m], [row])
        self.row_log = self._rows_log(np.arange(len(rows.templates)))
        self.gauge_log = (
            np.stack([self._gauges_log(m) for m in range(outside)], axis=1) if outside else np.zeros((count, 0))
        )

    def _values(self, m: int, hidden: Floats) -> tuple[Floats, Floats, Floats, Floats]:
        table = self.tables[m]
        place = ndtr(hidden[:, _GAP])
        gap = np.where(place < _ODD_HABIT, -1.0, np.where(place > 1 - _ODD_HABIT, 1.0, 0.0))
        return (
            _through(table[_OFFSET], hidden[:, _OFFSET]),
            _through(table[_SPEED], hidden[:, _SPEED]),
            _through(table[_LOSS], hidden[:, _LOSS]),
            gap,
        )

    def _set(self, m: int, hidden: Floats, where: slice | npt.NDArray[np.bool_]) -> None:
        for mine, new in zip((self.offset, self.speed, self.loss, self.gap), self._values(m, hidden), strict=True):
            mine[where, m] = new[where]

    def _set_disk(self, d: int, hidden: Floats, where: slice | npt.NDArray[np.bool_]) -> None:
        wear, defects = self.disk_tables[d]
        self.wear[where, d] = _through(wear, hidden[:, 0])[where]
        self.defects[where, d] = _through(defects, hidden[:, 1])[where]

    def _rows_log(self, which: Ints) -> Floats:
        """Log likelihood of some rows under each supposition, shape (rows, suppositions)."""
        rows = self.rows
        if len(which) == 0:
            return np.zeros((0, self.count))
        hazard = row_hazards(
            which, rows.templates, rows.tracks, rows.hands, self.offset, self.speed, self.loss, self.wear, self.defects
        )
        for row, reader, other, layout in rows.rewrites:
            here = np.flatnonzero(which == row)
            if len(here):
                hazard[here[0]] += self._rewrite_hazard(reader, other, layout)
        place = np.log(np.clip(hazard, NODES[0], NODES[-1]) / NODES[0]) / math.log(NODES[1] / NODES[0])
        low = np.minimum(place.astype(np.intp), len(NODES) - 2)
        part = place - low
        table = rows.log_likelihood[which]
        at = np.arange(len(which))[:, None]
        found: Floats = (1 - part) * table[at, low] + part * table[at, low + 1]
        return found

    def _rewrite_hazard(self, reader: str, other: str, layout: Layout) -> Floats:
        zone = layout.zones[-1]
        gaps, sync = layout.gaps_of(zone), SYNCS[zone.code]
        m, n = self.names.index(reader), self.names.index(other)
        ours = gap_2_of(self.mechanisms[reader], zone.code, gaps.gap_2) + self.gap[:, m]
        theirs = gap_2_of(self.mechanisms[other], zone.code, gaps.gap_2) + self.gap[:, n]
        data = zone.sector_bytes * (1.25 if zone.code == "group45" else 1.0)
        field = sync.sync + sync.mark + data + sync.trailer
        mismatch = self.speed[:, n] / self.speed[:, m] - 1
        chance, _ = rewrite(sync, ours - theirs, np.maximum(ours, theirs), mismatch, gaps.gap_3, field)
        found: Floats = np.minimum(60.0, -np.log1p(-np.minimum(chance, 1 - 1e-15)))
        return found

    def _gauges_log(self, m: int) -> Floats:
        """Log likelihood of the gauges of a mechanism, normal with the stated uncertainty: shape (suppositions,)."""
        total = np.zeros(self.count)
        name = list(self.mechanisms)[m]
        drive = self.mechanisms[name].drive
        for g in self.gauges:
            if g.mechanism != name:
                continue
            if g.quantity == "radial_offset":
                told = self.offset[:, m]
            elif g.quantity == "spindle_speed":
                nominal = min((s.value for s in drive.speeds_rpm), key=lambda s: abs(s - g.value))
                told = self.speed[:, m] * nominal
            else:
                continue
            # a far tail, so that one wrong gauge does not decide everything
            z = (told - g.value) / max(g.uncertainty, 1e-9)
            total += np.logaddexp(-0.5 * z * z, math.log(1e-4) - 0.5 * (z / 10) ** 2)
        return total

    def log_likelihood(self) -> Floats:
        """Of all evidence under each supposition, shape (suppositions,)."""
        found: Floats = self.row_log.sum(axis=0) + self.gauge_log.sum(axis=1)
        return found

    def take(self, picked: Ints) -> None:
        """Keep the picked suppositions, some of them more than once."""
        for name in ("hidden", "hidden_disk", "offset", "speed", "loss", "gap", "wear", "defects", "gauge_log"):
            setattr(self, name, getattr(self, name)[picked])
        self.row_log = self.row_log[:, picked]

    def sweep(self, degree: float) -> None:
        """Moves of every mechanism and disk that evidence touches, at a degree of the likelihood."""
        gauged = {g.mechanism for g in self.gauges}
        for step in _STEPS:
            for m, rows in enumerate(self.touching):
                if len(rows) or self.names[m] in gauged:
                    self._move(m, rows, step, degree)
            for d, rows in enumerate(self.touching_disk):
                if len(rows):
                    self._move_disk(d, rows, step, degree)

    def _accept(self, gain: Floats) -> npt.NDArray[np.bool_]:
        taken: npt.NDArray[np.bool_] = np.log(self.rng.random(self.count)) < gain
        return taken

    def _move(self, m: int, rows: Ints, step: float, degree: float) -> None:
        old = self.hidden[:, m].copy()
        new = math.sqrt(1 - step * step) * old + step * self.rng.standard_normal(old.shape)
        # one unknown at a time as often as all together
        alone = self.rng.integers(0, 4, self.count)[:, None] != np.arange(4)
        new = np.where(alone & (self.rng.random(self.count) < _EVEN)[:, None], old, new)
        turned = self.rng.random(self.count) < 0.1
        new[turned] = old[turned]
        new[turned, _OFFSET] *= -1
        self._set(m, new, slice(None))
        row_log, gauge_log = self._rows_log(rows), self._gauges_log(m)
        gain = degree * ((row_log - self.row_log[rows]).sum(axis=0) + gauge_log - self.gauge_log[:, m])
        taken = self._accept(gain)
        self._set(m, old, ~taken)
        self.hidden[taken, m] = new[taken]
        self.row_log[rows] = np.where(taken, row_log, self.row_log[rows])
        self.gauge_log[taken, m] = gauge_log[taken]

    def _move_disk(self, d: int, rows: Ints, step: float, degree: float) -> None:
        old = self.hidden_disk[:, d].copy()
        new = math.sqrt(1 - step * step) * old + step * self.rng.standard_normal(old.shape)
        self._set_disk(d, new, slice(None))
        row_log = self._rows_log(rows)
        taken = self._accept(degree * (row_log - self.row_log[rows]).sum(axis=0))
        self._set_disk(d, old, ~taken)
        self.hidden_disk[taken, d] = new[taken]
        self.row_log[rows] = np.where(taken, row_log, self.row_log[rows])


def next_degree(log_likelihood: Floats, degree: float, keep: float = 0.6) -> float:
    """The next degree of the likelihood, at which the weights still count as `keep` of the draws."""
    low, high = 0.0, 1.0 - degree

    def left(more: float) -> float:
        w = np.exp(more * (log_likelihood - log_likelihood.max()))
        return float(w.sum() ** 2 / (w * w).sum() / len(w))

    if left(high) >= keep:
        return 1.0
    for _ in range(30):
        middle = (low + high) / 2
        low, high = (middle, high) if left(middle) >= keep else (low, middle)
    return degree + max(low, 1e-4)


def resampled(weights: Floats, rng: np.random.Generator) -> Ints:
    """Indices picked by weight, evenly spread (systematic resampling)."""
    count = len(weights)
    places = (np.arange(count) + rng.random()) / count
    picked: Ints = np.minimum(np.searchsorted(np.cumsum(weights / weights.sum()), places), count - 1)
    return picked


def learn(
    mechanisms: Mapping[str, Mechanism],
    disks: Mapping[str, Medium],
    layouts: Mapping[str, Layout],
    observed: Sequence[Observation],
    gauges: Sequence[GaugeReading] = (),
    rng_seed: int = 0,
    *,
    draws: int = DRAWS,
    last_sweeps: int = 3,
) -> Beliefs:
    """Beliefs after the evidence.

    Args:
        mechanisms, disks: by name; layouts: the layout each disk bears, by the disk's name.
        observed: see evidence.observations; one that names what is not known here is left out.
        last_sweeps: rounds of moves once all of the likelihood is in.

    Only what evidence touches is in the outcome; the rest stays as its class.
    """
    rows = make_rows(observed, mechanisms, disks, layouts)
    gauges = [g for g in gauges if g.mechanism in mechanisms]
    if not len(rows.templates) and not gauges:
        return NO_BELIEFS
    ways = Suppositions(rows, mechanisms, disks, gauges, draws, rng_seed)
    degree = 0.0
    while degree < 1.0:
        log_likelihood = ways.log_likelihood()
        further = next_degree(log_likelihood, degree)
        weights = np.exp((further - degree) * (log_likelihood - log_likelihood.max()))
        ways.take(resampled(weights, ways.rng))
        degree = further
        for _ in range(last_sweeps if degree >= 1.0 else 1):
            ways.sweep(degree)
    return _as_beliefs(ways, observed, gauges)


def _as_beliefs(ways: Suppositions, observed: Sequence[Observation], gauges: Sequence[GaugeReading]) -> Beliefs:
    gauged = {g.mechanism for g in gauges}
    mechanisms = {
        name: MechanismBelief(ways.offset[:, m], ways.speed[:, m], ways.loss[:, m], ways.gap[:, m])
        for m, name in enumerate(ways.names)
        if len(ways.touching[m]) or name in gauged
    }
    disks = {
        name: DiskBelief(ways.wear[:, d], ways.defects[:, d])
        for d, name in enumerate(ways.disks)
        if len(ways.touching_disk[d])
    }
    return Beliefs(mechanisms, disks, _words(mechanisms, disks, observed, gauges))


def _words(
    mechanisms: Mapping[str, MechanismBelief],
    disks: Mapping[str, DiskBelief],
    observed: Sequence[Observation],
    gauges: Sequence[GaugeReading],
) -> dict[str, tuple[str, ...]]:
    told: dict[str, tuple[str, ...]] = {}
    for name, belief in mechanisms.items():
        trials = list(dict.fromkeys(o.trial for o in observed if name in (o.writer, o.reader)))
        measured = [f"{g.quantity} {g.value:g} +/- {g.uncertainty:g}" for g in gauges if g.mechanism == name]
        after = (
            f"{name}: offset {belief.offset_um.mean():+.0f} +/- {belief.offset_um.std():.0f} um, speed "
            f"{(belief.speed_ratio.mean() - 1) * 100:+.2f} +/- {belief.speed_ratio.std() * 100:.2f} %"
        )
        known = [f"{len(trials)} trials"] if trials else []
        told[name] = (f"{after} after {', '.join(known + measured)}",)
    for name, disk in disks.items():
        trials = list(dict.fromkeys(o.trial for o in observed if o.disk == name))
        told[name] = (
            f"{name}: signal {disk.loss_db.mean():.1f} +/- {disk.loss_db.std():.1f} dB down after {len(trials)} trials",
        )
    return told
