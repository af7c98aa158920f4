"""From a case to the chances of each draw."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from indexhole.pairing.fit import Fit, check_fit
from indexhole.pairing.format import Format, check_format
from indexhole.pairing.outcome import hazards, whole_disk
from indexhole.pairing.passages import Assembly, Case, Passage
from indexhole.pairing.tracks import Tracks, layout_tracks

Floats = npt.NDArray[np.float64]

WORKS, FAILS = 0.85, 0.1
"""Chances of a whole disk from which a pairing is said to work, and below which to fail."""


@dataclass(frozen=True, slots=True)
class Reckoning:
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
    def chance(self) -> float:
        """Chance that a whole disk reads without a lost sector."""
        return float(self.whole.mean()) if self.possible else 0.0


def reckon(case: Case) -> Reckoning:
    """The chances of a case."""
    tracks = layout_tracks(case.layout)
    fit = _fits(case, tracks)
    assembly = Assembly(case, tracks)
    form = check_format(case.writer, case.reader, assembly.writer, assembly.reader, tracks, case.layout, case.operation)
    passages = assembly.passages()
    found = hazards(passages, form.hazard)
    return Reckoning(case, tracks, fit, form, assembly, passages, found, whole_disk(found, tracks.sectors))


def _fits(case: Case, tracks: Tracks) -> Fit:
    everyone = case.everyone
    each = [check_fit(m, case.disk, tracks, writes=m in case.writes_now) for m in everyone]
    return Fit(
        tuple(dict.fromkeys(t for f in each for t in f.hindrances)),
        tuple(dict.fromkeys(t for f in each for t in f.doubts)),
        min(f.spare_cylinders for f in each),
        tuple(dict.fromkeys(x for f in each for x in f.facts)),
    )
