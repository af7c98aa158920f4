"""What the forms of the Shelf ask: one table a kind of entry."""

from __future__ import annotations

from typing import get_args

from indexhole.shelf.records.records import Before, Importance, Notch, UnitKind
from indexhole.standards.classes import load_classes
from indexhole.standards.layouts import load_layouts
from indexhole.web.forms.forms import Ask, Options

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


def unit_asks(new: bool) -> tuple[Ask, ...]:
    """What is asked of a unit; its number only once."""
    number = Ask("inventory", "Inventory number", help="such as D7; it stays", required=True)
    rest = (
        Ask("kind", "Kind", "choice", options=_words(UnitKind), required=True),
        Ask("title", "Title", help="what you call it"),
        Ask("maker", "Maker"),
        Ask("disk_class", "For disks", "choice", options=_classes()),
        Ask("state", "State"),
        Ask("location", "Where it stands"),
        Ask("made", "Made", help=DATES),
        Ask("acquired", "Acquired", help="how, and from whom"),
        Ask("acquired_when", "Acquired when"),
        Ask("origin", "From", help="where it was used before"),
        Ask("date_codes", "Date codes", help="as printed or stamped on its parts"),
        Ask("interfaces", "Interfaces", help="words parted by commas"),
        Ask("connectors", "Connectors", help="words parted by commas"),
        Ask("power_input", "Power input"),
        Ask("weight_kg", "Weight, kg", "number", optional_none=True),
        Ask("device_address", "Device address"),
        Ask("controller", "Controller", "choice", "of a host: what drives its disks", options=_controllers()),
        Ask("volume_kinds", "Volumes it takes", help="of a host: words parted by commas"),
        Ask("modifications", "Modifications", "area", "kept, not judged"),
        Ask("labels_left", "Labels left on it", "area"),
        Ask("description", "Description", "area"),
    )
    return (number, *rest) if new else rest


def disk_asks(new: bool) -> tuple[Ask, ...]:
    """What is asked of a disk; its number only once."""
    number = Ask("inventory", "Inventory number", help="such as K9; it stays", required=True)
    rest = (
        Ask("title", "Title"),
        Ask("disk_class", "Class", "choice", options=_classes()),
        Ask("sides", "Sides", "choice", options=(("1", "1"), ("2", "2")), optional_none=True),
        Ask(
            "importance", "Importance", "choice", "irreplaceable: never proposed for a write",
            options=_words(Importance), required=True,
        ),
        Ask("label_text", "Label says"),
        Ask("notch", "Write notch", "choice", options=_words(Notch)),
        Ask("hub_ring", "Hub ring", "choice", options=(("yes", "yes"), ("no", "no")), optional_none=True),
        Ask(
            "sector_holes", "Sector holes", "choice", "0: the index hole alone",
            options=tuple((n, n) for n in ("0", "10", "16", "32")), optional_none=True,
        ),
        Ask("layout", "Layout", "choice", options=_layouts()),
        Ask("recorded_by", "Recorded by mechanism", help="such as D1.0"),
        Ask("recorded_when", "Recorded when"),
        Ask("recorded_temperature_c", "Recorded at, °C", "number", optional_none=True),
        Ask("recorded_humidity_pct", "Humidity then, %", "number", optional_none=True),
        Ask("before", "Before that it was", "choice", options=_words(Before)),
        Ask("condition", "Condition", help="words parted by commas: shedding, mould, creased"),
        Ask("location", "Where it lies"),
        Ask("acquired", "Acquired", help="how, and from whom"),
        Ask("acquired_when", "Acquired when", help=DATES),
        Ask("origin", "From"),
        Ask("note", "Remark", "area"),
    )  # fmt: skip
    return (number, *rest) if new else rest


def mechanism_asks(new: bool) -> tuple[Ask, ...]:
    """What is asked of a mechanism; its number only once."""
    number = Ask("number", "Number", "number", "as it answers, whatever the front says", required=True)
    rest = (
        Ask("front", "Front says"),
        Ask("drive_class", "Drive class", "choice", "empty: by the unit’s disks", options=_drive_classes()),
        Ask("heads", "Heads", "choice", options=(("1", "1"), ("2", "2")), optional_none=True),
        Ask("cylinders", "Cylinders", "number", "where other than its class", optional_none=True),
        Ask("write_width_um", "Writes, µm", "number", "width of the track it writes", optional_none=True),
        Ask("read_width_um", "Reads, µm", "number", "width it reads", optional_none=True),
        Ask("note", "Remark"),
    )
    return (number, *rest) if new else rest


EVENT_ASKS = (
    Ask("when", "When", help=DATES),
    Ask("what", "What happened", "area", required=True),
    Ask("source", "How it is known"),
)
NOTE_ASKS = (Ask("text", "Note", "area", required=True),)
PART_ASKS = (
    Ask("name", "Board or chip", help="such as controller board, processor", required=True),
    Ask("board", "Where it sits"),
    Ask("marking", "Marking", help="as it stands on it"),
    Ask("date_code", "Date code", help="four digits, as 8332 for week 32 of 1983"),
    Ask("note", "Remark"),
)
FIRMWARE_ASKS = (
    Ask("version", "Version", required=True),
    Ask("place", "Where it sits"),
    Ask("seen_how", "How it was seen"),
    Ask("seen_when", "Seen when", help=DATES),
    Ask("note", "Remark"),
)
LOAN_ASKS = (
    Ask("direction", "Direction", "choice", options=(("out", "lent to"), ("in", "lent by")), required=True),
    Ask("party", "To or from whom", required=True),
    Ask("since", "Since", help=DATES),
    Ask("until", "Until"),
    Ask("returned", "Returned"),
    Ask("purpose", "What for"),
)
PHOTO_ASKS = (Ask("caption", "Caption"), Ask("taken", "Taken", help=DATES))
LOG_ASKS = (Ask("by", "Who logs it", help="kept with the trial"),)
SIGN_ASKS = (
    Ask("by", "Who changes it", help="kept with the change"),
    Ask("why", "Why", help="kept with the change"),
)
