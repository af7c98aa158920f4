"""The matrix of pairings as data for its page."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from indexhole.jobs.pairing.matrix import Cell, Heading, Matrix
from indexhole.jobs.pairing.report import HOST_WORDS
from indexhole.pairing.prediction.matrix import VERDICTS
from indexhole.standards.classes import load_classes
from indexhole.web.drawing.links import disk_link, mechanism_link, trial_link
from indexhole.web.drawing.view import Page
from indexhole.web.drawing.words import percent, plural
from indexhole.web.forms.faults import sentence
from indexhole.web.pages.pairing.pairing_view import Choice, budget_link

_NO_CLASS = "class not noted"


@dataclass(frozen=True)
class CellView:
    """A cell: predicted word with its chance, what trials proved and when, and the way to its budget."""

    link: str
    verdict: str
    chance: str
    proven: str
    when: str
    differs: str
    label: str
    fits: bool


@dataclass(frozen=True)
class RowView:
    """A row of the matrix."""

    name: str
    title: str
    link: str
    cells: tuple[CellView, ...]


@dataclass(frozen=True)
class GroupView:
    """Rows of one disk class, with the columns that anything of it goes into."""

    title: str
    anchor: str
    columns: tuple[tuple[str, int], ...]
    heads: tuple[tuple[str, str, str], ...]
    size: str
    rows: tuple[RowView, ...]
    left_out: str


@dataclass(frozen=True)
class DiffersView:
    """Where prediction and trials disagree."""

    words: str
    link: str
    trials: tuple[tuple[str, str], ...]


@dataclass(frozen=True, kw_only=True)
class MatrixPage(Page):
    """The matrix, that it is being reckoned, or what the shelf `lacks` for one: mechanisms, disks."""

    choices: tuple[Choice, ...]
    row_word: str = ""
    outcome: str = ""
    differs: tuple[DiffersView, ...] = ()
    groups: tuple[GroupView, ...] = ()
    host_words: str = sentence(HOST_WORDS)
    fault: str = ""
    computation: bool = False
    lacks: tuple[str, ...] = ()


def class_choice(disk_class: str) -> Choice:
    """The choice of one disk class, or all."""
    options = (("", "all classes"), *((name, c.title) for name, c in load_classes().items()))
    return Choice("disk_class", "Class", options, disk_class)


def matrix_page(matrix: Matrix, choices: tuple[Choice, ...], notices: tuple[str, ...]) -> MatrixPage:
    """The matrix as shown, grouped by disk class."""
    cells = matrix.cells.values()
    tried = sum(cell.proof is not None for cell in cells)
    words = [f"{n} {word}" for word in VERDICTS if (n := _count(matrix, word))]
    elsewhere = sum(not cell.fits for cell in cells)
    if elsewhere:
        words.append(f"{elsewhere} do not go in")
    groups = dict.fromkeys(row.group for row in matrix.rows)
    return MatrixPage(
        title="Pairing",
        section="Pairing",
        notices=notices,
        choices=choices,
        row_word=matrix.row_word,
        outcome=f"{plural(len(cells), 'pairing')}: {', '.join(words)}. {tried} tried at the bench.",
        differs=tuple(_differs_view(cell) for cell in matrix.ordered() if cell.differs),
        groups=tuple(_group_view(matrix, group, k) for k, group in enumerate(groups)),
    )


def _count(matrix: Matrix, word: str) -> int:
    return sum(cell.verdict == word and cell.fits for cell in matrix.cells.values())


def _differs_view(cell: Cell) -> DiffersView:
    trials = cell.proof.trials if cell.proof else ()
    return DiffersView(
        f"{cell.row} with {cell.column}: {cell.differs}.",
        budget_link(cell.question),
        tuple((t, trial_link(t)) for t in trials),
    )


def _group_view(matrix: Matrix, group: str, k: int) -> GroupView:
    rows = [row for row in matrix.rows if row.group == group]
    shown = [c for c in matrix.columns if any(matrix.cells[r.name, c.name].fits for r in rows)]
    left_out = [c.name for c in matrix.columns if c not in shown]
    classes = dict.fromkeys(c.group for c in shown)
    return GroupView(
        title=class_title(group),
        anchor=f"class-{k}",
        columns=tuple((class_title(c), sum(h.group == c for h in shown)) for c in classes),
        heads=tuple((h.name, h.title, mechanism_link(h.name)) for h in shown),
        size=f"{plural(len(rows), matrix.row_word)} down, {plural(len(shown), 'mechanism')} across.",
        rows=tuple(_row_view(matrix, row, shown) for row in rows),
        left_out=f"{_what(matrix)} into {', '.join(left_out)}." if left_out else "",
    )


def _what(matrix: Matrix) -> str:
    return "What they record does not go" if matrix.row_word == "writer" else "They do not go"


def class_title(name: str) -> str:
    """A disk class in words."""
    held = load_classes().get(name)
    return held.title if held else _NO_CLASS


def _row_view(matrix: Matrix, row: Heading, columns: Sequence[Heading]) -> RowView:
    link = mechanism_link(row.name) if matrix.row_word == "writer" else disk_link(row.name)
    cells = tuple(_cell_view(matrix.cells[row.name, column.name]) for column in columns)
    return RowView(row.name, row.title, link, cells)


def _cell_view(cell: Cell) -> CellView:
    chance = "" if cell.chance is None or not cell.fits else percent(cell.chance)
    proof = cell.proof
    proven = f"tried: {proof.verdict}" if proof else ""
    label = f"{cell.row} with {cell.column}: {cell.verdict} {chance}. {cell.why}"
    return CellView(
        link=budget_link(cell.question),
        verdict=cell.verdict,
        chance=chance,
        proven=proven,
        when=proof.when if proof else "",
        differs="differs" if cell.differs else "",
        label=label,
        fits=cell.fits,
    )
