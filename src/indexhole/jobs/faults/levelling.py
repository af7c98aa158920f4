"""Levelling for the verb `level` and the page: shelf, trials and measurements to drives levelled."""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

from indexhole.csv_text import csv_line, csv_rows
from indexhole.errors import InputFault
from indexhole.jobs.faults.measurement_sheet import LARGEST_BYTES, kept_sheet, where_kept
from indexhole.jobs.faults.repairs import Moves, of_now
from indexhole.levelling.measurements import (
    COLUMNS,
    INDEX,
    KEPT,
    OFFSET,
    SPEED,
    Measurements,
    no_measurements,
    parse_measurements,
)
from indexhole.levelling.network import Tie
from indexhole.levelling.ties import Reading, index_ties, speed_ties
from indexhole.model.forward import MechanismState, TrackPlace
from indexhole.model.suited import sound_mechanism, track_place
from indexhole.model.trials.recorders import Recorders
from indexhole.model.trials.trial import Trial
from indexhole.shelf.files.writing import write_whole
from indexhole.shelf.records.records import CaptureRecord, Disk, Event, Mechanism, Unit
from indexhole.shelf.register.shelf import Shelf
from indexhole.shelf.sheets.sheet_text import decode_sheet, sheet_text
from indexhole.standards.classes import load_classes
from indexhole.standards.layouts import Layout, load_layouts
from indexhole.standards.tolerances import LIBRARY, Tolerances

if TYPE_CHECKING:
    from indexhole.jobs.faults.capture_summary import CaptureSummary
    from indexhole.levelling.cross_reads import Heads
    from indexhole.levelling.quantity import Levelled

Progress = Callable[[int, int], None]

QUANTITIES = (OFFSET, SPEED, INDEX)


class NothingTied(InputFault):
    """No trial, capture or measurement compares any two mechanisms, so that there is nothing to level yet."""


@dataclass(frozen=True)
class BenchEvidence:
    """What is known of a bench beside measurements by hand.

    Attributes:
        trials: in order of time.
        readings: what the gauges of captures say.
        classes: disk class of each mechanism, where known.
        states: widths of its heads, where known.
        recorded: by mechanism, disks that hold something it recorded.
        irreplaceable: disks so marked.
        remarks: captures that should have told but did not, and what is left out for work done since.
        moves: work on the drives that parts evidence before it from evidence after it.
        past: names in the trials that stand for drives as they were before such work.
    """

    trials: Sequence[Trial]
    readings: Sequence[Reading] = ()
    classes: Mapping[str, str] = field(default_factory=dict)
    states: Mapping[str, MechanismState] = field(default_factory=dict)
    recorded: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    irreplaceable: frozenset[str] = frozenset()
    remarks: tuple[str, ...] = ()
    moves: Moves = field(default_factory=Moves)
    past: frozenset[str] = frozenset()


@dataclass(frozen=True)
class LevelledBench:
    """Every quantity there are ties of, levelled, with what advice needs.

    Attributes:
        levels: by quantity, in the order of QUANTITIES.
        evidence: what it was levelled from.
        adjusters: um outward for one turn clockwise, with its uncertainty, by mechanism.
        remarks: what the evidence did not tell.
    """

    levels: Mapping[str, Levelled]
    evidence: BenchEvidence
    adjusters: Mapping[str, tuple[float, float]]
    remarks: tuple[str, ...]


def read_measurements(path: Path, first: int = 1) -> Measurements:
    """The keeper's measurements from a file. Raises InputFault with every fault counted and the first few told."""
    return parse_measurements(_text_of(path), where=str(path), first=first)


def _text_of(path: Path) -> str:
    return sheet_text(path, named="the sheet of measurements", largest_bytes=LARGEST_BYTES)


def kept_measurements(shelf: Shelf) -> Measurements:
    """The measurements kept in the shelf's folder; none when there is no such file."""
    held = kept_sheet(shelf)
    if not held:
        return no_measurements()
    return parse_measurements(decode_sheet(held, where=where_kept(shelf)), where=where_kept(shelf))


def keep_measurements(shelf: Shelf, content: bytes, name: str) -> int:
    """Add the rows of a sheet to those kept with the shelf, and return how many are new.

    A row that stands there already, cell for cell, is not added again. All are written anew, with all columns. Raises
    InputFault, and then nothing changes.
    """
    if len(content) > LARGEST_BYTES:
        raise InputFault(f"is larger than {LARGEST_BYTES >> 20} MiB", where=name, remedy="split it")
    text = decode_sheet(content, where=name)
    parse_measurements(text, where=name)
    # two at once must not write over one another
    with shelf.holding():
        return _add_rows(shelf, text, name)


def _add_rows(shelf: Shelf, text: str, name: str) -> int:
    kept = decode_sheet(kept_sheet(shelf), where=where_kept(shelf))
    held, sent = _cells(kept, where_kept(shelf)), _cells(text, name)
    if held:
        # What cannot be read must not be written anew: rows under a broken heading would be lost.
        parse_measurements(kept, where=where_kept(shelf))
    known = set(held)
    new = [row for row in sent if row not in known]
    whole = "".join(csv_line(row) + "\n" for row in (COLUMNS, *held, *new))
    parse_measurements(whole, where=f"{KEPT} with {name}")
    write_whole(shelf.folder / KEPT, whole.encode("utf-8"))
    return len(new)


def _cells(text: str, where: str) -> list[tuple[str, ...]]:
    """The rows of a sheet, their cells in the order of COLUMNS."""
    rows = ([cell.strip() for cell in row] for _, row in csv_rows(text, where))
    names = next(rows, [])
    told = (dict(zip(names, row, strict=False)) for row in rows if any(row))
    return [tuple(row.get(column, "") for column in COLUMNS) for row in told]


def joined(one: Measurements, other: Measurements) -> Measurements:
    """Measurements of two sheets together; names of the second go on counting."""
    count = sum(len(ties) for ties in one.ties.values())
    ties: dict[str, tuple[Tie, ...]] = dict(one.ties)
    for quantity, more in other.ties.items():
        renamed = tuple(replace(t, name=f"M{int(t.name[1:]) + count}") for t in more)
        ties[quantity] = (*ties.get(quantity, ()), *renamed)
    standards = tuple(dict.fromkeys((*one.standards, *other.standards)))
    return Measurements(ties, {**one.adjusters, **other.adjusters}, standards)


def shelf_evidence(
    shelf: Shelf,
    trials: Sequence[Trial] | None = None,
    irreplaceable: Collection[str] = (),
    progress: Progress | None = None,
) -> BenchEvidence:
    """What a shelf knows: trials, captures gauged, classes and widths, who recorded which disk.

    Args:
        trials: to use instead of those on the shelf.
        irreplaceable: further disks to keep.
    """
    from indexhole.jobs.faults.capture_summary import capture_summaries  # it loads slowly

    moves = Moves(shelf.all(Event))
    split_trials = moves.split_trials(shelf.trials() if trials is None else trials)
    units = {u.inventory: u for u in shelf.all(Unit)}
    mechanisms = {m.mechanism: m for m in shelf.all(Mechanism)}
    disks = shelf.all(Disk)
    classes = {name: units[m.unit].disk_class for name, m in mechanisms.items() if m.unit in units}
    records = shelf.all(CaptureRecord)
    held = capture_summaries(shelf, records, progress)
    readings, remarks = readings_of(records, held, split_trials.trials, moves, frozenset(split_trials.past))
    recorded = _recorded(split_trials.trials, records, disks)
    return BenchEvidence(
        trials=split_trials.trials,
        readings=readings,
        classes={name: held for name, held in classes.items() if held},
        states={name: _state(m, classes.get(name, "")) for name, m in mechanisms.items()},
        recorded=recorded,
        irreplaceable=frozenset(d.inventory for d in disks if d.irreplaceable) | frozenset(irreplaceable),
        remarks=(*remarks, *split_trials.told),
        moves=moves,
        past=frozenset(split_trials.past),
    )


def sheet_evidence(trials: Sequence[Trial], irreplaceable: Collection[str] = ()) -> BenchEvidence:
    """What a trial sheet alone knows."""
    return BenchEvidence(trials=trials, recorded=_recorded(trials, (), ()), irreplaceable=frozenset(irreplaceable))


def readings_of(
    records: Sequence[CaptureRecord],
    held: Mapping[str, CaptureSummary],
    trials: Sequence[Trial],
    moves: Moves | None = None,
    past: Collection[str] = (),
) -> tuple[list[Reading], tuple[str, ...]]:
    """What the gauges of captures say, with who read and who wrote each, and remarks on those that say nothing.

    Args:
        moves: work on the drives: what a capture from before it shows is not told of them.
        past: names in the trials of drives as they were before such work, which are told of nothing.
    """
    from indexhole.jobs.recovery.known_writers import formatter_of

    readings: list[Reading] = []
    remarks: list[str] = []
    for record in records:
        told = held[record.sha256]
        if told.reading is None:
            remarks.append(f"capture {record.name} tells nothing of speeds ({told.why})")
            continue
        ends = {"reader": record.mechanism or "", "writer": formatter_of(record, trials) or ""}
        for end, drive in ends.items():
            what = f"what capture {record.name} says of {drive}"
            why = moves.why(what, drive, record.taken, "taken") if moves is not None and drive not in past else ""
            if why:
                remarks.append(why)
            if why or drive in past:
                ends[end] = ""
        readings.append(replace(told.reading, disk=record.disk or "", reader=ends["reader"], writer=ends["writer"]))
    return readings, tuple(dict.fromkeys(remarks))


def _recorded(
    trials: Sequence[Trial], records: Sequence[CaptureRecord], disks: Sequence[Disk]
) -> dict[str, tuple[str, ...]]:
    """By mechanism, disks of which some cylinder was last recorded by it, as far as anything tells."""
    recorders = Recorders(trials)
    found: dict[str, set[str]] = defaultdict(set)
    for mechanism in {t.mechanism for t in trials if t.writes}:
        found[mechanism] |= recorders.disks_of(mechanism)
    for record in records:
        if record.writer and record.disk:
            found[record.writer].add(record.disk)
    for held in disks:
        if held.recorded_by:
            found[held.recorded_by].add(held.inventory)
    return {mechanism: tuple(sorted(disks_held)) for mechanism, disks_held in found.items() if disks_held}


def _layout_of(disk_class: str) -> Layout | None:
    """The commonest layout of a class, for widths and places only."""
    return next((x for _, x in sorted(load_layouts().items()) if x.disk_class == disk_class), None)


def _state(mechanism: Mechanism, disk_class: str) -> MechanismState:
    layout = _layout_of(disk_class)
    sound = sound_mechanism(layout) if layout is not None else MechanismState()
    return replace(
        sound,
        write_width_um=mechanism.write_width_um or sound.write_width_um,
        read_width_um=mechanism.read_width_um or sound.read_width_um,
    )


def _place(disk_class: str) -> TrackPlace:
    """The innermost track of the commonest layout of a class: failure sets in there first."""
    layout = _layout_of(disk_class)
    if layout is None or disk_class not in load_classes():
        return TrackPlace()
    zone = layout.zones[-1]
    return track_place(layout, zone.last_cylinder, zone.heads[0])


def level_bench(
    evidence: BenchEvidence,
    measurements: Measurements | None = None,
    *,
    datum: str | None = None,
    left_out: Collection[str] = (),
    tolerances: Tolerances = LIBRARY,
) -> LevelledBench:
    """Level every quantity there are ties of.

    Args:
        datum: a node to hold at 0 in the network of offsets, or `mean`; chosen when None.
        left_out: names of ties to leave out.
        tolerances: the limits to judge by.

    Raises:
        InputFault: no ties at all, a datum that is in no network, or a tie to leave out that there is none of.
    """
    from indexhole.levelling.cross_reads import cross_ties
    from indexhole.levelling.quantity import level

    measured, stale = of_now(measurements or no_measurements(), evidence.moves.why)
    ties = {q: list(measured.ties.get(q, ())) for q in QUANTITIES}
    labelled = {t.end for t in ties[INDEX] if t.source.startswith("index-label")}
    ties[SPEED] += speed_ties(evidence.readings)
    ties[INDEX] += index_ties(evidence.readings, labelled)
    mechanisms = _mechanisms(evidence, ties)
    adjusted = partial(level, mechanisms=mechanisms, left_out=left_out, classes=evidence.classes, tolerances=tolerances)
    speeds = adjusted(SPEED, ties[SPEED])
    crossed = cross_ties(evidence.trials, _heads(evidence, speeds), evidence.past) if evidence.trials else None
    ties[OFFSET] += crossed.ties if crossed else ()
    _check_left_out(ties, left_out)
    levels = {
        OFFSET: adjusted(OFFSET, ties[OFFSET], standards=measured.standards, datum=datum),
        SPEED: speeds,
        INDEX: adjusted(INDEX, ties[INDEX]),
    }
    found = {quantity: levelled for quantity, levelled in levels.items() if levelled is not None}
    if not found:
        since = " since the work on them" if stale or evidence.past else ""
        raise NothingTied(
            f"nothing ties the mechanisms together{since}",
            remedy="add trials in which one reads what another wrote, captures, or measurements",
        )
    remarks = (*evidence.remarks, *stale, *(crossed.remarks if crossed else ()))
    return LevelledBench(found, evidence, measured.adjusters, remarks)


def _mechanisms(evidence: BenchEvidence, ties: Mapping[str, Sequence[Tie]]) -> frozenset[str]:
    """Nodes that are mechanisms: those of shelf and trials, and names written UNIT.NUMBER in measurements."""
    known = ({t.mechanism for t in evidence.trials} - evidence.past) | set(evidence.states)
    for held in ties.values():
        for node in (n for t in held for n in (t.start, t.end)):
            unit, point, number = node.rpartition(".")
            if unit and point and number.isdecimal() and len(number) <= 3:
                known.add(node)
    return frozenset(known)


def _heads(evidence: BenchEvidence, speeds: Levelled | None) -> Heads:
    """Widths, tracks and speeds for the forward model; only speeds told against nominal count as known."""
    from indexhole.levelling.cross_reads import Heads

    known = {s.node: math.exp(s.value / 100) for s in speeds.positions if s.against == "nominal"} if speeds else {}
    names = set(known) | set(evidence.states)
    states = {
        name: replace(evidence.states.get(name, MechanismState()), speed_ratio=known.get(name, 1.0)) for name in names
    }
    places = {name: _place(held) for name, held in evidence.classes.items()}
    return Heads(states, places, frozenset(known))


def _check_left_out(ties: Mapping[str, Sequence[Tie]], left_out: Collection[str]) -> None:
    names = {t.name for held in ties.values() for t in held}
    if unknown := sorted(set(left_out) - names):
        raise InputFault(f"no tie is called {unknown[0]!r}", remedy="take the name from the list of ties")
