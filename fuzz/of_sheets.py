"""Readers of sheets and texts a keeper types or saves: trials, plans, measurements, layouts, reports, one line."""

from __future__ import annotations

import json
from datetime import date
from functools import cache
from typing import Any

from fuzz.parts import Parts, value
from fuzz.target import Target, as_file
from indexhole.jobs.faults.causes import met_often
from indexhole.jobs.faults.window import window
from indexhole.jobs.pairing.plan_sheet import plan_of
from indexhole.jobs.recovery.comparing import compare
from indexhole.jobs.recovery.earlier import Report, read_earlier, report_from
from indexhole.levelling.measurements import parse_measurements
from indexhole.levelling.quantity import level
from indexhole.model.trials.notes import turned_round
from indexhole.shelf.records.date_codes import date_unit
from indexhole.shelf.records.dates import span_of
from indexhole.shelf.records.quick_entry import draft_from
from indexhole.shelf.register.address import shelf_address
from indexhole.shelf.sheets.sheet import read_sheet, sheet_bytes
from indexhole.shelf.sheets.sheet_text import decode_sheet
from indexhole.standards.layouts import load_layouts

# a day that stays the same, so that an input does the same each time
_TODAY = date(2026, 3, 1)
_HASH = "0" * 64


def _text(data: bytes) -> str:
    # as an argument of a command line has it: bytes that are no text come as half characters
    return data.decode("utf-8", "surrogateescape")


def _sheet(data: bytes) -> None:
    with as_file(data, "trials.csv") as path:
        trials = read_sheet(path)
    sheet_bytes(trials)
    window(trials)
    for trial in trials:
        turned_round(trial.note)


def _plan(data: bytes) -> None:
    plan_of(data, where="plan.csv")


def _measurements(data: bytes) -> None:
    measured = parse_measurements(decode_sheet(data, where="measurements.csv"), where="measurements.csv")
    for quantity, ties in measured.ties.items():
        level(quantity, ties, ("D1.0", "D2.0"), standards=measured.standards)


def _layout(data: bytes) -> None:
    with as_file(data, "layout.toml") as path:
        load_layouts([path])


@cache
def _now() -> Report:
    sector = {"id": 1, "size": 512, "state": "sound", "sha256": _HASH}
    file = {"name": "TIDES", "sha256": _HASH, "state": "sound"}
    track = {"cylinder": 0, "head": 0, "sectors": [sector]}
    return report_from({"layout": "130-48-mfm-9x512", "tracks": [track], "volume": {"files": [file]}})


def _report(data: bytes) -> None:
    with as_file(data, "earlier.json") as path:
        earlier = read_earlier(path)
    for image in (None, bytes(512)):
        compare(earlier.report, image, _now(), bytes(512))


def _report_told(data: bytes) -> None:
    """A sound report in which some things say anything."""
    parts = Parts(data)
    sector: dict[str, Any] = {"id": 1, "size": 256, "state": "sound", "sha256": _HASH, "deleted": False}
    track: dict[str, Any] = {"cylinder": 0, "head": 0, "sectors": [sector, {**sector, "id": 2}]}
    image: dict[str, Any] = {"bytes": 512, "sha256": _HASH}
    file: dict[str, Any] = {"name": "TIDES", "sha256": _HASH, "state": "sound"}
    volume: dict[str, Any] = {"files": [file]}
    report: dict[str, Any] = {"layout": None, "tracks": [track], "image": image, "volume": volume}
    while parts:
        held = (sector, track, image, file, volume, report)[parts.number() % 6]
        held[list(held)[parts.number() % len(held)]] = value(parts)
    _report(json.dumps(report).encode())


def _line(data: bytes) -> None:
    draft = draft_from(_text(data), lambda kind: f"{kind[0].upper()}9")
    assert draft.records


def _date(data: bytes) -> None:
    """A half remembered date: refused by the error that records turn into words, or a span in order."""
    text = _text(data)
    try:
        span = span_of(text)
    except ValueError:
        return
    assert span.earliest <= span.latest
    date_unit([("board", text)], made=text, today=_TODAY)


def _codes(data: bytes) -> None:
    date_unit([(str(k), part) for k, part in enumerate(_text(data).split("\n"))], today=_TODAY)


def _options(data: bytes) -> None:
    """What a command line is given as text: the place of a shelf, and how often faults are met."""
    text = _text(data)
    if text.startswith("postgres"):
        _ = shelf_address(text).label
    else:
        met_often(text.split("\n"))


TARGETS = (
    Target("sheet", "a trial sheet (CSV)", _sheet),
    Target("plan", "a show plan (CSV)", _plan, 2048),
    Target("measurements", "a sheet of the keeper's measurements (CSV)", _measurements, 2048),
    Target("layout", "a layout of the keeper's own (TOML)", _layout, 2048),
    Target("report", "an earlier recovery's report (JSON)", _report),
    Target("report-told", "a report that says anything", _report_told, 256),
    Target("line", "a thing in one line, for quick entry", _line, 512),
    Target("date", "a half remembered date", _date, 64),
    Target("codes", "date codes on chips and boards", _codes, 256),
    Target("options", "an address of a shared register, and how often faults are met", _options, 256),
)
