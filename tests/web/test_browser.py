"""The page in a real browser: by keyboard alone, narrow and wide, with and without script, and nothing from outside."""

from __future__ import annotations

import os
import re
import socket
import subprocess
import sys
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest
from tests.support.browsing import NARROW, WIDE, Served, pages_of, serving

from indexhole.shelf.register.shelf import Shelf

pytestmark = pytest.mark.browser

LONGEST_MS = 60_000

# what an eye would see of a page: faults as sentences
LOOK_OVER = """() => {
  const faults = [];
  const shown = (e) => e.checkVisibility({ visibilityProperty: true }) && e.getClientRects().length > 0;
  const every = (what) => [...document.querySelectorAll(what)].filter(shown);
  const say = (e) => `${e.tagName.toLowerCase()} "${(e.textContent || e.name || "").trim().slice(0, 40)}"`;
  if (document.documentElement.scrollWidth > innerWidth) faults.push("the page scrolls sideways");
  if (every("h1").length !== 1) faults.push("not one h1");
  for (const landmark of ["header", "nav", "main", "footer"]) {
    if (every(landmark).length === 0) faults.push(`no ${landmark}`);
  }
  for (const e of every("input:not([type=hidden]), select, textarea, progress")) {
    if (e.labels.length === 0 && !e.getAttribute("aria-label")) faults.push(`no label: ${e.name}`);
  }
  for (const e of every("a[href], button, summary")) {
    if (!e.textContent.trim() && !e.getAttribute("aria-label")) faults.push(`no words: ${e.outerHTML.slice(0, 80)}`);
  }
  // targets of at least 24 px unless they stand in a sentence (WCAG 2.2, 2.5.8)
  for (const e of every("button, .button, input:not([type=hidden]), select, textarea, nav a")) {
    const box = e.getBoundingClientRect();
    if (box.height < 24 || box.width < 24) faults.push(`too small to hit: ${say(e)}`);
  }
  const channels = (colour) => (colour.match(/[0-9.]+/g) || []).map(Number);
  const light = ([r, g, b]) => [r, g, b].map((v) => v / 255)
    .map((v) => (v <= 0.04045 ? v / 12.92 : ((v + 0.055) / 1.055) ** 2.4))
    .reduce((sum, v, k) => sum + v * [0.2126, 0.7152, 0.0722][k], 0);
  const ground = (e) => {
    for (; e; e = e.parentElement) {
      const found = channels(getComputedStyle(e).backgroundColor);
      if (found.length === 3 || found[3] === 1) return found;
    }
    return [255, 255, 255];
  };
  const walker = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
  while (walker.nextNode()) {
    const e = walker.currentNode.parentElement;
    if (!walker.currentNode.data.trim() || e.closest("svg") || !shown(e)) continue;
    const [one, other] = [light(channels(getComputedStyle(e).color)), light(ground(e))].sort((a, b) => b - a);
    if ((one + 0.05) / (other + 0.05) < 4.5) faults.push(`too faint: ${say(e)}`);
  }
  // text in a chart must not run into its neighbour on the same axis, nor out of the page
  for (const chart of every("svg.chart")) {
    const words = [...chart.querySelectorAll("text")].map((t) => ({ t, box: t.getBoundingClientRect() }));
    for (const { t, box } of words) {
      if (box.left < 0 || box.right > innerWidth) faults.push(`out of the page: ${t.textContent}`);
    }
    for (let k = 0; k < words.length; k++) {
      for (let j = k + 1; j < words.length; j++) {
        const [a, b] = [words[k].box, words[j].box];
        const over = Math.min(a.right, b.right) - Math.max(a.left, b.left);
        const high = Math.min(a.bottom, b.bottom) - Math.max(a.top, b.top);
        if (over > 1 && high > 3) faults.push(`text over text: ${words[k].t.textContent} / ${words[j].t.textContent}`);
      }
    }
  }
  return faults;
}"""


@dataclass
class Watched:
    """A tab of the browser, and what went wrong in it or went out of it."""

    page: Any
    address: str
    wrong: list[str] = field(default_factory=list)
    outside: list[str] = field(default_factory=list)

    def go(self, path: str) -> None:
        """Open a page and wait until it shows what it is about."""
        self.page.goto(self.address + path)
        self.settle()

    def settle(self) -> None:
        """Wait until the page waits for nothing."""
        self.page.wait_for_selector("body:not([data-again])", timeout=LONGEST_MS)

    def tab_to(self, right: Callable[[dict[str, str]], bool]) -> dict[str, str]:
        """Press Tab until what has the focus is right, seeing each time that the focus shows."""
        for _ in range(200):
            self.page.keyboard.press("Tab")
            found: dict[str, str] = self.page.evaluate(
                """() => {
                  const e = document.activeElement, style = getComputedStyle(e), box = e.getBoundingClientRect();
                  return {tag: e.tagName.toLowerCase(), text: (e.textContent || "").trim(), name: e.name || "",
                          type: e.type || "", outline: style.outlineStyle, width: style.outlineWidth,
                          left: String(box.left)};
                }"""
            )
            if found["tag"] == "body":
                continue
            assert found["outline"] != "none", found
            assert float(found["width"].removesuffix("px")) >= 2, found
            assert float(found["left"]) >= -1, found
            if right(found):
                return found
        raise AssertionError("the keyboard does not get there")

    def follow(self, text: str) -> None:
        """Follow the link or press the button of that text, by keyboard."""
        self.tab_to(lambda e: e["tag"] in ("a", "button") and e["text"] == text)
        with self.page.expect_navigation():
            self.page.keyboard.press("Enter")
        self.settle()

    def heading(self) -> str:
        """The page's h1."""
        return str(self.page.inner_text("h1"))


@pytest.fixture(params=[WIDE, NARROW])
def tab(request: pytest.FixtureRequest, browser: Any, served: Served) -> Iterator[Watched]:
    """A tab, wide and narrow; at its end nothing may have gone wrong in it or out of it."""
    page = browser.new_page(viewport={"width": request.param, "height": 900})
    watched = Watched(page, served.address)
    page.on("console", lambda m: watched.wrong.append(m.text) if m.type in ("error", "warning") else None)
    page.on("pageerror", lambda e: watched.wrong.append(str(e)))
    page.on("request", lambda r: None if r.url.startswith(served.address) else watched.outside.append(r.url))
    yield watched
    page.close()
    assert watched.wrong == []
    assert watched.outside == []


def test_the_keyboard_alone_gets_through_the_book(tab: Watched) -> None:
    tab.go("/")
    first = tab.tab_to(lambda e: True)
    assert first["text"] == "Skip to the page’s content"
    tab.page.keyboard.press("Enter")
    assert tab.page.evaluate("document.activeElement.id") == "main"
    tab.follow("D1")
    assert tab.heading() == "D1 Twin unit of the tide office"
    assert "about 1987" in tab.page.inner_text("main")
    tab.follow("worn.vcd")
    assert tab.heading() == "worn.vcd"
    tab.tab_to(lambda e: e["tag"] == "summary")
    tab.page.keyboard.press("Enter")
    assert tab.page.locator("details[open] table").count() == 1
    tab.go("/")
    tab.follow("Fault-finding")
    assert tab.heading() == "Fault-finding"
    tab.follow("The trial sheet")
    assert tab.heading() == "Trial sheet"
    region = tab.tab_to(lambda e: e["tag"] == "div")
    assert "T11" in region["text"]


def test_two_recordings_are_ticked_and_read_together_by_keyboard(tab: Watched) -> None:
    tab.go("/recordings")
    for _ in range(2):
        tab.tab_to(lambda e: e["type"] == "checkbox")
        tab.page.keyboard.press("Space")
    tab.follow("Read the ticked ones together")
    assert tab.heading() == "2 recordings together"


def test_a_unit_is_written_down_and_taken_back_by_keyboard(tab: Watched) -> None:
    tab.go("/unit/new")
    tab.tab_to(lambda e: e["name"] == "inventory")
    tab.page.keyboard.type("D77")
    tab.tab_to(lambda e: e["name"] == "kind")
    tab.page.keyboard.type("lead")
    tab.follow("Keep")
    assert tab.heading() == "D77"
    assert "is kept" in tab.page.inner_text("[role=status]")
    tab.go("/")
    tab.follow("Take back")
    assert "Taken back" in tab.page.inner_text("[role=status]")
    assert tab.page.get_by_text("D77", exact=True).count() == 0


def test_every_page_is_sound_to_the_eye(tab: Watched, served: Served) -> None:
    faults = {}
    for address in pages_of(served):
        tab.go(address)
        tab.page.evaluate("document.querySelectorAll('details').forEach((d) => { d.open = true; })")
        if found := tab.page.evaluate(LOOK_OVER):
            faults[address] = found
    tab.wrong[:] = [text for text in tab.wrong if "404" not in text]
    assert faults == {}


def test_the_map_is_drawn_light_where_well_read_and_dark_where_lost(tab: Watched, served: Served) -> None:
    from indexhole.shelf.records.records import CaptureRecord

    worn = next(c.sha256[:16] for c in served.shelf.all(CaptureRecord) if c.name == "worn.vcd")
    tab.go(f"/recordings/read?capture={worn}")
    fills = tab.page.evaluate(
        "() => Object.fromEntries([...document.querySelectorAll('.chart-map path')]"
        ".map((p) => [p.getAttribute('class'), getComputedStyle(p).fill]))"
    )
    light = {kind: sum(int(part) for part in re.findall(r"\d+", fill)) for kind, fill in fills.items()}
    assert light["q7"] == min(light.values())
    in_order = [light[kind] for kind in sorted(light)]
    assert in_order == sorted(in_order, reverse=True)


def test_charts_come_closer_by_link_by_drawing_and_back(tab: Watched, served: Served) -> None:
    from indexhole.shelf.records.records import CaptureRecord

    worn = next(c.sha256[:16] for c in served.shelf.all(CaptureRecord) if c.name == "worn.vcd")
    tab.go(f"/recordings/read?capture={worn}")
    page = tab.page
    figure = page.locator("figure[data-figure='Speed over a turn']")
    whole = figure.locator(".tick-word").all_text_contents()
    page.evaluate("document.body.dataset.same = 'page'")
    figure.get_by_role("link", name="Closer").click()
    page.wait_for_url("**turn=0.25-0.75**")
    assert figure.locator(".tick-word").all_text_contents() != whole
    assert page.evaluate("document.body.dataset.same") == "page", "with script only the charts are changed"
    assert page.evaluate("document.activeElement.textContent") == "Closer"
    box = figure.locator("svg.chart").bounding_box()
    page.mouse.move(box["x"] + box["width"] * 0.5, box["y"] + 40)
    page.mouse.down()
    page.mouse.move(box["x"] + box["width"] * 0.75, box["y"] + 40)
    page.mouse.up()
    page.wait_for_url(re.compile("turn=0.5[0-9]*-0.62"))
    page.go_back()
    page.wait_for_url("**turn=0.25-0.75**")
    figure.get_by_role("link", name="Whole").click()
    page.wait_for_url(re.compile("capture=[0-9a-f]+$"))
    assert figure.locator(".tick-word").all_text_contents() == whole


def test_a_file_over_the_limit_is_refused_before_it_is_sent(tab: Watched, files: Path) -> None:
    tab.go("/recordings")
    tab.page.evaluate("document.getElementById('field-file').dataset.largest = '1000'")
    tab.page.set_input_files("#field-file", files / "another.vcd")
    assert "larger than" in tab.page.inner_text("#field-file-fault")
    assert tab.page.evaluate("document.getElementById('field-file').validity.valid") is False


def test_everything_works_without_script(browser: Any, served: Served, files: Path) -> None:
    context = browser.new_context(java_script_enabled=False, viewport={"width": NARROW, "height": 900})
    page = context.new_page()
    page.goto(f"{served.address}/recordings")
    page.set_input_files("#field-file", files / "another.vcd")
    page.get_by_role("button", name="Add the recording").click()
    # the page looks again by itself, for as long as the signal is being read
    page.get_by_role("heading", name="another.vcd", exact=True).wait_for(timeout=LONGEST_MS)
    assert page.locator("svg.chart-map").count() == 1
    page.get_by_role("link", name="Fault-finding").first.click()
    page.get_by_role("heading", name="What is at fault").wait_for(timeout=LONGEST_MS)
    context.close()


def test_reduced_motion_and_print_leave_the_page_whole(browser: Any, served: Served) -> None:
    context = browser.new_context(reduced_motion="reduce", viewport={"width": WIDE, "height": 900})
    page = context.new_page()
    page.goto(f"{served.address}/unit?no=D1")
    assert page.evaluate("document.getAnimations().length") == 0
    page.emulate_media(media="print")
    assert not page.get_by_role("navigation").first.is_visible()
    assert page.get_by_role("heading", name="D1 Twin unit of the tide office").is_visible()
    assert page.get_by_text("Local codes and licensed practice decide.").is_visible()
    page.goto(f"{served.address}/recordings")
    assert page.get_by_text("sound.vcd").is_visible()
    assert page.locator("input:visible, button:visible, select:visible, textarea:visible").count() == 0
    context.close()


# the verb itself


def _serve(*options: str, **environment: str) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, "-m", "indexhole", "serve", *options]
    kept = {name: value for name, value in os.environ.items() if not name.startswith("INDEXHOLE_")}
    return subprocess.run(command, check=False, capture_output=True, text=True, timeout=60, env={**kept, **environment})


def test_a_port_in_use_ends_in_one_line_and_two(served: Served, tmp_path: Path) -> None:
    port = served.address.rpartition(":")[2]
    ended = _serve("--shelf", str(tmp_path / "s"), "--port", port)
    assert ended.returncode == 2
    assert ended.stdout == ""
    assert ended.stderr == f"indexhole: 127.0.0.1 port {port}: the port is in use; choose another with --port\n"
    assert not (tmp_path / "s").exists()


@pytest.mark.parametrize("password", ["", "short"])
def test_beyond_this_machine_it_wants_a_password_and_leaves_nothing(tmp_path: Path, password: str) -> None:
    ended = _serve("--shelf", str(tmp_path / "s"), "--host", "0.0.0.0", INDEXHOLE_PASSWORD=password)
    assert ended.returncode == 2
    assert len(ended.stderr.splitlines()) == 1
    assert "needs a password" in ended.stderr
    assert not (tmp_path / "s").exists()


def test_a_password_file_that_holds_none_is_told(tmp_path: Path) -> None:
    (tmp_path / "empty").write_text("")
    for name in ("empty", "absent"):
        ended = _serve("--shelf", str(tmp_path / "s"), "--password-file", str(tmp_path / name))
        assert ended.returncode == 2
        assert "holds no password" in ended.stderr


def test_it_ends_quietly_while_something_is_still_being_sent(tmp_path: Path) -> None:
    Shelf.open(tmp_path / "shelf", create=True).close()
    with serving(tmp_path / "shelf", tmp_path / "cache") as address:
        host = address.removeprefix("http://")
        name, _, port = host.rpartition(":")
        head = (
            f"POST /causes/trials HTTP/1.1\r\nHost: {host}\r\nOrigin: {address}\r\nExpect: 100-continue\r\n"
            "Content-Type: multipart/form-data; boundary=b\r\nContent-Length: 1000\r\n\r\n"
        )
        halfway = socket.create_connection((name, int(port)), timeout=60)
        halfway.sendall(head.encode())
        # told to go on: the page now waits for the rest, which never comes
        assert halfway.recv(4096).startswith(b"HTTP/1.1 100 ")
    halfway.close()
