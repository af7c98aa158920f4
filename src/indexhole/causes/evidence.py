"""Likelihood of all trials under a hypothesis, summed over everything unknown in it."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import numpy.typing as npt
from scipy.special import logsumexp, softmax

from indexhole.causes.faults import Fault
from indexhole.causes.history import Bench, Supposition, typical_count
from indexhole.causes.kernel import LUCK_LOG_WEIGHT, hazard, lapse_log, node_of, outcome_table, row_table, with_luck
from indexhole.causes.profiles import LapseProfiles, ProfileBook, Profiles, suppositions

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Place = tuple[int, ...]

# Chance of a sector to fail on a sound bench: unknown, so summed over.
_BACKGROUND = hazard(np.array([1e-5, 2e-4, 1e-3, 4e-3, 1.5e-2]))
_BACKGROUND_WEIGHT = np.array([0.15, 0.25, 0.3, 0.2, 0.1])
_KEEP = 64  # unknowns kept, most probable first, when a hypothesis is looked at closely
_KEEP_BRIEFLY = 24
_USUAL = 1  # the middle of the three lucks
_ALL_FAIL = np.array([0.0, 0.0, 1.0])
_NEGLIGIBLE = 9.0  # nats below the best


@dataclass(frozen=True, slots=True)
class _Setting:
    """One supposition with the profiles that go with it."""

    log_weight: float
    supposed: Supposition
    profiles: tuple[Profiles, ...]
    lapses: tuple[LapseProfiles, ...]


@dataclass(frozen=True, slots=True)
class Close:
    """A hypothesis looked at closely.

    Attributes:
        log_likelihood: of all trials.
        rows: (done rows,) expected log likelihood of each row, over the posterior of the unknowns.
        outcomes: (candidate rows, 3) chance that none, some, or (nearly) all sectors fail.
        hazard, lapse: (kept, rows) sector hazard and chance of a lead's lapse, for all rows.
        weight: (kept,) posterior weights of the unknowns kept.
        supposed: what most probably became of the writes.
        magnitudes: most probable magnitude of each fault, "" when it has none.
    """

    log_likelihood: float
    rows: Floats
    outcomes: Floats
    hazard: Floats
    lapse: Floats
    weight: Floats
    supposed: Supposition
    magnitudes: dict[Fault, str]


class Evidence:
    """The trials of one bench, ready to be weighed against hypotheses."""

    def __init__(self, bench: Bench) -> None:
        self.bench = bench
        self.book = ProfileBook(bench)
        done = slice(0, bench.done)
        self._operation = bench.operation[done]
        self._table = with_luck(row_table(bench.failed[done], bench.tried[done]))
        self._lapse = lapse_log(bench.failed[done], bench.tried[done])
        self._outcome = outcome_table(typical_count(bench.trials[: bench.done]))
        self.look = lru_cache(maxsize=None)(self._look)
        self._summed = lru_cache(maxsize=None)(self._sum_unknowns)

    def log_likelihood(self, faults: frozenset[Fault]) -> float:
        """Log likelihood of all done rows under the hypothesis that exactly these faults are present."""
        return self._summed(faults)[0]

    def _settings(self, faults: frozenset[Fault]) -> list[_Setting]:
        steady = sorted(f for f in faults if f.fault != "bad-lead") if faults else []
        lapses = tuple(self.book.lapses(f.element) for f in sorted(faults) if f.fault == "bad-lead")
        return [
            _Setting(float(np.log(w)), s, tuple(self.book.of(f, s) for f in steady), lapses)
            for w, s in suppositions(self.bench, faults)
        ]

    def _by_unknown(self, setting: _Setting) -> Floats:
        """Log of prior weight times likelihood, shape (background, rungs of each fault..., rungs of each lead...).

        Operations are taken in groups touched by the same faults, so that a group spans only unknowns it depends on.
        """
        count, leads = len(setting.profiles), len(setting.lapses)
        total = self._log_weight(setting)
        for touching, lead, rows in self._groups(setting):
            by_row = self._table[:, rows, node_of(self._hazards(setting, touching, rows))]
            if lead < 0:
                part = self._by_operation(by_row, rows).sum(axis=-1)
                total = total + part.reshape(*part.shape, *[1] * leads)
            else:
                part = self._with_lapses(by_row, rows, setting.lapses[lead]).sum(axis=-1)
                rungs = [1] * leads
                rungs[lead] = part.shape[-1]
                total = total + part.reshape(*part.shape[: 1 + count], *rungs)
        log_joint: Floats = total
        return log_joint

    def _groups(self, setting: _Setting) -> Iterator[tuple[tuple[bool, ...], int, Ints]]:
        """Done rows by the faults that touch their operation, and by lapsing lead (its place, or -1)."""
        operations = int(self._operation.max(initial=-1)) + 1
        code = np.full(operations, -1, dtype=np.int64)
        for place, lapses in enumerate(setting.lapses):
            code[np.unique(self._operation[lapses.rows[lapses.rows < self.bench.done]])] = place
        lead = code.copy()
        for bit, profile in enumerate(setting.profiles):
            touched = np.unique(self._operation[profile.rows[profile.rows < self.bench.done]])
            code[touched] += (1 + len(setting.lapses)) << bit
        for value in np.unique(code):
            chosen = code == value
            rows = np.flatnonzero(chosen[self._operation])
            mask = (int(value) + 1) // (1 + len(setting.lapses))
            yield tuple(bool(mask >> b & 1) for b in range(len(setting.profiles))), int(lead[chosen][0]), rows

    def _by_operation(self, by_row: Floats, rows: Ints) -> Floats:
        """Log likelihood of operations from that of rows, luck summed over: (luck, ..., rows) to (..., operations)."""
        starts = np.flatnonzero(np.diff(self._operation[rows], prepend=-1))
        if len(starts) == 0:
            return np.zeros((*by_row.shape[1:-1], 0))
        sums = np.add.reduceat(by_row, starts, axis=-1)
        low, usual, high = (part + weight for part, weight in zip(sums, LUCK_LOG_WEIGHT, strict=True))
        whole: Floats = np.logaddexp(np.logaddexp(low, high), usual)
        return whole

    def _with_lapses(self, by_row: Floats, rows: Ints, lapses: LapseProfiles) -> Floats:
        """Log likelihood of operations on a lead that lapses: (luck, ..., rows) to (..., rungs, operations)."""
        lapsed = self._lapse[rows]
        starts = np.flatnonzero(np.diff(self._operation[rows], prepend=-1))
        lapsed_whole = np.add.reduceat(lapsed, starts) if len(starts) else lapsed
        whole = self._by_operation(by_row, rows)
        parts = []
        for rate, single in zip(lapses.rate, lapses.by_row, strict=True):
            on, off = np.log(rate), np.log1p(-rate)
            if single:
                parts.append(self._by_operation(np.logaddexp(off + by_row, on + lapsed), rows))
            else:
                parts.append(np.logaddexp(off + whole, on + lapsed_whole))
        return np.stack(parts, axis=-2)

    def _hazards(self, setting: _Setting, touching: tuple[bool, ...], rows: Ints) -> Floats:
        """Sector hazards of some rows, shape (background, rungs or 1 of each fault..., rows)."""
        count = len(setting.profiles)
        hazards = _BACKGROUND.reshape(-1, *[1] * count, 1) + self.book.spoilt(setting.supposed)[rows]
        for axis, profile in enumerate(setting.profiles, start=1):
            if touching[axis - 1]:
                spread = np.zeros((len(profile.log_weight), len(rows)))
                known = np.isin(profile.rows, rows)
                spread[:, np.searchsorted(rows, profile.rows[known])] = profile.hazard[:, known]
                shape = [1] * (count + 1)
                shape[axis] = len(spread)
                hazards = hazards + spread.reshape(*shape, len(rows))
        return hazards

    def _log_weight(self, setting: _Setting) -> Floats:
        """Log prior of the unknowns, shape (background, rungs of each fault..., rungs of each lead...)."""
        weight = np.log(_BACKGROUND_WEIGHT)
        for rungs in [p.log_weight for p in setting.profiles] + [lapses.log_weight for lapses in setting.lapses]:
            weight = weight[..., None] + rungs
        log_weight: Floats = weight
        return log_weight

    def _sum_unknowns(self, faults: frozenset[Fault]) -> tuple[float, Floats, list[tuple[_Setting, Place]]]:
        """Log likelihood over all unknowns, and the few most probable of them with their posterior weights."""
        settings = self._settings(faults)
        joint = [s.log_weight + self._by_unknown(s) for s in settings]
        flat = np.concatenate([j.ravel() for j in joint])
        most = min(_KEEP, len(flat))
        kept = np.argpartition(-flat, most - 1)[:most]
        kept = np.sort(kept[flat[kept] > flat.max() - _NEGLIGIBLE])
        starts = np.cumsum([0, *(j.size for j in joint)])
        owners = np.searchsorted(starts, kept, side="right") - 1
        unknowns = [
            (settings[o], tuple(int(x) for x in np.unravel_index(number - starts[o], joint[o].shape)))
            for number, o in zip(kept, owners, strict=True)
        ]
        return float(logsumexp(flat)), softmax(flat[kept]), unknowns

    def _look(self, faults: frozenset[Fault]) -> Close:
        """The hypothesis with its unknowns weighed by the trials: what it says of each row and each candidate."""
        log_likelihood, weight, unknowns = self._summed(faults)
        done, total = self.bench.done, len(self.bench.trials)
        hazards, lapse = np.zeros((len(weight), total)), np.zeros((len(weight), total))
        rows = np.zeros((len(weight), done))
        told: Counter[tuple[Fault, str]] = Counter()
        steady = sorted(f for f in faults if f.fault != "bad-lead")
        for i, (setting, place) in enumerate(unknowns):
            hazards[i] = _BACKGROUND[place[0]] + self.book.spoilt(setting.supposed)
            for fault, profile, rung in zip(steady, setting.profiles, place[1:], strict=False):
                hazards[i, profile.rows] += profile.hazard[rung]
                told[fault, profile.magnitude[rung]] += weight[i]
            by_row = self._table[:, np.arange(done), node_of(hazards[i, :done])]
            whole = self._by_operation(by_row, np.arange(done))
            for lapses, rung in zip(setting.lapses, place[1 + len(setting.profiles) :], strict=True):
                here = lapses.rows[lapses.rows < done]
                lapse[i, lapses.rows] = lapses.rate[rung]
                whole[np.unique(self._operation[here])] = self._with_lapses(by_row[:, here], here, lapses)[rung]
                by_row[:, here] = np.logaddexp(
                    np.log1p(-lapses.rate[rung]) + by_row[:, here], np.log(lapses.rate[rung]) + self._lapse[here]
                )
            rows[i] = self._dealt_out(by_row, whole)
        ahead = lapse[:, done:, None]
        outcomes = self._outcome[node_of(hazards[:, done:])] * (1 - ahead) + ahead * _ALL_FAIL
        return Close(
            log_likelihood=log_likelihood,
            rows=weight @ rows,
            outcomes=np.einsum("k,kco->co", weight, outcomes),
            hazard=hazards,
            lapse=lapse,
            weight=weight,
            supposed=unknowns[int(weight.argmax())][0].supposed,
            magnitudes={fault: name for (fault, name), _ in reversed(told.most_common())},
        )

    def _dealt_out(self, by_row: Floats, whole: Floats) -> Floats:
        """Log likelihood of operations dealt out to their rows, (luck, rows) and (operations,) to (rows,).

        Each row gets its own under the luck that its operation most likely had, and an even share of what is left over.
        """
        operation = self._operation
        by_luck = np.stack([np.bincount(operation, weights=part) for part in by_row]) + LUCK_LOG_WEIGHT[:, None]
        luck = softmax(by_luck, axis=0)[:, operation]
        own = (luck * by_row).sum(axis=0)
        left = (whole - np.bincount(operation, weights=own)) / np.bincount(operation)
        rows: Floats = own + left[operation]
        return rows

    def added(self, close: Close, fault: Fault) -> float:
        """Log of how much more likely the trials are when one more fault joins a hypothesis looked at closely."""
        done = self.bench.done
        profile = self.book.of(fault, close.supposed)
        known = profile.rows < done
        rows = profile.rows[known]
        kept = np.argsort(-close.weight, kind="stable")[:_KEEP_BRIEFLY]
        base, lapse = close.hazard[kept][:, rows], close.lapse[kept][:, None, rows]
        with_fault = base[:, None, :] + profile.hazard[None, :, known]

        def weigh(hazards: Floats) -> Floats:
            plain = self._table[_USUAL, rows, node_of(hazards)]
            with np.errstate(divide="ignore"):
                either = np.logaddexp(np.log1p(-lapse) + plain, np.log(lapse) + self._lapse[rows])
            total: Floats = either.sum(axis=-1)
            return total

        gain = weigh(with_fault) - weigh(base[:, None, :])
        weight = np.log(close.weight[kept])[:, None] + profile.log_weight[None, :]
        return float(logsumexp(weight + gain) - logsumexp(np.log(close.weight[kept])))
