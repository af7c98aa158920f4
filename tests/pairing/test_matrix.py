"""The matrix against the full budget, cell by cell, on a mixed shelf."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from indexhole.pairing.parts.answer import GROUPS
from indexhole.pairing.parts.beliefs import NO_BELIEFS, Beliefs, DiskBelief, MechanismBelief
from indexhole.pairing.parts.draws import Streams
from indexhole.pairing.parts.parts import Climate, Conditions, Mechanism, Medium, Operation, mechanism, medium
from indexhole.pairing.parts.tracks import layout_tracks
from indexhole.pairing.prediction.budget import budget
from indexhole.pairing.prediction.compute import FAILS, WORKS, compute
from indexhole.pairing.prediction.matrix import VERDICTS, few_tracks, matrix
from indexhole.pairing.prediction.passages import Case
from indexhole.standards.layouts import Layout, load_layouts

LAYOUTS = load_layouts()


def shelf(rng: np.random.Generator) -> tuple[list[Mechanism], list[Medium], dict[str, Layout]]:
    """Ten mechanisms and ten disks of several kinds, their circumstances drawn."""
    classes = (
        "130-48",
        "130-48",
        "130-96",
        "130-dense",
        "130-dense-fixed-current",
        "90",
        "90-dense",
        "130-48-one-side",
    )
    drives = [mechanism(f"D{i}", c, "mfm-three-rate") for i, c in enumerate(classes)]
    drives += [mechanism("D8", "130-48-one-side", "zoned-35"), mechanism("D9", "130-48-one-side", "zoned-35-short-gap")]
    kinds = (
        ("130-48", "130-48-mfm-9x512"), ("130-48", "130-48-mfm-9x512"), ("130-96", "130-96-mfm-9x512"),
        ("130-dense", "130-dense-mfm-15x512"), ("130-dense", "130-48-mfm-9x512"), ("90", "90-mfm-9x512"),
        ("90-dense", "90-dense-mfm-18x512"), ("90-dense", "90-mfm-9x512"), ("130-48", "zoned-35-1s"),
        ("130-48", "130-fm-16x128"),
    )  # fmt: skip
    disks, layouts = [], {}
    for i, (kind, layout) in enumerate(kinds):
        before = str(rng.choice(["recorded", "erased", ""]))
        recorded = Climate(float(rng.uniform(12, 30)), float(rng.uniform(35, 60))) if rng.random() < 0.4 else Climate()
        disk = replace(medium(f"K{i}", kind), before=before, recorded=recorded, hub_ring=bool(rng.random() < 0.5))
        if rng.random() < 0.3:
            fitting = [m for m in drives if m.drive.diameter_mm == disk.disk_class.diameter_mm]
            disk = replace(disk, recorded_by=fitting[int(rng.integers(len(fitting)))])
        disks.append(disk)
        layouts[disk.name] = LAYOUTS[layout]
    return drives, disks, layouts


def evidence(drives: list[Mechanism], disks: list[Medium], rng: np.random.Generator) -> Beliefs:
    """Beliefs as after some trials, for most of the shelf."""
    heads = {}
    for m in drives:
        if rng.random() < 0.7:
            place = rng.normal(0, m.drive.offset_limit_um.value / 2)
            heads[m.name] = MechanismBelief(
                rng.normal(place, 5, 256), rng.normal(1, 0.004, 256), rng.exponential(0.3, 256), np.zeros(256)
            )
    worn = {d.name: DiskBelief(rng.exponential(rng.uniform(0.2, 5), 256), np.full(256, 1e-6)) for d in disks[::2]}
    return Beliefs(heads, worn)


@pytest.mark.parametrize(
    ("operation", "known"), [("read", False), ("read", True), ("exchange", True), ("update", True)]
)
def test_the_matrix_is_the_budget_within_its_approximations(operation: Operation, known: bool) -> None:
    rng = np.random.default_rng(11)
    drives, disks, layouts = shelf(rng)
    beliefs = evidence(drives, disks, rng) if known else NO_BELIEFS
    told = matrix(drives, disks, drives, layouts, operation, None, beliefs)
    assert told.chance.shape == (10, 10, 10)
    apart, other_verdict, impossible = [], 0, 0
    for w, d, r in rng.permutation(list(np.ndindex(10, 10, 10))).tolist():
        if len(apart) == 36:
            break
        case = Case(
            drives[w], disks[d], drives[r], layouts[disks[d].name], operation, Conditions(), beliefs, Streams(0, 250)
        )
        same_size = {m.drive.diameter_mm for m in case.everyone} == {disks[d].disk_class.diameter_mm}
        verdict, chance, limiting = told.cell(drives[w].name, disks[d].name, drives[r].name)
        if not same_size:
            assert (verdict, chance) == ("fails", 0.0)
            continue
        full = compute(case)
        if not full.possible:
            impossible += 1
            assert (verdict, chance) == ("fails", 0.0)
            assert limiting in ("fit", "code and format")
            continue
        apart.append(chance - full.chance)
        # a cell may be told another verdict only near a threshold
        word = "works" if full.chance >= WORKS else "fails" if full.chance <= FAILS else "doubtful"
        if verdict not in (word, "unproven"):
            other_verdict += 1
            assert min(abs(full.chance - at) for at in (WORKS, FAILS)) < 0.15
    assert impossible > 5
    assert np.abs(apart).max() < 0.2
    assert np.sqrt(np.mean(np.square(apart))) < 0.08
    assert abs(np.mean(apart)) < 0.05
    assert other_verdict < 0.3 * len(apart)


def test_what_nobody_noted_is_told_as_the_budget_tells_it() -> None:
    layout = LAYOUTS["200-fm-26x128"]
    disks = [replace(medium(f"K{i}", "200", 1), before="erased", supposed=("window",) * (i > 0)) for i in range(2)]
    drives = [mechanism("D0", "200-two-side", "mfm-three-rate"), mechanism("D1", "200-one-side", "mfm-three-rate")]
    drives.append(replace(drives[0], name="D2", supposed=("class", "heads")))
    told = matrix(drives, disks, drives, dict.fromkeys(("K0", "K1"), layout), "read")
    for disk in disks:
        for reader in drives:
            verdict, chance, limiting = told.cell("D1", disk.name, reader.name)
            full = budget(drives[1], disk, reader, layout, "read", samples=150, remedies=False)
            assert (verdict, limiting) == (full.verdict, full.limiting if verdict != "works" else limiting)
            assert chance == pytest.approx(full.chance, abs=0.1)
    assert [told.cell("D1", d.name, "D0")[0] for d in disks] == ["fails", "unproven"]


def test_alike_cases_are_reckoned_once_and_told_alike() -> None:
    drives = [mechanism(f"D{i}", "130-48", "mfm-two-rate") for i in range(4)]
    disks = [replace(medium(f"K{i}", "130-48"), before="erased") for i in range(3)]
    told = matrix(drives, disks, drives, dict.fromkeys(("K0", "K1", "K2"), LAYOUTS["130-48-mfm-9x512"]), "exchange")
    assert (told.chance == told.chance[:, :1, :]).all()
    apart = ~np.eye(4, dtype=bool)
    assert len(set(told.chance[:, 0, :][apart].tolist())) == 1
    # what a mechanism wrote itself it reads better than what another did
    assert told.chance[0, 0, 0] > told.chance[0, 0, 1]


def test_every_cell_is_a_chance_with_a_verdict() -> None:
    rng = np.random.default_rng(2)
    drives, disks, layouts = shelf(rng)
    told = matrix(drives, disks, drives, layouts, "format")
    assert ((told.chance >= 0) & (told.chance <= 1)).all()
    assert set(np.unique(told.verdict).tolist()) <= set(range(len(VERDICTS)))
    assert told.limiting.max() < len(GROUPS)
    sizes = np.array([[d.disk_class.diameter_mm == m.drive.diameter_mm for m in drives] for d in disks])
    assert (told.chance[np.broadcast_to(~sizes.T[:, :, None], told.chance.shape)] == 0).all()


@pytest.mark.parametrize("name", ["130-48-mfm-9x512", "zoned-35-1s", "90-mfm-9x512"])
def test_few_tracks_stand_for_all_sectors(name: str) -> None:
    tracks = layout_tracks(LAYOUTS[name])
    few, weight = few_tracks(tracks)
    assert weight.sum() == pytest.approx(tracks.sectors.sum())
    assert few.cylinder.min() == 0 and few.cylinder.max() == tracks.cylinder.max()
