"""How far two heads stand apart, from what one failed to read of the other's tracks.

The forward model says how often a sector fails at each distance; turned round by Bayes it says which distances the
counts leave. It is nearly blind below the distance at which failure sets in, and it does not know left from right
unless tracks were laid off the centre line on purpose (`shift_um`). What is told is therefore an interval about 0, or
an unsigned distance; docs/networks.md has figures.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import lru_cache

import numpy as np
import numpy.typing as npt
from scipy.special import logsumexp, softmax

from indexhole.levelling.network import Tie
from indexhole.model.forward import (
    SOUND,
    MechanismState,
    Recording,
    TrackPlace,
    read_out,
    sector_failure_probability,
)
from indexhole.model.trials.counts import EITHER
from indexhole.model.trials.recorders import Recorders
from indexhole.model.trials.trial import Trial

Floats = npt.NDArray[np.float64]

_GRID_UM = 5.0
# Read chains differ; each share of the usual noise is as likely. Our own choice.
_NOISE_SHARES = (0.67, 1.0, 1.5)
# Chance of a stray sector on a sound bench, and its weights: unknown, so summed over. Our own choice.
_STRAY, _STRAY_WEIGHT = (1e-4, 2e-3, 1.5e-2), (0.4, 0.4, 0.2)
_HELD = 0.05  # a row with more failed needs to be laid to something
# What failure sets in at hangs on heads and read chains nobody measured: this share of a distance is uncertain, beside
# what the counts leave. Our own choice.
_MODEL_SHARE = 0.1
_APART = 2.5  # standard deviations above 0 at which a distance is told as one


@dataclass(frozen=True, slots=True)
class CrossRead:
    """Sectors of one drive's track tried in another: how many failed, and how far off the centre line (outward) the
    track was laid on purpose."""

    tried: int
    failed: int
    shift_um: float = 0.0


@dataclass(frozen=True, slots=True)
class Apart:
    """What counts say of reader's place less writer's, um: mean and standard deviation, signed and of the size."""

    mean_um: float
    spread_um: float
    size_um: float
    size_spread_um: float


@dataclass(frozen=True)
class CrossTies:
    """Offset ties out of trials, and what the trials did not tell, in words."""

    ties: tuple[Tie, ...]
    remarks: tuple[str, ...]


@dataclass(frozen=True)
class Heads:
    """What is known of the mechanisms beside the trials.

    Attributes:
        states: widths of heads and speed of each mechanism, as far as known; others are taken as sound.
        places: the track each is taken to read, by its class.
        gauged: mechanisms whose speed was measured: only then can counts be laid to offset.
    """

    states: Mapping[str, MechanismState] = field(default_factory=dict)
    places: Mapping[str, TrackPlace] = field(default_factory=dict)
    gauged: frozenset[str] = frozenset()


@lru_cache(maxsize=512)
def _failure(writer: MechanismState, reader: MechanismState, place: TrackPlace, shift_um: float) -> Floats:
    """Chance of a sector to fail over distances and noises, (grid, noises); distances as `_distances` gives them."""
    distances = _distances(writer.write_width_um, reader.read_width_um)
    moved = replace(writer, offset_um=shift_um)
    # without a shift both sides are alike
    needed = distances if shift_um else distances[len(distances) // 2 :]
    chance = np.empty((len(needed), len(_NOISE_SHARES)))
    for j, share in enumerate(_NOISE_SHARES):
        noisy = replace(reader, noise=reader.noise * share)
        for i, distance in enumerate(needed.tolist()):
            told = read_out(Recording(moved), replace(noisy, offset_um=distance), place=place)
            chance[i, j] = sector_failure_probability(told, place.sector_bytes)
    return chance if shift_um else np.concatenate((chance[:0:-1], chance))


def _distances(write_width_um: float, read_width_um: float) -> Floats:
    """From no overlap on one side to none on the other, um."""
    reach = round((write_width_um + read_width_um) / 2 / _GRID_UM)
    return np.linspace(-reach * _GRID_UM, reach * _GRID_UM, 2 * reach + 1)


def log_likelihood(
    reads: Sequence[CrossRead], writer: MechanismState, reader: MechanismState, place: TrackPlace
) -> tuple[Floats, Floats]:
    """Distances (grid,), um, reader less writer, and the log likelihood of the counts at each."""
    distances = _distances(writer.write_width_um, reader.read_width_um)
    total = np.zeros((len(distances), len(_NOISE_SHARES), len(_STRAY)))
    stray = np.array(_STRAY)
    for read in reads:
        missed = _failure(writer, reader, place, read.shift_um)[:, :, None]
        total += EITHER.log_likelihood(read.failed, read.tried, 1.0 - (1.0 - missed) * (1.0 - stray))
    weight = np.log(np.array(_STRAY_WEIGHT) / len(_NOISE_SHARES))
    return distances, np.asarray(logsumexp(total + weight, axis=(1, 2)), dtype=np.float64)


def apart(distances: Floats, log_weight: Floats) -> Apart:
    """Moments of the belief about a distance, every distance being as likely beforehand."""
    weight = softmax(log_weight)
    mean, size = float(weight @ distances), float(weight @ np.abs(distances))
    square = float(weight @ distances**2) + _GRID_UM**2 / 12
    return Apart(mean, float(np.sqrt(square - mean**2)), size, float(np.sqrt(max(square - size**2, _GRID_UM**2 / 12))))


def cross_ties(trials: Sequence[Trial], heads: Heads | None = None, past: Collection[str] = ()) -> CrossTies:
    """Ties between mechanisms, and between mechanisms and disks as they came, out of the trials.

    Rows that failed count only where nothing nearer explains them: the reader reads something well on that side, the
    recording was read well by somebody, and the speeds of both drives are known. What is left out is told. Names in
    `past` are of drives as they were before a head was moved: they tie to nothing.
    """
    heads = heads or Heads()
    rows = _pair_rows(trials)
    pairs: dict[tuple[str, str], list[tuple[str, str, CrossRead]]] = defaultdict(list)
    names: dict[tuple[str, str], list[str]] = defaultdict(list)
    remarks: dict[str, None] = {}
    for row in rows.crossed:
        if row.reader in past or row.recorder in past:
            continue
        if reason := rows.unexplained(row):
            remarks[reason] = None
            continue
        ends = row.recorder, row.reader
        pair = (min(ends), max(ends))
        pairs[pair].append((row.recorder, row.reader, CrossRead(row.trial.sectors_tried, row.trial.sectors_failed)))
        names[pair].append(row.trial.trial)
    ties = []
    for pair, reads in sorted(pairs.items()):
        tie, remark = _tie(pair, reads, names[pair], heads, rows.mechanisms)
        ties.append(tie)
        if remark:
            remarks[remark] = None
    return CrossTies(tuple(ties), tuple(remarks))


def _tie(
    pair: tuple[str, str],
    reads: Sequence[tuple[str, str, CrossRead]],
    trials: Sequence[str],
    heads: Heads,
    mechanisms: frozenset[str],
) -> tuple[Tie, str]:
    start, end = pair
    failing = any(r.failed > _HELD * r.tried for _, _, r in reads)
    ungauged = sorted(n for n in pair if n in mechanisms and n not in heads.gauged)
    remark = ""
    total: Floats | None = None
    distances = np.zeros(0)
    for recorder, reader in dict.fromkeys((w, r) for w, r, _ in reads):
        held = [read for w, r, read in reads if (w, r) == (recorder, reader)]
        place = heads.places.get(reader, TrackPlace())
        at, log_weight = log_likelihood(held, *_pair(recorder, reader, heads), place)
        if reader == start:
            log_weight = np.flip(log_weight)
        distances, total = _joined(distances, total, at, log_weight)
    assert total is not None
    told = apart(distances, total)
    if failing and ungauged:
        # speed would do the same: then the distance may be anything a sound pair's may
        sound = [CrossRead(r.tried, 0) for _, _, r in reads]
        recorder, reader, _ = reads[0]
        wrote, reads_it = _pair(recorder, reader, heads)
        place = heads.places.get(reader, TrackPlace())
        at, innocent = log_likelihood(sound, replace(wrote, speed_ratio=1.0), reads_it, place)
        free = apart(at, innocent)
        spread = float(np.sqrt((told.size_um**2 + told.size_spread_um**2 + free.spread_um**2) / 2))
        told = Apart(0.0, spread, 0.0, spread)
        remark = f"{start} and {end} fail on each other's tracks; gauge the speed of {' and '.join(ungauged)}, then "
        remark += "the trials tell how far apart their heads stand"
    named = ", ".join(trials[:4]) + (f" and {len(trials) - 4} more" if len(trials) > 4 else "")
    name = f"trials {start} {end}"
    if told.size_um > _APART * told.size_spread_um and abs(told.mean_um) < 0.1 * told.spread_um:
        spread = float(np.hypot(told.size_spread_um, _MODEL_SHARE * told.size_um))
        return Tie(name, start, end, told.size_um, spread, f"trials {named}", unsigned=True), remark
    # counts without shifts are the same both ways, so what is left of a mean is rounding
    mean = told.mean_um if abs(told.mean_um) > 1e-6 * told.spread_um else 0.0
    return Tie(name, start, end, mean, told.spread_um, f"trials {named}"), remark


def _pair(recorder: str, reader: str, heads: Heads) -> tuple[MechanismState, MechanismState]:
    """Both drives' widths, offsets taken out, and their speeds: only how they differ matters, to 0.1 %, so that many
    pairs share one reckoning. What recorded a disk as it came had the reader's widths and was sound."""
    reads_it = heads.states.get(reader, SOUND)
    wrote = heads.states.get(recorder, replace(reads_it, speed_ratio=1.0))
    against = round(wrote.speed_ratio / reads_it.speed_ratio, 3)
    return (
        replace(wrote, offset_um=0.0, speed_ratio=against),
        replace(reads_it, offset_um=0.0, speed_ratio=1.0),
    )


def _joined(distances: Floats, total: Floats | None, at: Floats, log_weight: Floats) -> tuple[Floats, Floats]:
    """Two likelihoods over the distances that both reach."""
    if total is None:
        return at, log_weight
    shared = min(len(distances), len(at))
    one, other = (len(distances) - shared) // 2, (len(at) - shared) // 2
    joined: Floats = total[one : one + shared] + log_weight[other : other + shared]
    return distances[one : one + shared], joined


@dataclass(frozen=True, slots=True)
class _Crossed:
    trial: Trial
    reader: str
    recorder: str


@dataclass(frozen=True)
class _Rows:
    """Rows by who read whose track, with the controls that explain failures otherwise.

    Attributes:
        crossed: rows in which a mechanism read what another recorded, or what a disk came with.
        reads_well: (mechanism, side) that read something well, its own tracks or others'.
        own_tried: (mechanism, side) that was tried on its own tracks.
        read_well: (disk, side, recorder) read well by somebody.
    """

    crossed: tuple[_Crossed, ...]
    mechanisms: frozenset[str]
    reads_well: frozenset[tuple[str, int]]
    own_tried: frozenset[tuple[str, int]]
    read_well: frozenset[tuple[str, int, str]]

    def unexplained(self, row: _Crossed) -> str:
        """Why a failed row says nothing of offset; "" when it may."""
        trial = row.trial
        if trial.sectors_failed <= _HELD * trial.sectors_tried:
            return ""
        if (row.reader, trial.side) not in self.reads_well:
            if (row.reader, trial.side) in self.own_tried:
                return f"{row.reader} fails on its own tracks of side {trial.side} too: that is not offset"
            return f"{row.reader} reads nothing well on side {trial.side}, and was never tried on its own tracks there"
        if (trial.disk, trial.side, row.recorder) not in self.read_well:
            return f"what {row.recorder} recorded on side {trial.side} of {trial.disk} was not read well by anybody"
        return ""


def _pair_rows(trials: Sequence[Trial]) -> _Rows:
    crossed: list[_Crossed] = []
    reads_well: set[tuple[str, int]] = set()
    own_tried: set[tuple[str, int]] = set()
    read_well: set[tuple[str, int, str]] = set()
    for trial, recorder in zip(trials, Recorders(trials).met, strict=True):
        if not trial.sectors_tried or not recorder:
            continue
        if trial.sectors_failed <= _HELD * trial.sectors_tried:
            read_well.add((trial.disk, trial.side, recorder))
            reads_well.add((trial.mechanism, trial.side))
        if recorder == trial.mechanism:
            own_tried.add((trial.mechanism, trial.side))
        else:
            crossed.append(_Crossed(trial, trial.mechanism, recorder))
    return _Rows(
        tuple(crossed),
        frozenset(t.mechanism for t in trials),
        frozenset(reads_well),
        frozenset(own_tried),
        frozenset(read_well),
    )
