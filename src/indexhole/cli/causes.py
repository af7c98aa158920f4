"""`indexhole causes`: what is at fault, ranked from trials, and the trial to make next."""

from __future__ import annotations

from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from indexhole.cli.present import AsJson, ShelfFolder, emit_json, progress_line, remark, say
from indexhole.errors import InputFault

if TYPE_CHECKING:
    from indexhole.jobs.faults.causes import Bench


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
    recordings: Annotated[
        bool,
        typer.Option(
            "--recordings/--no-recordings",
            help="Weigh captures and measurements on the shelf too; gauging a capture takes long, but once.",
        ),
    ] = True,
    met: Annotated[
        list[str] | None,
        typer.Option(
            metavar="FAULT=N", help="So many of this fault are met on a bench as a whole (0.1: one bench in ten)."
        ),
    ] = None,
    about: Annotated[
        list[str] | None,
        typer.Option(
            metavar="NAME", help="Weigh only trials about this mechanism, unit, disk, lead or host; may be given again."
        ),
    ] = None,
    since: Annotated[
        str | None, typer.Option(metavar="DATE", help="Weigh only trials from this day on, as 2026-03-01.")
    ] = None,
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

    When the trials come from the shelf, or --shelf is named beside a sheet, its captures and measurements are weighed
    too, and disks the register marks irreplaceable are kept from writes. Exit status 0 whatever is found.
    """
    kept = irreplaceable or []
    levels = {"--measurements": measurements, "--datum": datum, "--leave-out": leave_out}
    ranks = {"--next": next_only, "--plan": plan, "--top": top, "--met": met, "--about": about, "--since": since}
    idle = [option for option, given in (ranks if network else levels).items() if given]
    if idle:
        # left unheeded it would pass for heeded
        raise InputFault(
            f"{idle[0]} goes only {'without' if network else 'with'} --network",
            remedy="leave one out" if network else "add it",
        )
    if network:
        from indexhole.cli.levelling import tell_network

        tell_network(sheet, folder, kept, measurements, datum, leave_out or [], as_json=as_json)
        return
    from indexhole.causes.report import next_line, plan_lines, report_lines
    from indexhole.jobs.faults.causes import PLANNED, diagnose, met_often
    from indexhole.jobs.typography import plain

    often = met_often(met or [])
    bench = replace(_bench(sheet, folder, kept, about or [], since or "", recordings=recordings), met=often)
    for disk in bench.unknown(kept):
        remark(f"--irreplaceable {disk}: no trial names this disk")
    diagnosis = diagnose(bench, top, plan or PLANNED)
    if as_json:
        emit_json(diagnosis.to_json_dict())
        return
    lines = plan_lines(diagnosis) if plan else [next_line(diagnosis)] if next_only else report_lines(diagnosis)
    for line in lines:
        say(plain(line))


def _bench(
    sheet: Path | None, folder: Path | None, kept: list[str], about: list[str], since: str, *, recordings: bool
) -> Bench:
    from indexhole.cli.open_shelf import opened_shelf
    from indexhole.jobs.faults.causes import sheet_bench, shelf_bench
    from indexhole.shelf.sheets.sheet import read_sheet

    trials = None if sheet is None else read_sheet(sheet)
    if trials is not None and folder is None:
        return sheet_bench(trials, kept, about, since)
    with opened_shelf(folder) as shelf:
        return shelf_bench(
            shelf,
            kept,
            trials=trials,
            recordings=recordings,
            progress=partial(progress_line(), "gauging captures"),
            about=about,
            since=since,
        )
