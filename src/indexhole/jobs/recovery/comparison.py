"""What a comparison of two recoveries of one disk says, and its JSON."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from typing import Any, Literal

from indexhole.jobs.recovery.earlier import Earlier, Place
from indexhole.recover.shapes.result import WORST_FIRST, SectorState

Change = Literal["bytes", "gained", "lost", "state"]
FileChange = Literal["only then", "only now", "bytes", "state", "sectors"]


@dataclass(frozen=True, slots=True)
class SectorDifference:
    """One sector that came out otherwise, among those that both recoveries have.

    Attributes:
        place: cylinder, head, number as recorded.
        number: its number in the order of this recovery's image.
        change: "bytes" (recovered both times, differing), "gained" (nothing then, bytes now), "lost" (bytes then,
            nothing now), "state" (the same bytes).
        then, now: states; None for one of an image without a report.
        bytes_differing: how many bytes differ, -1 where the bytes of one are not at hand.
    """

    place: Place
    number: int
    change: Change
    then: SectorState | None
    now: SectorState | None
    bytes_differing: int = -1

    @property
    def better(self) -> bool | None:
        """Whether the state is better (True) or worse (False) than then; None when alike or not known."""
        if self.then is None or self.now is None or self.then == self.now:
            return None
        return WORST_FIRST.index(self.now) > WORST_FIRST.index(self.then)


@dataclass(frozen=True, slots=True)
class FileDifference:
    """One file that came out otherwise, or on whose sectors something differs.

    Attributes:
        then, now: states; None where the file is not there, or an image tells none.
        sectors: places of its differing sectors, where the volume could be read.
    """

    name: str
    change: FileChange
    then: SectorState | None
    now: SectorState | None
    sectors: tuple[Place, ...] = ()


@dataclass(frozen=True, slots=True)
class Comparison:
    """What differs between an earlier recovery and this one.

    Attributes:
        compared: sectors that both tell something of.
        same: of these, how many hold the same bytes.
        both_sound_differ: sectors that were sound both times and differ: written in between, or another disk.
        only_then, only_now: sectors that only one recovery has.
        remarks: what else a keeper should know, in words.
    """

    compared: int
    same: int
    both_sound_differ: int
    only_then: int
    only_now: int
    sectors: tuple[SectorDifference, ...]
    files: tuple[FileDifference, ...]
    remarks: tuple[str, ...]

    def counts(self) -> dict[str, int]:
        """The summary by name."""
        changes = Counter(d.change for d in self.sectors)
        return {
            "compared": self.compared,
            "same": self.same,
            "bytes_differ": changes["bytes"],
            "both_sound_differ": self.both_sound_differ,
            "gained": changes["gained"],
            "lost": changes["lost"],
            "better": sum(d.better is True for d in self.sectors),
            "worse": sum(d.better is False for d in self.sectors),
            "only_then": self.only_then,
            "only_now": self.only_now,
            "files": len(self.files),
        }


def comparison_json(comparison: Comparison, earlier: Earlier) -> dict[str, Any]:
    """The comparison as in the report of `recover --compare`."""

    def place(at: Place) -> dict[str, int]:
        return dict(zip(("cylinder", "head", "sector"), at, strict=True))

    return {
        "with": earlier.name,
        "report": earlier.report is not None,
        "image": earlier.image is not None,
        "counts": comparison.counts(),
        "sectors": [
            {
                **place(d.place),
                "number": d.number,
                "change": d.change,
                "then": _word(d.then),
                "now": _word(d.now),
                "bytes_differing": None if d.bytes_differing < 0 else d.bytes_differing,
            }
            for d in comparison.sectors
        ],
        "files": [
            {
                "name": f.name,
                "change": f.change,
                "then": _word(f.then),
                "now": _word(f.now),
                "sectors": [place(at) for at in f.sectors],
            }
            for f in comparison.files
        ],
        "remarks": list(comparison.remarks),
    }


def _word(state: SectorState | None) -> str | None:
    return None if state is None else str(state)
