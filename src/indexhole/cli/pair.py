"""`indexhole pair`: will this writer, disk and reader do; the whole matrix when not narrowed; a show plan checked."""

from __future__ import annotations

import sys
from datetime import date, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from indexhole.cli.present import AsJson, ShelfFolder, emit_json, emit_table, remark, say, say_folded

if TYPE_CHECKING:
    from indexhole.jobs.pairing.asking import Question
    from indexhole.jobs.pairing.evidence import Evidence
    from indexhole.jobs.pairing.matrix import Matrix
    from indexhole.jobs.pairing.stock import Stock

_WIDTH = 100


def pair(
    writer: Annotated[
        str, typer.Option(metavar="D1.0", help="Who recorded the disk, or (exchange) is to record it.")
    ] = "",
    disk: Annotated[str, typer.Option(metavar="K3", help="The disk.")] = "",
    reader: Annotated[str, typer.Option(metavar="D2.0", help="The mechanism that reads it, or works on it.")] = "",
    host: Annotated[str, typer.Option(metavar="H1", help="What drives the reader; else as it was last tried.")] = "",
    operation: Annotated[
        str, typer.Option(metavar="read|format|update|exchange", help="What is to be done; read when not given.")
    ] = "",
    layout: Annotated[str, typer.Option(metavar="ID", help="The layout; else the disk's own.")] = "",
    temperature: Annotated[float | None, typer.Option(metavar="C", help="Temperature at the bench today.")] = None,
    humidity: Annotated[float | None, typer.Option(metavar="%", help="Relative humidity at the bench today.")] = None,
    bulk_erased: Annotated[
        bool, typer.Option("--bulk-erased", help="The disk is bulk-erased before it is written.")
    ] = False,
    recordings: Annotated[
        bool, typer.Option("--recordings", help="Gauge the recordings on the shelf for speeds too; takes long.")
    ] = False,
    plan: Annotated[
        Path | None, typer.Option(metavar="FILE.csv", help="Check this show plan (docs/pairing-report.md).")
    ] = None,
    months: Annotated[
        int, typer.Option(min=1, max=1200, metavar="N", help="With --plan: a trial proves a step for so many months.")
    ] = 12,
    on: Annotated[
        datetime | None,
        typer.Option(formats=["%Y-%m-%d"], metavar="DATE", help="With --plan: the day of the show; else today."),
    ] = None,
    as_json: AsJson = False,
    folder: ShelfFolder = None,
) -> None:
    """Will this writer, disk and reader do, by what margin, and what could happen to the disk.

    Name a disk and a reader for one pairing told in full (exchange: a writer and a reader), fewer for the matrix.
    Without --operation it is read, or exchange when a writer is named. Exit status 0 whatever is found; with --plan
    1 when a step needs attention.
    """
    from indexhole.cli.open_shelf import opened_shelf
    from indexhole.jobs.pairing.evidence import evidence_of
    from indexhole.jobs.pairing.stock import stock_of

    _check_alone(plan, (writer, disk, reader, host, operation, layout))
    asked = _question(writer, disk, reader, host, operation, layout, temperature, humidity, bulk_erased)
    with opened_shelf(folder) as shelf:
        stock = stock_of(shelf)
        evidence = evidence_of(shelf, stock, _weighing, recordings=recordings)
    if plan is not None:
        _tell_plan(stock, evidence, plan, months, on.date() if on else date.today(), as_json=as_json)
    elif _is_one(asked):
        _tell_one(stock, evidence, asked, as_json=as_json)
    else:
        _tell_matrix(stock, evidence, asked, as_json=as_json)


def _weighing(trials: int) -> None:
    if sys.stderr.isatty():
        remark(f"weighing {trials} trials; what comes of it is kept for the next time")


def _check_alone(plan: Path | None, named: tuple[str, ...]) -> None:
    if plan is not None and any(named):
        raise typer.BadParameter("--plan names everything itself; leave out the other options")


def _question(
    writer: str,
    disk: str,
    reader: str,
    host: str,
    operation: str,
    layout: str,
    temperature: float | None,
    humidity: float | None,
    bulk_erased: bool,
) -> Question:
    from indexhole.jobs.pairing.asking import question

    return question(
        operation=operation,
        writer=writer,
        disk=disk,
        reader=reader,
        host=host,
        layout=layout,
        temperature_c=temperature,
        humidity_pct=humidity,
        bulk_erased=bulk_erased,
    )


def _is_one(asked: Question) -> bool:
    match asked.operation:
        case "exchange":
            return bool(asked.writer and asked.reader)
        case "format":
            return bool(asked.disk and (asked.writer or asked.reader))
        case _:
            return bool(asked.disk and asked.reader)


def _tell_one(stock: Stock, evidence: Evidence, asked: Question, *, as_json: bool) -> None:
    from indexhole.jobs.pairing.asking import answer
    from indexhole.jobs.pairing.report import answer_json, answer_lines

    told = answer(stock, evidence, asked)
    if as_json:
        emit_json(answer_json(told))
    else:
        say_folded(answer_lines(told), _WIDTH)


def _tell_plan(stock: Stock, evidence: Evidence, plan: Path, months: int, day: date, *, as_json: bool) -> None:
    from indexhole.jobs.pairing.plan import check_plan, plan_json, plan_lines
    from indexhole.jobs.pairing.plan_sheet import read_plan

    checked = check_plan(stock, evidence, read_plan(plan), months=months, today=day, where=str(plan))
    if as_json:
        emit_json(plan_json(checked, months=months, today=day))
    else:
        say_folded(plan_lines(checked, months=months, today=day), _WIDTH)
    if any(one.alarms for one in checked):
        raise typer.Exit(1)


def _tell_matrix(stock: Stock, evidence: Evidence, asked: Question, *, as_json: bool) -> None:
    from indexhole.jobs.pairing.matrix import whole_matrix
    from indexhole.jobs.pairing.report import matrix_json, matrix_lines

    matrix = whole_matrix(stock, evidence, asked)
    if as_json:
        emit_json(matrix_json(matrix))
        return
    say_folded(matrix_lines(matrix), _WIDTH)
    say()
    _tables(matrix)


def _tables(matrix: Matrix) -> None:
    """A table for each class of rows, with the columns something of it goes into; the rest in one line."""
    from indexhole.jobs.pairing.report import cell_text

    for group in dict.fromkeys(row.group for row in matrix.rows):
        rows = [row for row in matrix.rows if row.group == group]
        told = {c.name for c in matrix.columns if any(matrix.cells[r.name, c.name].fits for r in rows)}
        columns = [c for c in matrix.columns if c.name in told]
        left_out = [c.name for c in matrix.columns if c.name not in told]
        emit_table(
            f"{group or 'class not noted'}: {matrix.row_word}s by {matrix.column_word}s",
            [matrix.row_word, *(c.name for c in columns)],
            [[row.name, *(cell_text(matrix.cells[row.name, c.name]) for c in columns)] for row in rows],
        )
        if left_out:
            what = "what they record does not go" if matrix.row_word == "writer" else "they do not go"
            say(f"{what} into {', '.join(left_out)}")
        say()
