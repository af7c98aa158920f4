"""Who wrote one track, as far as it tells by itself: its format, and the data fields laid over it since."""

from __future__ import annotations

import math
from collections import Counter, defaultdict
from collections.abc import Callable, Collection, Sequence
from dataclasses import dataclass, replace

import numpy as np

from indexhole.recover.field_places import TrackGrids, track_grids
from indexhole.recover.formatting import Curve, Format, Samples, format_of, samples_of
from indexhole.recover.rewrites import Rewrite, field_logs, pulse_manners, rewrites, track_curves
from indexhole.recover.splices import (
    FEWEST_PLACES,
    FieldTest,
    FieldVerdict,
    Strays,
    TrackSteps,
    field_test,
    strays,
    track_steps,
)
from indexhole.recover.stays import OpenTrack

Place = tuple[int, int]
Nominal = Callable[[int, int, str], tuple[float, float] | None]
"""Cells a turn and seconds a cell at nominal speed, of a cylinder, head and code; None where no layout tells."""

# A data field this far off the ids' speed, and this many standard deviations, was written by another drive.
_SPEED_STEP, _SPEED_SIGMAS = 0.004, 6.0
# Prior range of a writer's speed against the formatter's, for the likelihood ratio.
_SPEED_RANGE = 0.06


@dataclass(frozen=True)
class TrackWriting:
    """Who wrote one track, as far as it tells by itself.

    Attributes:
        format: how it was formatted.
        tests: one for each sector with a data field read.
        rewrites: data fields laid over it since.
        asymmetry_s, peak_shift_s, jitter_s: of the data fields on the formatter's grid.
    """

    cylinder: int
    head: int
    format: Format
    tests: tuple[FieldTest, ...]
    rewrites: tuple[Rewrite, ...]
    asymmetry_s: float
    peak_shift_s: float
    jitter_s: float

    @property
    def place(self) -> Place:
        """Cylinder and head."""
        return self.cylinder, self.head


def track_writings(opened: Sequence[OpenTrack], nominal: Nominal) -> list[TrackWriting]:
    """Each track by itself."""
    groups: dict[Place, list[OpenTrack]] = defaultdict(list)
    for one in opened:
        if one.cylinder is not None and one.head is not None and one.reads.ids:
            groups[one.cylinder, one.head].append(one)
    done: list[TrackWriting] = []
    waiting: list[tuple[Place, list[OpenTrack], TrackGrids, TrackSteps]] = []
    every: list[TrackSteps] = []
    for place, stays in sorted(groups.items()):
        code = Counter(one.stream.code for one in stays).most_common(1)[0][0]
        group = [one for one in stays if one.stream.code == code]
        grids = track_grids([one.stream for one in group], [one.reads for one in group])
        steps = track_steps(grids)
        every.append(steps)
        if len(steps.plain) >= FEWEST_PLACES:
            done.append(_judged(place, group, grids, steps, strays([steps]), nominal))
        else:
            waiting.append((place, group, grids, steps))
    # A track with little on it is judged by what all of them show of stray steps.
    together = strays(every)
    done += [_judged(*one, together, nominal) for one in waiting]
    return sorted(done, key=lambda t: t.place)


def _judged(
    place: Place,
    group: Sequence[OpenTrack],
    grids: TrackGrids,
    steps: TrackSteps,
    astray: Strays | None,
    nominal: Nominal,
) -> TrackWriting:
    streams, reads = [one.stream for one in group], [one.reads for one in group]
    sectors = sorted({p.sector for p in grids.passes})
    tests = {n: field_test(n, steps, astray) for n in sectors}
    by_phase = {n for n, t in tests.items() if t.verdict is FieldVerdict.REWRITTEN}
    samples = [samples_of(grids, k, read) for k, read in enumerate(reads)]
    for sector, log_ratio in _off_speed(grids, group, samples, by_phase).items():
        kept = tests[sector]
        tests[sector] = replace(kept, verdict=FieldVerdict.REWRITTEN, log_ratio=kept.log_ratio + log_ratio)
    rewritten = {n for n, t in tests.items() if t.verdict is FieldVerdict.REWRITTEN}
    curves = track_curves(samples, grids, streams, rewritten)
    own = [piece for p, piece in zip(grids.passes, grids.pieces, strict=True) if p.sector not in rewritten]
    return TrackWriting(
        *place,
        format_of(streams, reads, grids, curves, nominal(*place, grids.code)),
        tuple(tests[n] for n in sectors),
        tuple(rewrites(grids, streams, samples, tests, rewritten)),
        *pulse_manners(own, streams[0].segment.tick_s),
    )


def _off_speed(
    grids: TrackGrids, group: Sequence[OpenTrack], samples: Sequence[Samples], by_phase: Collection[int]
) -> dict[int, float]:
    """Sectors whose speed differs from the ids' around them, each with the log of the likelihood ratio it adds."""
    streams = [one.stream for one in group]
    sectors = {p.sector for p in grids.passes}
    # The ids alone, since nobody knows yet which data fields are the formatter's.
    curves: list[Curve | None] = track_curves(samples, grids, streams, sectors)
    logs = {n: [float(np.mean(one)) for one in v] for n, v in field_logs(grids, curves, sectors).items()}
    means = {n: float(np.mean(v)) for n, v in logs.items()}
    trusted = np.array([m for n, m in means.items() if n not in by_phase])
    spread = 1.4826 * float(np.median(np.abs(trusted))) if trusted.size > 2 else _SPEED_STEP / _SPEED_SIGMAS
    found = {}
    for sector, mean in means.items():
        scatter = float(np.std(logs[sector], ddof=1) / math.sqrt(len(logs[sector]))) if len(logs[sector]) > 1 else 0.0
        u = max(math.hypot(spread, scatter), 1e-5)
        if abs(mean) > max(_SPEED_STEP, _SPEED_SIGMAS * u):
            found[sector] = (mean / u) ** 2 / 2 + math.log(u * math.sqrt(2 * math.pi) / _SPEED_RANGE)
    return found
