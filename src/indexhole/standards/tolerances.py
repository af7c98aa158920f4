"""Limits for gauges, as data with sources: what needs no thought, what is still acceptable, what is not."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from typing import Annotated

from pydantic import Field, model_validator

from indexhole.codes.code import CodeName
from indexhole.errors import InputFault
from indexhole.standards.classes import load_classes
from indexhole.standards.figures import MARK_WORDS, Mark, Strict
from indexhole.standards.rows import parse_rows
from indexhole.standards.verdicts import NO_LIMITS, Limits

# What a row of the keeper's own is taken to say where it leaves this out.
_USUAL = {"source": "own limits", "mark": "KEEPER"}
_REMEDY = "see docs/verdicts.md for a worked file"

Bound = Annotated[float, Field(allow_inf_nan=False)] | None


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
    nominal: Bound = None
    warn_low: Bound = None
    warn_high: Bound = None
    low: Bound = None
    high: Bound = None
    source: str = Field(min_length=3)
    mark: Mark

    @model_validator(mode="after")
    def _nested(self) -> Tolerance:
        given = [v for v in (self.low, self.warn_low, self.nominal, self.warn_high, self.high) if v is not None]
        if given != sorted(given) or (self.low is None and self.high is None):
            raise ValueError("limits must be given and rise: low, warn_low, nominal, warn_high, high")
        return self

    @property
    def limits(self) -> Limits:
        """The limits in `unit`, with their source and its mark in words."""
        source = f"{self.source} ({MARK_WORDS[self.mark]})"
        return Limits(self.low, self.high, self.warn_low, self.warn_high, self.nominal, source)


def find_row(rows: Iterable[Tolerance], quantity: str, disk_class: str, code: str) -> Tolerance | None:
    """The row of a quantity for a class and code; one that names the class or code wins over one for all."""
    fitting = [
        row
        for row in rows
        if row.quantity == quantity
        and (not row.classes or disk_class in row.classes)
        and (not row.codes or code in row.codes)
    ]
    return max(fitting, key=lambda row: bool(row.classes) + bool(row.codes), default=None)


@cache
def _library() -> tuple[Tolerance, ...]:
    entry = files("indexhole.standards") / "tolerances.toml"
    return tuple(parse_rows(entry.read_text("utf-8"), "tolerance", Tolerance, entry.name).values())


def load_tolerances() -> dict[str, Tolerance]:
    """Every tolerance of the library by id."""
    return {row.id: row for row in _library()}


@dataclass(frozen=True)
class Tolerances:
    """The library with the keeper's own limits, which win over all its rows of the same quantity, class and code."""

    own: tuple[Tolerance, ...] = ()

    def find(self, quantity: str, disk_class: str = "", code: str = "") -> Tolerance | None:
        """The tolerance of a quantity for a class and code, None when there is none.

        A row of the keeper's that leaves the nominal out takes that of the library, where it lies within its limits.
        """
        listed = find_row(_library(), quantity, disk_class, code)
        own = find_row(self.own, quantity, disk_class, code)
        if own is None or own.nominal is not None or listed is None or listed.nominal is None:
            return own or listed
        within = (own.low is None or own.low <= listed.nominal) and (own.high is None or listed.nominal <= own.high)
        return own.model_copy(update={"nominal": listed.nominal}) if within else own

    def limits(self, quantity: str, disk_class: str = "", code: str = "") -> Limits:
        """The limits of a quantity for a class and code; none when there are none."""
        row = self.find(quantity, disk_class, code)
        return NO_LIMITS if row is None else row.limits


LIBRARY = Tolerances()


def find_tolerance(quantity: str, disk_class: str = "", code: str = "") -> Tolerance | None:
    """The library's tolerance of a quantity for a class and code, None when it has none."""
    return LIBRARY.find(quantity, disk_class, code)


def parse_own(text: str, where: str) -> Tolerances:
    """The keeper's own limits from TOML text, in the format of tolerances.toml; `source` and `mark` may be left out.

    Raises InputFault that names the place and the fault, also for a quantity, unit or class that the library lacks: its
    limit would never be used.
    """
    rows = parse_rows(text, "tolerance", Tolerance, where, usual=_USUAL, alone=True)
    if not rows:
        raise InputFault("holds no limits", where=where, remedy=_REMEDY)
    units = {row.quantity: row.unit for row in _library()}
    for row in rows.values():
        if row.quantity not in units:
            raise InputFault(f"{row.id}: no quantity is called {row.quantity}", where=where, remedy=_REMEDY)
        if row.unit != units[row.quantity]:
            words = f"{row.id}: {row.quantity} is given in {units[row.quantity]}, not in {row.unit[:20]!r}"
            raise InputFault(words, where=where, remedy=_REMEDY)
        if row.unit == "rpm" and any(bound is not None and bound <= 0 for bound in (row.low, row.high, row.nominal)):
            raise InputFault(f"{row.id}: a speed must be above 0", where=where, remedy=_REMEDY)
        if unknown := sorted(set(row.classes) - set(load_classes())):
            raise InputFault(f"{row.id}: no disk class is called {unknown[0][:40]!r}", where=where, remedy=_REMEDY)
    return Tolerances(tuple(rows.values()))
