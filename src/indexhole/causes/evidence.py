"""Likelihood of all trials under a hypothesis, summed over everything unknown in it."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import numpy.typing as npt
from scipy.special import logsumexp

from indexhole.causes.faults import Fault
from indexhole.causes.history import Bench, Supposition
from indexhole.causes.kernel import hazard, lapse_log, node_of, outcome_table, row_table
from indexhole.causes.profiles import LapseProfiles, ProfileBook, Profiles, suppositions

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

# Chance of a sector to fail on a sound bench: unknown, so summed over.
_BACKGROUND = hazard(np.array([1e-5, 2e-4, 1e-3, 4e-3, 1.5e-2]))
_BACKGROUND_WEIGHT = np.array([0.15, 0.25, 0.3, 0.2, 0.1])
_KEEP = 64  # unknowns kept, most probable first, when a hypothesis is looked at closely
_KEEP_BRIEFLY = 24
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
        magnitudes: most probable magnitude of each fault, "" when it has none.
    """

    log_likelihood: float
    rows: Floats
    outcomes: Floats
    hazard: Floats
    lapse: Floats
    weight: Floats
    magnitudes: dict[Fault, str]


class Evidence:
    """The trials of one bench, ready to be weighed against hypotheses."""

    def __init__(self, bench: Bench) -> None:
        self.bench = bench
        self.book = ProfileBook(bench)
        done = slice(0, bench.done)
        self._table = row_table(bench.failed[done], bench.tried[done])
        self._lapse = lapse_log(bench.failed[done], bench.tried[done])
        self._outcome = outcome_table(int(np.median(bench.tried[done])) if bench.done else 100)
        self.look = lru_cache(maxsize=None)(self._look)
        self._known: dict[frozenset[Fault], float] = {}

    def log_likelihood(self, faults: frozenset[Fault]) -> float:
        """Log likelihood of all done rows under the hypothesis that exactly these faults are present."""
        if faults not in self._known:
            parts = [
                setting.log_weight + logsumexp(self._by_unknown(setting))
                for setting in self._settings(faults)
            ]
            self._known[faults] = float(logsumexp(parts))
        return self._known[faults]

    def _settings(self, faults: frozenset[Fault]) -> list[_Setting]:
        steady = sorted(f for f in faults if f.fault != "bad-lead") if faults else []
        lapses = tuple(self.book.lapses(f.element) for f in sorted(faults) if f.fault == "bad-lead")
        return [
            _Setting(float(np.log(w)), s, tuple(self.book.of(f, s) for f in steady), lapses)
            for w, s in suppositions(self.bench, faults)
        ]

    def _by_unknown(self, setting: _Setting) -> Floats:
        """Log of prior weight times likelihood, shape (background, rungs of each fault..., rungs of each lead...)."""
        touched = [p.rows for p in setting.profiles] + [lapse.rows for lapse in setting.lapses]
        rows = np.unique(np.concatenate(touched)) if touched else np.zeros(0, dtype=np.int64)
        rows = rows[rows < self.bench.done]
        untouched = np.setdiff1d(np.arange(self.bench.done), rows)
        base = _BACKGROUND[:, None] + self.book.spoilt(setting.supposed)[None, untouched]
        still = self._table[untouched[None, :], node_of(base)].sum(axis=1)
        by_row = self._table[rows, node_of(self._hazards(setting, rows))]
        on_lead = np.isin(rows, [r for lapses in setting.lapses for r in lapses.rows])
        total = still.reshape(-1, *[1] * len(setting.profiles)) + self._log_weight(setting)
        total = total + by_row[..., ~on_lead].sum(axis=-1)
        for lapses in setting.lapses:
            here = np.isin(rows, lapses.rows)
            with_lapses = self._with_lapses(by_row[..., here], rows[here], lapses).sum(axis=-1)
            extra = total.ndim - (with_lapses.ndim - 1)
            with_lapses = with_lapses.reshape(*with_lapses.shape[:-1], *[1] * extra, with_lapses.shape[-1])
            total = total[..., None] + with_lapses + lapses.log_weight
        return total

    def _with_lapses(self, by_row: Floats, rows: Ints, lapses: LapseProfiles) -> Floats:
        """Log likelihood of rows on a lead that lapses, shape (..., rungs, rows).

        Where whole operations lapse, the operation's log likelihood is dealt out evenly to its rows.
        """
        lapsed = self._lapse[rows]
        log_on, log_off = np.log(lapses.rate), np.log1p(-lapses.rate)
        operation = np.unique(lapses.operation[np.isin(lapses.rows, rows)], return_inverse=True)[1]
        starts = np.flatnonzero(np.diff(operation, prepend=-1))
        length = np.diff(starts, append=len(rows))
        parts = []
        for on, off, single in zip(log_on, log_off, lapses.by_row, strict=True):
            if single or len(rows) == 0:
                parts.append(np.logaddexp(off + by_row, on + lapsed))
            else:
                whole = np.add.reduceat(by_row, starts, axis=-1)
                either = np.logaddexp(off + whole, on + np.add.reduceat(lapsed, starts))
                parts.append((either / length)[..., operation])
        return np.stack(parts, axis=-2)

    def _hazards(self, setting: _Setting, rows: Ints) -> Floats:
        """Sector hazards of the given (sorted) rows, shape (background, rungs of each fault..., rows)."""
        count = len(setting.profiles)
        hazards = _BACKGROUND.reshape(-1, *[1] * count, 1) + self.book.spoilt(setting.supposed)[rows]
        for axis, profile in enumerate(setting.profiles, start=1):
            spread = np.zeros((len(profile.log_weight), len(rows)))
            known = np.isin(profile.rows, rows)
            spread[:, np.searchsorted(rows, profile.rows[known])] = profile.hazard[:, known]
            shape = [1] * (count + 1)
            shape[axis] = len(profile.log_weight)
            hazards = hazards + spread.reshape(*shape, len(rows))
        return hazards

    def _log_weight(self, setting: _Setting) -> Floats:
        """Log prior of the unknowns, shape (background, rungs of each fault...)."""
        weight = np.log(_BACKGROUND_WEIGHT)
        for profile in setting.profiles:
            weight = weight[..., None] + profile.log_weight
        return weight

    def _look(self, faults: frozenset[Fault]) -> Close:
        """The hypothesis with its unknowns weighed by the trials: what it says of each row and each candidate."""
        settings = self._settings(faults)
        joint = [s.log_weight + self._by_unknown(s) for s in settings]
        flat = np.concatenate([j.ravel() for j in joint])
        most = min(_KEEP, len(flat))
        kept = np.argpartition(-flat, most - 1)[:most]
        kept = np.sort(kept[flat[kept] > flat.max() - _NEGLIGIBLE])
        weight = np.exp(flat[kept] - logsumexp(flat[kept]))
        owner = np.repeat(np.arange(len(joint)), [j.size for j in joint])[kept]
        offset = np.concatenate([[0], np.cumsum([j.size for j in joint])])
        every = np.arange(len(self.bench.trials))
        hazards = np.zeros((len(kept), len(every)))
        rows = np.zeros((len(kept), self.bench.done))
        lapse_chance = np.zeros((len(kept), len(every)))
        magnitudes: dict[Fault, dict[str, float]] = {}
        steady = sorted(f for f in faults if f.fault != "bad-lead")
        for i, (number, setting_number) in enumerate(zip(kept, owner, strict=True)):
            setting = settings[setting_number]
            place = np.unravel_index(number - offset[setting_number], joint[setting_number].shape)
            hazards[i] = _BACKGROUND[place[0]] + self.book.spoilt(setting.supposed)
            for fault, profile, rung in zip(steady, setting.profiles, place[1:], strict=False):
                hazards[i, profile.rows] += profile.hazard[rung]
                told = magnitudes.setdefault(fault, {})
                told[profile.magnitude[rung]] = told.get(profile.magnitude[rung], 0.0) + float(weight[i])
            plain = self._table[every[: self.bench.done], node_of(hazards[i, : self.bench.done])]
            rows[i] = plain
            for lapses, rung in zip(setting.lapses, place[1 + len(setting.profiles) :], strict=True):
                here = lapses.rows[lapses.rows < self.bench.done]
                rows[i, here] = self._with_lapses(plain[here], here, lapses)[rung]
                lapse_chance[i, lapses.rows] = lapses.rate[rung]
        ahead = node_of(hazards[:, self.bench.done :])
        outcomes = self._outcome[ahead]
        lapse_ahead = lapse_chance[:, self.bench.done :, None]
        outcomes = outcomes * (1 - lapse_ahead) + lapse_ahead * np.array([0.0, 0.0, 1.0])
        return Close(
            log_likelihood=float(logsumexp(flat)),
            rows=weight @ rows,
            outcomes=np.einsum("k,kco->co", weight, outcomes),
            hazard=hazards,
            lapse=lapse_chance,
            weight=weight,
            magnitudes={f: max(told, key=lambda m: told[m]) for f, told in magnitudes.items()},
        )

    def added(self, close: Close, fault: Fault) -> float:
        """Log of how much more likely the trials are when one more fault joins a hypothesis looked at closely."""
        done = self.bench.done
        profile = self.book.of(fault, Supposition())
        known = profile.rows < done
        rows = profile.rows[known]
        kept = np.argsort(-close.weight, kind="stable")[:_KEEP_BRIEFLY]
        base, lapse = close.hazard[kept][:, rows], close.lapse[kept][:, None, rows]
        with_fault = base[:, None, :] + profile.hazard[None, :, known]

        def weigh(hazards: Floats) -> Floats:
            plain = self._table[rows, node_of(hazards)]
            with np.errstate(divide="ignore"):
                return np.logaddexp(np.log1p(-lapse) + plain, np.log(lapse) + self._lapse[rows]).sum(axis=-1)

        gain = weigh(with_fault) - weigh(base[:, None, :])
        weight = np.log(close.weight[kept])[:, None] + profile.log_weight[None, :]
        return float(logsumexp(weight + gain) - logsumexp(np.log(close.weight[kept])))
