"""The keeper's own measurements: a CSV text with `from,to,quantity,value,uncertainty,unit,note,when`, a row each.

docs/networks.md says what each quantity means and how it is measured. Signs are those of the forward model: outward
(away from the hub), faster, and later are positive.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date

from indexhole.csv_text import csv_rows
from indexhole.errors import InputFault, together
from indexhole.levelling.network import Tie

COLUMNS = ("from", "to", "quantity", "value", "uncertainty", "unit", "note", "when")
_NEEDED = COLUMNS[:-2]
OFFSET, SPEED, INDEX = "offset", "speed", "index"
NOMINAL = "nominal"
KEPT = "measurements.csv"  # the name of the sheet in a shelf's folder
MOST_ROWS = 10_000
_LARGEST = 1e6

_LENGTHS = {"um": 1.0, "µm": 1.0, "μm": 1.0, "mm": 1e3, "mil": 25.4}
_TIMES = {"us": 1.0, "µs": 1.0, "μs": 1.0, "ms": 1e3, "s": 1e6}
_SHARES = {"1": 1.0, "%": 0.01}
_SPEEDS = {"%": 1.0}
_TURNS = {f"{length}/turn": scale for length, scale in _LENGTHS.items()}

# quantity: units with their scale, and whether it is about one thing alone (`to` stays empty)
_QUANTITIES: dict[str, tuple[Mapping[str, float], bool]] = {
    "offset": (_LENGTHS, False),
    "lobe-ratio": (_SHARES, False),
    "lobe-ratio-outward": (_SHARES, False),
    "lobe-ratio-inward": (_SHARES, False),
    "lobe-constant": (_LENGTHS, True),
    "reads-outward-to": (_LENGTHS, False),
    "reads-inward-to": (_LENGTHS, False),
    "speed": (_SPEEDS, False),
    "index-to-data": (_TIMES, False),
    "index-label": (_TIMES, True),
    "adjuster": (_TURNS, True),
}


@dataclass(frozen=True, slots=True)
class Row:
    """One row, checked: `value` and `uncertainty` in um, share of one, percent, us, or um a turn."""

    number: int
    start: str
    end: str
    quantity: str
    value: float
    uncertainty: float
    note: str
    when: str


@dataclass(frozen=True)
class Measurements:
    """What the keeper measured.

    Attributes:
        ties: by quantity (`offset`, `speed`, `index`).
        adjusters: um that a mechanism's head moves outward for one turn clockwise, with its uncertainty.
        standards: disks (or `nominal`) that offsets were measured against.
    """

    ties: Mapping[str, tuple[Tie, ...]]
    adjusters: Mapping[str, tuple[float, float]]
    standards: tuple[str, ...]


def no_measurements() -> Measurements:
    """Nothing measured by hand."""
    return Measurements({}, {}, ())


def lobe_offset(ratio: float, ratio_u: float, constant_um: float, constant_u_um: float) -> tuple[float, float]:
    """Distance from the track's centre, um, and its standard uncertainty, from the two lobes of a cat's-eye pattern.

    d = k (1 - r) / (1 + r), r the smaller lobe over the larger, k the lobes' overlap when centred, from the disk's own
    label (linear overlap model, derived). Uncertainty by first derivatives (JCGM 100:2008, 5.1.2).
    """
    offset = constant_um * (1 - ratio) / (1 + ratio)
    by_ratio = 2 * constant_um / (1 + ratio) ** 2 * ratio_u
    by_constant = (1 - ratio) / (1 + ratio) * constant_u_um
    return offset, math.hypot(by_ratio, by_constant)


def parse_measurements(text: str, *, where: str, first: int = 1) -> Measurements:
    """Measurements from the text of a sheet; their names count up from M`first`.

    Raises InputFault with the faults counted and the first few told: row (the heading is row 1), what is wrong, what to
    do.
    """
    rows, faults = _rows(text, where)
    made = _Made(first)
    for row in rows:
        if row.quantity == "lobe-constant":
            made.constants[row.start] = (row.value, row.uncertainty)
        elif row.quantity == "index-label":
            made.add(INDEX, row, NOMINAL, row.start, row.value, row.uncertainty)
        elif row.quantity == "adjuster":
            made.adjusters[row.start] = (row.value, row.uncertainty)
    for row in rows:
        if (maker := _MAKERS.get(row.quantity)) is not None and (told := maker(made, row)):
            faults.append(f"row {row.number}: {told}")
    faults += [
        f"row {row.number}: {row.quantity} of {row.end} on {row.start} has no partner; measure to both sides"
        for waiting in made.waiting.values()
        for row in waiting
    ]
    if faults:
        raise together(faults, where)
    if not rows:
        raise InputFault("has a heading but no measurements", where=where, remedy="add a row for each")
    return Measurements(
        {quantity: tuple(ties) for quantity, ties in made.ties.items()}, made.adjusters, tuple(made.standards)
    )


class _Made:
    """What the rows have given so far."""

    def __init__(self, first: int) -> None:
        self.next = first
        self.ties: dict[str, list[Tie]] = {}
        self.constants: dict[str, tuple[float, float]] = {}
        self.adjusters: dict[str, tuple[float, float]] = {}
        self.standards: dict[str, None] = {}
        self.waiting: dict[tuple[str, str, str], list[Row]] = {}

    def add(
        self, quantity: str, row: Row, start: str, end: str, value: float, u: float, *, unsigned: bool = False
    ) -> None:
        source = f"{row.quantity} measured{f' {row.when}' if row.when else ''}{f', {row.note}' if row.note else ''}"
        tie = Tie(f"M{self.next}", start, end, value, u, source, unsigned, row.when)
        self.ties.setdefault(quantity, []).append(tie)
        self.next += 1
        if quantity == OFFSET and row.start != NOMINAL:
            self.standards[row.start] = None


def _plain(quantity: str) -> Callable[[_Made, Row], str]:
    def make(made: _Made, row: Row) -> str:
        made.add(quantity, row, row.start, row.end, row.value, row.uncertainty)
        return ""

    return make


def _speed(made: _Made, row: Row) -> str:
    if row.value <= -100:
        return f"{row.value:g} % slower than standing still; check the value"
    share = 1 + row.value / 100
    made.add(SPEED, row, row.start, row.end, 100 * math.log(share), row.uncertainty / share)
    return ""


def _index(made: _Made, row: Row) -> str:
    # a sensor that is late makes the data come that much sooner
    made.add(INDEX, row, row.start, row.end, -row.value, row.uncertainty)
    return ""


def _lobes(made: _Made, row: Row) -> str:
    if row.start not in made.constants:
        return f"the lobe ratio needs the label's constant of {row.start}; add a row lobe-constant for it"
    if not 0 < row.value <= 1:
        return "a lobe ratio is the smaller lobe over the larger: above 0, at most 1"
    size, u = lobe_offset(row.value, row.uncertainty, *made.constants[row.start])
    if row.quantity == "lobe-ratio":
        made.add(OFFSET, row, row.start, row.end, size, u, unsigned=True)
    else:
        made.add(OFFSET, row, row.start, row.end, size if row.quantity.endswith("outward") else -size, u)
    return ""


def _reads(made: _Made, row: Row) -> str:
    """Both ends of what a head still reads of tracks laid off the centre line on purpose: it stands midway."""
    other = "reads-inward-to" if row.quantity == "reads-outward-to" else "reads-outward-to"
    waiting = made.waiting.get((row.start, row.end, other), [])
    if not waiting:
        made.waiting.setdefault((row.start, row.end, row.quantity), []).append(row)
        return ""
    partner = waiting.pop(0)
    outward, inward = (row, partner) if other == "reads-inward-to" else (partner, row)
    u = math.hypot(row.uncertainty, partner.uncertainty) / 2
    both = row if row.when == partner.when else replace(row, when="")
    made.add(OFFSET, both, row.start, row.end, (outward.value - inward.value) / 2, u)
    return ""


_MAKERS: dict[str, Callable[[_Made, Row], str]] = {
    "offset": _plain(OFFSET),
    "speed": _speed,
    "index-to-data": _index,
    "lobe-ratio": _lobes,
    "lobe-ratio-outward": _lobes,
    "lobe-ratio-inward": _lobes,
    "reads-outward-to": _reads,
    "reads-inward-to": _reads,
}


def _rows(text: str, where: str) -> tuple[list[Row], list[str]]:
    rows: list[Row] = []
    faults: list[str] = []
    columns: list[str] | None = None
    for number, row in csv_rows(text, where):
        cells = [cell.strip() for cell in row]
        if columns is None:
            columns = _heading(cells, where)
        elif any(cells):
            if len(rows) + len(faults) >= MOST_ROWS:
                raise InputFault(f"holds more than {MOST_ROWS} measurements", where=where, remedy="split it")
            told = _row(number, columns, cells)
            if isinstance(told, Row):
                rows.append(told)
            else:
                faults.append(f"row {number}{told}")
    if columns is None:
        raise InputFault("is empty", where=where, remedy=f"its first row names the columns {','.join(COLUMNS)}")
    return rows, faults


def _heading(cells: Sequence[str], where: str) -> list[str]:
    names = list(cells)
    while names and not names[-1]:
        names.pop()
    missing = [name for name in _NEEDED if name not in names]
    if missing or set(names) - set(COLUMNS) or len(set(names)) < len(names):
        text = f"lacks {', '.join(missing)}" if missing else "names a column that is not known, or one twice"
        raise InputFault(f"row 1: the heading {text}", where=where, remedy=f"write {','.join(COLUMNS)}")
    return names


def _row(number: int, columns: Sequence[str], cells: Sequence[str]) -> Row | str:
    """The row, or what is wrong with it."""
    if any(cells[len(columns) :]):
        return ": more cells than columns; quote a cell that holds a comma"
    held = dict(zip(columns, cells, strict=False))
    start, end, quantity = held.get("from", ""), held.get("to", ""), held.get("quantity", "")
    if quantity not in _QUANTITIES:
        return f", column quantity: {_shown(quantity)} is not known; use one of {', '.join(_QUANTITIES)}"
    units, alone = _QUANTITIES[quantity]
    for column, name in (("from", start), ("to", end)):
        if len(name) > 80 or re.search(r"[\x00-\x1f\x7f-\x9f\ud800-\udfff]", name):
            return f", column {column}: no name for a thing on the shelf; use its inventory number"
    if not start or bool(end) == alone:
        return f": {quantity} needs {'`from` alone, `to` stays empty' if alone else '`from` and `to`'}"
    if start == end:
        return f": goes from {_shown(start)} to itself; name two different things"
    unit = held.get("unit", "")
    if unit not in units:
        return f", column unit: {_shown(unit)} does not suit {quantity}; use {' or '.join(units)}"
    numbers = []
    for column in ("value", "uncertainty"):
        number_told = _number(held.get(column, ""))
        if number_told is None:
            return f", column {column}: {_shown(held.get(column, ''))} is not a number; write it as 12.5"
        numbers.append(number_told * units[unit])
    if numbers[1] <= 0 and not alone:
        return ", column uncertainty: must be above 0; give a standard uncertainty, never none"
    if numbers[1] < 0 or (quantity == "index-label" and numbers[1] == 0):
        return ", column uncertainty: must be above 0; give a standard uncertainty"
    if quantity == "adjuster" and numbers[0] == 0:
        return ", column value: an adjuster that moves nothing; check the value"
    if quantity == "lobe-constant" and numbers[0] <= 0:
        return ", column value: must be above 0; take it from the disk's label"
    when = held.get("when", "")
    if not _is_day(when):
        return f", column when: {_shown(when)} is no day; write it as 2026-03-14, 2026-03, 2026, or leave it empty"
    note = " ".join(held.get("note", "").split())[:200]
    return Row(number, start, end, quantity, numbers[0], numbers[1], note, when)


def _is_day(text: str) -> bool:
    """Whether it is a day of the calendar, a month, a year or nothing."""
    if not text:
        return True
    if not re.fullmatch("[0-9]{4}(-[0-9]{2}){0,2}", text):
        return False
    try:
        date.fromisoformat((text + "-01-01")[:10])
    except ValueError:
        return False
    return True


def _number(text: str) -> float | None:
    if not re.fullmatch(r"[+-]?([0-9]+\.?[0-9]*|\.[0-9]+)([eE][+-]?[0-9]{1,2})?", text):
        return None
    value = float(text)
    # what is too small to be meant would only upset the arithmetic
    return value if abs(value) <= _LARGEST and (value == 0 or abs(value) >= 1e-9) else None


def _shown(text: str) -> str:
    return repr(text if len(text) <= 30 else text[:27] + "...")
