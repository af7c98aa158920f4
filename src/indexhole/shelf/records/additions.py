"""What is added to units and disks: parts, firmware seen, loans, photos; and views of the shelf kept by name."""

from __future__ import annotations

from typing import Literal

from pydantic import AwareDatetime, Field, model_validator

from indexhole.shelf.records.records import Inventory, PhotoPath, Record, Sha256, Text, When, Words, now


class Part(Record):
    """A board or a chip of a unit: `board` says where it sits, `marking` and `date_code` are as they stand on it."""

    KEY = "part"
    WORD = "part"
    LETTERS = "P"

    part: str = Field(default="", pattern="^(P[0-9]+)?$")
    unit: Inventory
    name: Text = Field(min_length=1)
    board: Text = ""
    marking: Text = ""
    date_code: Text = ""
    note: Text = ""

    @property
    def label(self) -> str:
        """The unit and what the part is called."""
        return f"{self.unit}: {self.name[:40]}"


class Firmware(Record):
    """A version of firmware seen in a unit, `place` being where it sits; `seen_how` says how it was seen."""

    KEY = "firmware"
    WORD = "firmware"
    LETTERS = "F"

    firmware: str = Field(default="", pattern="^(F[0-9]+)?$")
    unit: Inventory
    version: Text = Field(min_length=1)
    place: Text = ""
    seen_how: Text = ""
    seen_when: When = ""
    note: Text = ""

    @property
    def label(self) -> str:
        """The unit and the version."""
        return f"{self.unit}: {self.version[:40]}"


class OfUnitOrDisk(Record):
    """What belongs to one unit or one disk."""

    unit: Inventory | None = None
    disk: Inventory | None = None

    @model_validator(mode="after")
    def _of_one(self) -> OfUnitOrDisk:
        if (self.unit is None) == (self.disk is None):
            raise ValueError(f"a {self.WORD} is of one unit or of one disk")
        return self


class Loan(OfUnitOrDisk):
    """A thing lent `out` to a party or taken `in` from one. Not yet `returned`, it runs."""

    KEY = "loan"
    WORD = "loan"
    LETTERS = "LN"

    loan: str = Field(default="", pattern="^(LN[0-9]+)?$")
    direction: Literal["out", "in"] = "out"
    party: Text = Field(min_length=1)
    since: When = ""
    until: When = ""
    returned: When = ""
    purpose: Text = ""

    @property
    def label(self) -> str:
        """The thing and the party."""
        return f"{self.unit or self.disk} {'to' if self.direction == 'out' else 'from'} {self.party[:40]}"


class Photo(OfUnitOrDisk):
    """A photo of a unit or a disk, its file kept byte for byte; `sha256` is of those bytes."""

    KEY = "photo"
    WORD = "photo"
    LETTERS = "PH"
    FIXED = ("sha256", "name", "media_type", "size_bytes", "file", "added_utc")

    photo: str = Field(default="", pattern="^(PH[0-9]+)?$")
    sha256: Sha256
    name: Text
    media_type: Literal["image/jpeg", "image/png", "image/webp"]
    size_bytes: int = Field(ge=1)
    file: PhotoPath
    caption: Text = ""
    taken: When = ""
    added_utc: AwareDatetime = Field(default_factory=now)

    @property
    def label(self) -> str:
        """The thing and the caption, or the file's name."""
        return f"{self.unit or self.disk}: {(self.caption or self.name)[:40]}"


class View(Record):
    """A view kept by name: a search for `words` among entries of the kinds `what`, or `chosen` units side by side."""

    KEY = "view"
    WORD = "view"

    view: Inventory
    what: Words = ""
    words: Text = ""
    chosen: Words = ""
    note: Text = ""
