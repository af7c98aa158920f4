"""How verbs show who wrote a disk."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING

from indexhole.cli.present import emit_table, say

if TYPE_CHECKING:
    from indexhole.recover.writers.writers import Writers

_COLUMNS = (
    "cylinder", "head", "sector", "writer", "speed %", "std uncertainty %", "from turn", "to turn",
    "phase at start, cells", "at end, cells", "disturbed, cells",
)  # fmt: skip
_MOST_ROWS = 60


def tell_writers(lines: Sequence[str], writers: Writers) -> None:
    """Print the sentences, and the stretches laid over the format as a table."""
    from indexhole.jobs.typography import plain

    say("Who wrote it")
    for line in lines:
        say(f"  {plain(line)}")
    rows = [
        [
            *track.place,
            r.sector,
            writers.rewrite_by[*track.place, r.sector],
            f"{100 * math.expm1(r.ratio.log):+.3f}",
            f"{100 * r.ratio.u:.3f}",
            *(_shown(v, 4) for v in (r.start.turn, r.end.turn)),
            *(_shown(v, 2) for v in (r.start.phase, r.end.phase, r.start.disturbed)),
        ]
        for track in writers.tracks
        for r in track.rewrites
    ]
    if rows:
        more = f", {_MOST_ROWS} of {len(rows)}" if len(rows) > _MOST_ROWS else ""
        emit_table(f"Stretches laid over the format (speed against the formatter){more}", _COLUMNS, rows[:_MOST_ROWS])


def _shown(value: float, digits: int) -> str | None:
    return f"{value:.{digits}f}" if math.isfinite(value) else None
