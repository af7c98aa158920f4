"""Many ways a shelf may be at once, how well each explains the evidence, and moves from one to another.

The unknowns are offset, speed, loss by dirt and gap habit of each mechanism, wear and defects of each disk. Each is a
standard normal value behind the scenes, put through the prior's quantiles, so that moves which keep the normal law
keep the prior.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from functools import cache

import numpy as np
import numpy.typing as npt
from scipy.special import ndtr, ndtri

from indexhole.pairing.learning.evidence import GaugeReading
from indexhole.pairing.learning.kernels import row_hazards
from indexhole.pairing.learning.observed import NODES, Rows
from indexhole.pairing.parts.beliefs import NO_BELIEFS
from indexhole.pairing.parts.draws import Streams, draw_disk, draw_heads
from indexhole.pairing.parts.parts import Mechanism, Medium, mechanism
from indexhole.pairing.prediction.format import SYNCS, gap_2_of, rewrite
from indexhole.standards.layouts import Layout

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

ROUNDS = 3
_QUANTILES = 4096
_OFFSET, _SPEED, _LOSS, _GAP = range(4)
_EVEN = 0.5
# How far moves go (1 would be afresh), and the sign of an offset is turned over now and then.
_STEPS = np.array([0.07, 0.15, 0.5])
_ODD_HABIT = 0.04
_BOLD, _TAILS, _BAD_PLACE_MOVES = 0.5, 0.12, 6


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


def _log_boldness(hidden: Floats) -> Floats:
    """How much oftener a bold draw comes here than the normal law does, as a logarithm."""
    in_tails = np.abs(ndtr(hidden) - 0.5) > (1 - _TAILS) / 2
    found: Floats = np.log((1 - _EVEN) + _EVEN * in_tails / _TAILS)
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
        self.touching = [np.flatnonzero((rows.participants[:, :3] == m).any(axis=1)) for m in range(outside)]
        self.touching_disk = [np.flatnonzero(rows.participants[:, 3] == d) for d in range(len(disks))]
        for row, reader, other, _ in rows.rewrites:
            for name in (reader, other):
                m = self.names.index(name)
                self.touching[m] = np.union1d(self.touching[m], [row])
        self._rewritten = {row: (reader, other, layout) for row, reader, other, layout in rows.rewrites}
        # hazards without bad places, to which those of the disk add
        self.apart = self._hazards(np.arange(len(rows.templates)))
        self.row_log = self._rows_log(np.arange(len(rows.templates)), self.apart)
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

    def _rows_log(self, which: Ints, apart: Floats) -> Floats:
        """Log likelihood of some rows under each supposition, from their hazards without bad places: (rows, count)."""
        bad = np.minimum(self.defects[:, self.rows.participants[which, 3]], 1 - 1e-15)
        hazard = np.clip(apart - np.log1p(-bad).T, NODES[0], NODES[-1])
        place = np.log(hazard / NODES[0]) / math.log(NODES[1] / NODES[0])
        low = np.minimum(place.astype(np.intp), len(NODES) - 2)
        part = place - low
        table = self.rows.log_likelihood[which]
        at = np.arange(len(which))[:, None]
        found: Floats = (1 - part) * table[at, low] + part * table[at, low + 1]
        return found

    def _hazards(self, which: Ints) -> Floats:
        """Hazard of a sector of some rows, bad places of the disk left out, under each supposition: (rows, count)."""
        rows = self.rows
        if len(which) == 0:
            return np.zeros((0, self.count))
        gain, wear = 10 ** (-self.loss / 20), 10 ** (-self.wear / 20)
        found: Floats = row_hazards(
            which, rows.templates, rows.tracks, rows.spans, rows.participants, self.offset, self.speed, gain, wear
        )
        for i, row in enumerate(which.tolist()):
            if row in self._rewritten:
                found[i] += self._rewrite_hazard(*self._rewritten[row])
        return found

    def _rewrite_hazard(self, reader: str, other: str, layout: Layout) -> Floats:
        zone = layout.zones[-1]
        gaps, sync = layout.gaps_of(zone), SYNCS[zone.code]
        m, n = self.names.index(reader), self.names.index(other)
        ours = gap_2_of(self.mechanisms[reader], zone.code, gaps.gap_2) + self.gap[:, m]
        theirs = gap_2_of(self.mechanisms[other], zone.code, gaps.gap_2) + self.gap[:, n]
        data = zone.sector_bytes * zone.recording.cells_per_byte / zone.recording.gap_byte_cells
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
        self.row_log, self.apart = self.row_log[:, picked], self.apart[:, picked]

    def sweep(self, degree: float, rounds: int = ROUNDS) -> None:
        """Moves of every mechanism and disk that evidence touches, at a degree of the likelihood."""
        gauged = {g.mechanism for g in self.gauges}
        for _ in range(rounds):
            for m, rows in enumerate(self.touching):
                if len(rows) or self.names[m] in gauged:
                    self._move(m, rows, degree)
            for d, rows in enumerate(self.touching_disk):
                if len(rows):
                    self._move_disk(d, rows, degree, worn=True)
                    # these cost next to nothing, and bad places are seldom
                    for _ in range(_BAD_PLACE_MOVES):
                        self._move_disk(d, rows, degree, worn=False)

    def _moved(self, old: Floats) -> tuple[Floats, Floats]:
        """Hidden values moved, (suppositions, unknowns), and by how much more likely the way back is, as a logarithm.

        Most moves keep the normal law. The others draw one unknown afresh, half of them from its tails: what seldom is
        so explains what seldom happens, and must be met to be weighed.
        """
        count, unknowns = len(old), int(old.shape[1])
        step = self.rng.choice(_STEPS, count)[:, None]
        new: Floats = np.sqrt(1 - step * step) * old + step * self.rng.standard_normal(old.shape)
        # one unknown at a time as often as all together
        which = np.floor(self.rng.random(count) * unknowns).astype(np.int64)
        alone = which[:, None] != np.arange(unknowns)
        new = np.where(alone & (self.rng.random(count) < _EVEN)[:, None], old, new)
        bold = np.flatnonzero(self.rng.random(count) < _BOLD)
        place = self.rng.random(len(bold))
        tails = place * _TAILS + np.where(place < 0.5, 0.0, 1 - _TAILS)
        place = np.where(self.rng.random(len(bold)) < _EVEN, tails, self.rng.random(len(bold)))
        new[bold] = old[bold]
        new[bold, which[bold]] = ndtri(np.clip(place, 1e-12, 1 - 1e-12))
        back = np.zeros(count)
        back[bold] = _log_boldness(old[bold, which[bold]]) - _log_boldness(new[bold, which[bold]])
        return new, back

    def _accept(self, gain: Floats) -> npt.NDArray[np.bool_]:
        taken: npt.NDArray[np.bool_] = np.log(self.rng.random(self.count)) < gain
        return taken

    def _move(self, m: int, rows: Ints, degree: float) -> None:
        old = self.hidden[:, m].copy()
        new, back = self._moved(old)
        turned = self.rng.random(self.count) < 0.1
        new[turned], back[turned] = old[turned], 0.0
        new[turned, _OFFSET] *= -1
        self._set(m, new, slice(None))
        apart, gauge_log = self._hazards(rows), self._gauges_log(m)
        row_log = self._rows_log(rows, apart)
        gain = degree * ((row_log - self.row_log[rows]).sum(axis=0) + gauge_log - self.gauge_log[:, m])
        taken = self._accept(gain + back)
        self._set(m, old, ~taken)
        self.hidden[taken, m] = new[taken]
        self._keep(rows, taken, row_log, apart)
        self.gauge_log[taken, m] = gauge_log[taken]

    def _keep(self, rows: Ints, taken: npt.NDArray[np.bool_], row_log: Floats, apart: Floats) -> None:
        self.row_log[rows] = np.where(taken, row_log, self.row_log[rows])
        self.apart[rows] = np.where(taken, apart, self.apart[rows])

    def _move_disk(self, d: int, rows: Ints, degree: float, *, worn: bool) -> None:
        """Move a disk's unknowns; without `worn` its bad places alone."""
        old = self.hidden_disk[:, d].copy()
        moved, back = self._moved(old if worn else old[:, 1:])
        new = moved if worn else np.column_stack([old[:, 0], moved])
        self._set_disk(d, new, slice(None))
        apart = self._hazards(rows) if worn else self.apart[rows]
        row_log = self._rows_log(rows, apart)
        taken = self._accept(degree * (row_log - self.row_log[rows]).sum(axis=0) + back)
        self._set_disk(d, old, ~taken)
        self.hidden_disk[taken, d] = new[taken]
        self._keep(rows, taken, row_log, apart)
