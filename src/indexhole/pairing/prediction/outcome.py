"""From passages to the chance of a whole disk, and what each group takes away from it."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from itertools import combinations

import numpy as np
import numpy.typing as npt

from indexhole.model import kernels
from indexhole.pairing.prediction.passages import Passage

Floats = npt.NDArray[np.float64]

STOCHASTIC = ("position", "old recording", "magnetics", "timing")
_POSITION = (kernels.W_OFFSET, kernels.R_OFFSET, kernels.STRAIN, kernels.OVAL, kernels.SWING, kernels.AZIMUTH)
_ANGLES = kernels.whole_turn(4)


def ideal(passage: Passage, groups: Sequence[str], spacing_um: float) -> Passage:
    """The passage as if some groups cost nothing: heads where they belong, no old recording, and so on."""
    d, t = passage.draws.copy(), passage.tracks.copy()
    if "position" in groups:
        d[:, _POSITION] = 0.0
        d[:, kernels.U_OFFSET] = 0.0
        t[:, (kernels.W_PLACE, kernels.R_PLACE)] = 0.0
    if "old recording" in groups:
        d[:, kernels.UNDER] = 0.0
    if "magnetics" in groups:
        d[:, (kernels.SEEN, kernels.LAID)] = 1.0
        d[:, (kernels.RESIDUE, kernels.DEFECT)] = 0.0
        d[:, kernels.PULSE] = np.minimum(d[:, kernels.PULSE], 0.9 * spacing_um)
    if "timing" in groups:
        d[:, kernels.RATIO], t[:, kernels.RATE] = 1.0, 1.0
        d[:, (kernels.WOW, kernels.ASYMMETRY, kernels.SHIFT)] = 0.0
        d[:, kernels.NOISE] = np.minimum(d[:, kernels.NOISE], 0.03)
    return Passage(passage.words, d, t)


def hazards(passages: Sequence[Passage], added: Floats | None = None) -> Floats:
    """Hazard of one sector of each track by all passages together, shape (draws, tracks)."""
    total: Floats = sum((kernels.sector_hazards(p.draws, p.tracks, _ANGLES) for p in passages), np.zeros((1, 1)))
    return total if added is None else total + added


def whole_disk(sector_hazards: Floats, sectors: Floats) -> Floats:
    """Chance of each draw that no sector of the whole disk is lost, shape (draws,)."""
    whole: Floats = np.exp(-np.minimum(sector_hazards @ sectors, 700.0))
    return whole


def mean_and_error(chances: Floats) -> tuple[float, float]:
    """Mean over draws and its standard error; with nothing but equal draws the error is that of one in count + 2."""
    count = len(chances)
    mean = float(chances.mean())
    least = math.sqrt(1.0 / (count + 2)) / math.sqrt(count + 2)
    return mean, max(float(chances.std()) / math.sqrt(count), least)


def fair_shares(value: Mapping[frozenset[str], float], groups: Sequence[str]) -> dict[str, float]:
    """What each group costs: its share by Shapley's rule, the mean over all orders in which groups come in.

    Args:
        value: chance of a whole disk when the groups named are real and the others ideal.

    Returns:
        Costs that add up to value(none) - value(all).
    """
    count = len(groups)
    cost = dict.fromkeys(groups, 0.0)
    for group in groups:
        others = [g for g in groups if g != group]
        for size in range(count):
            weight = math.factorial(size) * math.factorial(count - size - 1) / math.factorial(count)
            for chosen in combinations(others, size):
                before = frozenset(chosen)
                cost[group] += weight * (value[before] - value[before | {group}])
    return cost


def costs(
    passages: Sequence[Passage],
    sectors: Floats,
    chance: float,
    factors: Mapping[str, float],
    rewrite_hazard: Floats | None,
    spacing_um: float,
    *,
    most_tracks: int = 12,
    most_draws: int = 150,
) -> dict[str, float]:
    """What each group takes from the chance of a whole disk; with `chance` the costs add up to 1.

    Args:
        factors: chances by which certain groups multiply everything (fit, code and format).
        rewrite_hazard: (draws, tracks) added hazard that belongs to code and format.

    The values of all combinations are taken on a few tracks and draws, and scaled to the full `chance`.
    """
    some = np.unique(np.linspace(0, len(sectors) - 1, most_tracks).round().astype(int))
    weight = sectors[some] * (sectors.sum() / sectors[some].sum())
    few = [Passage(p.words, p.draws[:most_draws], p.tracks[some]) for p in passages]
    alone = {}
    for size in range(len(STOCHASTIC) + 1):
        for real in combinations(STOCHASTIC, size):
            unreal = [g for g in STOCHASTIC if g not in real]
            alone[frozenset(real)] = whole_disk(hazards([ideal(p, unreal, spacing_um) for p in few]), weight)
    rewritten = np.ones(1)
    if rewrite_hazard is not None:
        rewritten = whole_disk(rewrite_hazard[:most_draws][:, some], weight)
    groups = [*STOCHASTIC, *factors]
    value = {}
    for size in range(len(groups) + 1):
        for chosen in combinations(groups, size):
            real_set = frozenset(chosen)
            each = alone[real_set & frozenset(STOCHASTIC)]
            if "code and format" in real_set:
                each = each * rewritten
            certain = math.prod(factors[g] for g in factors if g in real_set)
            value[real_set] = float(each.mean()) * certain
    found = {g: max(0.0, c) for g, c in fair_shares(value, groups).items()}
    total = sum(found.values())
    if total <= 0.0:
        return {g: (1.0 - chance if g == "magnetics" else 0.0) for g in found}
    return {g: c * (1.0 - chance) / total for g, c in found.items()}
