"""Every page against the rules of axe-core (WCAG 2.2 A and AA), light and dark, wide and narrow."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import axe_playwright_python
import pytest
from tests.support.browsing import NARROW, WIDE, Served, pages_of

pytestmark = pytest.mark.browser

AXE = Path(axe_playwright_python.__file__).with_name("axe.min.js").read_text(encoding="utf-8")
TAGS = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]
# what another theme can change
COLOURS = ["color-contrast", "link-in-text-block"]
# one node a violation, as a sentence
RUN = """async ([tags, rules]) => {
  const only = rules.length ? { type: "rule", values: rules } : { type: "tag", values: tags };
  const found = await axe.run(document, { runOnly: only, resultTypes: ["violations"] });
  const said = (n) => `${n.target.join(" ")} (${(n.any[0] || n.all[0] || n.none[0] || {}).message || ""})`;
  return [found.passes.length, found.violations.flatMap((v) => v.nodes.map((n) => `${v.id}: ${said(n)}`))];
}"""


@pytest.fixture(scope="module")
def axe_tab(browser: Any) -> Any:
    """A tab that may run a script of the test beside the page's own, which the page itself forbids."""
    context = browser.new_context(bypass_csp=True)
    page = context.new_page()
    yield page
    context.close()


def broken(axe_tab: Any) -> dict[str, list[str]]:
    """What the page in the tab breaks, by width and theme."""
    axe_tab.wait_for_selector("body:not([data-again])", timeout=60_000)
    axe_tab.evaluate("document.querySelectorAll('details').forEach((d) => { d.open = true; })")
    axe_tab.evaluate("document.querySelectorAll('#unfold').forEach((box) => { box.checked = true; })")
    axe_tab.evaluate(AXE)
    faults: dict[str, list[str]] = {}
    for width, theme, rules in (
        (WIDE, "light", []),
        (WIDE, "dark", COLOURS),
        (NARROW, "dark", COLOURS),
        (NARROW, "light", []),
    ):
        axe_tab.set_viewport_size({"width": width, "height": 900})
        axe_tab.emulate_media(color_scheme=theme)
        passed, found = axe_tab.evaluate(RUN, [TAGS, rules])
        assert passed > (0 if rules else 10), axe_tab.url
        if found:
            faults[f"{axe_tab.url} {width} {theme}"] = found
    return faults


def test_no_page_breaks_a_rule_of_accessibility(axe_tab: Any, served: Served) -> None:
    faults: dict[str, list[str]] = {}
    for address in pages_of(served):
        axe_tab.goto(served.address + address)
        faults |= broken(axe_tab)
    assert faults == {}


def test_no_page_a_sheet_leads_through_breaks_a_rule(axe_tab: Any, served: Served) -> None:
    faults: dict[str, list[str]] = {}
    for rows in ("inventory,kind,title\nX1,toaster,a\nL1,,b\n", "inventory,kind,title\nX1,lead,a\nL1,lead,b\n"):
        axe_tab.goto(f"{served.address}/import?kind=unit")
        sheet = {"name": "units.csv", "mimeType": "text/csv", "buffer": rows.encode()}
        axe_tab.set_input_files("#field-file", sheet)
        axe_tab.get_by_role("button", name="Show what would change").click()
        faults |= broken(axe_tab)
    axe_tab.get_by_role("button", name="Put it in").click()
    faults |= broken(axe_tab)
    axe_tab.get_by_role("button", name="Take back").click()
    assert faults == {}
    assert axe_tab.locator(".told").inner_text().startswith("Taken back: import 2 units")


def test_the_rules_are_really_run(axe_tab: Any, served: Served) -> None:
    axe_tab.goto(f"{served.address}/unit/new")
    axe_tab.evaluate("document.querySelectorAll('label').forEach((l) => l.remove())")
    axe_tab.evaluate(AXE)
    _, found = axe_tab.evaluate(RUN, [TAGS, []])
    assert any(fault.startswith(("label:", "select-name:")) for fault in found)
