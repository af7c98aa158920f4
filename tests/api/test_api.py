"""The Python face: the examples of its page run, it loads nothing early, and it says what the jobs say."""

from __future__ import annotations

import re
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

from indexhole import api
from indexhole.jobs.demo.shelf import demo_trials
from indexhole.jobs.recovery.recovering import recover_captures
from indexhole.model.simulator.simulate import Reader, format_track, read_track
from indexhole.signal.formats.write_vcd import vcd_bytes
from indexhole.signal.simulated import capture_of
from indexhole.standards.layouts import load_layouts

PAGE = Path(__file__).parents[2] / "docs" / "api.md"
LAYOUT = load_layouts()["130-48-mfm-9x512"]


@pytest.fixture
def bench(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A folder to work in, with the capture of a sound track and a trial sheet."""
    rng = np.random.default_rng(3)
    data = {number: rng.bytes(512) for number in range(1, 10)}
    pulses = read_track(format_track(LAYOUT, 12, 0, data, rng), rng, Reader(), revolutions=3)
    (tmp_path / "track.vcd").write_bytes(vcd_bytes(capture_of(pulses, "track")))
    api.write_trials(demo_trials(operations=8), tmp_path / "trials.csv")
    monkeypatch.chdir(tmp_path)
    return tmp_path


def test_the_examples_of_the_page_run_in_order(bench: Path, capsys: pytest.CaptureFixture[str]) -> None:
    examples = re.findall(r"^```python\n(.*?)^```", PAGE.read_text(encoding="utf-8"), re.MULTILINE | re.DOTALL)
    assert len(examples) > 5
    names: dict[str, object] = {}
    for number, example in enumerate(examples):
        exec(compile(example, f"{PAGE.name}, example {number + 1}", "exec"), names)
    said = capsys.readouterr().out
    assert said.startswith("track.vcd True 0.6\n")
    assert "'sound': 9, 'mended': 0, 'suspect': 0, 'lost': 0" in said
    assert "['Twin unit from the attic']" in said
    assert "False" not in said
    assert said.splitlines()[-1].startswith("no-such-file.vcd: ")
    assert (bench / "what-was-on-it" / "report.json").is_file()


def test_it_says_what_the_jobs_say(bench: Path) -> None:
    capture = api.open_capture(bench / "track.vcd")
    by_jobs = recover_captures([capture], LAYOUT.id)
    by_api = api.recover(bench / "track.vcd", LAYOUT.id)
    assert [s.sha256 for t in by_api.surface.tracks for s in t.sectors] == [
        s.sha256 for t in by_jobs.surface.tracks for s in t.sectors
    ]


def test_importing_it_loads_nothing_that_takes_long() -> None:
    heavy = "numpy numba scipy pydantic sqlalchemy pyarrow typer rich fastapi"
    code = f"import sys, indexhole.api; print([name for name in {heavy.split()} if name in sys.modules])"
    done = subprocess.run([sys.executable, "-c", code], check=True, capture_output=True, text=True)
    assert done.stdout == "[]\n"


@pytest.mark.parametrize("name", api.__all__)
def test_every_name_it_lists_is_there_and_explained(name: str) -> None:
    assert getattr(api, name).__doc__


def test_a_name_it_does_not_have_is_refused() -> None:
    with pytest.raises(AttributeError, match="no_such"):
        api.no_such  # noqa: B018


def test_a_field_that_does_not_fit_is_named() -> None:
    with pytest.raises(api.InputFault) as fault:
        api.entry(api.Disk, inventory="K1", sides=7)
    assert "sides" in fault.value.line
