"""Who wrote one track, as far as it tells by itself: its format, and the data fields laid over it since."""

from __future__ import annotations

import math
from collections import Counter, defaultdict
from collections.abc import Callable, Sequence
from dataclasses import dataclass

from indexhole.codes.code import CodeName
from indexhole.codes.known import CODES
from indexhole.recover.sectors.dwells import OpenTrack
from indexhole.recover.sectors.open_dwells import OpenDwells
from indexhole.recover.writers.field_places import TrackGrids, track_grids
from indexhole.recover.writers.formatting import Format, format_of, samples_of
from indexhole.recover.writers.rewrites import Rewrite, own_and_foreign, pulse_manners, rewrites, track_curves
from indexhole.recover.writers.rewritten import (
    FEWEST_PLACES,
    FieldTest,
    FieldVerdict,
    Strays,
    TrackSteps,
    by_speed,
    by_steps,
)
from indexhole.recover.writers.steps import cell_differences, strays, track_steps

Place = tuple[int, int]
Nominal = Callable[[int, int, CodeName], tuple[float, float] | None]
"""Cells a turn and seconds a cell at nominal speed, of a cylinder, head and code; None where no layout tells."""

# Of one track no more pulses than these are looked at: thirty turns or so.
_MOST_PULSES = 1_500_000


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


def track_writings(opened: OpenDwells, nominal: Nominal) -> list[TrackWriting]:
    """Each track by itself."""
    groups: dict[Place, list[int]] = defaultdict(list)
    outlines = opened.outlines
    for number, one in enumerate(outlines):
        if one.cylinder is not None and one.head is not None and one.reads.ids:
            groups[one.cylinder, one.head].append(number)
    done: list[TrackWriting] = []
    waiting: list[tuple[Place, list[int]]] = []
    every: list[TrackSteps] = []
    for place, numbers in sorted(groups.items()):
        code = Counter(outlines[k].stream.code for k in numbers).most_common(1)[0][0]
        own = _enough([k for k in numbers if outlines[k].stream.code == code], opened)
        track = _Placed(place, opened, own)
        every.append(track.steps)
        if len(track.steps.plain) >= FEWEST_PLACES:
            done.append(track.judged(strays([track.steps]), nominal))
        else:
            waiting.append((place, own))
        # Its pulses are discarded before the next track is fetched.
        del track
    # A track with little on it is judged by what all of them show of stray steps.
    together = strays(every)
    done += [_Placed(place, opened, own).judged(together, nominal) for place, own in waiting]
    return sorted(done, key=lambda t: t.place)


class _Placed:
    """One track with its fields placed and its steps measured."""

    def __init__(self, place: Place, opened: OpenDwells, numbers: Sequence[int]) -> None:
        self._place = place
        self._group = [opened[k] for k in numbers]
        self._grids = track_grids([one.stream for one in self._group], [one.reads for one in self._group])
        self.steps = track_steps(self._grids)

    def judged(self, astray: Strays | None, nominal: Nominal) -> TrackWriting:
        """Who wrote it."""
        return _judged(self._place, self._group, self._grids, self.steps, astray, nominal)


def _enough(numbers: Sequence[int], opened: OpenDwells) -> list[int]:
    """Dwells of one track, evenly thinned out where there are more pulses than are looked at at a time."""
    step = math.ceil(sum(opened.pulses(k) for k in numbers) / _MOST_PULSES)
    return list(numbers[:: max(1, step)])


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
    # Blocks begin anywhere on the turn; marked fields at the index, which must have been logged to be known.
    free_start = not CODES[grids.code].track.at_index or not any(s.segment.index_ticks.size for s in streams)
    tests = by_steps(sectors, steps, astray, free_start=free_start)
    unsure = {n for n, test in tests.items() if test.verdict is not FieldVerdict.REWRITTEN}
    if unsure:
        tests = by_speed(tests, cell_differences(grids, unsure))
    samples = [samples_of(grids, k, read) for k, read in enumerate(reads)]
    own, foreign = own_and_foreign(tests)
    curves = track_curves(samples, grids, streams, foreign)
    return TrackWriting(
        *place,
        format_of(streams, reads, grids, curves, nominal(*place, grids.code)),
        tuple(tests[n] for n in sectors),
        tuple(rewrites(grids, streams, samples, tests)),
        *pulse_manners(
            [piece for p, piece in zip(grids.passes, grids.pieces, strict=True) if p.sector in own],
            streams[0].segment.tick_s,
        ),
    )
