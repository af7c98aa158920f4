"""`indexhole level`: head position, speed and index timing, compared between drives."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from indexhole.cli.gauge import OwnLimits
from indexhole.cli.present import AsJson, ShelfFolder, emit_json, say

if TYPE_CHECKING:
    from indexhole.jobs.faults.levelling import LevelledBench


@dataclass(frozen=True, slots=True)
class Asked:
    """What the command line names: the evidence, and how it is compared."""

    sheet: Path | None
    folder: Path | None
    irreplaceable: list[str]
    measurements: Path | None
    datum: str | None
    left_out: list[str]
    own_limits: Path | None = None


def level(
    sheet: Annotated[
        Path | None, typer.Argument(metavar="[SHEET.csv]", help="A trial sheet; without one, the trials on the shelf.")
    ] = None,
    measurements: Annotated[
        Path | None, typer.Option(metavar="FILE", help="Your own measurements too (docs/networks.md).")
    ] = None,
    datum: Annotated[
        str | None, typer.Option(metavar="NAME", help="Count heads from this disk or drive, or from the `mean`.")
    ] = None,
    leave_out: Annotated[
        list[str] | None, typer.Option(metavar="TIE", help="Leave out this tie; may be given again.")
    ] = None,
    irreplaceable: Annotated[
        list[str] | None,
        typer.Option(metavar="DISK", help="Read this disk before its drive is realigned; may be given again."),
    ] = None,
    own_limits: OwnLimits = None,
    as_json: AsJson = False,
    folder: ShelfFolder = None,
) -> None:
    """Compares head position, speed and index timing between drives.

    The evidence is trials, captures and measurements. Beside a sheet, the shelf is used only when --shelf names it.
    Exit status 0 whatever is found.
    """
    show_levels(
        Asked(sheet, folder, irreplaceable or [], measurements, datum, leave_out or [], own_limits),
        as_json=as_json,
    )


def show_levels(asked: Asked, *, as_json: bool) -> None:
    """Compare the drives and print the result."""
    from indexhole.jobs.faults.levelling_report import report_json, report_lines
    from indexhole.jobs.typography import plain

    levelled = _levelled(asked)
    if as_json:
        emit_json(report_json(levelled))
        return
    for line in report_lines(levelled):
        say(plain(line))


def _levelled(asked: Asked) -> LevelledBench:
    from indexhole.cli.open_shelf import has_shelf, opened_shelf
    from indexhole.jobs.faults import levelling
    from indexhole.jobs.faults.own_limits import kept_tolerances, read_tolerances
    from indexhole.levelling.measurements import no_measurements
    from indexhole.shelf.sheets.sheet import read_sheet
    from indexhole.standards.tolerances import LIBRARY

    tolerances = read_tolerances(asked.own_limits) if asked.own_limits is not None else None
    trials = read_sheet(asked.sheet) if asked.sheet is not None else None
    measured = asked.measurements
    by_hand = levelling.read_measurements(measured) if measured is not None else no_measurements()
    # a sheet, or measurements, by themselves need no shelf
    if asked.folder is not None or (asked.sheet is None and (measured is None or has_shelf(None))):
        with opened_shelf(asked.folder) as shelf:
            tolerances = tolerances or kept_tolerances(shelf)
            evidence = levelling.shelf_evidence(shelf, trials, asked.irreplaceable)
            by_hand = levelling.joined(levelling.kept_measurements(shelf), by_hand)
    else:
        evidence = levelling.sheet_evidence(trials or [], asked.irreplaceable)
    return levelling.level_bench(
        evidence, by_hand, datum=asked.datum, left_out=asked.left_out, tolerances=tolerances or LIBRARY
    )
