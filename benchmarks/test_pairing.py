"""Pairings: the whole shelf at once, one budget, and learning; ratios to the bare model in the same run."""

from __future__ import annotations

import time
from dataclasses import replace

import numpy as np
import pytest
from benchmarks.floors import Table, best_s

from indexhole.model import kernels
from indexhole.pairing.learning.evidence import OUTSIDE, Observation
from indexhole.pairing.learning.learning import learn
from indexhole.pairing.parts.beliefs import Beliefs, DiskBelief, MechanismBelief
from indexhole.pairing.parts.draws import Streams
from indexhole.pairing.parts.parts import Climate, Conditions, Mechanism, Medium, WhatIf, mechanism, medium
from indexhole.pairing.prediction.budget import budget
from indexhole.pairing.prediction.compute import compute
from indexhole.pairing.prediction.matrix import matrix
from indexhole.pairing.prediction.passages import Case
from indexhole.standards.layouts import Layout, load_layouts

# other work on the machine must not count
pytestmark = pytest.mark.benchmark(timer=time.process_time)

KINDS = (
    ("130-48", 10), ("130-96", 6), ("130-dense", 5), ("90", 4), ("90-dense", 2), ("200-two-side", 3),
)  # fmt: skip
DISKS = (
    ("130-48", "130-48-mfm-9x512", 90), ("130-96", "130-96-mfm-9x512", 40), ("130-dense", "130-dense-mfm-15x512", 25),
    ("90", "90-mfm-9x512", 25), ("200", "200-mfm-8x1024", 20),
)  # fmt: skip


def shelf(units: int, disks: int) -> tuple[list[Mechanism], list[Medium], dict[str, Layout], Beliefs]:
    """A mixed shelf in which every mechanism and disk has evidence of its own."""
    rng = np.random.default_rng(0)
    names = [kind for kind, count in KINDS for _ in range(count)]
    drives = [mechanism(f"D{i}", names[i * len(names) // units], "mfm-three-rate") for i in range(units)]
    kinds = [(kind, layout) for kind, layout, count in DISKS for _ in range(count)]
    library, layouts, media = load_layouts(), {}, []
    for i in range(disks):
        kind, layout = kinds[i * len(kinds) // disks]
        known = rng.random() < 0.3
        media.append(
            replace(
                medium(f"K{i}", kind),
                before=str(rng.choice(["recorded", "erased", ""])),
                recorded=Climate(float(rng.uniform(12, 30)), float(rng.uniform(30, 70))) if known else Climate(),
                recorded_by=drives[int(rng.integers(units))] if rng.random() < 0.3 else None,
            )
        )
        layouts[f"K{i}"] = library[layout]
    heads = {
        m.name: MechanismBelief(
            rng.normal(0, 10, 256), rng.normal(1, 0.003, 256), rng.exponential(0.3, 256), np.zeros(256)
        )
        for m in drives
    }
    worn = {d.name: DiskBelief(rng.exponential(0.5, 256), np.full(256, 1e-6)) for d in media}
    return drives, media, layouts, Beliefs(heads, worn)


def floor_s() -> float:
    """The bare model: a million draws and tracks of a sound pair, in seconds."""
    case = Case(
        mechanism("A", "130-48"), replace(medium("K", "130-48"), before="erased"), mechanism("B", "130-48"),
        load_layouts()["130-48-mfm-9x512"], "exchange", Conditions(), Beliefs(), Streams(0, 100),
    )  # fmt: skip
    (passage,) = compute(case).passages
    once = best_s(lambda: kernels.sector_hazards(passage.draws, passage.tracks, kernels.whole_turn(1)), 5)
    return once * 1e6 / (passage.draws.shape[0] * passage.tracks.shape[0])


@pytest.mark.parametrize("operation", ["read", "exchange"])
def test_the_whole_shelf(benchmark, table: Table, measuring: bool, operation) -> None:
    drives, disks, layouts, beliefs = shelf(*((30, 200) if measuring else (4, 6)))
    told = benchmark.pedantic(
        matrix,
        (drives, disks, drives, layouts, operation, None, beliefs),
        rounds=2,
        warmup_rounds=1 if measuring else 0,
    )
    assert told.chance.shape == (len(drives), len(disks), len(drives))
    if measuring:
        took = benchmark.stats.stats.min
        table.add(f"matrix of 30 x 200 x 30, {operation}, all with evidence", took, "s", most=5)
        table.add("... over a million runs of the bare model", took / floor_s(), "times", most=40)


def evidence(trials: int) -> tuple[dict[str, Mechanism], dict[str, Medium], dict[str, Layout], list[Observation]]:
    """Trials of 40 mechanisms and 60 disks, a third of a side each; one mechanism in ten reads the others badly."""
    rng = np.random.default_rng(1)
    drives = {f"D{i}": mechanism(f"D{i}", "130-48", "mfm-three-rate") for i in range(40)}
    disks = {f"K{i}": medium(f"K{i}", "130-48") for i in range(60)}
    layouts = dict.fromkeys(disks, load_layouts()["130-48-mfm-9x512"])
    wrote = {name: f"D{rng.integers(40)}" if rng.random() < 0.7 else OUTSIDE for name in disks}
    seen = []
    for n in range(trials):
        disk, reader = f"K{rng.integers(60)}", f"D{rng.integers(40)}"
        first, last = ((0, 12), (13, 26), (27, 39))[rng.integers(3)]
        tried = 9 * (last - first + 1)
        ill = reader.endswith("7") and wrote[disk] != reader
        failed = int(rng.binomial(tried, 0.9)) if ill else int(rng.random() < 0.02)
        side = int(rng.integers(2))
        seen.append(Observation(f"T{n}", "", "read", wrote[disk], reader, disk, side, first, last, tried, failed))
    return drives, disks, layouts, seen


def test_weighing_the_trials_of_a_large_shelf(benchmark, table: Table, measuring: bool) -> None:
    drives, disks, layouts, seen = evidence(2000 if measuring else 12)
    told = benchmark.pedantic(learn, (drives, disks, layouts, seen), rounds=1, warmup_rounds=1 if measuring else 0)
    assert set(told.disks) == {one.disk for one in seen}
    if measuring:
        table.add("weighing 2000 trials of 40 mechanisms and 60 disks", benchmark.stats.stats.min, "s", most=10)


def test_one_budget(benchmark, table: Table, measuring: bool) -> None:
    drives, disks, layouts, beliefs = shelf(8, 8)
    shift = Conditions(shift=WhatIf(offset_um=10.0))

    def slide() -> float:
        told = budget(
            drives[0], disks[0], drives[1], layouts["K0"], "read", shift, beliefs, samples=200, remedies=False
        )
        return told.chance

    assert 0.0 <= benchmark.pedantic(slide, rounds=5, warmup_rounds=1 if measuring else 0) <= 1.0
    if measuring:
        table.add("a budget of one pairing, as a slider asks for it", benchmark.stats.stats.min * 1e3, "ms", most=200)
