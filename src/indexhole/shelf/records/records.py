"""What the register holds, as frozen records: what comes from outside is checked here, once.

Field order is the order of the columns. Text that is not known is empty, a number that is not known is None.
"""

from __future__ import annotations

import re
from datetime import UTC, datetime
from typing import Annotated, Any, ClassVar, Literal, TypeVar

from pydantic import (
    AfterValidator,
    AwareDatetime,
    BaseModel,
    BeforeValidator,
    ConfigDict,
    Field,
    TypeAdapter,
    ValidationError,
    model_validator,
)
from pydantic_core import ErrorDetails

from indexhole.errors import InputFault
from indexhole.shelf.files.inside import CAPTURES, PHOTOS, leads_inside
from indexhole.shelf.records.dates import span_of
from indexhole.shelf.records.event_work import EventWork, guessed_work

UnitKind = Literal["drive unit", "host", "lead", "adapter"]
Standing = Literal["known", "unproven"]
Importance = Literal["scratch", "working", "irreplaceable"]
Notch = Literal["open", "covered", "none", ""]
Before = Literal["erased", "never recorded", "recorded", ""]

_CONTROL = re.compile(r"[\x00-\x1f\x7f-\x9f]")


def _inventory(text: str) -> str:
    if _CONTROL.search(text) or text != text.strip():
        raise ValueError("an inventory number holds no control character and no space at its ends")
    return text


def _text(text: str) -> str:
    if "\0" in text:
        raise ValueError("holds a NUL character")
    return text


def _disk_class(text: str) -> str:
    from indexhole.standards.classes import load_classes

    if text and text not in load_classes():
        raise ValueError(f"{text!r} is no disk class; known are {', '.join(sorted(load_classes()))}")
    return text


def _layout(text: str) -> str:
    from indexhole.standards.layouts import load_layouts

    if text and text not in load_layouts():
        raise ValueError(f"{text!r} is no layout; known are {', '.join(sorted(load_layouts()))}")
    return text


def _reference(text: str) -> str:
    if not re.fullmatch("[a-z0-9][a-z0-9-]*|", text):
        raise ValueError(f"{text!r} is no key of a table of standards; it is written in small letters, as 130-48")
    return text


def _words(text: str) -> str:
    if _CONTROL.search(text):
        raise ValueError("words parted by commas hold no control character")
    return ", ".join(words_of(text))


def words_of(text: str) -> tuple[str, ...]:
    """The words of a field that holds several parted by commas, each once, in order."""
    return tuple(dict.fromkeys(word for part in text.split(",") if (word := part.strip())))


def _number(value: object) -> object:
    # a choice of numbers takes no text by itself, and from the command line everything is text
    return int(value) if isinstance(value, str) and re.fullmatch("[0-9]{1,3}", value) else value


def _when(text: str) -> str:
    span_of(text)
    return text


def _inside(within: str) -> AfterValidator:
    def check(text: str) -> str:
        if text and not leads_inside(text, within):
            raise ValueError(f"must be a path inside the folder {within} of the shelf")
        return text

    return AfterValidator(check)


Inventory = Annotated[str, Field(min_length=1, max_length=80), AfterValidator(_inventory)]
MaybeInventory = Annotated[str, Field(max_length=80), AfterValidator(_inventory)]
Text = Annotated[str, Field(max_length=20_000), AfterValidator(_text)]
DiskClassId = Annotated[str, AfterValidator(_disk_class)]
When = Annotated[str, Field(max_length=80), AfterValidator(_when)]
LayoutId = Annotated[str, AfterValidator(_layout)]
Reference = Annotated[str, Field(max_length=80), AfterValidator(_reference)]
Words = Annotated[str, Field(max_length=2000), AfterValidator(_words)]
Width = Annotated[float, Field(gt=0, le=2000, allow_inf_nan=False)]
CapturePath = Annotated[str, _inside(CAPTURES)]
PhotoPath = Annotated[str, _inside(PHOTOS)]
Sha256 = Annotated[str, Field(pattern="^[0-9a-f]{64}$")]
MaybeSha256 = Annotated[str, Field(pattern="^([0-9a-f]{64})?$")]


def now() -> datetime:
    """This moment in UTC, to the second."""
    return datetime.now(UTC).replace(microsecond=0)


class Record(BaseModel):
    """One entry of the register. `KEY` names the field it is known by, `FIXED` those that never change.

    Where `LETTERS` are given, the register gives out the key: the letters and a number.
    """

    model_config = ConfigDict(extra="forbid", frozen=True)
    KEY: ClassVar[str]
    WORD: ClassVar[str]
    LETTERS: ClassVar[str] = ""
    FIXED: ClassVar[tuple[str, ...]] = ()

    @property
    def key(self) -> str:
        """What the entry is known by."""
        return str(getattr(self, self.KEY))

    @property
    def label(self) -> str:
        """The entry in a few words: its key, or what it says while it has none."""
        return self.key


class Unit(Record):
    """A thing on the shelf. `standing` is `unproven` for one known only because a trial names it.

    `date_codes` is what is printed or stamped on the parts, as text; what a code means is unproven. `controller`
    and `volume_kinds` (parted by commas) are of a host: what drives its disks, and which volumes it can take.
    `made` and `acquired_when` may be half remembered; `acquired` says how and from whom, `origin` where it was used
    before. `state` is its condition. `modifications` are kept, not judged; `labels_left` are the labels and stickers
    left on it on purpose.
    """

    KEY = "inventory"
    WORD = "unit"

    inventory: Inventory
    kind: UnitKind
    title: Text = ""
    maker: Text = ""
    disk_class: DiskClassId = ""
    acquired: Text = ""
    origin: Text = ""
    state: Text = ""
    date_codes: Text = ""
    standing: Standing = "known"
    controller: Reference = ""
    volume_kinds: Words = ""
    description: Text = ""
    made: When = ""
    acquired_when: When = ""
    location: Text = ""
    interfaces: Words = ""
    connectors: Words = ""
    power_input: Text = ""
    weight_kg: float | None = Field(default=None, gt=0, le=2000, allow_inf_nan=False)
    device_address: Text = ""
    modifications: Text = ""
    labels_left: Text = ""


class Mechanism(Record):
    """One spindle-and-head assembly of a drive unit, numbered as it answers; `front` is what the front says.

    `drive_class` says what it can do; empty, it goes by the unit's disk class. `heads` and `cylinders` it has where
    they differ from the class.
    """

    KEY = "mechanism"
    WORD = "mechanism"

    mechanism: Inventory
    unit: Inventory
    number: int = Field(ge=0, le=999)
    front: Text = ""
    write_width_um: Width | None = None
    read_width_um: Width | None = None
    note: Text = ""
    standing: Standing = "known"
    drive_class: Reference = ""
    heads: Annotated[Literal[1, 2] | None, BeforeValidator(_number)] = None
    cylinders: int | None = Field(default=None, ge=1, le=255)

    @model_validator(mode="before")
    @classmethod
    def _named(cls, values: Any) -> Any:
        """A mechanism may be named by `mechanism` alone or by `unit` and `number`."""
        if not isinstance(values, dict):
            return values
        if "mechanism" not in values and {"unit", "number"} <= set(values):
            return {**values, "mechanism": f"{values['unit']}.{values['number']}"}
        if "unit" not in values and "mechanism" in values:
            unit, point, number = str(values["mechanism"]).rpartition(".")
            if not (unit and point and re.fullmatch("[0-9]{1,3}", number)):
                raise ValueError(f"{values['mechanism']!r} is not UNIT.NUMBER; write it as D1.0")
            return {**values, "unit": unit, "number": int(number)}
        return values

    @model_validator(mode="after")
    def _agrees(self) -> Mechanism:
        if self.mechanism != f"{self.unit}.{self.number}":
            raise ValueError(f"{self.mechanism!r} is not number {self.number} of unit {self.unit!r}")
        return self


class Disk(Record):
    """One flexible disk. One whose `importance` is `irreplaceable` is never proposed for a write.

    `notch` is the one that allows writing; `sector_holes` is None where nobody looked, 0 for a disk with the index
    hole alone. `recorded_by` names the mechanism that recorded it where that is known; temperature in degrees
    Celsius and relative humidity in per cent are those of that day. `before` is what it held before that.
    `condition` is words parted by commas, such as "shedding, creased". `label_text` is what its labels say.
    """

    KEY = "inventory"
    WORD = "disk"

    inventory: Inventory
    title: Text = ""
    disk_class: DiskClassId = ""
    sides: Annotated[Literal[1, 2] | None, BeforeValidator(_number)] = None
    note: Text = ""
    standing: Standing = "known"
    importance: Importance = "working"
    notch: Notch = ""
    hub_ring: bool | None = None
    sector_holes: Annotated[Literal[0, 10, 16, 32] | None, BeforeValidator(_number)] = None
    layout: LayoutId = ""
    recorded_by: MaybeInventory = ""
    recorded_when: When = ""
    recorded_temperature_c: float | None = Field(default=None, ge=-60, le=80, allow_inf_nan=False)
    recorded_humidity_pct: float | None = Field(default=None, ge=0, le=100, allow_inf_nan=False)
    before: Before = ""
    condition: Words = ""
    label_text: Text = ""
    acquired: Text = ""
    acquired_when: When = ""
    origin: Text = ""
    location: Text = ""

    @property
    def irreplaceable(self) -> bool:
        """Whether it must never be written on."""
        return self.importance == "irreplaceable"

    @model_validator(mode="before")
    @classmethod
    def _marked(cls, values: Any) -> Any:
        """The mark `irreplaceable`, as a form or an older sheet has it, is the word for importance."""
        if not isinstance(values, dict) or "irreplaceable" not in values:
            return values
        left = {name: value for name, value in values.items() if name != "irreplaceable"}
        if TypeAdapter(bool).validate_python(values["irreplaceable"]):
            return {**left, "importance": "irreplaceable"}
        return {**left, "importance": "working"} if left.get("importance") == "irreplaceable" else left


class CaptureRecord(Record):
    """Where a capture is kept. Paths are relative to the shelf's folder, parted by `/`.

    `mechanism` read it; `writer` is the mechanism known to have formatted what it holds, where that is known.
    `sha256` is of the original file's bytes; `original` is empty when the original was not kept. `pulses_sha256` is
    the digest of the pulses themselves, by which they can be proven equal when they are made anew, and
    `parquet_sha256` is of the bytes of the file that holds them; both are empty in an entry of an older version.
    """

    KEY = "sha256"
    WORD = "capture"
    FIXED = ("name", "size_bytes", "parquet", "original", "added_utc", "pulses_sha256", "parquet_sha256")

    sha256: Sha256
    name: Text
    size_bytes: int = Field(ge=0)
    disk: Inventory | None = None
    mechanism: Inventory | None = None
    writer: Inventory | None = None
    cylinder: int | None = Field(default=None, ge=0, le=254)
    head: int | None = Field(default=None, ge=0, le=1)
    taken: When = ""
    parquet: CapturePath
    original: CapturePath = ""
    note: Text = ""
    added_utc: AwareDatetime = Field(default_factory=now)
    pulses_sha256: MaybeSha256 = ""
    parquet_sha256: MaybeSha256 = ""

    @property
    def label(self) -> str:
        """The name of its file."""
        return self.name


class Event(Record):
    """Something that happened to a unit. `when` may be half remembered: "about 1987", "1980s", "before 1990".

    `work` is the kind of work it was, which says what evidence from before it still counts; empty, nobody has said,
    and `done` goes by the words of `what`.
    """

    KEY = "event"
    WORD = "event"
    LETTERS = "E"

    event: str = Field(default="", pattern="^(E[0-9]+)?$")
    unit: Inventory
    when: When = ""
    what: Text = Field(min_length=1)
    source: Text = ""
    work: EventWork = ""

    @property
    def label(self) -> str:
        """The unit and the start of what happened."""
        return f"{self.unit}: {self.what[:40]}"

    @property
    def done(self) -> EventWork:
        """The kind of work it was, by the keeper's word, else as its words point to; never empty."""
        return self.work or guessed_work(self.what)


class Note(Record):
    """A remark on a unit, a disk, or (both None) on the shelf as a whole."""

    KEY = "note"
    WORD = "note"
    LETTERS = "N"

    note: str = Field(default="", pattern="^(N[0-9]+)?$")
    unit: Inventory | None = None
    disk: Inventory | None = None
    text: Text = Field(min_length=1)
    added_utc: AwareDatetime = Field(default_factory=now)

    @property
    def label(self) -> str:
        """The start of the remark."""
        return self.text[:40]


R = TypeVar("R", bound=Record)


_FAULT_WORDS = {
    "extra_forbidden": "there is no such field",
    "missing": "is needed",
    "float_parsing": "{given} is no number",
    "int_parsing": "{given} is no whole number",
    "bool_parsing": "{given} is neither yes nor no",
    "string_too_short": "this is needed",
    "string_too_long": "is longer than {max_length} characters",
    "greater_than": "must be above {gt}",
    "greater_than_equal": "must not be below {ge}",
    "less_than": "must be below {lt}",
    "less_than_equal": "must not be above {le}",
    "literal_error": "{given} is none of {expected}",
}


def fault_words(error: ErrorDetails) -> str:
    """What is wrong with one value, in a keeper's words."""
    words = _FAULT_WORDS.get(error["type"])
    if words is not None:
        return words.format(given=repr(str(error["input"])[:40]), **error.get("ctx", {}))
    return error["msg"].removeprefix("Value error, ")


def checked(kind: type[R], /, **values: Any) -> R:
    """A record from outside values. Raises InputFault that names field, fault and remedy."""
    try:
        return kind.model_validate(values)
    except ValidationError as fault:
        error = fault.errors()[0]
        place = f"{kind.WORD} {'.'.join(str(part) for part in error['loc'])}".rstrip()
        remedy = "mend the value and try again"
        if error["type"] == "extra_forbidden":
            remedy = f"fields are {', '.join(kind.model_fields)}"
        raise InputFault(fault_words(error), where=place, remedy=remedy) from fault
