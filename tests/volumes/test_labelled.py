"""Labelled volumes: written and read in every form and code, laid out as told from memory, broken, mutated."""

from __future__ import annotations

import shutil
import subprocess

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from indexhole.jobs.recovery.recovering import recover_captures
from indexhole.model.simulator.session import read_session
from indexhole.model.simulator.simulate import format_track
from indexhole.signal.simulated import capture_of
from indexhole.standards.layouts import load_layouts
from indexhole.volumes.labelled.forms import FORMS, Form, places_of
from indexhole.volumes.labelled.labels import CODES, Label, defective_cylinders, shown_text
from indexhole.volumes.labelled.make import DataSets, make_labelled
from indexhole.volumes.read import read_volume
from indexhole.volumes.text import as_text, records
from indexhole.volumes.volume import Volume, VolumeFile

PLAIN_FORM = FORMS[0]
LINES = ["HIGH WATER AT NOON", "LOW WATER AT SIX", "FOG ON THE BAR, LAMP LIT"]


def lines(code: str, record_bytes: int = 80, count: int = 9) -> bytes:
    return b"".join(LINES[n % 3].ljust(record_bytes).encode(code) for n in range(count))


def volume_of(image: bytes, **options: list[int]) -> Volume:
    volume = read_volume(image, **options)
    assert volume is not None
    assert volume.kind == "labelled"
    return volume


def named(volume: Volume) -> dict[str, VolumeFile]:
    return {file.name: file for file in volume.files}


@pytest.mark.parametrize("code", CODES)
@pytest.mark.parametrize("form", FORMS, ids=lambda f: f"{f.cylinders}x{f.heads}-{f.others[0]}x{f.others[1]}")
def test_written_and_read(form: Form, code: str) -> None:
    files = {"TIDES": lines(code), "BERTHS.87": lines(code, count=40), "EMPTY": b""}
    image = make_labelled(files, "QUAY05", form=form, code=code, data_sets=DataSets(spare_sectors=3))
    assert len(image) == places_of(form).starts[-1]
    volume = volume_of(image)
    assert {f.name: f.data for f in volume.files} == files
    assert all(f.whole and f.problems == () and f.record_bytes == 80 and f.code == code for f in volume.files)
    assert volume.title == "QUAY05"
    assert [p for p in volume.problems if "unproven" not in p] == []
    assert any("unproven" in p for p in volume.problems) == (not form.proven)
    assert {f.modified for f in volume.files} == {"1987-06-01"}
    assert volume.deleted_files == ()
    # one record a sector, and three spare sectors an extent
    assert [len(f.sectors) for f in volume.files] == [9, 40, 0]
    taken = 9 + 3 + 40 + 3 + 3
    assert volume.free == len(places_of(form).starts) - 1 - places_of(form).first_data - taken
    starts = places_of(form).starts
    for file in volume.files:
        assert b"".join(image[starts[n] : starts[n] + 80] for n in file.sectors) == file.data
        assert not set(file.sectors) & set(volume.system_sectors)


@pytest.mark.parametrize("kind", ["", "B", "R"])
@pytest.mark.parametrize("record_bytes", [1, 24, 80, 100, 127, 128])
def test_records_single_blocked_and_spanned(kind: str, record_bytes: int) -> None:
    data = np.random.default_rng(record_bytes).bytes(record_bytes * 37)
    image = make_labelled({"A": data}, "T", data_sets=DataSets(record_bytes=record_bytes, records=kind))  # type: ignore[arg-type]
    (file,) = volume_of(image).files
    assert file.data == data
    assert records(file) == [data[at : at + record_bytes] for at in range(0, len(data), record_bytes)]
    assert file.whole
    sectors = {"": 37, "B": -(-37 // (128 // record_bytes)), "R": -(-37 * record_bytes // 128)}[kind]
    assert len(file.sectors) == sectors


def test_records_longer_than_a_sector_run_on() -> None:
    data = np.random.default_rng(1).bytes(300 * 11)
    (file,) = volume_of(make_labelled({"A": data}, "T", data_sets=DataSets(record_bytes=300, records="R"))).files
    assert (file.data, file.record_bytes) == (data, 300)


def test_forms_lie_as_the_layouts_of_the_library_do() -> None:
    """Both were written down apart; where a layout has labels' short sectors on cylinder 00 they must agree."""
    by_size = {
        "200-fm-26x128": FORMS[0],
        "200-fm-26x128-2s": FORMS[3],
        "200-mfm-26x256": FORMS[5],
        "200-mfm-15x512": FORMS[6],
        "200-mfm-8x1024": FORMS[7],
        "130-fm-16x128-35": FORMS[8],
        "130-fm-16x128": FORMS[9],
        "130-48-mfm-16x256": FORMS[10],
        "130-96-mfm-16x256": FORMS[11],
    }
    for name, form in by_size.items():
        layout = load_layouts()[name]
        places = [(c, h, n) for c, h, zone in layout.tracks() for n in sorted(zone.sector_ids)]
        sizes = [zone.sector_bytes for _, _, zone in layout.tracks() for _ in zone.sector_ids]
        assert list(places_of(form).number) == places, name
        assert np.diff(places_of(form).starts).tolist() == sizes, name
    sizes = [places_of(form).starts[-1] for form in FORMS]
    assert len(set(sizes)) == len(sizes), "the size of an image tells its form"


def label(fields: dict[int, str], code: str = "ascii") -> bytes:
    text = [" "] * 80
    for at, word in fields.items():
        text[at - 1 : at - 1 + len(word)] = word
    return "".join(text).encode(code).ljust(128, b"\0")


def hand_made(*labels: dict[int, str], volume: dict[int, str] | None = None) -> bytes:
    """A volume whose labels stand at places written out here, apart from the maker's: from memory, as they."""
    image = bytearray(77 * 26 * 128)
    for cylinder in range(1, 77):
        for sector in range(26):
            at = (cylinder * 26 + sector) * 128
            image[at : at + 80] = f"CYLINDER {cylinder:02} SECTOR {sector + 1:02}".ljust(80).encode()
    image[6 * 128 : 7 * 128] = label(volume or {1: "VOL1", 5: "HARBOR", 38: "MUSEUM", 80: "W"})
    for number, fields in enumerate(labels):
        image[(7 + number) * 128 : (8 + number) * 128] = label({1: "HDR1", 23: "00080", **fields})
    return bytes(image)


def test_a_volume_written_down_by_hand() -> None:
    image = hand_made({6: "LOG", 29: "01001", 35: "02026", 48: "831231", 75: "02003"})
    volume = volume_of(image)
    (file,) = volume.files
    assert (volume.title, file.name, file.modified) == ("HARBOR", "LOG", "1983-12-31")
    text = as_text(file)
    assert text is not None
    places = [(1, n) for n in range(1, 27)] + [(2, 1), (2, 2)]
    assert text.splitlines() == [f"CYLINDER {c:02} SECTOR {s:02}" for c, s in places]
    assert file.sectors == tuple(range(26, 54))
    assert volume.free == 76 * 26 - 52


# (fields of the label, words of the problem, sectors taken)
BROKEN = [
    ({29: "01001", 35: "99026", 75: "01003"}, "an extent that is not on the disk", 0),
    ({29: "01x01", 35: "02026", 75: "01003"}, "an extent that is not on the disk", 0),
    ({29: "01027", 35: "02026", 75: "01003"}, "an extent that is not on the disk", 0),
    ({29: "03001", 35: "02026", 75: "01003"}, "ends before it begins", 0),
    ({29: "00001", 35: "02026", 75: "01003"}, "among the labels", 0),
    ({29: "01001", 35: "01026"}, "does not say where its data end", 26),
    ({29: "01001", 35: "01026", 75: "03002"}, "data end outside its extent", 26),
    ({29: "02001", 35: "02026", 75: "01026"}, "data end outside its extent", 26),
    ({29: "01001", 35: "01026", 75: "01003", 23: "00129"}, "which do not fit: whole sectors are taken", 2),
    ({29: "01001", 35: "01026", 75: "01003", 23: "abcde"}, "which do not fit: whole sectors are taken", 2),
    ({29: "01001", 35: "01026", 75: "01003", 28: "X"}, "which do not fit: whole sectors are taken", 2),
    ({29: "01001", 35: "01026", 75: "01003", 28: "R", 54: "0100"}, "its last 60 bytes fill no record", 2),
]


@pytest.mark.parametrize(("fields", "words", "taken"), BROKEN)
def test_broken_labels_are_told(fields: dict[int, str], words: str, taken: int) -> None:
    (file,) = volume_of(hand_made({6: "LOG", **fields})).files
    assert any(words in problem for problem in file.problems), file.problems
    assert len(file.sectors) == taken
    assert not file.whole


@pytest.mark.parametrize("end", ["01027", "02001"])
def test_data_that_fill_their_extent_end_behind_it(end: str) -> None:
    (file,) = volume_of(hand_made({6: "LOG", 29: "01001", 35: "01026", 75: end})).files
    assert len(file.sectors) == 26
    assert file.whole
    last = volume_of(hand_made({6: "LOG", 29: "76001", 35: "76026", 75: "77001"})).files[0]
    assert (len(last.sectors), last.whole) == (26, True)


@pytest.mark.parametrize("unused", ["00050", "00078", ""])
def test_room_left_in_the_last_block(unused: str) -> None:
    """Two records of 50 fill a block but for 28 bytes, which may be counted among the unused or not."""
    fields = {6: "LOG", 23: "00128", 28: "B", 29: "01001", 35: "01026", 54: "0050", 58: unused, 75: "01003"}
    (file,) = volume_of(hand_made(fields)).files
    assert len(records(file)) == (3 if unused else 4)
    assert file.data[:50] == b"CYLINDER 01 SECTOR 01".ljust(50)
    assert file.data[100:150] == b"CYLINDER 01 SECTOR 02".ljust(50)


def test_overlapping_extents_are_told_of_both() -> None:
    volume = volume_of(
        hand_made(
            {6: "A", 29: "01001", 35: "01026", 75: "01011"},
            {6: "B", 29: "01010", 35: "02010", 75: "02001"},
        )
    )
    first, second = volume.files
    assert any("belongs to B too" in p for p in first.problems)
    assert any("belongs to A too" in p for p in second.problems)
    assert not first.whole
    assert not second.whole
    assert any("the extents of files overlap in 17 sectors" in p for p in volume.problems)


def test_deleted_files_are_kept_apart_and_places_of_a_fresh_disk_are_none() -> None:
    image = hand_made(
        {6: "A", 29: "01001", 35: "01026", 75: "01003"},
        {1: "DDR1", 6: "OLD", 29: "03001", 35: "03026", 75: "03004"},
        {1: "DDR1", 6: "DATA10", 29: "74001", 35: "73026", 75: "74001"},
    )
    volume = volume_of(image)
    assert [f.name for f in volume.files] == ["A"]
    (gone,) = volume.deleted_files
    assert (gone.name, gone.deleted, gone.whole, len(gone.sectors)) == ("OLD", True, False, 3)
    assert gone.data.startswith(b"CYLINDER 03 SECTOR 01")
    assert volume.free == 76 * 26 - 26


def test_what_the_volume_label_and_ermap_say() -> None:
    odd = volume_of(hand_made(volume={1: "VOL1", 5: "X", 72: "M", 76: "3"}))
    assert any("the volume label says surface 'M' and sector length '3'" in p for p in odd.problems)
    image = bytearray(hand_made({6: "A", 29: "01001", 35: "01026", 75: "01003"}))
    image[4 * 128 : 5 * 128] = label({1: "ERMAP", 7: "120", 11: "400"})
    assert any("ERMAP calls defective: cylinder 12, 40" in p for p in volume_of(bytes(image)).problems)
    assert defective_cylinders(Label(label({1: "ERMAP"}), "ascii")) == []
    # the volume label lost: the first file label still tells
    image[6 * 128 : 7 * 128] = bytes(128)
    volume = volume_of(bytes(image))
    assert [f.name for f in volume.files] == ["A"]
    assert any("the volume label was not found" in p for p in volume.problems)


def test_labels_that_were_not_soundly_read() -> None:
    image = hand_made({6: "A", 29: "01001", 35: "01026", 75: "01003"}, {6: "B", 29: "02001", 35: "02026", 75: "02003"})
    volume = volume_of(image, unsound=[7])
    assert {n: f.whole for n, f in named(volume).items()} == {"A": False, "B": True}
    assert any("1 label sector not soundly read" in p for p in volume.problems)


def test_an_image_cut_short_is_laid_out_as_its_label_says() -> None:
    for form in FORMS:
        image = make_labelled({"A": lines("cp500"), "B": lines("cp500", count=100)}, "T", form=form, code="cp500")
        places = places_of(form)
        held = places.first_data + 20
        volume = read_volume(image[: places.starts[held]])
        if not form.proven:
            # its label says what that of a 200 mm disk says
            assert volume is None or volume.problems
            continue
        assert volume is not None
        assert any(f"the image holds {held} of {len(places.starts) - 1} sectors" in p for p in volume.problems)
        assert {n: f.whole for n, f in named(volume).items()} == {"A": True, "B": False}
        assert any("lie beyond the image" in p for p in named(volume)["B"].problems)


@pytest.mark.parametrize("code", CODES)
def test_text_of_records(code: str) -> None:
    (file,) = volume_of(make_labelled({"A": lines(code)}, "T", code=code)).files
    assert as_text(file) == "".join(f"{line}\n" for line in LINES * 3)
    (binary,) = volume_of(make_labelled({"A": b"\x01" * 80}, "T", code=code)).files
    assert as_text(binary) is None


def test_the_eight_bit_code_is_that_of_another_converter() -> None:
    """The C library's converter agrees on every byte that stands for a character of ISO 646."""
    iconv = shutil.which("iconv")
    if iconv is None:
        pytest.skip("iconv is not installed")
    every = bytes(range(256))
    done = subprocess.run([iconv, "-f", "CP500", "-t", "UTF-8"], input=every, capture_output=True, check=True)
    assert done.stdout.decode("utf-8") == every.decode("cp500")
    # facts of the code that anyone who punched cards knows: letters in three runs, digits from F0
    assert "VOL1HDR1".encode("cp500") == bytes.fromhex("E5D6D3F1C8C4D9F1")


@given(st.binary(max_size=40))
def test_shown_text_has_one_reading(raw: bytes) -> None:
    shown = shown_text(raw, "cp500")
    assert all(" " <= c <= "~" for c in shown)
    assert "/" not in shown


def test_the_first_cylinders_through_the_simulator_with_deleted_records() -> None:
    """Recorded, read back and read as a volume: records under a deleted-data mark are passed over."""
    layout = load_layouts()["200-fm-26x128"]
    data = lines("cp500", count=30)
    image = make_labelled({"TIDES": data, "LOG": lines("cp500", count=10)}, "QUAY05", code="cp500")
    rng = np.random.default_rng(58)
    tracks = []
    at = 0
    for cylinder, head, zone in layout.tracks():
        held = {}
        for number in sorted(zone.sector_ids):
            held[number] = image[at : at + 128]
            at += 128
        marked = [3, 4] if cylinder == 1 else []
        if cylinder < 4:
            tracks.append(format_track(layout, cylinder, head, held, rng, deleted=marked))
    # the first cylinders, which the label says how to place
    found = recover_captures([capture_of(read_session(tracks, rng, revolutions=1), "session")], "200-fm-26x128")
    assert found.counts() == {"sound": 104, "mended": 0, "suspect": 0, "lost": 0}
    assert found.volume is not None
    files = named(found.volume)
    assert files["TIDES"].data == data[:160] + data[320:]
    assert any("2 sectors with a deleted-data mark passed over: 28 to 29" in p for p in files["TIDES"].problems)
    assert files["LOG"].data == lines("cp500", count=10)
    assert files["LOG"].whole


@pytest.mark.parametrize(
    ("files", "title", "options", "words"),
    [
        ({"a": b""}, "T", {}, "not a name"),
        ({"": b""}, "T", {}, "not a name"),
        ({"A" * 18: b""}, "T", {}, "not a name"),
        ({}, "TOOLONG", {}, "not a title"),
        ({"A": b"x"}, "T", {}, "no whole records of 80"),
        ({"A": bytes(80 * 1977)}, "T", {}, "do not fit"),
        ({f"F{n}": b"" for n in range(20)}, "T", {}, "at most 19 file labels"),
        ({}, "T", {"data_sets": DataSets(129)}, "does not fit a sector"),
    ],
)
def test_what_cannot_be_made_is_refused(
    files: dict[str, bytes], title: str, options: dict[str, DataSets], words: str
) -> None:
    with pytest.raises(ValueError, match=words):
        make_labelled(files, title, **options)  # type: ignore[arg-type]


MUTABLE = [
    make_labelled({"A": lines(code), "B": lines(code, count=50)}, "QUAY", form=form, code=code)
    for form, code in ((FORMS[0], "cp500"), (FORMS[5], "ascii"), (FORMS[7], "cp500"), (FORMS[10], "ascii"))
]


@settings(max_examples=200)
@given(st.integers(0, 2**32 - 1), st.integers(1, 80), st.sampled_from(MUTABLE), st.booleans(), st.booleans())
def test_a_mutated_image_is_read_within_bounds(seed: int, count: int, base: bytes, labels: bool, cut: bool) -> None:
    rng = np.random.default_rng(seed)
    image = bytearray(base)
    low, high = (6 * 128, 12 * 128) if labels else (0, len(image))
    # digits and letters of both codes come more often than chance would bring them
    likely = np.frombuffer(b"0123456789HDRVOL1BRC " + "0123456789HDRVOL1BRC ".encode("cp500"), np.uint8)
    values = np.where(rng.random(count) < 0.8, rng.choice(likely, count), rng.integers(0, 256, count))
    for place, value in zip(rng.integers(low, high, count).tolist(), values.tolist(), strict=True):
        image[place] = value
    if cut:
        del image[int(rng.integers(0, len(image))) :]
    volume = read_volume(bytes(image), rng.integers(0, 60, 3).tolist(), marked=rng.integers(0, 60, 3).tolist())
    if volume is None:
        return
    sectors = max(len(places_of(form).starts) for form in FORMS)
    for file in (*volume.files, *volume.deleted_files):
        assert file.name.isascii()
        assert len(set(file.sectors)) == len(file.sectors) <= sectors
        assert all(0 <= s < sectors for s in file.sectors)
        assert len(file.data) <= len(file.sectors) * 1024
        as_text(file)
    assert 0 <= volume.free <= sectors
    assert not any(f.whole for f in volume.deleted_files)
