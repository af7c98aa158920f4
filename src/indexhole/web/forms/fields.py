"""What the forms of the Shelf ask: one table a kind of entry."""

from __future__ import annotations

from typing import get_args

from indexhole.shelf.records.records import Before, Importance, Notch, UnitKind
from indexhole.standards.classes import load_classes
from indexhole.standards.layouts import load_layouts
from indexhole.web.forms.forms import FormField, Options

DATES = "as well as it is known: 1987-05-12, 1987, 1980s, about 1987, before 1990, 1985 to 1988"


def _words(literal: object) -> Options:
    return tuple((word, word) for word in get_args(literal) if word)


def _classes() -> Options:
    return tuple((held.id, held.title) for held in load_classes().values())


def _layouts() -> Options:
    return tuple((held.id, held.title) for held in load_layouts().values())


def _controllers() -> Options:
    from indexhole.standards.controllers import load_controllers

    return tuple((key, key) for key in load_controllers())


def _drive_classes() -> Options:
    from indexhole.standards.drives import load_drives

    return tuple((key, key) for key in load_drives())


def unit_fields(new: bool) -> tuple[FormField, ...]:
    """What is asked of a unit; its number only once."""
    number = FormField("inventory", "Inventory number", help="such as D7; it stays", required=True)
    rest = (
        FormField("kind", "Kind", "choice", options=_words(UnitKind), required=True),
        FormField("title", "Title", help="what you call it"),
        FormField("maker", "Maker"),
        FormField("disk_class", "For disks", "choice", options=_classes()),
        FormField("state", "State"),
        FormField("location", "Where it stands"),
        FormField("made", "Made", help=DATES),
        FormField("acquired", "Acquired", help="how, and from whom"),
        FormField("acquired_when", "Acquired when"),
        FormField("origin", "From", help="where it was used before"),
        FormField("date_codes", "Date codes", help="as printed or stamped on its parts"),
        FormField("interfaces", "Interfaces", help="words parted by commas"),
        FormField("connectors", "Connectors", help="words parted by commas"),
        FormField("power_input", "Power input"),
        FormField("weight_kg", "Weight, kg", "number", optional_none=True),
        FormField("device_address", "Device address"),
        FormField("controller", "Controller", "choice", "of a host: what drives its disks", options=_controllers()),
        FormField("volume_kinds", "Volumes it takes", help="of a host: words parted by commas"),
        FormField("modifications", "Modifications", "area", "kept, not judged"),
        FormField("labels_left", "Labels left on it", "area"),
        FormField("description", "Description", "area"),
    )
    return (number, *rest) if new else rest


def disk_fields(new: bool) -> tuple[FormField, ...]:
    """What is asked of a disk; its number only once."""
    number = FormField("inventory", "Inventory number", help="such as K9; it stays", required=True)
    rest = (
        FormField("title", "Title"),
        FormField("disk_class", "Class", "choice", options=_classes()),
        FormField("sides", "Sides", "choice", options=(("1", "1"), ("2", "2")), optional_none=True),
        FormField(
            "importance", "Importance", "choice", "irreplaceable: never proposed for a write",
            options=_words(Importance), required=True,
        ),
        FormField("label_text", "Label says"),
        FormField("notch", "Write notch", "choice", options=_words(Notch)),
        FormField("hub_ring", "Hub ring", "choice", options=(("yes", "yes"), ("no", "no")), optional_none=True),
        FormField(
            "sector_holes", "Sector holes", "choice", "0: the index hole alone",
            options=tuple((n, n) for n in ("0", "10", "16", "32")), optional_none=True,
        ),
        FormField("layout", "Layout", "choice", options=_layouts()),
        FormField("recorded_by", "Recorded by mechanism", help="such as D1.0"),
        FormField("recorded_when", "Recorded when"),
        FormField("recorded_temperature_c", "Recorded at, °C", "number", optional_none=True),
        FormField("recorded_humidity_pct", "Humidity then, %", "number", optional_none=True),
        FormField("before", "Before that it was", "choice", options=_words(Before)),
        FormField("condition", "Condition", help="words parted by commas: shedding, mould, creased"),
        FormField("location", "Where it lies"),
        FormField("acquired", "Acquired", help="how, and from whom"),
        FormField("acquired_when", "Acquired when", help=DATES),
        FormField("origin", "From"),
        FormField("note", "Remark", "area"),
    )  # fmt: skip
    return (number, *rest) if new else rest


def mechanism_fields(new: bool) -> tuple[FormField, ...]:
    """What is asked of a mechanism; its number only once."""
    number = FormField("number", "Number", "number", "as it answers, whatever the front says", required=True)
    rest = (
        FormField("front", "Front says"),
        FormField("drive_class", "Drive class", "choice", "empty: by the unit’s disks", options=_drive_classes()),
        FormField("heads", "Heads", "choice", options=(("1", "1"), ("2", "2")), optional_none=True),
        FormField("cylinders", "Cylinders", "number", "where other than its class", optional_none=True),
        FormField("write_width_um", "Writes, µm", "number", "width of the track it writes", optional_none=True),
        FormField("read_width_um", "Reads, µm", "number", "width it reads", optional_none=True),
        FormField("note", "Remark"),
    )
    return (number, *rest) if new else rest


EVENT_FIELDS = (
    FormField("when", "When", help=DATES),
    FormField("what", "What happened", "area", required=True),
    FormField("source", "How it is known"),
)
NOTE_FIELDS = (FormField("text", "Note", "area", required=True),)
PART_FIELDS = (
    FormField("name", "Board or chip", help="such as controller board, processor", required=True),
    FormField("board", "Where it sits"),
    FormField("marking", "Marking", help="as it stands on it"),
    FormField("date_code", "Date code", help="four digits, as 8332 for week 32 of 1983"),
    FormField("note", "Remark"),
)
FIRMWARE_FIELDS = (
    FormField("version", "Version", required=True),
    FormField("place", "Where it sits"),
    FormField("seen_how", "How it was seen"),
    FormField("seen_when", "Seen when", help=DATES),
    FormField("note", "Remark"),
)
LOAN_FIELDS = (
    FormField("direction", "Direction", "choice", options=(("out", "lent to"), ("in", "lent by")), required=True),
    FormField("party", "To or from whom", required=True),
    FormField("since", "Since", help=DATES),
    FormField("until", "Until"),
    FormField("returned", "Returned"),
    FormField("purpose", "What for"),
)
PHOTO_FIELDS = (FormField("caption", "Caption"), FormField("taken", "Taken", help=DATES))
LOG_FIELDS = (FormField("by", "Who logs it", help="kept with the trial"),)
SIGN_FIELDS = (
    FormField("by", "Who changes it", help="kept with the change"),
    FormField("why", "Why", help="kept with the change"),
)
