"""The demonstration: makes its shelf, and does on it what a keeper would do on any shelf.

make_demo_shelf(folder)     the shelf, swapped into place whole
look_over(shelf)            captures read, mechanisms gauged, trials weighed: works on every shelf
"""

from __future__ import annotations

import hashlib
import json
from collections import defaultdict
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, contextmanager
from dataclasses import dataclass, replace
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

from indexhole import __version__
from indexhole.causes.ranking.diagnosis import Diagnosis
from indexhole.errors import Do, InputFault, ShelfFault
from indexhole.jobs.demo.captures import DEMO_CAPTURES, DemoCapture, demo_captures
from indexhole.jobs.demo.shelf import build_demo_shelf
from indexhole.jobs.faults.causes import diagnose, shelf_bench
from indexhole.jobs.pairing.asking import Answer, Question, answer
from indexhole.jobs.pairing.evidence import evidence_of
from indexhole.jobs.pairing.matrix import Cell, whole_matrix
from indexhole.jobs.pairing.stock import stock_of
from indexhole.jobs.recovery.gauging import Gauged, gauge_captures
from indexhole.jobs.recovery.recovering import Recovered, recover_captures
from indexhole.shelf.care.captures import read_pulses, store_capture
from indexhole.shelf.files.writing import folder_in_the_making, take_place
from indexhole.shelf.records.records import CaptureRecord, Disk
from indexhole.shelf.register.database import REGISTER
from indexhole.shelf.register.shelf import Shelf
from indexhole.signal.captures.capture import Capture
from indexhole.signal.formats.readers import read_capture
from indexhole.signal.formats.write_vcd import write_capture

MARK = "demo-shelf.json"
_WHAT = "indexhole demonstration shelf"
_PAIRING_DRAWS = 400

Progress = Callable[[str, int, int], None]
"""Called with what is being done, how many of it are done, and how many there are."""


def _silent(what: str, done: int, of: int) -> None:
    pass


# making it


def make_demo_shelf(folder: Path, progress: Progress = _silent) -> Shelf:
    """Make the demonstration shelf in a folder, in place of a demonstration shelf that stands there.

    It is built beside the folder and takes its place when it is whole.

    Raises:
        InputFault: the folder holds something that is not a demonstration shelf.
        ShelfFault: it cannot be written.
    """
    folder = folder.resolve()
    state_of(folder)
    with _refusals_told(folder), _beside(folder) as part:
        shelf = build_demo_shelf(part)
        for number, taken in enumerate(demo_captures()):
            progress("simulating captures", number, DEMO_CAPTURES)
            _keep(shelf, taken)
        progress("simulating captures", DEMO_CAPTURES, DEMO_CAPTURES)
        mark = {"what": _WHAT, "version": __version__, "state": _fingerprint(part)}
        (part / MARK).write_text(json.dumps(mark, indent=1) + "\n", encoding="utf-8")
        take_place(part, folder)
    return Shelf.open(folder)


def state_of(folder: Path) -> str:
    """What stands in a folder: `nothing`, or a demonstration shelf, `as made` or `changed` since.

    Raises InputFault for anything else, which the demonstration never touches.
    """
    if not folder.exists() or (folder.is_dir() and not any(folder.iterdir())):
        return "nothing"
    try:
        mark = json.loads((folder / MARK).read_text(encoding="utf-8"))
        if mark["what"] != _WHAT:
            raise ValueError
        return "as made" if mark["state"] == _fingerprint(folder) else "changed"
    except (OSError, ValueError, KeyError, TypeError) as fault:
        raise InputFault(
            "holds something that is not the demonstration shelf",
            where=str(folder),
            remedy=Do.OTHER_DEMO,
        ) from fault


def _fingerprint(folder: Path) -> str:
    """SHA-256 over the register's changes and the names and sizes of the files beside it."""
    files = sorted(
        (path.relative_to(folder).as_posix(), path.stat().st_size)
        for path in folder.rglob("*")
        if path.is_file() and path.name != MARK and not path.name.startswith(REGISTER)
    )
    changes = [(change.number, change.what, change.rows) for change in Shelf.open(folder).changes()]
    return hashlib.sha256(json.dumps([files, changes]).encode()).hexdigest()


def _keep(shelf: Shelf, taken: DemoCapture) -> None:
    """Store a capture: of one track as the file a logger would have exported, a long session by itself."""
    if taken.capture.lines:
        store_capture(shelf, None, taken.capture, **taken.about)
        return
    with TemporaryDirectory() as place:
        path = Path(place) / f"{taken.capture.name}.vcd.gz"
        write_capture(path, taken.capture)
        store_capture(shelf, path, read_capture(path), **taken.about)


def _beside(folder: Path) -> AbstractContextManager[Path]:
    folder.parent.mkdir(parents=True, exist_ok=True)
    return folder_in_the_making(folder.parent)


@contextmanager
def _refusals_told(folder: Path) -> Iterator[None]:
    try:
        yield
    except OSError as fault:
        raise ShelfFault(
            f"the demonstration shelf cannot be made here ({fault.strerror or fault})",
            where=str(folder),
            remedy=Do.OTHER_DEMO,
        ) from fault


# looking it over


@dataclass(frozen=True)
class DiskRead:
    """What the captures of one disk gave: the records they are kept under, and the recovery."""

    disk: Disk
    records: tuple[CaptureRecord, ...]
    recovered: Recovered


@dataclass(frozen=True)
class MechanismGauged:
    """What the captures a mechanism made of one disk say of it; `gauged` is None when nothing was legible."""

    mechanism: str
    disk: str
    gauged: Gauged | None


@dataclass(frozen=True)
class Overview:
    """A shelf looked over: disks in order of entry, mechanisms in order of name, the trials weighed."""

    disks: tuple[DiskRead, ...]
    gauged: tuple[MechanismGauged, ...]
    diagnosis: Diagnosis


def look_over(shelf: Shelf, progress: Progress = _silent) -> Overview:
    """Recover what the captures of every disk hold, gauge the mechanisms that made them, and weigh the trials.

    Captures without a disk are left out; of those without a mechanism nothing is gauged. Raises InputFault or
    ShelfFault when a capture cannot be read or there are no trials.
    """
    of_disk: dict[str, list[CaptureRecord]] = defaultdict(list)
    for record in shelf.all(CaptureRecord):
        if record.disk is not None:
            of_disk[record.disk].append(record)
    steps = len(of_disk) + 1
    disks: list[DiskRead] = []
    gauged: list[MechanismGauged] = []
    for number, (name, records) in enumerate(of_disk.items()):
        progress("reading captures", number, steps)
        disk = shelf.get(Disk, name)
        captures = [read_pulses(shelf, record) for record in records]
        recovered = recover_captures(captures, disk_class=disk.disk_class)
        disks.append(DiskRead(disk, tuple(records), replace(recovered, captures=())))
        gauged += _gauge(records, captures, name, recovered.surface.layout)
    progress("weighing trials", len(of_disk), steps)
    diagnosis = diagnose(shelf_bench(shelf))
    progress("weighing trials", steps, steps)
    return Overview(tuple(disks), tuple(sorted(gauged, key=lambda one: (one.mechanism, one.disk))), diagnosis)


def _gauge(records: list[CaptureRecord], captures: list[Capture], disk: str, layout: str) -> Iterator[MechanismGauged]:
    made_by: dict[str, list[Capture]] = defaultdict(list)
    for record, capture in zip(records, captures, strict=True):
        if record.mechanism is not None:
            made_by[record.mechanism].append(capture)
    for mechanism, made in made_by.items():
        try:
            gauged = gauge_captures(made, layout or None)
        except InputFault:
            yield MechanismGauged(mechanism, disk, None)
        else:
            yield MechanismGauged(mechanism, disk, gauged)


@dataclass(frozen=True)
class Pairings:
    """Three questions of a museum's day, answered.

    Attributes:
        reads: an irreplaceable disk in every mechanism it goes into, the likeliest to read it first.
        read_only, update: a pair that reads, and what becomes of it when sectors are rewritten.
        narrow, erased: a narrow head writes on a wide recording for a wide head to read; the disk as it is, and
            bulk-erased first.
    """

    reads: tuple[Cell, ...]
    read_only: Answer
    update: Answer
    narrow: Answer
    erased: Answer


def demo_pairings(shelf: Shelf) -> Pairings:
    """The pairings the demonstration tells of, on its shelf."""
    stock = stock_of(shelf)
    evidence = evidence_of(shelf, stock)
    reads = whole_matrix(stock, evidence, Question(disk="K1")).cells.values()
    tried = [cell for cell in reads if cell.fits and cell.chance is not None]

    def asked(**what: Any) -> Answer:
        return answer(stock, evidence, Question(**what), samples=_PAIRING_DRAWS, remedies=False)

    return Pairings(
        reads=tuple(sorted(tried, key=lambda cell: -(cell.chance or 0.0))),
        read_only=asked(disk="K10", reader="D4.0"),
        update=asked(operation="update", disk="K10", reader="D4.0"),
        narrow=asked(operation="exchange", writer="D4.0", disk="K10", reader="D1.0"),
        erased=asked(operation="exchange", writer="D4.0", disk="K10", reader="D1.0", bulk_erased=True),
    )


def overview_json(shelf: Shelf, overview: Overview) -> dict[str, Any]:
    """The overview as `demo --json` gives it: the reports of `recover`, `gauge` and `causes` put together."""
    from indexhole.jobs.recovery import gauging, recovering

    return {
        "shelf": str(shelf.folder),
        "causes": overview.diagnosis.to_json_dict(),
        "disks": [
            {
                "disk": one.disk.inventory,
                "title": one.disk.title,
                "captures": [record.sha256 for record in one.records],
                "recover": recovering.report_json(one.recovered),
            }
            for one in overview.disks
        ],
        "gauges": [
            {
                "mechanism": one.mechanism,
                "disk": one.disk,
                "gauge": gauging.report_json(one.gauged) if one.gauged else None,
            }
            for one in overview.gauged
        ],
    }
