"""A layout as the text of a layout file, which standards.layouts.parse_layout reads back as the same layout."""

from __future__ import annotations

import json

from indexhole.standards.layouts import Gaps, Layout, Zone

_LAYOUT_FIELDS = (
    "id", "title", "disk_class", "speed_rpm", "cylinders", "heads", "track_number_base",
    "second_side_track_offset", "weight", "source", "mark", "note",
)  # fmt: skip
_ZONE_FIELDS = (
    "first_cylinder", "last_cylinder", "heads", "code", "cell_us", "sectors", "sector_bytes", "first_sector",
    "interleave",
)  # fmt: skip
# Left out where they say no more than what goes without saying.
_USUAL = {"track_number_base": 0, "second_side_track_offset": 0, "weight": 1.0, "note": ""}


def printable(text: str) -> str:
    """The text without what must not stand in a TOML file: control characters and halves of characters."""
    return "".join(c if c.isprintable() else "?" for c in text)


def layout_toml(layout: Layout) -> str:
    """The text of a layout file."""
    lines = [f"{name} = {_value(getattr(layout, name))}" for name in _LAYOUT_FIELDS if _worth(layout, name)]
    lines += ["", "[gaps]", *_gap_lines(layout.gaps)]
    for zone in layout.zones:
        lines += ["", "[[zones]]"]
        lines += [f"{name} = {_value(getattr(zone, name))}" for name in _ZONE_FIELDS if _worth(zone, name)]
        if zone.gaps is not None:
            lines.append("gaps = { " + ", ".join(_gap_lines(zone.gaps)) + " }")
    return "\n".join(lines) + "\n"


def _worth(item: Layout | Zone, name: str) -> bool:
    return name not in _USUAL or getattr(item, name) != _USUAL[name]


def _gap_lines(gaps: Gaps) -> list[str]:
    return [f"{name} = {_value(getattr(gaps, name))}" for name in Gaps.model_fields]


def _value(value: object) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, float) and value.is_integer():
        return f"{value:.1f}"
    if isinstance(value, (int, float)):
        return repr(value)
    if isinstance(value, tuple):
        return "[" + ", ".join(_value(v) for v in value) + "]"
    return json.dumps(printable(str(value)), ensure_ascii=False)
