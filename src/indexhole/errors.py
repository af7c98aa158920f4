"""The one small family of errors: what is wrong, where, and what to do next.

Inner code raises these; only the edges (command line, page) turn them into words and an exit status.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from enum import Enum
from typing import Any

FAULTS_SHOWN = 5


class Do(Enum):
    """What a keeper can do in the program itself, as the command line says it; the page says it its own way."""

    READ_CUT = "read what is there with --allow-cut"
    READ_IF_CUT = "if the file is cut short, read what is there with --allow-cut"
    NAME_LINE = "name it with --line {}=NAME"
    GIVE_RATE = "give the rate with --sample-rate HZ"
    READ_RAW = "read raw logic samples with --raw HZ"
    NAME_LAYOUT = "name the layout with --layout"
    SETTLE_LAYOUT = "name one with --layout to settle it"
    SET_APART = "set names apart with --prefix"
    LIST_SHELF = "see `indexhole shelf list`"
    LIST_TRIALS = "see `indexhole shelf list trials`"
    ADD_TRIALS = "add a sheet with `indexhole shelf import`"
    NAME_SHEET = "name one: indexhole causes SHEET.csv"
    START_SHELF = "start one with `indexhole shelf add` or `import`"
    OTHER_SHELF = "name another folder with --shelf"
    EMPTY_SHELF = "name an empty folder with --shelf"
    OTHER_DEMO = "name another folder with --folder"
    OVERWRITE = "add --overwrite"
    MEND = "see what can be made anew with `indexhole shelf check`"


@dataclass(frozen=True)
class Way:
    """Something to do, and with what, where it is done with something."""

    do: Do
    detail: str = ""

    @property
    def words(self) -> str:
        """As the command line says it."""
        return self.do.value.format(self.detail)


Remedy = str | Do | Way | tuple[str | Do | Way, ...]


class IndexholeError(Exception):
    """A fault a keeper can act on.

    Args:
        what: what is wrong, one clause, no full stop.
        where: the place (file, row, byte, column), empty when there is none.
        remedy: what the keeper can do next: one clause, a way through the program, or several to choose from.
        field: the field of an entry or a form that it is about, where it is about one.
    """

    def __init__(self, what: str, *, where: str = "", remedy: Remedy = "", field: str = "") -> None:
        self.what = what
        self.where = where
        self.field = field
        choices = remedy if isinstance(remedy, tuple) else (remedy,)
        self.ways = tuple(Way(one) if isinstance(one, Do) else one for one in choices if one)
        super().__init__(self.line)

    @property
    def remedy(self) -> str:
        """What to do, as the command line says it."""
        return ", or ".join(one.words if isinstance(one, Way) else one for one in self.ways)

    @property
    def line(self) -> str:
        """The fault as one line: `WHERE: WHAT; REMEDY`."""
        parts = f"{self.where}: {self.what}" if self.where else self.what
        line = f"{parts}; {self.remedy}" if self.remedy else parts
        return " ".join(line.split())


class InputFault(IndexholeError):
    """A file, sheet or argument from outside does not hold what it should."""


def fault_of_value(error: Mapping[str, Any]) -> str:
    """What pydantic found wrong with a value: our own words where a check of ours raised them, else the library's."""
    own = error.get("ctx", {}).get("error")
    return str(own) if isinstance(own, ValueError) else str(error["msg"])


def together(faults: Sequence[str], where: str, remedy: Remedy = "", *, at_least: bool = False) -> InputFault:
    """Several faults of one file as one: how many (`at_least` when it was not read on), and the first few."""
    more = len(faults) - FAULTS_SHOWN
    count = f"{'at least ' * at_least}{len(faults)} faults: " if len(faults) > 1 else ""
    text = " | ".join(faults[:FAULTS_SHOWN])
    return InputFault(f"{count}{text}{f' | and {more} more' if more > 0 else ''}", where=where, remedy=remedy)


class ShelfFault(IndexholeError):
    """The shelf's folder or register cannot be used as asked."""
