"""How every verb speaks: JSON plain on stdout, tables by rich on a terminal and plain text elsewhere."""

from __future__ import annotations

import dataclasses
import json
import math
import sys
import textwrap
import unicodedata
from collections.abc import Callable, Iterable, Sequence
from datetime import date
from enum import Enum
from pathlib import Path, PurePath
from typing import Annotated, Any

import typer

from indexhole.errors import InputFault

# options that several verbs share
AsJson = Annotated[bool, typer.Option("--json", help="Print JSON on stdout.")]
Yes = Annotated[bool, typer.Option("--yes", help="Do not ask before a loss; for scripts.")]
ShelfFolder = Annotated[
    Path | None,
    typer.Option("--shelf", metavar="FOLDER", help="The shelf's folder; else INDEXHOLE_SHELF, else your data folder."),
]

_TURNS_TEXT_ROUND = frozenset("\u202a\u202b\u202c\u202d\u202e\u2066\u2067\u2068\u2069")


def printable(text: object) -> str:
    """The text with control characters made visible: a title from a disk must not steer the terminal."""
    return "".join(
        repr(character)[1:-1]
        if unicodedata.category(character) in ("Cc", "Cs") or character in _TURNS_TEXT_ROUND
        else character
        for character in str(text)
    )


def _plain_data(value: Any) -> Any:
    if hasattr(value, "model_dump"):
        return value.model_dump(mode="json")
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        return {field.name: getattr(value, field.name) for field in dataclasses.fields(value)}
    if isinstance(value, Enum):
        return value.value
    if isinstance(value, date):
        return value.isoformat()
    if isinstance(value, PurePath):
        return str(value)
    if hasattr(value, "tolist"):
        return value.tolist()
    if isinstance(value, (set, frozenset)):
        return sorted(value)
    raise TypeError(f"{type(value).__name__} has no JSON form")


def _without_nan(value: Any) -> Any:
    """JSON has no NaN and no infinity; what was not measured is null."""
    if isinstance(value, float) and not math.isfinite(value):
        return None
    if isinstance(value, dict):
        return {key: _without_nan(held) for key, held in value.items()}
    if isinstance(value, (list, tuple)):
        return [_without_nan(held) for held in value]
    return value


def to_json(data: Any) -> str:
    """The data as JSON text in ASCII (safe in any terminal), one level of indent, NaN and infinity as null.

    Dataclasses, pydantic models, dates, paths, enumerations and numpy values are taken as they are.
    """
    settled = json.loads(json.dumps(data, default=_plain_data))
    return json.dumps(_without_nan(settled), indent=1, allow_nan=False)


def emit_json(data: Any) -> None:
    """Print the data as JSON on stdout."""
    print(to_json(data))


def say(line: str = "") -> None:
    """Print one line of human output on stdout."""
    print(printable(line))


def say_folded(lines: Iterable[str], width: int) -> None:
    """Print lines folded to so many columns; what goes on is set in."""
    for line in lines:
        inset = " " * (len(line) - len(line.lstrip()) + 3)
        for part in textwrap.wrap(line, width, subsequent_indent=inset, break_on_hyphens=False) or [""]:
            say(part)


def remark(line: str) -> None:
    """Print one line on stderr: something worth knowing that is not the result."""
    print(f"indexhole: {printable(line)}", file=sys.stderr)


def progress_line() -> Callable[[str, int, int], None]:
    """Tells what is being done, and how far it is: on a terminal one line that is written over, elsewhere nothing."""
    on = sys.stderr.isatty()

    def show(what: str, done: int, of: int) -> None:
        if on:
            line = f"{what}: {done} of {of}" if done < of else ""
            print(f"\r\x1b[K{line}", end="", file=sys.stderr, flush=True)

    return show


def help_when_bare(context: typer.Context) -> None:
    """For a group called without a command: show what it can do."""
    if context.invoked_subcommand is None:
        typer.echo(context.get_help())


def emit_table(title: str, columns: Sequence[str], rows: Iterable[Sequence[object]]) -> None:
    """Print a table; a column name carries its unit, `None` shows as a dash, numbers stand right."""
    held = [list(row) for row in rows]
    cells = [["-" if cell is None else printable(cell) for cell in row] for row in held]
    right = [_numbers([row[k] for row in held]) for k in range(len(columns))]
    if sys.stdout.isatty():
        _rich_table(title, columns, cells, right)
    else:
        _plain_table(title, columns, cells, right)


def _numbers(column: Sequence[object]) -> bool:
    given = [cell for cell in column if cell is not None]
    return bool(given) and all(isinstance(cell, (int, float)) for cell in given)


def _rich_table(title: str, columns: Sequence[str], cells: list[list[str]], right: Sequence[bool]) -> None:
    from rich import box
    from rich.console import Console
    from rich.table import Table
    from rich.text import Text

    table = Table(title=Text(title), title_justify="left", box=box.SIMPLE_HEAD, pad_edge=False)
    for name, numbers in zip(columns, right, strict=True):
        table.add_column(Text(name), justify="right" if numbers else "left", overflow="fold")
    for row in cells:
        table.add_row(*(Text(cell) for cell in row))
    Console().print(table)


def _plain_table(title: str, columns: Sequence[str], cells: list[list[str]], right: Sequence[bool]) -> None:
    widths = [max([len(name), *(len(row[k]) for row in cells)]) for k, name in enumerate(columns)]
    print(printable(title))
    for row in [list(columns), *cells]:
        padded = (
            cell.rjust(width) if numbers else cell.ljust(width)
            for cell, width, numbers in zip(row, widths, right, strict=True)
        )
        print("  ".join(padded).rstrip())


def confirm(question: str, *, yes: bool) -> bool:
    """Ask before a loss; `yes` answers for the keeper, and without a terminal to ask at it is required."""
    if yes:
        return True
    if not sys.stdin.isatty():
        raise InputFault(f"{question} needs an answer", remedy="add --yes to say so in a script")
    return typer.confirm(question, err=True)
