"""Every page in process: what it shows, what it does with what is typed and sent, and how it is built."""

from __future__ import annotations

import functools
import gzip
import hashlib
import json
import re
import shutil
import threading
from html.parser import HTMLParser
from itertools import pairwise
from pathlib import Path
from typing import Any

import httpx
import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from tests.support.visiting import FROM_HERE, sent

from indexhole.causes.ranking.diagnosis import Diagnosis
from indexhole.errors import InputFault
from indexhole.jobs.faults.causes import Bench, diagnose
from indexhole.model.simulator.session import read_session
from indexhole.model.simulator.simulate import Reader, WeakStretch, format_track, read_track
from indexhole.model.trials.trial import Trial
from indexhole.recover.shapes.result import SectorState
from indexhole.shelf.care.captures import store_capture
from indexhole.shelf.care.condition import check_captures
from indexhole.shelf.records.records import CaptureRecord, Disk, Event, Mechanism, Note, Unit, checked
from indexhole.shelf.register.shelf import Shelf
from indexhole.shelf.sheets.sheet import sheet_bytes
from indexhole.signal.captures.capture import Capture
from indexhole.signal.formats.write_vcd import vcd_bytes
from indexhole.signal.simulated import capture_of
from indexhole.standards.layouts import load_layouts
from indexhole.web.app import create_app
from indexhole.web.pages.causes import cause_routes
from indexhole.web.pages.recordings import recording_routes as capture_routes
from indexhole.web.pages.recordings import track_view
from indexhole.web.pages.recordings.reading import Asked, Reading, read_together
from indexhole.web.pages.recordings.recording_routes import plain_name
from indexhole.web.serving import site
from indexhole.web.serving.job_queue import JobQueue, Progress

HOSTILE = "<script>alert('1')</script> & \"so\""
LAYOUT = load_layouts()["130-48-mfm-9x512"]
ZOOMED = re.compile("[?&](turn|interval)=")
VOID = {"meta", "link", "input", "br", "wbr", "hr", "img"}


class Visitor:
    """A browser without a window: requests in process, each of them from the page itself."""

    def __init__(self, shelf: Shelf) -> None:
        self.shelf = shelf
        self.app = create_app(shelf)

    def _send(self, method: str, address: str, **how: Any) -> httpx.Response:
        return sent(self.app, method, address, origin=FROM_HERE, **how)

    def get(self, address: str) -> httpx.Response:
        return self._send("GET", address)

    def post(self, address: str, data: dict[str, str] | None = None, files: Any = None) -> httpx.Response:
        if "/edit?" in address and "revision" not in (data or {}):
            # a browser sends what the form holds unseen
            held = re.search('name="revision" value="([0-9]+)"', self.get(address).text)
            data = {**(data or {}), **({"revision": held[1]} if held else {})}
        return self._send("POST", address, data={"token": self.app.form_token(), **(data or {})}, files=files)

    def after(self, answer: httpx.Response) -> httpx.Response:
        """The page a change led to."""
        assert answer.status_code == 303, answer.text
        return self.get(answer.headers["location"])


class Built(HTMLParser):
    """How a page is built: tags that match, ids, labels, links, landmarks."""

    def __init__(self, page: str) -> None:
        super().__init__()
        self.open: list[str] = []
        self.tags: list[tuple[str, dict[str, str]]] = []
        self.title = ""
        self.feed(page)
        self.close()

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, {name: value or "" for name, value in attrs}))
        if tag not in VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, {name: value or "" for name, value in attrs}))

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag

    def handle_data(self, data: str) -> None:
        # A drawing has titles of its own.
        if self.open and self.open[-1] == "title" and "svg" not in self.open:
            self.title += data

    def all(self, *names: str) -> list[dict[str, str]]:
        return [attrs for tag, attrs in self.tags if tag in names]


def looked_over(page: str) -> Built:
    """The page, held to what every page must be."""
    built = Built(page)
    assert built.open == []
    assert built.all("html")[0]["lang"] == "en"
    assert built.title.endswith(" · Indexhole")
    assert len(built.title) > len(" · Indexhole")
    assert len(built.all("h1")) == 1
    assert [attrs.get("id") for attrs in built.all("main")] == ["main"]
    assert len(built.all("header")) == len(built.all("footer")) == 1
    assert all(attrs.get("aria-label") for attrs in built.all("nav"))
    ids = [attrs["id"] for _, attrs in built.tags if "id" in attrs]
    assert len(ids) == len(set(ids))
    labels = {attrs.get("for") for attrs in built.all("label")}
    for field in built.all("input", "select", "textarea", "progress"):
        assert field.get("type") == "hidden" or field.get("id") in labels or field.get("aria-label"), field
    for attrs in (attrs for _, attrs in built.tags):
        assert "style" not in attrs
        assert not [name for name in attrs if name.startswith("on")]
        for named in ("aria-labelledby", "aria-describedby"):
            assert set(attrs.get(named, "").split()) <= set(ids)
    for picture in (attrs for tag, attrs in built.tags if tag == "svg"):
        # a nested one is part of its frame, and the legend's steps stand in a hidden legend
        inner = "class" not in picture or picture["class"] == "step"
        assert inner or picture.get("aria-hidden") == "true" or picture.get("aria-label")
    for address in built.all("link") + built.all("script") + built.all("a") + built.all("form"):
        target = address.get("href") or address.get("src") or address.get("action") or ""
        assert target == "" or target.startswith(("/", "#")), target
        assert not target.startswith("//")
    levels = [int(tag[1]) for tag, _ in built.tags if re.fullmatch("h[1-6]", tag)]
    assert all(deeper - level <= 1 for level, deeper in pairwise(levels))
    assert page.count("<table") == page.count("<thead")
    return built


def signal(cylinder: int = 3, head: int = 0, weak: float = 0.0, seed: int = 1) -> bytes:
    """A logger's file of one track; `weak` of a turn has lost its signal."""
    rng = np.random.default_rng(seed)
    zone = LAYOUT.zone(cylinder, head)
    assert zone is not None
    data = {number: rng.bytes(zone.sector_bytes) for number in zone.sector_ids}
    track = format_track(LAYOUT, cylinder, head, data, rng)
    reader = Reader(weak=(WeakStretch(0.3, weak),)) if weak else Reader()
    return vcd_bytes(capture_of(read_track(track, rng, reader, revolutions=2), "track.vcd"))


def session(cylinders: int = 2, seed: int = 2) -> bytes:
    """A logger's file of the first cylinders of a disk, both sides."""
    rng = np.random.default_rng(seed)
    tracks = []
    for cylinder in range(cylinders):
        for head in (0, 1):
            zone = LAYOUT.zone(cylinder, head)
            assert zone is not None
            data = {number: rng.bytes(zone.sector_bytes) for number in zone.sector_ids}
            tracks.append(format_track(LAYOUT, cylinder, head, data, rng))
    return vcd_bytes(capture_of(read_session(tracks, rng, revolutions=1), "session.vcd"))


def trials() -> list[Trial]:
    """A bench on which D2.0 reads badly on side 1 whoever wrote."""
    rows = []
    for number, (mechanism, side) in enumerate(
        [(m, s) for _ in range(3) for m in ("D1.0", "D2.0", "D1.1") for s in (0, 1)]
    ):
        failed = 60 if (mechanism, side) == ("D2.0", 1) else 0
        disk = ("K1", "K2", "K3")[number // 6]
        rows.append(Trial(f"T{number}", "2026-03-01", "read", "H1", "L1", mechanism, disk, side, 0, 19, 180, failed))
    return rows


def stocked(folder: Path) -> Shelf:
    """A shelf with a bit of everything, hostile titles among it."""
    shelf = Shelf.open(folder, create=True)
    shelf.add(
        checked(Unit, inventory="D1", kind="drive unit", title=HOSTILE, maker="Gantry & Sons", disk_class="130-48")
    )
    shelf.add(checked(Unit, inventory="D10", kind="drive unit", title="Tenth"))
    shelf.add(checked(Unit, inventory="A/1 ?#%", kind="adapter", title="An odd number"))
    shelf.add(checked(Mechanism, unit="D1", number=0, write_width_um=330, front="A"))
    shelf.add(checked(Mechanism, unit="D1", number=1))
    shelf.add(checked(Disk, inventory="K1", title=HOSTILE, irreplaceable=True, sides=2))
    shelf.add(checked(Event, unit="D1", when="about 1987", what=HOSTILE, source="a letter"))
    shelf.add(checked(Event, unit="D1", when="1999-05-12", what="belt renewed"))
    shelf.add(checked(Event, unit="D1", what="fell once"))
    shelf.add(checked(Note, unit="D1", text=HOSTILE))
    shelf.add(checked(Note, text="a note on the whole"))
    shelf.add_trials(trials(), "bench")
    return shelf


def add_file(shelf: Shelf, folder: Path, name: str, content: bytes, **about: Any) -> str:
    """Keep a file on the shelf; its key."""
    path = folder / name
    path.write_bytes(content)
    from indexhole.signal.formats.readers import read_capture

    return store_capture(shelf, path, read_capture(path), **about).record.sha256[:16]


@functools.cache
def ranked(rows: tuple[Trial, ...], kept: frozenset[str]) -> Diagnosis:
    """The diagnosis of these trials, worked out once for all tests: most of them show it only by the way."""
    return diagnose(Bench(rows, kept))


@pytest.fixture(autouse=True)
def patient(monkeypatch: pytest.MonkeyPatch) -> None:
    """Pages wait for what they show, so that what they show does not depend on the machine."""
    for module, name in (
        (capture_routes, "PATIENCE_S"),
        (cause_routes, "PATIENCE_S"),
        (cause_routes, "GLANCE_S"),
        (site, "GLANCE_S"),
    ):
        monkeypatch.setattr(module, name, 300.0)
    monkeypatch.setattr(site, "diagnose", lambda bench: ranked(tuple(bench.trials), bench.irreplaceable))


@pytest.fixture(scope="module")
def full(tmp_path_factory: pytest.TempPathFactory) -> Visitor:
    """A visitor to a shelf with everything on it; no test changes it."""
    folder = tmp_path_factory.mktemp("full")
    shelf = stocked(folder / "shelf")
    add_file(shelf, folder, "one.vcd", signal(), disk="K1", mechanism="D1.0", cylinder=3, head=0, note=HOSTILE)
    add_file(shelf, folder, "worn.vcd", signal(weak=0.1, seed=5), disk="K1", taken="about 1991")
    add_file(shelf, folder, "session.vcd", session(), disk="K2")
    return Visitor(shelf)


@pytest.fixture(scope="module")
def shelves(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A stocked and an empty shelf to copy: copying one is quicker than filling it."""
    folder = tmp_path_factory.mktemp("shelves")
    stocked(folder / "stocked")
    Shelf.open(folder / "empty", create=True)
    return folder


@pytest.fixture
def visitor(tmp_path: Path, shelves: Path) -> Visitor:
    """A visitor to a stocked shelf of its own."""
    return Visitor(Shelf.open(shutil.copytree(shelves / "stocked", tmp_path / "shelf")))


@pytest.fixture
def empty(tmp_path: Path, shelves: Path) -> Visitor:
    """A visitor to an empty shelf of its own."""
    return Visitor(Shelf.open(shutil.copytree(shelves / "empty", tmp_path / "shelf")))


def key_of(visitor: Visitor, name: str) -> str:
    return next(c.sha256[:16] for c in visitor.shelf.all(CaptureRecord) if c.name == name)


# the whole


def test_every_link_leads_somewhere_and_every_page_is_well_built(full: Visitor) -> None:
    waiting, seen = ["/"], set()
    while waiting:
        address = waiting.pop()
        if address in seen:
            continue
        seen.add(address)
        answer = full.get(address)
        # a pairing that lacks something says so with 422
        assert answer.status_code in ((200, 422) if address.startswith("/pairing/") else (200,)), address
        if not answer.headers["content-type"].startswith("text/html"):
            continue
        built = looked_over(answer.text)
        assert HOSTILE not in answer.text
        assert "<script>" not in answer.text
        links = [link["href"].partition("#") for link in built.all("a") if link.get("href")]
        for path, _, anchor in links:
            if path == "" and anchor:
                assert f'id="{anchor}"' in answer.text
            elif path and not (ZOOMED.search(address) and ZOOMED.search(path)):
                # one step closer is enough: every step leads to others
                waiting.append(path)
    assert {"/", "/recordings", "/causes", "/causes/trials", "/unit?no=D1", "/unit?no=A%2F1+%3F%23%25"} <= seen
    assert sum(a.startswith("/recordings/track") and not ZOOMED.search(a) for a in seen) == 4
    assert sum(a.startswith("/recordings/track") and bool(ZOOMED.search(a)) for a in seen) == 8


def test_evidence_links_to_rows_that_are_there(full: Visitor) -> None:
    sheet = full.get("/causes/trials").text
    anchors = re.findall(r'href="/causes/trials[?]at=[^"#]+#([^"]+)"', full.get("/causes").text)
    assert anchors
    assert all(f'id="{anchor}"' in sheet for anchor in anchors)


def test_empty_pages_say_so_and_what_to_do(empty: Visitor) -> None:
    for address, told in (
        ("/", "No unit stands on the shelf yet"),
        ("/", "No disk is on the shelf yet"),
        ("/recordings", "No recording is kept yet"),
        ("/causes", "There are no trials to weigh yet"),
        ("/causes/trials", "The sheet is empty"),
    ):
        page = empty.get(address).text
        looked_over(page)
        assert told in page


# errors


@pytest.mark.parametrize(
    ("address", "status", "told"),
    [
        ("/nowhere", 404, "There is no page at this address."),
        ("/unit?no=D99", 404, "There is no unit D99 on the shelf."),
        ("/unit?no=%3Cscript%3E", 404, "There is no unit &lt;script&gt; on the shelf."),
        ("/unit", 400, "In the address “no” is missing, or cannot be right."),
        ("/disk?no=K99", 404, "There is no disk K99 on the shelf."),
        ("/unit/edit?no=D99", 404, "There is no unit D99"),
        ("/mechanism/new?unit=D99", 404, "There is no unit D99"),
        ("/mechanism/edit?no=D99.0", 404, "There is no mechanism D99.0"),
        ("/note/new", 404, "There is no unit"),
        ("/recordings/read", 400, "No recording is chosen."),
        ("/recordings/read?capture=0123456789abcdef", 404, "There is no such recording on the shelf."),
        ("/recordings/read?capture=..%2F..%2Fetc%2Fpasswd", 404, "There is no such recording"),
        (
            "/recordings/track?capture=x&cylinder=a&head=0",
            400,
            "In the address “cylinder” is missing, or cannot be right.",
        ),
        ("/recordings/file?capture=x&number=1", 404, "There is no such recording"),
    ],
)
def test_every_error_is_a_page_with_a_plain_sentence(visitor: Visitor, address: str, status: int, told: str) -> None:
    answer = visitor.get(address)
    assert answer.status_code == status
    looked_over(answer.text)
    assert told in answer.text


def test_errors_within_a_reading(full: Visitor) -> None:
    key = key_of(full, "one.vcd")
    for address, status, told in (
        (f"/recordings/track?capture={key}&cylinder=9&head=0", 404, "Nothing was read at cylinder 9, side 0."),
        (f"/recordings/image?capture={key}", 404, "not one whole disk, so there is no image"),
        (f"/recordings/file?capture={key}&number=0", 404, "There is no such file on this disk."),
        (f"/recordings/read?capture={key}&layout=none-such", 400, "There is no layout &#39;none-such&#39;"),
    ):
        answer = full.get(address)
        assert (answer.status_code, told in answer.text) == (status, True), answer.text
        looked_over(answer.text)


def test_a_page_used_the_wrong_way_says_so(visitor: Visitor) -> None:
    answer = visitor.post("/")
    assert answer.status_code == 405
    assert "cannot be used that way" in answer.text


def test_a_shelf_that_is_gone_is_told_as_such(visitor: Visitor) -> None:
    visitor.shelf.path.unlink()
    answer = visitor.get("/")
    assert answer.status_code == 503
    looked_over(answer.text)


def test_a_recording_whose_file_is_gone_is_told_as_such(tmp_path: Path, visitor: Visitor) -> None:
    key = add_file(visitor.shelf, tmp_path, "one.vcd", signal())
    (visitor.shelf.folder / visitor.shelf.all(CaptureRecord)[0].parquet).unlink()
    answer = visitor.get(f"/recordings/read?capture={key}")
    assert answer.status_code == 400
    assert "its pulses, captures/" in answer.text


# the shelf


def test_the_shelf_lists_units_in_order_with_their_verdicts(visitor: Visitor) -> None:
    page = visitor.get("/").text
    places = [page.index(f">{name}</a>") for name in ("D1", "D2", "D10", "H1", "L1", "A/1 ?#%", "K1", "K2")]
    assert places == sorted(places)
    assert re.search(r"D2\.0</span>\s*<span class=\"mark\">.*?fails", page, re.S)
    assert "named by a trial only" in page
    assert "irreplaceable" in page


def test_a_search_finds_every_word_and_links_to_the_thing(visitor: Visitor) -> None:
    page = visitor.get("/?words=gantry+SONS").text
    assert 'href="/unit?no=D1"' in page
    assert "Latest changes" not in page
    assert "Nothing on the shelf holds all of “no such thing”" in visitor.get("/?words=no+such+thing").text
    assert visitor.get("/?words=+").status_code == 200
    for words, link in (("belt", "/unit?no=D1"), ("note", "/"), ("K3", "/disk?no=K3"), ("D1.1", "/unit?no=D1")):
        assert f'<a class="name" href="{link}">' in visitor.get(f"/?words={words}").text
    assert "/causes/trials?at=T8#trial-T8" in visitor.get("/?words=T8+D2.0").text


def test_a_unit_page_tells_what_it_is_its_history_and_its_cautions(visitor: Visitor) -> None:
    page = visitor.get("/unit?no=D1").text
    order = [page.index(told) for told in ("about 1987", "1999-05-12")]
    assert order == sorted(order)
    for told in (
        "Gantry &amp; Sons", "front says A, writes 330 µm", "1985-01-01 to 1989-12-31", "to the day",
        "any time", "Opening a mains supply.", "Local codes and licensed practice decide.", "practice, no source",
    ):  # fmt: skip
        assert told in page


def test_a_lead_has_no_cautions_and_a_disk_has_its_own(visitor: Visitor) -> None:
    assert "Cautions" not in visitor.get("/unit?no=L1").text
    page = visitor.get("/disk?no=K1").text
    assert "heart pacemaker" in page
    assert "never: it is marked irreplaceable" in page


def test_the_evidence_stands_beside_a_verdict(visitor: Visitor) -> None:
    page = visitor.get("/unit?no=D2").text
    assert re.search(r"Likely dirty head, side 1 \((over )?[0-9.]+\u202f%\)", page)


FORMS = [
    ("/unit/new", {"inventory": "D7", "kind": "drive unit", "title": "New"}, Unit, "D7", "title", "New"),
    ("/unit/edit?no=D1", {"kind": "drive unit", "title": "Other"}, Unit, "D1", "title", "Other"),
    ("/disk/new", {"inventory": "K7", "sides": "2", "importance": "irreplaceable"}, Disk, "K7", "irreplaceable", True),
    ("/disk/edit?no=K1", {"title": "Plain", "sides": "", "importance": "working"}, Disk, "K1", "irreplaceable", False),
    ("/mechanism/new?unit=D10", {"number": "0", "read_width_um": "300"}, Mechanism, "D10.0", "read_width_um", 300.0),
    ("/mechanism/edit?no=D1.0", {"front": "B", "write_width_um": ""}, Mechanism, "D1.0", "write_width_um", None),
    ("/event/new?unit=D1", {"when": "1980s", "what": "moved"}, Event, "E4", "what", "moved"),
    ("/note/new?unit=D1", {"text": "two\r\nlines"}, Note, "N3", "text", "two\nlines"),
    ("/note/new?disk=K1", {"text": "on a disk"}, Note, "N3", "disk", "K1"),
]


@pytest.mark.parametrize(("address", "sent", "kind", "key", "field", "value"), FORMS)
def test_what_is_typed_is_kept_shown_and_can_be_taken_back(
    visitor: Visitor, address: str, sent: dict[str, str], kind: type[Any], key: str, field: str, value: Any
) -> None:
    before = visitor.shelf.find(kind, key)
    assert looked_over(visitor.get(address).text).all("form")
    page = visitor.after(visitor.post(address, sent)).text
    assert f"{key} is kept." in page
    assert getattr(visitor.shelf.get(kind, key), field) == value
    change = visitor.shelf.changes()[0]
    page = visitor.after(visitor.post("/undo", {"change": str(change.number)})).text
    assert f"Taken back: {change.what}." in page
    assert visitor.shelf.find(kind, key) == before


BAD_FORMS = [
    ("/unit/new", {"inventory": "", "kind": "host"}, "field-inventory-fault"),
    ("/unit/new", {"inventory": "D7", "kind": "spaceship"}, "field-kind-fault"),
    ("/unit/new", {"inventory": "D1", "kind": "host"}, "is on the shelf already"),
    ("/unit/new", {"inventory": "D7", "kind": "host", "disk_class": "nine-inch"}, "field-disk_class-fault"),
    ("/unit/edit?no=D1", {"kind": "host"}, "cannot be a host"),
    ("/disk/new", {"inventory": "K7", "sides": "3"}, "field-sides-fault"),
    ("/disk/new", {"inventory": "x" * 81}, "field-inventory-fault"),
    ("/mechanism/new?unit=D1", {"number": "first"}, "field-number-fault"),
    ("/mechanism/new?unit=D1", {"number": "0"}, "is on the shelf already"),
    ("/mechanism/new?unit=H1", {"number": "0"}, "belongs to a drive unit"),
    ("/mechanism/edit?no=D1.0", {"write_width_um": "-3"}, "field-write_width_um-fault"),
    ("/event/new?unit=D1", {"when": "last spring", "what": "moved"}, "field-when-fault"),
    ("/event/new?unit=D1", {"what": ""}, "field-what-fault"),
    ("/note/new?unit=D1", {"text": ""}, "field-text-fault"),
    ("/causes/trials/new", {"trial": "T99"}, "field-when-fault"),
]


@pytest.mark.parametrize(("address", "sent", "told"), BAD_FORMS)
def test_what_does_not_fit_is_told_and_nothing_typed_is_lost(
    visitor: Visitor, address: str, sent: dict[str, str], told: str
) -> None:
    before = visitor.shelf.changes()
    sent = {**sent, "note" if "disk" in address or "trials" in address else "title": HOSTILE}
    answer = visitor.post(address, sent)
    assert answer.status_code == 422
    built = looked_over(answer.text)
    assert told in answer.text
    assert any(attrs.get("role") == "alert" for _, attrs in built.tags)
    assert HOSTILE not in answer.text
    typed = {f["name"]: f["value"] for f in built.all("input") if f.get("type") == "text" and f["name"] in sent}
    assert all(sent[name] == value for name, value in typed.items())
    assert visitor.shelf.changes() == before


@settings(max_examples=40, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    st.sampled_from(
        [
            "/unit/new",
            "/disk/new",
            "/mechanism/new?unit=D1",
            "/event/new?unit=D1",
            "/note/new?disk=K1",
            "/causes/trials/new",
        ]
    ),
    st.dictionaries(
        st.sampled_from(
            ["inventory", "kind", "title", "sides", "number", "write_width_um", "when", "what", "text", "trial", "side"]
        ),
        st.text(max_size=12),
    ),
)
def test_no_text_in_a_form_breaks_the_page(full: Visitor, address: str, sent: dict[str, str]) -> None:
    answer = full.post(address, {name: text.encode("utf-8", "ignore").decode() for name, text in sent.items()})
    assert answer.status_code in (303, 422)
    for change in full.shelf.changes()[:1] if answer.status_code == 303 else ():
        full.shelf.undo(change)


@settings(max_examples=30, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.text(max_size=20))
def test_no_search_breaks_the_page(full: Visitor, words: str) -> None:
    answer = full.get(f"/?{httpx.QueryParams({'words': words.encode('utf-8', 'ignore').decode()})}")
    assert answer.status_code == 200
    looked_over(answer.text)


def test_a_change_that_is_no_longer_the_last_is_not_taken_back(visitor: Visitor) -> None:
    first = visitor.shelf.changes()[0]
    visitor.post("/unit/new", {"inventory": "H7", "kind": "host"})
    answer = visitor.post("/undo", {"change": str(first.number)})
    assert answer.status_code == 400
    assert "look again before undoing" in answer.text.lower()
    assert visitor.post("/undo", {"change": "999"}).status_code == 400
    assert visitor.shelf.find(Unit, "H7") is not None


def test_filling_in_a_thing_named_by_a_trial_makes_it_known(visitor: Visitor) -> None:
    assert visitor.shelf.get(Unit, "D2").standing == "unproven"
    visitor.after(visitor.post("/unit/edit?no=D2", {"kind": "drive unit", "title": "Second"}))
    assert visitor.shelf.get(Unit, "D2").standing == "known"


# recordings


def upload(visitor: Visitor, name: str, content: bytes, **about: str) -> httpx.Response:
    return visitor.post("/recordings", about, {"file": (name, content)})


def test_an_upload_is_kept_as_it_came_and_shown(visitor: Visitor) -> None:
    content = gzip.compress(signal(), mtime=0)
    page = visitor.after(
        upload(visitor, "C:\\logs\\track 3.vcd.gz", content, disk="K1", cylinder="3", head="0", taken="2026-03")
    )
    assert "track 3.vcd.gz is kept" in page.text
    looked_over(page.text)
    record = visitor.shelf.all(CaptureRecord)[0]
    assert record.sha256 == hashlib.sha256(content).hexdigest()
    assert (record.name, record.disk, record.cylinder, record.head) == ("track 3.vcd.gz", "K1", 3, 0)
    assert [found.state for found in check_captures(visitor.shelf)] == ["unchanged"]
    assert "1 track, 9 sectors: 9 sound." in page.text


def test_the_same_file_twice_is_kept_once(visitor: Visitor) -> None:
    upload(visitor, "a.vcd", signal())
    page = visitor.after(upload(visitor, "b.vcd", signal())).text
    assert "stands here already, as a.vcd; nothing was added" in page
    assert len(visitor.shelf.all(CaptureRecord)) == 1


BAD_FILES = [
    (b"", "the file is empty"),
    (b"\x00" * 100, "not a capture this program reads"),
    (b"%PDF-1.4 and so on", "not a capture this program reads"),
    (b"\x1f\x8b" + b"\x00" * 40, ""),
    (gzip.compress(signal(), mtime=0)[:-2000], "the gzip"),
    (signal()[:300], ""),
    (b"time_s,read_data\n0,1\n1e-6,0\n", ""),
]


@pytest.mark.parametrize(("content", "told"), BAD_FILES)
def test_a_bad_file_is_told_in_a_sentence_and_leaves_nothing(visitor: Visitor, content: bytes, told: str) -> None:
    answer = upload(visitor, "bad<1>.vcd", content, note=HOSTILE)
    assert answer.status_code == 422
    looked_over(answer.text)
    assert f"<p>bad_1_.vcd: {told}" in answer.text
    assert HOSTILE not in answer.text
    assert visitor.shelf.all(CaptureRecord) == []
    folder = visitor.shelf.folder / "captures"
    assert not folder.exists() or [path for path in folder.rglob("*") if path.is_file()] == []


@settings(max_examples=25, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.binary(max_size=200), st.text(max_size=30))
def test_no_bytes_and_no_name_break_the_upload(empty: Visitor, content: bytes, name: str) -> None:
    answer = upload(empty, name.encode("ascii", "ignore").decode(), content)
    assert answer.status_code in (303, 422)


def test_an_upload_without_a_file_or_with_a_bad_place_is_refused(visitor: Visitor) -> None:
    assert "No file was chosen" in visitor.post("/recordings", {"disk": "K1"}).text
    answer = upload(visitor, "a.vcd", signal(), cylinder="far out", disk="K1")
    assert answer.status_code == 422
    assert "field-cylinder-fault" in answer.text
    assert visitor.shelf.all(CaptureRecord) == []


@given(st.text())
def test_a_files_name_never_becomes_a_path(name: str) -> None:
    plain = plain_name(name)
    assert 0 < len(plain) <= 100
    assert not plain.startswith((".", " "))
    assert re.fullmatch("[A-Za-z0-9 ._+()-]+", plain)


@pytest.mark.parametrize(
    ("name", "plain"),
    [
        ("../../etc/passwd", "passwd"),
        ("C:\\a\\b.vcd", "b.vcd"),
        ("", "capture"),
        ("..", "capture"),
        ("ä<b>.vcd", "_b_.vcd"),
    ],
)
def test_names_that_were_meant_as_paths(name: str, plain: str) -> None:
    assert plain_name(name) == plain


def test_one_track_shows_its_sectors_map_intervals_speed_and_gauges(full: Visitor) -> None:
    page = full.get(f"/recordings/read?capture={key_of(full, 'one.vcd')}").text
    built = looked_over(page)
    charts = [
        a["class"].removeprefix("chart chart-") for a in built.all("svg") if a.get("class", "").startswith("chart ")
    ]
    assert charts == ["strip", "map", "histogram", "speed"]
    for told in (
        "Cylinder 3, side 0",
        "9 sound",
        "Spindle speed",
        "rpm",
        "295.5 to 304.5 rpm",
        "check passed",
        "Read it as",
    ):
        assert told in page
    assert page.count("The figures as a table") == 3


def test_a_worn_track_shows_what_is_lost(full: Visitor) -> None:
    page = full.get(f"/recordings/read?capture={key_of(full, 'worn.vcd')}").text
    report = json.loads(full.get(f"/recordings/report?capture={key_of(full, 'worn.vcd')}").content)
    bad = report["counts"]["lost"] + report["counts"]["suspect"]
    assert bad > 0
    states = re.findall(
        r'<th scope="row" class="number">\d+</th><td><span class="mark">.*?</svg>(\w+)</span>', page, re.S
    )
    assert sorted(states) == sorted(s["state"] for s in report["tracks"][0]["sectors"])
    assert 'class="q7"' in page


def test_a_session_shows_each_side_and_every_track(full: Visitor) -> None:
    key = key_of(full, "session.vcd")
    page = full.get(f"/recordings/read?capture={key}").text
    assert "4 tracks, 36 sectors: 36 sound." in page
    assert page.count('class="chart chart-map"') == 2
    for cylinder in (0, 1):
        for head in (0, 1):
            assert f">Cylinder {cylinder}, side {head}</a>" in page
    track = full.get(f"/recordings/track?capture={key}&cylinder=1&head=0").text
    assert "Track before" in track
    assert "Track after" in track


def test_recordings_of_several_disks_read_together_are_told(full: Visitor) -> None:
    keys = {
        name: "&".join(f"capture={key_of(full, one)}" for one in ("one.vcd", name))
        for name in ("worn.vcd", "session.vcd")
    }
    mixed = "these recordings are of disks K1 and K2, yet were read as of one"
    page = full.get(f"/recordings/read?{keys['session.vcd']}").text
    looked_over(page)
    assert mixed in page
    assert mixed not in full.get(f"/recordings/read?{keys['worn.vcd']}").text


def test_an_empty_form_names_the_field_above_all_and_beside_it(full: Visitor) -> None:
    visitor_page = full.post("/unit/new", {"inventory": "", "kind": "host"}).text
    assert "Inventory number: this is needed." in visitor_page
    assert "String should" not in visitor_page


def test_recordings_read_together_mend_each_other(full: Visitor) -> None:
    keys = "&".join(f"capture={key_of(full, name)}" for name in ("one.vcd", "worn.vcd"))
    page = full.get(f"/recordings/read?{keys}").text
    looked_over(page)
    assert [page.index(told) for told in ("Read by D1.0", "Read by a mechanism not written down")]
    assert page.count(">Spindle speed<") == 2
    assert "2 recordings together" in page
    assert "one.vcd" in page
    assert "worn.vcd" in page


def test_a_signal_without_a_recording_is_shown_for_what_it_is(visitor: Visitor, tmp_path: Path) -> None:
    rng = np.random.default_rng(8)
    ticks = np.cumsum(rng.integers(60, 300, 40_000))
    noise = Capture("noise", 1 / 24e6, ticks, np.array([0, 4_800_000]))
    page = visitor.after(upload(visitor, "noise.vcd", vcd_bytes(noise), disk="K1")).text
    looked_over(page)
    assert "Nothing legible was found." in page
    assert page.count('class="chart ') == page.count('class="chart chart-histogram"') == 1
    assert "39\u202f999 intervals between pulses" in page
    assert "Nothing could be gauged" in page


def test_results_can_be_taken_away(full: Visitor) -> None:
    key = key_of(full, "session.vcd")
    image = full.get(f"/recordings/image?capture={key}")
    report = json.loads(full.get(f"/recordings/report?capture={key}").content)
    assert hashlib.sha256(image.content).hexdigest() == report["image"]["sha256"]
    assert image.headers["content-disposition"] == 'attachment; filename="image.bin"'
    assert image.headers["content-type"] == "application/octet-stream"


def test_a_layout_can_be_chosen(full: Visitor) -> None:
    key = key_of(full, "one.vcd")
    page = full.get(f"/recordings/read?capture={key}&layout=130-48-mfm-8x512").text
    assert '<option value="130-48-mfm-8x512" selected>' in page


def test_what_is_known_of_a_recording_can_be_changed(tmp_path: Path, visitor: Visitor) -> None:
    key = add_file(visitor.shelf, tmp_path, "one.vcd", signal(), disk="K1")
    form = looked_over(visitor.get(f"/recordings/edit?capture={key}").text)
    assert form.all("form")
    page = visitor.after(visitor.post(f"/recordings/edit?capture={key}", {"disk": "K2", "note": "second"})).text
    assert "one.vcd is changed." in page
    assert visitor.shelf.all(CaptureRecord)[0].disk == "K2"
    maker = visitor.shelf.all(Mechanism)[0].mechanism
    visitor.post(f"/recordings/edit?capture={key}", {"disk": "K2", "writer": maker})
    assert visitor.shelf.all(CaptureRecord)[0].writer == maker
    assert f"formatted by {maker}" in visitor.get(f"/recordings/read?capture={key}").text
    answer = visitor.post(f"/recordings/edit?capture={key}", {"disk": "K2", "taken": "one fine day"})
    assert answer.status_code == 422
    assert "field-taken-fault" in answer.text


def test_a_volume_and_its_files_are_shown_and_given_out(
    visitor: Visitor, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    from indexhole.volumes import Volume, VolumeFile

    key = add_file(visitor.shelf, tmp_path, "session.vcd", session())
    made = Volume("fat12", HOSTILE, 3, 1024, 512, (VolumeFile(f"{HOSTILE}/../A", b"held", 4, (0,), "file"),), ())
    real = capture_routes.read_records

    def with_volume(*how: Any) -> Reading:
        from dataclasses import replace

        found = real(*how)
        state, sectors = str(SectorState.MENDED), {"mended": [3, 4, 5], "lost": [9]}
        file = {"name": made.files[0].name, "bytes": 4, "state": state, "sectors": sectors, "problems": []}
        gone = {**file, "name": "?ONE", "sectors": {}, "problems": ["deleted: a guess"]}
        told = {"files": [file], "deleted_files": [gone]}
        return replace(found, volume=made, report={**found.report, "volume": told})

    monkeypatch.setattr(capture_routes, "read_records", with_volume)
    page = visitor.get(f"/recordings/read?capture={key}").text
    looked_over(page)
    assert HOSTILE not in page
    assert "FAT12 volume titled" in page
    assert "1 file, 3 clusters free (" in page
    assert "mended 3 to 5; lost 9" in page
    assert "?ONE" in page
    assert "deleted: a guess" in page
    given_out = visitor.get(f"/recordings/file?capture={key}&number=0")
    assert given_out.content == b"held"
    name = re.fullmatch('attachment; filename="([A-Za-z0-9._-]+)"', given_out.headers["content-disposition"])
    assert name is not None
    assert visitor.get(f"/recordings/file?capture={key}&number=1").status_code == 404
    assert visitor.get(f"/recordings/file?capture={key}&number=-1").status_code == 404


def test_while_a_recording_is_read_the_page_says_how_far_it_is(
    visitor: Visitor, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    key = add_file(visitor.shelf, tmp_path, "one.vcd", signal())
    begun, go_on = threading.Event(), threading.Event()
    real = capture_routes.read_records

    def slow(shelf: Shelf, asked: Asked, progress: Progress) -> Reading:
        progress(3, 8)
        begun.set()
        assert go_on.wait(60)
        return real(shelf, asked, progress)

    monkeypatch.setattr(capture_routes, "read_records", slow)
    monkeypatch.setattr(capture_routes, "PATIENCE_S", 0.0)
    visitor.get(f"/recordings/read?capture={key}")
    assert begun.wait(60)
    page = visitor.get(f"/recordings/read?capture={key}").text
    looked_over(page)
    assert "3 of 8 stays of the head" in page
    assert '<noscript><meta http-equiv="refresh"' in page
    assert f'data-again="/recordings/progress?capture={key}"' in page
    assert visitor.get(f"/recordings/progress?capture={key}").json() == {"done": 3, "total": 8, "ready": False}
    go_on.set()
    monkeypatch.setattr(capture_routes, "PATIENCE_S", 300.0)
    assert "data-again" not in visitor.get(f"/recordings/read?capture={key}").text
    assert visitor.get(f"/recordings/progress?capture={key}").json()["ready"] is True


# fault-finding


def test_causes_stand_ranked_with_their_evidence(full: Visitor) -> None:
    page = full.get("/causes").text
    assert page.index('<a href="/unit?no=D2">D2.0</a> dirty head, side 1') < page.index("Try next")
    assert re.search(r'href="/causes/trials[?]at=T3#trial-T3" title="60 of 180 sectors failed">T3<', page)
    assert "Mechanisms not accused" in page


def test_while_trials_are_weighed_the_pages_say_so(visitor: Visitor, monkeypatch: pytest.MonkeyPatch) -> None:
    go_on = threading.Event()

    def slow(bench: Bench) -> Diagnosis:
        assert go_on.wait(60)
        return diagnose(bench)

    monkeypatch.setattr(site, "diagnose", slow)
    monkeypatch.setattr(cause_routes, "PATIENCE_S", 0.0)
    monkeypatch.setattr(site, "GLANCE_S", 0.0)
    page = visitor.get("/causes").text
    looked_over(page)
    assert "18 trials are being weighed" in page
    for address in ("/", "/unit?no=D1", "/disk?no=K1"):
        page = visitor.get(address).text
        looked_over(page)
        assert 'data-watch="/causes/progress"' in page
        assert "fails" not in page
    assert visitor.get("/causes/progress").json()["ready"] is False
    go_on.set()
    monkeypatch.setattr(cause_routes, "PATIENCE_S", 300.0)
    assert "What is at fault" in visitor.get("/causes").text


def test_trials_that_cannot_be_weighed_are_told_not_hidden(visitor: Visitor, monkeypatch: pytest.MonkeyPatch) -> None:
    def refuses(*_: Any) -> None:
        raise InputFault("too few trials to tell", remedy="make more")

    monkeypatch.setattr(site, "diagnose", refuses)
    page = visitor.get("/causes")
    assert page.status_code == 200
    assert "Too few trials to tell. Make more." in page.text
    assert visitor.get("/").status_code == 200


def test_a_sheet_is_brought_in_whole_and_can_be_taken_back(empty: Visitor) -> None:
    sheet = sheet_bytes(trials())
    page = empty.after(empty.post("/causes/trials", files={"file": ("bench.csv", sheet)})).text
    looked_over(page)
    assert "18 trials added from bench.csv." in page
    assert "stand on the shelf as unproven" in page
    assert empty.get("/causes/trials.csv").content == sheet
    back = empty.after(empty.post("/undo", {"change": str(empty.shelf.changes()[0].number)})).text
    assert "Taken back: " in back
    assert empty.shelf.trials() == []


@pytest.mark.parametrize(
    ("content", "told"),
    [
        (b"", "is empty"),
        (b"\xff\xfe\x00", "UTF-16"),
        (b"a;b\n1;2\n", "missing column"),
        (sheet_bytes(trials()).replace(b",180,60,", b",180,600,"), "sectors_failed 600 is more than"),
        (sheet_bytes(trials()) * 2, ""),
    ],
)
def test_a_bad_sheet_is_told_and_adds_nothing(empty: Visitor, content: bytes, told: str) -> None:
    answer = empty.post("/causes/trials", files={"file": ("bench.csv", content)})
    assert answer.status_code == 422
    looked_over(answer.text)
    assert told in answer.text
    assert empty.shelf.trials() == []


def test_a_sheet_that_stands_already_is_refused_in_the_pages_own_words(visitor: Visitor) -> None:
    answer = visitor.post("/causes/trials", files={"file": ("bench.csv", sheet_bytes(trials()))})
    assert answer.status_code == 422
    assert "is on the shelf already" in answer.text
    assert "--" not in answer.text.split("<main", 1)[1].split("</main", 1)[0].replace("<!--", "")


def test_one_trial_is_written_down(visitor: Visitor) -> None:
    sent = {
        "trial": "T<9>", "when": "2026-03-02", "operation": "read", "mechanism": "D1.0", "disk": "K1", "side": "0",
        "first_cylinder": "0", "last_cylinder": "9", "sectors_tried": "90", "sectors_failed": "0",
    }  # fmt: skip
    page = visitor.after(visitor.post("/causes/trials/new", sent)).text
    looked_over(page)
    assert "Trial T&lt;9&gt; is added." in page
    assert visitor.shelf.trials()[-1].trial == "T<9>"


# the parts behind the pages


def test_the_desk_does_a_job_once_and_forgets_the_oldest() -> None:
    job_queue, done = JobQueue(keep=2), []
    for key in ("a", "a", "b", "c"):
        job_queue.ask(key, lambda _, key=key: done.append(key)).wait(60)  # type: ignore[misc]
    assert done == ["a", "b", "c"]
    job_queue.ask("a", lambda _: done.append("again")).wait(60)
    assert done[-1] == "again"


def test_the_desk_begins_a_failed_job_anew() -> None:
    job_queue = JobQueue()

    def fails(_: Any) -> int:
        raise InputFault("first")

    task = job_queue.ask("a", fails)
    assert task.wait(60)
    with pytest.raises(InputFault, match="first"):
        task.result()
    again = job_queue.ask("a", lambda _: 7)
    assert again.wait(60)
    assert again.result() == 7


def test_the_histogram_counts_every_interval_once() -> None:
    rng = np.random.default_rng(3)
    zone = LAYOUT.zone(5, 1)
    assert zone is not None
    data = {number: rng.bytes(zone.sector_bytes) for number in zone.sector_ids}
    capture = capture_of(read_track(format_track(LAYOUT, 5, 1, data, rng), rng, revolutions=2), "t")
    reading = read_together([capture], ["D1.0"], "", "", lambda *_: None)
    histogram = reading.pictures[5, 1].histogram
    assert histogram is not None
    assert int(histogram.counts.sum()) + histogram.beyond == capture.read_ticks.size - 1
    peaks = histogram.centres_us[np.argsort(histogram.counts)[-1]]
    assert peaks % 2 == pytest.approx(0, abs=0.2) or peaks % 2 == pytest.approx(2, abs=0.2)
    view = track_view.track_view(reading.surface.tracks[0], reading.pictures[5, 1])
    assert view.histogram is not None
    shares = [float(row[-1].split("\u202f")[0]) for row in view.histogram.rows if "under" not in row[-1]]
    assert sum(shares) == pytest.approx(100, abs=1)


def test_a_wow_shows_in_the_speed_curve() -> None:
    from dataclasses import replace

    from indexhole.model.suited import sound_mechanism

    rng = np.random.default_rng(4)
    zone = LAYOUT.zone(5, 0)
    assert zone is not None
    data = {number: rng.bytes(zone.sector_bytes) for number in zone.sector_ids}
    wavering = replace(sound_mechanism(LAYOUT), wow_peak=0.008, wow_order=1.0)
    track = format_track(LAYOUT, 5, 0, data, rng)
    capture = capture_of(read_track(track, rng, Reader(mechanism=wavering), revolutions=2), "t")
    speed = read_together([capture], ["D1.0"], "", "", lambda *_: None).pictures[5, 0].speed
    assert speed is not None
    assert np.nanmax(speed.mean) == pytest.approx(0.8, abs=0.15)
    assert np.nanmin(speed.mean) == pytest.approx(-0.8, abs=0.15)
