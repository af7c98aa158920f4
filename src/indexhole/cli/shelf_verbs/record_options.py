"""Arguments and options of a command, taken from a record: what each field says of itself is not said again here."""

from __future__ import annotations

import inspect
from collections.abc import Callable, Mapping
from typing import Annotated, Any, Literal

import typer

from indexhole.cli.present import AsJson, ShelfFolder
from indexhole.shelf.records.entry import Record
from indexhole.shelf.records.shown import RecordField, fields_of, grouped

# what a command does with the values of its record and with what else was given by name
Run = Callable[[dict[str, Any], dict[str, Any]], None]
_NONE: Mapping[str, tuple[Any, Any]] = {}
# the default of a parameter that has none
NEEDED = inspect.Parameter.empty


def option_name(one: RecordField) -> str:
    """The option of a field, such as `--weight-kg`."""
    return one.shown.option or f"--{one.name.replace('_', '-')}"


def command_fields(kind: type[Record]) -> list[RecordField]:
    """The fields that a command asks for: all but those that the register notes, and parts of a key."""
    return [one for one in grouped(kind) if not (one.noted or one.shown.in_key)]


def record_command(
    kind: type[Record],
    run: Run,
    *,
    about: str,
    first: Mapping[str, tuple[Any, Any]] = _NONE,
    more: Mapping[str, tuple[Any, Any]] = _NONE,
) -> Callable[..., None]:
    """A command that asks for the fields of a kind, with `--json` and `--shelf`.

    Args:
        kind: the kind of record.
        run: is called with the values of the fields that were given, and with all else by name.
        about: what the command does, for its help.
        first, more: further parameters before and after the fields, by name, as (annotation, default).
    """
    fields = command_fields(kind)
    own = {one.name: _argument(one) if one.shown.argument else _option(one) for one in fields}
    shared: dict[str, tuple[Any, Any]] = {"as_json": (AsJson, False), "folder": (ShelfFolder, None)}
    asked = {**first, **own, **more, **shared}

    def command(**given: Any) -> None:
        values = {name: given.pop(name) for name in own}
        run({name: value for name, value in values.items() if value is not None}, given)

    # typer reads the parameters of a command from its signature
    command.__signature__ = inspect.Signature(  # type: ignore[attr-defined]
        [
            inspect.Parameter(name, inspect.Parameter.KEYWORD_ONLY, annotation=annotation, default=default)
            for name, (annotation, default) in asked.items()
        ]
    )
    command.__annotations__ = {name: annotation for name, (annotation, _) in asked.items()}
    command.__doc__ = about
    return command


def _argument(one: RecordField) -> tuple[Any, Any]:
    return Annotated[str, typer.Argument(metavar=one.shown.metavar or None, help=_help(one))], NEEDED


def _option(one: RecordField) -> tuple[Any, Any]:
    wanted, default = _wanted(one)
    declared = [] if one.base is bool else [option_name(one)]
    return Annotated[wanted, typer.Option(*declared, metavar=one.shown.metavar or None, help=_help(one))], default


def _wanted(one: RecordField) -> tuple[Any, Any]:
    """The type of an option's value and its default; None is what was not given."""
    if one.base is str and one.words:
        short = {meaning: word for word, meaning in one.shown.short.items()}
        words = tuple(short.get(word, word) for word in one.words if word)
        default = words[0] if one.needed else one.default or None
        return Literal[words] if default else Literal[words] | None, default
    if one.base is str:
        return (str, "") if one.default == "" else (str | None, None)
    return one.base | None, None


def _help(one: RecordField) -> str:
    return f"{one.shown.heading}: {one.shown.help}." if one.shown.help else f"{one.shown.heading}."


def long_words(kind: type[Record], values: Mapping[str, Any]) -> dict[str, Any]:
    """The values with short words, such as `drive`, in full."""
    short = {one.name: one.shown.short for one in fields_of(kind)}
    return {name: short[name].get(value, value) if short[name] else value for name, value in values.items()}
