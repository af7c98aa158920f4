"""Takes the pictures of the local page that README and docs show, from the demonstration shelf.

make pictures        or        python docs/screens.py FOLDER-OF-A-DEMONSTRATION-SHELF
"""

from __future__ import annotations

import io
import re
import shutil
import signal
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from tempfile import TemporaryDirectory

from PIL import Image
from playwright.sync_api import Page, sync_playwright

from indexhole.jobs.demo.run import make_demo_shelf, state_of

PICTURES = Path(__file__).parent / "pictures"
LARGEST = 150_000  # bytes of one picture
LONGEST_MS = 180_000
# name of the picture: address of the page, width and height of what is shown; the causes first, since the shelf
# shows the verdicts they give
SCREENS = {
    "page-causes": ("/causes", 1000, 800),
    "page-shelf": ("/", 1000, 900),
    "page-bench": ("/bench", 1000, 800),
    "page-pairing": ("/pairing", 1000, 900),
}


@contextmanager
def serving(folder: Path) -> Iterator[str]:
    """The address of the page over a shelf, in a process of its own."""
    command = [sys.executable, "-m", "indexhole", "serve", "--shelf", str(folder), "--port", "0"]
    process = subprocess.Popen(command, stdout=subprocess.PIPE, text=True)
    assert process.stdout is not None
    try:
        found = re.search(r"http://\S+(?=/)", process.stdout.readline())
        if found is None:
            raise RuntimeError("the page could not be opened")
        yield found[0]
    finally:
        process.send_signal(signal.SIGINT)
        process.wait()


def take(page: Page, address: str, width: int, height: int) -> bytes:
    """A picture of the top of a page once it is whole: a PNG of few colours."""
    page.set_viewport_size({"width": width, "height": height})
    answer = page.goto(address)
    if answer is None or not answer.ok:
        raise ValueError(f"{address} was not answered well")
    page.wait_for_selector("body:not([data-again]):not(:has([aria-busy=true]))", timeout=LONGEST_MS)
    page.wait_for_load_state("networkidle")
    shot = Image.open(io.BytesIO(page.screenshot())).convert("RGB")
    made = io.BytesIO()
    shot.quantize(colors=48, method=Image.Quantize.MEDIANCUT, dither=Image.Dither.NONE).save(made, "PNG", optimize=True)
    if len(made.getvalue()) > LARGEST:
        raise ValueError(f"the picture of {address} has {len(made.getvalue())} bytes, more than {LARGEST}")
    return made.getvalue()


def main(arguments: list[str]) -> None:
    """Take every picture anew, of the shelf in the folder named or of one made for it."""
    with TemporaryDirectory() as place:
        folder = Path(arguments[0]) if arguments else Path(place) / "demo-shelf"
        if state_of(folder) == "nothing":
            make_demo_shelf(folder)
        with serving(folder) as address, sync_playwright() as driver:
            browser = driver.chromium.launch(executable_path=shutil.which("chromium"), args=["--no-sandbox"])
            page = browser.new_page(color_scheme="light")
            for name, (path, width, height) in SCREENS.items():
                (PICTURES / f"{name}.png").write_bytes(take(page, address + path, width, height))
            browser.close()


if __name__ == "__main__":
    main(sys.argv[1:])
