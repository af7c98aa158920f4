"""What a pairing is made of: mechanisms with their hosts, a disk, the weather on both days, and what is to be done."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal, get_args

from indexhole.errors import InputFault
from indexhole.standards.classes import DiskClass, load_classes
from indexhole.standards.controllers import Controller, load_controllers
from indexhole.standards.drives import DriveClass, load_drives

Operation = Literal["read", "format", "update", "exchange"]
"""What is to be done.

read: the reader reads what the writer once recorded.
format: the writer formats the disk and reads it back itself.
update: the disk was laid out by the writer; the reader rewrites sectors in place and reads them back, and the writer
    may rewrite them in turn.
exchange: the writer records the disk now, the reader reads it.
"""
OPERATIONS: tuple[Operation, ...] = get_args(Operation)
Importance = Literal["scratch", "working", "irreplaceable"]


@dataclass(frozen=True, slots=True)
class Climate:
    """Temperature and relative humidity of a disk and its drive; None where nobody wrote it down."""

    temperature_c: float | None = None
    humidity_pct: float | None = None


@dataclass(frozen=True, slots=True)
class Host:
    """What drives a mechanism. `controller` None: not known, everything the drive can do is thought possible."""

    name: str = ""
    controller: Controller | None = None
    volume_kinds: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Mechanism:
    """One mechanism with its host.

    Attributes:
        gap_2_bytes: its own habit where it was measured, else the controller's.
        supposed: what of it nobody noted and is taken from its disk class: "class" (speeds, index sensors), "heads",
            "cylinders". What hinders by these alone is not certain.
    """

    name: str
    drive: DriveClass
    host: Host = field(default_factory=Host)
    heads: int = 2
    cylinders: int = 80
    gap_2_bytes: float | None = None
    supposed: tuple[str, ...] = ()


def mechanism(
    name: str,
    drive_class: str,
    controller: str = "",
    *,
    host: str = "",
    volume_kinds: tuple[str, ...] = (),
    heads: int | None = None,
    cylinders: int | None = None,
    gap_2_bytes: float | None = None,
) -> Mechanism:
    """A mechanism from keys of the libraries; `heads` and `cylinders` are the class's unless given.

    Raises InputFault when a key is not known.
    """
    drives, controllers = load_drives(), load_controllers()
    if drive_class not in drives:
        raise InputFault(f"drive class {drive_class} is none of {', '.join(drives)}", where=name)
    if controller and controller not in controllers:
        raise InputFault(f"controller {controller} is none of {', '.join(controllers)}", where=host or name)
    drive = drives[drive_class]
    return Mechanism(
        name=name,
        drive=drive,
        host=Host(host, controllers.get(controller), volume_kinds),
        heads=drive.heads if heads is None else heads,
        cylinders=round(drive.cylinders.value) if cylinders is None else cylinders,
        gap_2_bytes=gap_2_bytes,
    )


@dataclass(frozen=True, slots=True)
class Medium:
    """One disk as the register knows it.

    Attributes:
        sides: recordable sides, as its jacket says.
        importance: an irreplaceable disk is never proposed for a write.
        notch: "open", "covered", "none" or "" (not looked).
        second_notch, second_window: for a one-side disk turned over: whether it has a notch and an index window for it.
        hub_ring: whether it has a strengthened hub; None: not looked.
        sector_holes: 0, 10, 16, 32 or None (not looked).
        layout: id of the layout it bears now, "" when none is known.
        recorded_by: the mechanism that recorded it, None: some good outside drive or nobody.
        recorded: the climate when it was recorded.
        before: what lay on it before that: "erased", "never recorded", "recorded" or "" (not known).
        condition: words such as shedding, mould, creased.
        volume_kind: what its file structure is, "" when not known.
        turned_over: put in upside down, to use the other side of a one-side disk.
        supposed: what of it nobody noted: "layout" (taken as usual for its class), "window" (where the jacket lets the
            index be seen, taken by its sides).
    """

    name: str
    disk_class: DiskClass
    sides: int = 2
    importance: Importance = "working"
    notch: str = ""
    second_notch: bool | None = None
    second_window: bool | None = None
    hub_ring: bool | None = None
    sector_holes: int | None = None
    layout: str = ""
    recorded_by: Mechanism | None = None
    recorded_when: str = ""
    recorded: Climate = Climate()
    before: str = ""
    condition: tuple[str, ...] = ()
    volume_kind: str = ""
    turned_over: bool = False
    supposed: tuple[str, ...] = ()


def medium(name: str, disk_class: str, sides: int = 2, importance: Importance = "working") -> Medium:
    """A disk of a class by key; use dataclasses.replace for the rest. Raises InputFault when the key is not known."""
    classes = load_classes()
    if disk_class not in classes:
        raise InputFault(f"disk class {disk_class} is none of {', '.join(classes)}", where=name)
    return Medium(name, classes[disk_class], sides, importance)


@dataclass(frozen=True, slots=True)
class WhatIf:
    """Shifts put on top of what is known, for sliders: the reader's offset and speed, today's weather."""

    temperature_c: float = 0.0
    humidity_pct: float = 0.0
    offset_um: float = 0.0
    speed_pct: float = 0.0


@dataclass(frozen=True, slots=True)
class Conditions:
    """The two days and what is done first.

    Attributes:
        reading: climate when the disk is read; for `read` and `update` that is today.
        writing: climate when it is written; None: the disk's own record for `read` and `update`, today otherwise.
        bulk_erased_first: the disk is bulk-erased before it is written.
        shift: what-if shifts.
    """

    reading: Climate = Climate()
    writing: Climate | None = None
    bulk_erased_first: bool = False
    shift: WhatIf = WhatIf()
