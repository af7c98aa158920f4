"""CSV as people and their spreadsheet programs exchange it: rows read, a row written, and no text taken for a formula.

A spreadsheet program takes a cell that begins with certain signs for a formula, whoever wrote it, and a formula may
fetch and send. (OWASP, *CSV Injection*: = + - @, tab, carriage return, line feed; and text behind a separator.) So
text that begins so is written with an apostrophe in front, and reading takes one apostrophe off again. Text that has
apostrophes before such a sign gets one more, so every text comes back as it was; text typed by hand without an
apostrophe is read as it stands.

What is covered: those signs at the beginning of a cell, also behind spaces and as full-width letters, which some
programs take for the plain ones; and behind a semicolon, a tab or the end of a line inside a cell, where a program
that parts cells by semicolons or tabs begins another. (Spaces and full-width letters are our own choice.) A plain
number, such as -5 or +0.25, stays a number.
"""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Iterable, Iterator

from indexhole.errors import InputFault

# our own choice, above the letters a cell can have: as many cells at once would fill the memory
MOST_DELIMITERS = 1 << 20

_SIGNS = "[=+\\-@\uff1d\uff0b\uff0d\uff20]"
# the beginning, or behind what some program parts cells or rows by
_START = r"(?<![^;\t\r\n])"
_SPACES = r"[^\S;\t\r\n]*"
_FORMULA = f"(?='*{_SPACES}{_SIGNS})"
_LEADING_END = r"(?='*[\t\r\n])"
_TO_GUARD = re.compile(rf"{_START}{_FORMULA}|\A{_LEADING_END}")
_GUARDED = re.compile(rf"{_START}'{_FORMULA}|\A'{_LEADING_END}")
_NUMBER = re.compile(r"[+-]?([0-9]+\.?[0-9]*|\.[0-9]+)([eE][+-]?[0-9]+)?")
# nearly every cell: told at a glance, so that a sheet takes hardly longer to write
_HARMLESS = re.compile(r"(\w[^;\t\r\n]*)?")
_TO_QUOTE = re.compile('[",\r\n]')


def guarded(text: str) -> str:
    """The text as a cell may hold it without being taken for a formula; `unguarded` gives it back."""
    return text if _HARMLESS.fullmatch(text) or _NUMBER.fullmatch(text) else _TO_GUARD.sub("'", text)


def unguarded(cell: str) -> str:
    """The text of a cell, without the apostrophe that guards it."""
    return _GUARDED.sub("", cell) if "'" in cell else cell


def csv_line(texts: Iterable[str]) -> str:
    """A row as CSV has it (RFC 4180), guarded, in quotation marks only where it must be, without its line end."""
    return ",".join(map(_quoted, map(guarded, texts)))


def _quoted(text: str) -> str:
    # the csv module of this Python leaves a lone carriage return unquoted, and then cannot read it back
    return '"' + text.replace('"', '""') + '"' if _TO_QUOTE.search(text) else text


def csv_rows(text: str, where: str, delimiter: str = ",") -> Iterator[tuple[int, list[str]]]:
    """The rows of a CSV text with their numbers, from 1, without guards.

    Raises InputFault at a row that is no CSV, or has more than MOST_DELIMITERS.
    """
    number, delimiters = 0, 0

    def lines() -> Iterator[str]:
        nonlocal delimiters
        for line in io.StringIO(text, newline=""):
            delimiters += line.count(delimiter)
            if delimiters > MOST_DELIMITERS:
                raise InputFault(f"row {number} has no end of cells", where=where, remedy="check its quotation marks")
            yield line

    reader = csv.reader(lines(), strict=True, delimiter=delimiter)
    while True:
        number, delimiters = number + 1, 0
        try:
            row = next(reader)
        except StopIteration:
            return
        except csv.Error as fault:
            raise InputFault(
                f"row {number} is not CSV ({fault})", where=where, remedy="check its quotation marks"
            ) from fault
        yield number, [unguarded(cell) for cell in row]
