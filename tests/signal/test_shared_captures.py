"""The shared captures, made by a separate program with known truth: every sector must come back right."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from indexhole.jobs.recovery.gauging import Gauged, gauge_captures
from indexhole.jobs.recovery.reading import read_captures
from indexhole.jobs.recovery.recovering import Recovered, recover_captures, report_json

pytestmark = pytest.mark.shared

SOUND = [
    "mfm-40c2h-9x512-c00h0.vcd.gz",
    "mfm-40c2h-9x512-c39h1-late-index.vcd.gz",
    "mfm-40c2h-9x512-c07h0-two-writers.csv.gz",
    "fm-35c1h-16x128-c20.vcd.gz",
    "gcr-35-session.vcd.gz",
    "mfm-90-session.vcd.gz",
    "unknown-1.csv.gz",
    "unknown-2.csv.gz",
]
WORN = [f"mfm-80c2h-9x512-c12h0-worn-pass{n}.vcd.gz" for n in range(1, 6)]


def truth_of(folder: Path, name: str) -> dict[str, Any]:
    return json.loads((folder / "captures" / "truth.json").read_text())[name]  # type: ignore[no-any-return]


def tracks_of(truth: dict[str, Any]) -> dict[tuple[int, int], dict[int, str]]:
    if "tracks" in truth:
        places = {tuple(map(int, place.split("."))): sectors for place, sectors in truth["tracks"].items()}
    else:
        places = {(truth["cylinder"], truth["head"]): truth["sectors"]}
    return {(c, h): {int(n): sha for n, sha in sectors.items()} for (c, h), sectors in places.items()}


def recovered(folder: Path, *names: str) -> Recovered:
    return recover_captures(read_captures([folder / "captures" / name for name in names]))


def found(result: Recovered) -> dict[tuple[int, int], dict[int, str]]:
    return {
        (t.cylinder, t.head): {s.id: s.sha256 for s in t.sectors if str(s.state) == "sound"}
        for t in result.surface.tracks
    }


@pytest.mark.parametrize("name", SOUND)
def test_every_sector_of_a_sound_capture_is_sound(shared_folder: Path, name: str) -> None:
    result = recovered(shared_folder, name)
    assert found(result) == tracks_of(truth_of(shared_folder, name))


def test_sessions_hold_all_their_sectors(shared_folder: Path) -> None:
    session = recovered(shared_folder, "gcr-35-session.vcd.gz")
    report = report_json(session)
    assert report["counts"] == {"sound": 683, "mended": 0, "suspect": 0, "lost": 0}
    assert report["image"]["sha256"] == truth_of(shared_folder, "gcr-35-session.vcd.gz")["image_sha256"]
    assert report["volume"]["kind"] == "linked"
    assert len(report["volume"]["files"]) == 3
    assert all(f["state"] == "sound" for f in report["volume"]["files"])
    part = recovered(shared_folder, "mfm-90-session.vcd.gz")
    assert part.counts()["sound"] == 90
    assert part.volume is not None
    assert part.volume.kind == "fat12"


@pytest.mark.parametrize(
    ("name", "expected"),
    [
        ("unknown-1.csv.gz", {"zoned-77-1s", "zoned-77-2s"}),
        ("unknown-2.csv.gz", {"130-dense-mfm-15x512"}),
        ("gcr-35-session.vcd.gz", {"zoned-35-1s"}),
        ("mfm-90-session.vcd.gz", {"90-mfm-9x512"}),
    ],
)
def test_layouts_are_identified(shared_folder: Path, name: str, expected: set[str]) -> None:
    """Side 0 of a one-sided and of a two-sided zoned disk are laid down alike: both are right for unknown-1."""
    surface = recovered(shared_folder, name).surface
    assert surface.layout in expected
    assert sum(c.probability for c in surface.candidates if c.layout in expected) > 0.5


def test_worn_passes_together_give_eight_of_nine(shared_folder: Path) -> None:
    result = recovered(shared_folder, *WORN)
    truth = tracks_of(truth_of(shared_folder, WORN[0]))[12, 0]
    sectors = {s.id: s for s in result.surface.tracks[0].sectors}
    good = [n for n, s in sectors.items() if str(s.state) in ("sound", "mended")]
    assert len(good) >= 8
    assert all(sectors[n].sha256 == truth[n] for n in good)
    assert result.surface.tracks[0].passes == 5


@pytest.mark.parametrize("name", WORN)
def test_a_worn_pass_alone_claims_nothing_false(shared_folder: Path, name: str) -> None:
    truth = tracks_of(truth_of(shared_folder, name))[12, 0]
    for sector in recovered(shared_folder, name).surface.tracks[0].sectors:
        if str(sector.state) in ("sound", "mended"):
            assert sector.sha256 == truth[sector.id]


def gauges(folder: Path, name: str) -> tuple[Gauged, dict[str, Any]]:
    gauged = gauge_captures(read_captures([folder / "captures" / name]))
    return gauged, {g.name: g for g in gauged.gauges}


@pytest.mark.parametrize("name", [*SOUND, *WORN])
def test_speeds_of_reader_and_writer_agree_with_the_truth(shared_folder: Path, name: str) -> None:
    truth = truth_of(shared_folder, name)
    gauged, by_name = gauges(shared_folder, name)
    speed = by_name["spindle_speed"]
    assert abs(speed.value - truth["reader_rpm"]) <= 2.5 * speed.uncertainty
    nominal = 360 if truth["reader_rpm"] > 330 else 300
    ratio = by_name["writer_speed_ratio"]
    assert abs(ratio.value - truth["writer_rpm"] / nominal) <= 2.5 * ratio.uncertainty
    assert gauged.layout


def test_belt_wow_is_found_with_its_order(shared_folder: Path) -> None:
    """Truth: 1.2 % peak at 2.6 per revolution."""
    _, by_name = gauges(shared_folder, "fm-35c1h-16x128-c20.vcd.gz")
    assert by_name["speed_variation"].value == pytest.approx(1.2, abs=0.05)
    assert by_name["speed_wander_orders"].value == pytest.approx(2.6, abs=0.1)


def test_a_late_index_sensor_shows_against_a_sound_drive(shared_folder: Path) -> None:
    """Truth: 310 us late, so the data comes that much earlier behind it, at either drive's own speed."""
    _, sound = gauges(shared_folder, "mfm-40c2h-9x512-c07h0-two-writers.csv.gz")
    _, late = gauges(shared_folder, "mfm-40c2h-9x512-c39h1-late-index.vcd.gz")
    expected = sound["index_to_data"].value * 300.0 / 298.2
    assert expected - late["index_to_data"].value == pytest.approx(310e-6, abs=5e-6)


def test_a_rewritten_sector_shows_its_writer(shared_folder: Path) -> None:
    """Truth: sector 4 rewritten by a drive turning at 290.8 where the rest was written at 300."""
    _, by_name = gauges(shared_folder, "mfm-40c2h-9x512-c07h0-two-writers.csv.gz")
    writers = by_name["writers"]
    assert writers.value == 2
    assert [p["sector"] for p in writers.detail] == [4]
    assert writers.detail[0]["speed_ratio"] == pytest.approx(290.8 / 300, abs=0.0005)
