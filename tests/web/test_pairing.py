"""The Pairing pages: what they show of a known shelf, what they refuse, and the sliders in a real browser."""

from __future__ import annotations

import re
import signal
import subprocess
import sys
from collections.abc import Iterator
from html.parser import HTMLParser
from pathlib import Path
from typing import Any
from urllib.parse import quote, urlencode
from xml.etree import ElementTree

import httpx
import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from tests.support.visiting import FROM_HERE, sent

from indexhole.jobs.demo.shelf import demo_trials
from indexhole.jobs.demo.things import demo_records
from indexhole.jobs.pairing.asking import answer, question
from indexhole.jobs.pairing.evidence import evidence_of
from indexhole.jobs.pairing.stock import stock_of
from indexhole.pairing.parts.answer import Curve
from indexhole.shelf.records.records import Disk, Mechanism, Unit, checked
from indexhole.shelf.register.shelf import Shelf
from indexhole.web.app import create_app
from indexhole.web.drawing.palette import TONES
from indexhole.web.drawing.view import WEB
from indexhole.web.pages.pairing.pairing_charts import budget_chart, margin_charts

VOID = {"meta", "link", "input", "br", "hr", "img"}
PLAN = "step,operation,mechanism,disk\n1,read,D1.0,K1\n2,write,D1.0,K3\n"
CHANGED = "(was) => document.querySelector('#answer .verdict').innerText !== was"
HOSTILE = "<script>alert('1')</script> & \"so\""


class Visitor:
    """A browser without a window: requests in process, each of them from the page itself."""

    def __init__(self, shelf: Shelf) -> None:
        self.shelf = shelf
        self.app = create_app(shelf)

    def _send(self, method: str, address: str, **how: Any) -> httpx.Response:
        return sent(self.app, method, address, origin=FROM_HERE, **how)

    def get(self, address: str, **values: object) -> httpx.Response:
        """An answer, once what its page waits for is done."""
        for _ in range(600):
            answered = self._send("GET", f"{address}?{urlencode(values)}" if values else address)
            again = re.search(r'data-again="([^"]+)"', answered.text)
            if again is None:
                return answered
            told = self._send("GET", again[1].replace("&amp;", "&")).json()
            assert set(told) == {"done", "total", "ready"}
        raise AssertionError("it never gets ready")

    def ready(self, address: str, **values: object) -> str:
        """The page itself."""
        return self.get(address, **values).text

    def post(self, address: str, data: dict[str, str], files: Any = None) -> httpx.Response:
        return self._send("POST", address, data={"token": self.app.form_token(), **data}, files=files)


class Built(HTMLParser):
    """Tags that match, ids that are unique, labels that name something."""

    def __init__(self, page: str) -> None:
        super().__init__()
        self.open: list[str] = []
        self.ids: list[str] = []
        self.labels: list[str] = []
        self.asked: list[dict[str, str]] = []
        self.feed(page)
        self.close()

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        held = {name: value or "" for name, value in attrs}
        if "id" in held:
            self.ids.append(held["id"])
        if tag == "label":
            self.labels.append(held["for"])
        if tag in ("input", "select", "textarea") and held.get("type") != "hidden":
            self.asked.append(held)
        if tag not in VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.ids += [value or "" for name, value in attrs if name == "id"]

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag


def looked_over(page: str) -> str:
    built = Built(page)
    assert built.open == []
    assert len(built.ids) == len(set(built.ids))
    assert {asked["id"] for asked in built.asked} <= set(built.labels)
    assert page.count("<h1") == 1
    return page


@pytest.fixture(scope="module")
def visitor(tmp_path_factory: pytest.TempPathFactory) -> Visitor:
    """The page over the things of the demonstration shelf, with its first trials."""
    return Visitor(_museum(tmp_path_factory.mktemp("web-pairing") / "shelf"))


def _museum(folder: Path) -> Shelf:
    shelf = Shelf.open(folder, create=True)
    shelf.add_together(demo_records(), "the demonstration")
    shelf.add_trials(demo_trials(operations=8))
    return shelf


@pytest.fixture(autouse=True, scope="module")
def own_cache(tmp_path_factory: pytest.TempPathFactory) -> Iterator[None]:
    """Keep weighed evidence out of the user's own cache."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("XDG_CACHE_HOME", str(tmp_path_factory.mktemp("cache")))
        yield


# the matrix


def test_the_matrix_shows_every_disk_with_every_mechanism_it_goes_into(visitor: Visitor) -> None:
    page = looked_over(visitor.ready("/pairing", disk_class="130-48"))
    for disk in ("K1", "K5", "K11"):
        assert f'<a href="/disk?no={disk}">{disk}</a>' in page
    assert len(re.findall(r'<td class="cell', page)) == 11 * 8
    assert "They do not go into " in page
    assert 'href="/pairing/budget?operation=read&amp;disk=K3&amp;reader=D4.0"' in page
    assert 'aria-current="page">Pairing</a>' in page


def test_every_cell_has_a_word_and_a_hatch(visitor: Visitor) -> None:
    page = visitor.ready("/pairing", disk_class="130-96")
    tones = {"works": "open", "doubtful": "diagonal", "fails": "solid", "unproven": "dots"}
    cells = re.findall(r'fill="url\(#tone-(\w+)\)"/></svg> <span class="word">(\w+)</span>', page)
    assert len(cells) == 5 * 8
    assert all(tones[word] == tone for tone, word in cells)
    assert {word for _, word in cells} >= {"fails"}


def test_where_prediction_and_trials_disagree_stands_before_the_cells(tmp_path: Path) -> None:
    shelf = _small(tmp_path)
    page = Visitor(shelf).ready("/pairing")
    assert page.index("Look into first") < page.index('class="cell')
    assert "K1 with D1.0: by class alone " in page
    assert "but 360 of 360 sectors failed" in page
    assert ">T1</a>" in page
    assert "cell-differs" in page


def _small(folder: Path) -> Shelf:
    from indexhole.model.trials.trial import Trial

    shelf = Shelf.open(folder / "shelf", create=True)
    shelf.add(checked(Unit, inventory="D1", kind="drive unit", disk_class="130-48"))
    shelf.add(checked(Unit, inventory="D2", kind="drive unit", disk_class="130-48"))
    for name in ("D1.0", "D2.0"):
        shelf.add(checked(Mechanism, mechanism=name))
    shelf.add(checked(Disk, inventory="K1", disk_class="130-48", title=HOSTILE, importance="irreplaceable"))
    shelf.add(checked(Disk, inventory="K2", disk_class="", condition="shedding"))
    shelf.add_trials([Trial("T1", "2026-03-01", "read", "", "", "D1.0", "K1", 0, 0, 39, 360, 360)])
    return shelf


def test_what_is_typed_on_the_shelf_is_shown_as_text(tmp_path: Path) -> None:
    visitor = Visitor(_small(tmp_path))
    for page in (visitor.ready("/pairing"), visitor.get("/pairing/budget", disk="K1", reader="D2.0").text):
        assert "<script>alert" not in page
        assert "&lt;script&gt;alert" in page


def test_a_shelf_with_nothing_on_it_says_so(tmp_path: Path) -> None:
    visitor = Visitor(Shelf.open(tmp_path / "empty", create=True))
    page = looked_over(visitor.ready("/pairing"))
    assert "The shelf holds no mechanisms and no disks to pair yet." in page
    assert 'class="fault"' not in page
    assert all(f'href="{way}"' in page for way in ("/unit/new", "/disk/new", "/take-in"))
    exchange = visitor.ready("/pairing?operation=exchange")
    assert "The shelf holds no mechanisms to pair yet." in exchange
    asked = visitor.get("/pairing/budget")
    assert asked.status_code == 200
    assert 'class="fault"' not in asked.text
    assert "The shelf holds no mechanism yet" in asked.text


def test_a_disk_alone_is_told_to_need_a_drive(tmp_path: Path) -> None:
    shelf = Shelf.open(tmp_path / "disk", create=True)
    shelf.add(Disk(inventory="K1"))
    page = looked_over(Visitor(shelf).ready("/pairing"))
    assert "The shelf holds no mechanisms to pair yet." in page
    assert 'href="/disk/new"' not in page


def test_a_change_on_the_shelf_is_seen_at_once(tmp_path: Path) -> None:
    visitor = Visitor(_small(tmp_path))
    asked = {"disk": "K2", "reader": "D1.0"}
    assert "its disk class is not noted" in visitor.get("/pairing/budget", **asked).text
    visitor.shelf.update(Disk, "K2", disk_class="130-48")
    page = visitor.get("/pairing/budget", **asked)
    assert page.status_code == 200
    assert "do not read it as it is" in page.text
    assert "caution" in page.text
    visitor.shelf.undo()
    assert "its disk class is not noted" in visitor.get("/pairing/budget", **asked).text


@pytest.mark.parametrize("operation", ["update", "format", "exchange"])
def test_every_operation_has_its_matrix(visitor: Visitor, operation: str) -> None:
    page = looked_over(visitor.ready("/pairing", operation=operation, disk_class="90"))
    assert f'value="{operation}" selected' in page
    assert f"operation={operation}&amp;" in page


# one pairing


def test_the_risk_to_the_disk_stands_before_the_verdict(visitor: Visitor) -> None:
    page = looked_over(visitor.get("/pairing/budget", disk="K5", reader="D2.0").text)
    assert "Never write on it; do not read it as it is." in page
    assert "ask a conservator" in page
    assert page.index("Risk to the disk") < page.index("Will it do")
    assert "Local codes and licensed practice decide." in page


def test_the_budget_tells_chance_terms_margins_and_assumptions(visitor: Visitor) -> None:
    page = visitor.get("/pairing/budget", disk="K3", reader="D2.0").text
    for words in ("What takes the chance away", "Room for the head along the disk", "Timing margin along the disk",
                  "Where sectors may be lost", "Taken for granted", "as in trial"):  # fmt: skip
        assert words in page
    assert re.search(r"\d+\.\d ± \d+\.\d %", page)
    assert "µm" in page
    assert " um" not in re.sub(r"<[^>]+>", "", page)


def test_a_budget_without_names_is_a_form_and_says_what_is_missing(visitor: Visitor) -> None:
    bare = visitor.get("/pairing/budget")
    assert bare.status_code == 200
    assert "Choose a disk and the mechanism to read it" in looked_over(bare.text)
    sent = visitor.get("/pairing/budget", operation="read")
    assert sent.status_code == 422
    assert "No reader is named." in looked_over(sent.text)
    wrong = visitor.get("/pairing/budget", disk="K99", reader="D1.0")
    assert "There is no disk K99 on the shelf." in wrong.text


@pytest.mark.parametrize(
    ("values", "status", "words"),
    [
        ({"temperature_c": "warm"}, 400, "The temperature is &#39;warm&#39;, which is no number."),
        ({"offset_um": "nan"}, 400, "The offset is &#39;nan&#39;"),
        ({"operation": "burn"}, 400, "&#39;burn&#39; is no operation"),
        ({"speed_pct": "900"}, 400, "beyond any drive"),
        ({"layout": "none"}, 422, "is no layout"),
        ({"host": "H9"}, 422, "There is no host H9"),
    ],
)
def test_a_wrong_address_is_told_in_words(visitor: Visitor, values: dict[str, str], status: int, words: str) -> None:
    page = visitor.get("/pairing/budget", disk="K3", reader="D2.0", **values)
    assert page.status_code == status
    assert words in page.text


def test_the_fragment_is_the_part_of_the_page_that_the_sliders_change(visitor: Visitor) -> None:
    told = visitor.get("/pairing/answer", disk="K3", reader="D2.0")
    assert told.status_code == 200
    assert "<html" not in told.text
    assert told.text.count('<svg class="chart ') == 4
    refused = visitor.get("/pairing/answer", disk="K99", reader="D2.0")
    assert refused.status_code == 422
    assert "\n" not in refused.text


def test_a_head_far_out_of_place_takes_the_chance_away(visitor: Visitor) -> None:
    def chance(**shift: float) -> float:
        told = visitor.get("/pairing/answer", disk="K3", reader="D2.0", **shift).text
        return float(re.search(r"([\d.]+)(?: ± [\d.]+)? %", told)[1])  # type: ignore[index]

    assert chance(offset_um=200) < 0.7 * chance()
    assert chance(speed_pct=5) < chance()
    page = visitor.get("/pairing/budget", disk="K3", reader="D2.0", offset_um=120).text
    assert re.search(r'name="offset_um"[^>]* value="120"', page)


_VALUES = st.sampled_from(
    ["", "K3", "D2.0", "read", "exchange", "1e9", "-", "é\x00", "<b>", "nan", "0", "130-48", "9" * 300]
)


@settings(max_examples=40, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.dictionaries(st.sampled_from(
    ["operation", "writer", "disk", "reader", "host", "layout", "temperature_c", "offset_um", "warmer_c", "bulk_erased"]
), _VALUES))  # fmt: skip
def test_any_address_is_answered_and_never_breaks(visitor: Visitor, values: dict[str, str]) -> None:
    for place in ("/pairing/budget", "/pairing/answer"):
        assert visitor.get(place, **values).status_code in (200, 400, 422)


# the charts


def test_the_bars_of_the_budget_are_as_long_as_what_they_say(visitor: Visitor) -> None:
    stock = stock_of(visitor.shelf)
    budget = answer(
        stock, evidence_of(visitor.shelf, stock), question(disk="K10", reader="D4.0", operation="update")
    ).budget
    made = budget_chart(budget)
    drawn = ElementTree.fromstring(str(made.svg))
    taken = [float(r.attrib["width"][:-1]) / 100 for r in drawn.iter("rect") if r.attrib.get("class") == "taken"]
    assert taken == pytest.approx([t.cost for t in budget.terms if t.cost >= 0.004], abs=1e-4)
    (remains,) = [float(r.attrib["width"][:-1]) / 100 for r in drawn.iter("rect") if r.attrib.get("class") == "remains"]
    assert remains == pytest.approx(budget.chance, abs=1e-4)
    assert [row[0] for row in made.rows] == [*(t.group for t in budget.terms), "what remains"]


def test_margins_are_drawn_with_their_band_and_least_told() -> None:
    cylinders = np.arange(10)
    margin = np.linspace(50, -10, 10)
    flat = np.full(10, 5.0)
    curve = Curve(cylinders, np.zeros(10, np.int64), np.full(10, 0.01), margin, flat, margin / 100, flat / 100)
    (_, position), (_, timing), (_, lost) = margin_charts(curve)
    assert "There is least on cylinder 9: −10 ± 5 µm" in position.summary
    assert "−0.10 ± 0.05" in timing.summary
    assert "1.0" in lost.summary or "1 %" in lost.summary.replace("\u202f", " ")
    for made in (position, timing, lost):
        ElementTree.fromstring(str(made.svg))
        assert len(made.rows) == 10
    nothing = Curve(*(np.zeros(0, np.int64),) * 2, *(np.zeros(0),) * 5)
    assert margin_charts(nothing) == ()


def test_the_stylesheet_takes_every_colour_from_the_palette() -> None:
    css = (WEB / "static" / "pairing.css").read_text(encoding="utf-8")
    assert not re.findall(r"#[0-9a-fA-F]{3,8}\b|\brgba?\(|\bhsla?\(", css.replace("#answer", ""))
    assert set(re.findall(r"var\(--([a-z]+)\)", css)) <= set(TONES)


# the show plan


def test_a_pasted_plan_is_checked_at_an_address_of_its_own(visitor: Visitor) -> None:
    page = visitor.get("/pairing/plan", plan=PLAN, months="6", on="2026-04-01")
    assert page.status_code == 200
    text = looked_over(page.text)
    assert "need attention, as of 2026-04-01" in text
    assert "It would write on K3, which is irreplaceable: use another disk." in text
    assert 'href="/pairing/budget?operation=update&amp;disk=K3&amp;reader=D1.0"' in text


def test_a_file_is_checked_and_gets_an_address(visitor: Visitor) -> None:
    sent = {"file": ("plan.csv", PLAN.encode(), "text/csv")}
    answered = visitor.post("/pairing/plan", {"months": "6", "on": "2026-04-01"}, sent)
    assert answered.status_code == 303
    assert answered.headers["location"] == f"/pairing/plan?{urlencode({'plan': PLAN, 'months': 6, 'on': '2026-04-01'})}"
    many = PLAN + "".join(f"{k},read,D1.0,K1\n" for k in range(3, 400))
    long = visitor.post("/pairing/plan", {"months": "6", "on": ""}, {"file": ("p.csv", many.encode(), "text/csv")})
    assert long.status_code == 200
    assert "of 399 steps need attention" in long.text


@pytest.mark.parametrize(
    ("data", "content", "words"),
    [
        ({"months": "6"}, b"\xff\xfe", "is in UTF-16"),
        ({"months": "6"}, b"a,b\n", "the heading lacks step"),
        ({"months": "x"}, PLAN.encode(), "&#39;x&#39; is no number of months"),
        ({"months": "0000129"}, PLAN.encode(), "&#39;0000129&#39; is no number of months"),
        ({"months": "000012" + "0" * 5000}, PLAN.encode(), "is no number of months"),
        ({"months": "6", "on": "soon"}, PLAN.encode(), "&#39;soon&#39; is no day"),
        ({"months": "6"}, PLAN.replace("K3", "K99").encode(), "row 3: there is no disk K99"),
    ],
)
def test_a_plan_that_is_none_is_told(visitor: Visitor, data: dict[str, str], content: bytes, words: str) -> None:
    answered = visitor.post("/pairing/plan", {"on": "", **data}, {"file": ("p.csv", content, "text/csv")})
    if answered.status_code == 303:
        answered = visitor.get(answered.headers["location"])
    assert answered.status_code == 422
    assert words in looked_over(answered.text)


def test_no_file_and_no_plan_are_no_fault_of_the_program(visitor: Visitor) -> None:
    assert visitor.get("/pairing/plan").status_code == 200
    assert "No file was chosen." in visitor.post("/pairing/plan", {"months": "6"}).text


# in a real browser


@pytest.fixture(scope="module")
def served(tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    """The same in a process of its own."""
    folder = tmp_path_factory.mktemp("served-pairing") / "shelf"
    _museum(folder)
    command = [sys.executable, "-m", "indexhole", "serve", "--shelf", str(folder), "--port", "0"]
    process = subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)
    assert process.stdout is not None
    try:
        found = re.fullmatch(r"The page is at (http://127\.0\.0\.1:\d+)/\n", process.stdout.readline())
        assert found
        yield found[1]
    finally:
        process.send_signal(signal.SIGINT)
        process.communicate(timeout=30)


@pytest.mark.browser
def test_a_slider_answers_by_itself_and_by_keyboard(browser: Any, served: str) -> None:
    page = browser.new_page(viewport={"width": 1280, "height": 900})
    wrong: list[str] = []
    page.on("pageerror", lambda fault: wrong.append(str(fault)))
    page.goto(f"{served}/pairing/budget?disk=K3&reader=D2.0")
    page.wait_for_selector("#answer .verdict", timeout=60_000)
    before = page.inner_text("#answer .verdict")
    slider = page.get_by_label("Reader’s head outward")
    slider.focus()
    for _ in range(6):
        page.keyboard.press("PageUp")
    page.wait_for_function(CHANGED, arg=before, timeout=60_000)
    page.wait_for_selector("#answer:not([aria-busy])", timeout=60_000)
    value = slider.input_value()
    assert float(value) > 0
    assert f"offset_um={value}" in page.url
    assert page.inner_text("output[for=slide-offset_um]") == f"+{value} µm"
    assert page.locator("#helps-old").is_visible()
    moved = page.inner_text("#answer .verdict")
    page.get_by_role("button", name="As it is").click()
    page.wait_for_function(CHANGED, arg=moved, timeout=60_000)
    assert "offset_um" not in page.url
    assert wrong == []
    page.close()


@pytest.mark.browser
def test_without_script_the_sliders_are_a_form(browser: Any, served: str) -> None:
    context = browser.new_context(java_script_enabled=False)
    page = context.new_page()
    page.goto(f"{served}/pairing/budget?disk=K3&reader=D2.0")
    page.wait_for_selector("#answer .verdict", timeout=60_000)
    page.get_by_label("Reader’s head outward").fill("150")
    page.get_by_role("button", name="Calculate").first.click()
    page.wait_for_url(re.compile("offset_um=150"), timeout=60_000)
    assert page.locator("output[for=slide-offset_um]").inner_text() == "+150 µm"
    context.close()


@pytest.mark.browser
@pytest.mark.parametrize("width", [1280, 390])
def test_the_pages_are_sound_to_the_eye(browser: Any, served: str, width: int) -> None:
    from tests.web.test_browser import LOOK_OVER

    page = browser.new_page(viewport={"width": width, "height": 900})
    faults = {}
    for address in (
        "/pairing?disk_class=130-48",
        "/pairing/budget",
        "/pairing/budget?disk=K5&reader=D4.0",
        f"/pairing/plan?plan={quote(PLAN)}&months=6&on=2026-04-01",
    ):
        page.goto(served + address)
        page.wait_for_selector("body:not([data-again])", timeout=60_000)
        page.evaluate("document.querySelectorAll('details').forEach((d) => { d.open = true; })")
        if found := page.evaluate(LOOK_OVER):
            faults[address] = found
    page.close()
    assert faults == {}
