"""What README and docs say is so: verbs, links, commands, the example and its picture."""

from __future__ import annotations

import importlib.util
import re
import shlex
import subprocess
import sys
from pathlib import Path
from types import ModuleType

import pytest

from indexhole.cli.main import VERBS, run
from indexhole.jobs.demo.shelf import build_demo_shelf
from indexhole.shelf.care.captures import store_capture
from indexhole.signal.formats.readers import read_capture
from indexhole.signal.formats.write_vcd import write_capture

ROOT = Path(__file__).parents[2]
README = (ROOT / "README.md").read_text(encoding="utf-8")
EVENING = (ROOT / "docs" / "first-evening.md").read_text(encoding="utf-8")
PAGES = [
    ROOT / "README.md",
    ROOT / "CHANGELOG.md",
    ROOT / "CONTRIBUTING.md",
    ROOT / "benchmarks" / "README.md",
    *sorted((ROOT / "docs").glob("*.md")),
]


@pytest.fixture(scope="module")
def draw() -> ModuleType:
    """The script that makes pictures and example."""
    spec = importlib.util.spec_from_file_location("draw", ROOT / "docs" / "draw.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def test_the_readme_lists_every_verb():
    table = re.findall(r"^\| `(\w+)` \|", README, re.MULTILINE)
    assert table == list(VERBS)


def test_every_page_is_in_the_index():
    linked = set(re.findall(r"\]\((\w[\w-]*\.md)\)", (ROOT / "docs" / "index.md").read_text(encoding="utf-8")))
    assert linked == {page.name for page in (ROOT / "docs").glob("*.md")} - {"index.md"}


@pytest.mark.parametrize("page", PAGES, ids=lambda page: page.relative_to(ROOT).as_posix())
def test_links_lead_somewhere(page: Path):
    for target in re.findall(r"\]\(([^)#\s]+)", page.read_text(encoding="utf-8")):
        if "://" not in target:
            assert (page.parent / target).exists(), target


def evening_commands() -> list[list[str]]:
    """The commands of the first evening, `serve` left out: it would not end."""
    lines = re.findall(r"^    (indexhole .*)$", EVENING, re.MULTILINE)
    return [words[1:] for line in lines if (words := shlex.split(line))[1] != "serve"]


def test_the_first_evening_works(draw, tmp_path, monkeypatch, capsys):
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("INDEXHOLE_SHELF", str(tmp_path / "shelf"))
    demo = build_demo_shelf(Path("demo-shelf"))
    passes = list(draw.worn_passes())
    for capture in passes:
        path = Path(f"{capture.name}.vcd.gz")
        write_capture(path, capture)
        store_capture(demo, path, read_capture(path), disk="K13", mechanism="D4.0")
    write_capture(Path("one.vcd"), passes[0])
    ran = []
    for words in evening_commands():
        given = [str(path) for word in words for path in (sorted(Path().glob(word)) if "*" in word else [word])]
        # a worn track: 1 says that not all of it is sound
        assert run(given) in ((0, 1) if words[0] == "recover" else (0,)), given
        ran.append(" ".join(words[:2] if words[0] == "shelf" else words[:1]))
        assert capsys.readouterr().out
    assert {"shelf show", "shelf add", "shelf export", "shelf import", "shelf backup", "shelf restore"} <= set(ran)
    assert {"recover", "gauge", "causes"} <= set(ran)
    assert Path("what-was-on-it", "report.json").is_file()


def steady(text: str) -> str:
    """Without what another processor may compute a little otherwise."""
    return re.sub(r"\d+ bits differ", "N bits differ", text)


def test_the_example_prints_what_is_shown(draw, tmp_path):
    paths = [tmp_path / f"{capture.name}.vcd.gz" for capture in draw.worn_passes()]
    for path, capture in zip(paths, draw.worn_passes(), strict=True):
        write_capture(path, capture)
    assert steady(draw.with_example(README, draw.example_output(paths))) == steady(README)
    command = re.search(r"^\$ indexhole (.*)$", README, re.MULTILINE)
    assert command is not None
    assert command[1] == "recover demo-shelf/captures/originals/*k13* --layout 130-96-mfm-9x512"


def test_the_picture_is_the_one_the_page_draws(draw):
    def told(svg: str) -> list[str]:
        return re.findall(r">([^<>]*\w[^<>]*)</(?:text|title)>|class=\"(sector|q\d)\"", svg)

    kept = (ROOT / "docs" / "pictures" / "worn-track.svg").read_text(encoding="utf-8")
    made = draw.track_picture(draw.worn_track())
    assert told(made) == told(kept)
    assert len(made) == pytest.approx(len(kept), rel=0.05)


def test_the_pages_make_a_site_that_needs_no_network(tmp_path):
    site = tmp_path / "site"
    command = [
        sys.executable,
        "-m",
        "sphinx",
        "-q",
        "-W",
        "--keep-going",
        "-c",
        "docs/site",
        "-d",
        str(tmp_path / "trees"),
    ]
    done = subprocess.run([*command, ".", str(site)], cwd=ROOT, capture_output=True, text=True, check=False)
    assert (done.returncode, done.stderr) == (0, "")
    for page in PAGES:
        assert (site / page.relative_to(ROOT).with_suffix(".html")).is_file(), page
    for page in site.rglob("*.html"):
        loaded = re.findall(
            r"<(?:script|link|img)[^>]*(?:src|href)=\"(https?:[^\"]*)", page.read_text(encoding="utf-8")
        )
        assert not loaded, page
    assert "worn" in (site / "searchindex.js").read_text(encoding="utf-8")
