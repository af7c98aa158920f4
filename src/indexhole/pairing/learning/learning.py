"""From evidence to beliefs, by Bayes: draws from the prior, moved in steps towards what was seen.

The likelihood is let in by degrees (tempering); after each degree the draws are resampled by weight and every mechanism
and disk gets moves of its own (suppositions.py), accepted by the likelihood of the rows it touches alone.
The work is bounded: the likelihood is all in after a dozen degrees whatever it holds (a degree too far to weigh is gone
to without resampling, and the moves alone follow it), and a shelf with many rows gets fewer moves and draws.
`tests/pairing/test_beliefs.py` holds the outcome against weighting a great many prior draws, and closed forms.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
import numpy.typing as npt

from indexhole.pairing.learning.evidence import GaugeReading, Observation
from indexhole.pairing.learning.observed import Rows, make_rows
from indexhole.pairing.learning.suppositions import ROUNDS, Suppositions
from indexhole.pairing.parts.answer import signed
from indexhole.pairing.parts.beliefs import NO_BELIEFS, Beliefs, DiskBelief, MechanismBelief, Quality
from indexhole.pairing.parts.parts import Mechanism, Medium
from indexhole.standards.layouts import Layout
from indexhole.wording import count_of, significant

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

_GAUGED = {"radial_offset": ("gauged offset", "um"), "spindle_speed": ("gauged speed", "rpm")}

DRAWS = 256
# Bounds of the work, our own choices: degrees, draws, and hazards of rows in all. Up to some number of hazards nothing
# is spared, and small shelves get more draws, so that rare explanations are met.
_DEGREES, _LEAST_DRAWS, _MOST_DRAWS = 12, 96, 1024
_CHEAP_HAZARDS, _MOST_HAZARDS = 3e6, 12e6
_KEEP = 0.8
# From here on a pair's own chance to lose a sector, or the share it lost, says more of the drives than of the disk.
_ITS_OWN, _MOST_LOST = 0.05, 0.5


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
    draws: int | None = None,
    last_sweeps: int = 3,
) -> Beliefs:
    """Beliefs after the evidence.

    Args:
        mechanisms, disks: by name; layouts: the layout each disk bears, by the disk's name.
        observed: see evidence.observations; one that names what is not known here is left out.
        draws: suppositions to keep, as the work allows unless given.
        last_sweeps: sweeps of moves once all of the likelihood is in.

    Only what evidence touches is in the outcome; the rest stays as its class.
    """
    rows = make_rows(observed, mechanisms, disks, layouts)
    gauges = [g for g in gauges if g.mechanism in mechanisms]
    if not len(rows.templates) and not gauges:
        return NO_BELIEFS
    rounds, affordable = bounded(rows, last_sweeps)
    ways = Suppositions(rows, mechanisms, disks, gauges, draws or affordable, rng_seed)
    degree = 0.0
    for number in range(1, _DEGREES + 1):
        log_likelihood = ways.log_likelihood()
        further, least = next_degree(log_likelihood, degree, _KEEP), 2.0 ** (number - _DEGREES)
        if further >= least:
            weights = np.exp((further - degree) * (log_likelihood - log_likelihood.max()))
            ways.take(resampled(weights, ways.rng))
        degree = max(further, least)
        for _ in range(last_sweeps if degree >= 1.0 else 1):
            ways.sweep(degree, rounds)
        if degree >= 1.0:
            break
    return _as_beliefs(ways, observed, gauges)


def bounded(rows: Rows, last_sweeps: int) -> tuple[int, int]:
    """Rounds of moves a sweep, and draws, so that the hazards of all moves stay within bounds."""
    # a row is reckoned anew when any of its hands or its disk is moved, at each of its tracks
    outside = len(rows.mechanisms) - 1
    participants = (rows.participants[:, :3] < outside).sum(axis=1) + 1
    once = float((participants * (1 + rows.spans) / 2).sum()) * (_DEGREES + last_sweeps - 1) + 1
    rounds = min(ROUNDS, max(1, int(_MOST_HAZARDS / (once * DRAWS))))
    cheap, affordable = (int(most / (once * rounds)) for most in (_CHEAP_HAZARDS, _MOST_HAZARDS))
    return rounds, min(_MOST_DRAWS, max(_LEAST_DRAWS, min(affordable, max(DRAWS, cheap))))


def _as_beliefs(ways: Suppositions, observed: Sequence[Observation], gauges: Sequence[GaugeReading]) -> Beliefs:
    gauged = {g.mechanism for g in gauges}
    mechanisms = {
        name: MechanismBelief(ways.offset[:, m], ways.speed[:, m], ways.loss[:, m], ways.gap[:, m])
        for m, name in enumerate(ways.names)
        if len(ways.touching[m]) or name in gauged
    }
    disks = {
        name: DiskBelief(ways.wear[:, d], ways.defects[:, d], _quality(ways, ways.touching_disk[d]))
        for d, name in enumerate(ways.disks)
        if len(ways.touching_disk[d])
    }
    return Beliefs(mechanisms, disks, _words(mechanisms, disks, observed, gauges))


def _quality(ways: Suppositions, which: Ints) -> Quality:
    """What the trials of a disk say of it, without those whose drives lost sectors by themselves."""
    own = -np.expm1(-ways.apart[which]).mean(axis=1)
    told, aside = [], 0
    for chance, row in zip(own.tolist(), which.tolist(), strict=True):
        for o in ways.rows.seen[row]:
            if chance < _ITS_OWN and o.failed < _MOST_LOST * o.tried:
                told.append(o)
            else:
                aside += o.tried
    lost = [o for o in told if o.failed]
    return Quality(
        tried=sum(o.tried for o in told),
        lost=sum(o.failed for o in lost),
        read_elsewhere=sum(o.failed for o in lost if any(_covers(other, o) for other in told)),
        aside=aside,
    )


def _covers(other: Observation, lossy: Observation) -> bool:
    """Whether another trial read all the tracks of a lossy one without a loss, with nothing written between."""
    return (
        other.failed == 0
        and (other.side, other.writer) == (lossy.side, lossy.writer)
        and other.first_cylinder <= lossy.first_cylinder
        and other.last_cylinder >= lossy.last_cylinder
    )


def _words(
    mechanisms: Mapping[str, MechanismBelief],
    disks: Mapping[str, DiskBelief],
    observed: Sequence[Observation],
    gauges: Sequence[GaugeReading],
) -> dict[str, tuple[str, ...]]:
    told: dict[str, tuple[str, ...]] = {}
    for name, belief in mechanisms.items():
        trials = list(dict.fromkeys(o.trial for o in observed if name in (o.writer, o.reader)))
        measured = [
            f"{_GAUGED[g.quantity][0]} {g.value:g} +/- {g.uncertainty:g} {_GAUGED[g.quantity][1]}"
            for g in gauges
            if g.mechanism == name
        ]
        after = (
            f"{name}: offset {signed(belief.offset_um.mean())} +/- {belief.offset_um.std():.0f} um, speed "
            f"{signed((belief.speed_ratio.mean() - 1) * 100, 2)} +/- {belief.speed_ratio.std() * 100:.2f} %"
        )
        known = [count_of(len(trials), "trial")] if trials else []
        told[name] = (f"{after} after {', '.join(known + measured)}",)
    for name, disk in disks.items():
        trials = list(dict.fromkeys(o.trial for o in observed if o.disk == name))
        words = (
            f"{name}: signal {disk.loss_db.mean():.1f} +/- {disk.loss_db.std():.1f} dB down after "
            f"{count_of(len(trials), 'trial')}"
        )
        if disk.quality is not None and disk.quality.tried:
            rate = disk.defect_rate * 100
            share = f"{significant(rate.mean())} +/- {significant(rate.std())} %"
            words += f"; {disk.quality.words}: {share} of its sectors taken as bad"
            if disk.quality.aside:
                words += f" ({disk.quality.aside} more left out, of drives that lose sectors by themselves)"
        told[name] = (words,)
    return told
