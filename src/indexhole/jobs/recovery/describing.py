"""`recover --describe`: how the tracks of a disk are laid out, as a draft layout file and in a report."""

from __future__ import annotations

from typing import Any

from indexhole.codes.known import CODES
from indexhole.recover.layouts.describe_words import description_words, draft_text
from indexhole.recover.layouts.draft import draft_layout
from indexhole.recover.layouts.layout_text import layout_toml
from indexhole.recover.shapes.description import Zone
from indexhole.recover.shapes.result import Surface


def description_text(surface: Surface) -> str:
    """A layout file in draft: the description as comments, then the layout."""
    seen = surface.description
    if seen is None:
        return "# nothing was recovered\n"
    return draft_text(seen, draft_layout(seen), surface.tracks)


def description_json(surface: Surface) -> dict[str, Any] | None:
    """The description as in the report of `recover --json`, None when there is none."""
    seen = surface.description
    if seen is None:
        return None
    draft = draft_layout(seen)
    return {
        "layout_file": None if draft is None else layout_toml(draft.layout),
        "layout": None if draft is None else draft.layout.id,
        "words": description_words(seen, draft, surface.tracks),
        "guesses": [] if draft is None else list(draft.guesses),
        "speed_rpm": None if seen.speed_rpm is None else round(seen.speed_rpm, 3),
        "holes": seen.holes,
        "cylinders": {str(head): list(own) for head, own in seen.cylinders.items()},
        "odd_tracks": [list(place) for place in seen.odd],
        "zones": [] if draft is None else [_zone_json(z.seen, z.measured_us, z.zone.cell_us) for z in draft.zones],
    }


def _zone_json(zone: Zone, measured_us: float, cell_us: float) -> dict[str, Any]:
    return {
        "first_cylinder": zone.first_cylinder,
        "last_cylinder": zone.last_cylinder,
        "heads": list(zone.heads),
        "tracks": zone.tracks,
        "code": zone.code,
        "cell_us": cell_us,
        "cell_us_measured": round(measured_us, 4),
        "numbers": list(zone.numbers),
        "sector_bytes": zone.size,
        "order": list(zone.order),
        "interleave": zone.interleave,
        "skew_cylinder": zone.skew_cylinder,
        "skew_head": zone.skew_head,
        "index_mark": None if not CODES[zone.code].track.has_index_mark else "gap_1" in zone.gaps,
        "gaps_bytes": {name: round(value, 2) for name, value in zone.gaps.items()},
        "gap_fill": zone.gap_fill,
        "plain_sectors": {f"{byte:02X}": count for byte, count in sorted(zone.plain.items())},
        "cells_a_turn": zone.cells_a_turn,
    }
