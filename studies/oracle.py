"""What could be told at best: the exact posterior of a bench of `studies.benches`, by its own likelihood.

All unknowns of the generator are finite, so they are summed over exactly: stray rate, lumps, speckled disks, luck of
rows and operations, rungs of every fault, lapses of leads and what became of writes; for no fault, every single fault
and every pair of faults of different elements. Only pairs that the trials speak for by neither of their faults, or
that hold a fault the trials refute outright, are told by their singles (`_plain`); they are never the likeliest.
"""

from __future__ import annotations

from collections.abc import Iterator
from itertools import combinations

import numpy as np
from numba import njit
from scipy.special import logsumexp

from studies.benches import (
    LAPSED_WHOLE,
    LAPSES,
    LOST,
    LUCKLESS,
    LUMPY,
    NOBODY,
    OPERATION_LUCK,
    SECTORS,
    SPECKLED,
    STEP,
    STRAY,
    WIPES,
    Bench,
    Key,
    Tracks,
    chances,
    hazard_of,
    row_law,
    stray_hazard,
)

Hypothesis = frozenset[Key]
# How often the generator plants none, one and two faults.
HOW_MANY = (0.2, 0.6, 0.2)
_NEGLIGIBLE = 12.0  # nats below the best settings of stray rate and lumps
_SPEAKS, _REFUTED = 0.7, -8.0  # nats a single must gain, or lose, against no fault at all


@njit(cache=True)
def _sums(
    law, lapsed, starts, stops, chosen, lumps, base, nobody, one, two, lapse_one, lapse_two, lucky, luck, luck_weight
):  # type: ignore[no-untyped-def]
    """Log likelihood of chosen operations, shape (settings, speckled, chosen, rungs, rungs).

    law (lumps, rows, nodes), base (settings, speckled, rows), one and two (rungs, rows) hazards, lapse_* (rungs, 2) or
    empty where the fault is no lead, lucky whether the luck of an operation bears on the fault.
    """
    settings, speckles = base.shape[0], base.shape[1]
    out = np.zeros((settings, speckles, len(chosen), one.shape[0], two.shape[0]))
    bottom = np.log(1e-5)
    last = law.shape[2] - 1
    for s in range(settings):
        for e in range(speckles):
            for o in range(len(chosen)):
                a, b = starts[chosen[o]], stops[chosen[o]]
                for i in range(one.shape[0]):
                    for j in range(two.shape[0]):
                        rate, dwells = 0.0, 0.0
                        if len(lapse_one):
                            rate, dwells = lapse_one[i, 0], lapse_one[i, 1]
                        if len(lapse_two):
                            rate, dwells = lapse_two[j, 0], lapse_two[j, 1]
                        whole = 0.0
                        for u in range(len(luck)):
                            up, down = luck_weight[u], 0.0
                            by_luck = (luck[u] if lucky[0] else 1.0, luck[u] if lucky[1] else 1.0)
                            for r in range(a, b):
                                hazard = base[s, e, r] + nobody[r] + by_luck[0] * one[i, r] + by_luck[1] * two[j, r]
                                node = round((np.log(hazard) - bottom) / STEP)
                                likely = law[lumps[s], r, min(max(node, 0), last)]
                                if rate > 0:
                                    again = rate + dwells * (1 - rate)
                                    begins = rate * (1 - dwells)
                                    if r == a:
                                        up, down = up * (1 - rate), up * rate
                                    else:
                                        up, down = (
                                            up * (1 - begins) + down * (1 - again),
                                            up * begins + down * again,
                                        )
                                    up, down = up * likely, down * lapsed[r]
                                else:
                                    up *= likely
                            whole += up + down
                        out[s, e, o, i, j] = np.log(whole + 1e-300)
    return out


class Oracle:
    """Weighs every hypothesis of one bench."""

    def __init__(self, bench: Bench) -> None:
        self.bench, plan = bench, bench.plan
        rows = plan.rows
        operation = np.array([r.operation for r in rows])
        self._starts = np.flatnonzero(np.diff(operation, prepend=-1))
        self._stops = np.append(self._starts[1:], len(rows))
        self._law = np.stack(
            [
                np.stack([row_law(lumps, r.tracks)[:, k] for r, k in zip(rows, bench.failed, strict=True)])
                for lumps in LUMPY[0]
            ]
        )
        tried = np.array([r.tracks * SECTORS for r in rows])
        self._whole = np.array(bench.failed) == tried
        self._lapsed = LAPSED_WHOLE * self._whole + (1 - LAPSED_WHOLE) / (tried + 1)
        disks = [plan.disks.index(rows[a].disk) for a in self._starts]
        self._of_disk = np.eye(len(plan.disks))[disks]
        self._lead = np.array([rows[a].lead for a in self._starts])
        # Settings: stray rate by lumps.
        settings = [(p, h) for p in range(len(STRAY[0])) for h in range(len(LUMPY[0]))]
        self._use(settings)
        self._histories: dict[tuple[frozenset[str], bool, frozenset[str], str], list[np.ndarray]] = {}
        self._profiles: dict[tuple[Key, int], np.ndarray] = {}

    def _use(self, settings: list[tuple[int, int]]) -> None:
        self._settings = settings
        self._lumps = np.array([h for _, h in settings])
        self._setting_weight = np.log([STRAY[1][p] * LUMPY[1][h] for p, h in settings])
        self._base = np.array(
            [
                [[stray_hazard(r, STRAY[0][p], e) for r in self.bench.plan.rows] for e in SPECKLED[0]]
                for p, _ in settings
            ]
        )
        self._alone: dict[tuple[Key | None, int], np.ndarray] = {}

    def _history(self, dead: frozenset[str], wipes: bool, leads: frozenset[str], lost: str) -> list[np.ndarray]:
        key = (dead, wipes, leads, lost)
        if key not in self._histories:
            tracks = Tracks(self.bench.plan, dead, wipes, leads, lost)
            met = []
            for row, whole in zip(self.bench.plan.rows, self._whole, strict=True):
                met.append(tracks.meets(row))
                tracks.after(row, wholly_failed=bool(whole))
            self._histories[key] = met
        return self._histories[key]

    def _suppositions(self, faults: Hypothesis) -> Iterator[tuple[float, list[np.ndarray]]]:
        dead = frozenset(e for e, w, _ in faults if w == "dead-write")
        leads = frozenset(e for e, w, _ in faults if w == "bad-lead")
        for wipes, p in WIPES if dead else ((False, 1.0),):
            for lost, q in LOST if leads else (("took", 1.0),):
                yield p * q, self._history(dead, wipes, leads, lost)

    def _profile(self, fault: Key, met: list[np.ndarray]) -> np.ndarray:
        key = (fault, id(met))
        if key not in self._profiles:
            if fault[1] == "bad-lead":
                self._profiles[key] = np.zeros((len(LAPSES), len(met)))
            else:
                found = [
                    chances(fault, self.bench.plan, row, writers)
                    for row, writers in zip(self.bench.plan.rows, met, strict=True)
                ]
                severity_levels = next((len(c) for c in found if c is not None), 1)
                self._profiles[key] = np.stack(
                    [hazard_of(c) if c is not None else np.zeros(severity_levels) for c in found], axis=1
                )
        return self._profiles[key]

    def _touched(self, fault: Key, profile: np.ndarray) -> np.ndarray:
        if fault[1] == "bad-lead":
            return self._lead == fault[0]
        return np.logical_or.reduceat(profile.any(axis=0), self._starts)

    def _sum(self, chosen: np.ndarray, met: list[np.ndarray], faults: list[Key]) -> np.ndarray:
        nothing = np.zeros((1, len(met)))
        profiles = [self._profile(f, met) for f in faults] + [nothing, nothing]
        lapses = [LAPSES if f[1] == "bad-lead" else np.zeros((0, 2)) for f in faults] + [np.zeros((0, 2))] * 2
        lucky = np.array([f[1] not in LUCKLESS for f in faults] + [True, True])
        nobody = hazard_of(np.array([(w == NOBODY).mean() for w in met]))
        return _sums(
            self._law, self._lapsed, self._starts, self._stops, chosen, self._lumps, self._base, nobody,
            profiles[0], profiles[1], lapses[0], lapses[1], lucky, *OPERATION_LUCK,
        )  # fmt: skip

    def _by_operation(self, fault: Key | None, met: list[np.ndarray]) -> np.ndarray:
        """Every operation with one fault or none, (settings, speckled, operations, rungs)."""
        key = (fault, id(met))
        if key not in self._alone:
            every = np.arange(len(self._starts))
            self._alone[key] = self._sum(every, met, [fault] if fault else [])[..., 0]
        return self._alone[key]

    def by_setting(self, faults: Hypothesis) -> np.ndarray:
        """Log likelihood for each setting with its weight, (settings,)."""
        told = sorted(faults, key=str)
        parts = []
        for weight, met in self._suppositions(faults):
            touched = [self._touched(f, self._profile(f, met)) for f in told]
            severity_levels = [len(self._profile(f, met)) for f in told]
            first = touched[0] if told else np.zeros(len(self._starts), dtype=bool)
            second = touched[1] if len(told) > 1 else np.zeros_like(first)
            neither = ~(first | second)
            total = self._per_disk(self._by_operation(None, met), neither)[..., None]
            if told:
                total = total + self._per_disk(self._by_operation(told[0], met), first & ~second)[..., None]
            if len(told) > 1:
                total = total + self._per_disk(self._by_operation(told[1], met), second & ~first)[..., None, :]
                both = np.flatnonzero(first & second)
                if len(both):
                    joint = self._sum(both, met, told)
                    total = total + np.einsum("seoij,od->sedij", joint, self._of_disk[both])
            speckled = np.log(SPECKLED[1])[None, :, None, None, None]
            # Disks are speckled or not, each by itself.
            whole = np.logaddexp.reduce(total + speckled, axis=1).sum(axis=1)
            parts.append(np.log(weight) + logsumexp(whole, axis=(1, 2)) - sum(np.log(n) for n in severity_levels))
        found: np.ndarray = np.logaddexp.reduce(parts, axis=0) + self._setting_weight
        return found

    def _per_disk(self, by_operation: np.ndarray, mask: np.ndarray) -> np.ndarray:
        found: np.ndarray = np.einsum("seor,od->sedr", by_operation[:, :, mask], self._of_disk[mask])
        return found

    def first(self) -> tuple[Hypothesis, float]:
        """The likeliest hypothesis, with its probability."""
        return max(self.posterior().items(), key=lambda item: item[1])

    def posterior(self) -> dict[Hypothesis, float]:
        """Probability of every hypothesis."""
        chance = self.bench.plan.faults()
        keys = list(chance)
        by_setting = {key: self.by_setting(frozenset({key})) for key in keys}
        nothing = self.by_setting(frozenset())
        none = float(logsumexp(nothing))
        gain = {key: float(logsumexp(found)) - none for key, found in by_setting.items()}
        joint: dict[Hypothesis, float] = {frozenset(): np.log(HOW_MANY[0]) + none}
        for key in keys:
            joint[frozenset({key})] = np.log(HOW_MANY[1] * chance[key]) + none + gain[key]
        # Pairs are weighed in those settings alone that some single leaves possible.
        every = np.stack([nothing, *by_setting.values()])
        possible = (every > every.max(axis=1, keepdims=True) - _NEGLIGIBLE).any(axis=0)
        self._use([s for s, kept in zip(self._settings, possible, strict=True) if kept])
        of_element: dict[str, float] = {}
        for key, p in chance.items():
            of_element[key[0]] = of_element.get(key[0], 0.0) + p
        for one, other in combinations(keys, 2):
            if one[0] == other[0]:
                continue
            both = frozenset({one, other})
            drawn = chance[one] * chance[other] * (1 / (1 - of_element[one[0]]) + 1 / (1 - of_element[other[0]]))
            told = self._plain(gain[one], gain[other])
            likely = none + told if told is not None else float(logsumexp(self.by_setting(both)))
            joint[both] = np.log(HOW_MANY[2] * drawn) + likely
        total = logsumexp(list(joint.values()))
        return {h: float(np.exp(w - total)) for h, w in joint.items()}

    def _plain(self, one: float, other: float) -> float | None:
        """What a pair gains over no fault when its singles tell it, else None."""
        plain = max(one, other) < _SPEAKS or min(one, other) < _REFUTED
        return one + other if plain else None
