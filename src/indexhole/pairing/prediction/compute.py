"""From a case to the chances of each draw."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from indexhole.pairing.parts.tracks import Tracks, layout_tracks
from indexhole.pairing.prediction.fit import Fit, check_fit
from indexhole.pairing.prediction.format import Format, check_format
from indexhole.pairing.prediction.outcome import hazards, mean_and_error, whole_disk
from indexhole.pairing.prediction.passages import Assembly, Case, Passage

Floats = npt.NDArray[np.float64]

WORKS, FAILS = 0.85, 0.1
"""Chances of a whole disk from which a pairing is said to work, and below which to fail."""
EVEN_ODDS = 0.5
"""How likely it is that what nobody noted does not hinder."""


@dataclass(frozen=True, slots=True)
class Computation:
    """The bare numbers of a case, before they are told: chances of each draw and what went into them."""

    case: Case
    tracks: Tracks
    fit: Fit
    form: Format
    assembly: Assembly
    passages: tuple[Passage, ...]
    hazards: Floats
    whole: Floats

    @property
    def possible(self) -> bool:
        """Whether nothing forbids it outright."""
        return not self.fit.hindrances and not self.form.hindrances

    @property
    def supposed(self) -> tuple[str, ...]:
        """What forbids it if something that nobody noted is as it is taken."""
        return (*self.fit.supposed, *self.form.supposed)

    @property
    def factors(self) -> dict[str, float]:
        """By how much fit, and code and format, multiply the chance."""
        return {"fit": factor_of(self.fit), "code and format": factor_of(self.form)}

    @property
    def chance_and_error(self) -> tuple[float, float]:
        """Chance that a whole disk reads without a lost sector, and its standard error by sampling."""
        chance, error = mean_and_error(self.whole)
        factor = math.prod(self.factors.values())
        return chance * factor, error * factor

    @property
    def chance(self) -> float:
        """Chance that a whole disk reads without a lost sector."""
        return self.chance_and_error[0]


def factor_of(found: Fit | Format) -> float:
    """None at all where something hinders; what nobody noted is taken to hinder with even odds."""
    return 0.0 if found.hindrances else EVEN_ODDS if found.supposed else 1.0


def compute(case: Case) -> Computation:
    """The chances of a case."""
    tracks = layout_tracks(case.layout)
    fit = _fits(case, tracks)
    assembly = Assembly(case, tracks)
    form = check_format(
        case.writer, case.reader, assembly.writer, assembly.reader, tracks, case.layout, case.operation, case.disk
    )
    passages = assembly.passages()
    found = hazards(passages, form.hazard)
    return Computation(case, tracks, fit, form, assembly, passages, found, whole_disk(found, tracks.sectors))


def _fits(case: Case, tracks: Tracks) -> Fit:
    everyone = case.everyone
    each = [check_fit(m, case.disk, tracks, writes=m in case.writes_now) for m in everyone]
    return Fit(
        tuple(dict.fromkeys(t for f in each for t in f.hindrances)),
        tuple(dict.fromkeys(t for f in each for t in f.doubts)),
        min(f.spare_cylinders for f in each),
        tuple(dict.fromkeys(x for f in each for x in f.facts)),
        tuple(dict.fromkeys(t for f in each for t in f.supposed)),
        all(f.goes_in for f in each),
    )
