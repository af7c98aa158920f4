"""How `make docs` turns the Markdown pages into a site that works without a network."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

INDEX = "docs/index"

project = "Indexhole"
extensions = ["myst_parser"]
root_doc = INDEX
# the folder of the project is the source, so that links between README, docs and benchmarks stay as they are
include_patterns = ["README.md", "CHANGELOG.md", "CONTRIBUTING.md", "benchmarks/README.md", "docs/**.md"]
exclude_patterns = [".*", "build", "demo-shelf", "fuzz", "src", "studies", "tests"]
myst_heading_anchors = 4
# the tables of the studies are reached from the index by links within a line
suppress_warnings = ["toc.not_included"]

html_theme = "furo"
html_title = "Indexhole"
html_copy_source = False
html_show_copyright = False
html_show_sphinx = False
html_theme_options = {"footer_icons": []}
pygments_style = "friendly"


def with_contents(index: str) -> str:
    """The index page with a hidden table of contents made from its headings and the links below each.

    Sphinx wants such a table to draw the menu; readers of the plain page do not.
    """
    menus = []
    for section in re.split(r"^## ", index, flags=re.MULTILINE)[1:]:
        title, _, body = section.partition("\n")
        links = re.findall(r"^(?:\||-) \[[^\]]*\]\(([^)#]+)\.md\)", body, re.MULTILINE)
        names = [name[3:] if name.startswith("../") else f"docs/{name}" for name in links]
        if names:
            entries = "\n".join(f"/{name}" for name in names)
            menus.append(f"```{{toctree}}\n:hidden:\n:caption: {title.strip()}\n\n{entries}\n```\n")
    return index + "\n" + "\n".join(menus)


def _read(app: Any, name: str, source: list[str]) -> None:
    if name == INDEX:
        source[0] = with_contents(source[0])


def _first_page(app: Any, fault: Exception | None) -> None:
    """Lead whoever opens the folder to the index, which lies one folder down."""
    if fault is None:
        page = f'<!doctype html><meta charset="utf-8"><meta http-equiv="refresh" content="0; url={INDEX}.html">'
        page += f'<title>Indexhole</title><a href="{INDEX}.html">Indexhole</a>\n'
        Path(app.outdir, "index.html").write_text(page, encoding="utf-8")


def setup(app: Any) -> None:
    """Called by Sphinx."""
    app.connect("source-read", _read)
    app.connect("build-finished", _first_page)
