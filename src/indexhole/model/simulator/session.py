"""Practice sessions: one log over many tracks, with the lines that move the head."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from indexhole.model.simulator.pulses import Floats
from indexhole.model.simulator.simulate import HeadOnTrack, Reader, RecordedTrack, index_times, spindle_of, within
from indexhole.model.suited import sound_mechanism


@dataclass(frozen=True)
class LineEvents:
    """Changes of one control line: level before, times (k,) in s, levels (k,) after each. Lines are active low."""

    initial: int
    times_s: Floats
    levels: npt.NDArray[np.uint8]


@dataclass(frozen=True)
class SimulatedSession:
    """A log over many tracks, times in s from its start.

    `lines` by name: step, direction, track_zero, side. A step is inward while direction is low.
    """

    pulses_s: Floats
    index_s: Floats
    lines: Mapping[str, LineEvents]


@dataclass(frozen=True, slots=True)
class StepTimes:
    """How a host moves the head: seconds from motor on to the first read, per step, to settle, and of one pulse."""

    motor_start_s: float = 0.2
    step_s: float = 0.006
    settle_s: float = 0.015
    pulse_s: float = 4e-6


@dataclass(frozen=True, slots=True)
class Travel:
    """How the head goes from track to track: from where, in how many steps a cylinder, and how fast."""

    start_cylinder: int = 0
    steps_per_cylinder: int = 1
    times: StepTimes = StepTimes()


class _Line:
    """A control line as it is driven, changes in order of time."""

    def __init__(self, level: int) -> None:
        self.initial = level
        self.times: list[float] = []
        self.levels: list[int] = []

    def drive(self, time_s: float, level: int) -> None:
        if level != (self.levels[-1] if self.levels else self.initial):
            self.times.append(time_s)
            self.levels.append(level)

    def events(self) -> LineEvents:
        return LineEvents(self.initial, np.array(self.times), np.array(self.levels, dtype=np.uint8))


class _Carriage:
    """The head's place and the lines that move and show it."""

    def __init__(self, cylinder: int, times: StepTimes) -> None:
        self.cylinder = cylinder
        self.times = times
        self.step, self.direction, self.side = _Line(1), _Line(1), _Line(1)
        self.track_zero = _Line(0 if cylinder == 0 else 1)

    def go(self, now_s: float, cylinder: int) -> float:
        """Step to a cylinder; returns the time at which the head has settled."""
        steps = cylinder - self.cylinder
        if steps:
            self.direction.drive(now_s, 0 if steps > 0 else 1)
        for _ in range(abs(steps)):
            now_s += self.times.step_s
            self.step.drive(now_s - self.times.pulse_s, 0)
            self.step.drive(now_s, 1)
            self.cylinder += 1 if steps > 0 else -1
            self.track_zero.drive(now_s, 0 if self.cylinder == 0 else 1)
        return now_s + (self.times.settle_s if steps else 0.0)

    def lines(self) -> dict[str, LineEvents]:
        named = {"step": self.step, "direction": self.direction, "track_zero": self.track_zero, "side": self.side}
        return {name: line.events() for name, line in named.items()}


def read_session(
    tracks: Iterable[RecordedTrack],
    rng: np.random.Generator,
    reader: Reader | None = None,
    *,
    revolutions: int = 2,
    travel: Travel | None = None,
) -> SimulatedSession:
    """One log over several tracks, in the order given, with the spindle turning on throughout.

    The head is first brought to cylinder 00; every track is read for `revolutions` from index to index and a
    little more. A mechanism of twice the track density takes two steps a cylinder. Raises ValueError when
    no track is given or tracks differ in layout.
    """
    tracks = list(tracks)
    if len({track.layout.id for track in tracks}) != 1:
        raise ValueError("a session reads tracks of one layout")
    reader = reader or Reader()
    layout = tracks[0].layout
    mechanism = reader.mechanism or sound_mechanism(layout)
    spindle = spindle_of(mechanism, layout.speed_rpm, rng)
    travel = travel or Travel()
    # the log starts wherever the disk happens to stand
    begin_s = spindle.time_at(rng.random())
    carriage = _Carriage(travel.start_cylinder, travel.times)
    now_s = carriage.go(travel.times.motor_start_s, 0)
    pulses: list[Floats] = []
    for track in tracks:
        now_s = carriage.go(now_s, track.cylinder * travel.steps_per_cylinder)
        carriage.side.drive(now_s, 0 if track.head else 1)
        first = spindle.angle_at(begin_s + now_s)
        # a little beyond the index, so that a late sensor's pulse is still seen
        last = math.ceil(first) + revolutions + 0.05
        pulses.append(HeadOnTrack(track, reader).read(first, last, spindle, rng) - begin_s)
        now_s = spindle.time_at(last) - begin_s
    end = spindle.angle_at(begin_s + now_s)
    index = index_times(0.0, end, spindle, mechanism, reader.index_jitter_s, rng) - begin_s
    return SimulatedSession(within(np.concatenate(pulses), now_s), within(index, now_s), carriage.lines())
