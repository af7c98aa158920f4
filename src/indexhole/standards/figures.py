"""A figure as the library keeps it: value, bounds, source and how sure we are of it."""

from __future__ import annotations

from typing import Literal

from pydantic import BaseModel, ConfigDict, Field, ValidationError

Mark = Literal["SEEN", "DERIVED", "CHECKED", "MEMORY firm", "MEMORY fair", "MEMORY weak", "OWN", "KEEPER"]
"""SEEN: read in the named text. DERIVED: arithmetic on other figures. CHECKED: remembered, and it gives an
independent SEEN figure. MEMORY: remembered only. OWN: set by this project. KEEPER: set by the
keeper of the shelf."""

MARK_WORDS: dict[Mark, str] = {
    "SEEN": "seen in the cited source",
    "DERIVED": "worked out from other figures",
    "CHECKED": "from memory, and it gives another figure that was seen",
    "MEMORY firm": "from memory, sure",
    "MEMORY fair": "from memory, fairly sure",
    "MEMORY weak": "from memory, not sure",
    "OWN": "chosen by us",
    "KEEPER": "set by the keeper",
}


class Strict(BaseModel):
    """Frozen, and refuses a key it does not know."""

    model_config = ConfigDict(extra="forbid", frozen=True)


class Figure(Strict):
    """One number with its source; `low` and `high` bound it where sources or specimens differ."""

    value: float
    low: float | None = None
    high: float | None = None
    source: str = Field(min_length=3)
    mark: Mark
    note: str = ""


def first_fault(fault: ValidationError, whole: str) -> str:
    """The first fault of a validation as `place: what is wrong`; `whole` names the thing itself."""
    first = fault.errors()[0]
    place = ".".join(str(part) for part in first["loc"]) or whole
    return f"{place}: {first['msg'].removeprefix('Value error, ')}"
