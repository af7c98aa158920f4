"""The pages on layouts and volumes: examples run, tables are fresh, every field is explained."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from indexhole.errors import InputFault
from indexhole.standards.classes import load_classes
from indexhole.standards.layouts import Gaps, Layout, Zone, load_layouts, parse_layout
from indexhole.standards.table import layout_table, with_fresh_table

DOCS = Path(__file__).resolve().parents[2] / "docs"
PAGE = (DOCS / "layouts.md").read_text(encoding="utf-8")


def worked_file() -> str:
    (text,) = re.findall(r"```toml\n(.*?)```", PAGE, re.DOTALL)
    return str(text)


def test_the_table_is_fresh() -> None:
    assert with_fresh_table(PAGE) == PAGE, "run python -m indexhole.standards.table docs/layouts.md"
    assert layout_table().count("\n") == len(load_layouts()) + 1


def test_a_page_without_marks_is_refused() -> None:
    with pytest.raises(ValueError, match="no marks"):
        with_fresh_table("# A page")


def test_the_worked_file_is_what_the_page_says() -> None:
    layout = parse_layout(worked_file(), "quay.toml")
    zone = layout.zones[0]
    assert (layout.bytes_per_revolution(zone), layout.used_bytes(zone)) == (pytest.approx(6250), 5876)
    assert f"so {layout.spare_bytes(zone):.0f} bytes are\nspare" in PAGE
    assert f"in the order {', '.join(map(str, zone.sector_ids))}." in PAGE
    with pytest.raises(InputFault) as caught:
        parse_layout(worked_file().replace("gap_3 = 60", "gap_3 = 140"), "quay.toml")
    assert f"\n    {caught.value.line}\n" in PAGE


def test_gap_3_of_108_does_not_fit_nine_sectors_with_an_index_mark() -> None:
    # arithmetic: 146 + 9 x (574 + 108) is 34 more than 6250
    layout = load_layouts()["130-48-mfm-9x512"]
    wide = layout.gaps.model_copy(update={"gap_3": 108})
    assert layout.model_copy(update={"gaps": wide}).spare_bytes(layout.zones[0]) == pytest.approx(-34)


@pytest.mark.parametrize("name", [*Layout.model_fields, *Zone.model_fields, *Gaps.model_fields, *load_classes()])
def test_every_field_and_class_is_explained(name: str) -> None:
    assert f"`{name}`" in PAGE


def test_the_example_of_the_volumes_page_runs() -> None:
    (example,) = re.findall(r"```python\n(.*?)```", (DOCS / "volumes.md").read_text(encoding="utf-8"), re.DOTALL)
    exec(compile(example, "docs/volumes.md", "exec"), {})
