"""`indexhole causes`: what is at fault, ranked from trials, and the trial to make next."""

from __future__ import annotations

from collections.abc import Mapping
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
        bool, typer.Option("--next", help="Print only the trial to make next; the JSON is always complete.")
    ] = False,
    plan: Annotated[int | None, typer.Option(min=1, max=12, metavar="N", help="Print only a plan of N trials.")] = None,
    irreplaceable: Annotated[
        list[str] | None,
        typer.Option(metavar="DISK", help="Never propose a write on this disk; may be given again."),
    ] = None,
    top: Annotated[int | None, typer.Option(min=1, metavar="N", help="List at most N causes.")] = None,
    recordings: Annotated[
        bool,
        typer.Option(
            "--recordings/--no-recordings",
            help="Use captures and measurements on the shelf too. A capture takes long to gauge, but only once.",
        ),
    ] = True,
    met: Annotated[
        list[str] | None,
        typer.Option(metavar="FAULT=N", help="How common this fault is, per bench (0.1: one bench in ten)."),
    ] = None,
    about: Annotated[
        list[str] | None,
        typer.Option(
            metavar="NAME", help="Use only trials of this mechanism, unit, disk, lead or host; may be given again."
        ),
    ] = None,
    since: Annotated[
        str | None, typer.Option(metavar="DATE", help="Use only trials from this day on, as 2026-03-01.")
    ] = None,
    network: Annotated[bool, typer.Option("--network", hidden=True)] = False,
    measurements: Annotated[Path | None, typer.Option(hidden=True)] = None,
    datum: Annotated[str | None, typer.Option(hidden=True)] = None,
    leave_out: Annotated[list[str] | None, typer.Option(hidden=True)] = None,
    as_json: AsJson = False,
    folder: ShelfFolder = None,
) -> None:
    """Rank what is at fault from the trials.

    With the trials of the shelf, or with --shelf beside a sheet, its captures and measurements count too, and no write
    is proposed on a disk that the register marks irreplaceable. To compare drives with each other use `indexhole
    level`. Exit status 0 whatever is found.
    """
    scarce = irreplaceable or []
    of_level = {"--measurements": measurements, "--datum": datum, "--leave-out": leave_out}
    of_causes = {"--next": next_only, "--plan": plan, "--top": top, "--met": met, "--about": about, "--since": since}
    _refuse_idle(of_causes if network else of_level, network=network)
    if network:
        # the former way to call `level`; kept for one release
        from indexhole.cli.level import Asked, show_levels

        remark("`causes --network` will go with the next release; use `indexhole level`")
        show_levels(Asked(sheet, folder, scarce, measurements, datum, leave_out or []), as_json=as_json)
        return
    from indexhole.causes.report import next_line, plan_lines, report_lines
    from indexhole.jobs.faults.causes import PLANNED, diagnose, met_often
    from indexhole.jobs.typography import plain

    often = met_often(met or [])
    bench = replace(_bench(sheet, folder, scarce, about or [], since or "", recordings=recordings), met=often)
    for disk in bench.unknown(scarce):
        remark(f"--irreplaceable {disk}: no trial names this disk")
    diagnosis = diagnose(bench, top, plan or PLANNED)
    if as_json:
        emit_json(diagnosis.to_json_dict())
        return
    lines = plan_lines(diagnosis) if plan else [next_line(diagnosis)] if next_only else report_lines(diagnosis)
    for line in lines:
        say(plain(line))


def _refuse_idle(options: Mapping[str, object], *, network: bool) -> None:
    """Refuse an option that the job at hand does not heed: left unheeded it would pass for heeded."""
    given = [option for option, value in options.items() if value]
    if not given:
        return
    if network:
        raise InputFault(f"{given[0]} goes only without --network", remedy="leave one out")
    raise InputFault(f"{given[0]} goes only with `indexhole level`", remedy="use that command")


def _bench(
    sheet: Path | None, folder: Path | None, scarce: list[str], about: list[str], since: str, *, recordings: bool
) -> Bench:
    from indexhole.jobs.faults.causes import sheet_bench, shelf_bench
    from indexhole.shelf.sheets.sheet import read_sheet

    trials = None if sheet is None else read_sheet(sheet)
    if trials is not None and folder is None:
        return sheet_bench(trials, scarce, about, since)
    # a sheet by itself needs no database
    from indexhole.cli.open_shelf import opened_shelf

    with opened_shelf(folder) as shelf:
        return shelf_bench(
            shelf,
            scarce,
            trials=trials,
            recordings=recordings,
            progress=partial(progress_line(), "gauging captures"),
            about=about,
            since=since,
        )
