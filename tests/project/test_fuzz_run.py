"""The fuzzer's own parts: how inputs are taken apart, what is kept of them, and how a run ends. Without the fuzzer."""

from __future__ import annotations

import os
import signal
import stat
import subprocess
import sys
import time
from pathlib import Path

import pytest
from fuzz import keep, run
from fuzz.parts import Parts, members, patched, value
from fuzz.target import Target, tried
from fuzz.targets import CORPUS, TARGETS

from indexhole.errors import InputFault

ROOT = Path(__file__).parents[2]


def test_bytes_come_apart_the_same_way_and_end_in_zeros():
    parts = Parts(b"\x01\x02\x03abc")
    assert (parts.number(), parts.number(2), parts.piece(2), bool(parts), parts.rest()) == (1, 0x302, b"ab", True, b"c")
    assert (parts.number(4), parts.piece(9), bool(parts)) == (0, b"", False)


def test_patches_lie_over_an_image_and_never_make_it_longer():
    assert patched(b"harbour", b"\x02\0\0\x01XY") == b"haXYour"
    assert patched(b"harbour", b"\x06\0\0\x02XYZ") == b"harbouX"
    assert patched(b"harbour", b"\x08\0\0\0X") == b"hXrbour"


def test_members_are_named_by_lines():
    assert list(members(b"=a\n1\n2\n=b/c\n")) == [("a", b"1\n2"), ("b/c", b"")]
    assert list(members(b"nothing")) == []


def test_a_value_is_bounded_whatever_is_asked_for():
    told = value(Parts(bytes([240, 4]) * 500))
    assert isinstance(told, dict)
    assert value(Parts(b"")) is None


def _refuses(data: bytes) -> None:
    if data == b"bad":
        raise InputFault("is bad", where="x")
    if data == b"odd":
        raise KeyError("odd")


def test_only_the_programs_own_faults_are_a_refusal():
    target = Target("t", "bytes", _refuses)
    assert tried(target, b"good")
    assert not tried(target, b"bad")
    with pytest.raises(KeyError):
        tried(target, b"odd")


def test_what_adds_nothing_is_not_kept_and_the_shorter_of_two_is():
    def steps(*lines: int) -> frozenset[keep.Step]:
        return frozenset(("x.py", line, line + 1) for line in lines)

    inputs = {b"longer": steps(1, 2), b"long": steps(1, 2), b"a": steps(1), b"else": steps(3), b"none": steps()}
    assert keep.chosen(inputs, dict.fromkeys(inputs, 0.0)) == [b"long", b"else"]
    assert keep.chosen(inputs, dict.fromkeys(inputs, keep.MOST_S)) == [b"long"]


def test_steps_are_those_of_our_own_code():
    few, more = (keep.steps_of(TARGETS["date"], data) for data in (b"?", b"about 1987"))
    assert few < more | few
    assert len(more) > len(few) > 0
    assert {Path(name).name for name, _, _ in more} >= {"dates.py"}
    assert all("indexhole" in name for name, _, _ in more)


@pytest.fixture
def stand_in(tmp_path, monkeypatch) -> Path:
    """A program in place of the interpreter, run instead of the fuzzer, and folders of its own."""
    for name in ("CORPUS", "FOUND", "GROWN"):
        monkeypatch.setattr(run, name, tmp_path / name.lower())
    monkeypatch.setattr(run, "_ROOT", tmp_path)
    program = tmp_path / "python"
    monkeypatch.setattr(sys, "executable", str(program))
    return program


def _is(program: Path, script: str) -> None:
    program.write_text(f"#!/bin/sh\n{script}\n")
    program.chmod(program.stat().st_mode | stat.S_IXUSR)


_TOLD = (
    "echo '#9 NEW cov: 3 ft: 4'; echo '#12 DONE cov: 34 ft: 56 corp: 7/89b'; echo stat::number_of_executed_units: 12"
)


def test_a_run_is_told_in_a_line(stand_in, capsys):
    _is(stand_in, _TOLD)
    (outcome,) = run.fuzz(["date"], 1, 1)
    assert (outcome.runs, outcome.coverage, outcome.kept, outcome.found, outcome.trouble) == (12, 34, 7, (), "")
    assert capsys.readouterr().out.split()[:3] == ["date", "12", "runs"]
    assert not (run.FOUND / "date").exists()


def test_what_is_found_is_told_with_its_place(stand_in, capsys, monkeypatch):
    _is(stand_in, f"{_TOLD}; echo x > {run.FOUND}/date/crash-1; exit 77")
    monkeypatch.setattr(sys, "argv", ["fuzz", "--seconds", "1", "date"])
    assert run.main() == 1
    assert capsys.readouterr().out.splitlines()[-1] == "  found/date/crash-1"
    # found before is not found again
    _is(stand_in, _TOLD)
    assert run.main() == 0


def test_a_run_that_fails_by_itself_is_no_good_end(stand_in, capsys, monkeypatch):
    _is(stand_in, "echo no such module; exit 1")
    monkeypatch.setattr(sys, "argv", ["fuzz", "--seconds", "1", "date"])
    assert run.main() == 1
    assert "ended with status 1, see grown/date.log" in capsys.readouterr().out


@pytest.mark.parametrize("words", [["--seconds", "0"], ["letters"], ["--at-once", "3"]])
def test_what_cannot_be_asked_is_told(words, monkeypatch, capsys):
    monkeypatch.setattr(sys, "argv", ["fuzz", *words])
    with pytest.raises(SystemExit) as ended:
        run.main()
    assert ended.value.code == 2
    assert "fuzz: error:" in capsys.readouterr().err


@pytest.mark.parametrize("how", [signal.SIGINT, signal.SIGTERM])
def test_ctrl_c_ends_it_quietly_and_all_it_began(how, tmp_path):
    program = tmp_path / "python"
    _is(program, f"echo $$ > {tmp_path}/begun; exec sleep 600")
    script = (
        "import sys; from pathlib import Path; from fuzz import run; here = Path(sys.argv.pop())\n"
        "run.CORPUS, run.FOUND, run.GROWN = here / 'c', here / 'f', here / 'g'\n"
        "sys.executable = str(here / 'python'); sys.exit(run.main())"
    )
    told = {**os.environ, "PYTHONPATH": f"{ROOT}{os.pathsep}{os.environ.get('PYTHONPATH', '')}"}
    begun = subprocess.Popen(
        [sys.executable, "-c", script, "date", "codes", str(tmp_path)],
        cwd=ROOT, env=told, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
    )  # fmt: skip
    until = time.monotonic() + 60
    while not (tmp_path / "begun").exists() or not (tmp_path / "begun").read_text().strip():
        assert time.monotonic() < until
        time.sleep(0.02)
    begun.send_signal(how)
    out, err = begun.communicate(timeout=60)
    assert (begun.returncode, out, err) == (130, "", "")
    with pytest.raises(ProcessLookupError):
        os.kill(int((tmp_path / "begun").read_text()), 0)


def test_every_target_says_what_it_reads_in_the_docs():
    page = (ROOT / "docs" / "fuzzing.md").read_text(encoding="utf-8")
    for name in TARGETS:
        assert f"| `{name}` |" in page, name


def test_every_target_has_a_corpus():
    assert {folder.name for folder in CORPUS.iterdir()} == set(TARGETS)
