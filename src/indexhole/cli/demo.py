"""`indexhole demo`: makes the demonstration shelf, looks it over and prints three findings."""

from __future__ import annotations

import os
import shutil
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from indexhole.cli.present import AsJson, Yes, confirm, emit_json, progress_line, say, say_folded
from indexhole.wording import count_of, listed

if TYPE_CHECKING:
    from indexhole.jobs.demo.run import DiskRead, MechanismGauged, Overview
    from indexhole.jobs.pairing.asking import Answer
    from indexhole.shelf.register.shelf import Shelf
    from indexhole.signal.gauges.gauge import Gauge

_WIDTH = 80
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
    """Make the demonstration shelf, look it over and print three findings, with what to do about each.

    Everything on it is invented and simulated. A demonstration shelf that stands in the folder is made anew, and
    if it was changed you are asked first; a folder that holds anything else is left alone.
    """
    from indexhole.jobs.demo.run import look_over, make_demo_shelf, state_of
    from indexhole.jobs.typography import plain

    folder = folder or _default_folder()
    if state_of(folder) == "changed" and not confirm(f"The shelf in {folder} was changed. Make it anew?", yes=yes):
        say("nothing was changed")
        return
    progress = progress_line()
    shelf = make_demo_shelf(folder, progress)
    overview = look_over(shelf, progress)
    if as_json:
        emit_json(_report(shelf, overview))
    else:
        for part in (_shelf_lines(shelf), _fault_lines(overview), _disk_lines(overview), _pairing_lines(shelf)):
            say_folded(map(plain, part), _WIDTH)
            say()
        for line in _closing(folder):
            say(line)
    if serve:
        from indexhole.cli.serve import serve_shelf
        from indexhole.web.server import Place

        serve_shelf(folder, Place(port=port), show=sys.stdout.isatty())


def _default_folder() -> Path:
    from platformdirs import user_data_path

    return user_data_path("indexhole", appauthor=False) / "demo-shelf"


def _report(shelf: Shelf, overview: Overview) -> dict[str, Any]:
    from indexhole.jobs.demo.run import overview_json
    from indexhole.jobs.demo.shelf import DEMO_TRUTH

    return {**overview_json(shelf, overview), "planted": DEMO_TRUTH}


def _shelf_lines(shelf: Shelf) -> Iterator[str]:
    from indexhole.shelf.records.records import CaptureRecord, Disk, Mechanism

    mechanisms, disks = count_of(shelf.count(Mechanism), "mechanism"), count_of(shelf.count(Disk), "disk")
    trials, captures = count_of(len(shelf.trials()), "trial"), count_of(shelf.count(CaptureRecord), "capture")
    yield f"An invented, simulated shelf: {mechanisms}, {disks}, {trials}, {captures}"


def _fault_lines(overview: Overview) -> Iterator[str]:
    from indexhole.causes.report import explanations, trial_line
    from indexhole.jobs.demo.shelf import DEMO_TRUTH

    diagnosis = overview.diagnosis
    (likeliest, probability), *others = explanations(diagnosis)
    yield f"1. At fault: {likeliest} (probability {probability:.2f}, from {count_of(diagnosis.trials, 'trial')})"
    for words, probability in others:
        yield f"   Or: {words} ({probability:.2f})"
    for one in overview.gauged:
        for gauge in _out_of_limits(one):
            yield f"   The signal of {one.disk} in {one.mechanism}: {gauge.name.replace('_', ' ')} {gauge.verdict}"
    planted = listed(f"{f.element}{'' if f.side is None else f' side {f.side}'} {f.fault}" for f in DEMO_TRUTH)
    yield f"   The simulated faults, which the ranking did not know: {planted}"
    if diagnosis.advice is not None:
        yield f"   To do: {'; '.join(diagnosis.advice.do) or 'nothing'}"
    if diagnosis.next is not None:
        yield f"   Next trial: {trial_line(diagnosis.next)}"


def _out_of_limits(one: MechanismGauged) -> list[Gauge]:
    return [g for g in one.gauged.gauges if g.verdict == "fails"] if one.gauged is not None else []


def _disk_lines(overview: Overview) -> Iterator[str]:
    counts = {one.disk.inventory: one.recovered.counts() for one in overview.disks}
    total = {state: sum(held[state] for held in counts.values()) for state in _STATES}
    states = ", ".join(f"{total[state]} {state}" for state in _STATES)
    yield f"2. On the disks: of {count_of(sum(total.values()), 'sector')} {states}"
    for one in overview.disks:
        yield from _volume_lines(one)
    illegible = [one for one in overview.disks if not any(counts[one.disk.inventory].values())]
    for one in illegible:
        drives = listed(sorted({record.mechanism for record in one.records if record.mechanism}))
        yield f"   {one.disk.inventory} ({one.disk.title}): nothing is legible as {drives} read it"
    unsound = [name for name, held in counts.items() if held["suspect"] or held["lost"]]
    again = [f"make more captures of {listed(unsound)}: each further pass may mend a sector"] if unsound else []
    elsewhere = [f"read {listed(one.disk.inventory for one in illegible)} in another drive"] if illegible else []
    yield f"   To do: {'; '.join([*elsewhere, *again]) or 'nothing'}"


def _volume_lines(one: DiskRead) -> Iterator[str]:
    from indexhole.jobs.recovery.recovering import volume_json

    volume = volume_json(one.recovered)
    if volume is None:
        return
    files = volume["files"]
    unsound = [f"{file['name']} {file['state']}" for file in files if file["state"] != "sound"]
    yield (
        f"   {one.disk.inventory} ({one.disk.title}): {count_of(len(files), 'file')}, "
        f"{', '.join(unsound) if unsound else 'all'}{', the others sound' if unsound else ' sound'}"
    )


def _pairing_lines(shelf: Shelf) -> Iterator[str]:
    from indexhole.jobs.demo.run import demo_pairings
    from indexhole.jobs.pairing.report import chance_words, proof_words

    pairings = demo_pairings(shelf)

    def outlook(answer: Answer) -> str:
        return f"{answer.budget.verdict}, {chance_words(answer.budget.chance, answer.budget.chance_error)}"

    best, worst = pairings.reads[0], pairings.reads[-1]
    proven = next((cell for cell in pairings.reads if cell.proof and cell.proof.verdict == "works"), best)
    writer = pairings.update.setup.writer.name
    yield f"3. Which drive will do: K1 reads in {proven.column}; what D4.0 may do with K10"
    yield f"   K1 in {proven.column}: {proof_words(proven.proof)}"
    yield f"   K1 in {worst.column}: {proof_words(worst.proof)}"
    yield (
        f"   K10, recorded by {writer}: D4.0 reads it ({outlook(pairings.read_only)}). When D4.0 rewrites sectors: "
        f"{outlook(pairings.update)}"
    )
    yield (
        f"   K10 recorded anew by the narrow head of D4.0, for D1.0 to read: {outlook(pairings.narrow)}; bulk-erased "
        f"first: {outlook(pairings.erased)}"
    )
    advice = [f"read K1 in {proven.column}, and never write on it: it is irreplaceable"]
    if pairings.update.budget.verdict != "works":
        advice.append(f"rewrite sectors of K10 in {writer} only")
    if pairings.narrow.budget.verdict != "works" and pairings.erased.budget.verdict == "works":
        advice.append("bulk-erase K10 before D4.0 records it, once nothing on it is wanted")
    yield f"   To do: {'; '.join(advice)}"


def _closing(folder: Path) -> Iterator[str]:
    command = _command()
    yield f"The shelf is in {folder}. Try next (the last opens the page):"
    yield f"   {command} causes --shelf {folder}"
    yield f"   {command} level --shelf {folder}"
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
