"""Writers weighed against the drives on the shelf: honest probabilities, the shelf's say, the command line."""

from __future__ import annotations

import json
import math
import sqlite3
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from indexhole.cli import main as edge
from indexhole.errors import InputFault
from indexhole.jobs.recovery.known_writers import ask_shelf, attributed, formatter_of, known_writers
from indexhole.jobs.recovery.writers import report_writers
from indexhole.model.forward import MechanismState
from indexhole.model.simulator.simulate import Reader, format_track, read_track, rewrite_sector
from indexhole.model.suited import sound_mechanism
from indexhole.model.trials.trial import Trial
from indexhole.recover.writers.known_writers import (
    DRIVES_INDEX_S,
    DRIVES_SPEED,
    NONE,
    OCCASION_INDEX_S,
    OCCASION_SPEED,
    PRIOR_NONE,
    Attribution,
    Known,
    Occasion,
    attribute,
)
from indexhole.shelf.care.captures import store_capture
from indexhole.shelf.records.records import CaptureRecord, Disk, Mechanism, Unit, checked
from indexhole.shelf.register import database
from indexhole.shelf.register.shelf import Shelf
from indexhole.signal.captures.capture import Capture
from indexhole.signal.formats.write_vcd import write_capture
from indexhole.signal.simulated import capture_of
from indexhole.standards.layouts import load_layouts

FM = load_layouts()["130-fm-16x128"]
Rng = np.random.Generator

# probabilities


def occasion(speed: float, index_s: float, setting: str = "D9.0 a") -> Occasion:
    return Occasion(speed, 3e-5, 0.005 + index_s, 2e-6, setting)


def shown(ranked: list[Attribution]) -> dict[str, float]:
    return {a.name: a.probability for a in ranked}


def bench(rng: Rng, drift: float) -> list[tuple[str, dict[str, float]]]:
    """Four drives within +-1 %, each known by one to three disks, and ten disks of theirs or of others'."""
    speed, index_s = rng.uniform(-0.01, 0.01, 4), rng.uniform(0, 400e-6, 4)

    def seen(s: float, i: float) -> Occasion:
        return occasion(rng.normal(s, drift * OCCASION_SPEED), rng.normal(i, drift * OCCASION_INDEX_S))

    known = [
        Known(f"D{k}.0", tuple(seen(s, i) for _ in range(rng.integers(1, 4))))
        for k, (s, i) in enumerate(zip(speed, index_s, strict=True))
    ]
    cases = []
    for _ in range(10):
        number = int(rng.integers(0, 4))
        if rng.random() < PRIOR_NONE:
            truth, new = NONE, seen(rng.uniform(-0.01, 0.01), rng.uniform(0, 400e-6))
        else:
            truth, new = known[number].name, seen(speed[number], index_s[number])
        cases.append((truth, shown(attribute(new, known))))
    return cases


@pytest.mark.parametrize("drift", [0.4, 0.7, 1.0])
def test_probabilities_are_honest_up_to_the_stated_drift(drift: float) -> None:
    """In every class of probability the share that comes true is no less sure than told, for drives that are not
    normal at large (evenly spread) and drift by other amounts than the prior says."""
    rng = np.random.default_rng(int(10 * drift))
    cases = [case for _ in range(80) for case in bench(rng, drift)]
    told = np.array([p for _, shares in cases for p in shares.values()])
    true = np.array([name == truth for truth, shares in cases for name in shares])
    for low, high in ((0.0, 0.1), (0.1, 0.3), (0.3, 0.6), (0.6, 0.85), (0.85, 1.01)):
        of = (told >= low) & (told < high)
        expected, came = told[of].sum(), true[of].sum()
        slack = 3.5 * math.sqrt((told[of] * (1 - told[of])).sum()) + 0.06 * of.sum()
        assert abs(came - expected) < slack
        # Sure things may come true oftener than told, and unlikely ones more seldom; the reverse is overconfidence.
        if low >= 0.6:
            assert came > expected - 3.5 * math.sqrt((told[of] * (1 - told[of])).sum())
    guess = np.mean([math.log(shares[truth]) for truth, shares in cases])
    prior = PRIOR_NONE * math.log(PRIOR_NONE) + (1 - PRIOR_NONE) * math.log((1 - PRIOR_NONE) / 4)
    assert guess > prior + 0.7


@given(
    st.floats(-0.03, 0.03),
    st.floats(-5e-4, 5e-4),
    st.lists(st.tuples(st.floats(-0.03, 0.03), st.floats(-5e-4, 5e-4)), max_size=5),
)
@settings(max_examples=60)
def test_shares_are_probabilities_and_order_does_not_matter(speed, index_s, others) -> None:
    known = [Known(f"D{k}.0", (occasion(s, i),)) for k, (s, i) in enumerate(others)]
    ranked = attribute(occasion(speed, index_s), known)
    assert sum(a.probability for a in ranked) == pytest.approx(1)
    assert [a.probability for a in ranked] == sorted((a.probability for a in ranked), reverse=True)
    assert {a.name for a in ranked} == {NONE, *(k.name for k in known)}
    turned = shown(attribute(occasion(speed, index_s), known[::-1]))
    assert shown(ranked) == pytest.approx(turned)


def test_more_occasions_make_surer_and_a_far_drive_is_none_of_the_known() -> None:
    once = [Known("D1.0", (occasion(0.004, 0.0),)), Known("D2.0", (occasion(-0.006, 3e-4),))]
    often = [replace(k, occasions=k.occasions * 6) for k in once]
    new = occasion(0.0041, 5e-6)
    assert 0.6 < shown(attribute(new, once))["D1.0"] < shown(attribute(new, often))["D1.0"] < 0.999
    assert shown(attribute(occasion(0.03, 2e-3), once))[NONE] > 0.95


def test_the_start_behind_the_index_counts_in_one_setting_only() -> None:
    known = [Known("D1.0", (occasion(0.001, 0.0),)), Known("D2.0", (occasion(0.001, 3e-4),))]
    new = occasion(0.001, 3e-4)
    told = attribute(new, known)
    assert (told[0].name, told[0].compared) == ("D2.0", "speed and start behind the index")
    elsewhere = attribute(replace(new, setting="D9.0 b"), known)
    assert elsewhere[0].compared == "speed"
    assert shown(elsewhere)["D1.0"] == pytest.approx(shown(elsewhere)["D2.0"])


def test_what_was_not_measured_leaves_the_prior() -> None:
    known = [Known("D1.0", (occasion(0.001, 0.0),)), Known("D2.0", (occasion(0.005, 0.0),))]
    told = attribute(Occasion(math.nan, math.nan), known)
    assert told[0].compared == "nothing"
    assert shown(told) == pytest.approx({"D1.0": 1 / 3, "D2.0": 1 / 3, NONE: 1 / 3})
    assert shown(attribute(occasion(0.0, 0.0), [])) == {NONE: 1.0}
    assert DRIVES_SPEED > 4 * OCCASION_SPEED
    assert DRIVES_INDEX_S > 4 * OCCASION_INDEX_S


# what the shelf knows


def trial(name: str, when: str, mechanism: str, operation: str = "format", disk: str = "K1", **more: int) -> Trial:
    span = {"side": 0, "first_cylinder": 0, "last_cylinder": 39, **more}
    return Trial(name, when, operation, "", "", mechanism, disk, sectors_tried=9, sectors_failed=0, **span)  # type: ignore[arg-type]


def record(**about: object) -> CaptureRecord:
    values = {"sha256": "a" * 64, "name": "x", "size_bytes": 1, "parquet": "captures/a.parquet", "disk": "K1"}
    return checked(CaptureRecord, **values | about)


TWO = [trial("T1", "2025-01-05", "D1.0"), trial("T2", "2025-03-01", "D2.0")]
PART = [trial("T1", "2025-01-05", "D1.0"), trial("T2", "2025-03-01", "D2.0", first_cylinder=20)]


@pytest.mark.parametrize(
    ("about", "trials", "maker"),
    [
        ({"writer": "D3.0"}, TWO, "D3.0"),
        ({}, TWO[:1], "D1.0"),
        # which of two, nobody knows, unless the capture's date tells
        ({}, TWO, None),
        ({"cylinder": 3, "taken": "2025-02"}, TWO, "D1.0"),
        ({"cylinder": 3, "taken": "2025-04-01"}, TWO, "D2.0"),
        ({"cylinder": 3, "taken": "2025-03"}, TWO, None),
        ({"cylinder": 3, "taken": "2025"}, TWO, None),
        # a whole disk may hold parts of any age
        ({"taken": "2025-04-01"}, TWO, None),
        ({"cylinder": 3, "taken": "2025-04-01"}, PART, "D1.0"),
        ({"cylinder": 30, "taken": "2025-04-01"}, PART, "D2.0"),
        # what does not count: other sides, other disks, data written, formatting still to come
        ({"head": 1}, TWO[:1], None),
        ({"disk": "K2"}, TWO, None),
        ({"disk": None}, TWO, None),
        ({}, [trial("T1", "2025-01-05", "D1.0", "write")], None),
        ({"taken": "2024"}, TWO[:1], None),
    ],
)
def test_who_formatted_it_is_told_only_without_doubt(about, trials, maker) -> None:
    assert formatter_of(record(**about), trials) == maker


def writer_state(speed_ratio: float, index_delay_s: float) -> MechanismState:
    return replace(sound_mechanism(FM), speed_ratio=speed_ratio, index_delay_s=index_delay_s)


DRIVES = {"D1.0": writer_state(1.004, 20e-6), "D2.0": writer_state(1.0035, 320e-6), "D3.0": writer_state(0.993, 150e-6)}


def capture(seed: int, writer: MechanismState, rewriter: MechanismState | None = None) -> Capture:
    """A disk's track, as D9.0 reads it; the writer a little off what it was the time before."""
    rng = np.random.default_rng(seed)
    drifted = replace(
        writer,
        speed_ratio=writer.speed_ratio * (1 + rng.normal(0, 0.0005)),
        index_delay_s=writer.index_delay_s + abs(rng.normal(0, 10e-6)),
    )
    track = format_track(FM, 5, 0, {n: rng.bytes(128) for n in range(1, 17)}, rng, drifted)
    if rewriter is not None:
        track = rewrite_sector(track, 7, rng.bytes(128), rng, rewriter, late_s=2e-6)
    reader = replace(sound_mechanism(FM), speed_ratio=0.998, index_delay_s=40e-6, wow_peak=0.002)
    return capture_of(read_track(track, rng, Reader(reader), revolutions=2), f"{seed}.vcd")


@pytest.fixture(scope="module")
def shelf(tmp_path_factory) -> Shelf:
    """Three drives, each with two disks they formatted: four by a capture's `writer`, two by a trial."""
    opened = Shelf.open(tmp_path_factory.mktemp("shelf"), create=True)
    for unit in ("D1", "D2", "D3", "D9"):
        opened.add(checked(Unit, inventory=unit, kind="drive unit"))
        opened.add(checked(Mechanism, mechanism=f"{unit}.0"))
    for number, (name, state) in enumerate((n, s) for n, s in DRIVES.items() for _ in range(2)):
        disk = f"K{number}"
        opened.add(checked(Disk, inventory=disk))
        about: dict[str, object] = {"disk": disk, "mechanism": "D9.0", "cylinder": 5, "head": 0}
        if name == "D3.0":
            opened.add_trials([trial(f"T{number}", "2025-01-01", name, disk=disk)])
        else:
            about["writer"] = name
        store_capture(opened, None, capture(number, state), **about)
    return opened


def test_a_disk_is_given_to_the_drive_that_formatted_it(shelf) -> None:
    """D1.0 and D2.0 differ by less than they drift in speed; the start behind the index tells them apart."""
    outsider = writer_state(1.013, 700e-6)
    asked = {}
    for seed, (name, state) in enumerate((*DRIVES.items(), (NONE, outsider)), start=20):
        shelf.add(checked(Disk, inventory=f"Q{seed}"))
        taken = capture(seed, state)
        kept = store_capture(shelf, None, taken, disk=f"Q{seed}", mechanism="D9.0").record
        asked[name] = replace(taken, sha256=kept.sha256)
    known = known_writers(shelf)
    assert {k.name: len(k.occasions) for k in known.known} == {"D1.0": 2, "D2.0": 2, "D3.0": 2}
    assert known.warnings == ()
    for name, taken in asked.items():
        ranked = attributed(report_writers([taken], FM.id), [taken.sha256], known).attributions["W1"]
        assert ranked[0].name == name
        assert ranked[0].probability > 0.6
        assert ranked[0].compared == "speed and start behind the index"


def test_a_disk_does_not_speak_for_itself(shelf) -> None:
    mine = next(r for r in shelf.all(CaptureRecord) if r.disk == "K0")
    left = known_writers(shelf, {mine.sha256})
    assert {k.name: len(k.occasions) for k in left.known} == {"D1.0": 1, "D2.0": 2, "D3.0": 2}


def test_an_empty_shelf_says_so(tmp_path) -> None:
    Shelf.open(tmp_path, create=True)
    asked = capture(30, DRIVES["D1.0"])
    report, warnings = ask_shelf(report_writers([asked], FM.id), [asked.sha256], tmp_path)
    assert report.attributions == {}
    assert warnings == ("no drive on the shelf is known to have formatted a captured disk",)


# the register


def test_a_register_without_writers_opens_with_its_captures_kept(tmp_path) -> None:
    database._make(tmp_path, "0002")
    connection = sqlite3.connect(tmp_path / database.REGISTER)
    connection.execute(
        "INSERT INTO captures VALUES (1, ?, 'a.vcd', 9, NULL, NULL, 4, 1, '', 'captures/a.parquet', '', 'x', ?)",
        ("b" * 64, "2026-03-01 10:00:00.000000"),
    )
    connection.commit()
    connection.close()
    opened = Shelf.open(tmp_path)
    (kept,) = opened.all(CaptureRecord)
    assert (kept.writer, kept.cylinder, kept.note) == (None, 4, "x")
    opened.add(checked(Unit, inventory="D1", kind="drive unit"))
    opened.add(checked(Mechanism, mechanism="D1.0"))
    assert opened.update(CaptureRecord, "b" * 64, writer="D1.0").writer == "D1.0"
    assert Shelf.open(tmp_path).all(CaptureRecord)[0].writer == "D1.0"
    with pytest.raises(InputFault, match="named by 1 captures"):
        opened.remove(Mechanism, "D1.0")
    with pytest.raises(InputFault, match=r"there is no mechanism D7\.0"):
        opened.update(CaptureRecord, "b" * 64, writer="D7.0")
    assert opened.inspect() == []


# the command line


@pytest.fixture
def dump(tmp_path) -> Path:
    path = tmp_path / "found.vcd"
    write_capture(path, capture(40, DRIVES["D3.0"], writer_state(1.009, 0.0)))
    return path


def ran(capsys, *arguments: object, status: int = 0) -> str:
    capsys.readouterr()
    assert edge.run([str(a) for a in arguments]) == status
    return str(capsys.readouterr().out)


def test_recover_tells_the_writers_and_what_they_may_be(dump, shelf, capsys) -> None:
    told = ran(capsys, "recover", dump, "--layout", FM.id, "--writers", "--shelf", shelf.folder)
    lines = [line.strip() for line in told.splitlines()]
    start = lines.index("Who wrote it")
    assert lines[start + 1].startswith("formatted by W1 (speed −0.7")
    assert lines[start + 2].startswith("sector 7 rewritten by W2 (speed +1.6")
    assert lines[start + 3].startswith("15 data fields lie on the grid of the ids, as formatted")
    assert lines[start + 4].startswith("W1 may be, by speed: D3.0 0.")
    assert any(line.startswith("Stretches laid over the format") for line in lines)


def test_recover_gives_the_writers_as_json(dump, shelf, capsys) -> None:
    told = json.loads(ran(capsys, "recover", dump, "--layout", FM.id, "--writers", "--shelf", shelf.folder, "--json"))[
        "writers"
    ]
    assert [w["name"] for w in told["writers"]] == ["W1", "W2"]
    first = told["writers"][0]["may_be"][0]
    assert (first["mechanism"], first["occasions"], first["compared"]) == ("D3.0", 2, "speed")
    assert sum(a["probability"] for a in told["writers"][0]["may_be"]) == pytest.approx(1, abs=1e-3)
    assert [r["sector"] for r in told["tracks"][0]["rewritten"]] == [7]


def test_recover_without_asking_tells_nothing_of_writers(dump, capsys) -> None:
    assert "writers" not in json.loads(ran(capsys, "recover", dump, "--layout", FM.id, "--json"))


def test_gauge_has_a_part_on_the_writers(dump, capsys) -> None:
    told = ran(capsys, "gauge", dump, "--layout", FM.id)
    assert "Who wrote it\n  formatted by W1 (speed −0.7" in told
    assert "sector 7 rewritten by W2" in told


def test_a_capture_is_added_with_its_writer(dump, tmp_path, capsys) -> None:
    folder = tmp_path / "new"
    ran(capsys, "shelf", "add", "unit", "D3", "--shelf", folder)
    ran(capsys, "shelf", "add", "mechanism", "D3.0", "--shelf", folder)
    ran(capsys, "shelf", "add", "capture", dump, "--writer", "D3.0", "--shelf", folder)
    (kept,) = Shelf.open(folder).all(CaptureRecord)
    assert kept.writer == "D3.0"
    ran(capsys, "shelf", "add", "capture", dump, "--writer", "D8.0", "--shelf", tmp_path / "none", status=2)
