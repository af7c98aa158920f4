"""A trial: one attempt at the bench, with its outcome in counts. The register and diagnosis share it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal, assert_never

Operation = Literal["write", "read", "format"]


@dataclass(frozen=True, slots=True)
class Trial:
    """One row of a trial sheet, in order of time.

    `write` and `format` record a stretch and verify it at once on the same mechanism.
    `mechanism` is `UNIT.NUMBER`. Cylinders are inclusive.
    """

    trial: str
    when: str
    operation: Operation
    host: str
    lead: str
    mechanism: str
    disk: str
    side: int
    first_cylinder: int
    last_cylinder: int
    sectors_tried: int
    sectors_failed: int
    note: str = ""

    @property
    def writes(self) -> bool:
        """Whether it records on the disk."""
        return records(self.operation)


def records(operation: Operation) -> bool:
    """Whether an operation records on the disk."""
    match operation:
        case "write" | "format":
            return True
        case "read":
            return False
        case _:
            assert_never(operation)


def cylinder_words(first: int, last: int) -> str:
    """A stretch of cylinders: `cylinder 27`, `cylinders 3 to 9`."""
    return f"cylinder {first}" if first == last else f"cylinders {first} to {last}"
