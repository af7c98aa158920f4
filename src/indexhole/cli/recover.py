"""`indexhole recover`: captures to sectors, image and files."""

from __future__ import annotations

import sys
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from indexhole.cli.oddities import tell_oddities
from indexhole.cli.present import ShelfFolder, emit_json, emit_table, remark, say
from indexhole.cli.writers import tell_writers
from indexhole.errors import InputFault

if TYPE_CHECKING:
    from indexhole.jobs.recovery.comparison import Comparison
    from indexhole.jobs.recovery.earlier import Earlier
    from indexhole.jobs.recovery.recovering import Recovered
    from indexhole.jobs.recovery.writers import WriterReport
    from indexhole.recover.sectors.open_dwells import OpenDwells
    from indexhole.recover.shapes.result import Track

Captures = Annotated[
    list[Path], typer.Argument(help="Capture files of one disk: VCD, CSV, WAV, NPY or raw samples, plain or gzip.")
]
LayoutId = Annotated[str | None, typer.Option("--layout", metavar="ID", help="The layout, when it is known.")]
LayoutFiles = Annotated[
    list[Path] | None, typer.Option("--layout-file", metavar="TOML", help="Add a layout file of your own.")
]
Lines = Annotated[
    list[str] | None,
    typer.Option("--line", metavar="OURS=THEIRS", help="Which logged line is which, e.g. read_data=D3."),
]
Raw = Annotated[
    float | None,
    typer.Option("--raw", metavar="HZ", help="The file is raw logic samples, one byte each, at this rate; see --line."),
]
SampleRate = Annotated[
    float | None, typer.Option("--sample-rate", metavar="HZ", help="Rate of a waveform whose file does not say it.")
]
AllowCut = Annotated[bool, typer.Option("--allow-cut", help="Use what can be read of a capture that is cut short.")]


def parse_lines(given: Sequence[str] | None) -> dict[str, str]:
    """`read_data=D3` pairs to a mapping."""
    pairs = {}
    for pair in given or ():
        ours, equals, theirs = pair.partition("=")
        if not equals or not ours or not theirs:
            raise InputFault(f"--line {pair!r} is not OURS=THEIRS", remedy="for example --line read_data=D3")
        pairs[ours] = theirs
    return pairs


def recover(
    captures: Captures,
    layout: LayoutId = None,
    layout_file: LayoutFiles = None,
    line: Lines = None,
    out: Annotated[
        Path | None, typer.Option("--out", metavar="FOLDER", help="Write image, report and files into a new folder.")
    ] = None,
    overwrite: Annotated[bool, typer.Option("--overwrite", help="Replace the folder if it exists.")] = False,
    deleted: Annotated[
        bool, typer.Option("--deleted", help="With --out, write what can be guessed of deleted files too.")
    ] = False,
    compare: Annotated[
        Path | None,
        typer.Option("--compare", metavar="FILE", help="Say what differs from an earlier report.json or image."),
    ] = None,
    writers: Annotated[
        bool, typer.Option("--writers", help="Say which drives wrote the disk, and which on the shelf they may be.")
    ] = False,
    describe: Annotated[
        bool, typer.Option("--describe", help="Print how the tracks are laid out, as a draft layout file, and no more.")
    ] = False,
    shelf: ShelfFolder = None,
    raw: Raw = None,
    sample_rate: SampleRate = None,
    allow_cut: AllowCut = False,
    json: Annotated[bool, typer.Option("--json", help="Print the report as JSON.")] = False,
) -> None:
    """Captures to sectors, image and files.

    Several passes and several files of one disk are combined. Exit status 1 when a sector is suspect or lost.
    """
    from indexhole.jobs.recovery import recovering
    from indexhole.recover.sectors.open_dwells import OpenDwells
    from indexhole.signal.formats.options import ReadOptions

    if out is not None and out.exists() and not overwrite:
        raise InputFault("exists already", where=str(out), remedy="choose another folder or add --overwrite")
    if describe and not json and (writers or compare is not None):
        raise InputFault(
            "--describe prints a layout file and nothing else", remedy="add --json, or ask for the rest another time"
        )
    other = _earlier(compare) if compare is not None else None
    options = ReadOptions(parse_lines(line), allow_cut, raw, sample_rate)
    quiet = json or not sys.stderr.isatty()
    opened = OpenDwells() if writers else None
    recovered = recovering.recover_files(
        captures, options, layout, layout_file or (), opened=opened, progress=None if quiet else _show_progress
    )
    compared = (_compared(other, recovered), other) if other is not None else None
    image_path = None
    if out is not None:
        image_path = recovering.save(recovered, out, overwrite=overwrite, deleted=deleted)
    written_by = _writers(opened, recovered, layout_file or (), shelf) if opened is not None else None
    outcome = _Outcome(recovered, image_path, compared, str(compare), written_by)
    if json:
        emit_json(_report_json(outcome, describe=describe))
    elif describe:
        _tell_description(recovered)
    else:
        _tell(outcome)
    counts = recovered.counts()
    if counts["suspect"] or counts["lost"] or not recovered.surface.tracks:
        raise typer.Exit(1)


@dataclass(frozen=True)
class _Outcome:
    """All that one run has to show.

    Attributes:
        recovered: what the captures hold; `image_path` where its image was written.
        compared: what differs from an earlier recovery, and that one; `compared_with` as the keeper named it.
        written_by: who wrote the disk.
    """

    recovered: Recovered
    image_path: Path | None
    compared: tuple[Comparison, Earlier] | None
    compared_with: str
    written_by: WriterReport | None


def _report_json(outcome: _Outcome, *, describe: bool) -> dict[str, Any]:
    from indexhole.jobs.recovery import recovering

    report = recovering.report_json(outcome.recovered, outcome.image_path)
    if outcome.compared is not None:
        from indexhole.jobs.recovery.comparison import comparison_json

        report["comparison"] = comparison_json(*outcome.compared)
    if outcome.written_by is not None:
        from indexhole.jobs.recovery.writers import report_json

        report["writers"] = report_json(outcome.written_by)
    if describe:
        from indexhole.jobs.recovery.describing import description_json

        report["description"] = description_json(outcome.recovered.surface)
    return report


def _tell(outcome: _Outcome) -> None:
    """The outcome in words and tables."""
    _tell_recovered(outcome.recovered, outcome.image_path)
    if outcome.compared is not None:
        _tell_comparison(outcome.compared[0], outcome.compared_with)
    if outcome.written_by is not None:
        from indexhole.jobs.recovery.writers import report_sentences

        tell_writers(report_sentences(outcome.written_by), outcome.written_by.writers)


def _earlier(path: Path) -> Earlier:
    from indexhole.jobs.recovery.earlier import read_earlier

    return read_earlier(path)


def _compared(other: Earlier, recovered: Recovered) -> Comparison:
    """What differs from the earlier recovery."""
    from indexhole.jobs.recovery.comparing import compare
    from indexhole.jobs.recovery.earlier import report_from
    from indexhole.jobs.recovery.recovering import report_json

    return compare(other.report, other.image, report_from(report_json(recovered)), recovered.image)


def _writers(
    opened: OpenDwells, recovered: Recovered, layout_file: Sequence[Path], folder: Path | None
) -> WriterReport:
    """Who wrote the disk, weighed against the shelf where there is one."""
    from indexhole.cli.open_shelf import has_shelf
    from indexhole.jobs.recovery.known_writers import ask_shelf
    from indexhole.jobs.recovery.writers import report_writers_of_dwells

    report = report_writers_of_dwells(opened, recovered.surface.layout, layout_file)
    if folder is not None or has_shelf(None):
        report, warnings = ask_shelf(report, [note.sha256 for note in recovered.captures], folder)
        for warning in warnings:
            remark(warning)
    return report


def _show_progress(name: str, done: int, of: int) -> None:
    """One line on the terminal, rewritten at every percent; a size not known is told in MB read."""
    share = f"{100 * done // of:3d} %" if of else f"{done / 1e6:.0f} MB"
    end = "\n" if of and done >= of else ""
    print(f"\r{name}: {share}", end=end, file=sys.stderr, flush=True)


_COLUMNS = ("cylinders", "head", "passes", "speed r/min", "sectors a track")


def _track_rows(tracks: Sequence[Track]) -> list[list[object]]:
    """One row for each run of tracks that read alike."""
    from indexhole.recover.shapes.result import WORST_FIRST

    runs: list[tuple[tuple[object, ...], list[Track]]] = []
    for track in sorted(tracks, key=lambda t: (t.head, t.cylinder)):
        count = Counter(s.state for s in track.sectors)
        alike = (track.head, len(track.sectors), *(count[state] for state in reversed(WORST_FIRST)))
        if runs and runs[-1][0] == alike and runs[-1][1][-1].cylinder == track.cylinder - 1:
            runs[-1][1].append(track)
        else:
            runs.append((alike, [track]))
    rows: list[list[object]] = []
    for (head, sectors, *counts), group in runs:
        speeds = [t.speed_rpm for t in group if t.speed_rpm == t.speed_rpm]
        speed = f"{sum(speeds) / len(speeds):.2f}" if speeds else "-"
        cylinders = _span([t.cylinder for t in group])
        rows.append([cylinders, head, _span([t.passes for t in group]), speed, sectors, *counts])
    return rows


def _span(numbers: Sequence[int]) -> str:
    low, high = min(numbers), max(numbers)
    return str(low) if low == high else f"{low} to {high}"


def _tell_recovered(recovered: Recovered, image_path: Path | None) -> None:
    """Tracks, sectors, oddities and files."""
    from indexhole.jobs.recovery.recovering import volume_json, warnings_of
    from indexhole.recover.shapes.result import WORST_FIRST

    surface = recovered.surface
    if surface.layout:
        say(f"Layout {surface.layout}, probability {surface.layout_confidence:.2f}: {surface.candidates[0].why}")
    else:
        say(f"Layout unknown: {surface.candidates[0].why}; --describe drafts a layout file")
    emit_table(
        f"Tracks: {len(surface.tracks)}", [*_COLUMNS, *map(str, reversed(WORST_FIRST))], _track_rows(surface.tracks)
    )
    odd = [
        [track.cylinder, track.head, s.id, str(s.state), s.how]
        for track in surface.tracks
        for s in track.sectors
        if s.state != "sound"
    ]
    if odd:
        emit_table("Sectors that are not sound", ("cylinder", "head", "sector", "state", "how"), odd)
    tell_oddities(surface.tracks)
    volume = volume_json(recovered)
    if volume:
        title = f"Volume {volume['title']!r} ({volume['kind']}), {volume['free']} free"
        files = [[f["name"], f["bytes"], f["state"], _sectors_by_state(f["sectors"])] for f in volume["files"]]
        columns = ("file", "bytes", "state", "sectors of the image that are not sound")
        # Without any such sector there is nothing to say of them.
        shown = len(columns) if any(row[-1] for row in files) else len(columns) - 1
        emit_table(title, columns[:shown], [row[:shown] for row in files])
        gone = [[f["name"], f["bytes"], "; ".join(f["problems"])] for f in volume["deleted_files"]]
        if gone:
            emit_table("Deleted files: what is left is a guess", ("file", "bytes", "what is known"), gone)
        for file in volume["files"]:
            for problem in file["problems"]:
                say(f"{file['name']}: {problem}")
        for problem in volume["problems"]:
            say(f"Volume: {problem}")
    counts = recovered.counts()
    say("In all: " + ", ".join(f"{n} {state}" for state, n in counts.items()))
    if image_path is not None:
        say(f"Image: {image_path}")
    for warning in warnings_of(surface):
        remark(warning)


def _sectors_by_state(by_state: Mapping[str, Sequence[int]]) -> str | None:
    """`mended 12; lost 40 to 44`, numbers in image order from 0; None when there are none."""
    from indexhole.recover.layouts.draft import ranges

    return "; ".join(f"{state} {ranges(numbers)}" for state, numbers in by_state.items()) or None


def _tell_description(recovered: Recovered) -> None:
    """A layout file on stdout, fit to be kept; what is to be borne in mind beside it."""
    from indexhole.jobs.recovery.describing import description_text
    from indexhole.jobs.recovery.recovering import warnings_of

    for line in description_text(recovered.surface).splitlines():
        say(line)
    for warning in warnings_of(recovered.surface):
        remark(warning)


def _tell_comparison(compared: Comparison, name: str) -> None:
    """What differs from an earlier recovery."""
    counts = compared.counts()
    say(f"Compared with {name}: {counts['same']} of {counts['compared']} sectors hold the same bytes")
    if compared.sectors:
        rows = [
            [*d.place, d.change, d.then, d.now, None if d.bytes_differing < 0 else d.bytes_differing]
            for d in compared.sectors
        ]
        emit_table(
            "Sectors that came out otherwise",
            ("cylinder", "head", "sector", "change", "then", "now", "bytes differing"),
            rows,
        )
    if compared.files:
        files = [[f.name, f.change, f.then, f.now, len(f.sectors)] for f in compared.files]
        emit_table("Files this concerns", ("file", "change", "then", "now", "sectors"), files)
    parts = [f"{counts[key]} {key}" for key in ("gained", "lost", "better", "worse")]
    say("Since then: " + ", ".join(parts))
    for remark_ in compared.remarks:
        remark(remark_)
