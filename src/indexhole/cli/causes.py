"""`indexhole causes`: what is at fault, ranked from trials, and the trial to make next."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from indexhole.cli.present import AsJson, ShelfFolder, emit_json, remark, say

if TYPE_CHECKING:
    from indexhole.jobs.faulting import Bench


def causes(
    sheet: Annotated[
        Path | None, typer.Argument(metavar="[SHEET.csv]", help="A trial sheet; without one, the trials on the shelf.")
    ] = None,
    next_only: Annotated[
        bool, typer.Option("--next", help="Tell only which trial to make next; the JSON is always whole.")
    ] = False,
    plan: Annotated[
        int | None, typer.Option(min=1, max=12, metavar="N", help="Tell only a plan of so many trials.")
    ] = None,
    irreplaceable: Annotated[
        list[str] | None,
        typer.Option(metavar="DISK", help="Never propose a write on this disk; may be given again."),
    ] = None,
    top: Annotated[int | None, typer.Option(min=1, metavar="N", help="List at most so many causes.")] = None,
    network: Annotated[
        bool, typer.Option("--network", help="Level the mechanisms against each other: heads, speeds, index pulses.")
    ] = False,
    measurements: Annotated[
        Path | None, typer.Option(metavar="FILE", help="With --network: your own measurements (docs/networks.md).")
    ] = None,
    datum: Annotated[
        str | None, typer.Option(metavar="NAME", help="With --network: count heads from this disk or drive, or `mean`.")
    ] = None,
    leave_out: Annotated[
        list[str] | None, typer.Option(metavar="TIE", help="With --network: leave out this tie; may be given again.")
    ] = None,
    as_json: AsJson = False,
    folder: ShelfFolder = None,
) -> None:
    """Rank what is at fault from the trials.

    Disks the register marks irreplaceable are kept from writes when the trials come from the shelf, or when
    --shelf is named beside a sheet. Exit status 0 whatever is found.
    """
    kept = irreplaceable or []
    if network:
        from indexhole.cli.levelling import tell_network

        tell_network(sheet, folder, kept, measurements, datum, leave_out or [], as_json=as_json)
        return
    from indexhole.causes.report import next_line, plan_lines, report_lines
    from indexhole.jobs.faulting import PLANNED, diagnose

    bench = _bench(sheet, folder, kept)
    for disk in bench.unknown(kept):
        remark(f"--irreplaceable {disk}: no trial names this disk")
    diagnosis = diagnose(bench, top, plan or PLANNED)
    if as_json:
        emit_json(diagnosis.to_json_dict())
        return
    lines = plan_lines(diagnosis) if plan else [next_line(diagnosis)] if next_only else report_lines(diagnosis)
    for line in lines:
        say(line)


def _bench(sheet: Path | None, folder: Path | None, irreplaceable: list[str]) -> Bench:
    from indexhole.cli.shelf_open import opened_shelf
    from indexhole.jobs.faulting import Bench, irreplaceable_on, shelf_bench
    from indexhole.shelf.sheet import read_sheet

    if sheet is None:
        with opened_shelf(folder) as shelf:
            return shelf_bench(shelf, irreplaceable)
    trials = read_sheet(sheet)
    marked = frozenset(irreplaceable)
    if folder is not None:
        with opened_shelf(folder) as shelf:
            marked |= irreplaceable_on(shelf)
    return Bench(trials, marked)
