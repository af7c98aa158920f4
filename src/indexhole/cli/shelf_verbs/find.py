"""`indexhole shelf search, compare, timeline, history`: what is found, side by side, along time, field by field."""

from __future__ import annotations

from typing import Annotated, Literal

import typer

from indexhole.cli.open_shelf import opened_shelf
from indexhole.cli.present import AsJson, ShelfFolder, emit_json, emit_table, remark, say
from indexhole.errors import InputFault
from indexhole.shelf.register.tables import kind_of
from indexhole.wording import count_of

Kept = Literal["unit", "mechanism", "disk", "capture", "event", "note", "part", "firmware", "loan", "photo", "view"]


def search(
    words: Annotated[
        list[str] | None, typer.Argument(metavar="TEXT...", help="Words, or their starts, that must all be there.")
    ] = None,
    kind: Annotated[list[str] | None, typer.Option("--kind", help="Only entries of this kind; may repeat.")] = None,
    most: Annotated[int, typer.Option(min=1, help="Show at most so many.")] = 100,
    view: Annotated[str, typer.Option(help="Search as the view of this name says.")] = "",
    as_json: AsJson = False,
    folder: ShelfFolder = None,
) -> None:
    """Search every entry, whatever the case and the accents."""
    from indexhole.shelf.records.additions import View
    from indexhole.shelf.records.records import words_of

    with opened_shelf(folder) as opened:
        text, kinds = " ".join(words or []), list(kind or [])
        if view:
            saved = opened.get(View, view)
            text, kinds = f"{saved.words} {text}", kinds or list(words_of(saved.what))
        found = opened.search(text, kinds, most=most)
        all_found = sum(opened.search_counts(text, kinds).values()) if len(found) == most else len(found)
    if as_json:
        emit_json({"found": found, "all": all_found})
        return
    if not found:
        say("nothing found; each word, or its start, must stand in the entry")
        return
    emit_table(f"{all_found} found", ["kind", "key", "text"], [[f.kind, f.key[:16], f.text] for f in found])
    if all_found > len(found):
        remark(f"the first {len(found)} are shown; --most shows more")


def compare(
    units: Annotated[list[str] | None, typer.Argument(metavar="UNIT...", help="Inventory numbers.")] = None,
    view: Annotated[str, typer.Option(help="Compare what the view of this name has chosen.")] = "",
    as_json: AsJson = False,
    folder: ShelfFolder = None,
) -> None:
    """Set units side by side: weight, date, capacity, interface, processors, proven pairings."""
    from indexhole.shelf.records.additions import View
    from indexhole.shelf.records.records import words_of
    from indexhole.shelf.views.compare_units import compare_units

    with opened_shelf(folder) as opened:
        chosen = list(units or [])
        if view:
            chosen += words_of(opened.get(View, view).chosen)
        compared = compare_units(opened, chosen)
    if as_json:
        emit_json({"units": compared.units, "rows": dict(compared.rows)})
    else:
        rows = [[name, *(value or None for value in values)] for name, values in compared.rows]
        emit_table(count_of(len(compared.units), "unit"), ["", *compared.units], rows)


def timeline(
    by: Annotated[
        Literal["made", "acquired", "recorded"], typer.Option(help="When made, when acquired, when recorded.")
    ] = "made",
    as_json: AsJson = False,
    folder: ShelfFolder = None,
) -> None:
    """The collection along time, as far as it is known."""
    from indexhole.shelf.views.timeline import timeline as along

    with opened_shelf(folder) as opened:
        moments = along(opened, by).moments
    if as_json:
        emit_json({"by": by, "timeline": moments})
    else:
        rows = [[m.earliest, m.latest, m.kind, m.key, m.title or None, m.told, m.basis or None] for m in moments]
        emit_table(f"by date {by}", ["from", "to", "kind", "key", "title", "told", "basis"], rows)


def history(
    kind: Annotated[Kept, typer.Argument(help="Kind of entry.")],
    key: Annotated[str, typer.Argument(metavar="ID", help="What it is known by.")],
    field: Annotated[str, typer.Argument(metavar="[FIELD]", help="Only this field.")] = "",
    as_json: AsJson = False,
    folder: ShelfFolder = None,
) -> None:
    """Every change of an entry, field by field: what it was, what it became, who did it and why."""
    record = kind_of(kind)
    if field and field not in record.model_fields:
        raise InputFault(f"a {kind} has no field {field}", remedy=f"its fields are {', '.join(record.model_fields)}")
    with opened_shelf(folder) as opened:
        changes = opened.field_history(record, key, field)
    if as_json:
        emit_json({"history": changes})
        return
    rows = [
        [f"{c.at_utc:%Y-%m-%d %H:%M}", f"{c.field}{', how it stands' * c.standing}", *map(_said, c.in_words),
         c.who or None, c.why or None, "undone" if c.undone else None]
        for c in changes
    ]  # fmt: skip
    emit_table(count_of(len(changes), "change"), ["at, UTC", "field", "was", "became", "who", "why", ""], rows)


def standing(
    kind: Annotated[Kept, typer.Argument(help="Kind of entry.")],
    key: Annotated[str, typer.Argument(metavar="ID", help="What it is known by.")],
    field: Annotated[str, typer.Argument(metavar="FIELD", help="The field, as --json names it.")],
    how: Annotated[
        Literal["not known", "as told", "plain"],
        typer.Argument(help="Looked for and not known, as told by somebody, or plain again."),
    ],
    source: Annotated[str, typer.Option(help="Who told it, or where it was looked for.")] = "",
    as_json: AsJson = False,
    folder: ShelfFolder = None,
) -> None:
    """Say how a field stands: looked for and not known, or as somebody told it.

    As: shelf standing unit D1 maker "as told" --source "the giver".
    """
    record = kind_of(kind)
    with opened_shelf(folder) as opened:
        opened.put_standing(record, key, field, None if how == "plain" else how, source)
        stands = opened.confidences_of(record, key)
    if as_json:
        emit_json({"standings": list(stands.values())})
    else:
        rows = [[held.field, held.standing, held.source or None] for held in stands.values()]
        emit_table(f"{kind} {key}", ["field", "stands", "source"], rows)


def _said(value: object) -> object:
    return None if value in (None, "") else value
