"""Whether a disk goes in at all: size, sides, index, sector holes, notch, heads, cylinders, hub ring."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from indexhole.pairing.parts.answer import Fact
from indexhole.pairing.parts.parts import Mechanism, Medium
from indexhole.pairing.parts.tracks import Tracks, reached, steps_a_track
from indexhole.standards.figures import Figure


@dataclass(frozen=True, slots=True)
class Fit:
    """Hindrances and doubts in words; `spare_cylinders` the mechanism has beyond the last one asked for.

    `goes_in` is False for a disk of another size, of which nothing else is asked. `supposed` are hindrances that rest
    on something nobody noted, each with its "if".
    """

    hindrances: tuple[str, ...]
    doubts: tuple[str, ...]
    spare_cylinders: int
    facts: tuple[Fact, ...]
    supposed: tuple[str, ...] = ()
    goes_in: bool = True


def fact(name: str, figure: Figure | None, unit: str) -> Fact:
    """A figure of a library as a fact of the answer; one that is not known keeps its place without a value."""
    if figure is None:
        return Fact(name, None, unit, "?", "not known")
    return Fact(name, figure.value, unit, figure.mark, figure.source)


def windows(disk: Medium) -> frozenset[str]:
    """Where the jacket lets the index be seen, in the words of drives.toml. Source for 200 mm: a technical note."""
    if disk.disk_class.diameter_mm == 200:
        return frozenset({"one-side" if disk.sides == 1 else "two-side"})
    if disk.disk_class.diameter_mm == 90:
        return frozenset({"hub"})
    if disk.turned_over:
        return frozenset({"usual"} if disk.second_window else ())
    return frozenset({"usual"})


def sees_index(mechanism: Mechanism, disk: Medium) -> bool:
    """Whether a sensor of the mechanism stands over a window of the jacket."""
    return bool(windows(disk) & set(mechanism.drive.index_places))


def may_write(mechanism: Mechanism, disk: Medium) -> bool | None:
    """Whether the notch lets the mechanism write; None when nobody looked."""
    notch = disk.notch
    if disk.turned_over:
        if disk.second_notch is None:
            return None
        notch = "open" if disk.second_notch else "none"
    return None if notch == "" else notch in mechanism.drive.writable_when


def index_share(mechanism: Mechanism, disk: Medium) -> float:
    """Share of a revolution the controller searches before it gives a sector up, 1 at most.

    It counts index pulses; the holes of a hard-sector disk are as many pulses more.
    """
    controller = mechanism.host.controller
    pulses = controller.search_pulses.value if controller and controller.search_pulses else 2.0
    return min(1.0, (pulses - 1) / ((disk.sector_holes or 0) + 1))


USUAL_LAYOUT = "the disk is laid out as is usual for its class"


def as_usual(mechanism: Mechanism, what: str) -> str:
    """The condition on which a mechanism is as its class has it, empty where what counts is noted."""
    if what not in mechanism.supposed:
        return ""
    return f"{mechanism.name or 'the drive'} is a usual one of its disk class ({mechanism.drive.id})"


def check_fit(mechanism: Mechanism, disk: Medium, tracks: Tracks, *, writes: bool) -> Fit:
    """Everything that keeps this disk from being used in this mechanism with these tracks."""
    drive, controller = mechanism.drive, mechanism.host.controller
    who = mechanism.name or drive.title
    hindrances, doubts, supposed = [], [], []

    def hinder(text: str, *ifs: str) -> None:
        said = [one for one in ifs if one]
        if said:
            supposed.append(f"if {' and '.join(said)}, {text}")
        else:
            hindrances.append(text)

    if_layout = USUAL_LAYOUT if "layout" in disk.supposed else ""
    if_heads, if_reach, if_class = (as_usual(mechanism, what) for what in ("heads", "cylinders", "class"))
    if_counts = f"the controller of {who} waits for the index as most do" if controller is None else ""
    if drive.diameter_mm != disk.disk_class.diameter_mm:
        wrong = f"a {disk.disk_class.diameter_mm} mm disk does not go into {who} ({drive.diameter_mm} mm)"
        return Fit((wrong,), (), 0, (), goes_in=False)
    sides = int(tracks.side.max()) + 1
    if sides > mechanism.heads:
        hinder(f"{who} has one head, the layout uses both sides", if_heads, if_layout)
    if sides > disk.sides:
        doubts.append("the disk is sold for one side only, the layout uses both")
    last = int(tracks.cylinder.max()) * steps_a_track(mechanism, tracks.pitch_um)
    spare = mechanism.cylinders - 1 - last
    if spare < 0:
        out = int(np.unique(tracks.cylinder[~reached(mechanism, tracks) & (tracks.side < mechanism.heads)]).size)
        hinder(f"{who} does not reach {out} of the cylinders", if_reach, if_layout)
    uses_index = controller is None or controller.uses_index
    if uses_index and not sees_index(mechanism, disk):
        place = f"the index window lies where {'one' if disk.sides == 1 else 'two'}-side disks have it"
        hinder(
            f"{who} sees no index: its sensor does not stand over the window of this jacket",
            if_class,
            place if "window" in disk.supposed else "",
            if_counts,
        )
    if uses_index and disk.sector_holes:
        share = index_share(mechanism, disk)
        if writes or share < 1:
            hinder(
                f"{disk.sector_holes} sector holes give {disk.sector_holes + 1} index pulses a turn: "
                f"the controller gives up after {share:.0%} of a turn unless the pulses are sorted",
                if_counts,
            )
    if writes:
        allowed = may_write(mechanism, disk)
        if allowed is False:
            hindrances.append(f"the notch keeps {who} from writing")
        elif allowed is None:
            doubts.append("the notch was not looked at")
    if disk.hub_ring is None and disk.disk_class.diameter_mm == 130:
        doubts.append("whether it has a hub ring was not looked at")
    return Fit(
        tuple(hindrances),
        tuple(doubts),
        spare,
        (fact(f"cylinders of {who}", drive.cylinders, ""), fact(f"pitch of {who}", drive.pitch_um, "um")),
        tuple(supposed),
    )
