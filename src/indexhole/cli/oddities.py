"""The table of odd tracks that `recover` shows."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING

from indexhole.cli.present import emit_table

if TYPE_CHECKING:
    from indexhole.recover.shapes.result import Oddity, Track

_COLUMNS = ("cylinders", "head", "kind", "sector", "place on the turn", "what was found")


def tell_oddities(tracks: Sequence[Track]) -> None:
    """Print what is odd on the tracks, what is said alike of several in one row; nothing when nothing is odd."""
    from indexhole.recover.layouts.draft import ranges

    rows: dict[tuple[int, str, int | None, str, str], list[int]] = {}
    for track in tracks:
        for oddity in track.oddities:
            row = (track.head, oddity.kind, oddity.sector, _place(oddity), oddity.words)
            rows.setdefault(row, []).append(track.cylinder)
    if rows:
        emit_table("Odd tracks", _COLUMNS, [[ranges(cylinders), *row] for row, cylinders in rows.items()])


def _place(oddity: Oddity) -> str:
    if math.isnan(oddity.start):
        return "-"
    return f"{oddity.start:.3f}" + ("" if math.isnan(oddity.end) else f" to {oddity.end:.3f}")
