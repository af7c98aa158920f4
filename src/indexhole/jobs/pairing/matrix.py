"""Every pairing of a shelf at once, with what is predicted, what was proven, and where the two disagree."""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, replace

from indexhole.errors import Do, InputFault
from indexhole.jobs.pairing.asking import (
    Difference,
    Question,
    Setup,
    difference,
    named_layout,
    proof_for,
    seen_of,
    settle,
)
from indexhole.jobs.pairing.evidence import SEED, Evidence, Proof, proof_of
from indexhole.jobs.pairing.stock import Stock
from indexhole.pairing.parts.beliefs import NO_BELIEFS, Beliefs, DiskBelief
from indexhole.pairing.parts.parts import Operation
from indexhole.pairing.prediction import matrix as computation
from indexhole.pairing.prediction.matrix import DRAWS
from indexhole.standards.classes import load_classes


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
    difference: Difference | None = None
    fits: bool = True
    setup: Setup | None = None
    expected: float | None = None

    @property
    def differs(self) -> str:
        """How prediction and trials differ, in words; empty where they do not."""
        return self.difference.words if self.difference else ""


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
            self.cells.values(),
            key=lambda cell: (not cell.difference, not (cell.difference and cell.difference.unexplained)),
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
            raise InputFault(f"there is no {word} {name} on the shelf", remedy=Do.LIST_SHELF)
    if asked.host:
        stock.host(asked.host)
    if asked.layout:
        named_layout(asked.layout)
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
        for cell in _computed(evidence, alike):
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
        proof = proof_of(seen_of(evidence, asked.operation, asked.disk, None, asked.reader))
        return Cell(row, column, asked, "unproven", None, None, None, fault.line, proof)
    proof = proof_for(evidence, setup)
    fits = setup.disk.disk_class.diameter_mm == setup.reader.drive.diameter_mm
    return Cell(row, column, asked, "unproven", None, None, None, "", proof, None, fits, setup)


def _batches(cells: Iterable[Cell]) -> list[list[tuple[Cell, Setup]]]:
    """Cells that can be reckoned, those of a writer together; all are asked under the same conditions."""
    found: dict[tuple[str, str], list[tuple[Cell, Setup]]] = defaultdict(list)
    for cell in cells:
        if cell.setup is not None:
            found[cell.setup.writer.name, cell.setup.writer.drive.id].append((cell, cell.setup))
    return list(found.values())


def _computed(evidence: Evidence, cells: Sequence[tuple[Cell, Setup]]) -> Iterator[Cell]:
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
            difference=difference(chance, expected, cell.proof),
            expected=expected,
        )


def _why(verdict: str, limiting: str | None, disk: DiskBelief | None) -> str:
    if limiting is None:
        return "nothing limits it"
    if limiting in ("fit", "code and format") and verdict == "unproven":
        return f"whether {limiting} forbids it depends on what is not noted"
    if limiting == "code and format" and verdict == "fails":
        return f"limited by {limiting}, for the host as it is; its signal can be logged"
    quality = disk.quality if disk is not None else None
    if limiting == "magnetics" and quality is not None and quality.lost:
        return f"limited by {limiting}: {quality.words}"
    return f"limited by {limiting}"


def _matrix(setups: Sequence[Setup], beliefs: Beliefs) -> computation.Matrix:
    """Set-ups of one writer and one operation, reckoned together."""
    first = setups[0]
    return computation.matrix(
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
