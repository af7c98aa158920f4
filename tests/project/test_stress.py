"""Many at one shelf at once: nothing that was said to be kept is lost, and nothing is left half done or locked.

INDEXHOLE_STRESS_S sets for how many seconds on each register (`make stress` for longer), INDEXHOLE_STRESS_SEED what is
drawn: the verbs and their order; what meets what is up to the machine.
"""

from __future__ import annotations

import json
import os
import zipfile
from collections.abc import Callable
from pathlib import Path

import psycopg
import pytest
from openpyxl import load_workbook
from tests.support import postgres_server
from tests.support.stress import Outcome, stress

from indexhole.shelf.exchange.backup import check_backup
from indexhole.shelf.sheets.sheet import read_sheet

SECONDS = float(os.environ.get("INDEXHOLE_STRESS_S", "8"))
SEED = int(os.environ.get("INDEXHOLE_STRESS_SEED", "20260302"))


def test_many_at_a_shelf_of_ones_own(tmp_path):
    outcome = stress(str(tmp_path / "shelf"), tmp_path, SECONDS, SEED)
    _expect(outcome)
    assert not (tmp_path / "shelf" / "register.sqlite-journal").exists()


@pytest.mark.postgres
def test_many_at_a_shared_shelf(tmp_path):
    with postgres_server.server() as start:
        with psycopg.connect(f"{start}postgres", autocommit=True) as connection:
            connection.execute("CREATE DATABASE shelf")
        outcome = stress(f"{start}shelf?files={tmp_path / 'shelf'}", tmp_path, SECONDS, SEED)
        _expect(outcome)
        with psycopg.connect(f"{start}shelf") as connection:
            held = connection.execute("SELECT count(*) FROM pg_locks WHERE locktype = 'advisory'").fetchone()
        assert held == (0,)


def _expect(outcome: Outcome) -> None:
    told = f"seed {SEED}, {SECONDS:g} s; taken {dict(outcome.taken)}; refused {dict(outcome.refused)}"
    assert not outcome.faults, "\n".join([*outcome.faults[:20], told])
    # no verb is always refused
    assert {verb[3:] for verb in outcome.refused} <= {verb[3:] for verb in outcome.taken}, told
    for file in outcome.files:
        _READ[file.suffix](file)
    assert {file.suffix for file in outcome.files} == set(_READ), told


def _read_backup(path: Path) -> None:
    """A backup is whole, and holds the files of all captures and photos whose rows it holds."""
    check_backup(path)
    with zipfile.ZipFile(path) as packed_up:
        rows = [
            json.loads(line)
            for table in ("captures", "photos")
            for line in packed_up.read(f"register/{table}.jsonl").splitlines()
        ]
        named = {row[name] for row in rows for name in ("parquet", "original", "file") if row.get(name)}
        assert {f"files/{place}" for place in named} <= set(packed_up.namelist())


_READ: dict[str, Callable[[Path], object]] = {
    ".backup": _read_backup,
    ".csv": read_sheet,
    ".xlsx": lambda path: load_workbook(path, read_only=True).close(),
    ".jsonld": lambda path: json.loads(path.read_text(encoding="utf-8"))["@graph"],
}
