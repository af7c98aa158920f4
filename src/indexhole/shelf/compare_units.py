"""Chosen units side by side: weight, date, capacity, interface, processors, and what was proven between them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from indexhole.errors import InputFault
from indexhole.model.trial import Trial
from indexhole.shelf.additions import Firmware, Part
from indexhole.shelf.records import Mechanism, Unit
from indexhole.shelf.register import Shelf
from indexhole.shelf.timeline import dating_of
from indexhole.standards.classes import load_classes
from indexhole.standards.layouts import Layout, load_layouts

MOST_UNITS = 20
# words in a part's name that mean it calculates
_PROCESSORS = ("processor", "cpu", "controller", "microcomputer")


@dataclass(frozen=True, slots=True)
class Comparison:
    """Units side by side. `rows` hold a name and a value for each unit, empty where nothing is known."""

    units: tuple[str, ...]
    rows: tuple[tuple[str, tuple[str, ...]], ...]


def compare_units(shelf: Shelf, keys: Sequence[str]) -> Comparison:
    """The units side by side, rows that say nothing of any left out.

    A pairing is proven where a mechanism of a unit read, without a failed sector, what a mechanism of another of the
    units had written last. Raises InputFault for a unit that is not there, none, or more than MOST_UNITS.
    """
    if not 1 <= len(keys) <= MOST_UNITS or len(set(keys)) < len(keys):
        raise InputFault(f"{len(keys)} units cannot be compared", remedy=f"name 1 to {MOST_UNITS}, each once")
    units = [shelf.get(Unit, key) for key in keys]
    mechanisms = {unit.key: shelf.mechanisms_of(unit.key) for unit in units}
    proven = _proven(shelf, mechanisms)
    columns = [_told(shelf, unit, mechanisms[unit.key], proven.get(unit.key, [])) for unit in units]
    rows = [(name, tuple(column[name] for column in columns)) for name in columns[0]]
    return Comparison(tuple(keys), tuple(row for row in rows if any(row[1])))


def _told(shelf: Shelf, unit: Unit, mechanisms: Sequence[Mechanism], proven: Sequence[str]) -> dict[str, str]:
    parts = shelf.page(Part, unit=unit.key, most=10_000)
    firmware = shelf.page(Firmware, unit=unit.key, most=10_000)
    dating = dating_of(shelf, unit.key)
    held = load_classes().get(unit.disk_class)
    return {
        "title": unit.title,
        "kind": unit.kind,
        "maker": unit.maker,
        "made": unit.made or (f"not before {dating.no_earlier_than}" if dating.no_earlier_than else ""),
        "acquired": unit.acquired_when or unit.acquired,
        "weight, kg": f"{unit.weight_kg:g}" if unit.weight_kg else "",
        "disks": held.title if held else unit.disk_class,
        "mechanisms": str(len(mechanisms) or ""),
        "capacity of a disk": _capacity(unit.disk_class, mechanisms),
        "interface": unit.interfaces,
        "connectors": unit.connectors,
        "controller": unit.controller,
        "processors": ", ".join(
            part.name + (f" ({part.marking})" if part.marking else "")
            for part in parts
            if any(word in part.name.casefold() for word in _PROCESSORS) and "board" not in part.name.casefold()
        ),
        "firmware": ", ".join(one.version for one in firmware),
        "power input": unit.power_input,
        "device address": unit.device_address,
        "state": unit.state,
        "modifications": unit.modifications,
        "proven pairings": ", ".join(proven),
    }


def _capacity(disk_class: str, mechanisms: Sequence[Mechanism]) -> str:
    """The least and most a disk of the class holds by the layouts known, on as many heads as the unit has."""
    heads = max((mechanism.heads or 2 for mechanism in mechanisms), default=2)
    sizes = sorted(
        _bytes(layout)
        for layout in load_layouts().values()
        if layout.disk_class == disk_class and layout.heads <= heads
    )
    if not sizes:
        return ""
    least, most = sizes[0] / 1024, sizes[-1] / 1024
    return f"{most:.0f} KiB" if least == most else f"{least:.0f} to {most:.0f} KiB, by layout"


def _bytes(layout: Layout) -> int:
    zones = (layout.zone(cylinder, head) for cylinder in range(layout.cylinders) for head in range(layout.heads))
    return sum(zone.sectors * zone.sector_bytes for zone in zones if zone is not None)


def _proven(shelf: Shelf, mechanisms: dict[str, list[Mechanism]]) -> dict[str, list[str]]:
    """For each unit, what its mechanisms wrote last and those of others of them read without a failed sector."""
    of = {mechanism.mechanism: unit for unit, held in mechanisms.items() for mechanism in held}
    told: dict[str, list[str]] = {}
    wrote: dict[tuple[str, int, int], str] = {}
    for trial in shelf.trials_of_disks_tried_in(list(of)):
        if trial.operation != "read":
            wrote.update(dict.fromkeys(_tracks(trial), trial.mechanism))
        elif trial.sectors_tried and not trial.sectors_failed and trial.mechanism in of:
            for writer in sorted({wrote.get(track, "") for track in _tracks(trial)}):
                if writer in of and writer != trial.mechanism:
                    line = f"{writer} read by {trial.mechanism}"
                    for unit in {of[writer], of[trial.mechanism]}:
                        if line not in told.setdefault(unit, []):
                            told[unit].append(line)
    return told


def _tracks(trial: Trial) -> list[tuple[str, int, int]]:
    return [(trial.disk, trial.side, cylinder) for cylinder in range(trial.first_cylinder, trial.last_cylinder + 1)]
