"""Limits for gauges, as data with sources: what needs no thought, what is still acceptable, what is not."""

from __future__ import annotations

import tomllib
from functools import cache
from importlib.resources import files
from typing import Literal

from pydantic import Field, ValidationError, model_validator

from indexhole.codes.code import CodeName
from indexhole.errors import InputFault
from indexhole.standards.figures import Mark, Strict, first_fault


class Tolerance(Strict):
    """Limits of one quantity for some classes and codes (an empty list means all), in `unit`.

    `low` and `high` bound what is acceptable, `warn_low` and `warn_high` what needs no thought; None means
    no bound on that side.
    """

    id: str = Field(pattern=r"^[a-z0-9][a-z0-9-]{1,40}$")
    quantity: str = Field(pattern=r"^[a-z][a-z0-9_]+$")
    unit: str
    classes: tuple[str, ...] = ()
    codes: tuple[CodeName, ...] = ()
    nominal: float | None = None
    warn_low: float | None = None
    warn_high: float | None = None
    low: float | None = None
    high: float | None = None
    source: str = Field(min_length=3)
    mark: Mark

    @model_validator(mode="after")
    def _nested(self) -> Tolerance:
        given = [v for v in (self.low, self.warn_low, self.nominal, self.warn_high, self.high) if v is not None]
        if given != sorted(given) or (self.low is None and self.high is None):
            raise ValueError("limits must be given and rise: low, warn_low, nominal, warn_high, high")
        return self

    def judge(self, value: float, uncertainty: float = 0.0) -> Literal["works", "doubtful", "fails"]:
        """`fails` outside the limits, `doubtful` outside the warning or within the uncertainty of a limit."""
        low = float("-inf") if self.low is None else self.low
        high = float("inf") if self.high is None else self.high
        if not low <= value <= high:
            return "fails"
        warn_low = low if self.warn_low is None else self.warn_low
        warn_high = high if self.warn_high is None else self.warn_high
        calm = warn_low <= value <= warn_high and low + uncertainty <= value <= high - uncertainty
        return "works" if calm else "doubtful"


@cache
def _library() -> tuple[Tolerance, ...]:
    entry = files("indexhole.standards") / "tolerances.toml"
    try:
        rows = tuple(Tolerance.model_validate(row) for row in tomllib.loads(entry.read_text("utf-8"))["tolerance"])
    except ValidationError as fault:
        raise InputFault(first_fault(fault, "the tolerance"), where=entry.name) from fault
    return rows


def load_tolerances() -> dict[str, Tolerance]:
    """Every tolerance by id."""
    return {row.id: row for row in _library()}


def find_tolerance(quantity: str, disk_class: str = "", code: str = "") -> Tolerance | None:
    """The tolerance of a quantity for a class and code, None when the library has none.

    A row that names the class or code wins over one for all.
    """
    fitting = [
        row
        for row in _library()
        if row.quantity == quantity
        and (not row.classes or disk_class in row.classes)
        and (not row.codes or code in row.codes)
    ]
    return max(fitting, key=lambda row: bool(row.classes) + bool(row.codes), default=None)
