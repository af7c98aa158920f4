"""Likelihood of all trials under a hypothesis, summed over everything unknown in it."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, replace
from functools import lru_cache, reduce

import numpy as np
import numpy.typing as npt
from scipy.special import softmax

from indexhole.causes.faults.hypotheses import Fault
from indexhole.causes.faults.magnitude import Magnitude, OffSpeed
from indexhole.causes.likelihood import count_law
from indexhole.causes.likelihood.count_law import hazard, node_of
from indexhole.causes.likelihood.gauged import NO_GAUGES, Gauged
from indexhole.causes.likelihood.history import Bench, Supposition, typical_counts, writer_share
from indexhole.causes.likelihood.kernels import operations
from indexhole.causes.likelihood.profiles import LapseProfiles, ProfileBook, Profiles, either, in_series, suppositions

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Place = tuple[int, ...]

# Chance of a sector to fail on a sound bench: unknown, so summed over, for each temper of a bench (together a
# climate). A speckled disk, which is no fault yet, has the next chance up. Our own choice.
_BACKGROUND = hazard(np.array([4e-5, 2e-4, 9e-4, 4e-3, 1.5e-2, 6e-2]))
_BACKGROUND_WEIGHT = np.array([0.15, 0.25, 0.3, 0.2, 0.1])
_SPECKLED = 0.08
_KEEP = 64  # unknowns kept, most probable first, when a hypothesis is looked at closely
_KEEP_BRIEFLY = 24
_ALL_FAIL = np.array([0.0, 0.0, 1.0])
_NEGLIGIBLE = 9.0  # nats below the best
_IMPOSSIBLE = 12.0  # nats below the best climate of every single fault
_EXPLAINED = 4.0  # nats that an operation explained by a fault costs
_LEAST_TOUCHED = 4  # operations that must meet a fault before its coming and going can be told
_NO_RATE = np.zeros(0)


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
        temper: (kept,) that of the bench.
        weight: (kept,) posterior weights of the unknowns kept.
        supposed: what most probably became of the writes.
        magnitudes: most probable magnitude of each fault, None when it has none.
        off_speed: of each fault, the share of its magnitudes that are errors of speed.
    """

    log_likelihood: float
    rows: Floats
    outcomes: Floats
    hazard: Floats
    lapse: Floats
    dispersion: Ints
    weight: Floats
    supposed: Supposition
    magnitudes: dict[Fault, Magnitude | None]
    off_speed: dict[Fault, float]


class Evidence:
    """The trials of one bench, ready to be weighed against hypotheses."""

    def __init__(self, bench: Bench, gauged: Gauged = NO_GAUGES) -> None:
        self.bench = bench
        self.book = ProfileBook(bench, gauged)
        self._attributions = gauged.attributions
        done = slice(0, bench.done)
        self._operation = bench.operation[done]
        self._starts = np.flatnonzero(np.diff(self._operation, prepend=-1))
        table = count_law.row_table(bench.failed[done], bench.tried[done], bench.last[done] - bench.first[done] + 1)
        # Over the largest of each row, so that products over rows stay numbers.
        scale = table.max(axis=(0, 2), initial=0.0)
        self._table = table / scale[None, :, None]
        self._lapsed = count_law.lapse_likelihood(bench.failed[done], bench.tried[done]) / scale
        self._whole = bench.whole_failures()[done] / scale
        self._scale = float(np.log(scale).sum())
        self._scale_by_row = np.log(scale)
        self._outcome = count_law.outcome_table(*typical_counts(bench.trials[: bench.done]))
        self._disk = bench.disk[self._starts]
        plain, speckled = np.log1p(-_SPECKLED), np.log(_SPECKLED)
        self._speckle_weight = np.array([plain, speckled])
        self._use_noise_regimes(
            [
                (k, dispersion)
                for k in range(len(_BACKGROUND_WEIGHT))
                for dispersion in range(len(count_law.DISPERSION_WEIGHT))
            ]
        )
        self.look = lru_cache(maxsize=None)(self._look)
        self._summed = lru_cache(maxsize=None)(self._sum_unknowns)

    def _use_noise_regimes(self, noise_regimes: list[tuple[int, int]]) -> None:
        self._noise_regimes = noise_regimes
        levels = sorted({(k + speckled, dispersion) for k, dispersion in noise_regimes for speckled in (0, 1)})
        self._base = np.array([_BACKGROUND[k] for k, _ in levels])
        self._dispersion = np.array([dispersion for _, dispersion in levels], dtype=np.int64)
        # Of each climate, the level of plain and of speckled disks, shape (2, climates).
        self._level = np.array([[levels.index((k + s, dispersion)) for k, dispersion in noise_regimes] for s in (0, 1)])
        self._noise_regime_weight = np.log(
            [_BACKGROUND_WEIGHT[k] * count_law.DISPERSION_WEIGHT[r] for k, r in noise_regimes]
        )
        self._best_noise_regime = np.full(len(noise_regimes), -np.inf)
        self._untouched = lru_cache(maxsize=None)(self._no_fault)

    def log_likelihood(self, faults: frozenset[Fault]) -> float:
        """Log likelihood of all done rows under the hypothesis that exactly these faults are present."""
        return self._summed(faults)

    def leave_out_impossible_noise_regimes(self) -> None:
        """From here on weigh only climates that some hypothesis weighed so far leaves possible, or further faults may.

        What is left out would add less than e^-12 to any of them, and makes every pair cheaper to weigh.
        """
        kept = self._best_noise_regime > -_IMPOSSIBLE
        # Further faults may explain what went badly, each operation at some cost against the chance that fits it best.
        tempers = [dispersion for _, dispersion in self._noise_regimes]
        fits = np.log(self._together(self._table.max(axis=2)) + 1e-300)[tempers]
        untouched = self._untouched(Supposition())[:, self._level[0], 0, 0, 0].T
        explained = self._noise_regime_weight + np.maximum(untouched, fits - _EXPLAINED).sum(axis=1)
        kept |= explained > explained.max() - _IMPOSSIBLE
        self._use_noise_regimes(
            [noise_regime for noise_regime, keeps in zip(self._noise_regimes, kept, strict=True) if keeps]
        )

    def _settings(self, faults: frozenset[Fault]) -> list[_Setting]:
        steady = sorted(f for f in faults if f.fault != "bad-lead") if faults else []
        lapses = tuple(self.book.lapses(f) for f in sorted(faults) if f.fault == "bad-lead")
        return [
            _Setting(float(np.log(w)) + self._attributed(s), s, tuple(self.book.of(f, s) for f in steady), lapses)
            for w, s in suppositions(self.bench, faults)
        ]

    def _attributed(self, supposed: Supposition) -> float:
        """Log likelihood of what captures say of who recorded a stretch, under one supposition about writes."""
        total = 0.0
        for told in self._attributions:
            share = writer_share(self.bench, supposed, told)
            total += float(np.log(share * told.probability + (1 - share) * (1 - told.probability)))
        return total

    def changes(self, fault: Fault) -> tuple[tuple[float, float, Fault], ...]:
        """How much likelier the trials are when a fault came, or went, at some time, against one there all the time.

        Returns for "came" and for "went" the log of the ratio, averaged over all times, how far that average lies below
        the likeliest time (0 or less), and the fault at that time. Empty where the fault was met too seldom to say.
        Disks count as plain here, which changes the first figure much where a fault cannot be, and the second little.
        """
        lead = fault.fault == "bad-lead"
        lapses = self.book.lapses(fault) if lead else None
        profile = None if lead else self.book.of(fault, Supposition())
        rows = profile.rows if profile is not None else lapses.rows  # type: ignore[union-attr]
        rows = rows[rows < self.bench.done]
        touched = np.unique(self._operation[rows[self.bench.tried[rows] > 0]])
        if len(touched) < _LEAST_TOUCHED:
            return ()
        within = self._operations(Supposition(), touched, [profile], lapses)
        within = (within[:, :, 0, 0, :] if lead else within[:, :, :, 0, 0])[:, self._level[0]]
        without = self._untouched(Supposition())[:, self._level[0], 0, 0, :]
        rest = np.delete(without, touched, axis=0).sum(axis=0)
        without = without[touched]
        weight = lapses.log_weight if lapses is not None else profile.log_weight  # type: ignore[union-attr]
        prior = self._noise_regime_weight[:, None] + weight + rest

        def told(first: Floats, then: Floats) -> Floats:
            # Before and after each operation but the outermost.
            before = np.cumsum(first, axis=0)[:-1]
            after = np.cumsum(then[::-1], axis=0)[::-1][1:]
            whole = prior + before + after
            top = whole.max(axis=(1, 2))
            found: Floats = top + np.log(np.exp(whole - top[:, None, None]).sum(axis=(1, 2)))
            return found

        steady = prior + within.sum(axis=0)
        always = float(steady.max() + np.log(np.exp(steady - steady.max()).sum()))
        found = []
        for came, ratio in ((True, told(without, within) - always), (False, told(within, without) - always)):
            at = int(ratio.argmax())
            name = self.bench.trials[self._starts[touched[at + 1]]].trial
            below = float(np.log(np.exp(ratio - ratio.max()).mean()))
            dated = replace(fault, since=name) if came else replace(fault, until=name)
            found.append((float(ratio.max()) + below, below, dated))
        return tuple(found)

    def _by_unknown(self, setting: _Setting) -> Floats:
        """Log of prior weight times likelihood, shape (climates, rungs of each fault..., rungs of each lead...).

        Operations are taken in groups touched by the same faults, so that a group spans only unknowns it depends on.
        """
        count = len(setting.profiles)
        by_disk: dict[int, Floats] = {}
        for touching, chosen in self._groups(setting):
            if not any(touching):
                parts = self._untouched(setting.supposed)[chosen]
            else:
                profiles = [p if t else None for p, t in zip(setting.profiles, touching, strict=False)]
                lapsing = [lapses for lapses, t in zip(setting.lapses, touching[count:], strict=True) if t]
                parts = self._operations(
                    setting.supposed, chosen, profiles, reduce(in_series, lapsing) if lapsing else None
                )
            severity_levels = [
                len(lapses.log_weight) if t else 1 for lapses, t in zip(setting.lapses, touching[count:], strict=True)
            ]
            parts = parts.reshape(*parts.shape[: 2 + count], *severity_levels)
            order = np.argsort(self._disk[chosen], kind="stable")
            disks, begins = np.unique(self._disk[chosen][order], return_index=True)
            for disk, part in zip(disks.tolist(), np.add.reduceat(parts[order], begins, axis=0), strict=True):
                by_disk[disk] = by_disk[disk] + part if disk in by_disk else part
        total = self._log_weight(setting) + self._scale
        plain, speckled = self._speckle_weight
        for part in by_disk.values():
            # Disks are speckled or not, each by itself.
            total = total + np.logaddexp(plain + part[self._level[0]], speckled + part[self._level[1]])
        log_joint: Floats = total
        return log_joint

    def _no_fault(self, supposed: Supposition) -> Floats:
        """Log likelihood of every operation untouched by faults, (operations, levels, 1, 1, 1)."""
        return self._operations(supposed, np.arange(len(self._starts)), [], None)

    def _operations(
        self, supposed: Supposition, chosen: Ints, profiles: list[Profiles | None], lapses: LapseProfiles | None
    ) -> Floats:
        """Log likelihood of chosen operations, (operations, levels, rungs or 1, rungs or 1, lapse rungs or 1)."""
        ends = np.append(self._starts[1:], self.bench.done)
        length = ends[chosen] - self._starts[chosen]
        starts = np.concatenate([[0], np.cumsum(length)])
        rows = np.arange(starts[-1]) + np.repeat(self._starts[chosen] - starts[:-1], length)
        added = [np.zeros((1, len(rows))) if p is None else _spread(p, rows) for p in profiles]
        added += [np.zeros((1, len(rows)))] * (2 - len(added))
        spoilt = self.book.spoilt(supposed)[rows]
        found: Floats = operations(
            self._table[:, rows], count_law.LUCK, count_law.STRAY_LUCK, count_law.LUCK_WEIGHT, self._lapsed[rows],
            self._whole[rows], count_law.MISHAP, starts, self._base[:, None] + spoilt, self._dispersion,
            added[0], added[1],
            _NO_RATE if lapses is None else lapses.by_operation, _NO_RATE if lapses is None else lapses.by_row,
            count_law.NODE_BY_BITS, count_law.BITS_DROPPED, count_law.LOWEST_BITS,
        )  # fmt: skip
        return found

    def _groups(self, setting: _Setting) -> Iterator[tuple[tuple[bool, ...], Ints]]:
        """Operations by which faults touch them: first those with profiles, then leads that lapse."""
        faults: tuple[Profiles | LapseProfiles, ...] = (*setting.profiles, *setting.lapses)
        code = np.zeros(len(self._starts), dtype=np.int64)
        for bit, fault in enumerate(faults):
            code[np.unique(self._operation[fault.rows[fault.rows < self.bench.done]])] += 1 << bit
        for value in np.unique(code):
            yield tuple(bool(value >> bit & 1) for bit in range(len(faults))), np.flatnonzero(code == value)

    def _log_weight(self, setting: _Setting) -> Floats:
        """Log prior of the unknowns, shape (climates, rungs of each fault..., rungs of each lead...)."""
        weight = self._noise_regime_weight
        for severity_levels in [p.log_weight for p in setting.profiles] + [
            lapses.log_weight for lapses in setting.lapses
        ]:
            weight = weight[..., None] + severity_levels
        log_weight: Floats = weight
        return log_weight

    def _joint(self, faults: frozenset[Fault]) -> tuple[list[_Setting], list[Floats]]:
        settings = self._settings(faults)
        return settings, [s.log_weight + self._by_unknown(s) for s in settings]

    def _sum_unknowns(self, faults: frozenset[Fault]) -> float:
        """Log likelihood over all unknowns; which climates it leaves possible is remembered."""
        _, joint = self._joint(faults)
        top = max(float(j.max()) for j in joint)
        by_noise_regime = sum(np.exp(j - top).reshape(len(self._noise_regimes), -1).sum(axis=1) for j in joint)
        whole = float(np.sum(by_noise_regime))
        with np.errstate(divide="ignore"):
            self._best_noise_regime = np.maximum(self._best_noise_regime, np.log(by_noise_regime / whole))
        return top + float(np.log(whole))

    def _likeliest(self, faults: frozenset[Fault]) -> tuple[Floats, list[tuple[_Setting, Place, tuple[int, int]]]]:
        """The few most probable unknowns with their posterior weights: setting, rungs of its faults, climate."""
        settings, joint = self._joint(faults)
        flat = np.concatenate([j.ravel() for j in joint])
        most = min(_KEEP, len(flat))
        kept = np.argpartition(-flat, most - 1)[:most]
        kept = np.sort(kept[flat[kept] > flat.max() - _NEGLIGIBLE])
        starts = np.cumsum([0, *(j.size for j in joint)])
        owners = np.searchsorted(starts, kept, side="right") - 1
        unknowns = []
        for number, o in zip(kept, owners, strict=True):
            noise_regime, *place = (int(x) for x in np.unravel_index(number - starts[o], joint[o].shape))
            unknowns.append((settings[o], tuple(place), self._noise_regimes[noise_regime]))
        weight = np.exp(flat[kept] - flat.max())
        return weight / weight.sum(), unknowns

    def _look(self, faults: frozenset[Fault]) -> Close:
        """The hypothesis with its unknowns weighed by the trials: what it says of each row and each candidate."""
        log_likelihood = self._summed(faults)
        weight, unknowns = self._likeliest(faults)
        done, total = self.bench.done, len(self.bench.trials)
        hazards, lapse = np.zeros((len(weight), total)), np.zeros((len(weight), total))
        dispersion = np.array([noise_regime[1] for _, _, noise_regime in unknowns], dtype=np.int64)
        rows = np.zeros((len(weight), done))
        told: Counter[tuple[Fault, Magnitude | None]] = Counter()
        steady = sorted(f for f in faults if f.fault != "bad-lead")
        for i, (setting, place, noise_regime) in enumerate(unknowns):
            added, spoilt = np.zeros(total), self.book.spoilt(setting.supposed)
            for fault, profile, severity_level in zip(steady, setting.profiles, place, strict=False):
                added[profile.rows] += profile.hazard[severity_level]
                told[fault, profile.magnitude[severity_level]] += weight[i]
            lapses = list(zip(setting.lapses, place[len(setting.profiles) :], strict=True))
            for over, severity_level in lapses:
                rate = either(over.by_operation[severity_level], over.by_row[severity_level])
                lapse[i, over.rows] = either(lapse[i, over.rows], rate)
            ways = [
                self._by_row(added, spoilt + _BACKGROUND[noise_regime[0] + s], noise_regime[1], lapses) for s in (0, 1)
            ]
            # Each disk is told as it most probably is, speckled or plain.
            by_disk = [np.bincount(self._disk, w, minlength=len(self.bench.disks)) for _, w in ways]
            speckled = by_disk[1] + self._speckle_weight[1] > by_disk[0] + self._speckle_weight[0]
            hazards[i] = added + spoilt + _BACKGROUND[noise_regime[0] + speckled[self.bench.disk].astype(np.int64)]
            here = speckled[self.bench.disk[:done]]
            by_row = np.where(here, ways[1][0], ways[0][0])
            whole = np.where(speckled[self._disk], ways[1][1], ways[0][1])
            rows[i] = self._dealt_out(by_row, whole, noise_regime[1]) + self._scale_by_row
        ahead = lapse[:, done:, None]
        outcomes = self._outcome[dispersion[:, None], node_of(hazards[:, done:])] * (1 - ahead) + ahead * _ALL_FAIL
        return Close(
            log_likelihood=log_likelihood,
            rows=weight @ rows,
            outcomes=np.einsum("k,kco->co", weight, outcomes),
            hazard=hazards,
            lapse=lapse,
            dispersion=dispersion,
            weight=weight,
            supposed=unknowns[int(weight.argmax())][0].supposed,
            magnitudes={fault: size for (fault, size), _ in reversed(told.most_common())},
            off_speed={
                fault: sum(w for (f, size), w in told.items() if f == fault and isinstance(size, OffSpeed))
                for fault in steady
            },
        )

    def _by_row(
        self, added: Floats, base: Floats, dispersion: int, lapsing: list[tuple[LapseProfiles, int]]
    ) -> tuple[Floats, Floats]:
        """Log likelihood of rows, (luck, rows), and of operations, (operations,), with everything known but luck."""
        done = self.bench.done
        hazards = count_law.LUCK[:, None] * added[:done] + count_law.STRAY_LUCK[:, None] * base[:done]
        by_row = self._table[dispersion, np.arange(done), node_of(hazards)]
        if not lapsing:
            plain = self._by_operation(by_row, dispersion)
        else:
            together, singly = np.zeros(done), np.zeros(done)
            for lapses, severity_level in lapsing:
                rows = lapses.rows[lapses.rows < done]
                together[rows] = either(together[rows], lapses.by_operation[severity_level])
                singly[rows] = either(singly[rows], lapses.by_row[severity_level])
            plain = self._by_operation((1 - singly) * by_row + singly * self._lapsed, dispersion)
            at_once = together[self._starts]
            plain = (1 - at_once) * plain + at_once * self._together(self._lapsed)
            rate = either(together, singly)
            by_row = (1 - rate) * by_row + rate * self._lapsed
        whole = (1 - count_law.MISHAP) * plain + count_law.MISHAP * self._together(self._whole)
        return np.log(by_row), np.log(whole + 1e-300)

    def _together(self, by_row: Floats) -> Floats:
        """Product over the rows of each operation, on the last axis."""
        if len(self._starts) == 0:
            return np.zeros((*by_row.shape[:-1], 0))
        product: Floats = np.multiply.reduceat(by_row, self._starts, axis=-1)
        return product

    def _by_operation(self, by_row: Floats, dispersion: int) -> Floats:
        """Likelihood of operations from that of rows, luck summed over: (luck, rows) to (operations,)."""
        summed: Floats = count_law.LUCK_WEIGHT[dispersion] @ self._together(by_row)
        return summed

    def _dealt_out(self, by_row: Floats, whole: Floats, dispersion: int) -> Floats:
        """Log likelihood of operations dealt out to their rows, (luck, rows) and (operations,) to (rows,).

        Each row gets its own under the luck that its operation most likely had, and an even share of what is left over.
        """
        operation = self._operation
        by_luck = np.stack([np.bincount(operation, weights=part) for part in by_row])
        luck = softmax(by_luck + np.log(count_law.LUCK_WEIGHT[dispersion])[:, None], axis=0)[:, operation]
        own = (luck * by_row).sum(axis=0)
        left = (whole - np.bincount(operation, weights=own)) / np.bincount(operation)
        rows: Floats = own + left[operation]
        return rows

    def added(self, close: Close, fault: Fault, most: int = _KEEP_BRIEFLY) -> float:
        """Log of how much more likely the trials are when one more fault joins a hypothesis looked at closely.

        The hypothesis keeps its unknowns, at most so many.
        """
        done = self.bench.done
        profile = self.book.of(fault, close.supposed)
        known = profile.rows < done
        rows = profile.rows[known]
        kept = np.argsort(-close.weight, kind="stable")[:most]
        base, lapse = close.hazard[kept][:, rows], close.lapse[kept][:, None, rows]
        with_fault = base[:, None, :] + profile.hazard[None, :, known]
        dispersion = close.dispersion[kept][:, None, None]

        def weigh(hazards: Floats) -> Floats:
            plain = self._table[dispersion, rows, node_of(hazards)]
            total: Floats = np.log((1 - lapse) * plain + lapse * self._lapsed[rows]).sum(axis=-1)
            return total

        gain = weigh(with_fault) - weigh(base[:, None, :])
        share = close.weight[kept] / close.weight[kept].sum()
        gain += np.log(share)[:, None] + profile.log_weight[None, :]
        return float(gain.max() + np.log(np.exp(gain - gain.max()).sum()))


def _spread(profile: Profiles, rows: Ints) -> Floats:
    """A profile's hazards on some rows (rising), nought where it does not touch, (rungs, rows)."""
    spread = np.zeros((len(profile.log_weight), len(rows)))
    place = np.searchsorted(rows, profile.rows)
    known = (place < len(rows)) & (rows[np.minimum(place, len(rows) - 1)] == profile.rows)
    spread[:, place[known]] = profile.hazard[:, known]
    return spread
