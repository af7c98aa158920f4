"""Two recoveries of one disk compared: every planted difference is told, and nothing from outside does harm."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from indexhole.cli import main as edge
from indexhole.errors import InputFault
from indexhole.jobs.recovery.comparing import compare
from indexhole.jobs.recovery.comparison import Comparison, comparison_json
from indexhole.jobs.recovery.earlier import Report, parse_report, read_earlier, report_from
from indexhole.jobs.recovery.recovering import Recovered, report_json, save
from indexhole.model.simulator.simulate import Reader, WeakStretch, format_track, read_track
from indexhole.recover.shapes.result import Identification, Sector, SectorState, Surface, Track
from indexhole.signal.formats.write_vcd import write_capture
from indexhole.signal.simulated import capture_of
from indexhole.standards.layouts import load_layouts
from indexhole.volumes import read_volume
from indexhole.volumes.fat12.make import make_fat12

LAYOUT = load_layouts()["130-48-mfm-9x512"]
PLACES = [(c, h, n) for c, h, zone in LAYOUT.tracks() for n in sorted(zone.sector_ids)]
FILES = {"TIDES.TXT": b"high water at noon\r\n" * 400, "LAMP.TXT": b"lit at dusk\r\n" * 300, "EMPTY": b""}
IMAGE = make_fat12(FILES, title="HARBOUR", size=368_640)
SECTORS = len(IMAGE) // 512


def recovered(
    image: bytes = IMAGE, states: Mapping[int, SectorState] | None = None, places: list[int] | None = None
) -> Recovered:
    """A recovery as it would be of this image, sectors in these states; `places` are the sectors logged."""
    states = states or {}
    tracks: dict[tuple[int, int], list[Sector]] = {}
    for number in range(SECTORS) if places is None else places:
        cylinder, head, sector = PLACES[number]
        state = states.get(number, SectorState.SOUND)
        data = b"" if state is SectorState.LOST else image[number * 512 : (number + 1) * 512]
        tracks.setdefault((cylinder, head), []).append(Sector(sector, 512, state, data, 1, "planted"))
    surface = Surface(
        LAYOUT.id,
        1.0,
        (Identification(LAYOUT.id, 1.0, "planted"),),
        tuple(Track(c, h, 1, 300.0, "mfm", 2e-6, tuple(held)) for (c, h), held in tracks.items()),
    )
    whole = surface.image() if places is None else None
    unsound = [n for n, state in states.items() if state in (SectorState.SUSPECT, SectorState.LOST)]
    return Recovered((), surface, whole, None if whole is None else read_volume(whole, unsound))


def against(then: Recovered, now: Recovered, *, then_image: bool = True) -> Comparison:
    return compare(
        report_from(report_json(then)),
        then.image if then_image else None,
        report_from(report_json(now)),
        now.image,
    )


def file_sectors(name: str) -> list[int]:
    volume = read_volume(IMAGE)
    assert volume is not None
    return [s for f in volume.files if f.name == name for s in f.sectors]


def test_the_same_twice() -> None:
    found = against(recovered(), recovered())
    assert found.counts() == {
        "compared": 720,
        "same": 720,
        "bytes_differ": 0,
        "both_sound_differ": 0,
        "gained": 0,
        "lost": 0,
        "better": 0,
        "worse": 0,
        "only_then": 0,
        "only_now": 0,
        "files": 0,
    }
    assert found.sectors == ()
    assert found.remarks == ()


@pytest.mark.parametrize("with_image", [True, False])
def test_planted_differences_are_told_with_the_files_they_concern(with_image: bool) -> None:
    tides, lamp = file_sectors("TIDES.TXT"), file_sectors("LAMP.TXT")
    changed = bytearray(IMAGE)
    changed[tides[1] * 512 + 7] ^= 0xFF
    changed[tides[1] * 512 + 9] ^= 0xFF
    then = recovered(IMAGE, {tides[2]: SectorState.LOST, tides[3]: SectorState.SUSPECT, lamp[0]: SectorState.SOUND})
    now = recovered(bytes(changed), {lamp[0]: SectorState.MENDED, lamp[1]: SectorState.LOST})
    found = against(then, now, then_image=with_image)
    told = {d.number: (d.change, str(d.then), str(d.now), d.better) for d in found.sectors}
    assert told == {
        tides[1]: ("bytes", "sound", "sound", None),
        tides[2]: ("gained", "lost", "sound", True),
        tides[3]: ("state", "suspect", "sound", True),
        lamp[0]: ("state", "sound", "mended", False),
        lamp[1]: ("lost", "sound", "lost", False),
    }
    assert all(d.place == PLACES[d.number] for d in found.sectors)
    # how many bytes differ takes the bytes of both
    assert [d.bytes_differing for d in found.sectors if d.change == "bytes"] == [2 if with_image else -1]
    counts = found.counts()
    assert (counts["same"], counts["better"], counts["worse"], counts["both_sound_differ"]) == (717, 2, 2, 1)
    files = {f.name: (f.change, str(f.then), str(f.now), f.sectors) for f in found.files}
    assert files == {
        "TIDES.TXT": ("bytes", "lost", "sound", (PLACES[tides[1]], PLACES[tides[2]])),
        "LAMP.TXT": ("bytes", "sound", "lost", (PLACES[lamp[1]],)),
    }
    assert any("1 sectors were sound both times" in r for r in found.remarks)


@given(
    st.dictionaries(st.integers(0, SECTORS - 1), st.sampled_from(list(SectorState)), max_size=20),
    st.dictionaries(st.integers(0, SECTORS - 1), st.sampled_from(list(SectorState)), max_size=20),
    st.sets(st.integers(0, SECTORS - 1), max_size=20),
)
@settings(max_examples=25)
def test_any_planted_differences_are_told_and_no_others(
    then_states: dict[int, SectorState], now_states: dict[int, SectorState], changed: set[int]
) -> None:
    other = bytearray(IMAGE)
    for number in changed:
        other[number * 512 + number % 512] ^= 0x5A
    found = against(recovered(IMAGE, then_states), recovered(bytes(other), now_states))
    expected = {}
    for number in range(SECTORS):
        old, new = (states.get(number, SectorState.SOUND) for states in (then_states, now_states))
        had, has = old is not SectorState.LOST, new is not SectorState.LOST
        if had != has:
            expected[number] = "gained" if has else "lost"
        elif had and number in changed:
            expected[number] = "bytes"
        elif old != new:
            expected[number] = "state"
    assert {d.number: d.change for d in found.sectors} == expected
    back = against(recovered(bytes(other), now_states), recovered(IMAGE, then_states))
    turned = {"gained": "lost", "lost": "gained"}
    assert {d.number: turned.get(d.change, d.change) for d in back.sectors} == expected
    assert back.counts()["better"] == found.counts()["worse"]


def test_a_sector_that_differs_behind_the_end_of_a_file_still_names_it() -> None:
    last = file_sectors("LAMP.TXT")[-1]
    other = bytearray(IMAGE)
    other[last * 512 + 511] ^= 1
    found = against(recovered(), recovered(bytes(other)))
    assert [(f.name, f.change, f.sectors) for f in found.files] == [("LAMP.TXT", "sectors", (PLACES[last],))]


def test_files_that_came_and_went() -> None:
    now = recovered(make_fat12({**FILES, "NEW.TXT": b"new"}, title="HARBOUR", size=368_640))
    found = against(recovered(), now)
    assert ("NEW.TXT", "only now") in {(f.name, f.change) for f in found.files}
    assert ("NEW.TXT", "only then") in {(f.name, f.change) for f in against(now, recovered()).files}


def test_another_disk_is_doubted() -> None:
    other = np.random.default_rng(5).bytes(len(IMAGE))
    found = against(recovered(), recovered(other))
    assert any("is it the same disk?" in r for r in found.remarks)


def test_a_part_of_the_disk_against_the_whole() -> None:
    some = list(range(18, 54))
    found = against(recovered(), recovered(places=some))
    assert found.counts()["compared"] == 36
    assert found.counts()["only_then"] == SECTORS - 36
    assert found.sectors == ()
    assert any(r.startswith("684 sectors only in the earlier one, on cylinder 0, 3 to 39") for r in found.remarks)


def test_an_image_without_its_report() -> None:
    other = bytearray(IMAGE)
    other[5 * 512] ^= 1
    lamp = file_sectors("LAMP.TXT")
    # in an image zeros may stand for a sector that was lost: with it lost again nothing is said
    other[lamp[1] * 512 : (lamp[1] + 1) * 512] = bytes(512)
    now = recovered(IMAGE, {lamp[1]: SectorState.LOST, lamp[2]: SectorState.LOST})
    report = report_from(report_json(now))
    found = compare(None, bytes(other), report, now.image)
    assert {(d.number, d.change, d.then) for d in found.sectors} == {(5, "bytes", None), (lamp[2], "lost", None)}
    assert found.counts()["better"] == 0
    # a capture of only some tracks still finds its sectors in an image of the whole disk, by the layout
    some = recovered(places=list(range(90, 108)))
    found = compare(None, bytes(IMAGE), report_from(report_json(some)), None)
    assert (found.counts()["compared"], found.counts()["same"]) == (18, 18)
    cut = compare(None, IMAGE[: 100 * 512 + 3], report, now.image)
    assert cut.counts()["compared"] == 100
    assert any("51203 bytes, 368640 were expected" in r for r in cut.remarks)
    unknown = report.model_copy(update={"layout": None, "image": None})
    with pytest.raises(InputFault, match="does not tell which sector lies where"):
        compare(None, IMAGE, unknown, None)


def test_a_saved_folder_is_found_again(tmp_path: Path) -> None:
    save(recovered(), tmp_path / "out")
    folder, report, image = (read_earlier(tmp_path / "out" / name) for name in ("", "report.json", "image.bin"))
    assert folder.report == report.report == image.report
    assert folder.image == report.image == image.image == IMAGE
    # an image that is not the one reported is not taken for it, nor a report for another image's
    (tmp_path / "out" / "image.bin").write_bytes(IMAGE[:-1] + b"x")
    assert read_earlier(tmp_path / "out" / "report.json").image is None
    assert read_earlier(tmp_path / "out" / "image.bin").report is None


def test_a_path_in_a_report_is_not_followed(tmp_path: Path) -> None:
    secret = tmp_path / "secret"
    secret.write_bytes(IMAGE)
    report = report_json(recovered())
    report["image"]["path"] = str(secret)
    (tmp_path / "report.json").write_text(json.dumps(report))
    assert read_earlier(tmp_path / "report.json").image is None


def changed_report(**changes: Any) -> bytes:
    report: dict[str, Any] = report_json(recovered(places=[0, 1]))
    for path, value in changes.items():
        *above, last = path.split("__")
        held: Any = report
        for part in above:
            held = held[int(part)] if part.isdigit() else held[part]
        held[last] = value
    return json.dumps(report).encode()


@pytest.mark.parametrize(
    ("data", "words"),
    [
        (b"", "Invalid JSON"),
        (b"[]", "the report: Input should be an object"),
        (b"{}", "tracks: Field required"),
        (b'{"tracks": [' + b"[" * 100_000, "Invalid JSON"),
        (changed_report(tracks__0__sectors__0__state="good"), "tracks.0.sectors.0.state: Input should be 'sound'"),
        (changed_report(tracks__0__sectors__0__sha256="x"), "tracks.0.sectors.0.sha256"),
        (changed_report(tracks__0__sectors__0__id=2), "cylinder 0 head 0 sector 2 is listed twice"),
        (changed_report(tracks__0__head=7), "tracks.0.head: Input should be less than or equal to 1"),
        (changed_report(image={"bytes": 5, "sha256": "0" * 64}), "its image has 5 bytes, its sectors 1024"),
    ],
)
def test_a_report_that_is_none_is_refused_in_one_line(data: bytes, words: str) -> None:
    with pytest.raises(InputFault) as fault:
        parse_report(data, "report.json")
    assert words in fault.value.line
    assert fault.value.line.startswith("report.json: ")
    assert "\n" not in fault.value.line


@pytest.mark.parametrize("name", ["none.json", "none.bin", "empty.bin"])
def test_files_that_cannot_be_compared_are_refused(tmp_path: Path, name: str) -> None:
    (tmp_path / "empty.bin").write_bytes(b"")
    with pytest.raises(InputFault, match=r"cannot be read|is empty"):
        read_earlier(tmp_path / name)


SAMPLE = json.dumps(report_json(recovered(IMAGE, {12: SectorState.LOST}, places=list(range(18))))).encode()


@settings(max_examples=150)
@given(st.integers(0, 2**32 - 1), st.integers(1, 12), st.booleans())
def test_a_mutated_report_is_read_or_refused_and_compared(seed: int, count: int, cut: bool) -> None:
    rng = np.random.default_rng(seed)
    data = bytearray(SAMPLE)
    for at in rng.integers(0, len(data), count).tolist():
        # digits and quotes where the text stays JSON more often than random bytes would leave it
        data[at] = int(rng.choice(np.frombuffer(b'0123456789",{}[]\xff ', np.uint8)))
    if cut:
        del data[int(rng.integers(0, len(data))) :]
    try:
        then = parse_report(bytes(data), "report.json")
    except InputFault as fault:
        assert "\n" not in fault.line
        return
    now = report_from(report_json(recovered(places=list(range(36)))))
    found = compare(then, None, now, None)
    assert found.compared <= 36
    assert len(found.sectors) <= found.compared


JSON = st.recursive(
    st.none() | st.booleans() | st.integers(-2, 600) | st.floats() | st.text(max_size=5),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.sampled_from(sorted(Report.model_fields)), inner),
    max_leaves=10,
)


@given(JSON)
def test_any_json_is_a_report_or_refused(data: Any) -> None:
    try:
        parse_report(json.dumps(data).encode(), "report.json")
    except InputFault as fault:
        assert fault.where == "report.json"


def test_the_verb_compares_captures_of_a_worn_disk_with_an_earlier_recovery(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Earlier a worn stretch took sectors; a later capture with another mechanism brings them back."""
    layout = load_layouts()["90-mfm-9x512"]
    zone = layout.zone(3, 0)
    assert zone is not None
    rng = np.random.default_rng(11)
    data = {n: rng.bytes(512) for n in zone.sector_ids}
    track = format_track(layout, 3, 0, data, rng)
    start = track.spans[4][1]
    worn = Reader(weak=(WeakStretch(start, 0.03),))
    for name, reader in (("worn", worn), ("clean", None)):
        capture = replace(capture_of(read_track(track, np.random.default_rng(2), reader), name), sha256=name)
        write_capture(tmp_path / f"{name}.vcd", capture)
    options = ["--layout", "90-mfm-9x512"]
    assert edge.run(["recover", str(tmp_path / "worn.vcd"), "--out", str(tmp_path / "then"), *options]) == 1
    capsys.readouterr()
    then = str(tmp_path / "then" / "report.json")
    assert edge.run(["recover", str(tmp_path / "clean.vcd"), "--compare", then, "--json", *options]) == 0
    told = json.loads(capsys.readouterr().out)["comparison"]
    assert told["report"] is True
    assert told["counts"]["compared"] == 9
    assert told["counts"]["better"] == told["counts"]["gained"] + told["counts"]["bytes_differ"] >= 1
    assert [s["sector"] for s in told["sectors"]] == [4]
    assert (told["sectors"][0]["now"], told["sectors"][0]["cylinder"]) == ("sound", 3)
    assert edge.run(["recover", str(tmp_path / "clean.vcd"), "--compare", then, *options]) == 0
    shown = capsys.readouterr()
    assert "8 of 9 sectors hold the same bytes" in shown.out
    assert edge.run(["recover", str(tmp_path / "clean.vcd"), "--compare", str(tmp_path / "worn.vcd"), *options]) == 0
    assert edge.run(["recover", str(tmp_path / "clean.vcd"), "--compare", str(tmp_path / "none.json"), *options]) == 2
    assert "none.json: cannot be read" in capsys.readouterr().err


def test_the_json_has_every_count_and_plain_words() -> None:
    now = recovered(IMAGE, {7: SectorState.LOST})
    found = against(recovered(), now)
    earlier = read_earlier_of(recovered())
    told = json.loads(json.dumps(comparison_json(found, earlier)))
    assert told["with"] == "then"
    assert told["counts"] == found.counts()
    assert told["sectors"] == [
        {
            "cylinder": 0,
            "head": 0,
            "sector": 8,
            "number": 7,
            "change": "lost",
            "then": "sound",
            "now": "lost",
            "bytes_differing": None,
        }
    ]


def read_earlier_of(then: Recovered) -> Any:
    from indexhole.jobs.recovery.earlier import Earlier

    return Earlier("then", report_from(report_json(then)), then.image)
