"""What a recovery holds beside the image: sectors the image has no room for, and data fields without a name."""

from __future__ import annotations

import math
from collections.abc import Iterator
from pathlib import Path

from indexhole.recover.shapes.result import Surface


def outside_image(surface: Surface) -> Iterator[tuple[str, bytes]]:
    """File names and bytes, track by track; a place on the turn tells those of one number apart."""
    taken: set[str] = set()
    for track in surface.tracks:
        found = [(f"sector-{s.id:03d}", s.angle, s.data) for s in track.sectors if not s.in_image and s.data]
        found += [("nameless", o.start, o.data) for o in track.oddities if o.data]
        for what, angle, data in found:
            where = "unknown" if math.isnan(angle) else f"{angle % 1.0:.3f}"
            stem = f"cylinder-{track.cylinder:03d}-head-{track.head}-{what}-at-{where}"
            name = next(n for k in range(len(taken) + 1) if (n := stem + (f"-{k + 1}" if k else "")) not in taken)
            taken.add(name)
            yield f"{name}.bin", data


def save_outside_image(surface: Surface, folder: Path) -> None:
    """Write them into a new folder; nothing when there are none."""
    for name, data in outside_image(surface):
        folder.mkdir(exist_ok=True)
        (folder / name).write_bytes(data)
