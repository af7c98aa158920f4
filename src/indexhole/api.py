"""Indexhole from Python: open a capture, recover, gauge, rank causes, foretell a pairing, read and write a shelf.

The functions are those that the command line and the page call; nothing is calculated here. Each loads what it needs
when it is called, so importing this module is cheap. What cannot be done is an `IndexholeError`, its `line` in words.
docs/api.md shows all of it at work.
"""

from __future__ import annotations

import importlib
from collections.abc import Collection, Mapping, Sequence
from os import PathLike
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

from indexhole.errors import IndexholeError, InputFault, ShelfFault

if TYPE_CHECKING:
    from indexhole.causes.ranking.diagnosis import Diagnosis
    from indexhole.jobs.pairing.asking import Answer
    from indexhole.jobs.recovery.gauging import Gauged
    from indexhole.jobs.recovery.recovering import Recovered
    from indexhole.model.trials.trial import Trial
    from indexhole.shelf.records.entry import Record
    from indexhole.shelf.records.records import CaptureRecord, Disk, Event, Mechanism, Note, Unit
    from indexhole.shelf.register.shelf import Shelf
    from indexhole.signal.captures.capture import Capture
    from indexhole.signal.formats.options import ReadOptions

    R = TypeVar("R", bound=Record)

__all__ = [
    "Answer", "Capture", "CaptureRecord", "Diagnosis", "Disk", "Event", "Gauged", "IndexholeError", "InputFault",
    "Mechanism", "Note", "ReadOptions", "Recovered", "Shelf", "ShelfFault", "Trial", "Unit", "entry", "gauge",
    "open_capture", "open_shelf", "predict_pairing", "rank_causes", "read_trials", "recover", "save_recovered",
    "write_trials",
]  # fmt: skip

StrPath = str | PathLike[str]

# name of a class -> the module that holds it, which is loaded when the name is used
_CLASSES = {
    "Answer": "indexhole.jobs.pairing.asking",
    "Capture": "indexhole.signal.captures.capture",
    "Diagnosis": "indexhole.causes.ranking.diagnosis",
    "Gauged": "indexhole.jobs.recovery.gauging",
    "ReadOptions": "indexhole.signal.formats.options",
    "Recovered": "indexhole.jobs.recovery.recovering",
    "Shelf": "indexhole.shelf.register.shelf",
    "Trial": "indexhole.model.trials.trial",
} | dict.fromkeys(
    ("CaptureRecord", "Disk", "Event", "Mechanism", "Note", "Unit"),
    "indexhole.shelf.records.records",
)


def __getattr__(name: str) -> Any:
    if name not in _CLASSES:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    return getattr(importlib.import_module(_CLASSES[name]), name)


def __dir__() -> list[str]:
    return __all__


def _paths(given: StrPath | Sequence[StrPath]) -> list[Path]:
    return [Path(given)] if isinstance(given, (str, PathLike)) else [Path(one) for one in given]


def _options(given: ReadOptions | None) -> ReadOptions:
    from indexhole.signal.formats.options import ReadOptions

    return given or ReadOptions()


def open_capture(path: StrPath, options: ReadOptions | None = None) -> Capture:
    """Read one capture file as a whole: edges of its lines, in ticks.

    Raises:
        InputFault: a file that is unreadable, empty, damaged or of no known kind.
    """
    from indexhole.signal.formats.readers import read_capture

    how = _options(options)
    return read_capture(Path(path), how.lines, allow_cut=how.allow_cut, raw=how.raw_hz, sample_rate=how.sample_rate_hz)


def recover(
    captures: StrPath | Sequence[StrPath],
    layout: str | None = None,
    *,
    options: ReadOptions | None = None,
    layout_files: Sequence[StrPath] = (),
) -> Recovered:
    """Recover what capture files of one disk hold; several passes are combined.

    Args:
        captures: paths of the files, each given once.
        layout: id of the layout; identified when None.
        options: lines, rates, and whether files that are cut short are used.
        layout_files: layout files of your own.

    Raises:
        InputFault: a file that cannot be read or is given twice, or a layout there is none of.
    """
    from indexhole.jobs.recovery.recovering import recover_files

    return recover_files(_paths(captures), _options(options), layout, _paths(layout_files))


def save_recovered(recovered: Recovered, folder: StrPath, *, overwrite: bool = False) -> Path | None:
    """Write image, report and files into a new folder, which appears whole or not at all.

    Returns the path of the image, None when there is none. Raises InputFault when the folder exists or cannot be
    written; `overwrite` replaces it.
    """
    from indexhole.jobs.recovery.recovering import save

    return save(recovered, Path(folder), overwrite=overwrite)


def gauge(
    captures: StrPath | Sequence[StrPath],
    layout: str | None = None,
    *,
    options: ReadOptions | None = None,
    layout_files: Sequence[StrPath] = (),
) -> Gauged:
    """Gauge capture files made with one drive: what they say of it and of the writer. Each gauge names its unit.

    Raises InputFault as `recover`, and when nothing in the captures is legible.
    """
    from indexhole.jobs.recovery.gauging import gauge_files

    return gauge_files(_paths(captures), _options(options), layout, _paths(layout_files))


def read_trials(path: StrPath) -> list[Trial]:
    """The trials of a sheet (docs/shelf.md lists its columns). Raises InputFault that names row and column."""
    from indexhole.shelf.sheets.sheet import read_sheet

    return read_sheet(Path(path))


def write_trials(trials: Sequence[Trial], path: StrPath) -> None:
    """Write trials as a sheet. Raises InputFault when the file cannot be written."""
    from indexhole.shelf.sheets.sheet import write_sheet

    write_sheet(trials, Path(path))


def rank_causes(
    trials: Shelf | Sequence[Trial],
    *,
    irreplaceable: Collection[str] = (),
    top: int | None = None,
    met: Mapping[str, float] | None = None,
) -> Diagnosis:
    """Rank what is at fault, and propose the next trial.

    Args:
        trials: trials by themselves; or a shelf, whose captures and measurements are weighed too and whose marks of
            irreplaceable disks are heeded.
        irreplaceable: further disks on which no write may be proposed.
        top: list at most so many causes.
        met: how often a kind of fault is met on a bench as a whole, from 0 to 1.

    Raises:
        InputFault: there are no trials.
    """
    from dataclasses import replace

    from indexhole.jobs.faults.causes import diagnose, sheet_bench, shelf_bench
    from indexhole.shelf.register.shelf import Shelf

    bench = shelf_bench(trials, irreplaceable) if isinstance(trials, Shelf) else sheet_bench(trials, irreplaceable)
    return diagnose(replace(bench, met=dict(met or {})), top)


def predict_pairing(
    shelf: Shelf,
    *,
    disk: str = "",
    reader: str = "",
    writer: str = "",
    operation: str = "",
    host: str = "",
    layout: str = "",
    temperature_c: float | None = None,
    humidity_pct: float | None = None,
    bulk_erased: bool = False,
) -> Answer:
    """Whether a writer, a disk and a reader will do, by what margin, and what could happen to the disk.

    Args:
        operation: read, format, update or exchange; read when empty, or exchange when a writer is named.
        temperature_c, humidity_pct: at the bench today, degrees Celsius and per cent; as the shelf says when None.

    Raises:
        InputFault: a name the shelf does not hold, an unknown operation, or a figure no bench has.
    """
    from indexhole.jobs.pairing.asking import answer, question
    from indexhole.jobs.pairing.evidence import evidence_of
    from indexhole.jobs.pairing.stock import stock_of

    asked = question(
        operation,
        writer=writer,
        disk=disk,
        reader=reader,
        host=host,
        layout=layout,
        temperature_c=temperature_c,
        humidity_pct=humidity_pct,
        bulk_erased=bulk_erased,
    )
    stock = stock_of(shelf)
    return answer(stock, evidence_of(shelf, stock), asked)


def open_shelf(folder: StrPath | None = None, *, create: bool = False) -> Shelf:
    """Open the shelf in a folder or at an address (the default one when None); with `create` a missing one is made.

    Raises ShelfFault when there is none or it cannot be used.
    """
    from indexhole.shelf.register.shelf import Shelf

    return Shelf.open(Path(folder) if isinstance(folder, PathLike) else folder, create=create)


def entry(kind: type[R], /, **fields: Any) -> R:
    """An entry for a shelf, such as `entry(Unit, inventory="D1", kind="drive", title="...")`.

    Raises InputFault that names the field that does not fit.
    """
    from indexhole.shelf.records.records import checked

    return checked(kind, **fields)
