"""How often the likeliest field is wrong, against how often it says so itself.

    python -m studies.calibration [--tracks 150] [--out docs/studies]

Whole tracks of three passes from the simulator, spoiled by noise, by dropouts, and by both. The prediction is one
minus the probability recovery gives its likeliest field; no check is asked.
"""

from __future__ import annotations

import argparse
import math
import zlib
from collections import defaultdict
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from pathlib import Path

import numpy as np

from indexhole.codes.known import CODES
from indexhole.model.simulator.simulate import Reader, format_track, read_track
from indexhole.model.suited import sound_mechanism
from indexhole.recover.fields.likelihood import bytes_of, joint_symbols
from indexhole.recover.fields.reads import SectorRead, read_stream
from indexhole.signal.clock.streams import open_stream
from indexhole.signal.dwells.sessions import cut_session
from indexhole.signal.simulated import capture_of
from indexhole.standards.layouts import Layout, load_layouts
from studies.charts import CODE_NAMES
from studies.degradation import CYLINDER, LAYOUTS, dirt

KINDS = ("noise", "dropouts", "both")
# Noise over signal, so that predictions of all sizes come about.
NOISE = {"mfm": (0.14, 0.32), "fm": (0.22, 0.40), "group45": (0.16, 0.30)}
BINS = (1e-4, 1e-3, 1e-2, 0.03, 0.1, 0.3, 0.6, 1.0)
PASSES = 3


@dataclass(frozen=True)
class Row:
    """Predictions between two bounds: how many, their mean, and the share that was wrong."""

    code: str
    kind: str
    low: float
    high: float
    count: int
    predicted: float
    observed: float
    error: float


def reader(code: str, kind: str, layout: Layout, rng: np.random.Generator) -> Reader:
    """Trouble of one kind, its strength drawn."""
    low, high = NOISE[code]
    noise = (
        rng.uniform(low, high) if kind == "noise" else rng.uniform(low, 0.5 * (low + high)) if kind == "both" else 0.04
    )
    count = 0 if kind == "noise" else int(rng.uniform(10, 200))
    return Reader(replace(sound_mechanism(layout), noise=float(noise)), weak=dirt(count, rng))


def sectors(code: str, kind: str, layout: Layout, rng: np.random.Generator) -> Iterator[tuple[bytes, list[SectorRead]]]:
    """What was written in each sector of one track, mark left out, and its reads behind a legible id."""
    zone = layout.zone(CYLINDER, 0)
    assert zone is not None
    data = {number: rng.bytes(zone.sector_bytes) for number in zone.sector_ids}
    track = format_track(layout, CYLINDER, 0, data, rng)
    spoiled = reader(code, kind, layout, rng)
    found: dict[int, list[SectorRead]] = defaultdict(list)
    for k in range(PASSES):
        # Dirt lies elsewhere in every pass.
        moved = Reader(spoiled.mechanism, weak=dirt(len(spoiled.weak), rng))
        capture = capture_of(read_track(track, rng, moved, revolutions=1, lead=0.12), f"pass-{k}")
        for segment in cut_session(capture).segments:
            cell = zone.cell_s / segment.tick_s
            stream = open_stream(segment, code, cell, 60 / layout.speed_rpm / segment.tick_s)
            once: dict[int, SectorRead] = {}
            for read in read_stream(stream, k).reads:
                if read.id is not None and not read.cut and len(read.data) == zone.sector_bytes:
                    once.setdefault(read.id.number, read)
            for number, read in once.items():
                found[number].append(read)
    for number, reads in found.items():
        if number in data and len(reads) == PASSES:
            yield data[number], reads


def measure(code: str, kind: str, tracks: int, layout: Layout) -> list[Row]:
    """The table's rows of one code and kind of trouble."""
    rng = np.random.default_rng(zlib.crc32(f"calibration {code} {kind}".encode()))
    predicted, wrong = [], []
    for _ in range(tracks):
        for data, reads in sectors(code, kind, layout, rng):
            trusted = sorted(reads, key=lambda r: (not r.passed, r.faults, r.worst))
            stretches = [s for r in trusted if (s := r.stretch()) is not None]
            symbols = joint_symbols(stretches, CODES[code].decoded_cells(len(data)))
            predicted.append(-math.expm1(float(symbols.log_right.sum())))
            # The mark byte of FM is not among the symbols.
            field = (reads[0].field[:1] if code == "fm" else b"") + bytes_of(symbols.best, CODES[code])
            wrong.append(field[1 : 1 + len(data)] != data or not CODES[code].check.whole(field))
    return binned(code, kind, np.array(predicted), np.array(wrong))


def binned(code: str, kind: str, predicted: np.ndarray, wrong: np.ndarray) -> list[Row]:
    """Rows by size of the prediction."""
    rows = []
    for low, high in pairwise(BINS):
        inside = (predicted >= low) & (predicted < high)
        count = int(inside.sum())
        if count < 50:
            continue
        share = float(wrong[inside].mean())
        # Half a case is added, so that none seen does not claim to be exact.
        error = math.sqrt((share * count + 0.5) * (1 - share) + 0.25) / count
        rows.append(Row(code, kind, low, high, count, float(predicted[inside].mean()), share, error))
    return rows


def table(rows: Sequence[Row]) -> str:
    """Markdown."""
    lines = [
        "| code | spoiled by | predicted | sectors | mean prediction | wrong | +/- |",
        "| --- | --- | --- | --- | --- | --- | --- |",
    ]
    for r in rows:
        lines.append(
            f"| {CODE_NAMES[r.code]} | {r.kind} | {r.low:g} to {r.high:g} | {r.count} | {r.predicted:.4f} | "
            f"{r.observed:.4f} | {r.error:.4f} |"
        )
    return "\n".join(lines) + "\n"


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--tracks", type=int, default=150)
    parser.add_argument("--out", type=Path)
    asked = parser.parse_args()
    layouts = load_layouts()
    rows = [
        row for code in LAYOUTS for kind in KINDS for row in measure(code, kind, asked.tracks, layouts[LAYOUTS[code]])
    ]
    print(table(rows), end="")
    if asked.out is not None:
        (asked.out / "calibration-table.md").write_text(table(rows))


if __name__ == "__main__":
    main()
