"""The one small family of errors: what is wrong, where, and what to do next.

Inner code raises these; only the edges (command line, page) turn them into words and an exit status.
"""

from __future__ import annotations

from collections.abc import Sequence

FAULTS_SHOWN = 5


class IndexholeError(Exception):
    """A fault a keeper can act on.

    Args:
        what: what is wrong, one clause, no full stop.
        where: the place (file, row, byte, column), empty when there is none.
        remedy: what the keeper can do next, one clause.
    """

    def __init__(self, what: str, *, where: str = "", remedy: str = "") -> None:
        self.what = what
        self.where = where
        self.remedy = remedy
        super().__init__(self.line)

    @property
    def line(self) -> str:
        """The fault as one line: `WHERE: WHAT; REMEDY`."""
        parts = f"{self.where}: {self.what}" if self.where else self.what
        line = f"{parts}; {self.remedy}" if self.remedy else parts
        return " ".join(line.split())


class InputFault(IndexholeError):
    """A file, sheet or argument from outside does not hold what it should."""


def together(faults: Sequence[str], where: str, remedy: str = "", *, at_least: bool = False) -> InputFault:
    """Several faults of one file as one: how many (`at_least` when it was not read on), and the first few."""
    more = len(faults) - FAULTS_SHOWN
    count = f"{'at least ' * at_least}{len(faults)} faults: " if len(faults) > 1 else ""
    told = " | ".join(faults[:FAULTS_SHOWN])
    return InputFault(f"{count}{told}{f' | and {more} more' if more > 0 else ''}", where=where, remedy=remedy)


class ShelfFault(IndexholeError):
    """The shelf's folder or register cannot be used as asked."""
