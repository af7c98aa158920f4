"""Captures for the demonstration shelf: what its mechanisms would read of its disks, drawn by the simulator.

Each mechanism reads in the state `demo_bench` gives it, so captures and trials tell the same story.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from indexhole.jobs.demo.files import LETTERS_TITLE, letters, watch_lists
from indexhole.jobs.demo.shelf import DEMO_SEED, DemoBench, demo_bench
from indexhole.model.forward import MechanismState
from indexhole.model.simulator.session import SimulatedSession, read_session
from indexhole.model.simulator.simulate import (
    Reader,
    RecordedTrack,
    SimulatedTrack,
    Stretch,
    WeakStretch,
    format_track,
    read_track,
    rewrite_sector,
)
from indexhole.model.suited import sound_mechanism
from indexhole.signal.captures.capture import Capture
from indexhole.signal.simulated import capture_of
from indexhole.standards.layouts import Layout, Zone, load_layouts
from indexhole.volumes.fat12.make import make_fat12
from indexhole.volumes.linked.make import make_linked

# Our own choices, so that the outcome has something of everything.
_LOGGED_CYLINDERS = 24
_SCRATCH, _SCRATCHED = Stretch(0.585, 0.03), {(4, 0), (5, 0)}
_WORN = (WeakStretch(0.10, 0.05, 14.5), WeakStretch(0.42, 0.08, 15.0), WeakStretch(0.71, 0.04, 14.5))
_PASSES = 5
_SLOWER = 0.982

Rng = np.random.Generator


@dataclass(frozen=True)
class DemoCapture:
    """A capture with what the register says of it: disk, mechanism, day, note, and cylinder and head of a track."""

    capture: Capture
    about: Mapping[str, Any]


def demo_captures(seed: int = DEMO_SEED) -> Iterator[DemoCapture]:
    """The captures of the demonstration, one after the other; each has draws of its own."""
    bench = demo_bench(seed)
    for number, draw in enumerate(_DRAWN):
        yield draw(bench, np.random.default_rng([seed, 2, number]))


def _letters(bench: DemoBench, rng: Rng) -> DemoCapture:
    layout = load_layouts()["zoned-35-1s"]
    image = make_linked(letters(rng), LETTERS_TITLE, kinds=dict.fromkeys(letters(rng), "sequential"))
    session = read_session(_formatted(layout, image, rng), rng, Reader(bench.mechanisms["D1.0"]), revolutions=2)
    return _taken(session, "k6-session", "K6", "D1.0", "2026-02-26", "one side, two turns a track")


def _watch_lists(bench: DemoBench, rng: Rng) -> DemoCapture:
    layout = bench.layouts["K19"]
    image = make_fat12(watch_lists(rng), title="TOWER 1991")
    tracks = [_scratched(track) for track in _formatted(layout, image, rng, _LOGGED_CYLINDERS)]
    session = read_session(tracks, rng, Reader(bench.mechanisms["D7.0"], bench.media["K19"]), revolutions=1)
    return _taken(session, "k19-session", "K19", "D7.0", "2026-02-26", "both sides, the cylinders that are in use")


def _scratched(track: RecordedTrack) -> RecordedTrack:
    """On the scratched tracks, without what lay under the scratch."""
    if (track.cylinder, track.head) not in _SCRATCHED:
        return track
    return replace(track, angles=track.angles[~_SCRATCH.covers(track.angles)])


def _worn_pass(number: int) -> Callable[[DemoBench, Rng], DemoCapture]:
    def draw(bench: DemoBench, rng: Rng) -> DemoCapture:
        # the same track each time: what lies on the disk does not depend on the pass
        track = _track(bench.layouts["K13"], 12, 0, np.random.default_rng(13))
        reader = Reader(bench.mechanisms["D4.0"], bench.media["K13"], _WORN)
        log = read_track(track, rng, reader, revolutions=1)
        note = f"worn track, pass {number} of {_PASSES}"
        return _taken(log, f"k13-track-12-pass-{number}", "K13", "D4.0", "2026-02-26", note, track)

    return draw


def _rewritten(bench: DemoBench, rng: Rng) -> DemoCapture:
    track = _track(bench.layouts["K3"], 7, 0, rng)
    slower = replace(sound_mechanism(track.layout), speed_ratio=_SLOWER)
    track = rewrite_sector(track, 4, rng.bytes(track.zone.sector_bytes), rng, slower)
    log = read_track(track, rng, Reader(bench.mechanisms["D2.0"], bench.media["K3"]))
    return _taken(log, "k3-track-7", "K3", "D2.0", "2026-02-18", "the crane's own unit was changed that spring", track)


def _read(
    disk: str, mechanism: str, cylinder: int, head: int, taken: str, note: str, writer: str = ""
) -> Callable[[DemoBench, Rng], DemoCapture]:
    """Three turns of one track, recorded by a mechanism of the bench or (none named) by a good outside drive."""

    def draw(bench: DemoBench, rng: Rng) -> DemoCapture:
        track = _track(bench.layouts[disk], cylinder, head, rng, bench.mechanisms.get(writer))
        log = read_track(track, rng, Reader(bench.mechanisms[mechanism], bench.media[disk]))
        made = _taken(log, f"{disk.lower()}-track-{cylinder}", disk, mechanism, taken, note, track)
        # Who formatted it is part of the entry where it is known.
        return replace(made, about={**made.about, "writer": writer}) if writer else made

    return draw


_DRAWN: tuple[Callable[[DemoBench, Rng], DemoCapture], ...] = (
    _letters,
    _watch_lists,
    *(_worn_pass(number + 1) for number in range(_PASSES)),
    _rewritten,
    _read("K1", "D3.1", 39, 0, "2026-02-17", "innermost cylinder, D3.1 fails on it"),
    _read("K9", "D3.1", 20, 0, "2026-02-18", "D3.1 reads what it wrote itself", writer="D3.1"),
    _read("K12", "D5.0", 40, 1, "2026-02-25", "side 1, where D5.0 fails"),
)
DEMO_CAPTURES = len(_DRAWN)


def _zone(layout: Layout, cylinder: int, head: int) -> Zone:
    zone = layout.zone(cylinder, head)
    if zone is None:
        raise ValueError(f"layout {layout.id} has no cylinder {cylinder} head {head}")
    return zone


def _track(layout: Layout, cylinder: int, head: int, rng: Rng, writer: MechanismState | None = None) -> RecordedTrack:
    """A track with drawn contents."""
    zone = _zone(layout, cylinder, head)
    sectors = {number: rng.bytes(zone.sector_bytes) for number in zone.sector_ids}
    return format_track(layout, cylinder, head, sectors, rng, writer)


def _formatted(layout: Layout, image: bytes, rng: Rng, cylinders: int | None = None) -> Iterator[RecordedTrack]:
    """The tracks of a disk that holds the image, all cylinders or the first so many."""
    at = 0
    for cylinder in range(cylinders or layout.cylinders):
        for head in range(layout.heads):
            zone = _zone(layout, cylinder, head)
            sectors = {}
            for number in sorted(zone.sector_ids):
                sectors[number] = image[at : at + zone.sector_bytes]
                at += zone.sector_bytes
            yield format_track(layout, cylinder, head, sectors, rng)


def _taken(
    simulated: SimulatedTrack | SimulatedSession,
    name: str,
    disk: str,
    mechanism: str,
    taken: str,
    note: str,
    track: RecordedTrack | None = None,
) -> DemoCapture:
    about: dict[str, Any] = {"disk": disk, "mechanism": mechanism, "taken": taken, "note": note}
    if track is not None:
        about |= {"cylinder": track.cylinder, "head": track.head}
    return DemoCapture(capture_of(simulated, name), about)
