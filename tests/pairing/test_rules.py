"""Rules of thumb of interchange, each out of geometry, magnetics and timing: no rule stands in the code.

Marks and sources of the rules: SEEN in network-news posts, technical notes and an encyclopaedia article, DERIVED where
arithmetic, common practice where said. Chances are of a whole disk, thresholds those of the verdicts.
"""

from __future__ import annotations

import ast
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

import indexhole.pairing
from indexhole.model import geometry, kernels
from indexhole.pairing.parts.answer import Budget
from indexhole.pairing.parts.beliefs import NO_BELIEFS
from indexhole.pairing.parts.draws import Streams
from indexhole.pairing.parts.parts import Conditions, Operation, mechanism, medium
from indexhole.pairing.parts.rates import choose_rate
from indexhole.pairing.parts.tracks import head_places_um, layout_tracks, steps_a_track
from indexhole.pairing.prediction.budget import budget, compute
from indexhole.pairing.prediction.fit import check_fit, index_share, may_write, sees_index
from indexhole.pairing.prediction.passages import Case
from indexhole.standards.layouts import load_layouts

LAYOUTS = load_layouts()
NORMAL, NARROW = LAYOUTS["130-48-mfm-9x512"], LAYOUTS["130-96-mfm-9x512"]
CONTROLLER = "mfm-three-rate"


def ask(
    writer: str,
    reader: str,
    disk_class: str,
    layout: str,
    operation: Operation = "exchange",
    *,
    before: str = "erased",
    controllers: tuple[str, str] = (CONTROLLER, CONTROLLER),
    erase: bool = False,
) -> Budget:
    drive = mechanism("W", writer, controllers[0])
    disk = replace(medium("K1", disk_class), before=before, notch=drive.drive.writable_when[0], hub_ring=True)
    return budget(
        drive,
        disk,
        mechanism("R", reader, controllers[1]),
        LAYOUTS[layout],
        operation,
        Conditions(bulk_erased_first=erase),
        samples=250,
        remedies=False,
    )


def test_the_code_asks_no_class_names() -> None:
    """No comparison with the name of a drive, disk or layout class anywhere in the room (sizes are geometry)."""
    from indexhole.standards.classes import load_classes
    from indexhole.standards.drives import load_drives

    names = (set(load_classes()) | set(load_drives()) | set(LAYOUTS)) - {"200", "90"}
    for path in Path(indexhole.pairing.__file__).parent.rglob("*.py"):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            assert not (isinstance(node, ast.Constant) and node.value in names), (path.name, node.value)


def test_a_narrow_head_reads_wide_tracks_stepping_twice() -> None:
    narrow = mechanism("R", "130-96", CONTROLLER)
    tracks = layout_tracks(NORMAL)
    assert steps_a_track(narrow, tracks.pitch_um) == 2
    assert np.abs(head_places_um(narrow, tracks)).max() < 0.01
    assert ask("130-48", "130-96", "130-48", NORMAL.id, "read").verdict == "works"


def test_without_double_stepping_the_narrow_head_does_not_follow() -> None:
    fixed = ask("130-48", "130-96", "130-48", NORMAL.id, "read", controllers=(CONTROLLER, "mfm-fixed-step"))
    assert fixed.verdict == "fails"
    assert fixed.limiting == "position"


def test_a_narrow_head_over_wide_tracks_is_unreliable_in_wide_drives_and_fine_in_narrow_ones() -> None:
    wide = ask("130-96", "130-48", "130-48", NORMAL.id, before="recorded")
    assert wide.chance < 0.5
    assert wide.limiting == "old recording"
    narrow = ask("130-96", "130-96", "130-48", NORMAL.id, before="recorded")
    assert narrow.chance > wide.chance + 0.4


@pytest.mark.parametrize("how", ["never recorded", "bulk erased first"])
def test_an_erased_disk_mends_it(how: str) -> None:
    spoilt = ask("130-96", "130-48", "130-48", NORMAL.id, before="recorded")
    if how == "never recorded":
        mended = ask("130-96", "130-48", "130-48", NORMAL.id, before="never recorded")
    else:
        mended = ask("130-96", "130-48", "130-48", NORMAL.id, before="recorded", erase=True)
    assert mended.chance > 0.8
    assert mended.chance > spoilt.chance + 0.5
    assert mended.term("old recording").cost < 0.01


@pytest.mark.parametrize(("old_um", "left_um", "new_over_old_db"), [(330, 170, -0.53), (300, 140, 1.16)])
def test_old_edges_without_erase_help(old_um: float, left_um: float, new_over_old_db: float) -> None:
    """DERIVED: 330 - 160 = 170 um, 51.5 % of the width; new over old -0.53 dB, with 300 um +1.16 dB."""
    d, t = np.zeros((1, kernels.DRAW_COLUMNS)), np.zeros((1, kernels.TRACK_COLUMNS))
    d[0, [kernels.W_WIDTH, kernels.R_WIDTH, kernels.U_WIDTH]] = 160.0, old_um, old_um
    d[0, [kernels.RATIO, kernels.R_SPEED, kernels.SEEN, kernels.LAID, kernels.UNDER]] = 1.0
    d[0, kernels.PULSE] = 3.5
    t[0, [kernels.RADIUS, kernels.RPM, kernels.CELL, kernels.RATE]] = 36.5125, 300.0, 2e-6, 1.0
    t[0, [kernels.SHORTEST, kernels.LONGEST, kernels.STEP, kernels.U_STEP]] = 2, 4, 529.0, 529.0
    wanted, foreign = kernels.signals(d, t)
    assert foreign[0, 0] * old_um == pytest.approx(left_um, abs=1e-6)
    assert geometry.ratio_db(float(wanted[0, 0] / foreign[0, 0])) == pytest.approx(new_over_old_db, abs=6e-3)


def test_100_against_96_tpi_drifts_10_6_um_a_track() -> None:
    tracks = layout_tracks(LAYOUTS["130-96-mfm-16x256"])
    drift = head_places_um(mechanism("W", "130-100"), tracks) - head_places_um(mechanism("R", "130-96"), tracks)
    for n, expected in ((1, 10.583), (5, 52.9), (12, 127.0), (24, 254.0)):
        assert drift[tracks.cylinder == n][0] == pytest.approx(expected, abs=0.05)


def test_100_tpi_and_96_tpi_drives_are_incompatible() -> None:
    for pair in (("130-100", "130-96"), ("130-96", "130-100")):
        told = ask(*pair, "130-96", "130-96-mfm-16x256")
        assert told.verdict == "fails"
        assert told.limiting == "position"
        # whatever the start radius of 100 tpi, which nobody knows, only some of the first cylinders can overlap
        read = told.curve.failure < 0.95
        assert read.any()
        assert told.curve.cylinder[read].max() < 40
        assert told.curve.failure[told.curve.cylinder > 48].min() > 0.99


def test_with_the_same_start_radius_the_first_fifteen_cylinders_overlap() -> None:
    tracks = layout_tracks(LAYOUTS["130-96-mfm-16x256"])
    drift = head_places_um(mechanism("W", "130-100"), tracks) - head_places_um(mechanism("R", "130-96"), tracks)
    shared = [geometry.overlap_um(geometry.band(0.0, 160.0), geometry.band(d, 160.0)) for d in drift]
    assert tracks.cylinder[np.array(shared) > 0].max() == 15


def test_a_dense_disk_in_a_normal_drive_is_not_recorded_properly() -> None:
    told = ask("130-48", "130-48", "130-dense", NORMAL.id)
    assert told.verdict == "fails"
    assert told.limiting == "magnetics"
    assert told.term("magnetics").margin < -10


def test_a_normal_disk_in_a_dense_drive_wants_less_current() -> None:
    full = ask("130-dense-fixed-current", "130-dense", "130-48", NORMAL.id)
    low = ask("130-dense", "130-dense", "130-48", NORMAL.id)
    assert low.verdict == "works"
    assert full.verdict == "doubtful"
    assert full.limiting == "magnetics"
    assert "over-driven" in full.term("magnetics").words
    assert low.term("magnetics").margin > full.term("magnetics").margin + 2
    # a controller without the line that lowers it leaves the current high
    no_line = ("mfm-one-rate", CONTROLLER)
    at_300 = ask("130-dense-two-speed", "130-dense", "130-48", NORMAL.id, controllers=no_line)
    assert at_300.chance == pytest.approx(full.chance, abs=0.08)


def test_and_its_tracks_stay_narrow() -> None:
    wide = ask("130-dense", "130-48", "130-48", NORMAL.id, before="recorded")
    assert wide.chance < 0.5
    assert wide.limiting == "old recording"


def test_dense_on_a_normal_disk_fails() -> None:
    for drive, disk, layout in (
        ("130-dense", "130-48", "130-dense-mfm-15x512"),
        ("90-dense", "90", "90-dense-mfm-18x512"),
    ):
        told = ask(drive, drive, disk, layout)
        assert told.verdict == "fails"
        assert told.limiting == "magnetics"


def test_a_dense_90_mm_disk_recorded_as_normal_seems_to_work_but_less_well() -> None:
    own = ask("90", "90", "90", "90-mfm-9x512", before="recorded")
    other = ask("90", "90", "90-dense", "90-mfm-9x512", before="recorded")
    assert other.chance > 0.7
    assert "may fade" in other.term("magnetics").words
    assert "may fade" not in own.term("magnetics").words
    hardly = {}
    for name in ("90", "90-dense"):
        case = Case(
            mechanism("W", "90", CONTROLLER), replace(medium("K", name), before="recorded"),
            mechanism("R", "90", CONTROLLER), LAYOUTS["90-mfm-9x512"], "exchange", Conditions(),
            NO_BELIEFS, Streams(0, 250),
        )  # fmt: skip
        draws = compute(case).passages[0].draws
        hardly[name] = draws[:, kernels.RESIDUE].mean(), draws[:, kernels.LAID].mean()
    assert hardly["90-dense"][0] > 2 * hardly["90"][0]
    assert hardly["90-dense"][1] < hardly["90"][1] - 0.02


def test_the_other_sort_of_200_mm_drive_sees_no_index() -> None:
    one, two, both = (
        mechanism("R", name, CONTROLLER) for name in ("200-one-side", "200-two-side", "200-two-side-both-sensors")
    )
    for sides, sees in ((1, (True, False, True)), (2, (False, True, True))):
        disk = medium("K", "200", sides)
        assert tuple(sees_index(m, disk) for m in (one, two, both)) == sees
    tracks = layout_tracks(LAYOUTS["200-fm-26x128"])
    assert any("index" in h for h in check_fit(two, medium("K", "200", 1), tracks, writes=False).hindrances)
    assert not check_fit(both, medium("K", "200", 1), tracks, writes=False).hindrances


def test_a_disk_turned_over_wants_a_second_notch_and_a_second_window() -> None:
    drive = mechanism("R", "130-48-one-side", CONTROLLER)
    index_free = mechanism("R", "130-48-one-side", "zoned-35")
    tracks = layout_tracks(LAYOUTS["130-fm-16x128"])
    turned = replace(medium("K", "130-48", 1), turned_over=True, notch="open", second_notch=False, second_window=False)
    assert may_write(drive, turned) is False
    assert not sees_index(drive, turned)
    assert any("index" in h for h in check_fit(drive, turned, tracks, writes=False).hindrances)
    # a controller that needs no index reads it all the same
    assert not check_fit(index_free, turned, layout_tracks(LAYOUTS["zoned-35-1s"]), writes=False).hindrances
    cut = replace(turned, second_notch=True, second_window=True)
    assert may_write(drive, cut) is True
    assert not check_fit(drive, cut, tracks, writes=True).hindrances


@pytest.mark.parametrize("holes", [10, 16, 32])
def test_a_hard_sector_disk_gives_many_index_pulses(holes: int) -> None:
    drive = mechanism("R", "130-48", CONTROLLER)
    disk = replace(medium("K", "130-48"), sector_holes=holes)
    # five pulses are four intervals of a turn cut into holes + 1
    assert index_share(drive, disk) == pytest.approx(4 / (holes + 1))
    assert check_fit(drive, disk, layout_tracks(NORMAL), writes=False).hindrances
    zoned = mechanism("R", "130-48-one-side", "zoned-35")
    assert not check_fit(zoned, disk, layout_tracks(LAYOUTS["zoned-35-1s"]), writes=True).hindrances


def test_a_300_rpm_disk_at_360_rpm_wants_another_rate() -> None:
    rate = choose_rate(mechanism("R", "130-dense", CONTROLLER), "mfm", 2e-6, 300)
    assert rate.speed_rpm == 360
    assert 2 * rate.cell_s == pytest.approx(3.3333e-6, abs=1e-10)
    assert ask("130-48", "130-dense", "130-48", NORMAL.id, "read").verdict == "works"
    without = ask("130-48", "130-dense", "130-48", NORMAL.id, "read", controllers=(CONTROLLER, "mfm-two-rate"))
    assert without.verdict == "fails"
    assert without.limiting == "code and format"
    # a drive that also turns at 300 r/min needs no such rate
    two_speed = ask(
        "130-48", "130-dense-two-speed", "130-48", NORMAL.id, "read", controllers=(CONTROLLER, "mfm-two-rate")
    )
    assert two_speed.verdict == "works"


def test_handling_order() -> None:
    """Common practice: write-protect first, clean between suspect disks, stop at the first sign of shedding."""
    ill = replace(medium("K", "130-48", importance="irreplaceable"), condition=("shedding", "dusty"))
    told = budget(mechanism("W", "130-48"), ill, mechanism("R", "130-48"), NORMAL, "read", samples=50)
    assert told.risk.read == "stop"
    assert told.risk.write == "never"
    words = " ".join(told.risk.words)
    assert "write-protect it first" in words
    assert "clean the head" in words
    assert "stop at the first sign" in words


@pytest.mark.parametrize(
    ("drives", "layout", "controllers", "own_gap"),
    [
        (("130-48-one-side", "130-48-one-side"), "zoned-35-1s", ("zoned-35", "zoned-35-short-gap"), None),
        (("130-48", "130-48"), "130-48-mfm-9x512", (CONTROLLER, CONTROLLER), 23.0),
    ],
)
def test_two_controllers_that_differ_by_a_byte(drives, layout, controllers, own_gap) -> None:
    disk = replace(medium("K1", "130-48"), before="erased", notch="open")
    one = mechanism("W", drives[0], controllers[0])
    other = mechanism("R", drives[1], controllers[1], gap_2_bytes=own_gap)
    for writer, reader in ((one, other), (other, one)):
        asked = [
            budget(writer, disk, reader, LAYOUTS[layout], op, samples=250, remedies=False) for op in ("read", "update")
        ]
        assert [b.verdict for b in asked] == ["works", "doubtful"]
        assert asked[1].limiting == "code and format"
        assert "rewritten in place may be lost" in asked[1].why
    alike = budget(one, disk, replace(one, name="R"), LAYOUTS[layout], "update", samples=250, remedies=False)
    assert alike.chance > asked[1].chance + 0.1
    assert alike.term("code and format").cost < 0.05


def test_a_double_sided_unit_finds_out_that_a_disk_is_single_sided() -> None:
    disk = replace(medium("K1", "130-100", 1), before="erased", notch="open")
    unit, single = mechanism("R", "130-100", "zoned-77"), mechanism("W", "130-100-one-side", "zoned-77")
    told = budget(single, disk, unit, LAYOUTS["zoned-77-1s"], "read", samples=100, remedies=False)
    assert any("first access may fail" in note for note in told.notes)
    assert not budget(unit, disk, single, LAYOUTS["zoned-77-1s"], "read", samples=100, remedies=False).notes
