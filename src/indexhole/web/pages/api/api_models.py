"""What the API takes and gives besides the register's own records."""

from __future__ import annotations

from typing import Annotated, Any, Generic, Literal, TypeVar, get_type_hints

from pydantic import BaseModel, ConfigDict, Field, ValidationError, create_model

from indexhole.errors import InputFault
from indexhole.model.trials.trial import Operation, Trial
from indexhole.shelf.records.entry import Record
from indexhole.shelf.register.confidence import LONGEST_SOURCE
from indexhole.shelf.sheets.sheet import LAST_CYLINDER, MOST_SECTORS, SheetRow

T = TypeVar("T")
Short = Annotated[str, Field(max_length=80)]
Cylinder = Annotated[int, Field(ge=0, le=LAST_CYLINDER)]
Sectors = Annotated[int, Field(ge=0, le=MOST_SECTORS)]


class FaultAnswer(BaseModel):
    """What is wrong, where, and what to do; empty where there is nothing to say."""

    what: str
    where: str
    remedy: str


class Fault(BaseModel):
    """The answer to whatever cannot be done."""

    fault: FaultAnswer


class Some(BaseModel, Generic[T]):
    """Some of many: `items` from number `first` on (counted from 0), of `total`."""

    total: int
    first: int
    items: list[T]


class TrialRow(BaseModel):
    """One trial, with the columns of the sheet. Cylinders are inclusive."""

    model_config = ConfigDict(extra="forbid")

    trial: Annotated[Short, Field(min_length=1)]
    when: Annotated[str, Field(description="2026-03-01 or 2026-03-01T14:05")]
    operation: Operation
    host: Short = ""
    lead: Short = ""
    mechanism: Annotated[Short, Field(description="UNIT.NUMBER, such as D1.0")]
    disk: Annotated[Short, Field(min_length=1)]
    side: Literal[0, 1]
    first_cylinder: Cylinder
    last_cylinder: Cylinder
    sectors_tried: Sectors
    sectors_failed: Sectors
    note: str = ""

    def as_trial(self) -> Trial:
        """The trial, checked as one from a sheet is. Raises InputFault that names the column."""
        try:
            return SheetRow.model_validate({name: str(value) for name, value in self.model_dump().items()}).as_trial()
        except ValidationError as fault:
            error = fault.errors()[0]
            where = f"trial {self.trial!r} {'.'.join(str(part) for part in error['loc'])}".rstrip()
            raise InputFault(str(error["msg"]), where=where) from fault


class TrialAnswer(TrialRow):
    """A trial as the register holds it: with who logged it, and when (UTC); empty where that is not known."""

    logged_by: str
    logged_utc: str


class Entered(BaseModel):
    """What adding trials added: their number, and what entered as unproven because a trial names it."""

    trials: int
    units: list[str]
    mechanisms: list[str]
    disks: list[str]
    remarks: list[str]


class ChangeAnswer(BaseModel):
    """A change that can be taken back."""

    change: int
    at_utc: str
    what: str
    rows: int


class ChangeNumber(BaseModel):
    """The change to take back; it must be the last."""

    model_config = ConfigDict(extra="forbid")
    change: Annotated[int, Field(ge=1, le=2**53)]


class FieldStanding(BaseModel):
    """How a field is known: `not known` with where it was looked for, `as told` with who said so, or `plain`."""

    model_config = ConfigDict(extra="forbid")

    field: Short
    standing: Literal["not known", "as told", "plain"]
    source: Annotated[str, Field(max_length=LONGEST_SOURCE)] = ""


class FieldChangeAnswer(BaseModel):
    """A change of a field: what it said and says, or with `standing` how it was and is known."""

    field: str
    standing: bool
    was: Any
    now: Any
    at_utc: str
    who: str
    why: str
    undone: bool


class FoundAnswer(BaseModel):
    """One thing a search found, and where the page shows it."""

    kind: str
    key: str
    text: str


class Compared(BaseModel):
    """Units side by side: for each row a value for each unit, empty where nothing is known."""

    units: list[str]
    rows: dict[str, list[str]]


class Waiting(BaseModel):
    """The answer while something is being worked out: ask again."""

    ready: Literal[False] = False
    done: int
    total: int


def changes_of(kind: type[Record]) -> type[BaseModel]:
    """The fields of a record that may change, each optional: what a change sends."""
    hints = get_type_hints(kind, include_extras=True)
    left_out = {kind.KEY, *kind.FIXED, "standing"}
    fields: dict[str, Any] = {
        name: (hints[name], Field(default=None, json_schema_extra=_without_default))
        for name in kind.model_fields
        if name not in left_out
    }
    made: type[BaseModel] = create_model(
        f"{kind.__name__}Changes",
        __config__=ConfigDict(extra="forbid"),
        __doc__=f"Fields of a {kind.WORD} to change.",
        **fields,
    )
    return made


def _without_default(schema: dict[str, Any]) -> None:
    # a field left out stays as it is; `null` would be something else
    schema.pop("default", None)
