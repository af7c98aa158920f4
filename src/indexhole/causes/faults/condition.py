"""A way a mechanism may be set up, as the note of a trial names it."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True, order=True)
class Condition:
    """A way a mechanism may be set up; false where nothing is named.

    Attributes:
        text: after "when it", as "stood on a slope".
        otherwise: how it is tried without that.
        remedy: what to do about it, with {e} for the mechanism or unit.
        note: what the note of a trial made so says; the text itself where empty.
    """

    text: str
    otherwise: str = ""
    remedy: str = ""
    note: str = ""

    def __bool__(self) -> bool:
        return bool(self.text)

    def __str__(self) -> str:
        return self.text


AS_USUAL = Condition("")


def as_written(words: str) -> Condition:
    """The set-up that a keeper named in words of their own, after `set-up:`."""
    return Condition(
        f'was set up "{words}"',
        f'not set up "{words}"',
        f'set {{e}} up otherwise than "{words}" and try again',
        f"set-up: {words}",
    )
