"""A program killed with SIGKILL at any moment: the shelf opens, is sound, and holds all that was said to be kept.

Many short lives of a program that writes and says so through a pipe, each killed after a number of lines or amid the
next write; what it said must be there afterwards, and each import whole or not at all. A kill takes away the program,
not what the kernel holds: that a loss of power takes nothing either rests on SQLite's journal and synchronous=EXTRA,
and is not tried here.
"""

from __future__ import annotations

import os
import random
import signal
import subprocess
import sys
from collections import Counter
from pathlib import Path

from tests.shelf_writer import SHEET_TRIALS

from indexhole.shelf.additions import Photo
from indexhole.shelf.condition import check_captures, check_photos
from indexhole.shelf.records import CaptureRecord, Disk, Mechanism, Unit, checked
from indexhole.shelf.register import Shelf

SEED = 20260301
WRITES = 500
LIVES = 14  # about
WRITER = Path(__file__).with_name("shelf_writer.py")


def life(folder: Path, first: int, count: int, lines: int, amid: int) -> list[tuple[str, str]]:
    """One life of the writer: killed when it has said so many lines and then, if it can, spun through `amid` looks."""
    writer = subprocess.Popen(
        [sys.executable, str(WRITER), str(folder), str(first), str(count)],
        stdout=subprocess.PIPE, cwd=WRITER.parents[1], env={**os.environ, "OMP_NUM_THREADS": "1"},
    )  # fmt: skip
    assert writer.stdout is not None
    said: list[tuple[str, str]] = []
    with writer.stdout:
        while len(said) <= lines and (line := writer.stdout.readline()):
            said.append(_parted(line))
        # wait by looking at the clock of the other process, so that the kill falls anywhere in its next write
        spent = _spent(writer.pid)
        while writer.poll() is None and _spent(writer.pid) - spent < amid:
            pass
        writer.send_signal(signal.SIGKILL)
        # lines it had said before it died, the last one perhaps cut
        rest = writer.stdout.read()
        said += [_parted(line) for line in rest.splitlines(keepends=True) if line.endswith(b"\n")]
    writer.wait()
    return said[1:]


def _parted(line: bytes) -> tuple[str, str]:
    kind, _, key = line.decode().rstrip("\n").partition(" ")
    return kind, key


def _spent(process: int) -> int:
    """Ticks of processor time a process has used (Linux); those of a dead one never stop the wait."""
    try:
        fields = Path(f"/proc/{process}/stat").read_text().rpartition(")")[2].split()
    except OSError:
        return 1 << 30
    return int(fields[11]) + int(fields[12])


def test_nothing_that_was_said_to_be_kept_is_lost(tmp_path):
    shelf = Shelf.open(tmp_path / "shelf", create=True)
    shelf.add(checked(Unit, inventory="D0", kind="drive unit"))
    shelf.add(checked(Mechanism, mechanism="D0.0"))
    shelf.add(checked(Disk, inventory="K0"))
    draw = random.Random(SEED)
    said: list[tuple[str, str]] = []
    killed = done = 0
    while done < WRITES:
        left = WRITES - done
        told = life(shelf.folder, done, left, draw.randint(0, 2 * WRITES // LIVES), draw.randint(0, 12))
        said += told
        killed += len(told) < left
        # a write that was kept but not said is not asked for; the next life goes on behind it
        done += len(told) + 1 if len(told) < left else left
        _expect(Shelf.open(shelf.folder), said)
    # it was killed often enough, and nearly every write was said to be kept
    assert killed >= LIVES // 2
    assert len(said) >= WRITES - killed


def _expect(shelf: Shelf, said: list[tuple[str, str]]) -> None:
    """All that was said is there, whole and sound."""
    assert shelf.inspect() == []
    keys: dict[str, list[str]] = {}
    for kind, key in said:
        keys.setdefault(kind, []).append(key)
    disks = {disk.inventory for disk in shelf.all(Disk)}
    assert set(keys.get("disk", [])) <= disks
    assert not set(keys.get("removed", [])) & disks
    copies = {path.name.rpartition("-")[2] for path in shelf.folder.glob("removed/*.json")}
    assert {f"{key}.json" for key in keys.get("removed", [])} <= copies
    sheets = Counter(trial.trial.partition("-")[0] for trial in shelf.trials())
    assert set(keys.get("sheet", [])) <= set(sheets)
    assert set(sheets.values()) <= {SHEET_TRIALS}
    assert set(keys.get("photo", [])) <= {photo.sha256 for photo in shelf.all(Photo)}
    assert set(keys.get("capture", [])) <= {capture.sha256 for capture in shelf.all(CaptureRecord)}
    assert {found.state for found in check_photos(shelf)} <= {"unchanged"}
    assert {found.state for found in check_captures(shelf)} <= {"unchanged"}
    title = shelf.get(Unit, "D0").title
    assert int(title.removeprefix("title ") or -1) >= max(map(int, keys.get("title", [])), default=-1)
