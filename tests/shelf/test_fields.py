"""Every field of every record is on every face: form, page, command, table, API, spreadsheet, linked data, search."""

from __future__ import annotations

from pathlib import Path
from typing import Any, get_type_hints

import pytest
import typer.main
from pydantic import TypeAdapter, ValidationError
from tests.support.visiting import sent

from indexhole.cli.shelf_verbs.add import adding
from indexhole.cli.shelf_verbs.views import show_entry
from indexhole.shelf.exchange.exchange import EXCHANGED, carry_out, plan_import, sheet_rows
from indexhole.shelf.exchange.linked_data import address, json_ld
from indexhole.shelf.records.additions import Photo, View
from indexhole.shelf.records.entry import Record
from indexhole.shelf.records.records import CaptureRecord, Disk, Mechanism, Note, Unit, checked
from indexhole.shelf.records.shown import RecordField, field_of, fields_of
from indexhole.shelf.register.shelf import Shelf
from indexhole.shelf.register.tables import TABLES
from indexhole.shelf.sheets.spreadsheet import cell_text
from indexhole.shelf.views.compare_units import compare_units
from indexhole.web.app import create_app
from indexhole.web.forms.fields import form_fields

FIELDS = [(kind, one) for kind in TABLES for one in fields_of(kind)]
EVERY = pytest.mark.parametrize(("kind", "one"), FIELDS, ids=[f"{kind.WORD}-{one.name}" for kind, one in FIELDS])
# what each kind of entry names; what a file says of itself
NAMED = {"unit": "D1", "disk": "K1", "mechanism": "D1.0"}
OF_FILES = {
    "sha256": "a" * 64, "parquet": "captures/one", "original": "captures/two", "file": "photos/one",
    "pulses_sha256": "b" * 64, "parquet_sha256": "c" * 64, "media_type": "image/png",
    "added_utc": "2026-01-02T03:04:05+00:00",
}  # fmt: skip


def value_of(kind: type[Record], one: RecordField, number: int) -> Any:
    """A value for the field that nothing else says, or where it can only be one of some, the last of them."""
    if one.name in OF_FILES:
        return OF_FILES[one.name]
    if one.name == "standing":
        return "known"
    if one.shown.names:
        return NAMED[one.shown.names]
    if one.options:
        return one.options[-1][0]
    if one.base in (int, float):
        return 1 + number % 30
    fits = TypeAdapter(get_type_hints(kind, include_extras=True)[one.name])
    for candidate in (f"word{number}", str(1900 + number)):
        try:
            return fits.validate_python(candidate)
        except ValidationError:
            continue
    raise AssertionError(f"no value for {one.name}")


def full(kind: type[Record]) -> Record:
    """An entry that says something in every field; its key is one that the register gives out, or X1."""
    values = {one.name: value_of(kind, one, number) for number, one in enumerate(fields_of(kind))}
    values |= {kind.KEY: f"{kind.LETTERS}1" if kind.LETTERS else values["sha256"] if kind.FROM_FILE else "X1"}
    if kind is Mechanism:
        values |= {"mechanism": "D1.7", "unit": "D1", "number": 7}
    if kind is Unit:
        values |= {"kind": "drive unit"}
    if {"unit", "disk"} <= set(values) and kind is not CaptureRecord:
        values |= {"unit": None}
    return checked(kind, **values)


@pytest.fixture(scope="module")
def shelf(tmp_path_factory: pytest.TempPathFactory) -> Shelf:
    held = Shelf.open(tmp_path_factory.mktemp("fields") / "shelf", create=True)
    held.add(checked(Unit, inventory="D1", kind="drive unit"))
    held.add(checked(Mechanism, mechanism="D1.0"))
    held.add(checked(Disk, inventory="K1"))
    for kind in TABLES:
        held.add(full(kind))
    return held


@pytest.fixture(scope="module")
def description(shelf: Shelf) -> Any:
    return sent(create_app(shelf), "GET", "/api/openapi.json").json()


def says(record: Record, one: RecordField) -> bool:
    """Whether the full entry says something there: an entry is of a unit or of a disk, never of both."""
    return getattr(record, one.name) is not None


@EVERY
def test_a_field_says_what_it_is(kind: type[Record], one: RecordField) -> None:
    assert one.shown.label[0].isupper()
    assert one.shown.help == "" or (one.shown.help[-1] not in ".:" and ": " not in one.shown.help)
    # the name of a field carries the unit that its label shows
    ending = {"kg": "_kg", "µm": "_um", "°C": "_c", "%": "_pct", "bytes": "_bytes", "UTC": "_utc", "": ""}
    assert one.name.endswith(ending[one.shown.unit])


@EVERY
def test_a_form_asks_for_it(kind: type[Record], one: RecordField) -> None:
    why_not = ""
    if one.noted:
        why_not = "the register or the file says it"
    elif one.shown.subject:
        why_not = "the form is opened on the page of that thing"
    elif kind is Mechanism and one.key:
        why_not = "it is made of the unit and the number"
    asked = {field.name: field for field in form_fields(kind, new=True)}
    assert (one.name in asked) != bool(why_not)
    later = {field.name for field in form_fields(kind, new=False)}
    assert (one.name in later) == (not why_not and not one.key and one.name != "number")
    if one.name in asked:
        assert asked[one.name].label.startswith(one.shown.label)
        assert asked[one.name].help == one.shown.help


@EVERY
def test_a_command_asks_for_it(kind: type[Record], one: RecordField) -> None:
    why_not = "the register or the file says it" if one.noted else ""
    if kind is Mechanism and one.name in ("unit", "number"):
        why_not = "UNIT.NUMBER says it"
    group: Any = typer.main.get_command(adding)
    asked = {parameter.name: parameter for parameter in group.commands[kind.WORD].params}
    assert (one.name in asked) != bool(why_not)
    if one.name in asked:
        assert one.shown.label in str(asked[one.name].help)


@EVERY
def test_a_program_can_read_it_and_change_it(description: Any, kind: type[Record], one: RecordField) -> None:
    schemas = description["components"]["schemas"]
    assert schemas[kind.__name__]["properties"][one.name]["title"] == one.shown.heading
    fixed = one.key or one.name in kind.FIXED or one.name == "standing"
    assert (one.name in schemas[f"{kind.__name__}Changes"]["properties"]) != fixed
    assert {f"/api/{kind.WORD}s", f"/api/{kind.WORD}"} <= set(description["paths"])
    assert ("post" in description["paths"][f"/api/{kind.WORD}"]) == (kind not in (CaptureRecord, Photo))


@EVERY
def test_a_spreadsheet_has_its_column(shelf: Shelf, kind: type[Record], one: RecordField) -> None:
    why_not = {CaptureRecord: "it is a file first", Photo: "it is a file first", View: "it is a saved question"}
    assert (kind in EXCHANGED) == (kind not in why_not)
    if kind in EXCHANGED:
        heading, *rows = sheet_rows(shelf, kind)
        column = heading.index(one.name)
        assert rows[-1][column] == getattr(full(kind), one.name)


@pytest.mark.parametrize("kind", EXCHANGED)
def test_a_spreadsheet_brings_every_field_to_another_shelf(tmp_path: Path, shelf: Shelf, kind: type[Record]) -> None:
    other = Shelf.open(tmp_path / "other", create=True)
    for key in (Unit, Mechanism, Disk):
        if key is kind:
            break
        other.add_together([record for record in shelf.all(key) if record.key in NAMED.values()], "first")
    heading, *rows = [[cell_text(value) for value in row] for row in sheet_rows(shelf, kind)]
    if kind.LETTERS:
        # another shelf gives out its own
        rows = [["" if name == kind.KEY else cell for name, cell in zip(heading, row, strict=True)] for row in rows]
    carry_out(other, plan_import(other, kind, [heading, *rows]))
    assert other.all(kind) == shelf.all(kind)


@EVERY
def test_linked_data_says_it(shelf: Shelf, kind: type[Record], one: RecordField) -> None:
    record = full(kind)
    nodes = {node["@id"]: node for node in json_ld(shelf)["@graph"]}
    if kind is View:
        assert address("view", record.key) not in nodes, "a saved question is no thing of the collection"
        return
    node = nodes[address(kind.WORD, record.key)]
    term = f"dcterms:{one.shown.term}" if one.shown.term else f"indexhole:{one.name}"
    assert (term in node) or not says(record, one)


@EVERY
def test_the_terminal_shows_it(capsys: pytest.CaptureFixture[str], kind: type[Record], one: RecordField) -> None:
    record = full(kind)
    show_entry(record)
    lines = capsys.readouterr().out.splitlines()
    assert lines[0] == f"{kind.WORD} {record.key}"
    shown = any(line.startswith(f"  {one.shown.in_text}: ") for line in lines)
    assert shown == (not one.key and says(record, one))


@pytest.mark.parametrize("kind", [Unit, Disk])
def test_its_page_shows_every_field(shelf: Shelf, kind: type[Record]) -> None:
    page = sent(create_app(shelf), "GET", f"/{kind.WORD}", params={"no": "X1"}).text
    for one in fields_of(kind):
        if not (one.noted or one.key or one.name == "title"):
            said = one.said(getattr(full(kind), one.name))
            assert f"<dt>{one.shown.label}</dt><dd>{said}</dd>" in page, one.name
    assert field_of(kind, "title").said(full(kind).title) in page


def test_units_side_by_side_show_every_field(shelf: Shelf) -> None:
    rows = dict(compare_units(shelf, ["X1", "D1"]).rows)
    for one in fields_of(Unit):
        if not (one.noted or one.key):
            said = one.said(getattr(full(Unit), one.name), unit=False)
            assert rows[one.shown.compared or one.shown.in_text][0] == said, one.name


@EVERY
def test_a_search_finds_its_text(shelf: Shelf, kind: type[Record], one: RecordField) -> None:
    value = getattr(full(kind), one.name)
    if isinstance(value, str) and value.startswith("word"):
        found = {(one.kind, one.key) for one in shelf.search(value)}
        assert (kind.WORD, full(kind).key) in found


@pytest.mark.parametrize("kind", TABLES)
def test_its_table_has_a_column_for_every_field_and_no_other(kind: type[Record]) -> None:
    assert TABLES[kind].name == kind.MANY
    assert {column.name for column in TABLES[kind].c} == {"row", "revision", *kind.model_fields}


def test_a_field_of_which_nothing_is_said_is_refused() -> None:
    class Bare(Note):
        colour: str = ""

    with pytest.raises(TypeError, match="field colour of Bare has no Shown"):
        fields_of(Bare)
