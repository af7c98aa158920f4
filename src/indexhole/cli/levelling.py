"""`indexhole causes --network`: the mechanisms levelled against each other."""

from __future__ import annotations

from pathlib import Path

from indexhole.cli.present import emit_json, say


def tell_network(
    sheet: Path | None,
    folder: Path | None,
    irreplaceable: list[str],
    measurements: Path | None,
    datum: str | None,
    left_out: list[str],
    *,
    as_json: bool,
) -> None:
    """Level what sheet, shelf and measurements tie together, and print where each drive stands."""
    from indexhole.cli.open_shelf import has_shelf, opened_shelf
    from indexhole.jobs.faults import levelling as networking
    from indexhole.jobs.faults import levelling_report
    from indexhole.jobs.typography import plain
    from indexhole.levelling.measurements import no_measurements
    from indexhole.shelf.sheets.sheet import read_sheet

    trials = read_sheet(sheet) if sheet is not None else None
    by_hand = networking.read_measurements(measurements) if measurements is not None else no_measurements()
    # a sheet, or measurements, by themselves need no shelf
    if folder is not None or (sheet is None and (measurements is None or has_shelf(None))):
        with opened_shelf(folder) as shelf:
            evidence = networking.shelf_evidence(shelf, trials, irreplaceable)
            by_hand = networking.joined(networking.kept_measurements(shelf), by_hand)
    else:
        evidence = networking.sheet_evidence(trials or [], irreplaceable)
    levelled = networking.level_bench(evidence, by_hand, datum=datum, left_out=left_out)
    if as_json:
        emit_json(levelling_report.report_json(levelled))
        return
    for line in levelling_report.report_lines(levelled):
        say(plain(line))
