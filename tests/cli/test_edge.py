"""The command line's edge: exit statuses, one-line faults, quiet ends, a fast start."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path
from types import ModuleType

import pytest
import typer

from indexhole import __version__
from indexhole.cli import main as edge
from indexhole.cli.present import confirm, emit_table, printable, to_json
from indexhole.errors import InputFault
from indexhole.model.trials.trial import Trial

TRIAL = Trial("T1", "2026-03-01", "read", "H1", "L1", "D1.0", "K1", 0, 0, 12, 117, 0)


def process(*arguments: str) -> subprocess.CompletedProcess[bytes]:
    return subprocess.run([sys.executable, "-m", "indexhole", *arguments], capture_output=True, check=False)


@pytest.fixture
def verb(monkeypatch: pytest.MonkeyPatch):
    """Put a verb `probe` on the table that runs the function given."""

    def install(function) -> None:
        module = ModuleType("indexhole.cli.probe")
        module.probe = function
        monkeypatch.setitem(sys.modules, "indexhole.cli.probe", module)
        monkeypatch.setattr(edge, "_present", lambda name: True)
        monkeypatch.setitem(edge.VERBS, "probe", "Probe.")

    return install


def test_the_version_and_the_help_end_well():
    done = process("--version")
    assert (done.returncode, done.stdout.decode().strip()) == (0, f"indexhole {__version__}")
    assert process("--help").returncode == 0


def test_the_bare_command_shows_the_help(capsys):
    assert edge.run([]) == 0
    assert "Usage: indexhole" in capsys.readouterr().out


@pytest.mark.parametrize("arguments", [["nonsense"], ["--nonsense"], ["\udcff"]])
def test_wrong_use_gets_one_line_and_status_2(arguments, capsys):
    assert edge.run(arguments) == 2
    told = capsys.readouterr()
    assert told.out == ""
    assert told.err.startswith("indexhole: ")
    assert told.err.count("\n") == 1


def test_a_fault_of_the_input_is_one_line_with_place_and_remedy(verb, capsys):
    def probe() -> None:
        raise InputFault("no\nindex pulse", where="a.vcd", remedy="log the index line")

    verb(probe)
    assert edge.run(["probe"]) == 2
    assert capsys.readouterr().err == "indexhole: a.vcd: no index pulse; log the index line\n"


def test_an_operating_system_fault_is_one_line(verb, capsys):
    def probe() -> None:
        Path("/dev/null/x").read_bytes()

    verb(probe)
    assert edge.run(["probe"]) == 2
    assert capsys.readouterr().err == "indexhole: /dev/null/x: Not a directory\n"


def test_a_fault_of_our_own_is_not_dressed_up(verb):
    def probe() -> None:
        raise ZeroDivisionError

    verb(probe)
    with pytest.raises(ZeroDivisionError):
        edge.run(["probe"])


def test_a_verb_says_a_fault_was_found_by_status_1(verb):
    def probe() -> None:
        raise typer.Exit(1)

    verb(probe)
    assert edge.run(["probe"]) == 1


def test_a_verb_named_in_its_own_fault(verb, capsys):
    def probe(count: int) -> None: ...

    verb(probe)
    assert edge.run(["probe", "many"]) == 2
    assert capsys.readouterr().err.endswith("see indexhole probe --help\n")


def test_stopped_by_the_keeper_is_quiet(verb, capsys):
    def probe() -> None:
        raise KeyboardInterrupt

    verb(probe)
    assert edge.run(["probe"]) == edge.STOPPED
    assert capsys.readouterr() == ("", "")


def test_a_reader_that_goes_away_is_quiet():
    reading, writing = os.pipe()
    os.close(reading)
    done = subprocess.run(
        [sys.executable, "-m", "indexhole", "--help"], stdout=writing, stderr=subprocess.PIPE, check=False
    )
    os.close(writing)
    assert (done.returncode, done.stderr) == (edge.READER_GONE, b"")


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="no full device here")
def test_a_full_device_is_one_line():
    with Path("/dev/full").open("wb") as full:
        done = subprocess.run(
            [sys.executable, "-m", "indexhole", "--help"], stdout=full, stderr=subprocess.PIPE, check=False
        )
    assert done.returncode == 2
    assert done.stderr.decode().count("\n") == 1


def test_the_help_imports_nothing_heavy():
    heavy = ["numpy", "numba", "scipy", "sqlalchemy", "alembic", "fastapi", "altair", "pyarrow", "pydantic", "rich"]
    program = (
        "import sys; from indexhole.cli.main import run; run(['--help']); "
        f"print([m for m in {heavy!r} if m in sys.modules], file=sys.stderr)"
    )
    done = subprocess.run([sys.executable, "-c", program], capture_output=True, check=True)
    assert done.stderr.decode().strip() == "[]"


def test_json_takes_our_shapes_and_says_null_for_what_is_not_measured():
    told = json.loads(to_json({"trial": TRIAL, "value": float("nan"), "bound": [float("inf"), 1.5]}))
    assert told["trial"]["mechanism"] == "D1.0"
    assert (told["value"], told["bound"]) == (None, [None, 1.5])


def test_json_is_safe_in_any_terminal():
    assert to_json("Gezeitentafel \u00fc \udcff").isascii()


def test_what_has_no_json_form_is_our_fault():
    with pytest.raises(TypeError, match="object has no JSON form"):
        to_json(object())


def test_a_title_cannot_steer_the_terminal(capsys):
    emit_table("Disks", ["disk", "bytes"], [["K\x1b[2J", 368640], ["\u202eK2", None]])
    told = capsys.readouterr().out
    assert told.splitlines() == [
        "Disks",
        "disk       bytes",
        "K\\x1b[2J  368640",
        "\\u202eK2       -",
    ]


def test_letters_of_any_script_stay():
    assert printable("Größe 潮汐表 नौका") == "Größe 潮汐表 नौका"


def test_a_loss_is_not_confirmed_by_silence(monkeypatch):
    monkeypatch.setattr(sys.stdin, "isatty", lambda: False, raising=False)
    with pytest.raises(InputFault, match="add --yes"):
        confirm("Remove D1?", yes=False)
    assert confirm("Remove D1?", yes=True)


def test_a_terminal_gets_a_table_with_its_text_taken_as_text(monkeypatch, capsys):
    monkeypatch.setattr(sys.stdout, "isatty", lambda: True, raising=False)
    emit_table("Disks [bold]", ["disk", "bytes"], [["[red]K1[/red]", 368640], ["K2", None]])
    told = capsys.readouterr().out
    for text in ("Disks [bold]", "[red]K1[/red]", "368640"):
        assert text in told
