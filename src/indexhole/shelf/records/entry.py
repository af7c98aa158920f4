"""What every kind of record has: what it is called, which field is its key, and which fields nobody types."""

from __future__ import annotations

from typing import ClassVar

from pydantic import BaseModel, ConfigDict


class Record(BaseModel):
    """One entry of the register. Each field says with `Shown` how it is shown and asked for.

    `KEY` names the field that the entry is known by, `WORD` is what it is called, `MANY` what several are called and
    `CALLED` what a form that adds one calls it. `FIXED` are the fields that never change. Where `LETTERS` are given,
    the register gives out the key: the letters and a number. `FROM_FILE` are entries that begin with a file.
    `LINKED` is the type in the DCMI Type Vocabulary; what has none is left out of linked data.
    """

    model_config = ConfigDict(extra="forbid", frozen=True)
    KEY: ClassVar[str]
    WORD: ClassVar[str]
    MANY: ClassVar[str]
    CALLED: ClassVar[str]
    LETTERS: ClassVar[str] = ""
    FIXED: ClassVar[tuple[str, ...]] = ()
    FROM_FILE: ClassVar[bool] = False
    LINKED: ClassVar[str] = ""

    @classmethod
    def noted(cls) -> frozenset[str]:
        """The fields that the register or a file says, so that nobody types them."""
        given = (cls.KEY,) if cls.LETTERS or cls.FROM_FILE else ()
        return frozenset((*given, *cls.FIXED, "standing", "added_utc"))

    @property
    def key(self) -> str:
        """What the entry is known by."""
        return str(getattr(self, self.KEY))

    @property
    def label(self) -> str:
        """The entry in a few words: its key, or what it says while it has none."""
        return self.key
