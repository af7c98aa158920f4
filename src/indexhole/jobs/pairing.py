"""The verb `pair` and the Pairing page: a question about things on the shelf to a budget, or to a whole matrix."""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, field, replace
from difflib import get_close_matches
from typing import Any

from indexhole.errors import InputFault
from indexhole.jobs.pairing_evidence import SEED, Evidence, Proof, proof_of, surprise_bits
from indexhole.jobs.pairing_stock import OUTSIDE_WORDS, Stock, plain_disk
from indexhole.pairing import matrix as reckoning
from indexhole.pairing.answer import Budget
from indexhole.pairing.beliefs import NO_BELIEFS, Beliefs, DiskBelief
from indexhole.pairing.budget import budget
from indexhole.pairing.evidence import OUTSIDE, Observation
from indexhole.pairing.matrix import DRAWS
from indexhole.pairing.parts import OPERATIONS, Climate, Conditions, Mechanism, Medium, Operation, WhatIf
from indexhole.pairing.passages import outside_drive
from indexhole.standards.classes import load_classes
from indexhole.standards.layouts import Layout, load_layouts

WHOLE, _FEW = 1000, 100
SURPRISING_BITS = 3.0
_ALTERNATIVES = 6


@dataclass(frozen=True)
class Question:
    """What is asked. An empty name leaves it to what the shelf says; `host` stands for the reader's own.

    `writer` is who recorded the disk (read, update) or is to record it (format, exchange). Temperature in degrees
    Celsius and relative humidity in per cent are today's.
    """

    operation: Operation = "read"
    writer: str = ""
    disk: str = ""
    reader: str = ""
    host: str = ""
    layout: str = ""
    temperature_c: float | None = None
    humidity_pct: float | None = None
    bulk_erased: bool = False
    shift: WhatIf = field(default_factory=WhatIf)


def question(operation: str = "", **values: Any) -> Question:
    """A question from outside values. Without an operation it is read, or exchange when a writer is named.

    Raises InputFault for an operation there is none of, and for a temperature or humidity no bench has.
    """
    chosen = operation or ("exchange" if values.get("writer") else "read")
    if chosen not in OPERATIONS:
        raise InputFault(f"{chosen!r} is no operation", remedy=f"use {', '.join(OPERATIONS)}")
    for name, low, high, unit in (("temperature_c", -20, 60, "degrees Celsius"), ("humidity_pct", 0, 100, "per cent")):
        value = values.get(name)
        if value is not None and not low <= value <= high:
            raise InputFault(f"{name} must be from {low} to {high} {unit}, not {value:g}", remedy="check the number")
    return Question(operation=chosen, **values)


@dataclass(frozen=True)
class Setup:
    """A question with everything chosen; `writer_said` tells who the writer is and how that is known."""

    operation: Operation
    writer: Mechanism
    disk: Medium
    reader: Mechanism
    layout: Layout
    conditions: Conditions
    writer_said: str
    assumed: tuple[str, ...]


@dataclass(frozen=True)
class Answer:
    """One pairing reckoned through, with what trials showed of it; `differs` says when the two disagree."""

    setup: Setup
    budget: Budget
    proof: Proof | None
    differs: str


def settle(stock: Stock, asked: Question) -> Setup:
    """Choose what the question leaves open.

    Raises InputFault for a name that is not on the shelf or cannot be reckoned with, and for too few names.
    """
    reader_name = asked.reader or (asked.writer if asked.operation == "format" else "")
    if asked.operation == "format" and asked.writer and asked.reader not in ("", asked.writer):
        raise InputFault(
            f"format is done by one mechanism, not by {asked.writer} and {asked.reader}",
            remedy="ask for the operation exchange, or name one of them",
        )
    if not reader_name:
        raise InputFault("no reader is named", remedy="name a mechanism, as in D2.0")
    reader = stock.mechanism(reader_name)
    if asked.host:
        reader = replace(reader, host=stock.host(asked.host))
    if asked.operation == "exchange" and not asked.writer:
        raise InputFault("no writer is named", remedy="name the mechanism that will record the disk, as in D1.0")
    assumed: list[str] = []
    disk, layout = _disk_of(stock, asked, reader, assumed)
    if asked.layout:
        layout = _layout(asked.layout)
    if asked.layout or asked.operation in ("format", "exchange"):
        # what is to be laid out is chosen, not supposed
        disk = replace(disk, supposed=tuple(what for what in disk.supposed if what != "layout"))
    writer, said = _writer_of(stock, asked, disk, layout, reader)
    things = {reader.name: reader, writer.name: writer}
    hosts = {m.host.name for m in things.values()}
    chosen_host = asked.host and reader.name
    for name in (*things, disk.name, *sorted(hosts)):
        for words in stock.assumed.get(name, ()):
            if not (asked.layout and "its layout" in words) and not (name == chosen_host and "driven by" in words):
                assumed.append(f"{name}: {words}")
    conditions = Conditions(
        reading=Climate(asked.temperature_c, asked.humidity_pct),
        bulk_erased_first=asked.bulk_erased,
        shift=asked.shift,
    )
    return Setup(asked.operation, writer, disk, reader, layout, conditions, said, tuple(dict.fromkeys(assumed)))


def _layout(name: str) -> Layout:
    library = load_layouts()
    if name not in library:
        near = get_close_matches(name, library, 3) or [next(iter(library))]
        raise InputFault(f"{name!r} is no layout", remedy=f"use one of docs/layouts.md, as {' or '.join(near)}")
    return library[name]


def _disk_of(stock: Stock, asked: Question, reader: Mechanism, assumed: list[str]) -> tuple[Medium, Layout]:
    if asked.disk:
        disk = stock.disk(asked.disk)
        return disk, stock.layouts[asked.disk]
    if asked.operation in ("read", "update"):
        raise InputFault("no disk is named", remedy="name a disk on the shelf, as in K3")
    maker = stock.mechanism(asked.writer) if asked.writer else reader
    disk_class = _layout(asked.layout).disk_class if asked.layout else class_of(maker)
    disk, layout = plain_disk(disk_class, min(2, maker.heads))
    assumed.append(
        f"no disk is named; reckoned with an unrecorded one, {disk.disk_class.title}, laid out as {layout.id}"
    )
    return disk, layout


def _writer_of(stock: Stock, asked: Question, disk: Medium, layout: Layout, reader: Mechanism) -> tuple[Mechanism, str]:
    """Who recorded the disk, or is to record it, and how that is known."""
    if asked.operation == "format":
        return reader, f"{reader.name} formats it and reads it back"
    if asked.writer:
        return stock.mechanism(asked.writer), f"{asked.writer}, as asked"
    if disk.recorded_by is not None:
        return disk.recorded_by, f"{disk.recorded_by.name}, by the disk's entry"
    last = stock.last_writers.get(disk.name)
    if last is not None and last[0] in stock.mechanisms:
        return stock.mechanisms[last[0]], f"{last[0]}, as in trial {last[1]}"
    return outside_drive(disk), f"nobody known: taken as {OUTSIDE_WORDS}"


def class_of(mechanism: Mechanism) -> str:
    """The disk class a mechanism is made for: the longest class name that its drive class begins with."""
    fitting = [
        name for name in load_classes() if mechanism.drive.id == name or mechanism.drive.id.startswith(f"{name}-")
    ]
    return max(fitting, key=len)


def answer(stock: Stock, evidence: Evidence, asked: Question, *, samples: int = WHOLE, remedies: bool = True) -> Answer:
    """Reckon one pairing through. Raises InputFault as `settle` does."""
    setup = settle(stock, asked)
    told = _budget(setup, evidence.beliefs, samples, _alternatives(stock, setup) if remedies else None)
    proof = proof_of(_seen(evidence, setup.operation, setup.disk.name, setup.writer.name or OUTSIDE, setup.reader.name))
    expected = _budget(setup, NO_BELIEFS, _FEW, None).chance if proof is not None else None
    return Answer(setup, told, proof, differs(told.chance, expected, proof))


def _budget(setup: Setup, beliefs: Beliefs, samples: int, alternatives: tuple[Mechanism, ...] | None) -> Budget:
    """The budget of a set-up; without remedies where there are no alternatives given at all."""
    return budget(
        setup.writer,
        setup.disk,
        setup.reader,
        setup.layout,
        setup.operation,
        setup.conditions,
        beliefs,
        SEED,
        samples=samples,
        remedies=alternatives is not None,
        alternatives=alternatives or (),
    )


def _alternatives(stock: Stock, setup: Setup) -> tuple[Mechanism, ...]:
    """Other mechanisms the disk goes into, those of its own class first."""
    able = [
        m
        for m in stock.mechanisms.values()
        if m.drive.diameter_mm == setup.disk.disk_class.diameter_mm and m.name not in (setup.reader.name, "")
    ]
    able.sort(key=lambda m: class_of(m) != setup.layout.disk_class)
    return tuple(able[:_ALTERNATIVES])


def _seen(
    evidence: Evidence, operation: Operation, disk: str, writer: str | None, reader: str
) -> Iterator[Observation]:
    """Observations of one pairing; of any disk without a name, of any writer where that is None."""
    trial = {"read": "read", "exchange": "read", "format": "format", "update": "write"}[operation]
    for seen in evidence.of_reader.get(reader, ()):
        hand = seen.laid_out_by if operation == "update" else seen.writer
        if seen.operation == trial and disk in ("", seen.disk) and (writer is None or hand == writer):
            yield seen


def differs(chance: float, expected: float | None, proof: Proof | None) -> str:
    """Where prediction and trials disagree, as a clause; empty where they do not.

    Args:
        chance: predicted with all evidence weighed, these trials among it.
        expected: predicted from classes alone; None where it was not reckoned.
    """
    if proof is None:
        return ""
    lost = f"{proof.failed if proof.failed else 'none'} of {proof.tried} sectors failed"
    if surprise_bits(chance, proof) >= SURPRISING_BITS:
        return f"predicted {100 * chance:.0f} %, but {lost}: nothing that is known explains it"
    if expected is not None and surprise_bits(expected, proof) >= SURPRISING_BITS:
        return f"by class alone {100 * expected:.0f} %, but {lost}; with the trials weighed {100 * chance:.0f} %"
    return ""


@dataclass(frozen=True)
class Heading:
    """A row or a column: a disk or a mechanism, and the disk class it stands under ("" where not noted)."""

    name: str
    title: str
    group: str


@dataclass(frozen=True)
class Cell:
    """A pairing in the matrix. Without a prediction (`unproven`, chance None) `why` says what is missing.

    `chance_error` is at most so large: draws are few. `expected` is the chance by class alone, for what was tried.
    `fits`: whether the disk has the size the mechanism takes, as far as is known.
    """

    row: str
    column: str
    question: Question
    verdict: str
    chance: float | None
    chance_error: float | None
    limiting: str | None
    why: str
    proof: Proof | None
    differs: str
    fits: bool = True
    setup: Setup | None = None
    expected: float | None = None


@dataclass(frozen=True)
class Matrix:
    """The shelf's pairings for one operation: disks by mechanisms, or (exchange) writers by readers."""

    operation: Operation
    row_word: str
    column_word: str
    rows: tuple[Heading, ...]
    columns: tuple[Heading, ...]
    cells: dict[tuple[str, str], Cell]

    def ordered(self) -> list[Cell]:
        """Where prediction and trials disagree first, what nothing explains before all, then as rows and columns."""
        return sorted(
            self.cells.values(), key=lambda cell: (not cell.differs, not cell.differs.startswith("predicted"))
        )


Progress = Callable[[int, int], None]


def _silent(done: int, of: int) -> None:
    pass


def whole_matrix(
    stock: Stock, evidence: Evidence, asked: Question, *, disk_class: str = "", progress: Progress = _silent
) -> Matrix:
    """Every pairing of the shelf for the operation, narrowed to the names the question gives and to rows of a class.

    Raises InputFault for a name that is not on the shelf, or when nothing is left to pair.
    """
    for name, known, word in (
        (asked.writer, stock.all_mechanisms, "mechanism"),
        (asked.reader, stock.all_mechanisms, "mechanism"),
        (asked.disk, stock.all_disks, "disk"),
    ):
        if name and name not in known:
            raise InputFault(f"there is no {word} {name} on the shelf", remedy="see `indexhole shelf list`")
    if asked.host:
        stock.host(asked.host)
    if asked.layout:
        _layout(asked.layout)
    exchange = asked.operation == "exchange"
    mechanisms = headings(stock, stock.all_mechanisms)
    rows = mechanisms if exchange else headings(stock, stock.all_disks)
    row_name = asked.writer if exchange else asked.disk
    column_name = asked.reader or (asked.writer if asked.operation == "format" else "")
    rows = tuple(h for h in rows if row_name in ("", h.name) and disk_class in ("", h.group))
    columns = tuple(h for h in mechanisms if column_name in ("", h.name))
    if not rows or not columns:
        word = "mechanisms" if not columns or exchange else "disks"
        of_class = f" of class {disk_class}" if disk_class and columns else ""
        raise InputFault(f"the shelf holds no {word}{of_class} to pair", remedy="add some to the shelf")
    cells: dict[tuple[str, str], Cell] = {}
    for row in rows:
        for column in columns:
            if exchange:
                one = replace(asked, writer=row.name, reader=column.name)
            else:
                writer = "" if asked.operation == "format" else asked.writer
                one = replace(asked, disk=row.name, reader=column.name, writer=writer)
            cells[row.name, column.name] = _open_cell(stock, evidence, one, row.name, column.name)
    batches = _batches(cells.values())
    for number, alike in enumerate(batches):
        progress(number, len(batches))
        for cell in _reckoned(evidence, alike):
            cells[cell.row, cell.column] = cell
    return Matrix(
        asked.operation, "writer" if exchange else "disk", "reader" if asked.operation != "format" else "mechanism",
        rows, columns, cells,
    )  # fmt: skip


def _open_cell(stock: Stock, evidence: Evidence, asked: Question, row: str, column: str) -> Cell:
    """A cell that is not reckoned yet; without a set-up it cannot be."""
    try:
        setup = settle(stock, asked)
    except InputFault as fault:
        proof = proof_of(_seen(evidence, asked.operation, asked.disk, None, asked.reader))
        return Cell(row, column, asked, "unproven", None, None, None, fault.line, proof, "")
    proof = proof_of(_seen(evidence, setup.operation, setup.disk.name, setup.writer.name or OUTSIDE, setup.reader.name))
    fits = setup.disk.disk_class.diameter_mm == setup.reader.drive.diameter_mm
    return Cell(row, column, asked, "unproven", None, None, None, "", proof, "", fits, setup)


def _batches(cells: Iterable[Cell]) -> list[list[tuple[Cell, Setup]]]:
    """Cells that can be reckoned, those of a writer together; all are asked under the same conditions."""
    found: dict[tuple[str, str], list[tuple[Cell, Setup]]] = defaultdict(list)
    for cell in cells:
        if cell.setup is not None:
            found[cell.setup.writer.name, cell.setup.writer.drive.id].append((cell, cell.setup))
    return list(found.values())


def _reckoned(evidence: Evidence, cells: Sequence[tuple[Cell, Setup]]) -> Iterator[Cell]:
    """Cells of one writer with their predictions."""
    found = _matrix([setup for _, setup in cells], evidence.beliefs)
    tried = [setup for cell, setup in cells if cell.proof is not None]
    by_class = _matrix(tried, NO_BELIEFS) if tried else None
    for cell, setup in cells:
        names = (setup.writer.name, _disk_name(setup), setup.reader.name)
        verdict, chance, limiting = found.cell(*names)
        expected = by_class.cell(*names)[1] if by_class is not None and cell.proof is not None else None
        yield replace(
            cell,
            verdict=verdict,
            chance=chance,
            chance_error=math.sqrt(max(chance * (1 - chance), 0.0) / DRAWS),
            limiting=limiting,
            why=_why(verdict, limiting, evidence.beliefs.disks.get(setup.disk.name)),
            differs=differs(chance, expected, cell.proof),
            expected=expected,
        )


def _why(verdict: str, limiting: str | None, disk: DiskBelief | None) -> str:
    if limiting is None:
        return "nothing limits it"
    if limiting in ("fit", "code and format") and verdict == "unproven":
        return f"whether {limiting} forbids it hangs on what nobody noted"
    if limiting == "code and format" and verdict == "fails":
        return f"limited by {limiting}, for the host as it is; its signal can be logged"
    quality = disk.quality if disk is not None else None
    if limiting == "magnetics" and quality is not None and quality.lost:
        return f"limited by {limiting}: {quality.words}"
    return f"limited by {limiting}"


def _matrix(setups: Sequence[Setup], beliefs: Beliefs) -> reckoning.Matrix:
    """Set-ups of one writer and one operation, reckoned together."""
    first = setups[0]
    return reckoning.matrix(
        [first.writer],
        list({_disk_name(s): replace(s.disk, name=_disk_name(s)) for s in setups}.values()),
        list({s.reader.name: s.reader for s in setups}.values()),
        {_disk_name(s): s.layout for s in setups},
        first.operation,
        first.conditions,
        beliefs,
        SEED,
    )


def _disk_name(setup: Setup) -> str:
    # an unrecorded disk has no name, but one of each class is told from the others by what it is laid out as
    return setup.disk.name or setup.layout.id


def headings(stock: Stock, names: Sequence[str]) -> tuple[Heading, ...]:
    """Things under their disk classes: classes in order of the library, those not noted last."""
    order = [*load_classes(), ""]
    held = [Heading(name, stock.titles.get(name, ""), stock.classes.get(name, "")) for name in names]
    return tuple(sorted(held, key=lambda heading: order.index(heading.group)))
