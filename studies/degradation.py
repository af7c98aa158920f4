"""How much of a worn disk comes back, by three roads: the best single pass, any pass whose check passes, this recovery.

    python -m studies.degradation --state FILE [--out docs/studies]

Whole tracks are written and read by the simulator, the three roads see the same passes. Every point is drawn from
its own name, so a run that was cut off goes on where its state file ends. Then the tables and charts are made.
"""

from __future__ import annotations

import argparse
import json
import zlib
from collections import defaultdict
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from indexhole.model.simulator.simulate import Reader, WeakStretch, format_track, read_track
from indexhole.model.suited import sound_mechanism
from indexhole.recover.fields.reads import read_stream
from indexhole.recover.surface import recover_surface
from indexhole.signal.captures.capture import Capture
from indexhole.signal.clock.streams import open_stream
from indexhole.signal.dwells.sessions import cut_session
from indexhole.signal.simulated import capture_of
from indexhole.standards.layouts import Layout, load_layouts
from studies import charts

LAYOUTS = {"mfm": "90-mfm-9x512", "fm": "130-fm-16x128", "group45": "zoned-35-1s"}
CYLINDER = 10
NOISE = (0.04, 0.08, 0.12, 0.16, 0.18, 0.20, 0.22, 0.23, 0.24, 0.25, 0.26, 0.28, 0.30, 0.32)
DROPOUTS = (0, 6, 12, 24, 40, 60, 90, 130)
PASSES = (1, 2, 3, 4, 5, 6, 8)
USUAL_PASSES = 5
# The level at which the number of passes is varied: where any pass that passes gives about half, by code.
WORN: dict[str, dict[str, float]] = {
    "noise": {"mfm": 0.24, "fm": 0.28, "group45": 0.24},
    "dropouts": {"mfm": 24, "fm": 40, "group45": 40},
}
_TRACKS = 6
# Dropouts are this long, in revolutions.
_SHORTEST, _LONGEST = 0.0001, 0.0008


@dataclass(frozen=True)
class Point:
    """One track under one kind of trouble."""

    code: str
    kind: str
    level: float
    passes: int
    track: int

    @property
    def name(self) -> str:
        """What it is kept under, and drawn from."""
        return f"{self.code} {self.kind} {self.level:g} passes {self.passes} track {self.track}"


def points() -> Iterator[Point]:
    """Every point of the study."""
    for track in range(_TRACKS):
        for code in LAYOUTS:
            for kind, levels in (("noise", NOISE), ("dropouts", DROPOUTS)):
                for level in levels:
                    yield Point(code, kind, level, USUAL_PASSES, track)
                for count in PASSES:
                    if count != USUAL_PASSES or WORN[kind][code] not in levels:
                        yield Point(code, kind, WORN[kind][code], count, track)


def dirt(count: int, rng: np.random.Generator) -> tuple[WeakStretch, ...]:
    """Dropouts at drawn places, of drawn lengths."""
    starts, lengths = rng.uniform(0, 1, count), rng.uniform(_SHORTEST, _LONGEST, count)
    return tuple(WeakStretch(float(s), float(n)) for s, n in zip(starts, lengths, strict=True))


def passing(capture: Capture, layout: Layout, data: dict[int, bytes]) -> dict[int, bool]:
    """Sectors whose check passes somewhere in a pass, and whether the bytes are right."""
    found: dict[int, bool] = {}
    zone = layout.zone(CYLINDER, 0)
    assert zone is not None
    for segment in cut_session(capture).segments:
        stream = open_stream(segment, zone.code, zone.cell_s / segment.tick_s, 60 / layout.speed_rpm / segment.tick_s)
        for read in read_stream(stream, 0).reads:
            if read.passed and read.id is not None and read.id.number in data:
                found[read.id.number] = read.data == data[read.id.number]
    return found


def measure(point: Point, layouts: dict[str, Layout]) -> dict[str, int]:
    """Right and false sectors by each of the three roads."""
    layout = layouts[LAYOUTS[point.code]]
    zone = layout.zone(CYLINDER, 0)
    assert zone is not None
    rng = np.random.default_rng(zlib.crc32(point.name.encode()))
    data = {number: rng.bytes(zone.sector_bytes) for number in zone.sector_ids}
    track = format_track(layout, CYLINDER, 0, data, rng)
    captures = []
    for k in range(point.passes):
        mechanism = sound_mechanism(layout)
        weak: tuple[WeakStretch, ...] = ()
        if point.kind == "noise":
            mechanism = replace(mechanism, noise=point.level)
        else:
            weak = dirt(int(point.level), rng)
        simulated = read_track(track, rng, Reader(mechanism, weak=weak), revolutions=1, lead=0.12)
        captures.append(replace(capture_of(simulated, f"pass-{k}"), sha256=f"pass-{k}"))
    alone = [passing(capture, layout, data) for capture in captures]
    votes: dict[int, bool] = {}
    for one in alone:
        for number, right in one.items():
            votes[number] = votes.get(number, True) and right
    surface = recover_surface(captures, layouts, layout.id)
    claimed = [
        s.data == data.get(s.id) for t in surface.tracks for s in t.sectors if str(s.state) in ("sound", "mended")
    ]
    return {
        "sectors": len(data),
        "best": max(sum(one.values()) for one in alone),
        "voting": sum(votes.values()),
        "recovery": sum(claimed),
        "voting_false": len(votes) - sum(votes.values()),
        "recovery_false": len(claimed) - sum(claimed),
    }


def rows(measured: dict[str, dict[str, int]]) -> list[dict[str, object]]:
    """One row a level: shares by road, over all tracks measured so far."""
    sums: dict[tuple[str, str, float, int], dict[str, int]] = defaultdict(lambda: defaultdict(int))
    for point in points():
        for key, value in measured.get(point.name, {}).items():
            sums[point.code, point.kind, point.level, point.passes][key] += value
    found: list[dict[str, object]] = []
    for (code, kind, level, passes), total in sums.items():
        shares = {road: total[road] / total["sectors"] for road in ("best", "voting", "recovery")}
        false = {"voting_false": total["voting_false"], "recovery_false": total["recovery_false"]}
        found.append(
            {"code": code, "kind": kind, "level": level, "passes": passes, "sectors": total["sectors"]} | shares | false
        )
    return found


def table(found: Sequence[dict[str, object]]) -> str:
    """Markdown, one line a level."""
    lines = [
        "| code | spoiled by | level | passes | sectors | best pass | any pass that passes | this recovery | false |",
        "| --- | --- | --- | --- | --- | --- | --- | --- | --- |",
    ]
    order = {code: k for k, code in enumerate(LAYOUTS)}
    for row in sorted(
        found, key=lambda r: (order[str(r["code"])], str(r["kind"]), r["passes"] != USUAL_PASSES, *_at(r))
    ):
        lines.append(
            f"| {charts.CODE_NAMES[str(row['code'])]} | {row['kind']} | {row['level']:g} | {row['passes']} | "
            f"{row['sectors']} | {row['best']:.2f} | {row['voting']:.2f} | {row['recovery']:.2f} | "
            f"{row['voting_false']} / {row['recovery_false']} |"
        )
    return "\n".join(lines) + "\n"


def _at(row: dict[str, object]) -> tuple[float, int]:
    level, passes = row["level"], row["passes"]
    assert isinstance(level, float | int) and isinstance(passes, int)
    return float(level), passes


def main() -> None:
    """Measure what is not measured yet, then print the table and draw."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--state", type=Path, required=True, help="file to go on from and to keep the points in")
    parser.add_argument("--out", type=Path, help="folder for the table and the charts")
    parser.add_argument("--tracks", type=int, default=_TRACKS)
    asked = parser.parse_args()
    measured: dict[str, dict[str, int]] = {}
    if asked.state.is_file():
        measured = json.loads(asked.state.read_text())
    layouts = load_layouts()
    for point in points():
        if point.name in measured or point.track >= asked.tracks:
            continue
        measured[point.name] = measure(point, layouts)
        fresh = asked.state.with_suffix(".new")
        fresh.write_text(json.dumps(measured, indent=0, sort_keys=True))
        fresh.replace(asked.state)
    found = rows(measured)
    print(table(found), end="")
    if asked.out is not None:
        asked.out.mkdir(parents=True, exist_ok=True)
        (asked.out / "degradation-table.md").write_text(table(found))
        for kind in ("noise", "dropouts"):
            usual = [r for r in found if r["kind"] == kind and r["passes"] == USUAL_PASSES]
            charts.draw(usual, "level", charts.AXES[kind], asked.out / f"degradation-{kind}.svg")
        by_passes = [r for r in found if r["level"] == WORN[str(r["kind"])][str(r["code"])]]
        for kind in ("noise", "dropouts"):
            chosen = [r for r in by_passes if r["kind"] == kind]
            charts.draw(chosen, "passes", "passes", asked.out / f"degradation-passes-{kind}.svg")


if __name__ == "__main__":
    main()
