"""Every choice among several captures of one worn track, by three roads.

    python -m studies.worn_passes TRUTH CAPTURE...

TRUTH is a JSON file that gives, by capture name, the SHA-256 of each sector, cylinder and head. Counts are printed by
number of captures: sectors right by the best single capture, by any pass whose check passes, and by this recovery.
"""

from __future__ import annotations

import argparse
import hashlib
import json
from collections import defaultdict
from collections.abc import Sequence
from itertools import combinations
from pathlib import Path

from indexhole.jobs.recovery.reading import read_captures
from indexhole.recover.fields.reads import read_stream
from indexhole.recover.surface import recover_surface
from indexhole.signal.captures.capture import Capture
from indexhole.signal.clock.cells import guess_cells
from indexhole.signal.clock.streams import open_stream
from indexhole.signal.dwells.sessions import cut_session
from indexhole.standards.layouts import load_layouts


def passing(capture: Capture) -> dict[int, set[str]]:
    """SHA-256 of what passes its check somewhere in a capture, by sector number."""
    found: dict[int, set[str]] = defaultdict(set)
    for segment in cut_session(capture).segments:
        best = guess_cells(segment.intervals())[0]
        stream = open_stream(segment, best.code, best.cell_ticks, 0.2 / segment.tick_s)
        for read in read_stream(stream, 0).reads:
            if read.passed and read.id is not None:
                found[read.id.number].add(hashlib.sha256(read.data).hexdigest())
    return found


def roads(captures: Sequence[Capture], truth: dict[int, str]) -> tuple[int, int, int, int]:
    """Right sectors by the best capture, by any passing pass, by this recovery, and false claims of the last."""
    alone = [{n for n, seen in passing(c).items() if seen == {truth.get(n)}} for c in captures]
    surface = recover_surface(captures, load_layouts())
    claimed = [
        truth.get(s.id) == s.sha256 for t in surface.tracks for s in t.sectors if str(s.state) in ("sound", "mended")
    ]
    return max(map(len, alone)), len(set().union(*alone)), sum(claimed), len(claimed) - sum(claimed)


def main() -> None:
    """Go through all choices and print."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("truth", type=Path)
    parser.add_argument("captures", type=Path, nargs="+")
    asked = parser.parse_args()
    truth = {int(n): sha for n, sha in json.loads(asked.truth.read_text())[asked.captures[0].name]["sectors"].items()}
    captures = read_captures(asked.captures)
    print("| captures | choices | sectors | best capture | any pass that passes | this recovery | false |")
    print("| --- | --- | --- | --- | --- | --- | --- |")
    for count in range(1, len(captures) + 1):
        found = [roads(chosen, truth) for chosen in combinations(captures, count)]
        best, votes, recovery, false = (sum(column) for column in zip(*found, strict=True))
        sectors = len(truth) * len(found)
        shares = f"{best / sectors:.2f} | {votes / sectors:.2f} | {recovery / sectors:.2f}"
        print(f"| {count} | {len(found)} | {sectors} | {shares} | {false} |")


if __name__ == "__main__":
    main()
