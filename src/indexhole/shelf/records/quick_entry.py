"""One line of text as a draft entry: what is understood is shown clause by clause, the rest is kept as a note.

    dual 130 mm drive, parallel bus, given by a shipping office 1998, two filter caps bulging

The line is cut at commas and semicolons; each clause is tried against the table at the end, the first that fits
takes it. Nothing is guessed: a size without its tracks per inch names no disk class, and a remark says so.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from indexhole.errors import InputFault
from indexhole.shelf.records.dates import span_of
from indexhole.shelf.records.entry import Record
from indexhole.shelf.records.records import Disk, Mechanism, Note, Unit, checked
from indexhole.standards.classes import load_classes

LONGEST_LINE = 2000


@dataclass(frozen=True, slots=True)
class Understood:
    """A clause and what was made of it: the field, in the entry's words, and its value."""

    clause: str
    field: str
    value: str


@dataclass(frozen=True, slots=True)
class Draft:
    """A draft of one thing, not yet on the shelf.

    Attributes:
        record: the unit or disk; `inventory` is the number in the line, else the one proposed.
        mechanisms: those of a drive unit, numbered from 0.
        note: the clauses that were not understood, as they stand.
        understood: the others, and what was made of each.
        remarks: what to look at before it is kept.
    """

    record: Unit | Disk
    mechanisms: tuple[Mechanism, ...]
    note: str
    understood: tuple[Understood, ...]
    remarks: tuple[str, ...]

    @property
    def records(self) -> tuple[Record, ...]:
        """All entries of the draft, in the order they must be added."""
        if not self.note:
            return (self.record, *self.mechanisms)
        of = {"disk" if isinstance(self.record, Disk) else "unit": self.record.key}
        return (self.record, *self.mechanisms, checked(Note, text=self.note, **of))


_KIND = re.compile(r"\b(?:(drive|unit)s?|(host|computer)|(lead|cable|ribbon)|(adapter)|(disk|diskette))\b", re.I)
_NUMBER = re.compile(r"\s*([^\s:,;]{1,40})\s*:\s+(?=\S)")
_BELONGS = re.compile(r"\b(?:for|of|from|with|to|in)\b", re.I)
_COUNTS = {"single": 1, "one": 1, "dual": 2, "twin": 2, "double": 2, "two": 2}
_COUNT = re.compile(rf"\b({'|'.join(_COUNTS)})\b(?!-sided| sided| sides?\b)", re.I)
_SIZE = re.compile(r"\b(200|130|90) ?mm\b", re.I)
_DENSITY = re.compile(r"\b(48|96|100) ?tpi\b|\b(extra dense|dense)\b", re.I)
_SIDES = re.compile(r"\b(?:(one|single|1)|(two|double|both|2))[- ](?:sided|sides?)\b", re.I)
_POINT = r"[0-9]{4}(?:-[0-9]{2}){0,2}"
_DATE = re.compile(
    rf"(?:\b(?:in|on) )?((?:(?:about|before|after) )?{_POINT}|{_POINT} to {_POINT}|(?:about )?[0-9]{{3}}0s)$"
)
_GIVEN = re.compile(
    r"(?:was )?(?:given|donated|gift|presented|bought|purchased|found|lent|loaned|transferred|left|saved|rescued|came)"
    r"\b",
    re.I,
)
_MADE = re.compile(r"(?:made|built|manufactured) (?!by\b|at\b|here\b)(?:in )?(.+)", re.I)
_MAKER = re.compile(r"(?:made by|built by|maker|manufacturer):? (.+)", re.I)
_INTERFACE = re.compile(r"\b(?:bus|interface|serial|parallel)\b|\b[0-9]{2} ?-?ways?\b", re.I)
_WEIGHT = re.compile(r"(?:weighs |weight )?([0-9]+(?:\.[0-9]+)?) ?kg", re.I)
_POWER = re.compile(r"(?:mains |power )?[0-9]{1,3}(?:\.[0-9]+)? ?V\b.*|external (?:power )?supply.*", re.I)
_ADDRESS = re.compile(r"(?:device )?address:? ?([0-9]{1,2}(?: ?(?:or|and|to|/) ?[0-9]{1,2})*)", re.I)
_CODES = re.compile(r"(?:date ?codes?:? )?([0-9]{4}(?:(?:,? and |,? | ?/ ?)[0-9]{4})*)(?: on .+)?", re.I)
_PLACE = re.compile(
    r"(?:stands|lies|kept|stored) (.+)|(?:location|place):? (.+)|((?:shelf|room|drawer|case|box) \S+)", re.I
)
_ORIGIN = re.compile(r"(?:used|formerly|from) (.+)", re.I)
_IMPORTANCE = re.compile(r"(scratch|working|irreplaceable)(?: disk)?", re.I)
_LABEL = re.compile(r"label(?:led)?:? [\"“']?(.+?)[\"”']?", re.I)
_MODIFIED = re.compile(r"\b(?:modif|rewired|jumper|converted|fitted|drilled|added|turned round|bypassed)", re.I)
_CONDITION = re.compile(
    r"\b(?:bulg|crack|rust|dent|dust|yellow|broken|brittle|missing|leak|works?\b|working order|runs?\b|dead\b|untested|"
    r"belts?\b|mould|creas|shed|scratch(?:ed|es)|worn|noisy|loose|bent|corro|burn|repair|renew|clean|damp|torn|warp|"
    r"smell|stuck|seiz)",
    re.I,
)


class _Making:
    """A draft while its clauses are read."""

    def __init__(self) -> None:
        self.kind = ""
        self.values: dict[str, Any] = {}
        self.mechanisms = 0
        self.understood: list[Understood] = []
        self.remarks: list[str] = []

    def put(self, clause: str, field: str, value: Any) -> bool:
        """Give a field its value; one that has one already takes the clause to the note, but words are joined."""
        if field in self.values:
            if field not in ("state", "condition", "interfaces", "modifications"):
                return False
            value = f"{self.values[field]}, {value}"
        self.values[field] = value
        self.understood.append(Understood(clause, field, str(value)))
        return True


def draft_from(line: str, number: Callable[[str], str]) -> Draft:
    """The line as a draft.

    Args:
        line: the text; it may begin with the inventory number and a colon.
        number: proposes an inventory number for a kind ("drive unit", "host", "lead", "adapter", "disk").

    Raises InputFault for a line that names no kind of thing, or holds a value no entry may have.
    """
    if len(line) > LONGEST_LINE:
        raise InputFault(f"the line is longer than {LONGEST_LINE} characters", remedy="put the rest into a note")
    named = _NUMBER.match(line)
    text = line[named.end() :] if named else line
    clauses = [clause for part in re.split("[,;\n]", text) if (clause := " ".join(part.split()))]
    making = _Making()
    # what it is comes first, wherever it stands: it decides where the other clauses belong
    left = [clause for clause in clauses if not _thing(making, clause)]
    rest = [clause for clause in left if not any(read(making, clause) for read in _READERS)]
    if not making.kind:
        raise InputFault(
            "the line does not say what it is", remedy="write drive, host, lead, adapter or disk in it, as: dual drive"
        )
    inventory = named.group(1) if named else number(making.kind)
    return _drafted(making, inventory, rest)


def _drafted(making: _Making, inventory: str, rest: list[str]) -> Draft:
    values, disk = making.values, making.kind == "disk"
    record: Unit | Disk
    if disk:
        record = checked(Disk, inventory=inventory, **_fitting(Disk, making, rest))
    else:
        record = checked(Unit, inventory=inventory, kind=making.kind, **_fitting(Unit, making, rest))
    drive = making.kind == "drive unit"
    count = (making.mechanisms or 1) if drive else 0
    if drive and not making.mechanisms:
        making.remarks.append("one mechanism is taken for granted; write dual for two")
    mechanisms = tuple(checked(Mechanism, mechanism=f"{inventory}.{k}") for k in range(count))
    if count > 1:
        making.remarks.append("mechanisms are numbered 0 and 1; change that if they answer in another order")
    if (disk or drive) and not values.get("disk_class"):
        making.remarks.append(f"no disk class: say one of {', '.join(sorted(load_classes()))}")
    return Draft(record, mechanisms, ", ".join(rest), tuple(making.understood), tuple(making.remarks))


def _fitting(kind: type[Record], making: _Making, rest: list[str]) -> dict[str, Any]:
    """The values a record of the kind has a field for; a clause with another goes to the note."""
    values = dict(making.values)
    for entry in list(making.understood):
        if entry.field not in kind.model_fields and entry.field in values:
            making.understood = [held for held in making.understood if held.field != entry.field]
            rest.append(entry.clause)
            del values[entry.field]
    return values


def _thing(making: _Making, clause: str) -> bool:
    """What it is, with size, count and sides: the clause becomes the title."""
    # "drive lead" is a lead and "lead for a drive" too: the last word that names a kind, before what it belongs to
    found = list(_KIND.finditer(_BELONGS.split(clause)[0]))
    if not found or making.kind or any(pattern.match(clause) for pattern in (_GIVEN, _ORIGIN, _PLACE)):
        return False
    kinds = ("drive unit", "host", "lead", "adapter", "disk")
    making.kind = next(kind for kind, word in zip(kinds, found[-1].groups(), strict=True) if word)
    making.put(clause, "title", clause.strip('"“”'))
    count = _COUNT.search(clause)
    if making.kind == "drive unit" and count:
        making.mechanisms = _COUNTS[count.group(1).lower()]
        making.understood.append(Understood(count.group(0), "mechanisms", str(making.mechanisms)))
    sides = _SIDES.search(clause)
    if making.kind == "disk" and sides:
        making.put(sides.group(0), "sides", 1 if sides.group(1) else 2)
    _class(making, clause)
    return True


def _class(making: _Making, clause: str) -> None:
    size = _SIZE.search(clause)
    by_name = [name for name in re.findall(r"[0-9a-z]+(?:-[0-9a-z]+)*", clause.lower()) if name in load_classes()]
    if by_name and not (size and by_name == [size.group(1)]):
        making.put(by_name[0], "disk_class", by_name[0])
    elif size is not None:
        density = _DENSITY.search(clause)
        ending = "" if density is None else f"-{density.group(1) or density.group(2).split()[0].lower()}"
        named = f"{size.group(1)}{ending}"
        if named in load_classes():
            making.put(size.group(0), "disk_class", named)


def _acquired(making: _Making, clause: str) -> bool:
    if not _GIVEN.match(clause):
        return False
    before, when = _parted(clause)
    if when:
        making.put(clause, "acquired_when", when)
    return making.put(clause, "acquired", before)


def _parted(clause: str) -> tuple[str, str]:
    """The clause without the date it ends in, and that date; empty when it ends in none."""
    found = _DATE.search(clause)
    if found is None:
        return clause, ""
    try:
        span_of(found.group(1))
    except ValueError:
        return clause, ""
    return clause[: found.start()].strip() or clause, found.group(1)


def _made(making: _Making, clause: str) -> bool:
    found = _MADE.fullmatch(clause)
    if found is None:
        return False
    _, when = _parted(found.group(1))
    return bool(when) and making.put(clause, "made", when)


def _matched(pattern: re.Pattern[str], field: str) -> Callable[[_Making, str], bool]:
    def read(making: _Making, clause: str) -> bool:
        found = pattern.fullmatch(clause)
        if found is None:
            return False
        value = next((group for group in found.groups() if group), clause)
        return making.put(clause, field, value.lower() if field == "importance" else value)

    return read


def _interface(making: _Making, clause: str) -> bool:
    return bool(_INTERFACE.search(clause)) and making.put(clause, "interfaces", clause)


def _modified(making: _Making, clause: str) -> bool:
    return bool(_MODIFIED.search(clause)) and making.put(clause, "modifications", clause)


def _condition(making: _Making, clause: str) -> bool:
    if not _CONDITION.search(clause):
        return False
    return making.put(clause, "condition" if making.kind == "disk" else "state", clause)


_READERS: tuple[Callable[[_Making, str], bool], ...] = (
    _matched(_IMPORTANCE, "importance"),
    _acquired,
    _matched(_MAKER, "maker"),
    _made,
    _matched(_WEIGHT, "weight_kg"),
    _matched(_ADDRESS, "device_address"),
    _matched(_CODES, "date_codes"),
    _matched(_POWER, "power_input"),
    _matched(_LABEL, "label_text"),
    _matched(_PLACE, "location"),
    _matched(_ORIGIN, "origin"),
    _interface,
    _modified,
    _condition,
)
