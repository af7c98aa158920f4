"""The command line's edge: one table of verbs, each loaded when called, and faults turned into words.

Exit status: 0 good, 1 a fault was found (where a verb's help says so), 2 wrong use or bad input,
130 stopped by the keeper, 141 the reader of the output went away.
"""

from __future__ import annotations

import importlib
import importlib.util
import os
import sys
from collections.abc import Sequence
from typing import Annotated, Any

import typer
from typer.core import TyperCommand, TyperGroup

from indexhole import __version__
from indexhole.cli.present import help_when_bare
from indexhole.errors import IndexholeError

STOPPED = 130
READER_GONE = 141

# verb -> its line in the help; the verb's function (or group) has the same name in the module cli/VERB.py
VERBS: dict[str, str] = {
    "demo": "Make the demonstration shelf, look it over and print three findings.",
    "serve": "Open the local page.",
    "recover": "Captures to sectors, image and files.",
    "gauge": "What the signal says of the drive and of the writer.",
    "pair": "Will this writer, disk and reader do; the whole matrix when not narrowed.",
    "causes": "Rank what is at fault from the trials.",
    "level": "Compares head position, speed and index timing between drives.",
    "shelf": "Add, list, show, import, export: what stands on the shelf and what happened to it.",
}


def _present(verb: str) -> bool:
    return importlib.util.find_spec(f"indexhole.cli.{verb}") is not None


def load(verb: str) -> Any:
    """The verb's command, its module imported now. A module holds a function or a `typer.Typer` named as the verb."""
    face = getattr(importlib.import_module(f"indexhole.cli.{verb}"), verb)
    if not isinstance(face, typer.Typer):
        app = typer.Typer(add_completion=False, rich_markup_mode=None)
        app.command(name=verb)(face)
        face = app
    return typer.main.get_command(face)


class VerbGroup(TyperGroup):
    """A group whose verbs stand as names and one line of help until one is called."""

    def __init__(self, **attributes: Any) -> None:
        super().__init__(**attributes)
        self.commands = {
            verb: TyperCommand(name=verb, help=line, rich_markup_mode=None)
            for verb, line in VERBS.items()
            if _present(verb)
        }

    def resolve_command(self, ctx: Any, args: list[str]) -> tuple[str | None, Any, list[str]]:
        """Name, command and remaining arguments; only here is the verb's module imported."""
        name, command, rest = super().resolve_command(ctx, args)
        return name, load(name) if name is not None else command, rest


app = typer.Typer(cls=VerbGroup, add_completion=False, rich_markup_mode=None)


def _show_version(wanted: bool) -> None:
    if wanted:
        typer.echo(f"indexhole {__version__}")
        raise typer.Exit


@app.callback(invoke_without_command=True)
def indexhole(
    context: typer.Context,
    version: Annotated[
        bool, typer.Option("--version", is_eager=True, callback=_show_version, help="Print the version.")
    ] = False,
) -> None:
    """The bench book of a keeper of vintage flexible-disk drives: evidence in, verdicts out."""
    help_when_bare(context)


def _complain(line: str) -> None:
    print(f"indexhole: {' '.join(line.split())}", file=sys.stderr)


def _usage_line(fault: typer.TyperException) -> str:
    """What is wrong with how a command was called, and where to look."""
    place: typer.Context | None = getattr(fault, "ctx", None)
    option = getattr(fault, "option_name", None)
    outer = place.parent if place else None
    while outer is not None:
        if any(option in param.opts for param in outer.command.params):
            # a keeper who signs a change at its end is told where the signature goes
            return (
                f"{option} goes before the command: {outer.command_path} {option} ...; see {outer.command_path} --help"
            )
        outer = outer.parent
    text = (
        fault.format_message()
        .rstrip(".")
        .partition(", unable to parse")[0]
        .replace("Value error, ", "")
        .replace(": Input should be ", ": should be ")
    )
    return f"{text}; see {place.command_path if place else 'indexhole'} --help"


def run(arguments: Sequence[str]) -> int:
    """Run one command line and return its exit status; an exception of our own making passes through."""
    command = typer.main.get_command(app)
    try:
        with command.make_context("indexhole", list(arguments)) as context:
            command.invoke(context)
        sys.stdout.flush()
    except typer.Exit as end:
        return end.exit_code
    except IndexholeError as fault:
        _complain(fault.line)
        return 2
    except typer.TyperException as fault:
        # every usage fault is of this family and carries the context it arose in
        _complain(_usage_line(fault))
        return 2
    except (KeyboardInterrupt, EOFError, typer.Abort):
        return STOPPED
    except BrokenPipeError:
        # what is still buffered has no reader: let the interpreter's last flush go nowhere
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return READER_GONE
    except OSError as fault:
        _complain(f"{fault.filename or 'output'}: {fault.strerror or fault}")
        return 2
    return 0


def main() -> None:
    """Entry point of the `indexhole` command."""
    for stream in (sys.stdout, sys.stderr):
        # a narrow terminal encoding must not turn a disk's title into a crash
        if hasattr(stream, "reconfigure"):
            stream.reconfigure(errors="backslashreplace")
    sys.exit(run(sys.argv[1:]))
