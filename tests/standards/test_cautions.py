"""Cautions: every kind of thing that can hurt has its own, each with a source, and faults in the file are told."""

from __future__ import annotations

import pytest

from indexhole.errors import InputFault
from indexhole.standards.cautions import cautions_for, load_cautions, parse_cautions

ROW = """[[caution]]
id = "mains"
at = "Opening it"
what = "Unplug it."
kinds = ["host"]
"""


def test_each_kind_of_thing_has_its_own() -> None:
    by_kind = {kind: {c.id for c in cautions_for(kind)} for kind in ("drive unit", "host", "adapter", "disk", "lead")}
    assert {"mains", "mains-filter", "lifting", "moving-parts", "solvent"} <= by_kind["drive unit"]
    assert by_kind["host"] == {"mains", "mains-filter", "static"}
    assert by_kind["adapter"] == {"static"}
    assert by_kind["disk"] == {"mould", "magnets"}
    assert by_kind["lead"] == set()
    assert set().union(*by_kind.values()) == set(load_cautions())


def test_one_without_a_source_is_refused() -> None:
    with pytest.raises(InputFault, match=r"mine\.toml: .*source"):
        parse_cautions(ROW, "mine.toml")
    assert parse_cautions(ROW + 'source = "a safety sheet"\n', "mine.toml")["mains"].kinds == ("host",)
