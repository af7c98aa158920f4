"""Cautions that stand beside work that can hurt someone, as data with sources."""

from __future__ import annotations

from functools import cache
from importlib.resources import files

from pydantic import Field

from indexhole.standards.figures import Strict
from indexhole.standards.rows import parse_rows

DEFERS = "Local codes and licensed practice decide."


class Caution(Strict):
    """What to mind, at which work, beside which kinds of thing (kinds of units, and `disk`), and who says so."""

    id: str = Field(pattern=r"^[a-z0-9][a-z0-9-]{1,40}$")
    at: str = Field(min_length=3)
    what: str = Field(min_length=3)
    kinds: tuple[str, ...] = Field(min_length=1)
    source: str = Field(min_length=3)


def parse_cautions(text: str, where: str) -> dict[str, Caution]:
    """Read a file of cautions from TOML text. Raises InputFault that names the place and the fault."""
    return parse_rows(text, "caution", Caution, where)


@cache
def _library() -> dict[str, Caution]:
    entry = files("indexhole.standards") / "cautions.toml"
    return parse_cautions(entry.read_text(encoding="utf-8"), entry.name)


def load_cautions() -> dict[str, Caution]:
    """All cautions by id."""
    return dict(_library())


def cautions_for(kind: str) -> tuple[Caution, ...]:
    """Cautions for work on a kind of unit, or on a `disk`; none for a plain lead."""
    return tuple(caution for caution in _library().values() if kind in caution.kinds)
