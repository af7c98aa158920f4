"""Draws the pictures of the docs from the demonstration's captures, with the charts of the local page.

make pictures        or        python docs/pictures/draw.py [FOLDER]
"""

from __future__ import annotations

import io
import re
from collections.abc import Sequence
from contextlib import redirect_stdout
from importlib.resources import files
from pathlib import Path
from tempfile import TemporaryDirectory

from indexhole.cli.main import run
from indexhole.jobs.demo.captures import demo_captures
from indexhole.jobs.recovery.recovering import recover_captures
from indexhole.recover.shapes.result import Track
from indexhole.signal.captures.capture import Capture
from indexhole.signal.formats.write_vcd import write_capture
from indexhole.web.drawing.palette import TONES, palette_css
from indexhole.web.pages.recordings.track_view import track_view

WIDTH, LEFT, RIGHT = 880, 60, 20
_TITLE, _STRIP, _GAP, _AXIS = 34, 34, 42, 52


def worn_passes() -> list[Capture]:
    """The five passes over the worn track of the demonstration."""
    return [taken.capture for taken in demo_captures() if taken.about["disk"] == "K13"]


def worn_track() -> Track:
    """That track, its passes put together."""
    return recover_captures(worn_passes(), disk_class="130-96", quality_bins=360).surface.tracks[0]


def example_output(paths: Sequence[Path]) -> str:
    """What the README's example prints, given the captures."""
    printed = io.StringIO()
    with redirect_stdout(printed):
        run(["recover", *map(str, paths), "--layout", "130-96-mfm-9x512"])
    return printed.getvalue()


def with_example(readme: str, output: str) -> str:
    """The README with the output of its example put in."""
    before, command, _, after = re.split(r"(?s)(<!-- example -->\n```\n\$ [^\n]*\n)(.*?)(?=```\n)", readme, maxsplit=1)
    return f"{before}{command}{output}{after}"


def _style() -> str:
    """The page's colours and the rules for its charts; what only concerns their place on the page is left out."""
    sheet = files("indexhole.web").joinpath("static/page.css").read_text(encoding="utf-8")
    rules = re.findall(r"^(?:\.chart[ .\w-]+|\.tone-\w+)[^{]*\{[^}]*\}", sheet, re.MULTILINE)
    text = f"text{{font:13px 'DejaVu Sans',Verdana,sans-serif;fill:{TONES['ink']}}}"
    return f"{palette_css()}\n{text}\n" + "\n".join(rule for rule in rules if "margin" not in rule)


def _patterns() -> str:
    base = files("indexhole.web").joinpath("drawing/templates/base.html").read_text(encoding="utf-8")
    return "\n".join(re.findall(r"<pattern .*?</pattern>", base))


def _placed(chart: str, y: int) -> str:
    """A chart of the page at a place of the picture."""
    return chart.replace("<svg ", f'<svg x="{LEFT}" y="{y}" width="{WIDTH - LEFT - RIGHT}" overflow="visible" ', 1)


def track_picture(track: Track) -> str:
    """The sectors of a track at their angle, and below them how well each turn was read, as an SVG document."""
    view = track_view(track, None)
    if view.strip is None or view.quality is None:
        raise ValueError("the track was not read well enough to draw it")
    tall = re.search(r'height="(\d+)"', str(view.quality.svg))
    assert tall is not None
    height = _TITLE + _STRIP + _GAP + int(tall[1]) + _AXIS
    return "\n".join(
        [
            f'<svg xmlns="http://www.w3.org/2000/svg" width="{WIDTH}" height="{height}" '
            f'viewBox="0 0 {WIDTH} {height}" role="img">',
            f"<title>{view.title}: {view.quality.summary}</title>",
            f"<style>{_style()}</style>",
            f"<defs>{_patterns()}</defs>",
            f'<rect width="100%" height="100%" fill="{TONES["paper"]}"/>',
            f'<text x="{LEFT}" y="21">{view.title}: {dict(view.facts)["Sectors"]}</text>',
            _placed(str(view.strip), _TITLE),
            _placed(str(view.quality.svg), _TITLE + _STRIP + _GAP),
            "</svg>\n",
        ]
    )


def main() -> None:
    """Write pictures and example."""
    docs = Path(__file__).parent
    (docs / "pictures" / "worn-track.svg").write_text(track_picture(worn_track()), encoding="utf-8")
    readme = docs.parent / "README.md"
    with TemporaryDirectory() as place:
        paths = [Path(place) / f"{capture.name}.vcd.gz" for capture in worn_passes()]
        for path, capture in zip(paths, worn_passes(), strict=True):
            write_capture(path, capture)
        output = example_output(paths)
    readme.write_text(with_example(readme.read_text(encoding="utf-8"), output), encoding="utf-8")


if __name__ == "__main__":
    main()
