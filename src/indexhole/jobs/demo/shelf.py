"""The demonstration shelf: trials drawn from the forward model on a bench with two planted faults.

bench = demo_bench()                    the true state of every mechanism, for simulated captures too
shelf = build_demo_shelf(folder)        the register with units, disks, histories and trials
DEMO_TRUTH                              what was planted, for comparing the diagnosis with
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import date, timedelta
from pathlib import Path

import numpy as np

from indexhole.causes.faults.hypotheses import Fault
from indexhole.errors import ShelfFault
from indexhole.jobs.demo.things import DISKS, DRIVES, MECHANISMS, demo_records
from indexhole.model.forward import (
    MechanismState,
    MediumState,
    Recording,
    read_out,
    recorded_by,
    sector_failure_probability,
)
from indexhole.model.suited import bandwidth_hz, sound_mechanism, sound_medium, track_place
from indexhole.model.trials.trial import Operation, Trial
from indexhole.shelf.register.database import REGISTER
from indexhole.shelf.register.shelf import Shelf
from indexhole.standards.layouts import Layout, load_layouts

DEMO_SEED = 20260301
DEMO_TRUTH = (Fault("D3.1", "misaligned"), Fault("D5.0", "dirty-head", 1))

LAYOUT_OF_CLASS = {
    "130-48": "130-48-mfm-9x512",
    "130-96": "130-96-mfm-9x512",
    "130-dense": "130-dense-mfm-15x512",
    "90": "90-mfm-9x512",
    "200": "200-fm-26x128",
}
_FIRST_DAY = date(2026, 2, 16)
_STRETCHES = 3
_OPERATIONS_A_DAY = 4
# Our own choices: sound mechanisms differ a little, every disk has a pinhole here and there.
_PLACE_SPREAD = 0.02  # of the track's width
_SPEED_SPREAD = 0.002
_TRIMMED = 0.15  # of the track's width, wiped beside it
_PINHOLES = 4e-4

# host and lead that each class is tried with; the large unit hangs on the adapter
_SET_UP = {
    "130-48": ("H1", ("L1", "L2")),
    "130-96": ("H2", ("L3", "L2")),
    "130-dense": ("H2", ("L3",)),
    "90": ("H3", ("L4",)),
    "200": ("H3", ("L4",)),
}

# operation, mechanism, disk, side: what was tried, in order of time
_PLAN: tuple[tuple[Operation, str, str, int], ...] = (
    ("read", "D1.0", "K1", 0), ("read", "D1.0", "K1", 1), ("read", "D2.0", "K1", 0), ("read", "D3.1", "K1", 0),
    ("read", "D3.0", "K3", 0), ("read", "D3.1", "K3", 1), ("read", "D1.1", "K3", 1), ("write", "D3.1", "K9", 0),
    ("read", "D3.1", "K9", 0), ("read", "D1.0", "K9", 0), ("read", "D2.0", "K9", 0), ("write", "D2.0", "K10", 0),
    ("read", "D3.0", "K10", 0), ("read", "D3.1", "K10", 0), ("read", "D1.1", "K10", 0), ("write", "D1.1", "K11", 1),
    ("read", "D1.0", "K11", 1), ("read", "D3.0", "K11", 1), ("read", "D2.0", "K11", 1), ("write", "D3.0", "K10", 1),
    ("read", "D1.0", "K10", 1), ("write", "D1.0", "K11", 0), ("read", "D2.0", "K11", 0),
    ("read", "D6.0", "K17", 0), ("write", "D6.0", "K18", 0), ("read", "D6.0", "K17", 1),
    ("read", "D7.0", "K19", 0), ("read", "D7.0", "K20", 1), ("write", "D7.0", "K21", 0),
    ("read", "D8.0", "K22", 0), ("read", "D8.0", "K24", 0), ("write", "D8.0", "K25", 0),
    ("read", "D4.0", "K12", 0), ("read", "D4.0", "K13", 1), ("write", "D4.0", "K15", 1), ("read", "D5.0", "K12", 0),
    ("read", "D5.0", "K12", 1),
    # from here on a keeper still has to try it: until then a dirty head and a worn disk look the same
    ("read", "D4.0", "K12", 1), ("read", "D5.0", "K13", 1), ("write", "D5.0", "K16", 0), ("read", "D4.0", "K16", 0),
    ("read", "D5.0", "K15", 1), ("read", "D5.0", "K15", 0), ("read", "D4.0", "K15", 1),
)  # fmt: skip
STOCKED = 37  # operations whose trials stand on the shelf

# remarks of the keeper, by number of the operation
_NOTES = {
    0: "first day at the bench, all units warm for an hour",
    3: "same disk in the lower mechanism of the crane unit",
    7: "wrote and verified without a murmur",
    29: "needed a second push of the door",
    36: "head of side 1 not looked at yet",
}

Track = tuple[str, int, int]  # disk, side, cylinder


@dataclass(frozen=True)
class DemoBench:
    """The true state of the demonstration bench, by the names on its shelf.

    Attributes:
        mechanisms: state of each mechanism, faults included.
        layouts: layout of each mechanism and of each disk.
        media: state of each disk.
    """

    mechanisms: dict[str, MechanismState]
    layouts: dict[str, Layout]
    media: dict[str, MediumState]


def demo_bench(seed: int = DEMO_SEED) -> DemoBench:
    """The bench of a seed: the planted faults are the same for all, how bad they are is drawn."""
    rng = np.random.default_rng([seed, 0])
    library = load_layouts()
    class_of_unit = {row[0]: row[3] for row in DRIVES}
    layouts = {name: library[LAYOUT_OF_CLASS[class_of_unit[name.split(".")[0]]]] for name, _, _ in MECHANISMS}
    mechanisms = {name: _ordinary(layout, rng) for name, layout in layouts.items()}
    aside = float(rng.choice([-1, 1]) * rng.uniform(0.70, 0.76))
    for fault in DEMO_TRUTH:
        state = mechanisms[fault.element]
        if fault.fault == "misaligned":
            mechanisms[fault.element] = replace(state, offset_um=aside * state.write_width_um)
        else:
            loss_db = float(rng.uniform(12.5, 14.0))
            mechanisms[fault.element] = replace(state, head_loss_db=(0.0, loss_db))
    media = {}
    for disk, _, disk_class, *_ in DISKS:
        layouts[disk] = library[LAYOUT_OF_CLASS[disk_class]]
        media[disk] = replace(sound_medium(layouts[disk]), defect_rate=_PINHOLES)
    return DemoBench(mechanisms, layouts, media)


def _ordinary(layout: Layout, rng: np.random.Generator) -> MechanismState:
    sound = sound_mechanism(layout)
    width_um = sound.write_width_um
    return replace(
        sound,
        offset_um=float(rng.normal(0, _PLACE_SPREAD * width_um)),
        speed_ratio=1 + float(rng.normal(0, _SPEED_SPREAD)),
        erase_trim_um=_TRIMMED * width_um,
    )


def demo_trials(seed: int = DEMO_SEED, operations: int | None = None) -> list[Trial]:
    """Trials as they would be noted at that bench: each count is drawn from the forward model's probability.

    Those of all operations planned, or of the first so many.
    """
    bench = demo_bench(seed)
    rng = np.random.default_rng([seed, 1])
    lain: dict[Track, Recording | None] = {}
    trials: list[Trial] = []
    for number, (operation, mechanism, disk, side) in enumerate(_PLAN[:operations]):
        layout = bench.layouts[disk]
        host, leads = _SET_UP[layout.disk_class]
        when = (_FIRST_DAY + timedelta(days=number // _OPERATIONS_A_DAY)).isoformat()
        lead = str(rng.choice(leads))
        for part, cylinders in enumerate(np.array_split(np.arange(layout.cylinders), _STRETCHES)):
            tracks = [(disk, side, cylinder) for cylinder in cylinders.tolist()]
            if operation != "read":
                _record(lain, tracks, bench.mechanisms[mechanism], layout)
            counts = [_try(lain, track, mechanism, bench, rng) for track in tracks]
            trials.append(
                Trial(
                    trial=f"T{len(trials) + 1}",
                    when=when,
                    operation=operation,
                    host=host,
                    lead=lead,
                    mechanism=mechanism,
                    disk=disk,
                    side=side,
                    first_cylinder=tracks[0][2],
                    last_cylinder=tracks[-1][2],
                    sectors_tried=sum(tried for tried, _ in counts),
                    sectors_failed=sum(failed for _, failed in counts),
                    note=_NOTES.get(number, "") if part == 0 else "",
                )
            )
    return trials


def _lies(lain: dict[Track, Recording | None], track: Track, layout: Layout) -> Recording | None:
    """What lies on a track: before any write, the work of a good outside drive."""
    return lain.get(track, Recording(sound_mechanism(layout)))


def _record(lain: dict[Track, Recording | None], tracks: list[Track], writer: MechanismState, layout: Layout) -> None:
    for track in tracks:
        lain[track] = recorded_by(writer, _lies(lain, track, layout))


def _try(
    lain: dict[Track, Recording | None], track: Track, mechanism: str, bench: DemoBench, rng: np.random.Generator
) -> tuple[int, int]:
    """Sectors tried and failed when a mechanism reads a track."""
    disk, side, cylinder = track
    layout = bench.layouts[disk]
    recording, zone = _lies(lain, track, layout), layout.zone(cylinder, side)
    if recording is None or zone is None:
        raise ValueError(f"the plan tries {disk} side {side} cylinder {cylinder}, where nothing can be read")
    readout = read_out(
        recording,
        bench.mechanisms[mechanism],
        bench.media[disk],
        track_place(layout, cylinder, side),
        bandwidth_hz=bandwidth_hz(zone),
    )
    chance = sector_failure_probability(readout, zone.sector_bytes)
    return zone.sectors, int(rng.binomial(zone.sectors, chance))


def build_demo_shelf(folder: Path, seed: int = DEMO_SEED) -> Shelf:
    """Make the demonstration shelf in a folder that holds none yet, without captures.

    Raises ShelfFault when a shelf stands there already.
    """
    if (folder / REGISTER).exists():
        raise ShelfFault("a shelf stands here already", where=str(folder), remedy="name an empty folder")
    shelf = Shelf.open(folder, create=True)
    for record in demo_records():
        shelf.add(record)
    shelf.add_trials(demo_trials(seed, STOCKED), "the demonstration bench")
    return shelf
