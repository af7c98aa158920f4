"""The table of the layout library in docs/layouts.md, made from the library itself.

Run `python -m indexhole.standards.table docs/layouts.md` after a layout was added or changed.
"""

from __future__ import annotations

import sys
from pathlib import Path

from indexhole.standards.layouts import Layout, load_layouts

BEGIN = "<!-- the library, made by indexhole.standards.table -->"
END = "<!-- end of the library -->"


def _row(layout: Layout) -> str:
    each = [f"{z.recording.short_title} {z.sectors} x {z.sector_bytes}, {z.cell_us:.4g} us" for z in layout.zones]
    zones = "; ".join(dict.fromkeys(each))
    spare = min(layout.spare_bytes(zone) / layout.bytes_per_revolution(zone) for zone in layout.zones)
    return (
        f"| `{layout.id}` | {layout.disk_class} | {layout.speed_rpm:g} | {layout.cylinders} x {layout.heads} | {zones} "
        f"| {layout.capacity_bytes:,} | {spare:.1%} | {layout.mark} | {layout.source} |"
    )


def layout_table() -> str:
    """The library as a table, one layout a row."""
    names = (
        "id",
        "class",
        "r/min",
        "cylinders x sides",
        "zones: code, sectors x bytes, cell",
        "bytes",
        "spare",
        "mark",
        "source",
    )
    head = f"| {' | '.join(names)} |"
    rule = "| --- | --- | ---: | --- | --- | ---: | ---: | --- | --- |"
    return "\n".join([head, rule, *map(_row, load_layouts().values())])


def with_fresh_table(text: str) -> str:
    """A page with the table between its two marks made anew. Raises ValueError when it has no marks."""
    before, begin, rest = text.partition(BEGIN)
    _, end, after = rest.partition(END)
    if not begin or not end:
        raise ValueError("the page has no marks for the table")
    return f"{before}{BEGIN}\n\n{layout_table()}\n\n{END}{after}"


if __name__ == "__main__":
    page = Path(sys.argv[1])
    page.write_text(with_fresh_table(page.read_text(encoding="utf-8")), encoding="utf-8")
