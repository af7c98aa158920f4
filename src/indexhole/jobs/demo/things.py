"""What stands on the demonstration shelf: an invented small harbour museum, with invented makers and half memories."""

from __future__ import annotations

from typing import Any

from indexhole.shelf.records.additions import Firmware, Loan, Part
from indexhole.shelf.records.entry import Record
from indexhole.shelf.records.records import Disk, Event, Mechanism, Note, Unit, checked

DRIVES = (
    # inventory, title, maker, class, acquired, origin, state, date codes
    ("D1", "Twin unit from the tide office", "Ostrel Werke", "130-48", "given when its office was cleared",
     "tide office, Marrowick harbour", "belts renewed, runs quietly", "8442 on both boards"),
    ("D2", "Single unit, beige, dented lid", "Ostrel Werke", "130-48", "given", "school of navigation", "runs", ""),
    ("D3", "Twin unit from the crane house", "Tolvane Instruments", "130-48", "gift of the crane crew",
     "crane house, east quay", "lower mechanism has been apart once, nobody knows when", "C31 and C40, one on each"),
    ("D4", "Narrow-track unit, black", "Brackmoor & Sull", "130-96", "given with its host", "pilot station",
     "runs, door spring weak", ""),
    ("D5", "Narrow-track unit in a wooden box", "Brackmoor & Sull", "130-96", "taken over with the shed",
     "customs shed", "stood in a damp cellar, cleaned outside only", "8610"),
    ("D6", "Dense unit from the ferry line", "Pellworth Apparatus", "130-dense", "bought", "ferry booking hall",
     "runs", ""),
    ("D7", "Small rigid-case unit", "Tolvane Instruments", "90", "found in a desk",
     "signal tower", "runs", ""),
    ("D8", "Large unit, needs two hands", "Quoyhamn Electric", "200", "given", "weather office",
     "head-load pad renewed, mains transformer hums", "week 18, year not readable"),
)  # fmt: skip

OTHER_UNITS = (
    ("H1", "host", "Bench host, tide office", "Ostrel Werke", "with D1", "boots from its own programme"),
    ("H2", "host", "Bench host, pilot station", "Brackmoor & Sull", "with D4", "keyboard replaced"),
    ("H3", "host", "Weather office host", "Quoyhamn Electric", "with D8", "mains lead renewed by an electrician"),
    ("L1", "lead", "Ribbon lead, 34 ways, 1 m", "", "", "one pin straightened"),
    ("L2", "lead", "Ribbon lead, 34 ways, 0.6 m", "", "", "good"),
    ("L3", "lead", "Ribbon lead, 34 ways, 1 m, grey", "", "", "good"),
    ("L4", "lead", "Ribbon lead, 50 ways, 1.5 m", "", "", "good"),
    ("A1", "adapter", "Adapter, 34 to 50 ways, made here", "made at the bench", "", "wiring drawn on its lid"),
)

MECHANISMS = (
    # mechanism, what the front says, note
    ("D1.0", "right", "answers as 0 although it stands on the right"),
    ("D1.1", "left", ""),
    ("D2.0", "", ""),
    ("D3.0", "1", "the front counts from one"),
    ("D3.1", "2", "screws of the step motor have been turned"),
    ("D4.0", "", ""),
    ("D5.0", "", "smells of cellar"),
    ("D6.0", "", ""),
    ("D7.0", "", ""),
    ("D8.0", "", ""),
)

# what drives the disks of each host, and which volumes it takes
HOSTS: dict[str, dict[str, Any]] = {
    "H1": {"volume_kinds": "fat12, linked", "controller": "mfm-one-rate", "made": "1983 to 1984"},
    "H2": {"volume_kinds": "fat12", "controller": "mfm-three-rate"},
    "H3": {"volume_kinds": "fat12, labelled", "controller": "mfm-two-rate"},
}

# what was weighed, read off the back and looked up, beyond what stands above
WEIGHED: dict[str, dict[str, Any]] = {
    "D1": {"made": "1984", "acquired_when": "about 1998", "location": "shelf A, left", "weight_kg": 9.4,
           "interfaces": "parallel bus", "connectors": "34-way edge, mains inlet", "power_input": "230 V, 50 Hz, 60 W",
           "device_address": "0 and 1, right is 0", "modifications": "belts of another make",
           "labels_left": "inventory plate of the tide office, 114", "description": "two full-height mechanisms"},
    "D2": {"acquired_when": "2004", "location": "shelf A, right", "weight_kg": 5.1, "interfaces": "parallel bus",
           "connectors": "34-way edge, mains inlet", "labels_left": "a pupil's name, scratched in"},
    "D3": {"acquired_when": "2011", "location": "shelf B", "weight_kg": 10.2, "interfaces": "parallel bus",
           "connectors": "34-way edge, mains inlet", "power_input": "230 V, 50 Hz", "device_address": "0 and 1",
           "modifications": "lower door from another unit"},
    "D4": {"acquired_when": "2009", "location": "shelf B", "weight_kg": 1.6, "connectors": "34-way edge",
           "power_input": "5 V and 12 V from its host"},
    "D5": {"acquired_when": "about 2001", "location": "shelf C", "weight_kg": 3.0, "connectors": "34-way edge"},
    "D6": {"acquired_when": "2015", "location": "shelf C", "weight_kg": 1.5, "connectors": "34-way edge"},
    "D7": {"acquired_when": "2017", "location": "shelf C", "weight_kg": 0.6, "connectors": "34-way pins"},
    "D8": {"made": "1978", "acquired_when": "1994", "location": "on the floor", "weight_kg": 21.0,
           "connectors": "50-way edge, mains inlet", "power_input": "230 V, 50 Hz, 150 W"},
}  # fmt: skip

# unit, what it is, the board it sits on, what is printed on it, its date code
PARTS = (
    ("D1", "controller board", "", "main, issue 3", "8442"),
    ("D1", "processor", "controller board", "8-bit, 1 MHz", "8431"),
    ("D1", "memory", "controller board", "2 KiB", "8438"),
    ("D1", "processor", "controller board", "8-bit, second", "8722"),
    ("D3", "processor", "board", "8-bit", "8119"),
    ("D3", "mains transformer", "", "C40", ""),
    ("D5", "controller", "board", "single chip", "8610"),
    ("D8", "logic", "large board", "74 series, many", "7803"),
)

# unit, version, where it sits, how it was seen, when
FIRMWARE = (
    ("D1", "2.6", "socketed ROM", "tells itself on the bus at switching on", "2019-05"),
    ("D3", "1.2", "soldered ROM", "printed on its label", "2011"),
)

# unit or disk, party, direction, since, until, returned, purpose
LOANS = (
    ("D2", None, "school of navigation", "out", "2024-09", "2025-06", "2025-06-20", "teaching"),
    (None, "K20", "school of navigation", "out", "2024-09", "2025-06", "", "teaching"),
    ("D6", None, "ferry line", "in", "2015", "", "", "kept here for the line, which still owns it"),
)

# mechanisms that were counted out at the bench
BUILT: dict[str, dict[str, Any]] = {
    "D1.0": {"heads": 2, "cylinders": 40},
    "D1.1": {"heads": 2, "cylinders": 40},
    "D4.0": {"heads": 2, "cylinders": 80},
    "D8.0": {"heads": 1, "cylinders": 77},
}

DISKS = (
    # inventory, title, class, sides, importance, note
    ("K1", "Tide tables 1986, first half", "130-48", 2, "irreplaceable", ""),
    ("K2", "Tide tables 1986, second half", "130-48", 2, "irreplaceable", "label half gone"),
    ("K3", "Crane log, spring 1987", "130-48", 2, "irreplaceable", ""),
    ("K4", "Crane log, summer 1987", "130-48", 2, "irreplaceable", "jacket creased at one corner"),
    ("K5", "Manifest of the coaster Aurelie, voyages 12 to 19", "130-48", 2, "irreplaceable", "the only copy known"),
    ("K6", "Letters of the harbour master", "130-48", 2, "irreplaceable", ""),
    ("K7", "Host programme, working copy", "130-48", 2, "working", "the original is K8"),
    ("K8", "Host programme", "130-48", 2, "irreplaceable", ""),
    ("K9", "Scratch A", "130-48", 2, "scratch", "for trials"),
    ("K10", "Scratch B", "130-48", 2, "scratch", "for trials"),
    ("K11", "Scratch C", "130-48", 2, "scratch", "for trials"),
    ("K12", "Pilot orders 1988", "130-96", 2, "irreplaceable", ""),
    ("K13", "Pilot orders 1989", "130-96", 2, "irreplaceable", ""),
    ("K14", "Soundings of the inner basin", "130-96", 2, "irreplaceable", "the chart drawn from it is lost"),
    ("K15", "Customs forms, blank", "130-96", 2, "working", ""),
    ("K16", "Scratch D", "130-96", 2, "scratch", "for trials"),
    ("K17", "Ferry bookings, August 1990", "130-dense", 2, "irreplaceable", ""),
    ("K18", "Scratch E", "130-dense", 2, "scratch", "for trials"),
    ("K19", "Signal tower watch list", "90", 2, "irreplaceable", ""),
    ("K20", "Flag signals, teaching copy", "90", 2, "working", ""),
    ("K21", "Scratch F", "90", 2, "scratch", "for trials"),
    ("K22", "Weather readings 1979", "200", 1, "irreplaceable", ""),
    ("K23", "Weather readings 1980", "200", 1, "irreplaceable", "gap in March, said to be a storm"),
    ("K24", "Wreck list, north reef", "200", 1, "irreplaceable", ""),
    ("K25", "Scratch G", "200", 1, "scratch", "for trials"),
)

# what was looked up on the disk itself or is known of its recording, beyond what stands above
LOOKED_AT: dict[str, dict[str, Any]] = {
    "K1": {"notch": "covered", "recorded_when": "1986", "layout": "130-48-mfm-9x512"},
    "K2": {"notch": "covered", "recorded_when": "1986", "label_text": "TIDES 86 / 2, rest torn off"},
    "K3": {"notch": "open", "recorded_when": "1987", "hub_ring": True, "layout": "130-48-mfm-9x512"},
    "K4": {"notch": "open", "recorded_when": "1987", "condition": "creased"},
    "K5": {"notch": "covered", "recorded_when": "about 1988", "condition": "mould"},
    "K6": {"notch": "covered", "recorded_when": "1985", "sector_holes": 0, "layout": "zoned-35-1s"},
    "K7": {"notch": "open", "before": "recorded"},
    "K8": {"notch": "none"},
    "K9": {"notch": "open", "before": "erased", "sector_holes": 0, "recorded_temperature_c": 18.0,
           "recorded_humidity_pct": 45.0, "recorded_by": "D3.1", "recorded_when": "2026-02-17"},
    "K10": {"notch": "open", "before": "recorded", "sector_holes": 0, "recorded_by": "D2.0",
            "recorded_when": "2026-02-18", "recorded_temperature_c": 19.0, "recorded_humidity_pct": 44.0},
    "K11": {"notch": "open", "before": "never recorded", "sector_holes": 0},
    "K12": {"notch": "covered", "recorded_when": "1988", "hub_ring": False, "layout": "130-96-mfm-9x512"},
    "K13": {"notch": "covered", "recorded_when": "1989", "hub_ring": False, "layout": "130-96-mfm-9x512"},
    "K16": {"notch": "open", "before": "recorded"},
    "K17": {"notch": "covered", "recorded_when": "1990-08", "layout": "130-dense-mfm-15x512"},
    "K18": {"notch": "open", "before": "never recorded", "hub_ring": False},
    "K19": {"notch": "covered", "recorded_when": "1991", "layout": "90-mfm-9x512"},
    "K21": {"notch": "open", "before": "erased"},
    "K22": {"notch": "none", "recorded_when": "1979", "sector_holes": 0, "layout": "200-fm-26x128"},
    "K23": {"notch": "none", "recorded_when": "1980", "condition": "shedding"},
    "K25": {"notch": "none", "before": "recorded", "sector_holes": 0},
}  # fmt: skip

EVENTS = (
    ("D1", "1984 to 1985", "bought new for the tide office", "invoice in the file"),
    ("D1", "about 1987", "one mechanism exchanged after a spring flood", "retired clerk, not sure which one"),
    ("D1", "2019-05", "both belts renewed", "bench book"),
    ("D2", "1980s", "used for teaching, lid dented by a pupil", "school of navigation"),
    ("D3", "before 1990", "fell from the crane house table", "told by two of the crew, who differ on the year"),
    ("D3", "", "lower mechanism taken apart and put together", "nobody remembers"),
    ("D4", "after 1986", "in use at the pilot station", "pilot orders on its disks"),
    ("D5", "about 2001", "moved from the customs shed to the cellar", "caretaker"),
    ("D5", "2018", "brought up from the cellar, outside wiped", "bench book"),
    ("D8", "1978 to 1981", "in use at the weather office", "dates of its disks"),
    ("D8", "1994", "head-load pad renewed", "note inside the lid"),
)  # fmt: skip

NOTES = (
    ("D3", None, "check D3.1 before lending the unit to the school"),
    (None, "K5", "family of the ship's master asks for a print of voyage 14"),
    (None, None, "winter days: bring units and disks to the bench the evening before"),
)


def demo_records() -> list[Record]:
    """Every entry of the demonstration shelf but trials and captures, in order of entry."""
    drives = [
        checked(
            Unit, inventory=inventory, kind="drive unit", title=title, maker=maker, disk_class=disk_class,
            acquired=acquired, origin=origin, state=state, date_codes=codes, **WEIGHED.get(inventory, {}),
        )
        for inventory, title, maker, disk_class, acquired, origin, state, codes in DRIVES
    ]  # fmt: skip
    others = [
        checked(
            Unit, inventory=inventory, kind=kind, title=title, maker=maker, acquired=acquired, state=state,
            **HOSTS.get(inventory, {}),
        )
        for inventory, kind, title, maker, acquired, state in OTHER_UNITS
    ]  # fmt: skip
    mechanisms = [
        checked(Mechanism, mechanism=name, front=front, note=note, **BUILT.get(name, {}))
        for name, front, note in MECHANISMS
    ]
    disks = [
        checked(
            Disk, inventory=k, title=title, disk_class=c, sides=sides, importance=importance, note=note,
            **LOOKED_AT.get(k, {}),
        )
        for k, title, c, sides, importance, note in DISKS
    ]  # fmt: skip
    events = [checked(Event, unit=unit, when=when, what=what, source=source) for unit, when, what, source in EVENTS]
    notes = [checked(Note, unit=unit, disk=disk, text=text) for unit, disk, text in NOTES]
    parts = [
        checked(Part, unit=unit, name=name, board=board, marking=marking, date_code=code)
        for unit, name, board, marking, code in PARTS
    ]
    firmware = [
        checked(Firmware, unit=unit, version=version, place=place, seen_how=how, seen_when=when)
        for unit, version, place, how, when in FIRMWARE
    ]
    loans = [
        checked(
            Loan, unit=unit, disk=disk, party=party, direction=direction, since=since, until=until,
            returned=returned, purpose=purpose,
        )
        for unit, disk, party, direction, since, until, returned, purpose in LOANS
    ]  # fmt: skip
    return [*drives, *others, *mechanisms, *disks, *events, *notes, *parts, *firmware, *loans]
