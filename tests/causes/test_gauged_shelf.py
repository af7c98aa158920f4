"""Captures and measurements of a shelf as evidence beside the trials: gathered, kept, weighed, told."""

from __future__ import annotations

import json
import threading
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from tests.support.visiting import FROM_HERE, sent

from indexhole.causes.likelihood.gauged import NO_GAUGES
from indexhole.causes.ranking.rank import rank_causes
from indexhole.cli import main as edge
from indexhole.jobs.faults import capture_summary
from indexhole.jobs.faults.causes import gauged_beside, shelf_bench
from indexhole.jobs.faults.gauged_shelf import gauged_on
from indexhole.model.forward import MechanismState
from indexhole.model.simulator.simulate import Reader, format_track, read_track
from indexhole.model.suited import sound_mechanism
from indexhole.model.trials.trial import Operation, Trial
from indexhole.shelf.care.captures import store_capture
from indexhole.shelf.records.records import CaptureRecord, Disk, Event, Mechanism, Unit, checked
from indexhole.shelf.register.shelf import Shelf
from indexhole.signal.captures.capture import Capture
from indexhole.signal.simulated import capture_of
from indexhole.standards.layouts import load_layouts
from indexhole.web.app import create_app
from indexhole.web.pages.causes import cause_routes
from indexhole.web.serving import site

FM = load_layouts()["130-fm-16x128"]
FAST = 1.03


@pytest.fixture(autouse=True, scope="module")
def own_cache(tmp_path_factory: pytest.TempPathFactory) -> Iterator[None]:
    """Keep what captures tell out of the user's own cache."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("XDG_CACHE_HOME", str(tmp_path_factory.mktemp("cache")))
        yield


def row(operation: Operation, mechanism: str, disk: str, failed: int = 0) -> Trial:
    return Trial("T", "2026-01-01", operation, "H1", "L1", mechanism, disk, 0, 0, 39, 640, failed)


def out_of_step() -> list[Trial]:
    """D2.0 and the others do not read each other."""
    rows = [
        row("write", "D2.0", "K1"), row("read", "D2.0", "K1"), row("read", "D1.0", "K1", 640),
        row("read", "D2.0", "K2", 630), row("read", "D1.0", "K2"), row("read", "D3.0", "K1", 622),
        row("read", "D3.0", "K2", 1),
    ]  # fmt: skip
    return [replace(t, trial=f"T{number}") for number, t in enumerate(rows, start=1)]


def state(speed_ratio: float = 1.0, index_delay_s: float = 0.0) -> MechanismState:
    return replace(sound_mechanism(FM), speed_ratio=speed_ratio, index_delay_s=index_delay_s)


def capture(seed: int, writer: MechanismState, reader: MechanismState) -> Capture:
    rng = np.random.default_rng(seed)
    track = format_track(FM, 5, 0, {n: rng.bytes(128) for n in range(1, 17)}, rng, writer)
    return capture_of(read_track(track, rng, Reader(reader), revolutions=2), f"{seed}.vcd")


def add(shelf: Shelf, taken: Capture, disk: str, mechanism: str, **about: object) -> CaptureRecord:
    return store_capture(
        shelf, None, taken, disk=disk, mechanism=mechanism, cylinder=5, head=0, taken="2026-02-01", **about
    ).record


@pytest.fixture
def shelf(tmp_path: Path) -> Shelf:
    """The bench out of step, with a capture D2.0 made of a disk it formatted; its spindle is fast."""
    opened = Shelf.open(tmp_path / "shelf", create=True)
    opened.add_trials(out_of_step())
    opened.add(checked(Disk, inventory="K9"))
    add(opened, capture(1, state(FAST), state(FAST)), "K9", "D2.0", writer="D2.0")
    return opened


def test_a_capture_gives_the_speed_of_the_drive_that_read_it(shelf: Shelf) -> None:
    (speed,) = gauged_on(shelf, shelf.trials()).speeds
    assert speed.mechanism == "D2.0"
    assert abs(speed.error - (FAST - 1)) < 3 * speed.uncertainty < 0.01
    assert "K9" in speed.words
    assert "% fast" in speed.words


def test_of_mechanisms_no_trial_names_nothing_is_weighed(shelf: Shelf) -> None:
    others = [t for t in shelf.trials() if t.mechanism != "D2.0"]
    assert gauged_on(shelf, others).speeds == ()


def test_the_speed_tells_off_speed_by_itself_and_without_it_half_and_half(shelf: Shelf) -> None:
    told = rank_causes(shelf.trials(), propose=False, gauged=shelf_bench(shelf).gauged).causes[0]
    assert [(f.element, f.fault) for f in told.faults] == [("D2.0", "off-speed")]
    assert told.probability > 0.95 * told.kind_probability
    assert "Gauges tell misaligned from off-speed: D2.0 turns" in told.why
    plain = rank_causes(shelf.trials(), propose=False, gauged=shelf_bench(shelf, recordings=False).gauged).causes[0]
    assert plain.probability == pytest.approx(plain.kind_probability / 2)


def test_what_a_capture_tells_is_kept_and_made_anew_when_the_kept_is_broken(
    shelf: Shelf, monkeypatch: pytest.MonkeyPatch
) -> None:
    (record,) = shelf.all(CaptureRecord)
    first = capture_summary.capture_summary_of(shelf, record)
    assert first.reading is not None
    assert len(first.sectors) == 16
    # a fast writer does not get the last one onto the turn
    assert [s.number for s in first.sectors if s.failed] == [16]
    assert first.writers[0].formatted == ((5, 0),)
    gauged: list[str] = []
    real = capture_summary.gauge_captures
    monkeypatch.setattr(capture_summary, "gauge_captures", lambda given: gauged.append(given[0].name) or real(given))
    assert capture_summary.capture_summary_of(shelf, record) == first
    assert gauged == []
    place = capture_summary.place_of("capture", capture_summary._FORM, record.sha256, ".json")
    whole = place.read_bytes()
    for broken in (b"", whole[: len(whole) // 2], b"[]", b'{"reading": 3}', b"\xff"):
        place.write_bytes(broken)
        assert capture_summary.capture_summary_of(shelf, record) == first
    assert len(gauged) == 5


def test_a_capture_that_cannot_be_read_says_why_and_is_not_kept(shelf: Shelf) -> None:
    (record,) = shelf.all(CaptureRecord)
    lost = record.model_copy(update={"sha256": "f" * 64, "parquet": "captures/none.parquet"})
    told = capture_summary.capture_summary_of(shelf, lost)
    assert told.reading is None
    assert "none.parquet" in told.why
    assert not capture_summary.place_of("capture", capture_summary._FORM, lost.sha256, ".json").exists()


def test_progress_counts_the_captures(shelf: Shelf) -> None:
    steps: list[tuple[int, int]] = []
    gauged_on(shelf, shelf.trials(), lambda done, total: steps.append((done, total)))
    assert steps == [(1, 1)]


def test_a_shelf_without_captures_or_measurements_gives_nothing(tmp_path: Path) -> None:
    shelf = Shelf.open(tmp_path, create=True)
    shelf.add_trials(out_of_step())
    assert gauged_beside(shelf, shelf.trials()) is NO_GAUGES


HEADING = "from,to,quantity,value,uncertainty,unit,note\n"


def test_measurements_give_the_place_of_a_head(tmp_path: Path) -> None:
    shelf = Shelf.open(tmp_path, create=True)
    shelf.add_trials(out_of_step())
    sheet = tmp_path / "measurements.csv"
    sheet.write_text(HEADING + "nominal,A1,offset,0,5,um,\nA1,D2.0,offset,-140,8,um,\nD1.0,D3.0,offset,3,5,um,\n")
    gauged = gauged_beside(shelf, shelf.trials())
    (place,) = gauged.offsets
    assert (place.mechanism, place.offset_um) == ("D2.0", pytest.approx(-140))
    assert place.uncertainty_um == pytest.approx(np.hypot(5, 8), rel=0.01)
    assert "towards the hub" in place.words
    told = rank_causes(shelf.trials(), propose=False, gauged=gauged).causes[0]
    assert [f.fault for f in told.faults] == ["misaligned"]
    # a difference between two drives says nothing of either by itself
    sheet.write_text(HEADING + "D1.0,D2.0,offset,-140,8,um,\n")
    assert gauged_beside(shelf, shelf.trials()).offsets == ()


def known(tmp_path: Path, writer: MechanismState, taken: str = "2026-02-01") -> Shelf:
    """D1.0 and D2.0 are known by two disks each; K1, which the trials say D2.0 wrote, is laid down by `writer`."""
    shelf = Shelf.open(tmp_path, create=True)
    shelf.add_trials(out_of_step())
    shelf.add(checked(Unit, inventory="D9", kind="drive unit"))
    shelf.add(checked(Mechanism, mechanism="D9.0"))
    drives = {"D1.0": state(0.996), "D2.0": state(1.004, 300e-6)}
    for number, (name, drive) in enumerate((n, d) for n, d in drives.items() for _ in range(2)):
        shelf.add(checked(Disk, inventory=f"Q{number}"))
        add(shelf, capture(10 + number, drive, state()), f"Q{number}", "D9.0", writer=name)
    record = add(shelf, capture(20, writer, state()), "K1", "D9.0")
    shelf.update(CaptureRecord, record.sha256, taken=taken)
    return shelf


def test_the_signal_says_whether_the_drive_wrote_that_the_trials_name(tmp_path: Path) -> None:
    (mine,) = gauged_on(shelf := known(tmp_path / "a", state(1.004, 300e-6)), shelf.trials()).attributions
    assert (mine.disk, mine.side, mine.first_cylinder, mine.last_cylinder, mine.writer) == ("K1", 0, 5, 5, "D2.0")
    assert mine.probability > 0.8
    (other,) = gauged_on(shelf := known(tmp_path / "b", state(0.996)), shelf.trials()).attributions
    assert other.writer == "D2.0"
    assert other.probability < 0.2
    assert "was recorded by D2.0 with probability 0.0" in other.words


def test_a_capture_that_may_be_older_than_the_write_says_nothing_of_it(tmp_path: Path) -> None:
    shelf = known(tmp_path, state(1.004, 300e-6), taken="2026-01")
    assert gauged_on(shelf, shelf.trials()).attributions == ()


def told(capsys: pytest.CaptureFixture[str], *arguments: object) -> str:
    capsys.readouterr()
    assert edge.run(["causes", *map(str, arguments)]) == 0
    return capsys.readouterr().out


def test_the_command_says_which_captures_were_weighed(shelf: Shelf, capsys: pytest.CaptureFixture[str]) -> None:
    out = told(capsys, "--shelf", shelf.folder)
    assert "1. D2.0 off-speed" in out
    assert "\nGauged: D2.0 turns 3.0" in out
    assert "set the speed of D2.0" in out
    assert json.loads(told(capsys, "--shelf", shelf.folder, "--json"))["gauged"][0].startswith("D2.0 turns 3.0")
    without = told(capsys, "--shelf", shelf.folder, "--no-recordings")
    assert "Gauged:" not in without
    assert "1. D2.0 misaligned or off-speed: probability" in without


def test_the_page_does_not_wait_for_captures_and_says_how_far_they_are(
    shelf: Shelf, monkeypatch: pytest.MonkeyPatch
) -> None:
    """While one capture takes its time the ranking stands without it, then with it."""
    held, go_on = threading.Event(), threading.Event()

    def slow(shelf: Shelf, progress: Callable[[int, int], None]) -> int:
        progress(0, 1)
        held.set()
        assert go_on.wait(60)
        return 1

    monkeypatch.setattr(site, "gauge_shelf", slow)
    monkeypatch.setattr(cause_routes, "PATIENCE_S", 0.01)
    app = create_app(shelf)

    def page() -> str:
        return sent(app, "GET", "/causes", origin=FROM_HERE, raise_faults=True).text

    def ranked() -> str:
        for _ in range(3000):
            if "What is at fault" in (found := page()):
                return found
        raise AssertionError("the ranking does not come")

    early = ranked()
    assert held.is_set()
    assert "Captures are being gauged, 0 of 1 capture so far" in early
    assert "Beside the trials" not in early
    go_on.set()
    for _ in range(3000):
        if "being gauged" not in (late := ranked()):
            break
    assert "Beside the trials: 1 from captures and measurements" in late


def test_the_page_says_which_captures_were_weighed(shelf: Shelf, monkeypatch: pytest.MonkeyPatch) -> None:
    for name in ("PATIENCE_S", "GLANCE_S"):
        monkeypatch.setattr(cause_routes, name, 300.0)
    page = sent(create_app(shelf), "GET", "/causes", origin=FROM_HERE, raise_faults=True).text
    assert "Beside the trials: 1 from captures and measurements" in page
    assert "<li>D2.0 turns 3.0" in page


@pytest.mark.parametrize(
    ("when", "what", "counts"),
    [
        ("2026-01-15", "belt replaced", False),
        ("2026-01-15", "the belt needs to be replaced", True),
        ("2026-01-15", "lent to the school", True),
        ("2026-01", "belt replaced", True),  # perhaps before the trials
        ("2025-12-24", "heads cleaned", True),
        ("2026-03-01", "motor repaired", True),
        ("", "motor repaired", True),
    ],
)
def test_a_capture_from_the_other_side_of_a_repair_does_not_count(
    shelf: Shelf, when: str, what: str, counts: bool
) -> None:
    shelf.add(checked(Event, unit="D2", when=when, what=what))
    gauged = gauged_on(shelf, shelf.trials())
    assert bool(gauged.speeds) == counts
    told = [line for line in gauged.words if "is not weighed for D2.0" in line]
    assert len(told) == (0 if counts else 1)
    if told:
        assert "taken after D2 was worked on (2026-01-15: belt replaced; a guess from its words)" in told[0]


def test_a_capture_from_before_a_repair_does_not_count(shelf: Shelf) -> None:
    shelf.add_trials([replace(row("read", "D2.0", "K2"), trial="T90", when="2026-04-01")])
    shelf.add(checked(Event, unit="D2", when="2026-03-01", what="Speed adjusted"))
    assert "taken before D2 was worked on" in " ".join(gauged_on(shelf, shelf.trials()).words)


@pytest.mark.parametrize(
    ("measured", "counts"),
    [("2026-01-01", False), ("2025", False), ("2026-02-03", True), ("2026-02", True), ("2026", True), ("", True)],
)
def test_a_measurement_from_before_a_repair_does_not_count(tmp_path: Path, measured: str, counts: bool) -> None:
    shelf = Shelf.open(tmp_path, create=True)
    shelf.add(checked(Unit, inventory="D2", kind="drive unit"))
    shelf.add(checked(Mechanism, mechanism="D2.0"))
    shelf.add_trials([replace(t, when="2026-04-01") for t in out_of_step()])
    shelf.add(checked(Event, unit="D2", when="2026-02-02", what="head aligned"))
    sheet = tmp_path / "measurements.csv"
    sheet.write_text(HEADING.replace("note", "note,when") + f"nominal,D2.0,offset,-140,8,um,by eye,{measured}\n")
    gauged = gauged_on(shelf, shelf.trials())
    assert bool(gauged.offsets) == counts
    told = [line for line in gauged.words if "is not weighed for D2.0" in line]
    assert len(told) == (0 if counts else 1)
    if told:
        assert f"measurement M1 (offset measured {measured}, by eye)" in told[0]
        assert "it was made before D2 was worked on (2026-02-02: head aligned; a guess from its words)" in told[0]
