"""What the register holds, as frozen records: what comes from outside is checked here, once.

Field order is the order of the columns. Text that is not known is empty, a number that is not known is None.
"""

from __future__ import annotations

import re
from datetime import UTC, datetime
from typing import Annotated, Any, Literal, TypeVar

from pydantic import (
    AfterValidator,
    AwareDatetime,
    BeforeValidator,
    Field,
    TypeAdapter,
    ValidationError,
    model_validator,
)
from pydantic_core import ErrorDetails

from indexhole.errors import InputFault, fault_of_value
from indexhole.shelf.files.inside import CAPTURES, PHOTOS, leads_inside
from indexhole.shelf.records.dates import EXAMPLES, span_of
from indexhole.shelf.records.entry import Record
from indexhole.shelf.records.event_work import EventWork, guessed_work, work_choices
from indexhole.shelf.records.shown import Group, Options, Shown

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


def _classes() -> Options:
    from indexhole.standards.classes import load_classes

    return tuple((held.id, held.title) for held in load_classes().values())


def _layouts() -> Options:
    from indexhole.standards.layouts import load_layouts

    return tuple((held.id, held.title) for held in load_layouts().values())


def _controllers() -> Options:
    from indexhole.standards.controllers import load_controllers

    return tuple((key, key) for key in load_controllers())


def _drive_classes() -> Options:
    from indexhole.standards.drives import load_drives

    return tuple((key, key) for key in load_drives())


def _sector_holes() -> Options:
    return (("0", "none"), *((number, number) for number in ("10", "16", "32")))


def _heads() -> Options:
    return (("0", "0"), ("1", "1"))


def _reference(text: str) -> str:
    if not re.fullmatch("[a-z0-9][a-z0-9-]*|", text):
        raise ValueError(f"{text!r} is no key of a table of standards; it is written in small letters, as 130-48")
    return text


def _words(text: str) -> str:
    if _CONTROL.search(text):
        raise ValueError("words with commas between them hold no control character")
    return ", ".join(words_of(text))


def words_of(text: str) -> tuple[str, ...]:
    """The words of a field that holds several with commas between them, each once, in order."""
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


# what stands on more than one record
OF_UNIT = Shown("Unit", "the unit’s inventory number", names="unit", subject=True, listed=True, term="subject")
OF_DISK = Shown("Disk", "the disk’s inventory number", names="disk", subject=True, listed=True, term="subject")
_REMARK = Shown("Remark", "anything else", long=True, term="description")
_STANDING = Shown("Standing", "unproven while nobody but a trial names it", listed=True, searched=False)
ADDED = Shown("Added", unit="UTC", term="dateSubmitted")


class Unit(Record):
    """A thing on the shelf. `standing` is `unproven` for one known only because a trial names it.

    `date_codes` is what is printed or stamped on the parts, as text; what a code means is unproven. `controller`
    and `volume_kinds` are of a host: what drives its disks, and which volumes it can take. `made` and
    `acquired_when` may be half remembered; `acquired` says how and from whom, `origin` where it was used before.
    `state` is its condition. `modifications` are noted, not judged.
    """

    KEY = "inventory"
    WORD = "unit"
    MANY = "units"
    CALLED = "a unit"
    LINKED = "PhysicalObject"

    inventory: Annotated[
        Inventory,
        Shown(
            "Inventory number", "such as D7; it never changes", Group.IS, argument=True, listed=True, term="identifier"
        ),
    ]
    kind: Annotated[UnitKind, Shown("Kind", group=Group.IS, short={"drive": "drive unit"}, listed=True, term="type")]
    title: Annotated[Text, Shown("Title", "what you call it", Group.IS, listed=True, term="title")] = ""
    maker: Annotated[Text, Shown("Maker", "as far as you know", Group.MADE, listed=True, term="creator")] = ""
    disk_class: Annotated[
        DiskClassId,
        Shown(
            "Disk class",
            "of the disks it takes, such as 130-48",
            Group.IS,
            choices=_classes,
            option="--class",
            listed=True,
            compared="disks",
        ),
    ] = ""
    acquired: Annotated[Text, Shown("Acquired", "how, and from whom", Group.CAME, term="accrualMethod")] = ""
    origin: Annotated[Text, Shown("Origin", "where it was used before", Group.CAME, term="provenance")] = ""
    state: Annotated[Text, Shown("State", "what works, and what does not", Group.NOW, listed=True)] = ""
    date_codes: Annotated[
        Text, Shown("Date codes", "as they stand on its parts", Group.MADE, remark="meaning unproven")
    ] = ""
    standing: Annotated[Standing, _STANDING] = "known"
    controller: Annotated[
        Reference, Shown("Controller", "what drives the disks of a host", Group.JOINS, choices=_controllers)
    ] = ""
    volume_kinds: Annotated[
        Words, Shown("Volumes it takes", "of a host; words with commas between, such as fat12, labelled", Group.JOINS)
    ] = ""
    description: Annotated[Text, Shown("Description", group=Group.IS, long=True, term="description")] = ""
    made: Annotated[When, Shown("Made", EXAMPLES, Group.MADE, term="created")] = ""
    acquired_when: Annotated[
        When, Shown("Acquired when", "a date as well as you know it", Group.CAME, term="dateAccepted")
    ] = ""
    location: Annotated[Text, Shown("Where it stands", group=Group.NOW)] = ""
    interfaces: Annotated[
        Words, Shown("Interfaces", "words with commas between", Group.JOINS, compared="interface")
    ] = ""
    connectors: Annotated[Words, Shown("Connectors", "words with commas between", Group.JOINS)] = ""
    power_input: Annotated[Text, Shown("Power input", group=Group.JOINS)] = ""
    weight_kg: Annotated[float | None, Shown("Weight", group=Group.IS, unit="kg")] = Field(
        default=None, gt=0, le=2000, allow_inf_nan=False
    )
    device_address: Annotated[Text, Shown("Device address", group=Group.JOINS)] = ""
    modifications: Annotated[Text, Shown("Modifications", "what was changed on it", Group.NOW, long=True)] = ""
    labels_left: Annotated[
        Text, Shown("Labels left on it", "labels and stickers left there on purpose", Group.NOW, long=True)
    ] = ""


class Mechanism(Record):
    """One spindle-and-head assembly of a drive unit, numbered as it answers; `front` is what the front says.

    `drive_class` says what it can do; empty, it goes by the unit's disk class. `heads` and `cylinders` it has where
    they differ from the class.
    """

    KEY = "mechanism"
    WORD = "mechanism"
    MANY = "mechanisms"
    CALLED = "a mechanism"
    LINKED = "PhysicalObject"

    mechanism: Annotated[
        Inventory,
        Shown(
            "Mechanism",
            "the unit and the number that it answers to, such as D1.0",
            Group.IS,
            argument=True,
            metavar="UNIT.NUMBER",
            listed=True,
            term="identifier",
        ),
    ]
    unit: Annotated[
        Inventory,
        Shown("Unit", "the unit’s inventory number", names="unit", subject=True, in_key=True, term="isPartOf"),
    ]
    number: Annotated[int, Shown("Number", "the one it answers to, whatever the front says", Group.IS, in_key=True)] = (
        Field(ge=0, le=999)
    )
    front: Annotated[Text, Shown("Front says", "it need not be the number", Group.IS, listed=True)] = ""
    write_width_um: Annotated[
        Width | None, Shown("Writes", "width of the track that it writes", Group.HEAD, unit="µm", listed=True)
    ] = None
    read_width_um: Annotated[
        Width | None, Shown("Reads", "width that its head reads", Group.HEAD, unit="µm", listed=True)
    ] = None
    note: Annotated[Text, Shown("Remark", "anything else", Group.IS, listed=True, term="description")] = ""
    standing: Annotated[Standing, _STANDING] = "known"
    drive_class: Annotated[
        Reference, Shown("Drive class", "if empty, as the unit’s disk class says", Group.IS, choices=_drive_classes)
    ] = ""
    heads: Annotated[
        Literal[1, 2] | None,
        BeforeValidator(_number),
        Shown("Heads", "where they differ from its class", Group.IS),
    ] = None
    cylinders: Annotated[int | None, Shown("Cylinders", "where they differ from its class", Group.IS)] = Field(
        default=None, ge=1, le=255
    )

    @model_validator(mode="before")
    @classmethod
    def _named(cls, values: Any) -> Any:
        """A mechanism may be named by `mechanism` alone or by `unit` and `number`."""
        if not isinstance(values, dict):
            return values
        if "mechanism" not in values and {"unit", "number"} <= set(values):
            number = _number(values["number"])
            return {**values, "number": number, "mechanism": f"{values['unit']}.{number}"}
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
    `condition` is words such as "shedding, creased". `label_text` is what its labels say.
    """

    KEY = "inventory"
    WORD = "disk"
    MANY = "disks"
    CALLED = "a disk"
    LINKED = "PhysicalObject"

    inventory: Annotated[
        Inventory,
        Shown(
            "Inventory number", "such as K9; it never changes", Group.IS, argument=True, listed=True, term="identifier"
        ),
    ]
    title: Annotated[Text, Shown("Title", "what you call it", Group.IS, listed=True, term="title")] = ""
    disk_class: Annotated[
        DiskClassId,
        Shown("Disk class", "such as 130-48", Group.IS, choices=_classes, option="--class", listed=True),
    ] = ""
    sides: Annotated[
        Literal[1, 2] | None, BeforeValidator(_number), Shown("Sides", "recorded sides, 1 or 2", Group.IS, listed=True)
    ] = None
    note: Annotated[Text, Shown("Remark", "anything else", Group.IS, long=True, term="description")] = ""
    standing: Annotated[Standing, _STANDING] = "known"
    importance: Annotated[
        Importance,
        Shown("Importance", "an irreplaceable disk is never proposed for a write", Group.IS, listed=True),
    ] = "working"
    notch: Annotated[Notch, Shown("Write notch", "open allows writing", Group.IS)] = ""
    hub_ring: Annotated[bool | None, Shown("Hub ring", "whether the hub is reinforced", Group.IS)] = None
    sector_holes: Annotated[
        Literal[0, 10, 16, 32] | None,
        BeforeValidator(_number),
        Shown("Sector holes", "beside the index hole, 0, 10, 16 or 32", Group.IS, choices=_sector_holes),
    ] = None
    layout: Annotated[LayoutId, Shown("Layout", "such as 130-48-mfm-9x512", Group.RECORDED, choices=_layouts)] = ""
    recorded_by: Annotated[
        MaybeInventory,
        Shown(
            "Recorded by",
            "the mechanism, such as D1.0",
            Group.RECORDED,
            names="mechanism",
            metavar="UNIT.NUMBER",
            term="creator",
        ),
    ] = ""
    recorded_when: Annotated[When, Shown("Recorded when", EXAMPLES, Group.RECORDED, term="created")] = ""
    recorded_temperature_c: Annotated[float | None, Shown("Temperature that day", group=Group.RECORDED, unit="°C")] = (
        Field(default=None, ge=-60, le=80, allow_inf_nan=False)
    )
    recorded_humidity_pct: Annotated[
        float | None, Shown("Humidity that day", "relative humidity", Group.RECORDED, unit="%")
    ] = Field(default=None, ge=0, le=100, allow_inf_nan=False)
    before: Annotated[Before, Shown("Before that", "what the disk was before", Group.RECORDED)] = ""
    condition: Annotated[
        Words, Shown("Condition", "words with commas between, such as shedding, mould, creased", Group.NOW)
    ] = ""
    label_text: Annotated[Text, Shown("Label says", group=Group.IS)] = ""
    acquired: Annotated[Text, Shown("Acquired", "how, and from whom", Group.CAME, term="accrualMethod")] = ""
    acquired_when: Annotated[
        When, Shown("Acquired when", "a date as well as you know it", Group.CAME, term="dateAccepted")
    ] = ""
    origin: Annotated[Text, Shown("Origin", "where it was used before", Group.CAME, term="provenance")] = ""
    location: Annotated[Text, Shown("Where it lies", group=Group.NOW)] = ""

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
    """The files of a capture. Paths are relative to the shelf's folder, with `/` between the names.

    `mechanism` read it; `writer` is the mechanism known to have formatted what it holds, where that is known.
    `sha256` is of the original file's bytes; `original` is empty when the original was not stored. `pulses_sha256` is
    the digest of the pulses themselves, by which they can be proven equal when they are made anew, and
    `parquet_sha256` is of the bytes of the file that holds them; both are empty in an entry of an older version.
    """

    KEY = "sha256"
    WORD = "capture"
    MANY = "captures"
    CALLED = "a capture"
    FIXED = ("name", "size_bytes", "parquet", "original", "added_utc", "pulses_sha256", "parquet_sha256")
    FROM_FILE = True
    LINKED = "Dataset"

    sha256: Annotated[Sha256, Shown("SHA-256", "of the file as it came", listed=True, term="identifier")]
    name: Annotated[Text, Shown("Name", "of the file as it came", listed=True, term="title")]
    size_bytes: Annotated[int, Shown("Size", unit="bytes", listed=True)] = Field(ge=0)
    disk: Annotated[
        Inventory | None,
        Shown("Disk", "the disk’s inventory number", names="disk", listed=True, term="source"),
    ] = None
    mechanism: Annotated[
        Inventory | None,
        Shown("Read by", "the mechanism that read it", names="mechanism", metavar="UNIT.NUMBER", listed=True),
    ] = None
    writer: Annotated[
        Inventory | None,
        Shown(
            "Formatted by",
            "the mechanism, if you know it for certain; others are compared with it",
            names="mechanism",
            metavar="UNIT.NUMBER",
        ),
    ] = None
    cylinder: Annotated[int | None, Shown("Cylinder", "of a capture of one track", listed=True)] = Field(
        default=None, ge=0, le=254
    )
    head: Annotated[int | None, Shown("Head", "the side, of a capture of one track", choices=_heads, listed=True)] = (
        Field(default=None, ge=0, le=1)
    )
    taken: Annotated[When, Shown("Taken", EXAMPLES, listed=True, term="created")] = ""
    parquet: Annotated[CapturePath, Shown("Pulses", "the file that holds them", searched=False)]
    original: Annotated[CapturePath, Shown("Original", "the file as it came", searched=False)] = ""
    note: Annotated[Text, _REMARK] = ""
    added_utc: Annotated[AwareDatetime, ADDED] = Field(default_factory=now)
    pulses_sha256: Annotated[MaybeSha256, Shown("SHA-256 of the pulses", searched=False)] = ""
    parquet_sha256: Annotated[MaybeSha256, Shown("SHA-256 of their file", searched=False)] = ""

    @property
    def label(self) -> str:
        """The name of its file."""
        return self.name


class Event(Record):
    """Something that happened to a unit. `when` may be half remembered: "about 1987", "1980s", "before 1990".

    `work` is the kind of work it was, which says what evidence from before it still counts; while it is empty, `done`
    goes by the words of `what`.
    """

    KEY = "event"
    WORD = "event"
    MANY = "events"
    CALLED = "an event"
    LETTERS = "E"
    LINKED = "Event"

    event: Annotated[str, Shown("Event", listed=True, term="identifier")] = Field(default="", pattern="^(E[0-9]+)?$")
    unit: Annotated[
        Inventory,
        Shown(
            "Unit",
            "the unit’s inventory number",
            names="unit",
            subject=True,
            argument=True,
            listed=True,
            term="subject",
        ),
    ]
    when: Annotated[When, Shown("When", EXAMPLES, listed=True, term="date")] = ""
    what: Annotated[Text, Shown("What happened", long=True, argument=True, listed=True, term="description")] = Field(
        min_length=1
    )
    source: Annotated[Text, Shown("How it is known", "who says so", listed=True, term="source")] = ""
    work: Annotated[
        EventWork,
        Shown(
            "Kind of work",
            "it decides what evidence from before the event still counts; left empty, the words above are a guess",
            choices=work_choices,
        ),
    ] = ""

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
    MANY = "notes"
    CALLED = "a note"
    LETTERS = "N"
    LINKED = "Text"

    note: Annotated[str, Shown("Note", listed=True, term="identifier")] = Field(default="", pattern="^(N[0-9]+)?$")
    unit: Annotated[Inventory | None, OF_UNIT] = None
    disk: Annotated[Inventory | None, OF_DISK] = None
    text: Annotated[Text, Shown("Text", "the remark", long=True, argument=True, listed=True, term="description")] = (
        Field(min_length=1)
    )
    added_utc: Annotated[AwareDatetime, ADDED] = Field(default_factory=now)

    @property
    def label(self) -> str:
        """The start of the remark."""
        return self.text[:40]

    @model_validator(mode="after")
    def _on_one(self) -> Note:
        if None not in (self.unit, self.disk):
            raise ValueError("a note is on a unit or on a disk, not on both; leave one out")
        return self


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
    return fault_of_value(error)


def checked(kind: type[R], /, **values: Any) -> R:
    """A record from outside values. Raises InputFault that names field, fault and remedy."""
    try:
        return kind.model_validate(values)
    except ValidationError as fault:
        error = fault.errors()[0]
        where = f"{kind.WORD} {'.'.join(str(part) for part in error['loc'])}".rstrip()
        remedy = "mend the value and try again"
        if error["type"] == "extra_forbidden":
            remedy = f"fields are {', '.join(kind.model_fields)}"
        field = str(error["loc"][-1]) if error["loc"] else ""
        raise InputFault(fault_words(error), where=where, remedy=remedy, field=field) from fault
