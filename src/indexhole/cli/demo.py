"""`indexhole demo`: makes the demonstration shelf, runs the main job on it, prints the outcome."""

from __future__ import annotations

import os
import shutil
import sys
import textwrap
from collections import Counter
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from indexhole.cli.present import AsJson, Yes, confirm, counted, emit_json, emit_table, progress_line, say

if TYPE_CHECKING:
    from indexhole.jobs.demo.run import DiskRead, MechanismGauged, Overview
    from indexhole.jobs.pairing.asking import Answer
    from indexhole.shelf.register.shelf import Shelf
    from indexhole.signal.gauges.gauge import Gauge

_WIDTH = 100
_STATES = ("sound", "mended", "suspect", "lost")


def demo(
    folder: Annotated[
        Path | None, typer.Option(metavar="FOLDER", help="Where to make it; else demo-shelf in your data folder.")
    ] = None,
    serve: Annotated[bool, typer.Option("--serve", help="Then open the local page on it.")] = False,
    port: Annotated[int, typer.Option(min=0, max=65535, help="Port of the page; 0 takes any free one.")] = 8360,
    yes: Yes = False,
    as_json: AsJson = False,
) -> None:
    """Make the demonstration shelf, run the main job on it and print the outcome.

    Everything on it is invented and simulated. A demonstration shelf that stands in the folder is made anew, and
    if it was changed you are asked first; a folder that holds anything else is left alone.
    """
    from indexhole.jobs.demo.run import look_over, make_demo_shelf, state_of

    place = _default_folder() if folder is None else folder
    if state_of(place) == "changed" and not confirm(f"The shelf in {place} was changed. Make it anew?", yes=yes):
        say("nothing was changed")
        return
    progress = progress_line()
    shelf = make_demo_shelf(place, progress)
    overview = look_over(shelf, progress)
    if as_json:
        emit_json(_report(shelf, overview))
    else:
        for part in (_shelf_lines(shelf), _cause_lines(overview)):
            _tell(part)
        _disk_tables(overview)
        _gauge_table(overview)
        _tell(_pairing_lines(shelf))
        for line in _closing(place):
            say(line)
    if serve:
        from indexhole.cli.serve import serve_shelf
        from indexhole.web.server import Place

        serve_shelf(place, Place(port=port), show=sys.stdout.isatty())


def _default_folder() -> Path:
    from platformdirs import user_data_path

    return user_data_path("indexhole", appauthor=False) / "demo-shelf"


def _report(shelf: Shelf, overview: Overview) -> dict[str, Any]:
    from indexhole.jobs.demo.run import overview_json
    from indexhole.jobs.demo.shelf import DEMO_TRUTH

    return {**overview_json(shelf, overview), "planted": DEMO_TRUTH}


def _tell(lines: Iterator[str]) -> None:
    """Lines folded to the width, what goes on set in; then an empty one."""
    for line in lines:
        inset = " " * (len(line) - len(line.lstrip()) + 3)
        for part in textwrap.wrap(line, _WIDTH, subsequent_indent=inset, break_on_hyphens=False) or [""]:
            say(part)
    say()


def _shelf_lines(shelf: Shelf) -> Iterator[str]:
    from indexhole.shelf.records.records import CaptureRecord, Disk, Mechanism, Unit

    kinds = Counter(unit.kind for unit in shelf.all(Unit))
    disks, captures, trials = shelf.all(Disk), shelf.all(CaptureRecord), shelf.trials()
    units = ", ".join(counted(number, kind) for kind, number in kinds.items())
    yield "The shelf of a small harbour museum, all of it invented and simulated"
    yield f"   {units}; {counted(len(shelf.all(Mechanism)), 'mechanism')} in the drive units"
    yield f"   {counted(len(disks), 'disk')}, {sum(disk.irreplaceable for disk in disks)} of them irreplaceable"
    yield (
        f"   {counted(len(trials), 'trial')} from {trials[0].when} to {trials[-1].when}, "
        f"{counted(len(captures), 'capture')} of {counted(len({c.disk for c in captures}), 'disk')}"
    )


def _cause_lines(overview: Overview) -> Iterator[str]:
    from indexhole.causes.report import report_lines
    from indexhole.jobs.demo.shelf import DEMO_TRUTH
    from indexhole.jobs.typography import plain

    *told, proposal = report_lines(overview.diagnosis)
    yield from map(plain, told)
    yield plain(proposal)
    planted = " and ".join(f"{f.element}{'' if f.side is None else f' side {f.side}'} {f.fault}" for f in DEMO_TRUTH)
    yield f"Planted in the simulated bench, unknown to the ranking: {planted}"


def _disk_tables(overview: Overview) -> None:
    columns = ("disk", "read in", "title", "layout", "tracks", "sectors", *_STATES)
    emit_table("What was on the disks", columns, [_disk_row(one) for one in overview.disks])
    for one in overview.disks:
        for line in _volume_lines(one):
            say(line)
    say()


def _disk_row(one: DiskRead) -> list[object]:
    surface, counts = one.recovered.surface, one.recovered.counts()
    read_in = ", ".join(sorted({record.mechanism for record in one.records if record.mechanism}))
    layout = surface.layout or "nothing legible"
    return [
        one.disk.inventory,
        read_in,
        one.disk.title,
        layout,
        len(surface.tracks),
        sum(counts.values()),
        *(counts[state] for state in _STATES),
    ]


def _volume_lines(one: DiskRead) -> Iterator[str]:
    from indexhole.jobs.recovery.recovering import volume_json

    volume = volume_json(one.recovered)
    if volume is None:
        return
    files = volume["files"]
    sound = sum(file["state"] == "sound" for file in files)
    yield (
        f"{one.disk.inventory} holds {volume['title']!r} ({volume['kind']}): {counted(len(files), 'file')}, "
        f"{sum(file['bytes'] for file in files)} bytes, {'all' if sound == len(files) else sound} sound"
    )
    for file in files:
        if file["state"] != "sound":
            yield f"   {file['name']}, {file['bytes']} bytes: {file['state']}"


_SHOWN = {"spindle_speed": "speed r/min", "speed_variation": "variation %", "timing_margin": "timing margin"}


def _gauge_table(overview: Overview) -> None:
    from indexhole.jobs.typography import plain

    columns = ("mechanism", "disk", *_SHOWN.values(), "verdict")
    emit_table("What the signal says of the mechanisms", columns, [_gauge_row(one) for one in overview.gauged])
    for one in overview.gauged:
        writers = _gauges(one).get("writers")
        if writers is not None and writers.value > 1:
            say(f"{one.disk} was written by more than one drive:")
            for part in writers.note.split("; "):
                say(f"   {plain(part)}")
    say()


def _gauges(one: MechanismGauged) -> dict[str, Gauge]:
    return {gauge.name: gauge for gauge in one.gauged.gauges} if one.gauged is not None else {}


def _gauge_row(one: MechanismGauged) -> Sequence[object]:
    gauges = _gauges(one)
    shown = [gauges[name] for name in _SHOWN if name in gauges]
    cells = [f"{g.value:.2f}" if g.value == g.value else None for g in shown] or [None] * len(_SHOWN)
    odd = [f"{_SHOWN[g.name]} {g.verdict}" for g in shown if str(g.verdict) != "works"]
    return [one.mechanism, one.disk, *cells, ", ".join(odd) or ("works" if shown else "nothing legible")]


def _pairing_lines(shelf: Shelf) -> Iterator[str]:
    from indexhole.jobs.demo.run import demo_pairings
    from indexhole.jobs.pairing.report import chance_words, proof_words
    from indexhole.jobs.typography import plain

    told = demo_pairings(shelf)

    def chance(answer: Answer) -> str:
        return f"{answer.budget.verdict}, {chance_words(answer.budget.chance, answer.budget.chance_error)}"

    best, worst = told.reads[0], told.reads[-1]
    proven = next((cell for cell in told.reads if cell.proof and cell.proof.verdict == "works"), best)
    yield "Will this disk do in that drive"
    yield (
        f"   K1 is irreplaceable: never to be written on. Read it in {proven.column} ({proof_words(proven.proof)}), "
        f"not in {worst.column} ({proof_words(worst.proof)})"
    )
    yield (
        f"   K10, laid out by {told.update.setup.writer.name}: D4.0 reads it ({chance(told.read_only)}), but should "
        f"not rewrite its sectors ({chance(told.update)}): {plain(told.update.budget.why)}"
    )
    yield (
        f"   The narrow head of D4.0 over the wide tracks on K10, for D1.0 to read: {chance(told.narrow)}; "
        f"bulk-erased first: {chance(told.erased)}"
    )


def _closing(folder: Path) -> Iterator[str]:
    command = _command()
    yield f"The shelf is in {folder}. To go on:"
    yield f"   {command} causes --shelf {folder}"
    yield f"   {command} shelf show D3 --shelf {folder}"
    yield f"   {command} pair --disk K1 --reader D2.0 --shelf {folder}"
    yield f"   {command} recover {folder}/captures/originals/*k13*"
    yield f"   {command} gauge {folder}/captures/originals/*k3-*"
    yield f"   {command} serve --shelf {folder}"


def _command() -> str:
    """This command as it can be typed again."""
    called = Path(sys.argv[0])
    if called.name == "__main__.py":
        return f"{os.path.relpath(sys.executable)} -m indexhole"
    on_path = shutil.which(called.name)
    return called.name if on_path and Path(on_path).resolve() == called.resolve() else os.path.relpath(called)
