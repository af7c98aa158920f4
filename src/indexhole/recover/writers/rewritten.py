"""The rule by which a data field is called rewritten, its thresholds, and what it decides on.

A format in one go has one grid of cells from the id through gap 2 and the data field into gap 3. A drive that
rewrites the data field starts its own clock, so its grid stands at any phase against the ids', whatever its speed.

1. Steps that come of the formatting itself are left out: those near the index (`SEAM_TURN`), behind a gap with the seam
   in it (`LONGEST_GAP`), a lone seam of a format begun anywhere, all of a format written sector by sector
   (`SECTOR_BY_SECTOR`); see `without_seams`.
2. The steps at both ends are held against how far steps stray where there is none, at a false alarm of `FALSE_ALARM`:
   beyond it the field is rewritten, else it is as formatted if a rewriting would have shown with a chance of
   `LEAST_POWER`, else nothing is claimed; see `field_test`.
3. A field that the steps leave open is rewritten too when its cell is off that of the id in front by `SPEED_STEP` and
   `SPEED_SIGMAS`; see `by_speed`.

docs/writers.md has the statistics.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from enum import StrEnum

from indexhole.codes.code import CodeName
from indexhole.codes.known import CODES
from indexhole.model.distributions import f_upper

# All of these are our own choice, as far as they do not follow from the first.
FALSE_ALARM = 1e-6
"""Chance that a field of a format in one go is called rewritten."""
LEAST_POWER = 0.5
"""Below this chance of finding a rewriting nothing is claimed either way."""
FEWEST_PLACES = 20
"""Fewer places than this tell too little of how far steps stray; then the places of all tracks are taken together."""
LEAST_SIGMA = 0.003
"""Cells; steps this small come of the patterns of sync and gap bytes, which data does not hold."""
SEAM_TURN = 0.01
"""A format's own seam lies near the index; within this part of a turn nothing is made of a step behind a field."""
LONGEST_GAP = 1.25
"""A gap so many times as long as is usual has the seam in it."""
SECTOR_BY_SECTOR = 3
"""Fields with a step behind them alone, before the formatter is taken to have written sector by sector."""
SPEED_STEP, SPEED_SIGMAS = 0.004, 6.0
"""A data field this far off the cell of the id in front, and this many standard deviations, is another drive's."""
SPEED_RANGE = 0.06
"""Prior range of a writer's speed against the formatter's, for the likelihood ratio."""


@dataclass(frozen=True, slots=True)
class Step:
    """Steps of one place over all passes: mean in cells, variance of one by the pulses' scatter, how many."""

    mean: float
    variance: float
    passes: int


@dataclass(frozen=True)
class TrackSteps:
    """Steps measured on one track.

    Attributes:
        code: of the track.
        start: by sector, across gap 2, whole bytes taken out.
        end: by sector, behind the check, whole cells taken out.
        plain: steps at places inside data fields, where there is none.
        within: variances of those steps from pass to pass over what the pulses' scatter explains.
    """

    code: CodeName
    start: dict[int, Step]
    end: dict[int, Step]
    plain: tuple[Step, ...]
    within: tuple[float, ...]


@dataclass(frozen=True, slots=True)
class Strays:
    """How far steps stray where there is none, as multiples of the pulses' own variance.

    Attributes:
        standing: part that is the same at each pass.
        passing: part that is new at each pass.
        freedom: degrees of freedom behind them.
    """

    standing: float
    passing: float
    freedom: float

    def sigma(self, step: Step) -> float:
        """Standard uncertainty of a mean step, cells."""
        return math.sqrt(step.variance * (self.standing + self.passing / step.passes) + LEAST_SIGMA**2)


class FieldVerdict(StrEnum):
    """What the steps at both ends of a data field come to."""

    REWRITTEN = "rewritten"
    AS_FORMATTED = "as formatted"
    CANNOT_TELL = "cannot tell"


@dataclass(frozen=True, slots=True)
class FieldTest:
    """The test of one data field.

    Attributes:
        sector: its number.
        verdict: `rewritten` when no format in one go would look so but one in a million.
        start, start_u: step across gap 2 beyond whole bytes, cells, and its standard uncertainty; nan when unknown.
        end, end_u: step behind the check beyond whole cells, likewise.
        log_ratio: natural log of the likelihood of a grid of its own over that of one grid.
        power: chance that a rewriting by a drive of the same speed, at any phase, would have been found.
        passes: that were used.
    """

    sector: int
    verdict: FieldVerdict
    start: float
    start_u: float
    end: float
    end_u: float
    log_ratio: float
    power: float
    passes: int


def without_seams(steps: TrackSteps, astray: Strays | None, free_start: bool) -> TrackSteps:
    """The steps without those behind a field that come of the formatting itself.

    A formatter that writes sector by sector (as on hard-sectored disks) leaves a step behind every one, while id and
    data lie on one grid: then steps behind fields say nothing. One that goes round in one go leaves one seam a turn;
    with `free_start` it may lie anywhere, since the formatter did not wait for the index or no index was logged.
    """
    if astray is None:
        return steps
    bound = math.sqrt(f_upper(FALSE_ALARM, 1, astray.freedom))

    def broken(step: Step) -> bool:
        return abs(step.mean) > bound * astray.sigma(step)

    whole = [n for n, step in steps.start.items() if n in steps.end and not broken(step)]
    cut = [n for n in whole if broken(steps.end[n])]
    if len(cut) >= SECTOR_BY_SECTOR and 2 * len(cut) > len(whole):
        return replace(steps, end={})
    if free_start and len(cut) == 1:
        return replace(steps, end={n: step for n, step in steps.end.items() if n != cut[0]})
    return steps


def field_test(sector: int, steps: TrackSteps, astray: Strays | None) -> FieldTest:
    """Weigh one grid against a grid of its own.

    One grid: steps are normal about 0. A grid of its own: the start lies anywhere in a byte, the end anywhere in a
    cell, evenly. For given uncertainties their ratio rises with the sum of squares z^2, so the bound on z^2 at the
    stated false alarm is the most powerful test (Neyman and Pearson 1933, from memory); as the uncertainties are
    estimated, z^2 / n is held against Fisher's F.
    """
    parts = [(steps.start.get(sector), float(CODES[steps.code].gap_byte_cells)), (steps.end.get(sector), 1.0)]
    steps_known = [(s.mean, astray.sigma(s), period) for s, period in parts if s is not None and astray is not None]
    (start, start_u), (end, end_u) = (
        (s.mean, astray.sigma(s)) if s is not None and astray is not None else (math.nan, math.nan) for s, _ in parts
    )
    if not steps_known or astray is None:
        return FieldTest(sector, FieldVerdict.CANNOT_TELL, start, start_u, end, end_u, 0.0, 0.0, 0)
    square = sum((x / u) ** 2 for x, u, _ in steps_known)
    bound = len(steps_known) * f_upper(FALSE_ALARM, len(steps_known), astray.freedom)
    log_ratio = sum((x / u) ** 2 / 2 + math.log(u * math.sqrt(2 * math.pi) / period) for x, u, period in steps_known)
    # At the same speed the phase found at the start is found again at the end, the other way.
    power = max(0.0, 1 - 2 * math.sqrt(bound / sum(u**-2 for _, u, _ in steps_known)))
    verdict = FieldVerdict.AS_FORMATTED if power >= LEAST_POWER else FieldVerdict.CANNOT_TELL
    if square > bound:
        verdict = FieldVerdict.REWRITTEN
    passes = max(s.passes for s, _ in parts if s is not None)
    return FieldTest(sector, verdict, start, start_u, end, end_u, log_ratio, power, passes)


@dataclass(frozen=True)
class CellDifferences:
    """How the cells of data fields differ from those of the ids in front.

    Attributes:
        log: by sector, median over the passes of the log of the one over the other.
        stray: standard deviation of such a log where there is no difference, by the reader's wow; nan without places.
        places: at which that was learned.
    """

    log: Mapping[int, float]
    stray: float
    places: int


def by_steps(
    sectors: Iterable[int], steps: TrackSteps, astray: Strays | None, *, free_start: bool
) -> dict[int, FieldTest]:
    """What the steps alone decide of each sector."""
    steps = without_seams(steps, astray, free_start)
    return {n: field_test(n, steps, astray) for n in sectors}


def by_speed(tests: Mapping[int, FieldTest], cells: CellDifferences) -> dict[int, FieldTest]:
    """The tests with those fields rewritten whose cell differs from that of the id in front.

    A step is measured as if both grids had one cell; where they have two, its uncertainty comes out large. The log of
    the likelihood ratio this adds is counted in.
    """
    found = dict(tests)
    if cells.places < FEWEST_PLACES:
        return found
    for sector, log in cells.log.items():
        if abs(log) > max(SPEED_STEP, SPEED_SIGMAS * cells.stray):
            added = (log / cells.stray) ** 2 / 2 + math.log(cells.stray * math.sqrt(2 * math.pi) / SPEED_RANGE)
            kept = found[sector]
            found[sector] = replace(kept, verdict=FieldVerdict.REWRITTEN, log_ratio=kept.log_ratio + added)
    return found
