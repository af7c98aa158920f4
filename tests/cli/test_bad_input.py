"""As a new user does it wrong: every verb in a process of its own says so in one line, and leaves nothing behind."""

from __future__ import annotations

import gzip
import os
import subprocess
import sys
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from indexhole.model.trials.trial import Trial
from indexhole.shelf.sheets.sheet import sheet_bytes
from indexhole.signal.captures.capture import Capture
from indexhole.signal.formats.write_vcd import csv_bytes, vcd_bytes

CAPTURE = Capture("one", 1 / 24e6, np.cumsum(np.full(3000, 96)), np.array([50, 240_000]))
TRIAL = Trial("T1", "2026-03-01", "read", "H1", "L1", "D1.0", "K1", 0, 0, 12, 117, 3)
DUMP, TABLE = vcd_bytes(CAPTURE), csv_bytes(CAPTURE)
# So long that a reader with a thread of its own would still be at it when the fault is met.
VOLTS = b"time_us,ch1\n" + b"".join(b"%d.2,0.%d\n" % (k, k % 7) for k in range(600_000))

# what the file `bad` holds, the command, what it must say
CASES: list[tuple[str, bytes, str, str]] = [
    ("cut dump", DUMP[: len(DUMP) // 2 + 1], "recover bad", "bad: ends in the middle of a line at byte "),
    ("cut gzip", gzip.compress(DUMP)[:-40], "gauge bad", "bad: the gzip file is cut short; copy or log it again"),
    ("text in a table", TABLE.replace(b",1,1\n", b",hello,1\n", 9), "recover bad", "'hello' is not a number"),
    ("text in a long table", VOLTS.replace(b"20.2,", b"20.2,hm", 1), "recover bad", "'hm0.6' is not a number"),
    (
        "other lines",
        DUMP.replace(b"RDATA", b"LAMP"),
        "recover bad",
        "bad: no read-data line among LAMP, INDEX; name it",
    ),
    ("empty capture", b"", "gauge bad", "bad: the file is empty; log it again"),
    ("no capture", b"Dear keeper,\n", "recover bad --out new", "bad: not a capture this program reads"),
    ("empty sheet", b"", "causes bad", "bad: is empty; its first row names the columns trial,when,"),
    (
        "failed above tried",
        sheet_bytes([TRIAL, replace(TRIAL, trial="T2", sectors_failed=118)]),
        "causes bad",
        "bad: row 3: sectors_failed 118 is more than sectors_tried 117; mend the counts",
    ),
    (
        "a sheet for a new shelf",
        sheet_bytes([TRIAL]).replace(b"117", b"many"),
        "shelf import bad --shelf new",
        "bad: row 2, column sectors_tried: 'many' is not a whole number",
    ),
    ("a capture for a new shelf", b"", "shelf add capture bad --shelf new", "bad: the file is empty; log it again"),
    ("a shelf in a file", b"x", "shelf add unit D1 --shelf bad/shelf", "bad/shelf: no shelf can be kept here"),
    ("no shelf", b"x", "causes --shelf new", "new: there is no shelf here; start one with"),
    ("a page on a file", b"x", "serve --port 0 --shelf bad/shelf", "bad/shelf: no shelf can be kept here"),
    (
        "a demonstration in a file",
        b"x",
        "demo --folder bad/shelf",
        "bad/shelf: the demonstration shelf cannot be made here",
    ),
    ("a demonstration over it", b"x", "demo --folder bad", "bad: holds something that is not the demonstration shelf"),
]


@pytest.fixture
def process(tmp_path, monkeypatch) -> Callable[..., subprocess.CompletedProcess[bytes]]:
    monkeypatch.chdir(tmp_path)
    # whatever a verb keeps for its user must not be found by the next test
    environment = {**os.environ, "HOME": str(tmp_path), "XDG_DATA_HOME": str(tmp_path / "data")}
    environment.pop("INDEXHOLE_SHELF", None)

    def run(command: str) -> subprocess.CompletedProcess[bytes]:
        words = [sys.executable, "-m", "indexhole", *command.split()]
        return subprocess.run(words, capture_output=True, stdin=subprocess.DEVNULL, env=environment, check=False)

    return run


@pytest.mark.parametrize(("content", "command", "told"), [case[1:] for case in CASES], ids=[case[0] for case in CASES])
def test_one_line_status_2_and_nothing_left(process, content: bytes, command: str, told: str):
    Path("bad").write_bytes(content)
    done = process(command)
    said = done.stderr.decode()
    assert done.returncode == 2, said
    assert done.stdout == b""
    assert said.startswith("indexhole: ")
    assert said.count("\n") == 1
    assert told in said
    assert [path.name for path in Path().iterdir()] == ["bad"]
    assert Path("bad").read_bytes() == content


@pytest.mark.parametrize("verb", ["", "demo", "serve", "recover", "gauge", "causes", "level", "shelf"])
def test_help_costs_nothing_and_leaves_nothing(process, verb: str):
    done = process(f"{verb} --help")
    assert done.returncode == 0
    assert b"Usage: indexhole" in done.stdout
    assert list(Path().iterdir()) == []
