"""Every choice among the five shared captures of a worn track: no sector fewer than by voting, and none false."""

from __future__ import annotations

import hashlib
import json
from itertools import combinations
from pathlib import Path

import pytest

from indexhole.jobs.recovery.reading import read_captures
from indexhole.recover.fields.reads import read_stream
from indexhole.recover.surface import recover_surface
from indexhole.signal.captures.capture import Capture
from indexhole.signal.clock.cells import guess_cells
from indexhole.signal.clock.streams import open_stream
from indexhole.signal.dwells.sessions import cut_session
from indexhole.standards.layouts import load_layouts

pytestmark = pytest.mark.shared

NAMES = [f"mfm-80c2h-9x512-c12h0-worn-pass{n}.vcd.gz" for n in range(1, 6)]


@pytest.fixture(scope="module")
def captures(shared_folder: Path) -> list[Capture]:
    return list(read_captures([shared_folder / "captures" / name for name in NAMES]))


def passing(capture: Capture) -> dict[int, str]:
    """SHA-256 of each sector whose check passes in the one turn this capture holds."""
    (segment,) = cut_session(capture).segments
    best = guess_cells(segment.intervals())[0]
    stream = open_stream(segment, best.code, best.cell_ticks, 0.2 / segment.tick_s)
    reads = [r for r in read_stream(stream, 0).reads if r.passed and r.id is not None]
    return {r.id.number: hashlib.sha256(r.data).hexdigest() for r in reads if r.id is not None}


def test_joined_passes_never_do_worse_than_votes_and_never_claim_falsely(
    shared_folder: Path, captures: list[Capture]
) -> None:
    told = json.loads((shared_folder / "captures" / "truth.json").read_text())[NAMES[0]]["sectors"]
    truth = {int(number): sha for number, sha in told.items()}
    layouts = load_layouts()
    alone = [passing(c) for c in captures]
    more = 0
    for count in range(1, len(captures) + 1):
        for chosen in combinations(range(len(captures)), count):
            voted = {n for k in chosen for n, sha in alone[k].items() if truth[n] == sha}
            surface = recover_surface([captures[k] for k in chosen], layouts)
            claimed = {s.id: s.sha256 for t in surface.tracks for s in t.sectors if str(s.state) in ("sound", "mended")}
            assert {n: truth[n] for n in claimed} == claimed, chosen
            assert len(claimed) >= len(voted), chosen
            more += len(claimed) - len(voted)
    assert more > 0
