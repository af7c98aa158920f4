"""Simulated benches under other laws than the pairing's own, to see whether its chances hold where it was not made.

What differs from the model on purpose: offsets are even or Laplace instead of normal, speeds come in two clusters,
dirt is log-normal, wear is gamma; a track's edges fade instead of being sharp; a sector fails by a logistic law in
the ratio of signal to interference, not by jitter and windows; speed fails at a threshold of each drive's own; write
field and coercivity act through a loss in dB with a knee; tracks share their fate by a beta law; each visit has
luck of its own.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from indexhole.model.trials.trial import Trial
from indexhole.pairing.parts.parts import Mechanism, Medium, mechanism, medium
from indexhole.pairing.parts.rates import write_field
from indexhole.pairing.parts.tracks import Tracks, head_places_um, layout_tracks
from indexhole.standards.layouts import Layout, load_layouts

# One shelf holds kinds that go together: drive classes and how often, disks with their layouts.
SHELVES = (
    (
        (("130-48", 4), ("130-96", 3), ("130-dense", 1), ("130-dense-fixed-current", 1)),
        (
            ("130-48", "130-48-mfm-9x512", 5),
            ("130-96", "130-96-mfm-9x512", 3),
            ("130-dense", "130-48-mfm-9x512", 1),
            ("130-48", "130-96-mfm-9x512", 1),
        ),
    ),
    (
        (("90", 4), ("90-dense", 3)),
        (("90", "90-mfm-9x512", 4), ("90-dense", "90-dense-mfm-18x512", 2), ("90-dense", "90-mfm-9x512", 2)),
    ),
    ((("130-48", 5), ("130-96", 2)), (("130-48", "130-48-mfm-9x512", 5), ("130-96", "130-96-mfm-9x512", 2))),
)
_EDGE_FADE = 0.05
_NEEDED_DB, _SLOPE_DB = 8.0, 1.0
_LEAST_SIGNAL_DB, _SIGNAL_SLOPE_DB = -13.0, 0.9
_SHARED_FATE = 6.0
# A recording twice as dense as the head was built for loses 10 dB.
_FINE_DB = 14.5


@dataclass(frozen=True)
class Drive:
    """The truth of a mechanism."""

    name: Mechanism
    offset_um: float
    speed: float
    bears_speed: float
    dirt_db: float
    trim: float
    width_um: float


@dataclass(frozen=True)
class Bench:
    """The truth of a bench: drives, disks with the wear of each, and the layout each disk takes."""

    drives: dict[str, Drive]
    disks: dict[str, Medium]
    wear_db: dict[str, float]
    layouts: dict[str, Layout]


@dataclass(frozen=True)
class Question:
    """An exchange nobody has tried yet: does every sector come back?"""

    writer: str
    disk: Medium
    reader: str
    layout: Layout
    wear_db: float


def make_bench(rng: np.random.Generator) -> Bench:
    """A shelf of eight drives and seven disks."""
    kinds, disk_kinds = SHELVES[int(rng.integers(len(SHELVES)))]
    weights = np.array([w for _, w in kinds], float)
    drives = {}
    for i in range(8):
        kind = kinds[int(rng.choice(len(kinds), p=weights / weights.sum()))][0]
        item = mechanism(f"D{i}.0", kind, "mfm-three-rate")
        limit = item.drive.offset_limit_um.value
        offset = rng.uniform(-0.8, 0.8) * limit if rng.random() < 0.75 else rng.laplace(0.0, 2.2 * limit)
        speed = rng.normal(1.0, 0.002) if rng.random() < 0.85 else rng.choice([0.965, 1.03]) + rng.normal(0, 0.01)
        low, high = item.drive.erase_trim_um.low or 0.0, item.drive.erase_trim_um.high or 0.0
        drives[item.name] = Drive(
            item,
            float(offset),
            float(speed),
            float(rng.uniform(0.03, 0.055)),
            float(rng.lognormal(-1.0, 1.3)),
            float(rng.triangular(low, low + 0.3 * (high - low), high)),
            item.drive.read_width_um.value * float(rng.uniform(0.93, 1.0)),
        )
    disks, wear, layouts = {}, {}, {}
    for i in range(7):
        disk, layout = make_disk(f"K{i}", disk_kinds, rng)
        disks[disk.name], wear[disk.name], layouts[disk.name] = disk, float(rng.gamma(0.5, 2.0)), layout
    return Bench(drives, disks, wear, layouts)


def make_disk(name: str, kinds: tuple[tuple[str, str, int], ...], rng: np.random.Generator) -> tuple[Medium, Layout]:
    """A disk of one of the kinds, and the layout it takes."""
    weights = np.array([w for _, _, w in kinds], float)
    kind, layout, _ = kinds[int(rng.choice(len(kinds), p=weights / weights.sum()))]
    before = str(rng.choice(["recorded", "erased"], p=[0.7, 0.3]))
    item = replace(medium(name, kind), before=before, hub_ring=True)
    return replace(item, notch="none" if item.disk_class.diameter_mm == 90 else "open"), load_layouts()[layout]


def _inside(centre: np.ndarray, width: float, head: np.ndarray, head_width: float) -> np.ndarray:
    """How much of a strip with fading edges each of 24 places across the head meets, (tracks, places)."""
    places = (np.arange(24) + 0.5) / 24 - 0.5
    across = head[:, None] + places * head_width - centre[:, None]
    found: np.ndarray = 1 / (1 + np.exp(np.clip((np.abs(across) - width / 2) / (_EDGE_FADE * width), -40, 40)))
    return found


def sector_failures(
    writer: Drive,
    reader: Drive,
    disk: Medium,
    layout: Layout,
    wear_db: float,
    tracks: Tracks,
    under: Drive | None,
    visit: float,
) -> np.ndarray:
    """Chance of a sector of each track to be lost, (tracks,); `under` wrote there before, None: erased."""
    written = head_places_um(writer.name, tracks) + writer.offset_um
    head = head_places_um(reader.name, tracks) + reader.offset_um
    meets = _inside(written, writer.width_um, head, reader.width_um)
    share = meets.mean(axis=1)
    current, needed = write_field(writer.name, disk, layout), disk.disk_class.coercivity_oe
    ratio = current.value / needed.value if current and needed else 1.0
    unsaturated = max(0.0, math.log(1 / ratio) - 0.12)
    over = max(0.0, math.log(ratio) - 0.25)
    magnetic_db = 45.0 * unsaturated + 12.0 * over
    design, density = reader.name.drive.design_ftprad, 2 * tracks.cell_s.min() * tracks.speed_rpm / 60 * 2 * math.pi
    finer = math.log(max(1.0, 1 / density / design.value)) if design else 0.0
    lost_db = wear_db + reader.dirt_db + magnetic_db + _FINE_DB * finer
    signal_db = 20 * np.log10(np.maximum(share, 1e-6)) - lost_db
    foreign = np.zeros(len(tracks))
    if under is not None:
        old = head_places_um(under.name, tracks) + under.offset_um
        wiped = _inside(written, writer.width_um + 2 * writer.trim, head, reader.width_um)
        foreign = (_inside(old, under.width_um, head, reader.width_um) * (1 - wiped)).mean(axis=1)
        foreign = foreign + 10 ** (-(34.0 - 60.0 * unsaturated) / 20) * share
    for side in (-1, 1):
        beside = written + side * tracks.pitch_um
        foreign = foreign + _inside(beside, writer.width_um, head, reader.width_um).mean(axis=1)
    sir_db = 20 * np.log10(np.maximum(share, 1e-6) / np.maximum(foreign, 1e-4)) - magnetic_db / 3
    by_old = 1 / (1 + np.exp(np.clip((sir_db - _NEEDED_DB - visit) / _SLOPE_DB, -40, 40) * 1.5))
    by_signal = 1 / (1 + np.exp(np.clip((signal_db - _LEAST_SIGNAL_DB - visit) / _SIGNAL_SLOPE_DB, -40, 40) * 1.5))
    off = abs(writer.speed / reader.speed - 1)
    by_speed = 1 / (1 + math.exp(min(max((reader.bears_speed - off) / 0.0015, -40), 40)))
    lost = 1 - (1 - by_old) * (1 - by_signal) * (1 - by_speed)
    return np.where(lost < 1e-7, 0.0, lost)


def lost_sectors(chance: np.ndarray, sectors: np.ndarray, rng: np.random.Generator) -> int:
    """How many sectors a visit loses: sectors of a track share their fate."""
    chance = np.clip(chance, 0.0, 1.0 - 1e-9)
    own = np.where(chance > 0, rng.beta(np.maximum(chance * _SHARED_FATE, 1e-9), (1 - chance) * _SHARED_FATE), 0.0)
    return int(rng.binomial(sectors.astype(int), np.nan_to_num(own)).sum())


OUTSIDE_WIDTHS = {"130-48": 330.0, "130-96": 160.0, "130-dense": 160.0, "90": 115.0, "90-dense": 115.0}


def outside(disk: Medium) -> Drive:
    """A good drive elsewhere."""
    kind = disk.disk_class.id
    item = mechanism("", kind, "mfm-three-rate")
    return Drive(item, 0.0, 1.0, 0.05, 0.1, 15.0, OUTSIDE_WIDTHS[kind])


def run_trials(bench: Bench, count: int, rng: np.random.Generator) -> list[Trial]:
    """Trials as a keeper would make them: read what others wrote, now and then format."""
    participants: dict[str, tuple[Drive, Drive | None]] = {}
    trials = []
    names = list(bench.drives)
    for n in range(count):
        disk = bench.disks[str(rng.choice(list(bench.disks)))]
        layout = bench.layouts[disk.name]
        drive = bench.drives[str(rng.choice(names))]
        old = outside(disk)
        hand, under = participants.get(disk.name, (old, None))
        formats = bool(rng.random() < 0.35)
        side, tracks = int(rng.integers(2)), layout_tracks(layout)
        if formats:
            hand, under = drive, hand
            participants[disk.name] = hand, under
        for s in (0, 1) if formats else (side,):
            chosen = tracks.only(tracks.side == s)
            reach = chosen.only(chosen.cylinder <= drive.name.cylinders - 1)
            chance = sector_failures(
                hand, drive, disk, layout, bench.wear_db[disk.name], reach, under, float(rng.normal(0, 0.7))
            )
            failed = lost_sectors(chance, reach.sectors, rng)
            tried = int(reach.sectors.sum())
            trials.append(
                Trial(
                    f"T{n}.{s}", "2024-01-01", "format" if formats else "read", "H", "L", drive.name.name, disk.name, s,
                    0, int(reach.cylinder.max()), tried, failed,
                )
            )  # fmt: skip
    return trials


def ask(bench: Bench, rng: np.random.Generator) -> Question:
    """An exchange on a disk that was in no trial."""
    kinds = next(k for d, k in SHELVES if {m for m, _ in d} >= {x.name.drive.id for x in bench.drives.values()})
    disk, layout = make_disk("Q", kinds, rng)
    writer, reader = rng.choice(list(bench.drives), 2, replace=False)
    return Question(str(writer), disk, str(reader), layout, float(rng.gamma(0.5, 2.0)))


def outcome(bench: Bench, question: Question, rng: np.random.Generator) -> bool:
    """Whether every sector of the disk comes back."""
    tracks = layout_tracks(question.layout)
    writer, reader = bench.drives[question.writer], bench.drives[question.reader]
    if max(tracks.cylinder) > min(writer.name.cylinders, reader.name.cylinders) - 1:
        return False
    under = outside(question.disk) if question.disk.before == "recorded" else None
    chance = sector_failures(
        writer, reader, question.disk, question.layout, question.wear_db, tracks, under, float(rng.normal(0, 0.7))
    )
    return lost_sectors(chance, tracks.sectors, rng) == 0
