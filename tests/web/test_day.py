"""A keeper's whole day in a real browser: a drive taken in, recorded, tried, read, found at fault, and printed."""

from __future__ import annotations

import io
import os
import re
from pathlib import Path
from typing import Any

import pytest
from PIL import Image
from tests.support.browsing import Served

from indexhole.shelf.records.records import Unit

pytestmark = pytest.mark.browser
LONGEST_MS = 60_000


def photograph(path: Path) -> Path:
    """A picture as a phone takes it, with a remark in it that must not be kept."""
    picture = Image.new("RGB", (1600, 1200), (96, 88, 74))
    picture.paste(Image.new("RGB", (900, 500), (38, 40, 44)), (350, 350))
    exif = Image.Exif()
    exif[0x010E] = "at the keeper's house"
    held = io.BytesIO()
    picture.save(held, "JPEG", exif=exif)
    path.write_bytes(held.getvalue())
    return path


def settle(page: Any) -> None:
    page.wait_for_selector("body:not([data-again])", timeout=LONGEST_MS)
    page.wait_for_load_state("load")


def told(page: Any) -> str:
    return str(page.inner_text("[role=status]"))


def fill(page: Any, **fields: str) -> None:
    for name, value in fields.items():
        place = page.locator(f"#field-{name}")
        if place.evaluate("(e) => e.tagName") == "SELECT":
            place.select_option(value)
        else:
            place.fill(value)


def keep(page: Any) -> None:
    page.get_by_role("button", name="Keep", exact=True).click()


def test_a_keepers_day(browser: Any, served: Served, files: Path, tmp_path: Path) -> None:
    context = browser.new_context(viewport={"width": 390, "height": 844}, has_touch=True)
    page = context.new_page()
    wrong: list[str] = []
    page.on("console", lambda m: wrong.append(m.text) if m.type in ("error", "warning") else None)
    page.on("pageerror", lambda e: wrong.append(str(e)))

    # a drive is taken in with one line of text
    page.goto(f"{served.address}/bench")
    page.get_by_role("link", name="Take something in").click()
    page.fill(
        "#line", "D40: dual 130 mm 48 tpi drive, 34 way bus, given by a pilot office 1998, two filter caps bulging"
    )
    page.get_by_role("button", name="Show the draft").click()
    assert "two filter caps bulging" in page.inner_text("main")
    page.get_by_role("button", name="Take it in").click()
    assert "D40 is taken in" in told(page)
    assert page.locator("h1").inner_text().startswith("D40")
    assert "D40.1" in page.inner_text("main")

    # recorded with a photo and chips
    page.get_by_role("link", name="Add photos").click()
    page.set_input_files("#field-file", photograph(tmp_path / "front.jpg"))
    fill(page, caption="Front with both doors open")
    keep(page)
    assert "1 photo kept" in told(page)
    shown = page.get_by_role("img", name="Front with both doors open")
    shown.scroll_into_view_if_needed()
    page.wait_for_function("() => [...document.images].every((i) => i.complete && i.naturalWidth > 0)")
    page.get_by_role("link", name="Add a board or chip").click()
    fill(page, name="processor", board="main board", date_code="8332")
    keep(page)
    page.get_by_role("link", name="Add a board or chip").click()
    fill(page, name="motor driver", date_code="8425")
    keep(page)
    assert "Made no earlier than" in page.inner_text("main")
    assert "week 25 of 1984" in page.inner_text("main")

    # what is known of it only by hearsay, and what nobody knows
    page.get_by_role("link", name="Change", exact=True).first.click()
    page.locator("#how-state").wait_for(state="hidden")
    page.locator("#unfold").focus()
    page.keyboard.press("Space")
    assert not page.locator("#source-state").is_visible()
    page.select_option("#how-acquired", "as told")
    page.fill("#source-acquired", "the pilot")
    page.select_option("#how-maker", "not known")
    keep(page)
    assert "(as told by the pilot)" in page.inner_text("main")
    assert "not known" in page.inner_text("main")
    page.get_by_role("link", name="Change", exact=True).first.click()
    assert page.locator("#source-acquired").is_visible()
    page.locator("#how-state").wait_for(state="hidden")
    keep(page)

    # a disk to try it with
    page.goto(f"{served.address}/take-in")
    page.fill("#line", "K40: 130-48 disk, label: tide tables, scratch")
    page.get_by_role("button", name="Show the draft").click()
    page.get_by_role("button", name="Take it in").click()

    # trials are logged at the bench: the set-up stays, only the outcome is pressed
    page.get_by_role("link", name="Bench").first.click()
    fill(page, operation="write", mechanism="D40.0", disk="K40", side="0", first_cylinder="0", last_cylinder="39")
    fill(page, sectors_tried="360", host="H1", lead="L1", by="Ada")
    page.get_by_role("button", name="All were read").click()
    assert "0 of 360 failed" in told(page)
    for mechanism, outcome in (("D40.1", "None was read"), ("D1.0", "All were read"), ("D2.0", "All were read")):
        fill(page, operation="read", mechanism=mechanism)
        page.get_by_role("button", name=outcome).click()
    fill(page, mechanism="D40.1", disk="K1", sectors_failed="341")
    page.get_by_role("button", name="Keep with this count").click()
    assert "341 of 360 failed" in told(page)
    assert "Ada, 20" in page.inner_text("table.sheet")
    # one too many is taken back
    page.get_by_role("button", name="All were read").click()
    page.get_by_role("button", name="Take back").click()
    assert "Taken back" in told(page)
    assert [t.disk for t in served.shelf.trials()][-1] == "K1"

    # a capture is imported, and what was on the disk is seen
    page.get_by_role("link", name="Recordings").first.click()
    page.set_input_files("#field-file", files / "day.vcd")
    fill(page, disk="K40", mechanism="D40.0")
    page.get_by_role("button", name="Add the recording").click()
    settle(page)
    assert "9 sound" in page.inner_text("main")
    assert page.locator("svg.chart-map").count() == 1

    # the fault is seen
    page.get_by_role("link", name="Fault-finding").first.click()
    settle(page)
    first = page.locator("ol.causes > li").first.inner_text()
    assert "D40.1" in first

    # the pairing is asked for a safe reader
    page.get_by_role("link", name="Pairing").first.click()
    settle(page)
    row = page.locator("table tr").filter(has=page.get_by_role("link", name="K40", exact=True)).first
    table = row.locator("xpath=ancestor::table")
    readers = [text for text in table.locator("th").all_inner_texts() if re.fullmatch(r"D\d+\.\d", text.strip())]
    cells = dict(zip(readers, row.locator("td").all(), strict=False))
    assert "works" in cells["D1.0"].inner_text()
    assert "fails" in cells["D40.1"].inner_text()
    cells["D1.0"].get_by_role("link").first.click()
    settle(page)
    assert "K40" in page.inner_text("h1")
    assert "works" in page.locator("#answer").inner_text()

    # leads written down elsewhere come in as a sheet: looked at first, then put in as one change
    page.get_by_role("link", name="Shelf").first.click()
    page.get_by_role("link", name="Spreadsheets").click()
    for weight in ("heavy", "0.3"):
        sheet = f"inventory,kind,title,weight_kg\nL1,lead,Lead of the loft,\nL41,lead,Grey ribbon,{weight}\n"
        upload = {"name": "leads.csv", "mimeType": "text/csv", "buffer": sheet.encode()}
        page.set_input_files("#field-file", upload)
        fill(page, kind="unit")
        page.get_by_role("button", name="Show what would change").click()
        settle(page)
        assert served.shelf.find(Unit, "L41") is None
        if weight == "heavy":
            assert "D3" in page.inner_text("table")
            page.get_by_role("link", name="Choose it again").click()
    assert "Lead of the loft" in page.inner_text("table")
    fill(page, by="Ada")
    page.get_by_role("button", name="Put it in").click()
    settle(page)
    assert "1 unit added, 1 changed" in page.inner_text("main")
    assert served.shelf.get(Unit, "L41").weight_kg == 0.3

    # the unit's page is printed
    page.goto(f"{served.address}/unit?no=D40")
    settle(page)
    page.emulate_media(media="print")
    for words in ("Front with both doors open", "Made no earlier than", "None was read", "motor driver"):
        seen = (
            page.get_by_text(words)
            if words != "None was read"
            else page.get_by_role("heading", name=re.compile("^D40"))
        )
        assert seen.first.is_visible(), words
    assert page.locator("button:visible, .button:visible, input:visible").count() == 0
    assert len(page.pdf(format="A4")) > 10_000
    page.emulate_media(media="screen")
    page.get_by_role("link", name="Label", exact=True).click()
    assert page.get_by_role("img", name=re.compile("opens http.*unit.no=D40")).is_visible()
    assert wrong == []
    context.close()


def test_two_keepers_change_one_entry_and_nothing_is_lost(browser: Any, served: Served) -> None:
    one, other = (browser.new_context() for _ in range(2))
    first, second = one.new_page(), other.new_page()
    for page in (first, second):
        page.goto(f"{served.address}/unit/edit?no=L1")
    fill(first, title="Grey ribbon", state="one wire broken", by="Ada")
    keep(first)
    fill(second, title="Ribbon of the loft", location="drawer 4")
    keep(second)
    assert second.locator("#theirs").is_visible()
    changed = second.inner_text("section:has(#theirs)")
    assert "Grey ribbon" in changed
    assert "Ada" in changed
    # what only the other changed is in the form already, what both changed is still as typed here
    assert second.input_value("#field-state") == "one wire broken"
    assert second.input_value("#field-title") == "Ribbon of the loft"
    assert second.input_value("#field-location") == "drawer 4"
    keep(second)
    kept = served.shelf.get(Unit, "L1")
    assert (kept.title, kept.state, kept.location) == ("Ribbon of the loft", "one wire broken", "drawer 4")
    one.close()
    other.close()


# where INDEXHOLE_PICTURES names a folder, pages are photographed there for a pair of eyes
@pytest.mark.pictures
def test_pages_are_photographed(browser: Any, served: Served) -> None:
    from tests.support.browsing import pages_of

    folder = Path(os.environ["INDEXHOLE_PICTURES"])
    folder.mkdir(parents=True, exist_ok=True)
    for theme in ("light", "dark"):
        for width in (1280, 390):
            page = browser.new_page(viewport={"width": width, "height": 900}, color_scheme=theme)
            for k, address in enumerate(pages_of(served)):
                page.goto(served.address + address)
                settle(page)
                page.screenshot(path=folder / f"{k:02d}-{width}-{theme}.png", full_page=True)
            page.close()
