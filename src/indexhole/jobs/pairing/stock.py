"""A shelf's records as the parts of a pairing. What nobody wrote down is either assumed, and said, or left unknown.

stock_of(shelf)     mechanisms with their hosts, disks with their layouts, assumptions, and what cannot be reckoned
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Literal, TypeVar

from indexhole.errors import InputFault
from indexhole.jobs.faults.repairs import Moves
from indexhole.jobs.pairing.shown import as_tried
from indexhole.model.trials.trial import Trial
from indexhole.pairing.parts.parts import Climate, Host, Mechanism, Medium
from indexhole.shelf.records import records
from indexhole.shelf.records.records import Unit, words_of
from indexhole.shelf.register.shelf import Shelf
from indexhole.standards.classes import load_classes
from indexhole.standards.controllers import load_controllers
from indexhole.standards.drives import DriveClass, default_drive, load_drives
from indexhole.standards.figures import Figure
from indexhole.standards.layouts import Layout, load_layouts

# Our own choice of what a disk of a class most likely bears, for two sides and for one.
_USUAL = {
    "200": ("200-fm-26x128-2s", "200-fm-26x128"),
    "130-48": ("130-48-mfm-9x512", "130-48-mfm-9x512-1s"),
    "130-96": ("130-96-mfm-9x512", "130-96-mfm-9x512"),
    "130-dense": ("130-dense-mfm-15x512", "130-dense-mfm-15x512"),
    "130-100": ("zoned-77-2s", "zoned-77-1s"),
    "90": ("90-mfm-9x512", "90-mfm-9x512"),
    "90-dense": ("90-dense-mfm-18x512", "90-dense-mfm-18x512"),
    "90-dense-360": ("90-dense-360-mfm-15x512", "90-dense-360-mfm-15x512"),
    "90-extra": ("90-extra-mfm-36x512", "90-extra-mfm-36x512"),
}
OUTSIDE_WORDS = "a good outside drive"

T = TypeVar("T")
About = Literal["host", "layout", "else"]


@dataclass(frozen=True)
class Assumption:
    """What was taken for granted about a thing, in words; `about` is what of it, where a question may name that."""

    words: str
    about: About = "else"


@dataclass(frozen=True)
class Stock:
    """What a shelf holds, as the pairing takes it.

    Attributes:
        mechanisms: by name, those that can be reckoned with, each with the host it was last tried with.
        disks: by name, likewise.
        layouts: what each of these disks bears, or is taken to bear.
        hosts: by name.
        unknown: why a mechanism, disk or host cannot be reckoned with, by its name.
        assumed: what was taken for granted about a thing, by its name.
        titles: how the shelf calls each thing.
        classes: disk class of each thing, "" where not noted, by its name; in the order of the shelf.
        trials: in order of time, a drive named otherwise before a head of it was moved or a speed changed.
        past: the drives as they were then, by these names.
        moves: what tells of evidence whether it is from then.
        last_writers: by disk, the mechanism that last recorded anything on it in a trial, and the trial.
    """

    mechanisms: Mapping[str, Mechanism]
    disks: Mapping[str, Medium]
    layouts: Mapping[str, Layout]
    hosts: Mapping[str, Host]
    unknown: Mapping[str, str]
    assumed: Mapping[str, tuple[Assumption, ...]]
    titles: Mapping[str, str]
    classes: Mapping[str, str]
    trials: Sequence[Trial]
    past: Mapping[str, Mechanism]
    moves: Moves
    last_writers: Mapping[str, tuple[str, str]]
    all_mechanisms: tuple[str, ...] = ()
    all_disks: tuple[str, ...] = ()

    def mechanism(self, name: str) -> Mechanism:
        """The mechanism of that name. Raises InputFault, saying what is missing, when it cannot be reckoned with."""
        return self._known(self.mechanisms, name, "mechanism", self.all_mechanisms)

    def disk(self, name: str) -> Medium:
        """The disk of that name, likewise."""
        return self._known(self.disks, name, "disk", self.all_disks)

    def host(self, name: str) -> Host:
        """The host of that name, likewise."""
        return self._known(self.hosts, name, "host", tuple(self.hosts))

    def _known(self, held: Mapping[str, T], name: str, word: str, names: Sequence[str]) -> T:
        if name in held:
            return held[name]
        if name in names:
            raise InputFault(self.unknown[name], where=f"{word} {name}", remedy="note it on the shelf")
        known = (
            f"it holds {', '.join(names[:12])}{' and more' if len(names) > 12 else ''}" if names else "it holds none"
        )
        raise InputFault(f"there is no {word} {name} on the shelf", remedy=f"{known}")


@dataclass
class _Notes:
    """Unknowns and assumptions as they are found."""

    unknown: dict[str, str] = field(default_factory=dict)
    assumed: dict[str, tuple[Assumption, ...]] = field(default_factory=dict)

    def assume(self, name: str, words: str, about: About = "else") -> None:
        self.assumed[name] = (*self.assumed.get(name, ()), Assumption(words, about))


def stock_of(shelf: Shelf) -> Stock:
    """The parts a shelf's records give."""
    units = {unit.inventory: unit for unit in shelf.all(Unit)}
    trials = shelf.trials()
    moves = Moves(shelf.all(records.Event))
    split_trials = moves.split_trials(trials)
    notes = _Notes()
    hosts = {name: _host(unit, notes) for name, unit in units.items() if unit.kind == "host"}
    entered = shelf.all(records.Mechanism)
    mechanisms: dict[str, Mechanism] = {}
    for entry in entered:
        made = _mechanism(entry, units.get(entry.unit), notes)
        if made is not None:
            mechanisms[entry.mechanism] = replace(made, host=_host_of(entry.mechanism, hosts, trials, notes))
    disks: dict[str, Medium] = {}
    layouts: dict[str, Layout] = {}
    kept = shelf.all(records.Disk)
    for record in kept:
        placed = _disk(record, mechanisms, trials, notes)
        if placed is not None:
            disks[record.inventory], layouts[record.inventory] = placed
    for name, made in mechanisms.items():
        mechanisms[name], shown = as_tried(made, trials, disks, layouts)
        for words in shown:
            notes.assume(name, words)
    then = dict(split_trials.past)
    for name, disk in disks.items():
        if disk.recorded_by is not None:
            drive = disk.recorded_by.name
            as_it_was = moves.name_of(drive, disk.recorded_when)
            if as_it_was != drive:
                then[as_it_was] = drive
            disks[name] = replace(disk, recorded_by=replace(mechanisms[drive], name=as_it_was))
    # What is known of a drive as it was then is what it is, and what trials showed of it then.
    past = {name: replace(mechanisms[drive], name=name) for name, drive in then.items() if drive in mechanisms}
    for name, drive in then.items():
        notes.assumed[name] = notes.assumed.get(drive, ())
    for name, drive in then.items():
        notes.assume(drive, f"as it was before work on it, it counts as a drive of its own, {name}")
    titles = {name: unit.title for name, unit in units.items()} | {d.inventory: d.title for d in kept}
    titles |= {m.mechanism: units[m.unit].title if m.unit in units else "" for m in entered}
    classes = {m.mechanism: units[m.unit].disk_class if m.unit in units else "" for m in entered}
    return Stock(
        mechanisms=mechanisms,
        disks=disks,
        layouts=layouts,
        hosts=hosts,
        unknown=notes.unknown,
        assumed=notes.assumed,
        titles=titles,
        classes=classes | {d.inventory: d.disk_class for d in kept},
        trials=split_trials.trials,
        past=past,
        moves=moves,
        last_writers={t.disk: (t.mechanism, t.trial) for t in split_trials.trials if t.operation != "read"},
        all_mechanisms=tuple(m.mechanism for m in entered),
        all_disks=tuple(d.inventory for d in kept),
    )


def plain_disk(disk_class: str, sides: int = 2) -> tuple[Medium, Layout]:
    """A disk of a class as it comes from its box, erased, and the layout it would be given."""
    layout = load_layouts()[_USUAL[disk_class][0 if sides == 2 else 1]]
    # as it comes, a disk can be written on; which state of the notch that is differs from size to size
    notch = load_drives()[default_drive(disk_class, sides)].writable_when[0]
    return Medium("", load_classes()[disk_class], sides, "scratch", notch=notch, before="never recorded"), layout


def _host(unit: Unit, notes: _Notes) -> Host:
    controller = load_controllers().get(unit.controller)
    if controller is None:
        what = (
            f"controller {unit.controller} is not in the library" if unit.controller else "its controller is not noted"
        )
        notes.assume(unit.inventory, f"{what}; it is assumed to do whatever its drives can")
    if not unit.volume_kinds:
        notes.assume(unit.inventory, "the volumes it takes are not noted")
    return Host(unit.inventory, controller, words_of(unit.volume_kinds))


def _host_of(mechanism: str, hosts: Mapping[str, Host], trials: Sequence[Trial], notes: _Notes) -> Host:
    tried = [t for t in trials if t.mechanism == mechanism and t.host in hosts]
    if tried:
        notes.assume(mechanism, f"driven by {tried[-1].host}, as in trial {tried[-1].trial}", "host")
        return hosts[tried[-1].host]
    if len(hosts) == 1:
        only = next(iter(hosts.values()))
        notes.assume(mechanism, f"driven by {only.name}, the only host on the shelf", "host")
        return only
    notes.assume(
        mechanism, "which host drives it is not noted; the host is assumed to do whatever the mechanism can", "host"
    )
    return Host()


def _mechanism(entry: records.Mechanism, unit: Unit | None, notes: _Notes) -> Mechanism | None:
    name, disk_class = entry.mechanism, unit.disk_class if unit else ""
    drives = load_drives()
    if entry.drive_class:
        if entry.drive_class not in drives:
            notes.unknown[name] = f"its drive class {entry.drive_class} is not in the library"
            return None
        drive = drives[entry.drive_class]
    elif disk_class:
        drive = drives[default_drive(disk_class, entry.heads or 2)]
        notes.assume(
            name, f"its drive class is not noted; taken as {drive.id} ({drive.title}), by the unit's disk class"
        )
    else:
        notes.unknown[name] = "neither its drive class nor its unit's disk class is noted"
        return None
    noted = {"class": entry.drive_class, "heads": entry.heads, "cylinders": entry.cylinders}
    return Mechanism(
        name=name,
        drive=_measured(drive, entry),
        heads=entry.heads or drive.heads,
        cylinders=entry.cylinders or round(drive.cylinders.value),
        # a class that is noted tells heads and cylinders too
        supposed=() if entry.drive_class else tuple(what for what, value in noted.items() if not value),
    )


def _measured(drive: DriveClass, entry: records.Mechanism) -> DriveClass:
    """The class with the head widths the keeper measured in their place."""
    widths = {"write_width_um": entry.write_width_um, "read_width_um": entry.read_width_um}
    own = {
        name: Figure(value=width, source=f"noted on the shelf for {entry.mechanism}", mark="OWN")
        for name, width in widths.items()
        if width is not None
    }
    return drive.model_copy(update=own) if own else drive


def _disk(
    entry: records.Disk, mechanisms: Mapping[str, Mechanism], trials: Sequence[Trial], notes: _Notes
) -> tuple[Medium, Layout] | None:
    name = entry.inventory
    disk_class = entry.disk_class or (load_layouts()[entry.layout].disk_class if entry.layout else "")
    if not disk_class:
        notes.unknown[name] = "its disk class is not noted"
        return None
    layout, layout_known = _layout(entry, disk_class, trials, notes)
    if entry.sides is None:
        notes.assume(name, f"its sides are not noted; taken as {layout.heads}")
    recorded_by = mechanisms.get(entry.recorded_by)
    medium = Medium(
        name=name,
        disk_class=load_classes()[disk_class],
        sides=entry.sides or layout.heads,
        importance=entry.importance,
        notch=entry.notch,
        hub_ring=entry.hub_ring,
        sector_holes=entry.sector_holes,
        layout=entry.layout,
        recorded_by=recorded_by,
        recorded_when=entry.recorded_when,
        recorded=Climate(entry.recorded_temperature_c, entry.recorded_humidity_pct),
        before=entry.before,
        condition=words_of(entry.condition),
        supposed=(*(() if layout_known else ("layout",)), "window"),
    )
    return medium, layout


def _layout(entry: records.Disk, disk_class: str, trials: Sequence[Trial], notes: _Notes) -> tuple[Layout, bool]:
    """The layout of a disk, and whether anything but its class says so."""
    library = load_layouts()
    if entry.layout:
        return library[entry.layout], True
    usual = library[_USUAL[disk_class][0 if _two_sides(entry, disk_class) else 1]]
    counted = _sectors_a_track(entry.inventory, trials)
    if counted is None:
        notes.assume(entry.inventory, f"its layout is not noted; taken as {usual.id}, usual for its class", "layout")
        return usual, False
    sides = {t.side for t in trials if t.disk == entry.inventory}
    fitting = [
        layout
        for layout in (usual, *library.values())
        if layout.disk_class == disk_class
        and layout.heads > max(sides)
        and all(zone.sectors == counted for zone in layout.zones)
    ]
    if not fitting:
        notes.assume(
            entry.inventory,
            f"its layout is not noted, and none known has the {counted} sectors a track of its trials; "
            f"taken as {usual.id}, usual for its class",
            "layout",
        )
        return usual, False
    notes.assume(
        entry.inventory,
        f"its layout is not noted; taken as {fitting[0].id}, by the {counted} sectors a track of its trials",
        "layout",
    )
    return fitting[0], True


def _two_sides(entry: records.Disk, disk_class: str) -> bool:
    return disk_class != "200" if entry.sides is None else entry.sides == 2


def _sectors_a_track(disk: str, trials: Sequence[Trial]) -> int | None:
    """Sectors on a track, when most trials of the disk agree on a whole number."""
    counts: Counter[int] = Counter()
    for trial in trials:
        tracks = trial.last_cylinder - trial.first_cylinder + 1
        if trial.disk == disk and trial.sectors_tried and trial.sectors_tried % tracks == 0:
            counts[trial.sectors_tried // tracks] += 1
    if not counts:
        return None
    (most, times), total = counts.most_common(1)[0], counts.total()
    return most if times * 2 > total else None
