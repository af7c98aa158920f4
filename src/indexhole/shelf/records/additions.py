"""What is added to units and disks: parts, firmware seen, loans, photos; and views of the shelf saved by name."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import AwareDatetime, Field, model_validator

from indexhole.shelf.records.dates import EXAMPLES
from indexhole.shelf.records.entry import Record
from indexhole.shelf.records.records import (
    ADDED,
    OF_DISK,
    OF_UNIT,
    Inventory,
    PhotoPath,
    Sha256,
    Text,
    When,
    Words,
    now,
)
from indexhole.shelf.records.shown import Options, Shown

_ON_UNIT = Shown(
    "Unit", "the unit’s inventory number", names="unit", subject=True, argument=True, listed=True, term="isPartOf"
)
_REMARK = Shown("Remark", "anything else", term="description")


def _directions() -> Options:
    return (("out", "lent to"), ("in", "lent by"))


class Part(Record):
    """A board or a chip of a unit: `board` says where it sits, `marking` and `date_code` are as they stand on it."""

    KEY = "part"
    WORD = "part"
    MANY = "parts"
    CALLED = "a board or chip"
    LETTERS = "P"
    LINKED = "PhysicalObject"

    part: Annotated[str, Shown("Part", listed=True, term="identifier")] = Field(default="", pattern="^(P[0-9]+)?$")
    unit: Annotated[Inventory, _ON_UNIT]
    name: Annotated[
        Text, Shown("Board or chip", "such as controller board, processor", argument=True, listed=True, term="title")
    ] = Field(min_length=1)
    board: Annotated[Text, Shown("Where it sits", "the board", listed=True)] = ""
    marking: Annotated[Text, Shown("Marking", "as it stands on it", listed=True)] = ""
    date_code: Annotated[
        Text,
        Shown("Date code", "four digits, such as 8332 for week 32 of 1983", listed=True, remark="meaning unproven"),
    ] = ""
    note: Annotated[Text, _REMARK] = ""

    @property
    def label(self) -> str:
        """The unit and what the part is called."""
        return f"{self.unit}: {self.name[:40]}"


class Firmware(Record):
    """A version of firmware seen in a unit, `place` being where it sits; `seen_how` says how it was seen."""

    KEY = "firmware"
    WORD = "firmware"
    MANY = "firmware"
    CALLED = "firmware seen"
    LETTERS = "F"
    LINKED = "Software"

    firmware: Annotated[str, Shown("Firmware", listed=True, term="identifier")] = Field(
        default="", pattern="^(F[0-9]+)?$"
    )
    unit: Annotated[Inventory, _ON_UNIT]
    version: Annotated[
        Text, Shown("Version", "as it names itself, or as it is printed", argument=True, listed=True, term="hasVersion")
    ] = Field(min_length=1)
    place: Annotated[Text, Shown("Where it sits", listed=True)] = ""
    seen_how: Annotated[Text, Shown("How it was seen", "printed on the chip, read out on the bus", listed=True)] = ""
    seen_when: Annotated[When, Shown("Seen when", EXAMPLES, listed=True)] = ""
    note: Annotated[Text, _REMARK] = ""

    @property
    def label(self) -> str:
        """The unit and the version."""
        return f"{self.unit}: {self.version[:40]}"


class OfUnitOrDisk(Record):
    """What belongs to one unit or one disk."""

    unit: Annotated[Inventory | None, OF_UNIT] = None
    disk: Annotated[Inventory | None, OF_DISK] = None

    @model_validator(mode="after")
    def _of_one(self) -> OfUnitOrDisk:
        if (self.unit is None) == (self.disk is None):
            raise ValueError(f"a {self.WORD} is of one unit or of one disk")
        return self


class Loan(OfUnitOrDisk):
    """A thing lent `out` to a party or taken `in` from one. Not yet `returned`, it runs."""

    KEY = "loan"
    WORD = "loan"
    MANY = "loans"
    CALLED = "a loan"
    LETTERS = "LN"
    LINKED = "Event"

    loan: Annotated[str, Shown("Loan", listed=True, term="identifier")] = Field(default="", pattern="^(LN[0-9]+)?$")
    direction: Annotated[
        Literal["out", "in"],
        Shown("Direction", "out is lent to somebody, in is lent by somebody", choices=_directions, listed=True),
    ] = "out"
    party: Annotated[Text, Shown("To or from whom", argument=True, listed=True)] = Field(min_length=1)
    since: Annotated[When, Shown("Since", EXAMPLES, listed=True, term="date")] = ""
    until: Annotated[When, Shown("Until", "when it is due back", listed=True)] = ""
    returned: Annotated[When, Shown("Returned", "empty while it is lent", listed=True)] = ""
    purpose: Annotated[Text, Shown("What for", term="description")] = ""

    @property
    def label(self) -> str:
        """The thing and the party."""
        return f"{self.unit or self.disk} {'to' if self.direction == 'out' else 'from'} {self.party[:40]}"


class Photo(OfUnitOrDisk):
    """A photo of a unit or a disk, its file stored byte for byte; `sha256` is of those bytes."""

    KEY = "photo"
    WORD = "photo"
    MANY = "photos"
    CALLED = "a photo"
    LETTERS = "PH"
    FIXED = ("sha256", "name", "media_type", "size_bytes", "file", "added_utc")
    FROM_FILE = True
    LINKED = "StillImage"

    photo: Annotated[str, Shown("Photo", listed=True, term="identifier")] = Field(default="", pattern="^(PH[0-9]+)?$")
    sha256: Annotated[Sha256, Shown("SHA-256", "of the file")]
    name: Annotated[Text, Shown("Name", "of the file as it came", listed=True, term="title")]
    media_type: Annotated[
        Literal["image/jpeg", "image/png", "image/webp"], Shown("Kind of picture", searched=False, term="format")
    ]
    size_bytes: Annotated[int, Shown("Size", unit="bytes")] = Field(ge=1)
    file: Annotated[PhotoPath, Shown("File", searched=False)]
    caption: Annotated[Text, Shown("Caption", "what it shows", listed=True, term="description")] = ""
    taken: Annotated[When, Shown("Taken", EXAMPLES, listed=True, term="created")] = ""
    added_utc: Annotated[AwareDatetime, ADDED] = Field(default_factory=now)

    @property
    def label(self) -> str:
        """The thing and the caption, or the file's name."""
        return f"{self.unit or self.disk}: {(self.caption or self.name)[:40]}"


class View(Record):
    """A view saved by name: a search for `words` among entries of the kinds `what`, or `chosen` units side by side."""

    KEY = "view"
    WORD = "view"
    MANY = "views"
    CALLED = "a view"

    view: Annotated[Inventory, Shown("Name", "the view’s name", argument=True, metavar="NAME", listed=True)]
    what: Annotated[
        Words, Shown("Kinds", "which to search, with commas between; all if empty", option="--kinds", listed=True)
    ] = ""
    words: Annotated[Text, Shown("Words", "to search for", listed=True)] = ""
    chosen: Annotated[
        Words, Shown("Units", "to compare, with commas between their numbers", option="--units", listed=True)
    ] = ""
    note: Annotated[Text, Shown("Remark", "anything else", listed=True)] = ""
