"""Counts cylinders from the step, direction and track-zero lines, step by step."""

from __future__ import annotations

# A log with a bad line may count wrong thousands of times; a keeper needs to be told a few.
_MOST_WARNINGS = 10


class CylinderCount:
    """Where the head stands, counted from the last time track zero was shown.

    Attributes:
        position: steps inward less steps outward since the log began.
        anchored: whether track zero has been seen, so that `cylinder` tells.
    """

    def __init__(self) -> None:
        self.position = 0
        self._outermost = 0
        self._steps = 0
        self._inward = False
        self._settled = False
        self._offset: int | None = None
        self._warnings: list[str] = []
        self._unsaid = 0
        self._outside = False

    @property
    def anchored(self) -> bool:
        """Whether track zero has been seen."""
        return self._offset is not None

    @property
    def settled(self) -> bool:
        """Whether the track-zero line has been looked at since the last step."""
        return self._settled

    def settle(self, at_zero: bool) -> None:
        """Take the level of the track-zero line, once between two steps."""
        self._settled = True
        if at_zero:
            if self._offset is None:
                self._outside = self._outermost < self.position
            elif self.position + self._offset != 0 and self._inward:
                self._warn(f"step {self._steps}: track zero shown after a step inward; counting starts afresh there")
            self._offset = -self.position
        elif self._offset is not None and self.position + self._offset < 0:
            self._outside = True

    def step(self, inward: bool) -> None:
        """Take a step; the stay before it must have been settled."""
        self._steps += 1
        self._inward = inward
        self.position += 1 if inward else -1
        self._outermost = min(self._outermost, self.position)
        self._settled = False

    def cylinder(self, position: int) -> int | None:
        """The cylinder at a position, None before the first track zero and outside the disk."""
        if self._offset is None or position + self._offset < 0:
            return None
        return position + self._offset

    def _warn(self, text: str) -> None:
        if len(self._warnings) < _MOST_WARNINGS:
            self._warnings.append(text)
        else:
            self._unsaid += 1

    def warnings(self) -> list[str]:
        """What was odd, in order of time."""
        told = list(self._warnings)
        if self._unsaid:
            told.append(f"{self._unsaid} more steps inward showed track zero")
        if self._outside:
            told.append("steps lead outward beyond track zero: those stays have no cylinder")
        return told
